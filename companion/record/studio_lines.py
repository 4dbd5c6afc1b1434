"""Sittings cut into what is asked of them, without reading their arrays: the heads of takes, and their notes.

A file as `codec` writes it is cut by bytes alone. Any other (torn, hand-made, of another format, huge) goes through
`log.lines_of`, so what counts and what is said of it is what every other command makes of it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from companion.record.codec import FORMAT, decode_line, encode_take, summary_from, take_from
from companion.record.log import lines_of
from companion.record.model import TakeSummary, plain_text
from companion.record.studio_files import LogFile, read_regular

__all__ = ["Cut", "OddTakes", "cut_sitting", "heads_and_notes", "odd_takes"]

#: Larger ones are read line by line.
MOST_BYTES = 64 * 2**20
_FIRST, _TAKE, _EVENTS, _NOTES = b'{"kind":"sitting"', b'{"kind":"take"', b',"events":[', b',"notes":['
#: A head with one of these is made plain first.
_NOT_PLAIN = re.compile("[\\\\\x00-\x1f\x7f-\x9f]")


@dataclass(frozen=True, slots=True)
class Cut:
    """A plain sitting: whether it is an example; of each take its line's number, its head as JSON, and (where it was
    asked for) notes and slips as JSON."""

    example: bool
    numbers: list[int] = field(default_factory=list)
    heads: list[str] = field(default_factory=list)
    rests: list[str] = field(default_factory=list)


def cut_sitting(file: LogFile, with_notes: bool = False) -> Cut | None:
    """The sitting, None where it is not plain."""
    if file.size > MOST_BYTES:
        return None
    try:
        lines = read_regular(file.path, MOST_BYTES).split(b"\n")
    except OSError:
        return None
    example = _is_example(lines[0])
    if example is None or lines[-1]:
        return None
    found = Cut(example)
    for number, line in enumerate(lines[1:-1], start=2):
        cut = line.find(_EVENTS)
        if cut < 0 or not line.startswith(_TAKE) or not line.endswith(b"}"):
            return None
        try:
            head = line[:cut].decode()
        except UnicodeDecodeError:
            return None
        if _NOT_PLAIN.search(head):
            return None
        found.numbers.append(number)
        found.heads.append(head + "}")
        if with_notes:
            on = line.find(_NOTES, cut)
            if on < 0:
                return None
            found.rests.append("{" + line[on + 1 :].decode("utf-8", "replace"))
    return found


def _is_example(line: bytes) -> bool | None:
    """None where the line is not the first one of a sitting in the format of today."""
    if not line.startswith(_FIRST):
        return None
    try:
        data = decode_line(line)
    except ValueError:
        return None
    form = data.get("format")
    return data.get("example") is True if type(form) is int and form == FORMAT else None


@dataclass(frozen=True, slots=True)
class OddTakes:
    """What is read of a sitting that is not plain, with the numbers of its lines, and what is to be said of it."""

    takes: Sequence[tuple[int, TakeSummary]]
    remarks: tuple[str, ...]


def odd_takes(file: LogFile) -> OddTakes:
    """The summaries of a sitting that is not plain, as the index of a student's own log has them."""
    remarks: list[str] = []
    takes = []
    path = Path(file.path)
    for line in lines_of(path, remarks, heads_only=True):
        try:
            takes.append((line.number, summary_from(line.data, path.name, line.offset, line.example)))
        except ValueError as error:
            remarks.append(f"{path.name} line {line.number}: {error}; this take is left out")
    return OddTakes(takes, tuple(plain_text(" ".join(remark.split())) for remark in remarks))


def heads_and_notes(file: LogFile) -> Cut:
    """The same as `cut_sitting` with notes, for any sitting: takes that are not plain are written anew in thought.
    Those that can't be read in full are passed over."""
    plain = cut_sitting(file, with_notes=True)
    if plain is not None:
        return plain
    found = Cut(example=False)
    for line in lines_of(Path(file.path), []):
        try:
            written = encode_take(take_from(line.data))
        except ValueError:
            continue
        cut = written.find(_EVENTS)
        found.numbers.append(line.number)
        found.heads.append(written[:cut].decode() + "}")
        found.rests.append("{" + written[written.find(_NOTES, cut) + 1 :].decode())
    return found
