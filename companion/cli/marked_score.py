"""The score with fingering marks: where it may be written, and writing it."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from companion.errors import CompanionError, UsageError

if TYPE_CHECKING:
    from companion.cli.opening import Opened
    from companion.planning.model import Plan

__all__ = ["PLAIN", "check_output", "check_target", "write_marked", "write_output"]

#: Endings of MusicXML that isn't packed.
PLAIN = (".musicxml", ".xml")


def check_target(out: Path, opened: Opened) -> None:
    """Raises `UsageError` where the marked score can't be written to `out`, or other music would be lost by it: nothing
    else should have been written by then."""
    origin = opened.passage.origin
    with open(origin, "rb") as file:
        packed = file.read(2) == b"PK"
    if packed:
        check_output("--musicxml", out, origin, (".mxl",), ".mxl, as the score is packed")
    else:
        check_output("--musicxml", out, origin, PLAIN, ".musicxml or .xml, as the score is not packed")
    if os.path.exists(out) and out.stat().st_size and not _is_copy(out, opened):
        raise UsageError(f"--musicxml {out}: is there already and no copy of this score; give another name")


def _is_copy(file: Path, opened: Opened) -> bool:
    """Whether the file has the rhythm of this passage, as its marked and corrected copies have."""
    from companion.scores import read

    try:
        there = read(file, opened.part)
    except CompanionError:
        return False
    return [(n.start, n.length) for n in there.notes] == [(n.start, n.length) for n in opened.passage.notes]


def check_output(option: str, out: Path, origin: str, endings: Sequence[str], wanted: str) -> None:
    """Raises `UsageError` where nothing made of the file `origin` (empty: of no file alone) can be written to `out`,
    given by `option`; `wanted` says how its name is to end."""
    real = Path(os.path.realpath(out))
    if os.path.isdir(real):
        raise UsageError(f"{option} {out}: that is a folder; name a file in it, such as etude{endings[0]}")
    if origin and os.path.exists(real) and os.path.samefile(real, origin):
        raise UsageError(f"{option} {out}: that is the score itself; give another name, and the score stays as it is")
    if out.suffix.lower() not in endings:
        raise UsageError(f"{option} {out}: let its name end in {wanted}")
    if os.path.exists(real) and not os.path.isfile(real):
        raise UsageError(f"{option} {out}: is a pipe or a device, not a file; give another name")
    if not os.access(real.parent, os.W_OK | os.X_OK):
        raise UsageError(f"{out}: can't be written; name a file in a folder that exists and is yours")


def write_output(out: Path, content: bytes) -> None:
    """Put `content` in the file's place as a whole. Raises `UsageError` where it can't be written."""
    from companion.record.files import replace_synced

    try:
        replace_synced(Path(os.path.realpath(out)), content)
    except OSError as error:
        raise UsageError(f"{out}: can't be written ({error.strerror}); name a file in a folder that exists") from error


def write_marked(opened: Opened, plan: Plan, out: Path) -> str:
    """Write the score with the plan's marks, and say so. Marks of ours that stand in it give way to the plan's."""
    from companion.planning import printed_texts
    from companion.planning.printed import is_printed_text
    from companion.practice.words import number_of
    from companion.scores import marked_musicxml

    texts = printed_texts(opened.passage, plan)
    # A fingering that the score has and the plan has not would stand beside the teacher's, or without a reason.
    marks = {note.source: texts.get(note.source, "") for note in opened.passage.notes}
    written = {text for note in opened.passage.notes for text in note.fingering_mark.split(" / ")}
    ours = sorted(text for text in written if is_printed_text(text, opened.chart))
    content = marked_musicxml(opened.passage, marks, ours)
    write_output(out, content)
    corrected = " and the corrected misprints" if opened.marked.corrections else ""
    return f"{out}: the score with {number_of(len(texts), 'fingering mark')}{corrected}."
