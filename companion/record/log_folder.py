"""A log's folder, for who changes more in it than ends of files: what belongs to it, who may write, what is cleared."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from pathlib import Path

from companion.errors import RecordError
from companion.record.files import only_writer
from companion.record.shapes import FOLDER as SHAPES

__all__ = ["clear_left_over", "folders_of", "is_left_over", "kept_folder", "only_writer_of_log"]

#: As long as another command may take that nobody need hear of.
_WAIT_S = 60.0
_KEPT = "before-format-"
#: A file half written when the computer stopped or the program was killed: the name of the whole one between a dot and
#: a few letters, eight of `companion.record.files`, six of some programs that synchronise folders.
_LEFT_OVER = re.compile(r"\.(.+\.jsonl)\.([A-Za-z0-9_]+)")
_OWN_LETTERS = 8


def kept_folder(sessions: Path, wanted: int) -> Path:
    """Where what is brought up to format `wanted` is kept as it was."""
    return sessions / f"{_KEPT}{wanted}"


def folders_of(sessions: Path) -> list[Path]:
    """The folders that a log is made of: its own, that of the answers about shapes, those of `kept_folder`. One may be
    a link."""
    kept = []
    if sessions.is_dir():
        kept = sorted(path for path in sessions.iterdir() if re.fullmatch(rf"{_KEPT}\d+", path.name))
    return [sessions, sessions / SHAPES, *kept]


@contextlib.contextmanager
def only_writer_of_log(sessions: Path) -> Iterator[None]:
    """Until the block ends no other command imports, deletes or migrates; at its end, what is left over is cleared.

    Raises
    ------
    RecordError
        If another one goes on for a minute.
    """
    busy = RecordError(f"{sessions}: another companion record is at work on it; wait until it is done and call again")
    with only_writer(sessions, _WAIT_S, busy):
        yield
        clear_left_over(sessions)


def is_left_over(name: str) -> bool:
    """Whether a file of the log, by its name, is one half written."""
    return _LEFT_OVER.fullmatch(name) is not None


def clear_left_over(sessions: Path) -> None:
    """Delete what this program left half written beside a whole file; links are not followed. Only for who is the log's
    only writer: another one may be writing just now."""
    for folder in folders_of(sessions):
        with contextlib.suppress(OSError):  # they do no harm
            for path in () if folder.is_symlink() else folder.iterdir():
                found = _LEFT_OVER.fullmatch(path.name)
                if found and len(found[2]) == _OWN_LETTERS and (folder / found[1]).exists() and not path.is_symlink():
                    path.unlink()
