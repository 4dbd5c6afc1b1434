"""Whose practice log a command looks at that was given a week sheet: the student's, whose it is."""

from __future__ import annotations

import os
from pathlib import Path

from companion import paths
from companion.record.log import SUFFIX

__all__ = ["log_beside"]

_LOG, _SHARED = "sessions", "shared"


def log_beside(sheet: Path | None, sessions: Path | None) -> tuple[Path, tuple[str, ...]]:
    """The log to look at, and what is to be said of it.

    A log that was named is it. Beside a sheet that was named, as in the folder that a student shares with the teacher,
    it is the one there: `sessions/`, or the sittings themselves; the teacher's own would tell nothing of the student.
    Links are not followed, as the folder is another's.
    """
    usual = paths.sessions_dir()
    if sessions is not None or sheet is None:
        return sessions or usual, ()
    folder = Path(sheet).parent
    student = folder.parent if folder.name == _SHARED else folder
    if (student / _LOG).is_dir() and not (student / _LOG).is_symlink():
        log = student / _LOG
    elif _has_sittings(student):
        log = student
    else:
        return usual, ()
    if os.path.realpath(log) == os.path.realpath(usual):
        return usual, ()
    return log, (f"the takes are those in {log}, beside the sheet; --sessions names another log",)


def _has_sittings(folder: Path) -> bool:
    try:
        return any(path.suffix == SUFFIX and path.is_file() for path in folder.iterdir())
    except OSError:
        return False
