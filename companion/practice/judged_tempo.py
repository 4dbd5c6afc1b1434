"""What a judge writes of the tempo of a performance: how fast it went, and whether it held.

Conventions
-----------
* The tempo of single bars is told from `BAR_SHARE` off; listeners notice a change of 2 to 6 % in an even row (C. Drake
  and M.-C. Botte, Perception & Psychophysics 54 (1993) 277-286, from memory), but music bends. The last bar may broaden
  freely, and so may a bar with a fermata (common practice, no source), and what stands under *rit.* or *accel.*
* Where the score changes its tempo the tempo is judged anew from there: nobody takes the new one in exactly the printed
  proportion. Not to take it at all is told.
* Numbers are those of the note that the metre counts, at the place in question.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np

from companion.arrays import Floats
from companion.passage import Passage
from companion.practice.clock import tempo_at_bpm
from companion.practice.metronome import counted_note
from companion.practice.own_time import OwnTime, new_tempos, said_of_tempo
from companion.practice.words import bar_in_words, bars_in_words
from companion.scores.tempo_words import bends

__all__ = ["BAR_SHARE", "TREND_SHARE", "TempoHeld", "tempo_held"]

#: From this share of the take's tempo on, a bar is told to be faster or slower; from so many bars in a row.
BAR_SHARE, BARS_IN_A_ROW = 0.06, 2
#: From this change between start and end on, the tempo is told to rise or fall.
TREND_SHARE = 0.05
#: Bars whose tempo is needed to say anything of its course.
LEAST_BARS = 4
#: "Most bars" are so many of them.
MOST_BARS_SHARE = 0.9
#: A course that two levels tell so much better than a slope (sums of squares) went over in one step; of fewer bars it
#: is only told which of them went off.
STEP_BETTER, STEP_BARS = 0.5, 8
#: With less than this share of the change printed (as logarithms) a new tempo was not taken; told from this change on.
TAKEN_SHARE, LEAST_CHANGE = 0.35, 0.1
#: So many times the printed tempo, or as far below it, is far.
FAR_TIMES = 1.3
#: Without a word that ends it a *rit.* is believed for so many bars (ours, no source).
LONGEST_BEND_BARS = 4


@dataclass(frozen=True, slots=True)
class TempoHeld:
    """`sentence` is what is written of the tempo. `complaint` is the part of it that says how it moved, empty where it
    held or where that can't be told."""

    sentence: str
    complaint: str = ""


def tempo_held(passage: Passage, own: OwnTime | None) -> TempoHeld:
    """What is to be said of the tempo of a performance; `own` as `find_own_time` has it."""
    if own is None:
        return TempoHeld("Too little was played to tell the tempo.")
    note, about = counted_note(passage.bars[0]).one, _number(passage, own.tempo_bpm)
    said = f"The {note} went at about {about}{_beside_printed(passage, own)}"
    sections = [_bars_that_count(passage, own.bar_bpm, bars) for bars in _sections(passage)]
    long_enough = [bars for bars in sections if len(bars) >= LEAST_BARS]
    if complaint := _not_taken(passage, own.bar_bpm, sections):
        return TempoHeld(f"{said}; {complaint}.", complaint)
    if not long_enough:
        return TempoHeld(f"{said}; too few bars to tell whether it held.")
    courses = [_course(passage, own.bar_bpm, bars) for bars in long_enough]
    moved, complaint = max(courses)
    if moved:
        return TempoHeld(f"{said}; {complaint}.", complaint)
    off = np.concatenate([np.abs(own.bar_bpm[bars] / np.median(own.bar_bpm[bars]) - 1) for bars in long_enough])
    few = float(np.quantile(off, MOST_BARS_SHARE))
    held = "held" if few < BAR_SHARE else "held on the whole"
    return TempoHeld(f"{said} and {held}: most bars within {max(100 * few, 1):.0f} % of it.")


def _beside_printed(passage: Passage, own: OwnTime) -> str:
    if not passage.tempos or not passage.tempos[0].text:
        return ""
    printed_bpm = passage.tempos[0].quarter_bpm
    share = own.tempo_bpm / printed_bpm
    far = "far below the " if share < 1 / FAR_TIMES else "far above the " if share > FAR_TIMES else ""
    return f" ({far}printed {_number(passage, printed_bpm)})"


def _number(passage: Passage, quarter_bpm: float) -> str:
    return counted_note(passage.bars[0]).nearest(quarter_bpm)


def _at(passage: Passage, bpm: float, bar: int) -> str:
    """A tempo of the passage's start as the number it is in this bar."""
    return _number(passage, tempo_at_bpm(passage, passage.bars[bar].start, bpm))


def _sections(passage: Passage) -> list[list[int]]:
    """The bars in stretches of one tempo in the score."""
    changes = new_tempos(passage)
    found: list[list[int]] = [[]]
    for bar in passage.bars:
        # A change within a bar begins with the next one.
        if any(passage.bars[bar.index - 1].start < change <= bar.start for change in changes) and bar.index:
            found.append([])
        found[-1].append(bar.index)
    return found


def _bars_that_count(passage: Passage, bar_bpm: Floats, bars: Sequence[int]) -> list[int]:
    free = {note.bar for note in passage.notes if note.fermata} | {len(passage.bars) - 1}
    still = [wait.start for wait in passage.waits if wait.sign == "fermata"]
    free |= {bar.index for bar in passage.bars if bisect_left(still, bar.start) < bisect_right(still, bar.end)}
    free |= {b.index for b in passage.bars for start in new_tempos(passage) if b.start < start < b.end}
    free |= {b.index for b in passage.bars for start, end in _bent(passage) if b.end > start and b.start < end}
    return [i for i in bars if np.isfinite(bar_bpm[i]) and i not in free]


def _bent(passage: Passage) -> list[tuple[Fraction, Fraction]]:
    """Where the score lets the tempo bend: from `rit.` to the next word about tempo, and some bars at most."""
    found = []
    for (start, text), (following, _) in pairwise([*said_of_tempo(passage), (passage.end, "")]):
        if bends(text):
            bars = [bar.end for bar in passage.bars if bar.end > start][:LONGEST_BEND_BARS]
            found.append((start, min([following, *bars[-1:]])))
    return found


def _not_taken(passage: Passage, bar_bpm: Floats, sections: Sequence[Sequence[int]]) -> str:
    """The first printed change of tempo that the player passed over; empty where there is none. What only playback
    knows nobody can take."""
    printed = [start for start, text in said_of_tempo(passage) if text]
    for before, after in pairwise(sections):
        if not before or not after:
            continue
        if not any(passage.bars[before[-1]].start < start <= passage.bars[after[0]].start for start in printed):
            continue
        ratios = [tempo_at_bpm(passage, passage.bars[bars[0]].start, 1.0) for bars in (before, after)]
        asked = float(np.log(ratios[1] / ratios[0]))
        levels = [float(np.median(bar_bpm[list(bars)])) * r for bars, r in zip((before, after), ratios, strict=True)]
        played = float(np.log(levels[1] / levels[0]))
        if abs(asked) >= LEAST_CHANGE and played / asked < TAKEN_SHARE:
            return _passed_over(passage, after[0], levels, levels[0] * float(np.exp(asked)))
    return ""


def _passed_over(passage: Passage, bar: int, levels: Sequence[float], would_be_bpm: float) -> str:
    where = bar_in_words(passage, bar)
    stayed = abs(np.log(levels[1] / levels[0])) < TREND_SHARE
    went = f"it stayed the same from {where} on" if stayed else f"from {where} on about {_number(passage, levels[1])}"
    return f"{went}, though a new tempo is printed there ({_number(passage, would_be_bpm)} would follow)"


def _course(passage: Passage, bar_bpm: Floats, bars: list[int]) -> tuple[float, str]:
    """By what share the tempo moved within a section, and how; 0 and nothing where it held."""
    bpm = bar_bpm[bars]
    level = float(np.median(bpm))
    at = np.asarray(bars, dtype=np.float64)
    start_bpm, end_bpm = _trend(at, bpm)
    share = end_bpm / start_bpm - 1
    stretch = _stretch_off(bars, bpm / level - 1)
    if abs(share) >= TREND_SHARE:
        way = "faster" if share > 0 else "slower"
        step = _step(at, bpm)
        if step and len(bars) >= STEP_BARS:
            where, before, after = bar_in_words(passage, bars[step[0]]), *step[1:]
            moved = (
                f"from {where} on it was {way}, {_at(passage, after, bars[-1])} after {_at(passage, before, bars[0])}"
            )
            return abs(after / before - 1), moved
        if not step or stretch is None:
            ends = f"from {_at(passage, start_bpm, bars[0])} to {_at(passage, end_bpm, bars[-1])}"
            return abs(share), f"it grew {way} all the way, {ends}"
    if stretch is not None:
        those, share = stretch
        way = "faster" if share > 0 else "slower"
        number = _at(passage, level * (1 + share), those[0])
        return abs(share), f"{way} in {bars_in_words(passage, those)}, at about {number}"
    off = float(np.median(np.abs(bpm / level - 1)))
    if off >= BAR_SHARE:
        ends = f"{_at(passage, float(bpm.min()), bars[0])} and {_at(passage, float(bpm.max()), bars[0])}"
        return off, f"it moved from bar to bar, between {ends}"
    return 0.0, ""


def _trend(at: Floats, bpm: Floats) -> tuple[float, float]:
    """The tempo at the first and last bar by Theil and Sen's line; equal where the bars scatter more than it rises."""
    i, j = np.triu_indices(len(at), 1)
    per_bar = float(np.median((bpm[j] - bpm[i]) / (at[j] - at[i])))
    level = float(np.median(bpm - per_bar * at))
    scatter = 1.4826 * float(np.median(np.abs(bpm - level - per_bar * at)))
    if abs(per_bar) * float(at[-1] - at[0]) < 2 * scatter:
        middle = float(np.median(bpm))
        return middle, middle
    return level + per_bar * float(at[0]), level + per_bar * float(at[-1])


def _step(at: Floats, bpm: Floats) -> tuple[int, float, float] | None:
    """Where the tempo went over from one level to another (an index into the bars, and both levels), if two levels tell
    its course better than a slope."""
    slope = float(np.sum((bpm - np.polyval(np.polyfit(at, bpm, 1), at)) ** 2))
    splits = range(BARS_IN_A_ROW, len(bpm) - BARS_IN_A_ROW + 1)
    squares = [float(np.sum((bpm[:k] - bpm[:k].mean()) ** 2) + np.sum((bpm[k:] - bpm[k:].mean()) ** 2)) for k in splits]
    best = int(np.argmin(squares))
    if squares[best] >= STEP_BETTER * slope:
        return None
    k = splits[best]
    return k, float(np.median(bpm[:k])), float(np.median(bpm[k:]))


def _stretch_off(bars: Sequence[int], off: Floats) -> tuple[list[int], float] | None:
    """The bars in a row that are furthest off the section's tempo, and by what share."""
    runs: list[list[int]] = []
    for k in np.flatnonzero(np.abs(off) >= BAR_SHARE).tolist():
        together = runs and bars[k] == bars[runs[-1][-1]] + 1 and off[k] * off[runs[-1][-1]] > 0
        if together:
            runs[-1].append(k)
        else:
            runs.append([k])
    runs = [run for run in runs if len(run) >= BARS_IN_A_ROW]
    if not runs:
        return None
    worst = max(runs, key=lambda run: float(np.sum(np.abs(off[run]))))
    return [bars[k] for k in worst], float(np.mean(off[worst]))
