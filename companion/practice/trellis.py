"""One Viterbi step: from the costs of all places in the score before a played note to those after it.

A state is the last score note realised; each state carries its own clock (a line from score seconds to played seconds)
along its best path. A played note is either extra, or realises the note of the state it leads to. All states are
computed at once; above `WHOLE` of them only those near the best one.

Clocks are kept as `base_s + pace * onset_s`, the played time at which the path would have a note of that score time.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

import numpy as np
from numpy.lib.stride_tricks import as_strided

from companion.arrays import Floats, Samples
from companion.practice.costs import COSTS, FORWARD, Costs, Score

__all__ = ["WHOLE", "Column", "Step", "Trellis"]


#: Up to this many states the whole score is kept in view, above it a window of `WINDOW` states around the best one.
WHOLE = 1501
WINDOW = 768
#: The window moves when the best state has kept near its edge for so many notes: a figure that comes twice in the piece
#: may look like a jump for a moment.
PATIENCE = 16

#: A note that has lived so long is no blip, and nothing about it is left to wait for.
SETTLED_S = 0.14


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """All states after a played note, from state `low` on. `wrong` is 1 where the note before was a wrong one. `astray`
    counts for how many notes the best state has been near the window's edge."""

    low: int
    cost: Floats
    base_s: Floats
    pace: Floats
    wrong: Floats
    astray: int = 0

    @property
    def best(self) -> int:
        """The state with the least cost."""
        return self.low + int(self.cost.argmin())


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """Where each state came from: `parent` is a state counted from `low`, or -1 - state where the note was extra."""

    low: int
    parent: Samples

    def before(self, state: int) -> tuple[int, bool]:
        """The state before, and whether the note realised something."""
        parent = int(self.parent[state - self.low])
        return (self.low + parent, True) if parent >= 0 else (self.low - 1 - parent, False)


class Trellis:
    """The steps over one score. Holds tables and scratch space, no state of any take.

    Rows of the tables are the ways into a state: `FORWARD` steps on, the last few notes again, one jump from the best
    state. A jump costs the same wherever it starts from but for near and far, so only the best start need be tried.
    """

    def __init__(self, score: Score, costs: Costs = COSTS) -> None:
        self.score, self._costs = score, costs
        self._states = score.size + 1
        self._width = self._states if self._states <= WHOLE else WINDOW
        self._rows = FORWARD + len(costs.stutter) + 1
        self._ornaments = dict(score.ornamented)
        self._view = -1
        self._allocate()
        self._look_at(0)

    def start(self) -> Column:
        """Before anything was played."""
        cost = np.full(self._width, np.inf)
        cost[0] = 0.0
        ones = np.ones(self._width)
        return Column(0, cost, np.zeros(self._width), ones, np.zeros(self._width))

    def advance(
        self, before: Column, onset_s: float, written_midi: int, since_s: float, life_s: float | None = None
    ) -> tuple[Column, Step]:
        """Take in one played note.

        Parameters
        ----------
        before : Column
        onset_s : float
            Seconds from the start of the first bar.
        written_midi : int
        since_s : float
            Since the played note before.
        life_s : float or None
            How long it lived, None where that is not known yet.
        """
        column = self._in_view(before)
        c, n = self._costs, self._width
        self._fill_forward(column, onset_s)
        jump_from = self._fill_jumps(column, written_midi, since_s)
        choice = self._cand.argmin(axis=0)
        flat = choice * n
        flat += self._states_in_view
        best = self._flat_cand.take(flat)
        pitch_cost, wrong = self._pitch(written_midi)
        best += pitch_cost
        blip = _logistic((c.blip_s - life_s) / c.blip_width_s) if life_s is not None else 0.0
        if life_s is not None and life_s < SETTLED_S:
            best += c.blip_match / (1.0 + np.exp((life_s - self._blip_s) * (1.0 / c.blip_width_s)))
        extra = column.cost + (c.extra - c.blip_extra * blip)
        is_extra = extra < best

        self._source[-1] = jump_from
        source = self._flat_source.take(flat)
        deviation_s = self._flat_dev.take(flat)
        # A note far off its due time is a break, not a change of pace: the clock is set anew there.
        z = deviation_s * self._flat_inv_sigma.take(flat)
        trusted_s = deviation_s / (1.0 + z * z * (1.0 / 9.0))
        pace = column.pace.take(source) + trusted_s * self._flat_pace_gain.take(flat)
        np.minimum(np.maximum(pace, c.fastest, out=pace), c.slowest, out=pace)
        base_s = onset_s - trusted_s * self._flat_keep.take(flat) - pace * self._onsets_s
        if self._ornaments:
            for i in self._adorned(written_midi):
                # The clock of a trill is that of its first note.
                if choice[i] == FORWARD:
                    base_s[i], pace[i] = column.base_s[i], column.pace[i]
        parent = np.where(is_extra, self._stay_extra, source).astype(np.int16)
        cost = np.minimum(best, extra)
        after = Column(
            column.low,
            cost,
            np.where(is_extra, column.base_s, base_s),
            np.where(is_extra, column.pace, pace),
            np.where(is_extra, 1.0 - blip, wrong),
            self._astray(column, cost),
        )
        return after, Step(column.low, parent)

    def _fill_forward(self, column: Column, onset_s: float) -> None:
        """Rows 0-3: the next note, or one to three left out."""
        self._pad_cost[FORWARD:] = column.cost
        self._pad_base[FORWARD:] = column.base_s
        self._pad_pace[FORWARD:] = column.pace
        dev, cand = self._dev[:FORWARD], self._cand[:FORWARD]
        np.multiply(self._fwd_pace, self._onsets_s, out=dev)
        dev += self._fwd_base
        np.subtract(onset_s, dev, out=dev)
        np.multiply(dev, self._inv_sigma[:FORWARD], out=cand)
        np.multiply(cand, cand, out=cand)
        np.log1p(cand, out=cand)
        np.minimum(cand, self._limit, out=cand)
        cand += self._fwd_cost
        cand += self._omitted

    def _fill_jumps(self, column: Column, written_midi: int, since_s: float) -> int:
        """The other rows: one of the last notes again, or anywhere from the best state (which is returned)."""
        c, n = self._costs, self._width
        gate = c.too_soon * max(0.0, 1.0 - since_s / c.too_soon_s)
        ready = self._pad_ready
        np.multiply(column.wrong, -c.after_wrong, out=ready[:n])
        ready[:n] += column.cost
        if gate:
            ready[:n] += gate
        again = self._cand[FORWARD:-1]
        np.add(self._back_ready, self._stutter, out=again)
        if self._ornaments:
            self._fill_ornaments(column, written_midi, again[0])
        origin = int(ready[:n].argmin())
        row = self._cand[-1]
        np.add(self._landmark, float(ready[origin]), out=row)
        near_from, near_to = self._near_from[origin], self._near_to[origin]
        row[:near_from] += c.back_far
        row[near_from : origin + 1] += c.back_near
        row[origin + 1 : near_to] += c.skip_near
        row[near_to:] += c.skip_far
        return origin

    def _fill_ornaments(self, column: Column, written_midi: int, again: Floats) -> None:
        """Within a trill or turn the same score note is realised any number of times, in any order of its pitches."""
        for i in self._adorned(written_midi):
            again[i] = column.cost[i] + self._costs.ornament

    def _adorned(self, written_midi: int) -> list[int]:
        """States in view whose ornament holds this pitch."""
        view, width = self._view, self._width
        return [s - view for s, pitches in self._ornaments.items() if written_midi in pitches and 0 <= s - view < width]

    def _pitch(self, written_midi: int) -> tuple[Floats, Floats]:
        """What this pitch costs in each note's place, and 1 where it is a wrong one there."""
        known = self._pitch_rows.get(written_midi)
        if known is None:
            c, off = self._costs, np.abs(self._written_midi - written_midi)
            cost = np.where(off <= 2, c.wrong_near, np.where(off % 12 == 0, c.wrong_octave, c.wrong_far))
            cost[off == 0] = 0.0
            cost[self._adorned(written_midi)] = 0.0
            known = self._pitch_rows[written_midi] = (cost, (cost > 0.0).astype(np.float64))
        return known

    def _in_view(self, column: Column) -> Column:
        """The column as the window sees it; the window moves when the best state stays near its edge."""
        if self._width == self._states:
            return column
        low = column.low
        if column.astray >= PATIENCE:
            low = min(max(column.best - self._width // 2, 0), self._states - self._width)
        if low != self._view:
            self._look_at(low)
        return column if low == column.low else _moved(column, low)

    def _astray(self, column: Column, cost: Floats) -> int:
        """For how many notes the best state has been within a quarter of the window from its edge."""
        if self._width == self._states:
            return 0
        best, quarter = int(cost.argmin()), self._width // 4
        at_low_end, at_high_end = column.low == 0, column.low == self._states - self._width
        inside = (best >= quarter or at_low_end) and (best < self._width - quarter or at_high_end)
        return 0 if inside else column.astray + 1

    def _allocate(self) -> None:
        n, rows = self._width, self._rows
        stutters = rows - FORWARD - 1
        self._states_in_view = np.arange(n)
        self._stay_extra = -1 - self._states_in_view
        self._cand = np.zeros((rows, n))
        self._dev = np.zeros((rows, n))
        self._pad_cost = np.full(n + FORWARD, np.inf)
        self._pad_base = np.zeros(n + FORWARD)
        self._pad_pace = np.ones(n + FORWARD)
        self._pad_ready = np.full(n + stutters, np.inf)
        self._fwd_cost = _earlier(self._pad_cost, n)
        self._fwd_base = _earlier(self._pad_base, n)
        self._fwd_pace = _earlier(self._pad_pace, n)
        self._back_ready = as_strided(self._pad_ready, (stutters, n), self._pad_ready.strides * 2)
        self._stutter = np.array(self._costs.stutter)[:, None]
        source = np.zeros((rows, n), dtype=np.int64)
        for m in range(FORWARD):
            source[m] = self._states_in_view - 1 - m
        for m in range(stutters):
            source[FORWARD + m] = self._states_in_view + m
        self._source = np.clip(source, 0, n - 1)
        self._flat_cand, self._flat_dev = self._cand.reshape(-1), self._dev.reshape(-1)
        self._flat_source = self._source.reshape(-1)

    def _look_at(self, low: int) -> None:
        """Cut the tables to the window from `low` on."""
        n, c, s = self._width, self._costs, self.score
        self._view = low
        window = slice(low, low + n)
        self._onsets_s, self._written_midi = s.onsets_s[window], s.written_midi[window]
        self._blip_s, bar = s.blip_s[window], s.bar[window]
        # The bar before, the bar itself and the next one are near.
        self._near_from = np.searchsorted(bar, bar - 1, side="left").tolist()
        self._near_to = np.searchsorted(bar, bar + 1, side="right").tolist()
        self._landmark = s.landmark[window]
        self._pitch_rows: dict[int, tuple[Floats, Floats]] = {}
        self._inv_sigma = np.zeros((self._rows, n))
        self._pace_gain = np.zeros((self._rows, n))
        self._keep = np.zeros((self._rows, n))
        self._limit = np.full((FORWARD, n), c.late_limit)
        self._omitted = np.full((FORWARD, n), np.inf)
        for m in range(FORWARD):
            target = np.arange(max(m + 1, low), low + n)
            origin, at = target - 1 - m, target - low
            interval_s = np.maximum(s.onsets_s[target] - s.onsets_s[origin], 0.0)
            sigma_s = np.hypot(c.sigma_s, c.sigma_share * interval_s)
            sigma_s[s.grace[target] | s.grace[origin]] += c.sigma_s
            first = origin == 0
            self._inv_sigma[m, at] = np.where(first, 1.0 / c.start_sigma_s, 1.0 / sigma_s)
            self._pace_gain[m, at] = np.where(first, 0.0, c.pace / np.maximum(interval_s, 0.15))
            self._keep[m, at] = np.where(first, 0.0, 1.0 - c.follow)
            self._limit[m, at] = np.where(first, c.start_limit, c.late_limit)
            self._omitted[m, at] = s.omit_sum[target - 1] - s.omit_sum[origin]
        self._flat_inv_sigma, self._flat_pace_gain = self._inv_sigma.reshape(-1), self._pace_gain.reshape(-1)
        self._flat_keep = self._keep.reshape(-1)


def _earlier(padded: Floats, width: int) -> Floats:
    """View [shape=(FORWARD, width)] whose row m holds the states m + 1 before."""
    stride = padded.strides[0]
    return as_strided(padded[FORWARD - 1 :], (FORWARD, width), (-stride, stride))


def _moved(column: Column, low: int) -> Column:
    """The same states in another window; those that were out of view are out of reach."""
    width = len(column.cost)
    kept = np.arange(max(low, column.low), min(low, column.low) + width)
    moved = (np.full(width, np.inf), np.zeros(width), np.ones(width), np.zeros(width))
    for new, old in zip(moved, (column.cost, column.base_s, column.pace, column.wrong), strict=True):
        new[kept - low] = old[kept - column.low]
    return Column(low, *moved, astray=0)


def _logistic(x: float) -> float:
    return 1.0 / (1.0 + exp(-x)) if x > -50.0 else 0.0
