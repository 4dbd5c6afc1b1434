"""Where a passage's pitches are not those of its file: misprints that its teacher corrected."""

from __future__ import annotations

from collections.abc import Mapping

from lxml import etree

from companion.passage import Passage, Pitch
from companion.scores.musicxml_notes import read_pitch

__all__ = ["correct", "misprints"]

#: Semitones -> MusicXML 4.0 accidental.
_ACCIDENTALS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
_BEFORE_ACCIDENTAL = (
    "grace", "cue", "chord", "pitch", "duration", "tie", "instrument", "footnote", "level", "voice", "type", "dot",
)  # fmt: skip


def misprints(elements: Mapping[int, etree._Element], passage: Passage, name: str) -> dict[int, Pitch]:
    """Document index -> the right pitch, for each `<note>` of the passage that has another one in the file.

    Notes tied to a corrected one are corrected with it. Of another note they may be spelled otherwise (B♭ tied to A♯).
    """
    found = {}
    for note in passage.notes:
        if _differs(elements, note.source, note.written, name):
            sources = (note.source, *note.tied_sources)
            found.update({s: note.written for s in sources if _differs(elements, s, note.written, name)})
    return found


def _differs(elements: Mapping[int, etree._Element], source: int, pitch: Pitch, name: str) -> bool:
    element = elements.get(source)
    if element is None or element.find("pitch") is None:
        return False
    printed, _ = read_pitch(element, file=name, bar="")
    return printed != pitch


def correct(note: etree._Element, pitch: Pitch) -> None:
    """Give a note another pitch, with its accidental: after a misprint it is better said than guessed."""
    for old in note.findall("accidental"):
        note.remove(old)
    written = note.find("pitch")
    assert written is not None
    for child in list(written):
        written.remove(child)
    etree.SubElement(written, "step").text = pitch.step
    if pitch.alter:
        etree.SubElement(written, "alter").text = str(pitch.alter)
    etree.SubElement(written, "octave").text = str(pitch.octave)
    accidental = etree.Element("accidental")
    accidental.text = _ACCIDENTALS[pitch.alter]
    place = next((i for i, child in enumerate(note) if child.tag not in _BEFORE_ACCIDENTAL), len(note))
    note.insert(place, accidental)
