"""A copy of a MusicXML file cut down to what is played, for the engraver.

Each measure is laid out anew from the places of its elements in time, so that nothing moves when other voices, and with
them their `<backup>` and `<forward>`, are gone. Lengths are written exactly, also where the file rounded them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from copy import deepcopy
from dataclasses import dataclass
from fractions import Fraction
from math import lcm

from lxml import etree

from companion.errors import ScoreError
from companion.passage import Passage
from companion.scores.lines import Line, LineNote, line_of, melody
from companion.scores.misprints import correct, misprints
from companion.scores.musicxml import ScorePart, document, score_parts, take_just_read, with_all_signs
from companion.scores.musicxml_directions import metronome_in_words
from companion.scores.notexml import TYPES
from companion.scores.rhythm import value_of
from companion.scores.written import Placed, WrittenBar, WrittenNote, WrittenPart

__all__ = ["engraving_copy"]

_KEPT = {"attributes", "direction", "barline", "sound"}
_LEFT_OUT_OF_NOTES = ("lyric", "staff", "instrument", "listen", "play", "chord", "cue")
#: Multiple rests would hide bars from the engraver, repeat signs for bars and slashes the notes that are played.
_LEFT_OUT_OF_ATTRIBUTES = (
    "divisions",
    "transpose",
    "for-part",
    "staves",
    "instruments",
    "part-symbol",
    "measure-style",
    "footnote",
    "level",
)
#: What comes after the dots of a note (MusicXML 4.0).
_AFTER_DOTS = ("dot", "accidental", "time-modification", "stem", "notehead", "notehead-text", "beam", "notations")
_MEASURE_ATTRIBUTES = ("number", "implicit", "non-controlling")
_MAX_DIVISIONS = 1_000_000
_FALLBACK_DIVISIONS = 10_080
_FIRST, _NOTE, _LAST = 0, 1, 2


def engraving_copy(data: bytes, name: str, passage: Passage) -> bytes:
    """The document described at `companion.scores.for_engraving`, from the bytes of the passage's file.

    A bar in which the line is silent without a written rest gets one, with the id `r<written index>`.
    """
    kept = take_just_read(data)
    root = kept.root if kept else document(data, name)
    parts = score_parts(root)
    part = _part_of(passage, root, parts, name)
    if kept and kept.element is part.element:
        written = kept.part
    else:
        written, _ = with_all_signs(part, parts, file=name)
    line = _line_of(passage, written, name)
    notes, _ = melody(written, line)
    _drop_unpaired_slurs(notes, part.element)
    _pair_ties(notes, part.element)
    copier = _Copier(part.element, line, notes, _divisions(written, notes))
    for source, pitch in misprints(copier.elements, passage, name).items():
        correct(copier.elements[source], pitch)
    score = etree.Element("score-partwise", {"version": "4.0"})
    listed = etree.SubElement(etree.SubElement(score, "part-list"), "score-part", {"id": "P1"})
    etree.SubElement(listed, "part-name").text = ""
    copy = etree.SubElement(score, "part", {"id": "P1"})
    copy.extend(copier.measures(written))
    return bytes(etree.tostring(score, xml_declaration=True, encoding="UTF-8"))


def _part_of(passage: Passage, root: etree._Element, parts: Sequence[ScorePart], name: str) -> ScorePart:
    wanted = f"n{passage.notes[0].source}" if passage.notes else None
    for part in parts:
        if wanted is None:
            if part.part_id == passage.part_id:
                return part
        elif any(note.get("id") == wanted for note in part.element.iterfind("measure/note")):
            return part
    raise ScoreError("does not hold the notes of this passage; open it again", file=name)


def _line_of(passage: Passage, written: WrittenPart, name: str) -> Line:
    source = passage.notes[0].source if passage.notes else None
    notes = (note for bar in written.bars for note in bar.notes)
    found = next((note for note in notes if source is None or note.source == source), None)
    if found is None:
        raise ScoreError("does not hold the notes of this passage; open it again", file=name)
    return line_of(found)


def _divisions(written: WrittenPart, notes: Sequence[LineNote]) -> int:
    """Divisions of a quarter in which every place and length of the line is a whole number, as far as that is
    sensible."""
    divisions = 1
    beats = [(bar.begins, bar.length) for bar in written.bars] + [(i.note.onset, i.note.length) for i in notes]
    for pair in beats:
        for fraction in pair:
            divisions = lcm(divisions, fraction.denominator)
            if divisions > _MAX_DIVISIONS:
                return _FALLBACK_DIVISIONS
    return divisions


def _drop_unpaired_slurs(notes: Sequence[LineNote], part: etree._Element) -> None:
    """Take away slurs that would run on: those without an end among the notes drawn. An end without a start is kept: in
    a later ending it belongs to the slur before the first one."""
    wanted = {source for item in notes for source in item.chord}
    open_slurs: dict[str, etree._Element] = {}
    paired: set[etree._Element] = set()
    slurs: list[etree._Element] = []
    for note in part.iterfind("measure/note"):
        if int(note.get("id", "n0")[1:]) not in wanted:
            continue
        here = list(note.iterfind("notations/slur"))
        slurs += here
        for slur in here:
            if slur.get("type") == "stop" and (start := open_slurs.pop(slur.get("number", "1"), None)) is not None:
                paired |= {start, slur}
        open_slurs.update({slur.get("number", "1"): slur for slur in here if slur.get("type") == "start"})
    for slur in slurs:
        parent = slur.getparent()
        if slur not in paired and slur.get("type") == "start" and parent is not None:
            parent.remove(slur)


def _pair_ties(notes: Sequence[LineNote], part: etree._Element) -> None:
    """Let ties be drawn where notes are joined: an end that the start implies is added, loose ends are taken away."""
    elements = {int(note.get("id", "n0")[1:]): note for note in part.iterfind("measure/note")}
    for i, item in enumerate(notes):
        following = notes[i + 1].note if i + 1 < len(notes) else None
        goes_on = item.note.tie_start and following is not None and _same_pitch(item.note, following)
        if goes_on and following is not None and not following.tie_stop:
            _notations(elements[following.source]).insert(0, etree.Element("tied", {"type": "stop"}))
        elif item.note.tie_start and not goes_on and not (following is not None and following.grace):
            for tied in elements[item.note.source].findall("notations/tied"):
                parent = tied.getparent()
                if tied.get("type") == "start" and parent is not None:
                    parent.remove(tied)


def _same_pitch(one: WrittenNote, other: WrittenNote) -> bool:
    return one.pitch is not None and other.pitch is not None and one.pitch.midi == other.pitch.midi


@dataclass(frozen=True, slots=True)
class _Item:
    """Something to be put into the measure: `rank` orders what stands at one place in time."""

    onset: Fraction
    rank: int
    element: etree._Element
    length: Fraction = Fraction(0)


class _Copier:
    """Copies measures; takes the elements it needs out of the tree it was given."""

    def __init__(self, part: etree._Element, line: Line, notes: Sequence[LineNote], divisions: int) -> None:
        self.originals = part.findall("measure")
        self.elements = {int(n.get("id", "n0")[1:]): n for n in part.iterfind("measure/note")}
        self.line = line
        self.chords = {item.note.source: item for item in notes}
        self.divisions = divisions

    def measures(self, written: WrittenPart) -> Iterator[etree._Element]:
        pieces: dict[int, list[WrittenBar]] = {}
        for bar in written.bars:
            pieces.setdefault(bar.index, []).append(bar)
        for index, original in enumerate(self.originals):
            kept = {key: original.get(key, "") for key in _MEASURE_ATTRIBUTES if key in original.attrib}
            measure = etree.Element("measure", {**kept, "id": f"m{index}"})
            measure.extend(self.content(index, pieces[index]))
            if index == 0:
                _set_divisions(measure, self.divisions)
            yield measure

    def content(self, index: int, pieces: Sequence[WrittenBar]) -> Iterator[etree._Element]:
        items = list(self.signs(pieces[0].placed)) + [item for piece in pieces for item in self.notes(piece)]
        if not any(item.rank == _NOTE for item in items):
            length = sum((piece.length for piece in pieces), Fraction(0))
            items.append(_Item(Fraction(0), _NOTE, _bar_rest(index), length))
        at = Fraction(0)
        for item in sorted(items, key=lambda item: (item.onset, item.rank)):
            if item.rank == _NOTE and item.onset != at:
                yield self.shift(item.onset - at)
                at = item.onset
            if item.length:
                _set_duration(item.element, self.count(item.length))
            yield item.element
            at += item.length

    def count(self, beats: Fraction) -> str:
        """Beats in divisions."""
        return str(max(1, round(beats * self.divisions)))

    def shift(self, beats: Fraction) -> etree._Element:
        element = etree.Element("forward" if beats > 0 else "backup")
        etree.SubElement(element, "duration").text = self.count(abs(beats))
        return element

    # --- signs ------------------------------------------------------------------------------------------------------

    def signs(self, placed: Iterable[Placed]) -> Iterator[_Item]:
        for one in placed:
            if one.element.tag not in _KEPT or not self.on_staff(one.element):
                continue
            element = deepcopy(one.element)
            _drop(element, ("staff", "voice"))
            _with_plain_marks(element)
            if element.tag == "attributes" and not self.attributes(element):
                continue
            for offset in element.iter("offset"):
                offset.text = str(round(one.offset * self.divisions))
            last = element.tag == "barline" and element.get("location", "right") == "right"
            yield _Item(one.onset, _LAST if last else _FIRST, element)

    def on_staff(self, element: etree._Element) -> bool:
        staff = (element.findtext("staff") or "").strip()
        return staff in ("", str(self.line.staff))

    def attributes(self, element: etree._Element) -> bool:
        """Keep what concerns the staff drawn; returns whether anything is left."""
        _drop(element, _LEFT_OUT_OF_ATTRIBUTES)
        for child in list(element):
            everywhere = "1" if child.tag in ("clef", "staff-details") else str(self.line.staff)
            if child.get("number", everywhere) != str(self.line.staff):
                element.remove(child)
            elif "number" in child.attrib:
                del child.attrib["number"]
        return len(element) > 0

    # --- notes ------------------------------------------------------------------------------------------------------

    def notes(self, piece: WrittenBar) -> Iterator[_Item]:
        for note in piece.notes:
            if line_of(note) != self.line:
                continue
            element = self.elements[note.source]
            if note.kind != "note":
                if not note.chord and not note.grace:
                    yield self.item(piece, note, _as_rest(element, note.kind))
            elif (chosen := self.chords.get(note.source)) is not None:
                for source in chosen.chord:
                    if source != note.source:
                        _take_over(element, self.elements[source])
                yield self.item(piece, chosen.note, element)

    def item(self, piece: WrittenBar, note: WrittenNote, element: etree._Element) -> _Item:
        _drop(element, _LEFT_OUT_OF_NOTES)
        _with_type(element, note.length)
        voice = element.find("voice")
        if voice is not None:
            voice.text = "1"
        return _Item(piece.begins + note.onset, _NOTE, element, note.length)


def _drop(element: etree._Element, tags: Iterable[str]) -> None:
    for tag in tags:
        for child in element.findall(tag):
            element.remove(child)


def _with_type(note: etree._Element, length: Fraction) -> None:
    """Without its type a note is drawn as a bare head."""
    rest = note.find("rest")
    if note.find("type") is not None or not length or (rest is not None and rest.get("measure") == "yes"):
        return
    if (value := value_of(length)) is None or value[0] not in TYPES:
        return
    _drop(note, ("dot",))
    for tag in ("type", *["dot"] * value[1]):
        child = etree.Element(tag)
        child.text = TYPES[value[0]] if tag == "type" else None
        _insert_before(note, child, _AFTER_DOTS)


def _with_plain_marks(direction: etree._Element) -> None:
    """Metronome marks that the engraver leaves out, or draws without what is tied to their unit, in words."""
    for metronome in direction.findall("direction-type/metronome"):
        parent = metronome.getparent()
        strange = metronome.find("metronome-note") is not None or metronome.find("beat-unit-tied") is not None
        if parent is not None and strange and (text := metronome_in_words(metronome)):
            words = etree.Element("words")
            words.text = text
            parent.replace(metronome, words)


def _set_duration(note: etree._Element, text: str) -> None:
    duration = note.find("duration")
    if duration is not None:
        duration.text = text


def _set_divisions(measure: etree._Element, divisions: int) -> None:
    attributes = measure.find("attributes")
    if attributes is None:
        attributes = etree.Element("attributes")
        measure.insert(0, attributes)
    element = etree.Element("divisions")
    element.text = str(divisions)
    attributes.insert(0, element)


def _bar_rest(index: int) -> etree._Element:
    note = etree.Element("note", {"id": f"r{index}"})
    etree.SubElement(note, "rest", {"measure": "yes"})
    etree.SubElement(note, "duration").text = "1"
    return note


def _as_rest(element: etree._Element, kind: str) -> etree._Element:
    """A cue note, an unpitched or a hidden one is not played: a rest is drawn in its place."""
    if kind != "rest":
        for tag in ("pitch", "unpitched"):
            for child in element.findall(tag):
                element.replace(child, etree.Element("rest"))
        _drop(element, ("tie", "accidental", "stem", "notehead", "beam"))
        for sign in element.findall("notations/*"):
            if sign.tag != "fermata":
                sign.getparent().remove(sign)
    return element


def _take_over(top: etree._Element, other: etree._Element) -> None:
    """Give the top note of a chord what is written at another note of it, ties and fingerings aside."""
    if top.find("beam") is None:
        for beam in other.findall("beam"):
            _insert_before(top, beam, ("notations", "lyric"))
    for notations in other.findall("notations"):
        for child in list(notations):
            if child.tag not in ("tied", "technical", "arpeggiate", "non-arpeggiate"):
                _notations(top).append(child)


def _notations(note: etree._Element) -> etree._Element:
    found = note.find("notations")
    if found is None:
        found = etree.Element("notations")
        _insert_before(note, found, ("lyric",))
    return found


def _insert_before(parent: etree._Element, child: etree._Element, tags: Sequence[str]) -> None:
    place = next((i for i, other in enumerate(parent) if other.tag in tags), len(parent))
    parent.insert(place, child)
