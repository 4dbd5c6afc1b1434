"""Editing a teacher's TOML file so that its comments and layout stay, and nobody's writing is lost."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import tomlkit
import tomlkit.items

from companion.record.files import make_dir_synced, only_writer, replace_synced
from companion.record.teacher_file import MakeError

__all__ = ["edit_file", "with_new_table"]

#: So often a program that knows nothing of the lock, such as a text editor, may write in between.
_TRIES = 20


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


def edit_file(
    path: Path,
    edited: Callable[[bytes | None], bytes | None],
    read: Callable[[Path], bytes],
    error: MakeError,
    wish: str,
    *,
    backup: Path | None = None,
) -> None:
    """Replace a file by what `edited` makes of its content (None: there is no file, or nothing is to be written),
    again where another program wrote in between. `backup` is where the old content is kept. Raises what `error` makes
    where it can't be written; `wish` is what to do again then."""
    try:
        for _ in range(_TRIES):
            lockable = path.parent.is_dir()
            with only_writer(path.parent):
                old = read(path) if path.exists() else None
                new = edited(old)
                if new is None or new == old:
                    return
                make_dir_synced(path.parent)
                # A folder made just now was not locked: once more, with the lock.
                if lockable and _replaced_unless_changed(path, old, new, backup):
                    return
    except OSError as fault:
        raise error(str(path), [f"can't be written ({fault.strerror}); is its folder writable?"]) from fault
    raise error(str(path), [f"another program keeps writing to it; close it there and {wish} again"])


def _replaced_unless_changed(path: Path, old: bytes | None, new: bytes, backup: Path | None) -> bool:
    """False, and nothing is written, where a program that knows nothing of the lock wrote since `old` was read."""
    if (path.read_bytes() if path.exists() else None) != old:
        return False
    if old is not None and backup is not None:
        replace_synced(backup, old)
    replace_synced(path, new)
    return True
