"""One Viterbi step: from the costs of all places in the score before a played note to those after it.

A state is the last score note realised; each state carries its own clock (a line from score seconds to played seconds)
along its best path. A played note is either extra, or realises the note of the state it leads to. All states are
computed at once; above `WHOLE` of them only those near the best one.

A clock is kept as the played time at which the path has its last note (`at_s`, smoothed) and as its pace, played
seconds a score second.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import as_strided

from companion.arrays import Floats, Ints, Samples
from companion.practice.costs import COSTS, FORWARD, Costs, Score

__all__ = ["WHOLE", "Column", "Step", "Trellis"]


#: Up to this many states the whole score is kept in view, above it a window of `WINDOW` states around the best one.
WHOLE = 1501
WINDOW = 768
#: The window moves when the best state has kept near its edge for so many notes: a figure that comes twice in the piece
#: may look like a jump for a moment.
PATIENCE = 16

#: Jump costs are worked out for so many states at a time, and so many such blocks are kept.
BLOCK, KEPT = 64, 8

#: A note that has lived so long is no blip, and nothing about it is left to wait for.
SETTLED_S = 0.14


#: Rows of a column: the cost of a state, its clock (`at_s`, pace), and what going astray after it costs less because
#: its note was a wrong one (zero or below).
COST, AT, PACE, RELIEF = range(4)


# Named tuples, for there is one of each a played note, and a frozen dataclass takes three times as long to make.
class Column(NamedTuple):
    """All states after a played note, from state `low` on, as an array [shape=(4, states)]. `astray` counts for how
    many notes the best state has been near the window's edge."""

    low: int
    states: Floats
    astray: int = 0

    @property
    def best(self) -> int:
        """The state with the least cost; of equal ones the earliest in the score."""
        return self.low + int(self.states[COST].argmin())

    def best_of(self, first: int, last: int) -> int:
        """The state with the least cost from `first` to `last`, as far as they are in view."""
        width: int = self.states.shape[1]
        start: int = min(max(first - self.low, 0), width - 1)
        stop = min(max(last + 1 - self.low, start + 1), width)
        return self.low + start + int(self.states[COST][start:stop].argmin())

    @property
    def least(self) -> float:
        """Its cost in nats."""
        return float(self.states[COST].min())


class Step(NamedTuple):
    """Where each state came from: `parent` is a state counted from `low`, or -1 - state where the note was extra."""

    low: int
    parent: Samples

    def before(self, state: int) -> tuple[int, bool]:
        """The state before, and whether the note realised something."""
        parent = int(self.parent[state - self.low])
        return (self.low + parent, True) if parent >= 0 else (self.low - 1 - parent, False)


@dataclass(frozen=True, slots=True, eq=False)
class _Heard:
    """One pitch as the score in view sees it: what it costs in each note's place, by how much less than an extra
    note, what going astray costs less after it there, and the states whose ornament holds it."""

    cost: Floats
    cheaper: Floats
    relief: Floats
    adorned: tuple[int, ...]


class Trellis:
    """The steps over one score. Holds tables and scratch space, no state of any take.

    Rows of the tables are the ways into a state: `FORWARD` steps on, the last few notes again with a clock set anew,
    the last note again within its own time (doubled, or one of a trill), and one jump from the best state. What a jump
    costs hangs so little on where it starts that only the best start is tried.
    A step is some forty numpy calls on short arrays, whose number is what takes time; hence the packing.
    """

    def __init__(self, score: Score, costs: Costs = COSTS) -> None:
        self.score, self._costs = score, costs
        self._states = score.size + 1
        self._width = self._states if self._states <= WHOLE else WINDOW
        self._own = FORWARD + len(costs.stutter) + 1
        self._rows = self._own + 2
        self._ornaments = dict(score.ornamented)
        self._view = -1
        self._allocate()
        self._look_at(0)

    def start(self) -> Column:
        """Before anything was played."""
        return Column(0, _blank(self._width, first=0.0))

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
        column, c = self._in_view(before), self._costs
        old, heard = column.states, self._heard(written_midi)
        self._fill_forward(old, onset_s)
        jump_from = self._fill_jumps(old, heard, onset_s, since_s)
        # What a match costs is added to all ways at the end: an extra note is that much cheaper.
        price, cheaper, blip = heard.cost, heard.cheaper, 0.0
        if life_s is not None and life_s < SETTLED_S:
            blip = _logistic((c.blip_s - life_s) / c.blip_width_s)
            price = price + c.blip_match / (1.0 + np.exp((life_s - self._blip_s) * (1.0 / c.blip_width_s)))
            cheaper = price - (c.extra - c.blip_extra * blip)
        np.subtract(old[COST], cheaper, out=self._extra)

        choice = self._cand.argmin(axis=0)
        flat = choice * self._width
        flat += self._states_in_view
        self._source[self._own - 1] = jump_from
        source = self._flat_source.take(flat)
        new = np.empty_like(old)
        np.add(self._flat_cand.take(flat), price, out=new[COST])
        self._set_clocks(new, old, flat, source, onset_s)
        # The clock of a trill is that of its first note, likewise that of a note doubled.
        np.copyto(new[AT:RELIEF], old[AT:RELIEF], where=choice >= self._own)
        relief = new[RELIEF]
        relief[:] = heard.relief
        np.copyto(relief, c.after_wrong * (blip - 1.0), where=choice > self._own)
        return Column(column.low, new, self._astray(column, new)), Step(column.low, source.astype(np.int16))

    def _fill_forward(self, old: Floats, onset_s: float) -> None:
        """Rows 0-3: the next note, or one to three left out."""
        self._pad[:, FORWARD:] = old[:RELIEF]
        dev, cand = self._fwd_dev, self._fwd_cand
        np.multiply(self._fwd_pace, self._intervals_s, out=dev)
        np.add(dev, self._fwd_at, out=dev)
        np.subtract(onset_s, dev, out=dev)
        np.multiply(dev, self._fwd_inv_sigma, out=cand)
        np.multiply(cand, cand, out=cand)
        np.log1p(cand, out=cand)
        np.minimum(cand, self._limit, out=cand)
        np.add(cand, self._fwd_cost, out=cand)
        np.add(cand, self._omitted, out=cand)

    def _fill_jumps(self, old: Floats, heard: _Heard, onset_s: float, since_s: float) -> int:
        """The other rows: one of the last notes again, or anywhere from the best state (which is returned)."""
        c = self._costs
        gate = c.too_soon * max(0.0, 1.0 - since_s / c.too_soon_s)
        np.add(old[COST], old[RELIEF], out=self._ready)
        np.add(self._back_ready, self._stutter + gate if gate else self._stutter, out=self._again)
        own = self._cand[self._own]
        np.add(old[COST], c.doubled, out=own)
        for i in heard.adorned:
            # Within a trill or turn the same note is realised any number of times, in any order of its pitches.
            own[i] = old[COST, i] + c.ornament
        origin = int(self._ready.argmin())
        # When the next note is nearly due, a note once more is a stutter, after which the clock is set anew.
        if onset_s - old[AT, origin] > self._own_time_s[origin] and origin not in heard.adorned:
            own[origin] += c.doubled_late
        block = self._jumps.get(origin // BLOCK)
        if block is None:
            block = self._jump_block(origin // BLOCK)
        np.add(block[origin % BLOCK], float(self._ready[origin]) + gate, out=self._jump)
        return origin

    def _jump_block(self, number: int) -> Floats:
        """What jumps cost from `BLOCK` states to every other."""
        c, n = self._costs, self._width
        origin = np.arange(number * BLOCK, min((number + 1) * BLOCK, n))[:, None]
        bars = self._bar - self._bar[origin]
        far = np.abs(bars)
        back, skip = (np.array(row).take(far, mode="clip") for row in (c.back, c.skip))
        block: Floats = np.where(self._states_in_view <= origin, back, skip) + self._landmark
        block += np.minimum(c.farther * far, 1.0)
        if len(self._jumps) >= KEPT:
            self._jumps.clear()
        self._jumps[number] = block
        return block

    def _set_clocks(self, new: Floats, old: Floats, flat: Ints, source: Ints, onset_s: float) -> None:
        """The clocks of all states if their note was matched; those of extra notes are put back later."""
        c, clocks = self._costs, new[AT:RELIEF]
        at_s, pace = new[AT], new[PACE]
        # A note far off its due time is a break, not a change of pace: the clock is set anew there.
        trusted_s = self._flat_dev.take(flat)
        z = self._flat_third_inv_sigma.take(flat)
        np.multiply(z, trusted_s, out=z)
        np.multiply(z, z, out=z)
        np.add(z, 1.0, out=z)
        np.divide(trusted_s, z, out=trusted_s)
        self._gains.take(flat, axis=1, out=clocks, mode="clip")
        np.multiply(clocks, trusted_s, out=clocks)
        np.subtract(onset_s, at_s, out=at_s)
        np.add(pace, old[PACE].take(source), out=pace)
        np.maximum(pace, c.fastest, out=pace)
        np.minimum(pace, c.slowest, out=pace)

    def _heard(self, written_midi: int) -> _Heard:
        """What this pitch means in each note's place."""
        known = self._pitches.get(written_midi)
        if known is None:
            c, off = self._costs, np.abs(self._written_midi - written_midi)
            adorned = self._adorned(written_midi)
            cost = np.where(off <= 2, c.wrong_near, np.where(off % 12 == 0, c.wrong_octave, c.wrong_far))
            cost[off == 0] = 0.0
            cost[list(adorned)] = 0.0
            relief = np.where(cost > 0.0, -c.after_wrong, 0.0)
            known = self._pitches[written_midi] = _Heard(cost, cost - c.extra, relief, adorned)
        return known

    def _adorned(self, written_midi: int) -> tuple[int, ...]:
        """States in view whose ornament holds this pitch."""
        view, width = self._view, self._width
        found = (s - view for s, pitches in self._ornaments.items() if written_midi in pitches)
        return tuple(s for s in found if 0 <= s < width)

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

    def _astray(self, column: Column, states: Floats) -> int:
        """For how many notes the best state has been within a quarter of the window from its edge."""
        if self._width == self._states:
            return 0
        best, quarter = int(states[COST].argmin()), self._width // 4
        at_low_end, at_high_end = column.low == 0, column.low == self._states - self._width
        inside = (best >= quarter or at_low_end) and (best < self._width - quarter or at_high_end)
        return 0 if inside else column.astray + 1

    def _allocate(self) -> None:
        n, rows = self._width, self._rows
        stutters = self._own - 1 - FORWARD
        self._states_in_view = np.arange(n)
        self._cand, self._dev = np.zeros((rows, n)), np.zeros((rows, n))
        self._fwd_cand, self._again = self._cand[:FORWARD], self._cand[FORWARD : self._own - 1]
        self._jump, self._extra = self._cand[self._own - 1], self._cand[-1]
        self._fwd_dev = self._dev[:FORWARD]
        self._pad = np.hstack([_blank(FORWARD), _blank(n)])[:RELIEF]
        self._fwd_cost, self._fwd_at, self._fwd_pace = (_earlier(row, n) for row in self._pad)
        pad_ready = np.full(n + stutters, np.inf)
        self._ready = pad_ready[:n]
        self._back_ready = as_strided(pad_ready, (stutters, n), pad_ready.strides * 2)
        self._stutter = np.array(self._costs.stutter)[:, None]
        source = np.zeros((rows, n), dtype=np.int64)
        for m in range(FORWARD):
            source[m] = self._states_in_view - 1 - m
        for m in range(stutters):
            source[FORWARD + m] = self._states_in_view + m
        source[self._own] = self._states_in_view
        self._source = np.clip(source, 0, n - 1)
        self._source[-1] = -1 - self._states_in_view
        self._flat_cand, self._flat_dev = self._cand.reshape(-1), self._dev.reshape(-1)
        self._flat_source = self._source.reshape(-1)

    def _look_at(self, low: int) -> None:
        """Cut the tables to the window from `low` on."""
        n, c, s = self._width, self._costs, self.score
        self._view = low
        window = slice(low, low + n)
        self._onsets_s, self._written_midi = s.onsets_s[window], s.written_midi[window]
        self._blip_s, self._bar = s.blip_s[window], s.bar[window]
        self._landmark = s.landmark[window]
        self._jumps: dict[int, Floats] = {}
        self._pitches: dict[int, _Heard] = {}
        inv_sigma, self._intervals_s = np.zeros((self._rows, n)), np.zeros((FORWARD, n))
        # How much of a deviation the clock's base keeps and its pace takes over.
        gains = np.zeros((2, self._rows, n))
        keep, pace_gain = gains
        self._limit = np.full((FORWARD, n), c.late_limit)
        self._omitted = np.full((FORWARD, n), np.inf)
        for m in range(FORWARD):
            target = np.arange(max(m + 1, low), low + n)
            origin, at = target - 1 - m, target - low
            interval_s = np.maximum(s.onsets_s[target] - s.onsets_s[origin], 0.0)
            self._intervals_s[m, at] = interval_s
            sigma_s = np.hypot(c.sigma_s, c.sigma_share * interval_s)
            sigma_s[s.grace[target] | s.grace[origin]] += c.sigma_s
            first = origin == 0
            inv_sigma[m, at] = np.where(first, 1.0 / c.start_sigma_s, 1.0 / sigma_s)
            pace_gain[m, at] = np.where(first, 0.0, c.pace / np.maximum(interval_s, 0.15))
            keep[m, at] = np.where(first, 0.0, 1.0 - c.follow)
            self._limit[m, at] = np.where(first, c.start_limit, c.late_limit)
            self._omitted[m, at] = s.omit_sum[target - 1] - s.omit_sum[origin]
        self._own_time_s = [*(c.own_time * self._intervals_s[0, 1:]).tolist(), np.inf]
        self._fwd_inv_sigma = inv_sigma[:FORWARD]
        self._flat_third_inv_sigma = inv_sigma.reshape(-1) / 3.0
        self._gains = gains.reshape(2, -1)


def _blank(width: int, first: float = np.inf) -> Floats:
    """States that nothing leads to, but for the first at its cost."""
    states = np.zeros((4, width))
    states[COST], states[PACE] = np.inf, 1.0
    states[COST, 0] = first
    return states


def _earlier(padded: Floats, width: int) -> Floats:
    """View [shape=(FORWARD, width)] whose row m holds the states m + 1 before."""
    stride = padded.strides[0]
    return as_strided(padded[FORWARD - 1 :], (FORWARD, width), (-stride, stride))


def _moved(column: Column, low: int) -> Column:
    """The same states in another window; those that were out of view are out of reach."""
    width = column.states.shape[1]
    kept = np.arange(max(low, column.low), min(low, column.low) + width)
    moved = _blank(width)
    moved[:, kept - low] = column.states[:, kept - column.low]
    return Column(low, moved)


def _logistic(x: float) -> float:
    return 1.0 / (1.0 + exp(-x)) if x > -50.0 else 0.0
