"""A part as it is written: bars, notes, signs, before voices are chosen and repeats are played.

Onsets are beats (quarters) from the start of the bar the note is written in.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from lxml import etree

from companion.passage import Pitch, Trill, Tuplet

__all__ = ["Marks", "Placed", "WrittenBar", "WrittenNote", "WrittenPart", "WrittenTempo"]


@dataclass(frozen=True, slots=True)
class WrittenNote:
    """One `<note>`. `kind` is `note`, `rest`, `cue`, `unpitched`, `slash` or `hidden`; `pitch` is None unless it is a
    `note`.

    `upper` is the note a trill would go to by key and earlier accidentals of the bar. `slur_starts` and `slur_stops`
    hold slur numbers, `wavy` pairs of type and number. A rest has `fermata` and `articulations` (a breath mark) too.
    """

    source: int
    bar: int
    onset: Fraction
    length: Fraction
    staff: int
    voice: str
    kind: str
    chord: bool = False
    pitch: Pitch | None = None
    upper: Pitch | None = None
    grace: str = ""
    tie_start: bool = False
    tie_stop: bool = False
    slur_starts: tuple[str, ...] = ()
    slur_stops: tuple[str, ...] = ()
    articulations: frozenset[str] = frozenset()
    ornaments: frozenset[str] = frozenset()
    trill: Trill | None = None
    wavy: tuple[tuple[str, str], ...] = ()
    tuplet: Tuplet | None = None
    fermata: bool = False
    fingering_mark: str = ""

    @property
    def end(self) -> Fraction:
        """Where the note ends, in beats from the start of its bar."""
        return self.onset + self.length


@dataclass(frozen=True, slots=True)
class WrittenTempo:
    """From `onset` in its bar on, `quarter_bpm`; None where only words stand there or where the mark relates two units,
    in which case `ratio` is the new tempo over the old one. `unit` is the note that a printed mark counts, in
    quarters."""

    onset: Fraction
    quarter_bpm: float | None
    text: str = ""
    ratio: float | None = None
    unit: Fraction | None = None

    @property
    def words_only(self) -> bool:
        """`rit.`, `a tempo`: no number says how fast."""
        return self.quarter_bpm is None and self.ratio is None


@dataclass(frozen=True, slots=True)
class Marks:
    """What a bar says about the playing order.

    `times` is how often the closing repeat sign lets its section be played, None where it leaves that open; words such
    as `4x` may say it anywhere in the section. `with_repeats` is a jump after which repeats are taken again. `endings`
    are the numbers of the ending that starts here. `coda_signs` counts bare coda signs, which mean "from here" or "to
    here" depending on what else the score says. `jump` is `dacapo`, `dalsegno` or empty, `al` what its words add:
    `fine`, `coda` or empty.
    """

    forward: bool = False
    backward: bool = False
    times: int | None = None
    after_jump: bool = False
    endings: frozenset[int] = frozenset()
    ending_stops: bool = False
    segno: tuple[str, ...] = ()
    coda: tuple[str, ...] = ()
    to_coda: tuple[str, ...] = ()
    coda_signs: int = 0
    fine: bool = False
    jump: str = ""
    jump_label: str = ""
    al: str = ""
    with_repeats: bool = False

    @property
    def any(self) -> bool:
        """Whether the bar says anything."""
        return self != Marks()


@dataclass(frozen=True, slots=True)
class Placed:
    """A child of `<measure>` with the beat where it stands, and how far from there its own `<offset>` puts it."""

    onset: Fraction
    element: etree._Element
    offset: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class WrittenBar:
    """One bar, or a piece of one that a repeat sign cuts in two (`begins` is then where the piece begins in the
    measure).

    `length` is what it holds, `nominal` what its time signature asks for (None without measure), both in beats.
    `silences` are the fermatas over bar lines, and breaths and caesuras in words: where in the bar, and which sign.
    """

    index: int
    number: str
    length: Fraction
    nominal: Fraction | None
    beats: int
    beat_type: int
    fifths: int
    mode: str
    implicit: bool
    empty: bool
    marks: Marks
    tempos: tuple[WrittenTempo, ...]
    notes: tuple[WrittenNote, ...]
    placed: tuple[Placed, ...]
    begins: Fraction = Fraction(0)
    silences: tuple[tuple[Fraction, str], ...] = ()


@dataclass(frozen=True, slots=True)
class WrittenPart:
    """One part of a score, all its voices. `transpositions` are sounding minus written semitones in the order found."""

    part_id: str
    name: str
    bars: tuple[WrittenBar, ...]
    transpositions: tuple[int, ...]
    remarks: tuple[str, ...]
