"""Editing a teacher's TOML file so that its comments and layout stay, and nobody's writing is lost."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import tomlkit
import tomlkit.items

from companion.record.files import make_dir_synced, replace_synced
from companion.record.teacher_file import MakeError

__all__ = ["edit_file", "replace_unless_changed", "with_new_table"]

#: Together two seconds.
_LOOKS, _LOOK_AGAIN_S = 400, 0.005


def with_new_table(document: tomlkit.TOMLDocument, kind: str, values: Mapping[str, Any]) -> str:
    """The document's text with another table `[[kind]]` at its end, its line ends as they are."""
    tables = document.get(kind)
    if tables is not None and not isinstance(tables, tomlkit.items.AoT):  # written as kind = [{...}]
        row = tomlkit.inline_table()
        row.update(values)
        tables.append(row)
        return tomlkit.dumps(document)
    text = tomlkit.dumps(document)
    end = "\r\n" if "\r\n" in text else "\n"
    added = f"\n[[{kind}]]\n{tomlkit.dumps(values)}".replace("\n", end)
    return text + ("" if not text or text.endswith("\n") else end) + added


def replace_unless_changed(path: Path, old: bytes | None, new: bytes, backup: Path | None = None) -> bool:
    """Put `new` in the file's place, unless another program wrote to it since `old` was read: then False, and the
    caller reads it again. `backup` is where the old content is kept."""
    make_dir_synced(path.parent)
    with _only_writer(path.parent):
        if (path.read_bytes() if path.exists() else None) != old:
            return False
        if old is not None and backup is not None:
            replace_synced(backup, old)
        replace_synced(path, new)
    return True


def edit_file(
    path: Path,
    edited: Callable[[bytes | None], bytes | None],
    read: Callable[[Path], bytes],
    error: MakeError,
    wish: str,
    *,
    tries: int,
    backup: Path | None = None,
) -> None:
    """Replace a file by what `edited` makes of its content (None: there is no file, or nothing is to be written),
    again where another program wrote in between. Raises what `error` makes where it can't be written; `wish` is what to
    do again then."""
    try:
        for _ in range(tries):
            old = read(path) if path.exists() else None
            new = edited(old)
            if new is None or new == old or replace_unless_changed(path, old, new, backup):
                return
    except OSError as fault:
        raise error(str(path), [f"can't be written ({fault.strerror}); is its folder writable?"]) from fault
    raise error(str(path), [f"another program keeps writing to it; close it there and {wish} again"])


@contextlib.contextmanager
def _only_writer(folder: Path) -> Iterator[None]:
    """The stand and a command (or two of them) may write at the same instant: between looking and replacing nobody else
    may. The folder is locked rather than a file of its own, which would stay behind; where that can't be done, or one
    that hangs holds the lock, it goes on without."""
    try:
        import fcntl
    except ImportError:  # Windows
        yield
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        yield
        return
    try:
        for _ in range(_LOOKS):
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                time.sleep(_LOOK_AGAIN_S)
            except OSError:
                break
        yield
    finally:
        os.close(handle)
