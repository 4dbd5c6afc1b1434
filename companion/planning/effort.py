"""How hard a change is: the expected seconds from one fingering to the next, from terms with names.

Conventions
-----------
* The logarithm of the time is a sum over what the hands do (`motion.TERMS`) and over pairs of it; what each costs
  stands in `charts/common/effort.toml`, fitted by `benchmarks/fit_effort.py`. No change takes no time.
* The time is half a trill's period, of the average of five players: one trill is two changes. It is the expected
  time, not the median: above it by half the variance of the logarithm.

References
----------
.. [1] Š. Libřický and J. Hajič jr., *Modeling the Difficulty of Saxophone Music*, 2025, arXiv:2507.04963: trill rates
   of five tenor players, which the table is fitted to.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from companion.arrays import Floats
from companion.charts.effort_table import EffortTable, effort_table
from companion.charts.model import Chart, Fingering
from companion.errors import ChartError
from companion.planning.motion import TERMS, terms_of
from companion.units import ms_from_s

__all__ = ["Effort", "Reckoning", "change_seconds", "effort_version", "reckoning"]

#: What the planner asks of an effort: the expected seconds of a change on this instrument.
Effort = Callable[[Chart, Fingering, Fingering], float]

MOST_CHARTS_KEPT = 8
#: A part of less than this is within what one player's own changes differ by: it is put with the others.
WORTH_SAYING_MS = 1.5

_Shape = tuple[int, frozenset[str]]


@dataclass(frozen=True, slots=True)
class Reckoning:
    """A change taken apart: `parts` are (heading, seconds) that add up to `seconds`, the base first. Two terms that
    make each other worse share what they add."""

    seconds: float
    parts: tuple[tuple[str, float], ...]

    def sentence(self) -> str:
        """`141 ms = base 70, hands combined 22, ...`, the largest parts first; what is too small to say, together."""
        total = round(ms_from_s(self.seconds))
        if not self.parts:
            return f"{total} ms: no key moves"
        (base_name, base_s), *others = self.parts
        others.sort(key=lambda part: -abs(part[1]))
        said = [(name, round(ms_from_s(s))) for name, s in others if ms_from_s(abs(s)) >= WORTH_SAYING_MS]
        base_ms = round(ms_from_s(base_s))
        rest = ("the rest", total - base_ms - sum(ms for _, ms in said))
        words = [f"{name} {_signed(ms)}" for name, ms in ((base_name, base_ms), *said, rest) if ms]
        return f"{total} ms = {', '.join(words)}"


def _signed(ms: int) -> str:
    return f"−{-ms}" if ms < 0 else str(ms)


class _Weights:
    """The table as arrays."""

    def __init__(self, table: EffortTable) -> None:
        names = tuple(term.name for term in TERMS)
        if table.terms != names:
            missing = sorted(set(table.terms) ^ set(names)) or ["their order"]
            raise ChartError("effort.toml", [f"its terms are not the program's ({missing[0]}): fit it anew"])
        self.table = table
        self.of_terms = np.array(table.weights)
        self.of_pairs = np.zeros((len(names), len(names)))
        for i, row in enumerate(table.pairs):
            self.of_pairs[i, i:] = row

    def seconds(self, terms: Floats) -> Floats:
        """Seconds of each row of terms."""
        log_s = self.table.base + terms @ self.of_terms + ((terms @ self.of_pairs) * terms).sum(axis=1)
        limits = math.log(self.table.shortest_s), math.log(self.table.longest_s)
        seconds: Floats = np.exp(np.clip(log_s, *limits))
        return seconds


@cache
def _weights() -> _Weights:
    return _Weights(effort_table())


def effort_version() -> str:
    """Identifies the table, so that a plan can say what it was made with."""
    return effort_table().version


class _ChartTimes:
    """The seconds of all changes between the fingerings of one chart, worked out together."""

    def __init__(self, chart: Chart) -> None:
        self.chart = chart
        shapes: dict[_Shape, Fingering] = {}
        for fingering in chart.fingerings:
            shapes.setdefault((fingering.written_midi, fingering.keys), fingering)
        self.index = {shape: i for i, shape in enumerate(shapes)}
        self.more: dict[tuple[_Shape, _Shape], float] = {}
        self.seconds = self._table(list(shapes.values()))

    def _table(self, fingerings: Sequence[Fingering]) -> list[list[float]]:
        count = len(fingerings)
        before, after = np.triu_indices(count, 1)
        table = np.zeros((count, count))
        if len(before):
            terms = terms_of(self.chart, [fingerings[int(i)] for i in before], [fingerings[int(i)] for i in after])
            table[before, after] = table[after, before] = _weights().seconds(terms)
        rows: list[list[float]] = table.tolist()
        return rows

    def between(self, a: Fingering, b: Fingering) -> float:
        """Seconds from `a` to `b`, also where one of them isn't in the chart."""
        one, other = (a.written_midi, a.keys), (b.written_midi, b.keys)
        i, j = self.index.get(one), self.index.get(other)
        if i is not None and j is not None:
            return self.seconds[i][j]
        seconds = self.more.get((one, other))
        if seconds is None:
            seconds = float(_weights().seconds(terms_of(self.chart, [a], [b]))[0])
            self.more[one, other] = seconds
        return seconds


_kept: dict[int, _ChartTimes] = {}


def _times(chart: Chart) -> _ChartTimes:
    # By identity: hashing a whole chart would take longer than the look-up it saves.
    times = _kept.get(id(chart))
    if times is None or times.chart is not chart:
        while len(_kept) >= MOST_CHARTS_KEPT:
            _kept.pop(next(iter(_kept)))
        times = _kept[id(chart)] = _ChartTimes(chart)
    return times


def change_seconds(chart: Chart, a: Fingering, b: Fingering) -> float:
    """The expected time of one change between two fingerings, for an average player.

    Parameters
    ----------
    chart
        The instrument both fingerings belong to.
    a, b
        From and to. They need not be in the chart, but their keys must.

    Returns
    -------
    float
        Seconds, the same both ways; 0 where no key moves.

    Raises
    ------
    ChartError
        For a key that the instrument doesn't have.

    References
    ----------
    See the module: fitted to published trill rates, arXiv:2507.04963.
    """
    if a.keys == b.keys:
        return 0.0
    return _times(chart).between(a, b)


def reckoning(chart: Chart, a: Fingering, b: Fingering) -> Reckoning:
    """The same time, taken apart by name.

    Notes
    -----
    The terms add up in the logarithm. A share of the sum is turned into seconds by the logarithmic mean of the time
    with and without all terms, so that the parts add up to the time whatever their order.
    """
    seconds = change_seconds(chart, a, b)
    if not seconds:
        return Reckoning(0.0, ())
    weights = _weights()
    terms = terms_of(chart, [a], [b])[0]
    together = (weights.of_pairs + weights.of_pairs.T) @ terms / 2
    shares = terms * (weights.of_terms + together)
    logs: dict[str, float] = {"base": weights.table.base}
    for term, share in zip(TERMS, shares, strict=True):
        if share:
            logs[term.said] = logs.get(term.said, 0.0) + float(share)
    base_s = math.exp(logs.pop("base"))
    change = math.log(seconds / base_s)
    # Where the time was held within what was measured, the parts are held with it.
    held = change / total if (total := sum(logs.values())) else 1.0
    mean_s = (seconds - base_s) / change if abs(change) > 1e-9 else seconds
    parts = [("base", base_s), *((name, mean_s * held * log) for name, log in logs.items())]
    return Reckoning(seconds, tuple(parts))
