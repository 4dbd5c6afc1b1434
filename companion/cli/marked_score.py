"""The score with fingering marks: where it may be written, and writing it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from companion.errors import UsageError

if TYPE_CHECKING:
    from companion.cli.opening import Opened
    from companion.planning.model import Plan

__all__ = ["check_target", "write_marked"]


def check_target(out: Path, origin: str) -> None:
    """Raises `UsageError` where the marked score of the file `origin` can't be written to `out`: nothing else should
    have been written by then."""
    real = Path(os.path.realpath(out))
    if real.is_dir():
        raise UsageError(f"--musicxml {out}: that is a folder; name a file in it, such as marked.musicxml")
    if real.exists() and os.path.samefile(real, origin):
        raise UsageError(f"--musicxml {out}: that is the score itself; give another name, and the score stays as it is")
    with open(origin, "rb") as file:
        packed = file.read(2) == b"PK"
    if out.suffix.lower() not in ((".mxl",) if packed else (".musicxml", ".xml")):
        wanted = ".mxl, as the score is packed" if packed else ".musicxml or .xml, as the score is not packed"
        raise UsageError(f"--musicxml {out}: let its name end in {wanted}")
    if real.exists() and not real.is_file():
        raise UsageError(f"--musicxml {out}: is a pipe or a device, not a file; give another name")
    if not os.access(real.parent, os.W_OK | os.X_OK):
        raise UsageError(f"{out}: can't be written; name a file in a folder that exists and is yours")


def write_marked(opened: Opened, plan: Plan, out: Path) -> str:
    """Write the score with the plan's marks, and say so. Marks of ours that stand in it give way to the plan's."""
    from companion.planning import printed_texts
    from companion.planning.printed import is_printed_text
    from companion.practice.words import number_of
    from companion.record.files import replace_synced
    from companion.scores import marked_musicxml

    texts = printed_texts(opened.passage, plan)
    # A fingering that the score has and the plan has not would stand beside the teacher's, or without a reason.
    marks = {note.source: texts.get(note.source, "") for note in opened.passage.notes}
    written = {text for note in opened.passage.notes for text in note.fingering_mark.split(" / ")}
    ours = sorted(text for text in written if is_printed_text(text, opened.chart))
    content = marked_musicxml(opened.passage, marks, ours)
    try:
        replace_synced(Path(os.path.realpath(out)), content)
    except OSError as error:
        raise UsageError(f"{out}: can't be written ({error.strerror}); name a file in a folder that exists") from error
    corrected = " and the corrected misprints" if opened.marked.corrections else ""
    return f"{out}: the score with {number_of(len(texts), 'fingering mark')}{corrected}."
