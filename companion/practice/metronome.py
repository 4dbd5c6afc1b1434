"""Metronome marks in words a musician reads: the note that is counted, and its number.

Tempos are kept in quarters a minute throughout; here they get the unit in which they are told. It is that of the
metronome mark printed in this metre. Where none is printed (common practice, no source): the lower number of the time
signature, as the click has it; the dotted quarter in 6/8, 9/8 and 12/8 (the dotted eighth in 6/16, ...), for their
beats are groups of three. So 3/8, 5/8 and 7/8 go in eighths, 6/4 in quarters, 2/2 and 3/2 in halves.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import floor

from companion.passage import Bar

__all__ = [
    "QUARTER", "CountedNote", "beat_unit", "counted_note", "metronome_number", "number_below", "unit_in_words",
    "units_in_words",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class CountedNote:
    """A note that a metronome mark counts: its length in quarters, its sign, and the names of one and of many."""

    beats: Fraction
    sign: str
    one: str
    many: str

    def number(self, tempo_bpm: float) -> str:
        """The tempo, given in quarters a minute, as a number of these: `84`, `37.3`."""
        if self.beats == 1:
            return f"{tempo_bpm:.1f}".removesuffix(".0")
        number = tempo_bpm / float(self.beats)
        return f"{number:.0f}" if abs(number - round(number)) < 0.05 else f"{number:.1f}"

    def below(self, tempo_bpm: float) -> str:
        """The whole number of these at or below the tempo: at the next one a limit would be passed."""
        return str(floor(tempo_bpm / float(self.beats) + 1e-9))

    def mark(self, tempo_bpm: float) -> str:
        """The tempo in a sentence: `84` alone for quarters, else `♩. = 56`, `half = 42`."""
        return self.named(self.number(tempo_bpm))

    def mark_below(self, tempo_bpm: float) -> str:
        """The same rounded down."""
        return self.named(self.below(tempo_bpm))

    def about(self, tempo_bpm: float) -> str:
        """The same to the nearest whole number."""
        return self.named(self.nearest(tempo_bpm))

    def nearest(self, tempo_bpm: float) -> str:
        """The nearest whole number of these."""
        return f"{tempo_bpm / float(self.beats):.0f}"

    def named(self, number: str) -> str:
        """A number of these as it stands in a sentence."""
        if self.beats == 1:
            return number
        return f"{self.sign if self.sign[0] in '♩♪' else self.one.removesuffix(' note')} = {number}"


QUARTER = CountedNote(Fraction(1), "♩", "quarter", "quarters")
_NOTES = {
    note.beats: note
    for note in (
        CountedNote(Fraction(4), "whole", "whole note", "whole notes"),
        CountedNote(Fraction(3), "half.", "dotted half", "dotted halves"),
        CountedNote(Fraction(2), "half", "half note", "halves"),
        CountedNote(Fraction(3, 2), "♩.", "dotted quarter", "dotted quarters"),
        QUARTER,
        CountedNote(Fraction(3, 4), "♪.", "dotted eighth", "dotted eighths"),
        CountedNote(Fraction(1, 2), "♪", "eighth", "eighths"),
        CountedNote(Fraction(1, 4), "16th", "sixteenth", "sixteenths"),
    )
}


def counted_note(bar: Bar) -> CountedNote:
    """The note in which the tempo of this bar is told."""
    if bar.mark_unit is not None and bar.mark_unit in _NOTES:
        return _NOTES[bar.mark_unit]
    in_threes = bar.beat_type >= 8 and bar.beats > 3 and bar.beats % 3 == 0
    return _NOTES.get(Fraction(12 if in_threes else 4, bar.beat_type), QUARTER)


def beat_unit(bar: Bar) -> tuple[str, float]:
    """The note that is counted and its length in quarters: `♩`, `♩.`, `♪`, `♪.`, `half`, `half.`, `whole` or `16th`."""
    note = counted_note(bar)
    return note.sign, float(note.beats)


def unit_in_words(bar: Bar) -> str:
    """`quarter`, `dotted quarter`, `half note`: the note that is counted."""
    return counted_note(bar).one


def units_in_words(bar: Bar) -> str:
    """`quarters`, `dotted quarters`, `halves`: as in so many a minute."""
    return counted_note(bar).many


def metronome_number(tempo_bpm: float, bar: Bar) -> str:
    """The tempo, given in quarters a minute, in the bar's own unit: `84`, or `56` for 84 quarters in 6/8."""
    return counted_note(bar).number(tempo_bpm)


def number_below(tempo_bpm: float, bar: Bar) -> str:
    """The same rounded down, for a limit."""
    return counted_note(bar).below(tempo_bpm)
