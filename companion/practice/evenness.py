"""How even a take is: within the beat, over the whole of it, and after rests.

Conventions
-----------
* Within the beat each note is held against the straight line from its beat to the next one as they were *played*: a
  beat that comes late, or a tempo that drifts, makes none of its sixteenths uneven. Beats that something broke into (a
  stop, a hesitation, a return) tell nothing and are left out.
* A place within the beat is named only where the 95 % interval of its mean lies wholly outside what a listener notices
  (`tolerance.noticed_from_ms` for the distance between those notes), in at least `LEAST_COUNT` beats.
* Where every place after the first is off the same way and by much the same, it is the first that is: relative times
  can't tell, and one sentence is shorter than three.
* Deviations are seconds against the click, one a score note, early negative, NaN where it was not played.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from companion.arrays import Floats
from companion.passage import Bar, Note, Passage
from companion.practice.clock import note_onsets_s
from companion.practice.model import Drift, Entry, NoteResult, PlaceTiming
from companion.practice.students_t import mean_and_within
from companion.practice.tolerance import noticed_from_ms
from companion.units import ms_from_s, s_per_beat

__all__ = ["BeatParts", "InBeat", "beat_parts", "drift", "entries", "in_beats", "place_timings"]

#: A place must have been played in so many beats before anything is said about it.
LEAST_COUNT = 4
#: Of a beat whose length is off by more than this share nothing within is measured: something broke into it.
BROKEN_SHARE = 0.3
#: A note further from its place than this share of the distance to the next is an accident, no habit.
ACCIDENT_SHARE = 0.6
#: Bars named with a place: so many, and only such as are off by half as much again as the mean.
MOST_BARS, WORST_TIMES = 3, 1.3
#: Drift is fitted to slopes over stretches of so many beats; fewer than `LEAST_SLOPES` of them tell no course.
STRETCH_BEATS, LEAST_SLOPES, MOST_SLOPES = 4.0, 4, 160
#: Standard deviation of a normal distribution, for its median absolute deviation.
SD_OF_MEDIAN = 1.4826
#: A change of the deviation by more than this from one note to the next is a break: the tempo isn't measured over it.
BREAK_S, BREAK_BEATS = 0.25, 0.35
#: Who is behind by more than this after a break, and less so later, makes it good.
CATCHING_UP_S = 0.1
#: The player's place at the end of a take is the median of so many notes.
LAST_NOTES = 4

_VALUES = {
    Fraction(1): "quarter", Fraction(1, 2): "eighth", Fraction(1, 4): "sixteenth", Fraction(1, 8): "thirty-second",
    Fraction(1, 3): "triplet note", Fraction(1, 6): "sextuplet note", Fraction(1, 5): "quintuplet note",
}  # fmt: skip
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")


@dataclass(frozen=True, slots=True)
class BeatParts:
    """A beat divided into `of` equal parts of `part` quarters each: the notes on it (`first`) and on the next one
    (`after`; None where there is none), those `inside` and the number of the part that each begins, counted from 0."""

    first: int | None
    after: int | None
    inside: tuple[int, ...]
    places: tuple[int, ...]
    of: int
    part: Fraction


@dataclass(frozen=True, slots=True)
class InBeat:
    """A note within a beat: it is number `place` of `of` equal parts (counted from 0), `off_s` from the straight line
    between its beat and the next as played; `part_s` is what one part should last. `part` is its value in quarters,
    `dotted` where a dotted note stands before it in the beat."""

    note_index: int
    place: int
    of: int
    off_s: float
    part_s: float
    part: Fraction
    dotted: bool = False

    @property
    def words(self) -> str:
        """`the second sixteenth`."""
        return _place_in_words(self.place, self.part, self.dotted)

    @property
    def first_words(self) -> str:
        """The first place of the same beat: `the first sixteenth`."""
        return _place_in_words(0, self.part, False)


def place_timings(
    passage: Passage,
    deviation_s: Floats,
    tempo_bpm: float,
    *,
    leave_out: Collection[int] = (),
    parts: Sequence[BeatParts] | None = None,
) -> tuple[PlaceTiming, ...]:
    """Places within the beat that are audibly rushed or dragged, the worst first.

    Parameters
    ----------
    passage : Passage
    deviation_s : array [shape=(notes,)]
    tempo_bpm : float > 0
        Quarters a minute of the click.
    leave_out : collection of int
        Score notes gone back to: the beats they are in are not measured.
    parts : sequence of BeatParts, optional
        What `beat_parts` gives, where it is known already.
    """
    groups: dict[tuple[int, int, Fraction, bool], list[InBeat]] = defaultdict(list)
    for found in in_beats(passage, deviation_s, tempo_bpm, leave_out=leave_out, parts=parts):
        groups[found.place, found.of, found.part, found.dotted].append(found)
    by_value: dict[tuple[int, Fraction, bool], list[tuple[PlaceTiming, float]]] = defaultdict(list)
    for (_, of, part, dotted), group in groups.items():
        timing = _timing(passage, group[0].words, group, sign=1.0)
        if timing is not None:
            by_value[of, part, dotted].append((timing, float(np.mean([g.part_s for g in group]))))
    timings: list[tuple[PlaceTiming, float]] = []
    for (of, part, dotted), named in by_value.items():
        alike = _all_alike([timing.mean_ms for timing, _ in named], of)
        if alike:
            rest = [g for (_, o, p, d), group in groups.items() if (o, p, d) == (of, part, dotted) for g in group]
            first = _timing(passage, rest[0].first_words, rest, sign=-1.0)
            if first is not None:
                named = [(first, named[0][1])]
        timings += named
    timings.sort(key=lambda item: (-abs(item[0].mean_ms) / noticed_from_ms(ms_from_s(item[1])), item[0].place))
    return tuple(timing for timing, _ in timings)


def in_beats(
    passage: Passage,
    deviation_s: Floats,
    tempo_bpm: float,
    *,
    leave_out: Collection[int] = (),
    parts: Sequence[BeatParts] | None = None,
    most_share: float | None = None,
) -> Iterator[InBeat]:
    """Every note that stands within a beat and can be measured, in the order of the passage. `parts` are those of
    `beat_parts`, where they are known already. Notes further off than `most_share` of the beat are left out
    (`ACCIDENT_SHARE` of a part unless given)."""
    due_s = note_onsets_s(passage, tempo_bpm)
    for beat in beat_parts(passage) if parts is None else parts:
        first, after = beat.first, beat.after
        if first is None or after is None:
            continue
        here = [first, *beat.inside, after]
        if any(not np.isfinite(deviation_s[i]) or i in leave_out for i in here):
            continue
        beat_s = float(due_s[after] - due_s[first])
        change_s = float(deviation_s[after] - deviation_s[first])
        if not beat_s > 0 or abs(change_s) > BROKEN_SHARE * beat_s:
            continue
        lone = len(beat.inside) == 1 and beat.of > 2
        for i, place in zip(beat.inside, beat.places, strict=True):
            share = float(due_s[i] - due_s[first]) / beat_s
            off_s = float(deviation_s[i] - deviation_s[first]) - share * change_s
            if abs(off_s) > beat_s * (ACCIDENT_SHARE / beat.of if most_share is None else most_share):
                continue
            yield InBeat(i, place, beat.of, off_s, beat_s / beat.of, beat.part, dotted=lone and place == beat.of - 1)


def beat_parts(passage: Passage) -> tuple[BeatParts, ...]:
    """The beats of a passage that are divided into two to eight equal parts, in order."""
    starts = {note.start: note.index for note in reversed(passage.notes) if not note.grace}
    found = []
    for beat, length, inside in _beats(passage):
        shares = [(passage.notes[i].start - beat) / length for i in inside]
        of = _parts(shares)
        if of:
            places = tuple(int(share * of) for share in shares)
            found.append(BeatParts(starts.get(beat), starts.get(beat + length), tuple(inside), places, of, length / of))
    return tuple(found)


def drift(passage: Passage, deviation_s: Floats, tempo_bpm: float) -> Drift | None:
    """The tempo at the start and at the end of a take, from a straight line through the slopes of short stretches.

    The line is Theil and Sen's (the median of all slopes between two points), so that no single stretch draws it;
    stretches that a break lies in, or in which time lost in one is made good, are left out. Where the stretches scatter
    by more than the line rises (one standard deviation, from the median of what it leaves), there is no course to tell,
    and start and end have the same tempo. None where too little was played to tell.

    References
    ----------
    P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", J. Am. Stat. Assoc. 63 (1968)
    1379-1389, from memory.
    """
    due_s = note_onsets_s(passage, tempo_bpm)
    used = np.array([n.index for n in passage.notes if not n.grace and np.isfinite(deviation_s[n.index])], dtype=int)
    if len(used) < LEAST_SLOPES + 1:
        return None
    at_s, off_s = due_s[used], deviation_s[used]
    beat_s = s_per_beat(tempo_bpm)
    breaks = np.append(0, np.cumsum(np.abs(np.diff(off_s)) > max(BREAK_S, BREAK_BEATS * beat_s)))
    stretch_s = min(STRETCH_BEATS * beat_s, float(at_s[-1] - at_s[0]) / 3)
    ends = np.searchsorted(at_s, at_s + stretch_s - 1e-9)
    begins = np.flatnonzero(ends < len(used))
    ends = ends[begins]
    whole = (breaks[begins] == breaks[ends]) & (at_s[ends] > at_s[begins])
    # After a stumble one hurries back to the click: that is no tempo of one's own.
    whole &= ~((breaks[begins] > 0) & (off_s[begins] > CATCHING_UP_S) & (off_s[ends] < off_s[begins]))
    begins, ends = begins[whole], ends[whole]
    if len(begins) < LEAST_SLOPES:
        return None
    if len(begins) > MOST_SLOPES:
        kept = np.linspace(0, len(begins) - 1, MOST_SLOPES).round().astype(int)
        begins, ends = begins[kept], ends[kept]
    middle_s = 0.5 * (at_s[begins] + at_s[ends])
    slow = 1.0 + (off_s[ends] - off_s[begins]) / (at_s[ends] - at_s[begins])
    per_s, at_zero = _line(middle_s, slow)
    scatter = SD_OF_MEDIAN * float(np.median(np.abs(slow - at_zero - per_s * middle_s)))
    if abs(per_s) * (at_s[-1] - at_s[0]) < scatter:
        per_s, at_zero = 0.0, float(np.median(slow))
    # The line tells nothing of what lies before the first unbroken stretch and after the last.
    slow_start, slow_end = at_zero + per_s * at_s[begins[0]], at_zero + per_s * at_s[ends[-1]]
    if not (slow_start > 0.1 and slow_end > 0.1):
        return None
    behind_s = float(np.median(off_s[-LAST_NOTES:]))
    return Drift(float(tempo_bpm / slow_start), float(tempo_bpm / slow_end), ms_from_s(behind_s))


def entries(passage: Passage, results: tuple[NoteResult, ...]) -> tuple[Entry, ...]:
    """The first note of the take and each first one after a rest, where it was played."""
    found, end = [], None
    for note in passage.notes:
        if note.grace:
            continue
        result = results[note.index]
        if (end is None or end < note.start) and result.deviation_ms is not None:
            found.append(Entry(note.index, result.deviation_ms, result.verdict))
        end = note.end
    return tuple(found)


def _line(x: Floats, y: Floats) -> tuple[float, float]:
    """Theil and Sen's line: slope, and value at 0."""
    i, j = np.triu_indices(len(x), 1)
    apart = x[j] - x[i]
    usable = apart > 0
    slope = float(np.median((y[j] - y[i])[usable] / apart[usable])) if np.any(usable) else 0.0
    return slope, float(np.median(y - slope * x))


def _beats(passage: Passage) -> Iterator[tuple[Fraction, Fraction, list[int]]]:
    """Start and length of each beat of the passage, and the notes that begin within it but not on it."""
    by_bar: dict[int, list[Note]] = defaultdict(list)
    for note in passage.notes:
        if not note.grace:
            by_bar[note.bar].append(note)
    for bar in passage.bars:
        length = _beat_length(bar)
        inside: dict[int, list[int]] = defaultdict(list)
        # An upbeat bar is counted back from its end.
        shift = -bar.length % length if bar.upbeat else Fraction(0)
        for note in by_bar[bar.index]:
            at = note.start - bar.start + shift
            if at % length:
                inside[int(at // length)].append(note.index)
        for k in sorted(inside):
            yield bar.start - shift + k * length, length, inside[k]


def _beat_length(bar: Bar) -> Fraction:
    """What is felt as a beat, in quarters: a quarter in 4/4 and 2/2, a dotted quarter in 6/8."""
    if bar.beat_type <= 4:
        return Fraction(1)
    return Fraction(12 if bar.beats % 3 == 0 else 4, bar.beat_type)


def _parts(shares: list[Fraction]) -> int:
    """Into how many equal parts (2 to 8) the beat is divided; 0 where that is no such number."""
    return next((of for of in (2, 3, 4, 5, 6, 8) if all((share * of).denominator == 1 for share in shares)), 0)


def _timing(passage: Passage, place: str, group: list[InBeat], sign: float) -> PlaceTiming | None:
    if len(group) < LEAST_COUNT:
        return None
    offs_ms = np.array([sign * ms_from_s(found.off_s) for found in group])
    mean_ms, within_ms = mean_and_within(offs_ms)
    noticed_ms = noticed_from_ms(ms_from_s(float(np.mean([found.part_s for found in group]))))
    if abs(mean_ms) - within_ms <= noticed_ms:
        return None
    return PlaceTiming(place, mean_ms, within_ms, len(group), _worst_bars(passage, group, offs_ms, mean_ms))


def _worst_bars(passage: Passage, group: list[InBeat], offs_ms: Floats, mean_ms: float) -> tuple[int, ...]:
    by_bar: dict[int, list[float]] = defaultdict(list)
    for found, off_ms in zip(group, offs_ms.tolist(), strict=True):
        by_bar[passage.notes[found.note_index].bar].append(off_ms)
    means = {bar: float(np.mean(offs)) for bar, offs in by_bar.items()}
    worse = [bar for bar, off_ms in means.items() if off_ms / mean_ms >= WORST_TIMES]
    return tuple(sorted(worse, key=lambda bar: (-abs(means[bar]), bar))[:MOST_BARS])


def _all_alike(means_ms: list[float], of: int) -> bool:
    """Are all places after the first off the same way, by much the same?"""
    if of < 3 or len(means_ms) < of - 1:
        return False
    low, high = min(means_ms), max(means_ms)
    return low * high > 0 and min(abs(low), abs(high)) > 0.6 * max(abs(low), abs(high))


def _place_in_words(place: int, part: Fraction, dotted: bool) -> str:
    value = _VALUES.get(part, "note")
    if dotted:
        return f"the {value} after the dot"
    return f"the {_ORDINALS[place]} {value}"
