"""Writing into a mark sheet: a fingering, a comment, a correction; the teacher's own comments and layout stay."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit
import tomlkit.exceptions

from companion.errors import MarksError, UsageError
from companion.passage import Passage, Pitch
from companion.record.marks import FORMAT, Place, parse, place_of, read_bytes, resolve
from companion.record.toml_edit import edit_file, with_new_table

__all__ = ["set_comment", "set_correction", "set_fingering"]

_NEW_SHEET = """# Marks on {title}: fingerings, comments and misprints. Edit it with any text editor:
# `companion fingerings` and the stand follow it. Notes are counted as struck, from 1, or from the bar's end with -1.
format = {format}
"""


def set_fingering(path: Path, passage: Passage, note_index: int, name: str | None, why: str = "") -> None:
    """Fix the fingering of a note, every time it is played; None takes the mark away.

    Parameters
    ----------
    path
        The mark sheet; it is made where there is none.
    passage
        The passage, as printed or corrected.
    note_index
        Index into `Passage.notes`.
    name
        Name or mark of the fingering.
    why
        The teacher's reason. A former one goes with the fingering that it was for.

    Raises
    ------
    MarksError
        If the sheet is faulty before (it is not touched then) or can't be written.
    """
    _set(path, passage, note_index, "fingering", {"use": name, **({"why": why} if why else {})} if name else None)


def set_comment(path: Path, passage: Passage, note_index: int, text: str | None) -> None:
    """Write a comment at a note; None takes it away. Raises as `set_fingering` does."""
    _set(path, passage, note_index, "comment", {"text": text} if text else None)


def set_correction(path: Path, passage: Passage, note_index: int, pitch: Pitch | None, why: str = "") -> None:
    """Correct a misprint; None takes the correction away. Raises as `set_fingering` does."""
    values = {"to": str(pitch), **({"why": why} if why else {})} if pitch else None
    _set(path, passage, note_index, "correction", values)


def _set(path: Path, passage: Passage, note_index: int, kind: str, values: Mapping[str, str] | None) -> None:
    path = Path(os.path.realpath(path))

    def edited(old: bytes | None) -> bytes | None:
        return _edited(path, old, passage, note_index, kind, values)

    edit_file(path, edited, read_bytes, MarksError, "set the mark")


def _edited(
    path: Path, old: bytes | None, passage: Passage, note_index: int, kind: str, values: Mapping[str, str] | None
) -> bytes | None:
    if old is None:
        if values is None:
            return None
        text = _NEW_SHEET.format(format=FORMAT, title=" ".join(passage.title.split()) or "a passage")
    else:
        parse(old, path)
        text = old.decode("utf-8-sig")
    try:
        document = tomlkit.parse(text)
        place = place_of(passage, note_index)
        at = _entry_at(path, text, passage, note_index, kind)
        if at is not None and values is None:
            del document[kind][at]
            if not document[kind]:
                del document[kind]
        elif at is not None and values is not None:
            entry = document[kind][at]
            if "use" in values and str(entry["use"]) != values["use"]:
                entry.pop("why", None)
            entry.update(values)
        elif values is not None:
            text = with_new_table(document, kind, _place_values(passage, note_index, place) | dict(values))
            document = tomlkit.parse(text)
    except tomlkit.exceptions.TOMLKitError as error:
        raise MarksError(str(path), [f"can't be edited keeping its layout ({error}); edit it by hand"]) from error
    try:
        new = tomlkit.dumps(document).encode()
    except UnicodeEncodeError:
        raise UsageError("a mark's text is no UTF-8, as a mark sheet is: write it anew") from None
    parse(new, path)
    return new


def _place_values(passage: Passage, note_index: int, place: Place) -> dict[str, Any]:
    which = {"which": place.which} if place.which > 1 else {}
    return {"bar": place.bar, **which, "note": place.note, "pitch": str(passage.notes[note_index].written)}


def _entry_at(path: Path, text: str, passage: Passage, note_index: int, kind: str) -> int | None:
    """The place in its list of the entry that speaks about the note, all times it is played."""
    sheet = parse(text.encode("utf-8", "surrogateescape"), path)
    source = passage.notes[note_index].source
    same = [mark for mark in sheet.marks if mark.kind == kind]
    for at, mark in enumerate(same):
        if mark.time:
            continue
        alone = resolve(type(sheet)(path, (mark,)), passage)
        found = {passage.notes[index].source for index in (*alone.fingerings, *alone.comments)} | set(alone.corrections)
        if source in found or (kind == "correction" and mark.place == place_of(passage, note_index)):
            return at
    return None
