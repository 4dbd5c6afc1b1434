"""Fingering marks written into a MusicXML file, everything else in it left as it is, byte for byte.

The file is not parsed and written anew: the places are found with expat, and `<technical><fingering>` is put in there.
`<fingering>` may hold any text (MusicXML 4.0), and it is what other notation programs keep.

What is there already
---------------------
* The same mark at the note: nothing is written.
* Another mark of ours (the caller says which texts are): it is replaced, or with an empty text taken away.
* Anything else, such as finger numbers: it stays, and ours is put beside it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from xml.parsers import expat
from xml.sax.saxutils import escape

from companion.errors import ScoreError
from companion.passage import Pitch
from companion.scores import mxl
from companion.scores.guards import one_line, parse_xml

__all__ = ["with_fingerings"]

_AFTER_NOTATIONS = ("lyric", "play", "listen")
_BLANKS = b" \t\r\n"
_BOM = b"\xef\xbb\xbf"


def with_fingerings(
    data: bytes,
    name: str,
    marks: Mapping[int, str],
    pitches: Mapping[int, Pitch] | None = None,
    ours: Sequence[str] = (),
) -> bytes:
    """The file with fingering marks.

    Parameters
    ----------
    data
        A MusicXML file, plain or packed (.mxl). Of a packed one all other members stay as they are.
    name
        Its name for messages.
    marks
        Document index of a `<note>` (`Note.source`) -> the text of its fingering; an empty text takes one of ours away.
    pitches
        Document index -> the pitch to write, for misprints.
    ours
        Texts of fingerings that may be replaced.

    Raises
    ------
    ScoreError
        For a file that can't be parsed, or a note that isn't in it.
    """
    if data.startswith(b"PK"):
        return mxl.repack(data, name, lambda score: with_fingerings(score, name, marks, pitches, ours))
    parse_xml(data, name)
    found = _find(data, name, {*marks, *(pitches or {})})
    edits: list[_Edit] = []
    for source, text in marks.items():
        edits += _fingering_edits(found, found.notes[source], text, ours)
    for source, pitch in (pitches or {}).items():
        edits += _pitch_edits(found, found.notes[source], pitch)
    return _edited(data, edits)


@dataclass(frozen=True, slots=True)
class _Edit:
    """Bytes `start` to `end` are replaced by `new`; nothing is replaced where they are equal."""

    start: int
    end: int
    new: bytes


def _edited(data: bytes, edits: Sequence[_Edit]) -> bytes:
    pieces, at = [], 0
    for edit in sorted(edits, key=lambda edit: (edit.start, edit.end)):
        pieces += [data[at : edit.start], edit.new]
        at = edit.end
    return b"".join([*pieces, data[at:]])


@dataclass(slots=True)
class _Element:
    """Where an element stands: its first byte, the first byte of its end tag (of its own where it closes itself), its
    text and its children."""

    tag: str
    start: int
    end_tag: int = -1
    text: str = ""
    children: list[_Element] = field(default_factory=list)

    def child(self, tag: str) -> _Element | None:
        """The first child of that name."""
        return next((child for child in self.children if child.tag == tag), None)

    def all(self, tag: str) -> list[_Element]:
        """All children of that name."""
        return [child for child in self.children if child.tag == tag]


@dataclass(slots=True)
class _Found:
    """The notes asked for, in a file of this encoding."""

    data: bytes
    encoding: str
    notes: dict[int, _Element]

    @property
    def wide(self) -> bool:
        """Two bytes a character."""
        return self.encoding.startswith("utf-16")

    def encode(self, text: str) -> bytes:
        """The text in the file's encoding; what it lacks as character references."""
        return text.encode(self.encoding, "xmlcharrefreplace")

    def tag_end(self, start: int) -> int:
        """The first byte after the tag that begins at `start`."""
        step = 2 if self.wide else 1
        quote, at = "", start
        while at < len(self.data):
            character = self.data[at : at + step].decode(self.encoding, "replace") if self.wide else chr(self.data[at])
            at += step
            if quote:
                quote = "" if character == quote else quote
            elif character in "\"'":
                quote = character
            elif character == ">":
                return at
        return at

    def closes_itself(self, element: _Element) -> bool:
        """Is it written as `<tag/>`?"""
        return element.end_tag == element.start

    def after(self, element: _Element) -> int:
        """The first byte after the element."""
        return self.tag_end(element.end_tag)

    def indent_before(self, at: int) -> tuple[int, str]:
        """Where blanks before `at` begin, and these blanks, where they hold a line's end; else `at` and nothing."""
        if self.wide:
            return at, ""
        begin = at
        while begin and self.data[begin - 1 : begin] in (b" ", b"\t", b"\r", b"\n"):
            begin -= 1
        blanks = self.data[begin:at]
        return (begin, blanks.decode("ascii")) if b"\n" in blanks and blanks.strip(_BLANKS) == b"" else (at, "")


def _find(data: bytes, name: str, wanted: set[int]) -> _Found:
    # With a separator, elements of a foreign namespace come as "uri tag": a <note> among them is no note of the score.
    parser = expat.ParserCreate("utf-8" if data.startswith(_BOM) else None, " ")
    parser.buffer_text = True
    found = _Found(data, _encoding(data), {})
    state = {"count": -1}
    path: list[_Element] = []

    slash = found.encode("/>")

    def start(tag: str, _attributes: object) -> None:
        if tag == "note":
            state["count"] += 1
            if not path and state["count"] in wanted:
                path.append(_Element(tag, parser.CurrentByteIndex))
                found.notes[state["count"]] = path[0]
                return
        if path:
            element = _Element(tag, parser.CurrentByteIndex)
            path[-1].children.append(element)
            path.append(element)

    def end(_tag: str) -> None:
        if path:
            element, at = path.pop(), parser.CurrentByteIndex
            # After a tag that closes itself expat stands behind it.
            closed = at == found.tag_end(element.start) and data[at - len(slash) : at] == slash
            element.end_tag = element.start if closed else at

    def text(characters: str) -> None:
        if path:
            path[-1].text += characters

    parser.StartElementHandler, parser.EndElementHandler, parser.CharacterDataHandler = start, end, text
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        raise ScoreError(f"can't be marked ({one_line(str(error))}); export it as UTF-8 again", file=name) from None
    missing = wanted - set(found.notes)
    if missing:
        raise ScoreError(f"does not hold the notes to be marked ({min(missing)}); open it again", file=name)
    return found


def _encoding(data: bytes) -> str:
    """What the file is read as: by its byte order mark, else by its declaration, else UTF-8."""
    if data.startswith((b"\xff\xfe", b"<\x00")):
        return "utf-16-le"
    if data.startswith((b"\xfe\xff", b"\x00<")):
        return "utf-16-be"
    declaration = data[: data.find(b"?>")] if data.lstrip(_BOM).startswith(b"<?xml") else b""
    named = re.search(rb"""\sencoding\s*=\s*["']([A-Za-z0-9._-]+)["']""", declaration)
    # A byte order mark says UTF-8, whatever is declared behind it (so does lxml, which read the score).
    return named[1].decode("ascii").lower() if named and not data.startswith(_BOM) else "utf-8"


def _fingering_edits(found: _Found, note: _Element, text: str, ours: Sequence[str]) -> list[_Edit]:
    notations = note.all("notations")
    technicals = [technical for element in notations for technical in element.all("technical")]
    there = [fingering for technical in technicals for fingering in technical.all("fingering")]
    known = {mark.casefold() for mark in ours}
    replaceable = [f for f in there if f.text.strip().casefold() in known]
    kept = next((f for f in there if text and f.text.strip() == text), None)
    if kept is None and text and replaceable:
        kept = replaceable[0]
        edits = [_Edit(found.tag_end(kept.start), kept.end_tag, found.encode(escape(text)))]
    else:
        edits = []
    # Two of ours at one note would contradict each other.
    edits += [_Edit(found.indent_before(f.start)[0], found.after(f), b"") for f in replaceable if f is not kept]
    if kept is not None or not text:
        return edits
    fingering = f"<fingering>{escape(text)}</fingering>"
    if technicals:
        return [_into(found, technicals[0], fingering)]
    technical = f"<technical>{fingering}</technical>"
    if notations:
        return [_into(found, notations[0], technical)]
    before = next((child.start for child in note.children if child.tag in _AFTER_NOTATIONS), note.end_tag)
    at, blanks = found.indent_before(before)
    # Before a lyric the blanks are those of a child, before the end of the note those of the note itself.
    deeper = "" if before != note.end_tag or not blanks else "  "
    return [_Edit(at, at, found.encode(f"{blanks}{deeper}<notations>{technical}</notations>"))]


def _into(found: _Found, parent: _Element, child: str) -> _Edit:
    """The child as the parent's last."""
    if found.closes_itself(parent):
        end = found.tag_end(parent.start)
        slash = end - len(found.encode("/>"))
        return _Edit(slash, end, found.encode(f">{child}</{parent.tag}>"))
    at, blanks = found.indent_before(parent.end_tag)
    return _Edit(at, at, found.encode(f"{blanks}{'  ' if blanks else ''}{child}"))


def _pitch_edits(found: _Found, note: _Element, pitch: Pitch) -> list[_Edit]:
    written = note.child("pitch")
    step, octave = (written.child(tag) if written else None for tag in ("step", "octave"))
    if written is None or step is None or octave is None:
        return []
    edits = [_text_edit(found, step, pitch.step), _text_edit(found, octave, str(pitch.octave))]
    alter = written.child("alter")
    if alter is not None:
        edits.append(_text_edit(found, alter, str(pitch.alter)))
    elif pitch.alter:
        at = found.after(step)
        _, blanks = found.indent_before(octave.start)
        edits.append(_Edit(at, at, found.encode(f"{blanks}<alter>{pitch.alter}</alter>")))
    accidental = note.child("accidental")
    if accidental is not None:
        # It was that of the misprint; whether another is needed, the notation program knows.
        edits.append(_Edit(found.indent_before(accidental.start)[0], found.after(accidental), b""))
    return edits


def _text_edit(found: _Found, element: _Element, text: str) -> _Edit:
    return _Edit(found.tag_end(element.start), element.end_tag, found.encode(text))
