"""One MusicXML `<note>`: pitch, length, and what is written at it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from fractions import Fraction
from functools import lru_cache

from lxml import etree

from companion.errors import ScoreError
from companion.passage import Pitch, Trill, Tuplet
from companion.scores.guards import decimal, one_line, shown, whole
from companion.scores.musicxml_directions import NOTE_BEATS

__all__ = [
    "STEPS",
    "articulations",
    "exact_beats",
    "fingering_mark",
    "kind",
    "ornaments",
    "read_pitch",
    "slur_numbers",
    "tie_ends",
    "trill",
    "tuplet",
    "wavy_lines",
]

STEPS = "CDEFGAB"
#: MusicXML 4.0, accidental-value, as far as it means whole semitones.
_ACCIDENTALS = {
    "sharp": 1,
    "natural": 0,
    "flat": -1,
    "double-sharp": 2,
    "sharp-sharp": 2,
    "flat-flat": -2,
    "natural-sharp": 1,
    "natural-flat": -1,
    "double-flat": -2,
}
_MAX_ALTER = 3
#: MusicXML 4.0, number-level: "slurs, tuplets, and many other features" may overlap up to 16 times.
_NUMBER_LEVELS = frozenset(str(number) for number in range(1, 17))
_NOT_ORNAMENTS = {"trill-mark", "wavy-line", "accidental-mark"}


def kind(note: etree._Element) -> str:
    """`note`, `rest`, `cue`, `unpitched`, `slash` (a rhythm without notes) or `hidden`."""
    if note.find("rest") is not None:
        return "rest"
    if note.find("cue") is not None:
        return "cue"
    if note.find("unpitched") is not None:
        return "unpitched"
    if (note.findtext("notehead") or "").strip() == "slash":
        return "slash"
    return "hidden" if note.get("print-object") == "no" else "note"


def read_pitch(note: etree._Element, *, file: str, bar: str) -> tuple[Pitch, bool]:
    """The written pitch, and whether a microtone was rounded to it. Raises `ScoreError` for what is no pitch."""
    pitch = note.find("pitch")
    if pitch is None:
        raise ScoreError("a note has neither pitch nor rest; export the file again", file=file, bar=bar)
    texts = (pitch.findtext("step"), pitch.findtext("alter"), pitch.findtext("octave"))
    try:
        return _pitch(*texts)
    except ScoreError as error:
        raise ScoreError(str(error), file=file, bar=bar) from None


@lru_cache(maxsize=1024)
def _pitch(step: str | None, alter: str | None, octave: str | None) -> tuple[Pitch, bool]:
    step = (step or "").strip()
    if step not in STEPS or len(step) != 1:
        raise ScoreError(f"a note's step is {shown(step)}, not one of A to G")
    exact = Fraction(0)
    if alter is not None:
        exact = decimal(alter, "a note's alteration", -_MAX_ALTER, _MAX_ALTER)
    rounded = math.floor(exact) if exact > 0 else math.ceil(exact)
    found = Pitch(step, rounded, whole(octave, "a note's octave", 0, 9))
    if not 0 <= found.midi <= 127:
        raise ScoreError(f"the note {found} lies outside MIDI's notes 0 to 127")
    return found, exact != rounded


def exact_beats(note: etree._Element, beats: Fraction, divisions: Fraction) -> Fraction:
    """The length the note's type and tuplet ask for, where `beats` differs from it only by rounding to divisions.

    Many writers store a triplet of eighths with 10 divisions a quarter as 3, 3 and 4. Where the file could have written
    the exact length but did not, its own length counts.
    """
    modification = note.find("time-modification")
    if modification is None:
        return beats
    value, ratio = NOTE_BEATS.get((note.findtext("type") or "").strip()), _ratio(modification)
    if value is None or ratio is None or len(note.findall("dot")) > 8:
        return beats
    exact = value * (2 - Fraction(1, 2 ** len(note.findall("dot")))) * Fraction(ratio[1], ratio[0])
    representable = (exact * divisions).denominator == 1
    return exact if not representable and abs(exact - beats) * divisions < 1 else beats


def _ratio(modification: etree._Element) -> tuple[int, int] | None:
    texts = [(modification.findtext(tag) or "").strip() for tag in ("actual-notes", "normal-notes")]
    if not all(text.isascii() and text.isdigit() and len(text) < 4 and int(text) > 0 for text in texts):
        return None
    return int(texts[0]), int(texts[1])


def tuplet(note: etree._Element) -> Tuplet | None:
    """The tuplet the note belongs to. A tremolo between two notes also carries a time modification, but is none."""
    modification = note.find("time-modification")
    ratio = _ratio(modification) if modification is not None else None
    tremolos = note.iterfind("notations/ornaments/tremolo")
    if ratio is None or ratio[0] == ratio[1] or any(t.get("type") in ("start", "stop") for t in tremolos):
        return None
    return Tuplet(*ratio)


def tie_ends(note: etree._Element) -> tuple[bool, bool]:
    """Whether a tie starts at the note, and whether one stops; `<tie>` is for the ear, `<tied>` for the eye."""
    types = {element.get("type") for path in ("tie", "notations/tied") for element in note.iterfind(path)}
    return "start" in types, "stop" in types


def slur_numbers(note: etree._Element, which: str) -> tuple[str, ...]:
    """The numbers of the slurs that `start` or `stop` at the note."""
    numbers = (s.get("number", "1") for s in note.iterfind("notations/slur") if s.get("type") == which)
    return tuple(dict.fromkeys(number for number in numbers if number in _NUMBER_LEVELS))


def articulations(note: etree._Element) -> frozenset[str]:
    """MusicXML names of its articulations."""
    return frozenset(str(mark.tag) for mark in note.iterfind("notations/articulations/*"))


def ornaments(note: etree._Element) -> frozenset[str]:
    """MusicXML names of its ornaments, trills aside."""
    names = (str(mark.tag) for mark in note.iterfind("notations/ornaments/*"))
    return frozenset(name for name in names if name not in _NOT_ORNAMENTS)


def trill(note: etree._Element, written: Pitch, upper: Pitch) -> Trill | None:
    """The trill written at the note. Its other note is the one above by key and bar, unless an accidental mark or the
    trill's own step says otherwise."""
    mark = note.find("notations/ornaments/trill-mark")
    if mark is None:
        return None
    accidental = next(
        (a for a in note.iterfind("notations/ornaments/accidental-mark") if a.get("placement") != "below"), None
    )
    if accidental is not None and (accidental.text or "").strip() in _ACCIDENTALS:
        return Trill(Pitch(upper.step, _ACCIDENTALS[(accidental.text or "").strip()], upper.octave))
    semitones = {"half": 1, "whole": 2}.get(mark.get("trill-step", ""))
    if semitones is not None:
        alter = upper.alter + written.midi + semitones - upper.midi
        return Trill(Pitch(upper.step, alter, upper.octave)) if abs(alter) <= 2 else Trill(upper)
    return Trill(upper)


def upper_neighbour(written: Pitch, key: Mapping[str, int], bar_alters: Mapping[tuple[str, int], int]) -> Pitch:
    """The note a step above by key signature and the accidentals so far in the bar."""
    place = STEPS.index(written.step) + 1
    step, octave = STEPS[place % 7], written.octave + place // 7
    return Pitch(step, bar_alters.get((step, octave), key.get(step, 0)), octave)


def wavy_lines(note: etree._Element) -> tuple[tuple[str, str], ...]:
    """Type and number of the wavy lines that start or stop at the note."""
    lines = ((w.get("type", ""), w.get("number", "1")) for w in note.iterfind("notations/ornaments/wavy-line"))
    return tuple(dict.fromkeys((kind, number) for kind, number in lines if number in _NUMBER_LEVELS))


def fingering_mark(note: etree._Element) -> str:
    """The fingering already written at the note; several are joined."""
    texts = (one_line("".join(mark.itertext()), 40) for mark in note.iterfind("notations/technical/fingering"))
    return " / ".join(text for text in texts if text)
