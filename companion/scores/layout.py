"""What stands in each bar on the page: written values, ties, rests, tuplets, beams and accidentals.

This is the step between a passage (what is played) and its MusicXML (how it looks). Beams, accidentals and courtesy
accidentals follow common practice, no source: beams show the beats, an accidental holds for its bar and octave, a
tie carries it over the bar line, and the bar after it shows the plain note's sign again as a courtesy.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil

from companion.errors import ScoreError
from companion.passage import Bar, Note, Passage
from companion.scores import rhythm
from companion.scores.beaming import beam

__all__ = ["Cell", "key_alters", "lay_out"]

_SHARPS, _FLATS = "FCGDAEB", "BEADGCF"
_ACCIDENTALS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}


@dataclass(frozen=True, slots=True)
class Cell:
    """One `<note>`: a note, a part of a tied note, a grace note or a rest.

    `start` and `length` are in beats of the passage, `note` an index into its notes (None for a rest). `value` and
    `dots` are what is written; `tuplet` is (actual, normal). `beams` are MusicXML's beam values from the eighth beam
    up.
    """

    start: Fraction
    length: Fraction
    value: Fraction
    dots: int = 0
    note: int | None = None
    tie_start: bool = False
    tie_stop: bool = False
    tuplet: tuple[int, int] | None = None
    tuplet_starts: bool = False
    tuplet_ends: bool = False
    grace: bool = False
    whole_bar: bool = False
    beams: tuple[str, ...] = ()
    accidental: str = ""
    courtesy: bool = False


@dataclass(frozen=True, slots=True)
class _Event:
    """A note or rest within one bar, counted from where the full bar starts."""

    start: Fraction
    end: Fraction
    note: Note | None


def lay_out(passage: Passage) -> list[list[Cell]]:
    """The cells of every bar, in playing order.

    Raises
    ------
    ScoreError
        where notes overlap, lie outside the bars, or have a length that can't be written; it names the bar.
    """
    _check_time_line(passage)
    mains = [note for note in passage.notes if not note.grace]
    graces: dict[int, list[Note]] = {}
    for note in passage.notes:
        if note.grace:
            graces.setdefault(note.bar, []).append(note)
    bars, at = [], 0
    for bar in passage.bars:
        while at < len(mains) and mains[at].end <= bar.start:
            at += 1
        bars.append(_bar_cells(passage, bar, mains, at, graces.get(bar.index, [])))
    return _with_accidentals(passage, bars)


def _check_time_line(passage: Passage) -> None:
    before: Note | None = None
    for note in passage.notes:
        bar = passage.bars[note.bar].number
        if note.grace:
            continue
        if note.length <= 0 or note.start < 0 or note.end > passage.end:
            raise ScoreError(f"note {note.index + 1} ({note.written}) does not lie within the bars", bar=bar)
        if before is not None and note.start < before.end:
            raise ScoreError(f"notes {before.index + 1} and {note.index + 1} sound at the same time", bar=bar)
        before = note


def _bar_cells(passage: Passage, bar: Bar, mains: Sequence[Note], at: int, graces: Sequence[Note]) -> list[Cell]:
    meter = _meter(bar)
    offset = rhythm.full_bar_beats(*meter) - bar.length if bar.upbeat else Fraction(0)
    shift = offset - bar.start
    edges = [note.start + shift for note in graces]
    events = list(_events(bar, mains, at, shift, edges))
    # A short bar's rest is written with its value: a whole-bar rest lasts what the metre says, to some readers.
    whole = bar.length == Fraction(4 * bar.beats, bar.beat_type)
    if whole and all(event.note is None for event in events) and not graces:
        return [Cell(bar.start, bar.length, Fraction(4), whole_bar=True)]
    span = (offset, offset + bar.length)
    try:
        spans = rhythm.tuplet_spans([(e.start, e.end) for e in events], span, *meter, _has_sixes(events))
        cells = [cell for event in events for cell in _event_cells(event, spans, bar, shift)]
    except ValueError as error:
        raise ScoreError(f"{error}; it can't be written down", bar=bar.number) from error
    return beam(_with_graces(cells, graces), *meter, shift)


def _meter(bar: Bar) -> tuple[int, int]:
    """The time signature, with beats added where the bar holds more than it says."""
    return max(bar.beats, ceil(bar.length * bar.beat_type / 4)), bar.beat_type


def _has_sixes(events: Sequence[_Event]) -> bool:
    return any(event.note and event.note.tuplet and event.note.tuplet.actual == 6 for event in events)


def _events(bar: Bar, mains: Sequence[Note], at: int, shift: Fraction, cuts: Sequence[Fraction]) -> Iterator[_Event]:
    """The notes of a bar, clipped to it, with rests between; a grace note in a rest cuts it."""
    now, end = bar.start + shift, bar.end + shift
    while at < len(mains) and mains[at].start < bar.end:
        note = mains[at]
        yield from _rests(now, max(note.start + shift, now), cuts)
        start, now = max(note.start + shift, bar.start + shift), min(note.end + shift, end)
        yield _Event(start, now, note)
        at += 1
    yield from _rests(now, end, cuts)


def _rests(start: Fraction, end: Fraction, cuts: Sequence[Fraction]) -> Iterator[_Event]:
    for cut in [c for c in sorted(set(cuts)) if start < c < end] + [end]:
        if cut > start:
            yield _Event(start, cut, None)
        start = cut


def _event_cells(event: _Event, spans: Sequence[rhythm.TupletSpan], bar: Bar, shift: Fraction) -> list[Cell]:
    """One note or rest as cells, tied together where it is a note."""
    cells: list[Cell] = []
    at = event.start
    while at < event.end:
        span = next((s for s in spans if s.start <= at < s.end), None)
        limit = span.end if span else min((s.start for s in spans if s.start > at), default=event.end)
        stop = min(event.end, limit)
        cells += _pieces(at, stop, event.note is None, span, bar, shift)
        at = stop
    if event.note is None:
        return cells
    note, last = event.note, len(cells) - 1
    starts_here, ends_here = note.start + shift == event.start, note.end + shift == event.end
    return [
        replace(
            cell,
            note=note.index,
            tie_stop=i > 0 or not starts_here,
            tie_start=i < last or not ends_here,
        )
        for i, cell in enumerate(cells)
    ]


def _pieces(
    start: Fraction, end: Fraction, rest: bool, span: rhythm.TupletSpan | None, bar: Bar, shift: Fraction
) -> list[Cell]:
    if span is None:
        pieces = rhythm.split_in_bar(*_meter(bar), start, end, rest)
        return [_cell(a, b, a, b, None, False, False, shift) for a, b in pieces]
    split = rhythm.split_rest if rest else rhythm.split_note
    scale = Fraction(span.actual, span.normal)
    group = rhythm.tuplet_group(span.actual, (span.end - span.start) * scale)
    cells = []
    for a, b in split(group, (start - span.start) * scale, (end - span.start) * scale):
        real = (span.start + a / scale, span.start + b / scale)
        ratio = (span.actual, span.normal)
        cells.append(_cell(*real, a, b, ratio, real[0] == span.start, real[1] == span.end, shift))
    return cells


def _cell(
    start: Fraction,
    end: Fraction,
    written_start: Fraction,
    written_end: Fraction,
    tuplet: tuple[int, int] | None,
    starts: bool,
    ends: bool,
    shift: Fraction,
) -> Cell:
    found = rhythm.value_of(written_end - written_start)
    if found is None:
        raise ValueError(f"no written value for {written_end - written_start} quarters")
    return Cell(start - shift, end - start, found[0], found[1], tuplet=tuplet, tuplet_starts=starts, tuplet_ends=ends)


def _with_graces(cells: list[Cell], graces: Sequence[Note]) -> list[Cell]:
    if not graces:
        return cells
    groups: dict[Fraction, list[Cell]] = {}
    for note in graces:
        groups.setdefault(note.start, []).append(
            Cell(note.start, Fraction(0), Fraction(1, 2), note=note.index, grace=True)
        )
    for group in groups.values():
        if len(group) > 1:
            group[:] = [replace(cell, value=Fraction(1, 4)) for cell in group]
    placed: list[Cell] = []
    for cell in cells:
        placed += groups.pop(cell.start, [])
        placed.append(cell)
    return placed + [cell for start in sorted(groups) for cell in groups[start]]


def key_alters(fifths: int) -> dict[str, int]:
    """What the key signature does to each letter, in semitones."""
    order, sign = (_SHARPS, 1) if fifths > 0 else (_FLATS, -1)
    return {step: sign * (1 + (abs(fifths) - 1 - i) // 7) for i, step in enumerate(order) if abs(fifths) > i}


def _with_accidentals(passage: Passage, bars: list[list[Cell]]) -> list[list[Cell]]:
    done = []
    before: dict[tuple[str, int], int] = {}
    for bar, cells in zip(passage.bars, bars, strict=True):
        key = key_alters(bar.fifths)
        state: dict[tuple[str, int], int] = {}
        marked = []
        for cell in cells:
            if cell.note is not None and not cell.tie_stop:
                pitch = passage.notes[cell.note].written
                place = (pitch.step, pitch.octave)
                plain = key.get(pitch.step, 0)
                courtesy = place not in state and before.get(place, pitch.alter) != pitch.alter
                if state.get(place, plain) != pitch.alter or courtesy:
                    sign = _ACCIDENTALS.get(pitch.alter, "")
                    cell = replace(cell, accidental=sign, courtesy=courtesy and plain == pitch.alter)
                state[place] = pitch.alter
            marked.append(cell)
        before = {place: alter for place, alter in state.items() if alter != key.get(place[0], 0)}
        done.append(marked)
    return done
