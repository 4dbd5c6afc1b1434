"""One `<note>` element: its id, pitch, value, and all that hangs on the note."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from lxml import etree

from companion.errors import ScoreError
from companion.passage import Note, Passage, Pitch, Slur
from companion.scores.layout import Cell, key_alters

__all__ = ["TYPES", "Ids", "NoteWriter"]

#: Note values by their length in quarters (MusicXML 4.0, note-type-value).
TYPES = {
    Fraction(8): "breve",
    Fraction(4): "whole",
    Fraction(2): "half",
    Fraction(1): "quarter",
    Fraction(1, 2): "eighth",
    Fraction(1, 4): "16th",
    Fraction(1, 8): "32nd",
    Fraction(1, 16): "64th",
    Fraction(1, 32): "128th",
    Fraction(1, 64): "256th",
}
#: Empty elements of MusicXML 4.0 that may stand in `<articulations>` and `<ornaments>`.
_ARTICULATIONS = frozenset(
    {
        "accent", "strong-accent", "staccato", "tenuto", "detached-legato", "staccatissimo", "spiccato",
        "scoop", "plop", "doit", "falloff", "breath-mark", "caesura", "stress", "unstress", "soft-accent",
    }
)  # fmt: skip
_ORNAMENTS = frozenset(
    {
        "trill-mark", "turn", "delayed-turn", "inverted-turn", "delayed-inverted-turn", "vertical-turn",
        "inverted-vertical-turn", "shake", "mordent", "inverted-mordent", "schleifer", "haydn",
    }
)  # fmt: skip
_ACCIDENTAL_MARKS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
#: MusicXML counts slurs that run at the same time from 1 to 16.
_MOST_SLURS = 16


class Ids:
    """Gives every id once: the second `n12` becomes `n12-2`."""

    def __init__(self) -> None:
        self._given: set[str] = set()

    def unique(self, wanted: str) -> str:
        """`wanted`, with a suffix where it is taken."""
        name, number = wanted, 1
        while name in self._given:
            number += 1
            name = f"{wanted}-{number}"
        self._given.add(name)
        return name


class NoteWriter:
    """Turns the cells of one passage into elements, in the order of the page."""

    def __init__(self, passage: Passage, divisions: int, ids: Ids) -> None:
        self._passage = passage
        self._divisions = divisions
        self._ids = ids
        self._pieces_written: dict[int, int] = {}
        self._slurs = _slur_ends(passage.slurs)
        self._signs: dict[Fraction, set[str]] = {}
        for wait in passage.waits:
            self._signs.setdefault(wait.start, set()).add(wait.sign)

    def element(self, cell: Cell) -> etree._Element:
        """The element of one cell."""
        note = None if cell.note is None else self._passage.notes[cell.note]
        element = etree.Element("note")
        if note is not None:
            element.set("id", self._id(note))
        if cell.grace and note is not None:
            etree.SubElement(element, "grace", {"slash": "yes"} if note.grace == "acciaccatura" else {})
        _pitch_or_rest(element, cell, note)
        if not cell.grace:
            etree.SubElement(element, "duration").text = str(round(cell.length * self._divisions))
        for kind, there in (("stop", cell.tie_stop), ("start", cell.tie_start)):
            if there:
                etree.SubElement(element, "tie", type=kind)
        etree.SubElement(element, "voice").text = "1"
        if not cell.whole_bar:
            _value(element, cell)
        self._notations(element, cell, note)
        return element

    def _id(self, note: Note) -> str:
        piece = self._pieces_written.get(note.index, 0)
        self._pieces_written[note.index] = piece + 1
        if piece == 0:
            return self._ids.unique(f"n{note.source}")
        if piece <= len(note.tied_sources):
            return self._ids.unique(f"n{note.tied_sources[piece - 1]}")
        return self._ids.unique(f"n{note.source}t{piece}")

    def _notations(self, element: etree._Element, cell: Cell, note: Note | None) -> None:
        notations = etree.Element("notations")
        for kind, there in (("stop", cell.tie_stop), ("start", cell.tie_start)):
            if there:
                etree.SubElement(notations, "tied", type=kind)
        if note is not None:
            self._slur_ends(notations, cell, note)
        for kind, there in (("start", cell.tuplet_starts), ("stop", cell.tuplet_ends)):
            if there:
                etree.SubElement(notations, "tuplet", type=kind, number="1")
        if note is not None:
            self._marks(notations, cell, note)
        else:
            self._silent_signs(notations, self._signs.get(cell.start, set()))
        if len(notations):
            element.append(notations)

    def _slur_ends(self, notations: etree._Element, cell: Cell, note: Note) -> None:
        for kind, number in self._slurs.get(note.index, ()):
            if (kind == "start" and not cell.tie_stop) or (kind == "stop" and not cell.tie_start):
                etree.SubElement(notations, "slur", type=kind, number=str(number))

    def _marks(self, notations: etree._Element, cell: Cell, note: Note) -> None:
        if not cell.tie_stop:
            _ornaments(notations, note, self._passage.bars[note.bar].fifths)
            if note.fingering_mark:
                technical = etree.SubElement(notations, "technical")
                etree.SubElement(technical, "fingering", placement="above").text = note.fingering_mark
            if names := sorted(note.articulations & _ARTICULATIONS):
                articulations = etree.SubElement(notations, "articulations")
                for name in names:
                    etree.SubElement(articulations, name)
        if note.fermata and not cell.tie_start:
            etree.SubElement(notations, "fermata", type="upright")

    def _silent_signs(self, notations: etree._Element, signs: set[str]) -> None:
        if names := sorted(signs & _ARTICULATIONS):
            articulations = etree.SubElement(notations, "articulations")
            for name in names:
                etree.SubElement(articulations, name)
        if "fermata" in signs:
            etree.SubElement(notations, "fermata", type="upright")


def _slur_ends(slurs: Sequence[Slur]) -> dict[int, list[tuple[str, int]]]:
    """For each note index the slurs that stop and start there, with MusicXML's numbers."""
    ends: dict[int, list[tuple[str, int]]] = {}
    running: dict[int, int] = {}
    for slur in sorted(slurs, key=lambda s: (s.first, -s.last)):
        running = {number: last for number, last in running.items() if last >= slur.first}
        number = next((n for n in range(1, _MOST_SLURS + 1) if n not in running), None)
        if number is None:
            raise ScoreError(f"more than {_MOST_SLURS} slurs at once at note {slur.first + 1}")
        running[number] = slur.last
        ends.setdefault(slur.first, []).append(("start", number))
        ends.setdefault(slur.last, []).insert(0, ("stop", number))
    return ends


def _pitch_or_rest(element: etree._Element, cell: Cell, note: Note | None) -> None:
    if note is None:
        etree.SubElement(element, "rest", {"measure": "yes"} if cell.whole_bar else {})
        return
    pitch = etree.SubElement(element, "pitch")
    etree.SubElement(pitch, "step").text = note.written.step
    if note.written.alter:
        etree.SubElement(pitch, "alter").text = str(note.written.alter)
    etree.SubElement(pitch, "octave").text = str(note.written.octave)


def _value(element: etree._Element, cell: Cell) -> None:
    etree.SubElement(element, "type").text = TYPES[cell.value]
    for _ in range(cell.dots):
        etree.SubElement(element, "dot")
    if cell.accidental:
        accidental = etree.SubElement(element, "accidental")
        accidental.text = cell.accidental
        if cell.courtesy:
            accidental.set("cautionary", "yes")
    if cell.tuplet:
        ratio = etree.SubElement(element, "time-modification")
        etree.SubElement(ratio, "actual-notes").text = str(cell.tuplet[0])
        etree.SubElement(ratio, "normal-notes").text = str(cell.tuplet[1])
    for level, kind in enumerate(cell.beams, start=1):
        etree.SubElement(element, "beam", number=str(level)).text = kind


def _ornaments(notations: etree._Element, note: Note, fifths: int) -> None:
    names = sorted(note.ornaments & _ORNAMENTS - ({"trill-mark"} if note.trill else set()))
    if not names and note.trill is None:
        return
    ornaments = etree.SubElement(notations, "ornaments")
    if note.trill is not None:
        etree.SubElement(ornaments, "trill-mark")
        if sign := _trill_sign(note.trill.other, fifths):
            etree.SubElement(ornaments, "accidental-mark", placement="above").text = sign
    for name in names:
        etree.SubElement(ornaments, name)


def _trill_sign(other: Pitch, fifths: int) -> str:
    """The sign over `tr`, empty where the key already says it."""
    if key_alters(fifths).get(other.step, 0) == other.alter:
        return ""
    return _ACCIDENTAL_MARKS.get(other.alter, "")
