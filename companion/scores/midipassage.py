"""A passage from paired MIDI notes and laid-out bars: rhythm, names, counts."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from companion.errors import ScoreError
from companion.passage import Bar, Note, Passage, Pitch, TempoMark, Tuplet
from companion.scores.layout import lay_out
from companion.scores.midibars import MidiBars
from companion.scores.midilengths import believed
from companion.scores.midinotes import TickNote
from companion.scores.noteends import note_ends
from companion.scores.quantise import QuantisedOnset, estimate_sigma, quantise_onsets, units_of
from companion.scores.rhythm import full_bar_beats
from companion.scores.spelling import likely_key, spell

__all__ = ["MidiScore", "assemble"]


@dataclass(frozen=True, slots=True)
class MidiScore:
    """What was found in a file: one line of notes that do not overlap, and its bars. `lengths` are the written ones in
    quarters where the file says them."""

    title: str
    part_id: str
    part_name: str
    ticks_per_beat: int
    notes: tuple[TickNote, ...]
    bars: MidiBars
    remarks: tuple[str, ...]
    origin: str
    sha256: str
    lengths: tuple[Fraction, ...] = ()


def assemble(score: MidiScore) -> Passage:
    """The passage."""
    try:
        return _assembled(score)
    except ScoreError:
        if not score.lengths:
            raise
        # Lengths that the file says and nobody can write.
        return _assembled(replace(score, lengths=()))


def _assembled(score: MidiScore) -> Passage:
    remarks = [*score.remarks, "MIDI files hold no written pitch: the notes are taken as written for the horn"]
    per_beat = score.ticks_per_beat
    onsets = [Fraction(note.on_tick, per_beat) for note in score.notes]
    held = [Fraction((note.off_tick or note.on_tick) - note.on_tick, per_beat) for note in score.notes]
    bars, tempos = list(score.bars.bars), score.bars.tempos
    units = [unit for bar in bars for unit in units_of(bar.start, bar.length, bar.beats, bar.beat_type)]
    sigma = estimate_sigma(onsets, per_beat)
    if sigma is None:
        remarks.append("played in, not written: rhythms are rounded to what reads best")
    places = _in_order(quantise_onsets(onsets, units, per_beat, sigma))
    if believed(score.lengths, [place.start for place in places], held, bars[-1].end):
        lengths = list(score.lengths)
    else:
        bars, places, tempos = _upbeat_by_silence(bars, places, tempos, remarks)
        lengths = _lengths(places, held, bars, remarks)
    bars = _used(bars, max(places[i].start + lengths[i] for i in range(len(places))))
    if not score.bars.key_known:
        bars = _with_likely_key(bars, score.notes, lengths, remarks)
    passage = Passage(
        title=score.title,
        notes=tuple(_notes(score.notes, places, lengths, bars)),
        bars=tuple(bars),
        tempos=tuple(mark for mark in tempos if mark.start < bars[-1].end),
        part_id=score.part_id,
        part_name=score.part_name,
        remarks=tuple(dict.fromkeys(remarks)),
        origin=score.origin,
        sha256=score.sha256,
    )
    return _with_tuplets(passage)


def _lengths(
    places: Sequence[QuantisedOnset], held: Sequence[Fraction], bars: Sequence[Bar], remarks: list[str]
) -> list[Fraction]:
    """The lengths that read best for what was held, 0 for grace notes."""
    graces = _graces(places)
    if any(graces):
        remarks.append(f"{sum(graces)} very short notes are written as grace notes")
    mains = [i for i, grace in enumerate(graces) if not grace]
    ends = dict(zip(mains, note_ends([places[i] for i in mains], [held[i] for i in mains], bars), strict=True))
    return [ends[i] - places[i].start if i in ends else Fraction(0) for i in range(len(places))]


def _in_order(places: Sequence[QuantisedOnset]) -> list[QuantisedOnset]:
    """No place before the one ahead of it, which rounding at the end of a beat could bring about."""
    ordered: list[QuantisedOnset] = []
    for place in places:
        if ordered and place.start < ordered[-1].start:
            place = replace(place, start=ordered[-1].start)
        ordered.append(place)
    return ordered


def _graces(places: Sequence[QuantisedOnset]) -> list[bool]:
    """True for a note that falls on the place of the next one."""
    return [i + 1 < len(places) and places[i + 1].start == place.start for i, place in enumerate(places)]


def _upbeat_by_silence(
    bars: list[Bar], places: list[QuantisedOnset], tempos: tuple[TempoMark, ...], remarks: list[str]
) -> tuple[list[Bar], list[QuantisedOnset], tuple[TempoMark, ...]]:
    """A first bar that is silent for half its length or more is an upbeat: it begins with its first note."""
    silent = places[0].start
    if len(bars) < 2 or bars[0].upbeat or not bars[0].length / 2 <= silent < bars[0].length:
        return bars, places, tempos
    remarks.append("the silence before the first note is left out: the first bar is an upbeat")
    first = replace(bars[0], number="0", length=bars[0].length - silent, upbeat=True)
    moved = [replace(bar, number=str(bar.index), start=bar.start - silent) for bar in bars[1:]]
    places = [replace(p, start=p.start - silent, unit=(p.unit[0] - silent, p.unit[1])) for p in places]
    marks = tuple(replace(mark, start=max(mark.start - silent, Fraction(0))) for mark in tempos)
    return [first, *moved], places, marks


def _used(bars: list[Bar], end: Fraction) -> list[Bar]:
    """Without the bars after the last note."""
    last = max((i for i, bar in enumerate(bars) if bar.start < end), default=0)
    return bars[: last + 1]


def _with_likely_key(
    bars: list[Bar], notes: Sequence[TickNote], lengths: Sequence[Fraction], remarks: list[str]
) -> list[Bar]:
    fifths, mode = likely_key([note.midi for note in notes], [float(length) for length in lengths])
    count = abs(fifths)
    signs = "no sharps or flats" if not fifths else f"{count} {'sharp' if fifths > 0 else 'flat'}{'s' * (count > 1)}"
    remarks.append(f"the file names no key; by its notes it gets {signs} ({mode})")
    return [replace(bar, fifths=fifths, mode=mode) for bar in bars]


def _notes(
    notes: Sequence[TickNote], places: Sequence[QuantisedOnset], lengths: Sequence[Fraction], bars: Sequence[Bar]
) -> list[Note]:
    starts = [bar.start for bar in bars]
    in_bar = [bars[bisect_right(starts, place.start) - 1] for place in places]
    names = _names(notes, in_bar)
    return [
        Note(
            index=i,
            written=names[i],
            start=places[i].start,
            length=lengths[i],
            bar=bar.index,
            count=_count(places[i].start, bar),
            source=i,
            grace="" if lengths[i] else "acciaccatura",
        )
        for i, bar in enumerate(in_bar)
    ]


def _names(notes: Sequence[TickNote], in_bar: Sequence[Bar]) -> tuple[Pitch, ...]:
    modes = {bar.mode for bar in in_bar}
    mode = modes.pop() if len(modes) == 1 else ""
    return spell([note.midi for note in notes], [bar.fifths for bar in in_bar], mode)


def _count(start: Fraction, bar: Bar) -> Fraction:
    missing = full_bar_beats(bar.beats, bar.beat_type) - bar.length if bar.upbeat else Fraction(0)
    return (start - bar.start + missing) * Fraction(bar.beat_type, 4) + 1


def _with_tuplets(passage: Passage) -> Passage:
    """Say of each note what tuplet it is written in, as the page will show it."""
    ratios = {
        cell.note: Tuplet(*cell.tuplet)
        for cells in lay_out(passage)
        for cell in cells
        if cell.note is not None and cell.tuplet and not cell.tie_stop
    }
    return replace(passage, notes=tuple(replace(note, tuplet=ratios.get(note.index)) for note in passage.notes))
