"""A log file with other lines in the place of its own, as a whole."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path

from companion.errors import RecordError
from companion.record.files import locked, writing_synced
from companion.record.raw_lines import RawLine, raw_lines

__all__ = ["rewrite", "state_of"]

#: So often a stand may write to a file while it is rewritten.
_TRIES = 20
#: After so many of them it waits until the rewriting is done.
_PATIENT_TRIES = 5


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
    for again in range(_TRIES):
        # The lock is let go after the new file has the old one's place: who appends finds either the whole old file
        # unlocked, or the new one.
        with contextlib.suppress(_Changed), contextlib.ExitStack() as until_replaced:
            if again >= _PATIENT_TRIES:
                until_replaced.enter_context(locked(path))
            with writing_synced(path) as file:
                before = state_of(path)
                file.writelines(map(new, raw_lines(path)))
                file.flush()
                os.fsync(file.fileno())  # here, so that the stand hardly waits
                if again < _PATIENT_TRIES:
                    until_replaced.enter_context(locked(path))
                if state_of(path) != before:
                    raise _Changed
            return
    raise RecordError(f"{path}: is being written all the time; end the stand and call again")


def state_of(path: Path) -> tuple[int, int]:
    """What differs after a file was written to."""
    status = path.stat()
    return status.st_size, status.st_mtime_ns
