"""The plain model of what is on the stand: notes, bars, tempo. Imports nothing of ours but errors and units.

Conventions
-----------
* Notes and bars stand in *playing order*: repeats and endings are unfolded. `Note.source` and `Bar.written_index` say
  where in the document each came from, so a repeated note has two `Note`s with one `source`.
* A beat is a quarter note, an exact `Fraction`, counted from the start of the first bar as written (an upbeat bar
  starts where its first note or rest stands). `Note.count` is what a musician says: 1 is the downbeat, in units of the
  lower number of the time signature; in an upbeat bar it counts backwards from the bar's end (a quarter upbeat to 4/4
  is 4).
* Pitches are written pitches, not sounding ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from companion.errors import UsageError
from companion.units import s_per_beat

__all__ = ["Bar", "Note", "Passage", "Pitch", "Slur", "TempoMark", "TempoWords", "Trill", "Tuplet", "Wait"]

_STEP_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ALTER_SIGNS = {-2: "♭♭", -1: "♭", 0: "", 1: "♯", 2: "♯♯"}


@dataclass(frozen=True, slots=True)
class Pitch:
    """A spelled written pitch: `Pitch("B", -1, 4)` is B♭4. `alter` is in semitones, `octave` 4 starts at middle C."""

    step: str
    alter: int
    octave: int

    @property
    def midi(self) -> int:
        """MIDI note number, C4 = 60 (MIDI 1.0)."""
        return 12 * (self.octave + 1) + _STEP_SEMITONES[self.step] + self.alter

    @property
    def name(self) -> str:
        """Letter and accidental, without the octave: `B♭`."""
        return self.step + _ALTER_SIGNS.get(self.alter, f"({self.alter:+d})")

    def __str__(self) -> str:
        return f"{self.name}{self.octave}"


@dataclass(frozen=True, slots=True)
class Trill:
    """A trill, with the written upper note (or the lower one) it alternates with."""

    other: Pitch


@dataclass(frozen=True, slots=True)
class Tuplet:
    """`actual` notes in the time of `normal` ones: a triplet is 3 in the time of 2."""

    actual: int
    normal: int


@dataclass(frozen=True, slots=True)
class Slur:
    """A slur from note `first` to note `last` (indices into `Passage.notes`, `first < last`)."""

    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Note:
    """One note to be played once; ties are merged into it.

    `index` is its place in `Passage.notes`. `bar` is an index into `Passage.bars`. `length` is 0 for a grace note,
    whose `start` is that of the note it belongs to and whose `grace` is `acciaccatura` (slashed) or `appoggiatura`.
    `source` is the document index of its first `<note>` element in the score read (all parts counted, chord notes and
    rests too), `tied_sources` those of the notes tied to it. `articulations` and `ornaments` hold MusicXML 4.0 element
    names (`staccato`, `tenuto`, `accent`, `mordent`, ...). `tongued` is False where a slur leads into the note."""

    index: int
    written: Pitch
    start: Fraction
    length: Fraction
    bar: int
    count: Fraction
    source: int
    tied_sources: tuple[int, ...] = ()
    grace: str = ""
    articulations: frozenset[str] = frozenset()
    ornaments: frozenset[str] = frozenset()
    trill: Trill | None = None
    tuplet: Tuplet | None = None
    fermata: bool = False
    tongued: bool = True
    fingering_mark: str = ""

    @property
    def written_midi(self) -> int:
        """Written MIDI note number."""
        return self.written.midi

    @property
    def end(self) -> Fraction:
        """Where the note ends, in beats."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar as it is played. `number` is as printed; `written_index` counts the bars of the document from 0;
    `time_pass` is 1 the first time through a repeat, 2 the second. `length` is what the bar really holds, in beats;
    `upbeat` is True for a pickup (and for the rest of a bar split by a repeat sign, when it begins mid-bar). `fifths`
    is the key signature as MusicXML counts it (sharps positive), `mode` `major`, `minor`, ... or empty where the score
    doesn't say. `mark_unit` is the note, in quarters, that the metronome mark in force counts, None where none has been
    printed in this metre."""

    index: int
    number: str
    written_index: int
    start: Fraction
    length: Fraction
    beats: int
    beat_type: int
    fifths: int = 0
    mode: str = ""
    upbeat: bool = False
    time_pass: int = 1
    mark_unit: Fraction | None = None

    @property
    def end(self) -> Fraction:
        """Where the bar ends, in beats."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class TempoMark:
    """From `start` beats on the printed tempo is `quarter_bpm`; `text` is what is printed (`Andante`, `♩. = 60`)."""

    start: Fraction
    quarter_bpm: float
    text: str = ""


@dataclass(frozen=True, slots=True)
class TempoWords:
    """At `start` beats words bend the tempo or change it without a number: `rit.`, `a tempo`, `meno mosso`."""

    start: Fraction
    text: str


@dataclass(frozen=True, slots=True)
class Wait:
    """The time may stand still in a silence: over the rest at `start` beats, or at the bar line there. `sign` is
    `fermata`, `caesura` or `breath-mark` (MusicXML 4.0); those over notes are the notes' own."""

    start: Fraction
    sign: str = "fermata"


@dataclass(frozen=True, slots=True)
class Passage:
    """Music for one player, in playing order.

    `transposition` is sounding minus written semitones as the part says (alto saxophone: -9), None where it is silent.
    `remarks` are what the reader guessed or left out, to be shown. `sha256` identifies the file that was read. `origin`
    is the file's path as given, or empty for a made passage. `purpose` says in one line what an exercise is
    for; empty for music. `tempo_words` and `waits` change no time here: how far a *rit.* goes, and how long a rest with
    a fermata lasts, is the player's to say.
    """

    title: str
    notes: tuple[Note, ...]
    bars: tuple[Bar, ...]
    slurs: tuple[Slur, ...] = ()
    tempos: tuple[TempoMark, ...] = ()
    composer: str = ""
    part_id: str = ""
    part_name: str = ""
    transposition: int | None = None
    remarks: tuple[str, ...] = ()
    origin: str = ""
    sha256: str = ""
    purpose: str = ""
    tempo_words: tuple[TempoWords, ...] = ()
    waits: tuple[Wait, ...] = ()

    @property
    def end(self) -> Fraction:
        """Where the last bar ends, in beats."""
        return self.bars[-1].end if self.bars else Fraction(0)

    def marked_tempo_bpm(self, default: float = 92.0) -> float:
        """The first printed tempo in quarters per minute, or `default` where the score has none."""
        return self.tempos[0].quarter_bpm if self.tempos else default

    def seconds(self, beat: Fraction, tempo_bpm: float) -> float:
        """Seconds from the start of the first bar to `beat`, when the passage starts at `tempo_bpm` quarters a minute.

        Later tempo marks keep their ratio to the first one: practised at half tempo, a *meno mosso* is halved too.
        """
        if not self.tempos:
            return float(beat) * s_per_beat(tempo_bpm)
        first = self.tempos[0]
        total, at, factor = 0.0, Fraction(0), 1.0
        for mark in self.tempos[1:]:
            if mark.start >= beat:
                break
            total += float(mark.start - at) * s_per_beat(tempo_bpm * factor)
            at, factor = mark.start, mark.quarter_bpm / first.quarter_bpm
        return total + float(beat - at) * s_per_beat(tempo_bpm * factor)

    def bar_range(self, wanted: str) -> tuple[int, int]:
        """Indices (first, last) into `bars` of printed bars such as `5-8` or `5`, as `written_range` has them. Raises
        `UsageError` where there are no such bars."""
        low, dash, high = wanted.replace("–", "-").partition("-")
        low, high = low.strip(), high.strip() if dash else low.strip()
        numbers = [bar.number for bar in self.bars]
        if low not in numbers or high not in numbers:
            missing = low if low not in numbers else high
            if not missing:
                raise UsageError(f"no bar is named on one side of {wanted!r}: write such as --bars 5-8, or --bars 5")
            raise UsageError(
                f"no bar {missing!r} in this passage: its bars run from {numbers[0]} to"
                f" {max(numbers, key=_number_key)}; try --bars {numbers[0]}"
            )
        lowest = self.bars[numbers.index(low)].written_index
        highest = max(bar.written_index for bar in self.bars if bar.number == high)
        if highest < lowest:
            raise UsageError(f"bars {wanted!r} run backwards: write the earlier bar first, as in --bars {high}-{low}")
        return self.written_range(lowest, highest)

    def written_range(self, lowest: int, highest: int) -> tuple[int, int]:
        """Indices (first, last) into `bars` that play the written bars `lowest` to `highest`.

        The first time through, with the repeats that lie within; where a repeat leads out of them (a first ending), the
        first time that gets to the end.
        """
        runs = []
        for first in (bar.index for bar in self.bars if bar.written_index == lowest):
            last = first
            while last + 1 < len(self.bars) and lowest <= self.bars[last + 1].written_index <= highest:
                last += 1
            runs.append((first, last))
        whole = [run for run in runs if self.bars[run[1]].written_index == highest]
        return (whole or runs)[0]

    def excerpt(self, first_bar: int, last_bar: int) -> Passage:
        """Bars `first_bar` to `last_bar` (indices into `bars`, both included) as a passage of their own, starting at
        beat 0.

        Indices are counted anew; `source`, `number` and `written_index` stay, so the page still knows its notes. A slur
        cut by the edge is cut there too.
        """
        bars = self.bars[first_bar : last_bar + 1]
        origin = bars[0].start
        kept = [note for note in self.notes if first_bar <= note.bar <= last_bar]
        new_index = {note.index: i for i, note in enumerate(kept)}
        notes = tuple(
            replace(note, index=i, start=note.start - origin, bar=note.bar - first_bar) for i, note in enumerate(kept)
        )
        if notes:
            notes = (replace(notes[0], tongued=True), *notes[1:])
        slurs = []
        for slur in self.slurs:
            inside = [new_index[i] for i in range(slur.first, slur.last + 1) if i in new_index]
            if len(inside) > 1:
                slurs.append(Slur(inside[0], inside[-1]))
        before = [mark for mark in self.tempos if mark.start <= origin]
        tempos = [replace(before[-1], start=Fraction(0))] if before else []
        tempos += [replace(m, start=m.start - origin) for m in self.tempos if origin < m.start < bars[-1].end]
        return replace(
            self,
            notes=notes,
            bars=tuple(replace(bar, index=i, start=bar.start - origin) for i, bar in enumerate(bars)),
            slurs=tuple(slurs),
            tempos=tuple(tempos),
            tempo_words=tuple(
                replace(w, start=w.start - origin) for w in self.tempo_words if origin <= w.start < bars[-1].end
            ),
            waits=tuple(replace(w, start=w.start - origin) for w in self.waits if origin <= w.start <= bars[-1].end),
        )


def _number_key(number: str) -> tuple[int, str]:
    digits = "".join(c for c in number if c.isdigit())
    return (int(digits) if digits else -1, number)
