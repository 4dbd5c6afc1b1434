"""The player's own layout of the computer's keys: `keys.toml` in the settings folder.

    format = 1
    [keys]
    l1 = "F"
    breath = "Space"

What is left out stays where it usually is. A file that is faulty is not followed in part: every fault is named at its
line.
"""

from __future__ import annotations

import difflib
import os
import re
import tempfile
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from companion.errors import PortError
from companion.paths import settings_dir
from companion.ports.keys_layout import PLACES, RESERVED, USUAL, KeysLayout, place_named

__all__ = ["FILE_NAME", "load_layout", "save_layout"]

FILE_NAME = "keys.toml"
FORMAT = 1
MAX_BYTES = 100_000
_HEAD = """# Which key of the keyboard is which key of the horn. A place goes by what a US keyboard prints there
# (A to Z, 0 to 9, Space, Semicolon, LeftShift, ...). Press J at the stand to see it drawn, or to choose anew.
"""


def load_layout(folder: Path | None = None) -> KeysLayout:
    """The player's layout, the usual one where there is no file.

    Raises
    ------
    PortError
        One line with every fault.
    """
    path = (folder or settings_dir()) / FILE_NAME
    try:
        with open(path, "rb") as file:
            content = file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        return KeysLayout()
    except OSError as error:
        raise _error(path, [f"can't be read ({error.strerror})"]) from error
    if len(content) > MAX_BYTES:
        raise _error(path, [f"is over {MAX_BYTES // 1000} kB, so no such file"])
    try:
        text = content.decode("utf-8-sig")
        data = tomllib.loads(text)
    except UnicodeDecodeError as error:
        raise _error(path, [f"is not UTF-8 text (byte {error.start})"]) from None
    except (ValueError, RecursionError) as error:
        raise _error(path, [f"is not valid TOML ({' '.join(str(error).split())})"]) from None
    places, faults = _places(data, text)
    if faults:
        raise _error(path, faults)
    return KeysLayout(places)


def save_layout(layout: KeysLayout, folder: Path | None = None) -> Path:
    """Write the layout, whole or not at all; the file that was there is kept as `keys.toml.before`.

    Raises
    ------
    PortError
        Where it can't be written.
    """
    path = (folder or settings_dir()) / FILE_NAME
    lines = [f'{function} = "{layout.places[function]}"' for function in USUAL if function in layout.places]
    text = "\n".join([f"{_HEAD}format = {FORMAT}", "", "[keys]", *lines, ""])
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, made = tempfile.mkstemp(dir=path.parent, prefix=f".{FILE_NAME}.")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(text.encode("utf-8"))
                file.flush()
                os.fsync(file.fileno())
            if path.exists():
                path.with_name(f"{FILE_NAME}.before").write_bytes(path.read_bytes())
            os.replace(made, path)
        except BaseException:
            Path(made).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise PortError(f"{path}: the keys can't be kept ({error.strerror}): is the folder writable?") from error
    return path


def _error(path: Path, faults: list[str]) -> PortError:
    return PortError(f"{path}: {'; '.join(faults)}; mend it, or delete it for the usual keys")


def _places(data: Mapping[str, Any], text: str) -> tuple[dict[str, str], list[str]]:
    faults: list[tuple[int, str]] = []

    def fault(key: str, words: str) -> None:
        line = _line_of(key, text)
        faults.append((line, f"{f'line {line}: ' if line else ''}{words}"))

    if data.get("format") is not FORMAT and not (type(data.get("format")) is int and data["format"] == FORMAT):
        fault("format", f"format should be {FORMAT}")
    for key in data:
        if key not in ("format", "keys"):
            fault(key, f"{_shown(key)} is not known here, only format and [keys]")
    table = data.get("keys", {})
    if not isinstance(table, Mapping):
        fault("keys", "[keys] should be a table")
        table = {}
    own: dict[str, str] = {}
    for function, value in table.items():
        if function not in USUAL:
            fault(function, f"{_shown(function)} is no key of a horn{_like(function, tuple(USUAL))}")
        elif (place := place_named(value) if isinstance(value, str) else None) is None:
            fault(function, f"{function}: no key is called {_shown(value)}{_like(str(value), tuple(PLACES))}")
        elif place in RESERVED:
            fault(function, f"{function}: {place} is never part of the horn; choose another key")
        else:
            own[function] = place
    places = {function: own.get(function, usual) for function, usual in USUAL.items()}
    users: dict[str, list[str]] = {}
    for function, place in places.items():
        users.setdefault(place, []).append(function)
    for place, functions in users.items():
        if len(functions) > 1:
            named = [function for function in functions if function in own] or functions
            usual = [function for function in functions if function not in own]
            where = f" ({usual[0]} is there unless it is given another)" if usual else ""
            fault(named[-1], f"{place} stands for {' and '.join(functions)}: each needs a key of its own{where}")
    return places, [words for _, words in sorted(faults)]


def _line_of(key: str, text: str) -> int:
    """Where a key stands, counted from 1; 0 where it stands nowhere by itself."""
    pattern = re.compile(rf"""\s*(?:["']?{re.escape(key)}["']?\s*=|\[\s*{re.escape(key)}\s*\])""")
    return next((n for n, line in enumerate(text.splitlines(), start=1) if pattern.match(line)), 0)


def _shown(value: object) -> str:
    text = "".join(letter if letter.isprintable() else " " for letter in str(value)[:40])
    return f'"{text}"'


def _like(name: str, known: tuple[str, ...]) -> str:
    close = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    return f"; did you mean {close[0]}?" if close else ""
