"""How fast this player's fingers are, learnt from takes: one factor for all changes, and single ones of their own.

Conventions
-----------
* A change that came on time took no longer than the time it was given: it says only that. A late one says about how
  long it took, unless the player had lost the thread.
* Everything is a natural logarithm of (time taken / time the model expects of an average player).

Method
------
The time of one execution is log-normal: the model's time, times the player's factor, times a factor of that change,
times the scatter from one execution to the next. A note comes when the fingers are there and the player means it to,
whichever is later. So one that was on time enters by the probability that the time there was, with what counts as on
time, was enough (it is censored); a late one by the density of its time, mixed with that of an uneven pulse and of a
hesitation, which say nothing of fingers. Within what is on time a pulse and fingers look alike. Prior spreads are
stated below; scatter and share of hesitations are not known either and are averaged over. All of it is summed up on a
grid; the interval is widened by what the model is known to leave out.

References
----------
.. [1] Š. Libřický and J. Hajič jr., *Modeling the Difficulty of Saxophone Music*, 2025, arXiv:2507.04963.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from types import MappingProxyType

import numpy as np

from companion.arrays import Bools, Floats, Ints
from companion.charts.model import Chart, Fingering
from companion.errors import ChartError
from companion.planning.effort import change_seconds

__all__ = [
    "CHANGE_SPREAD", "LAPSE_FACTOR", "MIN_READINGS_FOR_CHANGE", "MIN_READINGS_FOR_PACE", "PACE_SPREAD", "Pace",
    "Reading", "pace_from",
]  # fmt: skip

#: Readings that tell something (see `pace_from`) before the player's factor, or that of a change, is used at all.
MIN_READINGS_FOR_PACE = 20
MIN_READINGS_FOR_CHANGE = 6
#: Standard deviation of the logarithm of players' paces. The five players of [1], by the six pairs that all of them
#: played (mean of log times, less the pair's mean over players): -0.089 to +0.098, standard deviation 0.075. Five
#: players know that figure only to within 0.045 and 0.217 (95 %, chi square of 4); the upper end is taken, since
#: students differ more than the five who were measured.
PACE_SPREAD = 0.22
#: The same for a single change about the model: its mean error on unseen pairs is some 16 %, which is 0.16 * sqrt(pi/2)
#: as the standard deviation of a normal distribution.
CHANGE_SPREAD = 0.20
#: And for what this reckoning leaves out (a player who is behind hurries, or lets the pulse slip): on made takes of
#: whole passages it is off by some 0.05 beyond what it says of itself.
METHOD_SPREAD = 0.05
#: A change that took so many times what is expected of this player was no matter of fingers (ours, no source).
LAPSE_FACTOR = 3.0

#: What counts as on time where nobody chose otherwise, as `practice` has it: seconds, and share of the time there is.
ON_TIME_S, ON_TIME_SHARE = 0.03, 0.1
#: Scatter from one execution to the next: the measured players' repeated trills differ by 0.084; a single change in a
#: piece by more. Shares of changes that are late for other reasons than fingers. Both are averaged over.
_SCATTERS = (0.08, 0.13, 0.2, 0.3, 0.45)
_SCATTER_MIDDLE, _SCATTER_SPREAD = 0.22, 0.5
_HESITATIONS = (0.003, 0.015, 0.06, 0.2)
#: How much later a note comes after a hesitation, on average (ours, no source).
_HESITATION_S = 0.4
#: The unevenness of a player's pulse is kept within these bounds; the time that is ample for a change, as a multiple of
#: the expected one, and how many notes tell of a pulse at least.
_EVENEST_S, _UNEVENEST_S = 0.0005, 0.04
_SLACK, _ENOUGH_FOR_PULSE = 2.0, 5
_MEDIAN_OF_NORMAL = 0.6745
#: Between two even notes both are off, sqrt(2) times as much as one; after one that waited for the fingers, one only.
#: The middle of both is taken.
_STEP_OVER_NOTE = 1.2
_GRID = 0.025
_PACES = np.arange(-0.8, 1.3 + _GRID / 2, _GRID)
_VALUES = np.arange(-1.4, 1.8 + _GRID / 2, _GRID)
#: On-time readings with more time than any player needs are left out of the sum.
_AMPLE = 1.6
_NOTHING = 80.0
_Change = tuple[frozenset[str], frozenset[str]]

AVERAGE_WORDS = "the average player's pace is assumed"


@dataclass(frozen=True, slots=True)
class Reading:
    """One change as it was played: keys before and after, the time there was and the time taken, both from onset to
    onset in seconds. `late` is whether the note fell behind the one before it by more than the tolerance."""

    before: frozenset[str]
    after: frozenset[str]
    available_s: float
    taken_s: float
    late: bool


@dataclass(frozen=True)
class Pace:
    """A player's pace. `factor` is time over the measured players' average time; `changes` holds further factors of
    single changes, under (keys before, keys after) both ways. `readings` counts those that told something, `words` is
    the sentence to show. `low` and `high` bound the factor with 95 % (None where it is only assumed).

    It can be handed to `plan(..., effort=pace)`.
    """

    factor: float = 1.0
    readings: int = 0
    changes: Mapping[_Change, float] = field(default_factory=dict)
    words: str = f"no takes of your own are counted: {AVERAGE_WORDS}"
    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "changes", MappingProxyType(dict(self.changes)))

    def __hash__(self) -> int:
        return hash((self.factor, self.readings, frozenset(self.changes.items())))

    def change_s(self, chart: Chart, a: Fingering, b: Fingering) -> float:
        """Seconds this player needs for the change from `a` to `b`; 0 where no key moves."""
        return change_seconds(chart, a, b) * self.factor * self.changes.get((a.keys, b.keys), 1.0)

    __call__ = change_s


@dataclass(frozen=True, slots=True)
class _Rows:
    """Readings as arrays: log of the time over the expected one, and whether the note was late. For these: the share
    of notes that an uneven pulse brings no later, and the densities, by the logarithm of time, of so uneven a pulse and
    of such a hesitation. Change by change, `places` holds the rows that it has and `counts` how often; `firsts` are
    where a change begins in both."""

    log_ratio: Floats
    over: Bools
    sooner: Floats
    uneven: Floats
    hesitation: Floats
    places: Ints
    counts: Floats
    firsts: Ints

    def sums(self, of_rows: Floats) -> Floats:
        """Sum over each change's readings [shape=(changes, values)]."""
        # As a product of matrices it takes ten times as long on a busy machine, where the library's threads wait.
        found: Floats = np.add.reduceat(of_rows[self.places] * self.counts[:, None], self.firsts, axis=0)
        return found


@dataclass(frozen=True, slots=True)
class _Played:
    """A reading against what is expected: the time there was and the time taken, in seconds."""

    expected_s: float
    available_s: float
    taken_s: float
    late: bool

    @property
    def log_ratio(self) -> float:
        """Logarithm of the time taken over the expected one; where the note was on time, of the most that it could have
        taken and still been so."""
        if self.late:
            return math.log(self.taken_s / self.expected_s)
        most_s = self.available_s + max(ON_TIME_S, ON_TIME_SHARE * self.available_s)
        return math.log(max(most_s, self.taken_s) / self.expected_s)

    @property
    def over_s(self) -> float:
        """What was taken beyond the time there was, in seconds; negative for an early note."""
        return self.taken_s - self.available_s

    def is_finger(self, middle: float) -> bool:
        """Late, and not by a lapse, for a player of this pace."""
        return self.late and self.log_ratio - middle <= math.log(LAPSE_FACTOR)

    @property
    def quick(self) -> bool:
        """On time in less than the average player's time."""
        return not self.late and self.taken_s < self.expected_s and self.available_s < self.expected_s


def pace_from(readings: Sequence[Reading], chart: Chart) -> Pace:
    """The player's pace as these readings tell it.

    Parameters
    ----------
    readings
        Changes as they were played. Those without time, without a moving key, or with keys that the chart doesn't have
        say nothing and are passed over.
    chart
        The instrument.

    Returns
    -------
    Pace
        A reading tells something where it is late (but no lapse: under `LAPSE_FACTOR` times what is expected of this
        player), or where it is on time in less than the average player's time. With fewer than `MIN_READINGS_FOR_PACE`
        of them the factor stays 1. A change needs `MIN_READINGS_FOR_CHANGE` of its own, and its factor is drawn towards
        1 by the model's own error.
    """
    by_change = _by_change(readings, chart)
    total = sum(map(len, by_change.values()))
    if not total:
        return Pace()
    # Without a first idea of the player's pace, what counts as telling can only be guessed high.
    most = sum(played.late or played.quick for of in by_change.values() for played in of)
    if most < MIN_READINGS_FOR_PACE:
        return _assumed(most)
    changes = list(by_change)
    posterior = _Posterior(_rows(list(by_change.values())))
    middle, low, high = posterior.pace()
    late = {change: sum(played.is_finger(middle) for played in of) for change, of in by_change.items()}
    quick = {change: sum(played.quick for played in of) for change, of in by_change.items()}
    told = sum(late.values()) + sum(quick.values())
    if told < MIN_READINGS_FOR_PACE:
        return _assumed(told)
    own = [i for i, change in enumerate(changes) if late[change] + quick[change] >= MIN_READINGS_FOR_CHANGE]
    factors = {}
    for i, log_factor in zip(own, posterior.of_changes(own), strict=True):
        before, after = changes[i]
        factors[before, after] = factors[after, before] = math.exp(log_factor)
    words = _words(sum(late.values()), sum(quick.values()), total, middle, low, high)
    return Pace(math.exp(middle), told, factors, words, math.exp(low), math.exp(high))


def _by_change(readings: Sequence[Reading], chart: Chart) -> dict[_Change, list[_Played]]:
    """The readings of each change; both ways are one change."""
    expected: dict[_Change, float] = {}
    found: dict[_Change, list[_Played]] = {}
    for reading in readings:
        if not (0 < reading.taken_s < math.inf and 0 < reading.available_s < math.inf):
            continue
        change = (reading.before, reading.after)
        expected_s = expected.get(change)
        if expected_s is None:
            expected_s = expected[change] = _expected_s(chart, *change)
        if expected_s:
            kept = change if change in found or (change[1], change[0]) not in found else (change[1], change[0])
            played = _Played(expected_s, reading.available_s, reading.taken_s, reading.late)
            found.setdefault(kept, []).append(played)
    return found


def _expected_s(chart: Chart, before: frozenset[str], after: frozenset[str]) -> float:
    try:
        a, b = (Fingering("", chart.sound(keys), keys) for keys in (before, after))
    except ChartError:
        return 0.0
    return change_seconds(chart, a, b)


def _rows(by_change: Sequence[Sequence[_Played]]) -> _Rows:
    """Times are rounded to a grid step, so that what came often, at whichever change, is one row."""
    uneven_s = _unevenness_s(by_change)
    numbers: dict[tuple[float, float, float], int] = {(_AMPLE, 0.0, 0.0): 0}
    places: list[int] = []
    counts: list[int] = []
    firsts = []
    for of_change in by_change:
        # A change has one row at least, if only one that says nothing.
        seen = Counter({0: 1})
        for played in of_change:
            x = round(played.log_ratio / _GRID) * _GRID
            if played.late or x < _AMPLE:
                behind_s = float(f"{played.over_s:.1g}") if played.late else 0.0
                # How densely other causes lie matters little, so the time they are reckoned at is rounded more.
                taken_s = math.exp(round(math.log(played.taken_s), 1)) if behind_s else 0.0
                seen[numbers.setdefault((x, behind_s, taken_s), len(numbers))] += 1
        firsts.append(len(places))
        places += seen
        counts += seen.values()
    rows = np.array([_row(*row, uneven_s) for row in numbers], dtype=np.float64)
    log_ratio, over_s, sooner, uneven, hesitation = rows.T
    of_changes = np.array(places), np.array(counts, dtype=np.float64), np.array(firsts)
    return _Rows(log_ratio, over_s > 0, sooner, uneven, hesitation, *of_changes)


def _unevenness_s(by_change: Sequence[Sequence[_Played]]) -> float:
    """Standard deviation of the player's pulse, by the notes that came early, since no finger makes a note early, and
    by those that came late though there was ample time. Catching up makes the first look larger, hesitations the
    second: the smaller one is taken."""
    early_s, slack_s = [], []
    for of_change in by_change:
        for played in of_change:
            if played.over_s < 0:
                early_s.append(-played.over_s)
            elif played.over_s > 0 and played.available_s > _SLACK * played.expected_s:
                slack_s.append(played.over_s)
    found_s = [float(np.median(s)) / _MEDIAN_OF_NORMAL for s in (early_s, slack_s) if len(s) >= _ENOUGH_FOR_PULSE]
    return min(max(min(found_s, default=0.0) / _STEP_OVER_NOTE, _EVENEST_S), _UNEVENEST_S)


def _row(log_ratio: float, over_s: float, taken_s: float, uneven_s: float) -> tuple[float, float, float, float, float]:
    hesitation = math.exp(-over_s / _HESITATION_S) / _HESITATION_S
    away = over_s / uneven_s
    uneven = math.exp(-0.5 * away**2) / (uneven_s * math.sqrt(2 * math.pi))
    sooner = 0.5 * math.erfc(-away / math.sqrt(2))
    return log_ratio, over_s, sooner, taken_s * uneven, taken_s * hesitation


class _Posterior:
    """What the readings leave open: the player's pace by scatter and share of hesitations, each change averaged out."""

    def __init__(self, rows: _Rows) -> None:
        spread = _exp(-0.5 * ((_VALUES[None, :] - _PACES[:, None]) / CHANGE_SPREAD) ** 2)
        self._of_value = spread / spread.sum(axis=1, keepdims=True)
        self._likelihood: list[Floats] = []
        self._marginal: list[Floats] = []
        weights = []
        for scatter, of_rows in _log_likelihoods(rows):
            logs = rows.sums(of_rows)
            highest = logs.max(axis=1, keepdims=True)
            likelihood = _exp(logs - highest)
            marginal = _product(likelihood, self._of_value)
            self._likelihood.append(likelihood)
            self._marginal.append(marginal)
            of_scatter = -0.5 * (math.log(scatter / _SCATTER_MIDDLE) / _SCATTER_SPREAD) ** 2
            weights.append(np.log(marginal + 1e-300).sum(axis=0) + highest.sum() + of_scatter)
        log_weight = np.array(weights) - 0.5 * (_PACES / PACE_SPREAD) ** 2
        weight = np.exp(log_weight - log_weight.max())
        self._weight = weight / weight.sum()

    def pace(self) -> tuple[float, float, float]:
        """Logarithm of the player's factor: its mean, and the bounds that hold 95 % of it."""
        blur = _exp(-0.5 * ((_PACES[:, None] - _PACES[None, :]) / METHOD_SPREAD) ** 2)
        weight = self._weight.sum(axis=0) @ (blur / blur.sum(axis=1, keepdims=True))
        total = np.cumsum(weight) - weight / 2
        low, high = np.interp((0.025, 0.975), total, _PACES)
        # A grid step is as fine as it is known.
        return float(weight @ _PACES), float(low), float(high)

    def of_changes(self, which: Sequence[int]) -> list[float]:
        """Logarithm of the factor of each of these changes beside the player's own: its mean."""
        found = np.zeros(len(which))
        if not which:
            return []
        away = self._of_value * (_VALUES[None, :] - _PACES[:, None])
        rows = list(which)
        for weight, likelihood, marginal in zip(self._weight, self._likelihood, self._marginal, strict=True):
            if weight.max() > 1e-9:
                mean = _product(likelihood[rows], away) / (marginal[rows] + 1e-300)
                found += (mean * weight).sum(axis=1)
        return [float(x) for x in found]


def _product(likelihood: Floats, of_value: Floats) -> Floats:
    """Sum over the values, for each change and each pace."""
    found: Floats = np.einsum("cv,pv->cp", likelihood, of_value)
    return found


def _exp(logs: Floats) -> Floats:
    """Numbers that say nothing are nothing: arithmetic with those below 1e-308 takes a hundred times as long."""
    found: Floats = np.where(logs > -_NOTHING, np.exp(np.maximum(logs, -_NOTHING)), 0.0)
    return found


def _log_likelihoods(rows: _Rows) -> Iterator[tuple[float, Floats]]:
    """For each scatter and share of hesitations: the scatter, and the likelihood's logarithm of each row for each true
    value of the change's logarithm [shape=(rows, values)]."""
    over = rows.over
    for scatter in _SCATTERS:
        away = (rows.log_ratio[:, None] - _VALUES[None, :]) / scatter
        enough = _log_normal_share(away)
        density = np.exp(-0.5 * away[over] ** 2) / (scatter * math.sqrt(2 * math.pi))
        density[away[over] * scatter > math.log(LAPSE_FACTOR)] = 0.0
        by_fingers, share = rows.sooner[over, None] * density, np.exp(enough[over])
        for hesitations in _HESITATIONS:
            logs = math.log1p(-hesitations) + enough
            other = (1 - hesitations) * rows.uneven[over] + hesitations * rows.hesitation[over]
            logs[over] = np.log((1 - hesitations) * by_fingers + share * other[:, None] + 1e-300)
            yield scatter, logs


@cache
def _normal_table() -> tuple[Floats, Floats]:
    at = np.arange(-37.0, 9.0, 0.01)
    return at, np.array([math.log(0.5 * math.erfc(-z / math.sqrt(2))) for z in at.tolist()])


def _log_normal_share(z: Floats) -> Floats:
    """Logarithm of the share of a normal distribution below `z`."""
    at, logs = _normal_table()
    found: Floats = np.interp(z, at, logs)
    return found


def _assumed(told: int) -> Pace:
    need = f"{told}; {MIN_READINGS_FOR_PACE} are needed"
    return Pace(readings=told, words=f"too few late or quick changes yet ({need}): {AVERAGE_WORDS}")


def _words(late: int, quick: int, total: int, middle: float, low: float, high: float) -> str:
    percent = round(100 * (math.exp(middle) - 1))
    within = max(1, round(50 * (math.exp(high) - math.exp(low))))
    both = [f"{late} late" if late else "", f"{quick} quick" if quick else ""]
    told = f"from {' and '.join(filter(None, both))} changes of {total}"
    how = f"about {abs(percent)} % {'slower' if percent > 0 else 'quicker'} than" if percent else "as quick as"
    return f"{told}: {how} the measured players, ± {within} % (95 % interval)"
