"""The click of a take, and when each note is due.

Conventions
-----------
* Seconds run from the start of the passage's first bar as written; the count-in lies at negative times.
* The click falls on the lower number of the time signature: quarters in 4/4, halves in 2/2. In compound metre (upper
  number 6, 9, 12, ...) it falls on dotted beats as soon as the plain ones would be faster than 200 a minute (common
  practice, no source).
* The count-in is `count_in_bars` bars of the first full bar's metre. Before an upbeat, the bar the upbeat belongs to is
  counted as well: a quarter upbeat to 4/4 comes after 1 2 3 4 1 2 3.
* Grace notes have no time of their own in the score. Here they come just *before* the note they belong to, `GRACE_S`
  each, but together at most half of the time since the note before. Unslashed ones (appoggiaturas) are placed alike;
  the judge accepts them on the beat too.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from companion.arrays import Floats
from companion.errors import UsageError
from companion.passage import Bar, Passage
from companion.units import s_per_beat

__all__ = ["GRACE_S", "Click", "TakeClock", "note_onsets_s", "take_clock", "tempo_at_bpm"]


#: What one grace note is given, in seconds (common practice, no source: as short as it speaks clearly).
GRACE_S = 0.07
#: In compound metre plain beats faster than this many a minute are clicked in threes.
FASTEST_PLAIN_COMPOUND_PER_MIN = 200.0


@dataclass(frozen=True, slots=True)
class Click:
    """One click. `beat_in_bar` is 1 on the downbeat, `of_beats` how many clicks a full bar has."""

    time_s: float
    beat_in_bar: int
    of_beats: int
    downbeat: bool
    count_in: bool


@dataclass(frozen=True, slots=True, eq=False)
class TakeClock:
    """When everything of one take is due, in seconds from the start of the first bar.

    `onsets_s` [shape=(notes,)] is read-only. `end_s` is the end of the last bar.
    """

    tempo_bpm: float
    clicks: tuple[Click, ...]
    onsets_s: Floats
    end_s: float

    @property
    def start_s(self) -> float:
        """When the first click or bar begins: 0 or, with a count-in, a negative time."""
        return min(0.0, self.clicks[0].time_s) if self.clicks else 0.0


def take_clock(passage: Passage, tempo_bpm: float, count_in_bars: int = 1) -> TakeClock:
    """The click and the due times of one take.

    Parameters
    ----------
    passage : Passage
    tempo_bpm : float > 0
        Quarters a minute at the start; later tempo marks keep their ratio to the first.
    count_in_bars : int >= 0
        Bars counted before the first bar (0: no click before it).

    Raises
    ------
    UsageError
        Where the tempo is not above zero or the count-in is negative.
    """
    onsets_s = note_onsets_s(passage, tempo_bpm)
    if count_in_bars < 0:
        raise UsageError(f"a count-in of {count_in_bars} bars makes no sense: give 0 or more, such as 1")
    clicks = [*_count_in(passage, tempo_bpm, count_in_bars), *_bar_clicks(passage, tempo_bpm)]
    return TakeClock(
        tempo_bpm=float(tempo_bpm),
        clicks=tuple(clicks),
        onsets_s=onsets_s,
        end_s=passage.seconds(passage.end, tempo_bpm),
    )


def note_onsets_s(passage: Passage, tempo_bpm: float) -> Floats:
    """When each note is due, in seconds [shape=(notes,)], read-only; grace notes as said at the top of this module."""
    breaks = _tempo_breaks(passage, tempo_bpm)
    starts = np.array([float(note.start) for note in passage.notes], dtype=np.float64)
    onsets_s = _seconds(breaks, starts)
    _place_graces(passage, onsets_s)
    onsets_s.flags.writeable = False
    return onsets_s


def _tempo_breaks(passage: Passage, tempo_bpm: float) -> tuple[Floats, Floats, Floats]:
    """Beats, seconds and seconds a beat from each tempo mark on, as `Passage.seconds` has them."""
    if not (np.isfinite(tempo_bpm) and tempo_bpm > 0):
        raise UsageError(f"a tempo of {tempo_bpm:g} quarters a minute makes no sense: give one above 0, such as 60")
    beats, times_s, per_beat_s = [0.0], [0.0], [s_per_beat(tempo_bpm)]
    for mark in passage.tempos[1:]:
        times_s.append(times_s[-1] + (float(mark.start) - beats[-1]) * per_beat_s[-1])
        beats.append(float(mark.start))
        per_beat_s.append(s_per_beat(tempo_bpm * mark.quarter_bpm / passage.tempos[0].quarter_bpm))
    return np.array(beats), np.array(times_s), np.array(per_beat_s)


def _seconds(breaks: tuple[Floats, Floats, Floats], at_beats: Floats) -> Floats:
    beats, times_s, per_beat_s = breaks
    i = np.maximum(np.searchsorted(beats, at_beats, side="right") - 1, 0)
    seconds: Floats = times_s[i] + (at_beats - beats[i]) * per_beat_s[i]
    return seconds


def _place_graces(passage: Passage, onsets_s: Floats) -> None:
    """Move each run of grace notes to just before the note it belongs to (in place)."""
    graces = [note.index for note in passage.notes if note.grace]
    runs: list[list[int]] = []
    for i in graces:
        if runs and runs[-1][-1] == i - 1 and passage.notes[i].start == passage.notes[i - 1].start:
            runs[-1].append(i)
        else:
            runs.append([i])
    for run in runs:
        due_s = float(onsets_s[run[0]])
        since_s = due_s - float(onsets_s[run[0] - 1]) if run[0] else np.inf
        each_s = min(GRACE_S, 0.5 * since_s / len(run))
        for back, i in enumerate(reversed(run), start=1):
            onsets_s[i] = due_s - back * each_s


def _click_beats(bar: Bar, quarter_bpm: float) -> tuple[Fraction, int]:
    """Length of a click in quarters, and how many a full bar has."""
    unit = Fraction(4, bar.beat_type)
    compound = bar.beats > 3 and bar.beats % 3 == 0
    if compound and quarter_bpm / float(unit) > FASTEST_PLAIN_COMPOUND_PER_MIN:
        return 3 * unit, bar.beats // 3
    return unit, bar.beats


def tempo_at_bpm(passage: Passage, beat: Fraction, tempo_bpm: float) -> float:
    """Quarters a minute at `beat` where the passage starts at `tempo_bpm`; later marks keep their ratio."""
    marks = [mark for mark in passage.tempos if mark.start <= beat]
    return tempo_bpm * marks[-1].quarter_bpm / passage.tempos[0].quarter_bpm if marks else tempo_bpm


def _count_in(passage: Passage, tempo_bpm: float, count_in_bars: int) -> list[Click]:
    if not count_in_bars or not passage.bars:
        return []
    first = passage.bars[0]
    metre = next((bar for bar in passage.bars if not bar.upbeat), first)
    unit, of_beats = _click_beats(metre, tempo_bpm)
    full = unit * of_beats
    grid_end = first.end if first.upbeat else first.start
    clicks_back = count_in_bars * of_beats + (of_beats if first.upbeat else 0)
    # An upbeat as long as a whole bar or longer leaves nothing of its bar to count.
    if first.upbeat and first.length >= full:
        grid_end, clicks_back = first.start, count_in_bars * of_beats
    found = []
    for back in range(clicks_back, 0, -1):
        beat = grid_end - back * unit
        if beat < first.start:
            number = of_beats - (back - 1) % of_beats
            found.append(Click(passage.seconds(beat, tempo_bpm), number, of_beats, number == 1, True))
    return found


def _bar_clicks(passage: Passage, tempo_bpm: float) -> list[Click]:
    found = []
    for bar in passage.bars:
        unit, of_beats = _click_beats(bar, tempo_at_bpm(passage, bar.start, tempo_bpm))
        count = -(-bar.length // unit)
        for k in range(int(count)):
            if bar.upbeat:
                # Counted back from the bar's end; a first part shorter than a click has none of its own.
                back = int(bar.length // unit) - k
                beat, number = bar.end - back * unit, of_beats - back + 1
                if back < 1:
                    continue
            else:
                beat, number = bar.start + k * unit, k + 1
            downbeat = number == 1 and not bar.upbeat
            found.append(Click(passage.seconds(beat, tempo_bpm), max(number, 1), of_beats, downbeat, False))
    return found
