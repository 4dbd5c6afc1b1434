"""A log file with other lines in the place of its own, as a whole."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

from companion.errors import RecordError
from companion.record.files import writing_synced
from companion.record.raw_lines import RawLine, raw_lines

__all__ = ["rewrite"]

#: So often a stand may write to a file while it is rewritten.
_TRIES = 20


class _Changed(Exception):
    """Somebody wrote to the file meanwhile."""


def rewrite(path: Path, new: Callable[[RawLine], bytes]) -> None:
    """Put `new` of each line in the place of the file. What a stand appends meanwhile is not lost: then it is done
    again.

    Raises
    ------
    OSError
        If the file can't be read or written.
    RecordError
        If it never stays still.
    """
    for _ in range(_TRIES):
        with contextlib.suppress(_Changed):
            with writing_synced(path) as file:
                before = _state(path)
                file.writelines(map(new, raw_lines(path)))
                if _state(path) != before:
                    raise _Changed
            return
    raise RecordError(f"{path}: is being written all the time; end the stand and call again")


def _state(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_size, status.st_mtime_ns
