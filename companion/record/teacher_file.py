"""The small TOML files that a teacher writes (week sheet, mark sheet, rule file): every fault is named at its line.

A file that comes from another computer is read with care: size, pipes, encoding and nesting are limited, and what a key
holds is checked before it is used.
"""

from __future__ import annotations

import difflib
import math
import os
import re
import stat
import tomllib
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

from companion.errors import CompanionError

__all__ = ["MAX_BYTES", "Faults", "MakeError", "data_from", "read_bytes", "tables_in"]

MAX_BYTES = 1_000_000
#: Who has more to mend begins with these.
MOST_FAULTS = 20
_MOST_DOTS = 32
#: The TOML reader's time grows with the square of the parts of a key.
#: What git leaves where two people changed the same lines.
_UNMERGED = re.compile(r"^<{7} ", re.MULTILINE)
_DEEP_KEY = re.compile(rf"(?:^|[\[{{,])[ \t]*[\w-]+(?:[ \t]*\.[ \t]*[\w-]+){{{_MOST_DOTS}}}", re.MULTILINE)

#: (path, faults) -> the error of that kind of file.
MakeError = Callable[[str, Sequence[str]], CompanionError]


def read_bytes(path: Path, error: MakeError, what: str, make: str) -> bytes:
    """The file's content. Raises what `error` makes where it can't be read or is too big; `make` says where from."""
    if os.path.exists(path) and stat.S_ISFIFO(os.stat(path).st_mode):
        raise error(str(path), ["is no file but a pipe, which may never end; give a file"])
    try:
        with open(path, "rb") as file:
            content = file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise error(str(path), [f"there is no such {what}; {make}"]) from None
    except OSError as fault:
        raise error(str(path), [f"can't be read ({fault.strerror})"]) from fault
    if len(content) > MAX_BYTES:
        raise error(str(path), [f"over {MAX_BYTES // 1000} kB, so hardly a {what}"])
    return content


def data_from(content: bytes, path: Path, error: MakeError) -> tuple[str, dict[str, Any]]:
    """The text and what it holds. Raises what `error` makes where it is no UTF-8 or no TOML."""
    try:
        text = content.decode("utf-8-sig")
        if deep := _DEEP_KEY.search(text):
            line = text.count("\n", 0, deep.end()) + 1
            raise error(str(path), [f"line {line}: a key of over {_MOST_DOTS} parts; this is no such file"])
        return text, tomllib.loads(text)
    except UnicodeDecodeError as fault:
        raise error(str(path), [f"not UTF-8 text (byte {fault.start}); save it as UTF-8"]) from None
    except RecursionError:
        raise error(str(path), ["not valid TOML: nested too deeply"]) from None
    except ValueError as fault:  # also for a number of thousands of digits, which is no TOMLDecodeError
        if unmerged := _UNMERGED.search(text):
            line = text.count("\n", 0, unmerged.start()) + 1
            said = f"line {line}: two people wrote here, and their lines were not merged; keep what is right of them"
            raise error(str(path), [f"{said}, and take out the lines that begin with <<<, === and >>>"]) from None
        raise error(str(path), [f"not valid TOML: {str(fault).partition(';')[0]}"]) from None


class Faults:
    """Collects all faults of one file while it is read. A place is a kind of table and its number, such as
    `("item", 0)`; None is the file's own level."""

    def __init__(self, text: str, kinds: Sequence[str]) -> None:
        self.found: list[tuple[int, str]] = []
        self._lines = _key_lines(text, kinds)

    def add(self, place: tuple[str, int] | None, key: str, message: str) -> None:
        """Note a fault at its line, where that can be told."""
        line = self._lines.get((place, key)) or self._lines.get((place, ""), 0)
        whose = "" if place is None else f"{place[0]} {place[1] + 1}, "
        # What the file says itself commands no terminal.
        self.found.append((line, _plain(f"{f'line {line}: ' if line else ''}{whose}{key} {message}")))

    def messages(self) -> list[str]:
        """All of them in the order of the lines; of very many the first."""
        found = [message for _, message in sorted(self.found, key=lambda fault: fault[0])]
        more = len(found) - MOST_FAULTS
        return found if more <= 0 else [*found[:MOST_FAULTS], f"and {more} more"]

    def unknown_keys(self, place: tuple[str, int] | None, table: Mapping[str, Any], known: Sequence[str]) -> None:
        """A key that is not known is named, with the likely one."""
        for key in table:
            if key not in known:
                self.add(place, _shown(key), f"is not known here; {_likely(key, known)}")

    def format(self, data: Mapping[str, Any], wanted: int) -> None:
        """The file's format must be `wanted`."""
        found = data.get("format")
        if found != wanted or isinstance(found, bool):
            need = f"should be {wanted}" if found is None else f"{str(found)[:20]} is not known here, only {wanted}"
            if type(found) is int and found > wanted:
                need += "; a newer companion wrote it: update this one"
            self.add(None, "format", need)

    def text(self, place: tuple[str, int] | None, table: Mapping[str, Any], key: str, needed: bool = False) -> str:
        """A text, empty where there is none."""
        value = table.get(key, "")
        if not isinstance(value, str):
            self.add(place, key, f"should be a text in quotes, not {str(value)[:40]}")
            return ""
        if needed and not value.strip():
            self.add(place, key, "is missing")
        return value

    def one_of(self, place: tuple[str, int] | None, table: Mapping[str, Any], key: str, known: Collection[str]) -> str:
        """One of the known words, empty where there is none."""
        value = self.text(place, table, key)
        if value and value not in known:
            self.add(place, key, f"{_shown(value)!r} is not known here; {_likely(value, known)}")
            return ""
        return value

    def number(
        self, place: tuple[str, int] | None, table: Mapping[str, Any], key: str, low: float, high: float
    ) -> float | None:
        """A number within limits, None where there is none."""
        value = table.get(key)
        if value is None:
            return None
        if type(value) in (int, float) and math.isfinite(value) and low <= value <= high:
            return float(value)
        self.add(place, key, f"should be a number from {low:g} to {high:g}, not {str(value)[:40]!r}")
        return None

    def whole(
        self, place: tuple[str, int] | None, table: Mapping[str, Any], key: str, low: int, high: int
    ) -> int | None:
        """A whole number within limits, None where there is none."""
        value = table.get(key)
        if value is None or (type(value) is int and low <= value <= high):
            return value
        self.add(place, key, f"should be a whole number from {low} to {high}, not {str(value)[:40]!r}")
        return None


def _shown(word: str) -> str:
    return _plain(word[:40])


def _plain(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)


def _likely(word: str, known: Collection[str]) -> str:
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"did you mean {close[0]}?" if close else f"known are {', '.join(known)}, or a newer companion knows it"


def tables_in(data: Mapping[str, Any], kind: str, most: int, faults: Faults) -> list[dict[str, Any]]:
    """The tables under `[[kind]]`, none of them where they are something else or too many."""
    tables = data.get(kind, [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        faults.add(None, kind, f"should be tables, each under a line [[{kind}]]")
        return []
    if len(tables) > most:
        faults.add(None, kind, f"stands there {len(tables)} times, more than {most}")
        return []
    return tables


def _key_lines(text: str, kinds: Sequence[str]) -> dict[tuple[tuple[str, int] | None, str], int]:
    # The TOML reader tells no places. Keys that stand on lines of their own are found again here; for files written
    # otherwise a fault is told without a line.
    lines: dict[tuple[tuple[str, int] | None, str], int] = {}
    counts = dict.fromkeys(kinds, 0)
    place: tuple[str, int] | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        if (head := re.match(r"\s*\[\[\s*([\w-]+)\s*\]\]", line)) and head[1] in counts:
            place = (head[1], counts[head[1]])
            counts[head[1]] += 1
            lines[place, ""] = number
        elif match := re.match(r"""\s*["']?([\w-]+)["']?\s*=""", line):
            lines.setdefault((place, match[1]), number)
    return lines
