"""Sittings cut into what is asked of them, without reading their arrays: the heads of takes, and their notes.

A file as `codec` writes it is cut by bytes alone. Any other (torn, hand-made, of another format, huge) goes through
`log.lines_of`, so what counts and what is said of it is what every other command makes of it.

How new a sitting is, its first line and its last one tell: a program adds takes at the end of a sitting as they are
played.
"""

from __future__ import annotations

import io
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

from companion.record.codec import FORMAT, decode_line, encode_take, summary_from, take_from
from companion.record.log import MAX_LINE_BYTES, lines_of
from companion.record.model import TakeSummary, plain_text
from companion.record.studio_files import LogFile, read_regular, regular_only

__all__ = ["ANY_DAY", "Cut", "OddTakes", "cut_sitting", "heads_and_notes", "latest_day", "odd_takes"]

#: Of a sitting whose ends don't tell its days: none is later.
ANY_DAY = "9999-12-31"
#: Takes that were put in afterwards (an import) stand behind later ones of the same sitting.
_SLACK = timedelta(days=1)
_FIRST_BYTES, _LAST_BYTES = 4096, 16 * 2**10
_STARTED = re.compile(rb',"started":"(\d{4}-\d\d-\d\d)T')

#: Larger ones are read line by line.
MOST_BYTES = 64 * 2**20
_FIRST, _TAKE, _EVENTS, _NOTES = b'{"kind":"sitting"', b'{"kind":"take"', b',"events":[', b',"notes":['
#: Larger than what any program writes (a title, the comment; 20,000 notes), so that one line can't fill the memory.
_MOST_HEAD_BYTES, _MOST_NOTES_BYTES = 64 * 2**10, 4 * 2**20
_MOST_REMARKS = 5
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
        if not 0 <= cut <= _MOST_HEAD_BYTES or not line.startswith(_TAKE) or not line.endswith(b"}"):
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
            if on < 0 or len(line) - on > _MOST_NOTES_BYTES:
                return None
            found.rests.append("{" + line[on + 1 :].decode("utf-8", "replace"))
    return found


def latest_day(file: LogFile) -> str:
    """No take of the sitting is later than this day (`YYYY-MM-DD`); `ANY_DAY` where it has to be read to know."""
    try:
        with open(file.path, "rb", buffering=0, opener=regular_only) as handle:
            first, _, more = handle.read(_FIRST_BYTES).partition(b"\n")
            last = _last_line(handle, file.size) if more else b""
    except OSError:
        return ANY_DAY
    days = [_STARTED.search(first), _STARTED.search(last, 0, last.find(_EVENTS) + 1)]
    if _is_example(first) is None or not last.startswith(_TAKE) or not last.endswith(b"}\n") or None in days:
        return ANY_DAY
    try:
        return max((date.fromisoformat(day[1].decode()) + _SLACK).isoformat() for day in days if day)
    except (ValueError, OverflowError):
        return ANY_DAY


def _last_line(file: io.FileIO, size: int) -> bytes:
    """The last line with its line end; empty where it is longer than a line may be."""
    length = _LAST_BYTES
    while length <= MAX_LINE_BYTES:
        file.seek(max(size - length, 0))
        found = file.read(length)
        start = found.rfind(b"\n", 0, -1)
        if start >= 0:
            return found[start + 1 :]
        length *= 8
    return b""


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
    """What is read of a sitting that is not plain, with the numbers of its lines, and what is to be said of it.
    `refused` where the file can't be opened now: nothing in it need change for that to end."""

    takes: Sequence[tuple[int, TakeSummary]]
    remarks: tuple[str, ...]
    refused: bool = False


def odd_takes(file: LogFile) -> OddTakes:
    """The summaries of a sitting that is not plain, as the index of a student's own log has them."""
    remarks: list[str] = []
    takes = []
    path = Path(file.path)
    try:
        os.close(regular_only(file.path, os.O_RDONLY))
    except OSError as error:
        return OddTakes((), (f"{plain_text(path.name)}: can't be read ({error.strerror}); left alone",), refused=True)
    for line in lines_of(path, remarks, heads_only=True, opener=regular_only):
        try:
            take = summary_from(line.data, path.name, line.offset, line.example)
            if sum(len(value) for value in take if isinstance(value, str)) > _MOST_HEAD_BYTES:
                raise ValueError("its texts are longer than any program writes them")
            takes.append((line.number, take))
        except ValueError as error:
            remarks.append(f"{path.name} line {line.number}: {error}; this take is left out")
    if len(remarks) > _MOST_REMARKS + 1:
        remarks = [*remarks[:_MOST_REMARKS], f"{path.name}: and {len(remarks) - _MOST_REMARKS} more like these"]
    return OddTakes(takes, tuple(plain_text(" ".join(remark.split())) for remark in remarks))


def heads_and_notes(file: LogFile) -> Cut:
    """The same as `cut_sitting` with notes, for any sitting: takes that are not plain are written anew in thought.
    Those that can't be read in full are passed over."""
    plain = cut_sitting(file, with_notes=True)
    if plain is not None:
        return plain
    found = Cut(example=False)
    for line in lines_of(Path(file.path), [], opener=regular_only):
        try:
            written = encode_take(take_from(line.data))
        except ValueError:
            continue
        cut = written.find(_EVENTS)
        on = written.find(_NOTES, cut)
        if cut > _MOST_HEAD_BYTES or len(written) - on > _MOST_NOTES_BYTES:
            continue
        found.numbers.append(line.number)
        found.heads.append(written[:cut].decode() + "}")
        found.rests.append("{" + written[on + 1 :].decode())
    return found
