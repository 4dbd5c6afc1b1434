"""The log's lines as the bytes they are: for what copies or rewrites a log and must not change what it can't read.

`companion.record.log` reads takes; here nothing is passed over: a torn line, a kind that a later program wrote and an
empty line come as well, and the lines of a file put together are the file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from companion.record.codec import FORMAT, head_of, summary_from
from companion.record.log import MAX_LINE_BYTES
from companion.record.model import TakeSummary

__all__ = ["SITTING", "TAKE", "RawLine", "is_log", "raw_lines", "summary_of"]

SITTING, TAKE = "sitting", "take"
#: Junk of so many lines is no log.
_LINES_TO_TELL_A_LOG = 4
_BEGINNINGS = (b'{"kind":"sitting",', b'{"kind":"take",')


class RawLine(NamedTuple):
    """A line of a file.

    `kind` is empty where the line can't be read. `fields` are its small ones; `sitting` those of the sitting it belongs
    to, none before the first. `number` counts from 1, `offset` is its first byte.
    """

    number: int
    offset: int
    data: bytes
    kind: str
    fields: Mapping[str, Any]
    sitting: Mapping[str, Any]

    @property
    def known(self) -> bool:
        """Its sitting is of the format that this program writes (or has none)."""
        return not self.sitting or format_of(self.sitting) == FORMAT


def format_of(sitting: Mapping[str, Any]) -> int | None:
    """The format of a sitting's first line, None where that is no whole number."""
    found = sitting.get("format")
    return found if type(found) is int else None


def raw_lines(path: Path) -> Iterator[RawLine]:
    """All lines of a file, in order; one longer than any take comes in pieces that can't be read.

    Raises
    ------
    OSError
        If the file can't be read.
    """
    sitting: Mapping[str, Any] = {}
    number, offset = 0, 0
    with open(path, "rb") as file:
        while data := file.readline(MAX_LINE_BYTES):
            number += 1
            try:
                fields = head_of(data) if data.strip() else {}
            except ValueError:
                fields = {}
            kind = fields.get("kind", "")
            if kind == SITTING:
                sitting = fields
            yield RawLine(number, offset, data, kind, fields, sitting)
            offset += len(data)


def is_log(path: Path) -> bool:
    """Whether a file is a practice log, be it a torn or a later one, and no other program's."""
    unread = 0
    for line in raw_lines(path):
        if line.kind in (SITTING, TAKE) or line.data.startswith(_BEGINNINGS):
            return True
        unread += bool(line.data.strip())
        if unread >= _LINES_TO_TELL_A_LOG:
            break
    return False


def summary_of(line: RawLine, file: str) -> TakeSummary:
    """The summary of a take's line. Raises `ValueError` as `summary_from` does."""
    return summary_from(line.fields, file, line.offset, line.sitting.get("example") is True)
