"""Which bars an exercise takes, how fast their notes are, and their music as it is written.

The hardest bars are those of the spot with the lowest speed limit; where no change has a limit, the bar with the most
notes.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from companion.charts.model import Chart
from companion.errors import UsageError
from companion.exercises.build import Section, Tone
from companion.exercises.fixed import fixing_mark
from companion.passage import Bar, Note, Passage
from companion.planning.limits import speed_limits
from companion.planning.model import Plan
from companion.scores.rhythm import full_bar_beats

__all__ = ["chosen_bars", "marks_of", "music_as_written", "short_value"]

_LONGEST, _SHORTEST = Fraction(1, 2), Fraction(1, 8)
_TRIPLETS = (Fraction(1, 3), Fraction(1, 6))


def chosen_bars(passage: Passage, plan: Plan, chart: Chart, bars: str) -> tuple[int, int]:
    """Indices (first, last) into `Passage.bars` of printed bars such as `5-8`, or of the hardest where `bars` is empty.

    Raises
    ------
    UsageError
        Bars that aren't there, or a passage without notes.
    """
    if bars.strip():
        return passage.bar_range(bars)
    if not passage.notes:
        raise UsageError("there are no notes in this passage to practise; choose more bars")
    spots = speed_limits(passage, plan, chart, passage.marked_tempo_bpm()).spots
    if spots:
        return passage.notes[spots[0].first_note].bar, passage.notes[spots[0].last_note].bar
    bars_of_notes = [note.bar for note in passage.notes]
    most = max(passage.bars, key=lambda bar: bars_of_notes.count(bar.index)).index
    return most, most


def short_value(length: Fraction, longest: Fraction = _LONGEST) -> Fraction:
    """The value to write notes of such a length in: itself from a thirty-second to the longest, by itself an eighth,
    triplets too; else the next plain value that is no longer."""
    if length in _TRIPLETS:
        return length
    value = longest
    while value > max(length, _SHORTEST):
        value /= 2
    return value


def marks_of(passage: Passage, plan: Plan, chart: Chart) -> dict[int, str]:
    """Note index -> the text that fixes its planned fingering."""
    return {note.index: fixing_mark(plan.choices[note.index].fingering, chart) for note in passage.notes}


def music_as_written(
    passage: Passage, bars: tuple[int, int], marks: dict[int, str], heading: str = "", times: int = 1
) -> list[Section]:
    """Bars of the music with their own rhythm, articulation and metre.

    A note that is tied in from before, or goes on after, is cut at the edge. A short bar is filled with a rest: an
    upbeat before its notes. A change of key or metre begins another section.

    Parameters
    ----------
    bars
        First and last, indices into `Passage.bars`.
    marks
        Note index -> the text over it.
    heading, times
        Of the first section; where there are more, each is played once.
    """
    sections: list[Section] = []
    runs = _runs(passage, bars)
    for first, last in runs:
        bar = passage.bars[first]
        said, plays = ("" if sections else heading), (times if len(runs) == 1 else 1)
        tones = tuple(_tones(passage, first, last, marks))
        sections.append(Section(tones, bar.fifths, bar.mode, bar.beats, bar.beat_type, said, plays))
    return sections


def _runs(passage: Passage, bars: tuple[int, int]) -> list[tuple[int, int]]:
    """Full bars of one key and metre together, an upbeat with those after it, another short or long bar by itself."""
    runs: list[tuple[int, int]] = []
    for index in range(bars[0], bars[1] + 1):
        bar = passage.bars[index]
        if runs and _missing(bar) == 0 and _goes_on(passage.bars[runs[-1][1]], bar):
            runs[-1] = (runs[-1][0], index)
        else:
            runs.append((index, index))
    return runs


def _missing(bar: Bar) -> Fraction:
    return full_bar_beats(bar.beats, bar.beat_type) - bar.length


def _goes_on(bar: Bar, other: Bar) -> bool:
    """Is the other bar a further one of its section? A filled upbeat is a full bar."""
    whole = _missing(bar) == 0 or (bar.upbeat and _missing(bar) > 0)
    return whole and all(getattr(bar, of) == getattr(other, of) for of in ("fifths", "mode", "beats", "beat_type"))


def _tones(passage: Passage, first_bar: int, last_bar: int, marks: dict[int, str]) -> Iterator[Tone]:
    first, now, end = passage.bars[first_bar], passage.bars[first_bar].start, passage.bars[last_bar].end
    if first.upbeat and _missing(first) > 0:
        yield Tone(None, _missing(first))
    inside = [note for note in passage.notes if _sounds_in(note, first_bar, last_bar, now, end)]
    for place, note in enumerate(inside):
        start, stop = max(note.start, now), min(note.end, end)
        if start > now:
            yield Tone(None, start - now)
        after = inside[place + 1] if place + 1 < len(inside) else None
        now = max(now, stop)
        yield Tone(
            note.written,
            stop - start,
            slurred=after is not None and not after.tongued,
            articulations=note.articulations,
            fingering_mark=marks.get(note.index, ""),
            grace=note.grace,
            ornaments=note.ornaments,
            trill=note.trill,
            fermata=note.fermata,
        )
    if end > now:
        yield Tone(None, end - now)


def _sounds_in(note: Note, first_bar: int, last_bar: int, start: Fraction, end: Fraction) -> bool:
    if note.grace:
        return first_bar <= note.bar <= last_bar
    return note.start < end and note.end > start
