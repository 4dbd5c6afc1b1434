"""The player's settings in an export of the whole log: remembered controllers, levels, the usual sitting, own keys.

They are this computer's more than the record's: they go along, but take the place of nothing that another one has.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from companion.errors import RecordError
from companion.record.files import create_synced, make_dir_synced

__all__ = ["FOLDER", "NAMES", "SettingsTaken", "copy_settings", "take_settings"]

#: Where they are in an export.
FOLDER = "settings"
#: What the stand keeps in the settings folder.
NAMES = ("settings.toml", "keys.toml")
_LARGEST_BYTES = 200_000


@dataclass(frozen=True, slots=True)
class SettingsTaken:
    """Files of settings that were taken in, and of each that was left the reason."""

    taken: tuple[Path, ...] = ()
    left: tuple[str, ...] = ()


def copy_settings(settings: Path, out: Path) -> int:
    """Copy what there is of them into the export's folder; how many files that are. Raises `OSError`."""
    count = 0
    for name in NAMES:
        content = _content(settings / name)
        if isinstance(content, bytes):
            (out / FOLDER).mkdir(exist_ok=True)
            create_synced(out / FOLDER / name, content)
            count += 1
    return count


def take_settings(sources: Iterable[Path], settings: Path) -> SettingsTaken:
    """Put the settings of exports into the settings folder, where it has none yet.

    Parameters
    ----------
    sources
        What is imported; only folders may hold settings.
    settings
        This computer's folder; it need not be there yet.

    Raises
    ------
    RecordError
        If they can't be written.
    """
    taken: list[Path] = []
    left: list[str] = []
    for file in (source / FOLDER / name for source in sources for name in NAMES):
        if not os.path.lexists(file) or file.parent.is_symlink():
            continue
        content, own = _content(file), settings / file.name
        if not isinstance(content, bytes):
            left.append(f"{file}: {content}; left")
        elif os.path.lexists(own):
            if _content(own) != content:
                left.append(f"{file}: left, since this computer has its own ({own})")
        else:
            try:
                make_dir_synced(settings)
                create_synced(own, content)
            except OSError as error:
                raise RecordError(
                    f"{own}: can't be written ({error.strerror or error}); the takes were taken in; allow writing there"
                    " and call again"
                ) from error
            taken.append(own)
    return SettingsTaken(tuple(taken), tuple(left))


def _content(path: Path) -> bytes | str:
    """A file's content, or why it is none of settings."""
    if path.is_symlink() or not path.is_file():
        return "no file"
    try:
        with open(path, "rb") as file:
            content = file.read(_LARGEST_BYTES + 1)
        if len(content) > _LARGEST_BYTES:
            return "too large for settings"
        tomllib.loads(content.decode())
    except OSError as error:
        return f"can't be read ({error.strerror})"
    except (ValueError, RecursionError):
        return "not valid TOML"
    return content
