"""Scores: bytes in, passage out, and a passage back to something that can be engraved.

A file is known by what it holds, not by its suffix. Another format is one reader and one line in `READERS`.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path
from typing import cast

from companion.errors import ScoreError
from companion.passage import Passage

__all__ = ["READERS", "Reader", "for_engraving", "marked_musicxml", "read"]

_XML_STARTS = (b"<", b"\xef\xbb\xbf<", b"\xff\xfe<\x00", b"\xfe\xff\x00<", b"<\x00", b"\x00<")


@dataclass(frozen=True, slots=True)
class Reader:
    """`recognises` looks at the first bytes; `function`, in `module`, takes bytes, the file's name for messages and a
    part."""

    recognises: Callable[[bytes], bool]
    module: str
    function: str

    def __call__(self, data: bytes, name: str, part: str | None) -> Passage:
        """Read with the module's function, loaded now."""
        return cast(Passage, getattr(import_module(self.module), self.function)(data, name, part))


#: format -> its reader
READERS = {
    "MusicXML": Reader(
        lambda data: data.startswith(b"PK") or data.lstrip(b" \t\r\n").startswith(_XML_STARTS),
        "companion.scores.musicxml",
        "read_musicxml",
    ),
    "MIDI": Reader(lambda data: data.startswith((b"MThd", b"RIFF")), "companion.scores.midifile", "read_midi"),
}


def read(path: str | os.PathLike[str], part: str | None = None) -> Passage:
    """The passage in a score file.

    Parameters
    ----------
    path : a MusicXML file (.musicxml, .xml, .mxl) or a Standard MIDI file (.mid, .midi)
    part : which part: its id, its name or its number from 1, case ignored. Of a part with several voices the main voice
        of its first staff is read; `P1/2` takes voice 2 of part P1. None takes the only part that holds notes.

    Returns
    -------
    Passage
        In playing order, `remarks` saying what was guessed or left out.

    Raises
    ------
    ScoreError
        One line: what was found, in which file and bar, what to try. Several parts and no `part`: it lists them.
    """
    from companion.scores.guards import load_bytes, one_line, sha256

    data, name = load_bytes(path)
    reader = reader_for(data)
    if reader is None:
        raise ScoreError("is neither MusicXML nor a MIDI file; export it as MusicXML (.musicxml or .mxl)", file=name)
    passage = reader(data, name, part)
    stem = one_line(Path(os.fsdecode(path)).stem, 200)
    return replace(passage, title=passage.title or stem, origin=os.fsdecode(path), sha256=sha256(data))


def reader_for(data: bytes) -> Reader | None:
    """The reader that knows such bytes, None where there is none."""
    return next((reader for reader in READERS.values() if reader.recognises(data)), None)


def for_engraving(passage: Passage) -> bytes:
    """A `<score-partwise>` document of what the passage plays, to be drawn.

    It holds one part and one voice, all its bars (also those outside an excerpt), every `<note>` with the id
    `n<document index>` and every `<measure>` with the id `m<written index>`. A passage read from MusicXML is taken from
    its file, without credits, lyrics, chord symbols, layout and other voices; any other one is written anew.

    Raises
    ------
    ScoreError
        Where the file has changed since the passage was read, or is gone.
    """
    unchanged = _unchanged_file(passage)
    if unchanged is not None:
        from companion.scores.engraving_copy import engraving_copy

        return engraving_copy(*unchanged, passage)
    from companion.scores.write import to_musicxml

    return to_musicxml(passage)


def marked_musicxml(passage: Passage, marks: Mapping[int, str], ours: Sequence[str] = ()) -> bytes:
    """The passage's score with fingering marks.

    A MusicXML file keeps everything else, byte for byte but for corrected pitches; any other passage is written anew.

    Parameters
    ----------
    passage : as it is to be played: where its pitch is not the file's, the file's was a misprint
    marks : `Note.source` -> the text over the note; an empty one takes one of `ours` away
    ours : texts that may be replaced where they stand in the file already

    Raises
    ------
    ScoreError
        Where the file has changed since the passage was read, or is gone.
    """
    from companion.scores.splice import with_fingerings

    unchanged = _unchanged_file(passage)
    if unchanged is None:
        from companion.scores.guards import parse_xml
        from companion.scores.write import to_musicxml

        content = to_musicxml(passage)
        ids = [note.get("id", "") for note in parse_xml(content, passage.title).iter("note")]
        places = {int(ids[i][1:]): i for i in range(len(ids)) if ids[i][1:].isdigit()}
        texts = {places[source]: text for source, text in marks.items() if text and source in places}
        return with_fingerings(content, passage.title, texts)
    data, name = unchanged
    from companion.scores.misprints import misprints
    from companion.scores.musicxml import document

    elements = {int(note.get("id", "n0")[1:]): note for note in document(data, name).iter("note")}
    return with_fingerings(data, name, marks, misprints(elements, passage, name), ours)


def _unchanged_file(passage: Passage) -> tuple[bytes, str] | None:
    """The bytes and the name of the MusicXML file that the passage was read from; None where it wasn't from one."""
    from companion.scores.guards import load_bytes, sha256

    if not passage.origin:
        return None
    data, name = load_bytes(passage.origin)
    if passage.sha256 and sha256(data) != passage.sha256:
        raise ScoreError("has changed since it was read; open it again", file=name)
    return (data, name) if reader_for(data) is READERS["MusicXML"] else None
