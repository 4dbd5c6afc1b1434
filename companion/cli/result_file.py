"""What a command writes: `--json FILE`, what it found, as data; and the practice log of those that play."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

from companion import paths
from companion.errors import UsageError

__all__ = ["check_writable", "log_to_write", "say_unsaved", "write_json"]

#: What `write_json` begins with, unlike a line of the practice log.
_BEGINNING = b"{\n"


def check_writable(path: Path | None) -> None:
    """A result that can't be written is said before an hour's practice, not after it. Raises `UsageError`."""
    if path is None:
        return
    folder = path.parent
    try:
        path.stat()
    except FileNotFoundError:
        pass
    except OSError as error:
        raise UsageError(f"--json {path}: can't be written there ({error.strerror}): give another name") from error
    if path.is_dir() or not folder.is_dir() or not os.access(folder, os.W_OK):
        raise UsageError(f"--json {path}: can't be written there; name a file in a folder that exists")
    _spare_others(path)


def _spare_others(path: Path) -> None:
    """Raises `UsageError` where the file is there already and no result of ours: a score named twice is not lost."""
    if not os.path.isfile(path):  # new, or a pipe or a device, from which nothing is read
        return
    try:
        with path.open("rb") as file:
            beginning = file.read(len(_BEGINNING))
    except OSError:  # whether it can be written is another matter
        return
    if beginning not in (b"", _BEGINNING):
        raise UsageError(f"--json {path}: is there already and no result of this program; give another name")


def write_json(path: Path, result: dict[str, Any], hint: str = "give another name") -> None:
    """Write it. Raises `UsageError` where that would replace a file that is no such result, and with the hint where it
    fails."""
    _spare_others(path)
    # Keys of the horn are sets. A file name that is no UTF-8 has halves of characters: as JSON has them, \udcff.
    text = json.dumps(result, ensure_ascii=False, indent=1, default=sorted) + "\n"
    try:
        path.write_bytes(text.encode("utf-8", "backslashreplace"))
    except OSError as error:
        raise UsageError(f"--json {path}: can't be written ({error.strerror}): {hint}") from error


def log_to_write(named: Path | None) -> Path:
    """The practice log that takes will go into. Raises `RecordError` where it can't even be read: before they are
    played."""
    from companion.record.log import log_files

    folder = named or paths.sessions_dir()
    log_files(folder)
    return folder


def say_unsaved(unsaved: str) -> int:
    """Takes that the disk refused to the end are not lost in silence. Returns the exit code: 1 where there are any."""
    if not unsaved:
        return 0
    print(f"companion: {' '.join(unsaved.split())}", file=sys.stderr)
    return 1
