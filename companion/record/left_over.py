"""Files half written when the computer stopped or the program was killed: told by their names, and cleared away."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable
from pathlib import Path

__all__ = ["clear_left_over", "is_left_over"]

#: The name of the whole one between a dot and a few letters: eight of `companion.record.files`, six of some programs
#: that synchronise folders.
_NAME = re.compile(r"\.(.+\.jsonl)\.([A-Za-z0-9_]+)")
_OWN_LETTERS = 8


def is_left_over(name: str) -> bool:
    """Whether a file of the log, by its name, is one half written."""
    return _NAME.fullmatch(name) is not None


def clear_left_over(folders: Iterable[Path]) -> None:
    """Delete what this program left half written beside a whole file; links are not followed. Only for who is the log's
    only writer: another one may be writing just now."""
    for folder in folders:
        with contextlib.suppress(OSError):  # they do no harm
            for path in () if folder.is_symlink() else folder.iterdir():
                found = _NAME.fullmatch(path.name)
                if found and len(found[2]) == _OWN_LETTERS and (folder / found[1]).exists() and not path.is_symlink():
                    path.unlink()
