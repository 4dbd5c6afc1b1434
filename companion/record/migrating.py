"""Logs of earlier formats brought up to the one that is written now, with a copy of each file kept.

A new field needs no new format: a line that lacks it is read all the same. So far there has been format 1 alone, and
`STEPS` is empty. When the meaning of a field changes, `FORMAT` is raised and the step from the format before is entered
here; `companion record migrate` then goes from step to step, for every sitting of the log.

A file of a later format is refused, not guessed at. A file is replaced as a whole, after its copy is on the disk and
every take in it could be read again; what can't be read in it stays as it is.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from companion.errors import RecordError
from companion.record.codec import FORMAT, NOTE_FIELDS, decode_line, dump_line, take_from
from companion.record.files import make_dir_synced, replace_synced
from companion.record.log import log_files
from companion.record.log_folder import kept_folder, only_writer_of_log
from companion.record.raw_lines import SITTING, TAKE, RawLine, format_of, is_log, raw_lines
from companion.record.rewriting import rewrite

__all__ = ["STEPS", "Migrated", "Step", "migrate"]

#: A line of one format, decoded, as one of the next; `kind` is `sitting` or `take`.
Step = Callable[[dict[str, Any]], dict[str, Any]]
#: format -> the step from it to the next one
STEPS: Mapping[int, Step] = {}


@dataclass(slots=True)
class Migrated:
    """What was done.

    `now` are files that were brought up to date, `copies` where their content before is kept, `fine` how many needed
    nothing. `lacking` counts the sittings of this format that an earlier program wrote, by what it did not keep yet.
    """

    now: list[Path] = field(default_factory=list)
    copies: Path | None = None
    fine: int = 0
    lacking: Counter[tuple[str, ...]] = field(default_factory=Counter)
    remarks: list[str] = field(default_factory=list)


def migrate(sessions: Path, steps: Mapping[int, Step] = STEPS, wanted: int = FORMAT) -> Migrated:
    """Bring every sitting of a log up to format `wanted`.

    Raises
    ------
    RecordError
        If a file or its copy can't be written; the file is then as it was. If another command is at work on the log.
    """
    done = Migrated()
    with only_writer_of_log(sessions):
        _migrate(sessions, steps, wanted, done)
    return done


def _migrate(sessions: Path, steps: Mapping[int, Step], wanted: int, done: Migrated) -> None:
    for entry in log_files(sessions):
        path = Path(entry.path)
        try:
            if entry.is_symlink():
                done.remarks.append(f"{path.name}: a link; where it leads to is left alone")
            elif not is_log(path):
                done.remarks.append(f"{path.name}: this is no practice log; left alone")
            else:
                _migrate_file(path, steps, wanted, done)
        except OSError as error:
            raise RecordError(
                f"{error.filename or path}: can't be read or written ({error.strerror}); {path.name} is as it was"
            ) from error


def _migrate_file(path: Path, steps: Mapping[int, Step], wanted: int, done: Migrated) -> None:
    heads = [line.fields for line in raw_lines(path) if line.kind == SITTING]
    formats = {format_of(head) for head in heads}
    if not heads or None in formats:
        done.remarks.append(f"{path.name}: says no format in its first line; left alone")
        return
    found = {form for form in formats if form is not None}
    if max(found) > wanted:
        done.remarks.append(
            f"{path.name}: format {max(found)} is of a later companion than this one, which knows {wanted}; left alone:"
            " update companion"
        )
        return
    if found == {wanted}:
        done.fine += 1
        done.lacking.update(_lacking(head) for head in heads if _lacking(head))
        return
    if missing := [form for form in range(min(found), wanted) if form not in steps]:
        done.remarks.append(f"{path.name}: format {missing[0]} is none that a companion ever wrote; left alone")
        return
    try:
        for line in raw_lines(path):
            _stepped(line, steps, wanted)
    except (ValueError, LookupError, TypeError) as error:
        done.remarks.append(f"{path.name}: can't be brought up to date ({error}); left as it is")
        return
    done.copies = kept_folder(path.parent, wanted)
    _keep_copy(path, done.copies)
    rewrite(path, lambda line: _stepped(line, steps, wanted))
    done.now.append(path)


def _lacking(head: Mapping[str, Any]) -> tuple[str, ...]:
    """What the program that wrote a sitting did not keep of each note yet."""
    had = head.get("note_fields")
    return tuple(name for name in NOTE_FIELDS if name not in had) if isinstance(had, list) else ()


def _stepped(line: RawLine, steps: Mapping[int, Step], wanted: int) -> bytes:
    """The line in the format wanted; one that can't be read, or of another kind, as it is."""
    begin = format_of(line.sitting)
    if line.kind not in (SITTING, TAKE) or begin is None or begin == wanted:
        return line.data
    data = decode_line(line.data)
    for form in range(begin, wanted):
        data = steps[form](data)
    if line.kind == SITTING:
        return dump_line(data | {"format": wanted})
    try:
        take_from(data)
    except ValueError as error:
        raise ValueError(f"line {line.number}: {error}") from None
    return dump_line(data)


def _keep_copy(path: Path, folder: Path) -> None:
    """The file's content in the folder of copies; never in the place of another copy."""
    if folder.is_symlink():
        raise RecordError(f"{folder}: a link; copies of the log are kept in a folder of it: give the link another name")
    make_dir_synced(folder)
    content = path.read_bytes()
    copy, number = folder / path.name, 1
    while os.path.lexists(copy):
        if copy.is_file() and copy.read_bytes() == content:
            return  # an earlier call came so far
        number += 1
        copy = folder / f"{path.stem}-{number}{path.suffix}"
    replace_synced(copy, content)
