"""From pitches and lengths to a passage: bars, beats, slurs, tempo, content hash, range check.

An exercise is made of sections. Each begins with a bar of its own key signature, and its last bar is filled with a
rest where the music ends before it. Notes of an exercise belong to no document, so `Note.source` counts them all.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil

from companion.charts.model import Chart
from companion.errors import NoFingering, UsageError
from companion.passage import Bar, Note, Passage, Pitch, Slur, TempoMark, Trill, Tuplet
from companion.scores.layout import lay_out
from companion.scores.rhythm import is_dyadic

__all__ = ["MOST_BARS", "Section", "Tone", "check_range", "finished", "make"]

#: More bars than anyone would print as one exercise.
MOST_BARS = 1_000
#: Takes of an exercise are found in the record by its hash, also years later: what a note or a passage comes to know
#: besides does not go in here, or all that was played is lost to view.
_IN_HASH: Mapping[type, tuple[str, ...]] = {
    kind: tuple(names.split())
    for kind, names in (
        (Pitch, "step alter octave"),
        (Trill, "other"),
        (Tuplet, "actual normal"),
        (Slur, "first last"),
        (TempoMark, "start quarter_bpm text"),
        (
            Note,
            "index written start length bar count source tied_sources grace articulations ornaments trill tuplet"
            " fermata tongued fingering_mark",
        ),
        (Bar, "index number written_index start length beats beat_type fifths mode upbeat time_pass"),
        (
            Passage,
            "title notes bars slurs tempos composer part_id part_name transposition remarks origin sha256 purpose",
        ),
    )
}


@dataclass(frozen=True, slots=True)
class Tone:
    """A note to be placed, or a rest where `pitch` is None; `length` in quarters, 0 for a grace note. `slurred` is True
    where a slur leads on to the next tone. `fingering_mark` stands over the note and fixes its fingering. The others
    are those of `Note`."""

    pitch: Pitch | None
    length: Fraction
    slurred: bool = False
    articulations: frozenset[str] = frozenset()
    fingering_mark: str = ""
    grace: str = ""
    ornaments: frozenset[str] = frozenset()
    trill: Trill | None = None
    fermata: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """Tones under one key signature and one time signature. `heading` stands over its first bar, and it is played
    `times` times: with repeat signs, 8 times at most."""

    tones: tuple[Tone, ...]
    fifths: int = 0
    mode: str = ""
    beats: int = 4
    beat_type: int = 4
    heading: str = ""
    times: int = 1


def make(title: str, purpose: str, sections: Sequence[Section], chart: Chart, tempo_bpm: float) -> Passage:
    """The passage that these sections make, one after the other.

    Parameters
    ----------
    title, purpose
        What stands over it, and in one line what it is for.
    sections
        At least one of them with a note.
    chart
        The horn that plays it: its transposition goes into the passage.
    tempo_bpm
        Quarters a minute.

    Raises
    ------
    UsageError
        where there is no note, or more bars than one exercise may have.
    NoFingering
        where a note lies outside the horn's range.
    """
    bars: list[Bar] = []
    notes: list[Note] = []
    slurs: list[Slur] = []
    tempos: list[TempoMark] = []
    for section in sections:
        words = section.heading if tempos else f"{section.heading} ♩ = {tempo_bpm:g}".strip()
        if words:
            tempos.append(TempoMark(bars[-1].end if bars else Fraction(0), tempo_bpm, words))
        sources = notes[-1].source + 1 if notes else 0, bars[-1].written_index + 1 if bars else 0
        for time_pass in range(1, section.times + 1):
            _lay(section, bars, notes, slurs, sources, time_pass)
    return finished(
        Passage(
            title=title,
            notes=tuple(notes),
            bars=tuple(bars),
            slurs=tuple(slurs),
            tempos=tuple(tempos),
            purpose=purpose,
        ),
        chart,
    )


def finished(passage: Passage, chart: Chart) -> Passage:
    """A made passage checked, written for this horn and known by its content: with its tuplets, part, transposition
    and `sha256`, and without origin or remarks.

    Raises
    ------
    UsageError
        where there is no note, or more bars than one exercise may have.
    NoFingering
        where a note lies outside the horn's range.
    ScoreError
        where a length can't be written.
    """
    if not passage.notes:
        raise UsageError(f"{passage.title}: nothing is left to play; choose other bars or options")
    if len(passage.bars) > MOST_BARS:
        raise UsageError(
            f"{passage.title}: {len(passage.bars)} bars are too long for one exercise; choose fewer bars or one key"
        )
    check_range((note.written for note in passage.notes), chart)
    check_range((note.trill.other for note in passage.notes if note.trill), chart)
    made = replace(
        passage,
        notes=_with_tuplets(passage),
        part_id="P1",
        part_name=chart.title,
        transposition=chart.transposition,
        remarks=(),
        origin="",
        sha256="",
    )
    return replace(made, sha256=hashlib.sha256(_content(made).encode()).hexdigest())


def _content(passage: Passage) -> str:
    """All that makes it this exercise, as text. Sets are put in order: theirs changes from run to run."""
    marks = [(sorted(note.articulations), sorted(note.ornaments)) for note in passage.notes]
    plain = (replace(note, articulations=frozenset(), ornaments=frozenset()) for note in passage.notes)
    return f"({_as_text(replace(passage, notes=tuple(plain)))}, {marks!r})"


def _as_text(value: object) -> str:
    """As `repr` has it, with the fields of `_IN_HASH` only."""
    if isinstance(value, tuple):
        inside = ", ".join(_as_text(each) for each in value)
        return f"({inside},)" if len(value) == 1 else f"({inside})"
    names = _IN_HASH.get(type(value))
    if names is None:
        return repr(value)
    return f"{type(value).__name__}({', '.join(f'{name}={_as_text(getattr(value, name))}' for name in names)})"


def _with_tuplets(passage: Passage) -> tuple[Note, ...]:
    """The notes with the tuplets in which the page has to write them."""
    if all(is_dyadic(note.start) and is_dyadic(note.end) for note in passage.notes):
        return tuple(replace(note, tuplet=None) if note.tuplet else note for note in passage.notes)
    found: dict[int, Tuplet] = {}
    for cell in (cell for cells in lay_out(passage) for cell in cells):
        if cell.note is not None and cell.tuplet:
            found.setdefault(cell.note, Tuplet(*cell.tuplet))
    return tuple(replace(note, tuplet=found.get(note.index)) for note in passage.notes)


def _lay(
    section: Section, bars: list[Bar], notes: list[Note], slurs: list[Slur], sources: tuple[int, int], time_pass: int
) -> None:
    """Lay a section once; its first note and first bar are number `sources` of the page."""
    bar_beats = Fraction(4 * section.beats, section.beat_type)
    start = bars[-1].end if bars else Fraction(0)
    first_note, first_bar, at, slur_from = len(notes), len(bars), start, -1
    for tone in section.tones:
        if tone.pitch is not None:
            within = at - start
            index = len(notes)
            notes.append(
                Note(
                    index=index,
                    written=tone.pitch,
                    start=at,
                    length=tone.length,
                    bar=first_bar + int(within // bar_beats),
                    count=1 + (within % bar_beats) * section.beat_type / 4,
                    source=sources[0] + index - first_note,
                    grace=tone.grace,
                    articulations=tone.articulations,
                    ornaments=tone.ornaments,
                    trill=tone.trill,
                    fermata=tone.fermata,
                    tongued=slur_from < 0,
                    fingering_mark=tone.fingering_mark,
                )
            )
            if tone.slurred and slur_from < 0:
                slur_from = index
            elif not tone.slurred:
                slur_from = _close(slurs, slur_from, index)
        elif slur_from >= 0:
            slur_from = _close(slurs, slur_from, len(notes) - 1)
        at += tone.length
    if slur_from >= 0:
        _close(slurs, slur_from, len(notes) - 1)
    for place in range(ceil((at - start) / bar_beats)):
        bars.append(
            Bar(
                index=len(bars),
                number=str(sources[1] + place + 1),
                written_index=sources[1] + place,
                start=start + place * bar_beats,
                length=bar_beats,
                beats=section.beats,
                beat_type=section.beat_type,
                fifths=section.fifths,
                mode=section.mode,
                time_pass=time_pass,
            )
        )


def _close(slurs: list[Slur], first: int, last: int) -> int:
    """Ends the open slur, if any; nothing is open afterwards."""
    if 0 <= first < last:
        slurs.append(Slur(first, last))
    return -1


def check_range(pitches: Iterable[Pitch], chart: Chart) -> None:
    """Raises `NoFingering` for the first pitch that the horn does not have."""
    for pitch in pitches:
        if not chart.lowest_midi <= pitch.midi <= chart.highest_midi:
            raise NoFingering(
                f"{pitch} is not on the {chart.title} (written MIDI {chart.lowest_midi} to {chart.highest_midi});"
                " choose other bars or another key"
            )
