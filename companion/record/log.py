"""The practice log: one JSON Lines file a sitting, appended and synced at the end of every take.

Conventions
-----------
* A sitting writes to a file of its own, whose name is its date and time and six random letters: two runs at once, or
  two computers that share a folder, never write to the same file, and names sort by date.
* The first line names the format; every other line is a take. A file appears with its first take.
* What can't be read is named in a remark and stays where it is: a torn line, a line of a kind or format that a later
  program wrote, a file that is no log at all.
"""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO, Literal

from companion import __version__
from companion.errors import RecordError
from companion.record.codec import FORMAT, decode_line, encode_sitting, encode_take, head_of, take_from, without_events
from companion.record.files import append_synced, create_synced, make_dir_synced
from companion.record.model import Log, TakeRecord, TakeSummary

__all__ = ["Line", "Sitting", "lines_of", "log_files", "read_log", "read_take", "stream"]

Events = Literal["all", "notes", "none"]

SUFFIX = ".jsonl"
#: A take of ten minutes with a thousand breath and bite messages a second is about 13 MB.
MAX_LINE_BYTES = 32 * 2**20
_LINES_TO_TELL_A_LOG = 4
_MOST_REMARKS = 4


class Sitting:
    """One sitting's file, open for more takes. Nothing is written before the first take."""

    def __init__(self, folder: Path, started: datetime, example: bool = False, name: str = "") -> None:
        self.id = name or f"{started:%Y-%m-%dT%H-%M-%S}-{secrets.token_hex(3)}"
        self.folder = folder
        self.started = started
        self._waiting: list[bytes] = []
        self._example = example
        self._count = 0

    @classmethod
    def begin(cls, folder: Path, now: datetime) -> Sitting:
        """A new sitting that begins `now` (with its zone; one without is taken for local time)."""
        return cls(Path(folder), now if now.tzinfo else now.astimezone())

    @property
    def path(self) -> Path:
        """The sitting's file, which exists after the first take."""
        return self.folder / f"{self.id}{SUFFIX}"

    def append(self, take: TakeRecord) -> None:
        """Write a take and see it onto the disk; fills in `id` and `started` where they are empty.

        Raises
        ------
        RecordError
            If the folder or the disk refuses. The take waits and is written with the next one (or by
            `retry`), so don't hand it in again.
        """
        self._count += 1
        started = (self.started + timedelta(microseconds=take.since_run_ns // 1000)).isoformat()
        take = replace(take, id=take.id or f"{self.id}-{self._count:03d}", started=take.started or started)
        self._waiting.append(encode_take(take))
        try:
            self.retry()
        except RecordError as error:
            raise RecordError(f"{error}; the take is kept and tried again after the next one") from error

    @property
    def waiting(self) -> int:
        """How many takes could not be written yet (a full disk); they are tried again before the next one."""
        return len(self._waiting)

    def retry(self) -> None:
        """Write the takes that wait. Raises `RecordError` as `append` does."""
        while self._waiting:
            try:
                self._write(self._waiting[0])
            except OSError as error:
                raise RecordError(
                    f"the take can't be written to {self.path} ({error.strerror or error}): make room or allow"
                    " writing there, or set COMPANION_SESSIONS to another folder"
                ) from error
            self._waiting.pop(0)

    def last_try(self) -> str:
        """Write the takes that wait once more, at the end of the sitting; returns what is to be said of those lost."""
        try:
            self.retry()
        except RecordError as error:
            return f"{self.waiting} take{'' if self.waiting == 1 else 's'} of this sitting could not be kept: {error}"
        return ""

    def _write(self, line: bytes) -> None:
        with contextlib.suppress(FileNotFoundError):  # not yet, or deleted since the take before
            append_synced(self.path, line)
            return
        make_dir_synced(self.folder)
        create_synced(self.path, encode_sitting(self.id, self.started, __version__, self._example) + line)


@dataclass(frozen=True, slots=True)
class Line:
    """A readable line: its number from 1, first byte, data (without events and notes when only heads were asked for)
    and whether its sitting is an example."""

    number: int
    offset: int
    data: dict[str, Any]
    example: bool


def log_files(folder: Path) -> list[os.DirEntry[str]]:
    """The log's files, sorted by name. A folder that isn't there is an empty log.

    Raises
    ------
    RecordError
        If the folder can't be read.
    """
    try:
        with os.scandir(folder) as entries:
            return sorted((e for e in entries if e.name.endswith(SUFFIX) and _is_file(e)), key=lambda e: e.name)
    except FileNotFoundError:
        return []
    except OSError as error:
        raise RecordError(
            f"the practice log in {folder} can't be read ({error.strerror}): set COMPANION_SESSIONS to its folder"
        ) from error


def _is_file(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_file()
    except OSError:  # a link to itself
        return False


def lines_of(
    path: Path, remarks: list[str], heads_only: bool = False, opener: Callable[[str, int], int] | None = None
) -> Iterator[Line]:
    """The takes of one file, in order; what was odd is added to `remarks` at its end, a few texts at most. `opener` is
    that of `open`."""
    odd: list[str] = []
    try:
        with open(path, "rb", opener=opener) as file:
            yield from _lines(file, path.name, odd, head_of if heads_only else decode_line)
    except OSError as error:
        odd.append(f"{path.name}: can't be read to its end ({error.strerror}); the other sittings are read")
    remarks += odd[:_MOST_REMARKS]
    if len(odd) > _MOST_REMARKS:
        remarks.append(f"{path.name}: and {len(odd) - _MOST_REMARKS} more lines that can't be read")


def _lines(file: BinaryIO, name: str, odd: list[str], decode: Callable[[bytes], dict[str, Any]]) -> Iterator[Line]:
    offset, number, example, known, unread = 0, 0, False, False, 0
    while line := file.readline(MAX_LINE_BYTES):
        number += 1
        here, offset = offset, offset + len(line)
        if not line.strip():
            continue
        try:
            data = decode(line)
        except ValueError:
            known = known or line.startswith(b'{"kind":')
            if known:
                odd.append(_torn(name, number, line))
            elif (unread := unread + 1) >= _LINES_TO_TELL_A_LOG:
                break
            continue
        known = True
        if data["kind"] == "take":
            yield Line(number, here, data, example)
        elif data["kind"] != "sitting":
            odd.append(f"{name} line {number}: kind {data['kind'][:40]!r} is not known here; kept, not read")
        elif data.get("format") != FORMAT:
            form = data.get("format")
            remedy = "companion record migrate" if type(form) is int and form < FORMAT else "update companion"
            odd.append(f"{name}: format {str(form)[:20]} is not known here, only {FORMAT}; kept, not read: {remedy}")
            return
        else:
            example = data.get("example") is True
    if unread and not known:
        odd.append(f"{name}: this is no practice log; left alone (move it out of the folder)")
    elif unread:
        odd.append(f"{name}: its first {unread} lines are not readable; set aside, the takes after them are read")


def _torn(name: str, number: int, line: bytes) -> str:
    if len(line) == MAX_LINE_BYTES:
        return f"{name} line {number}: longer than {MAX_LINE_BYTES >> 20} MB; set aside, the other takes are read"
    if line.endswith(b"\n"):
        return f"{name} line {number}: cut off or damaged; set aside, the other takes are read"
    return f"{name} line {number}: the last take was cut off while being written; set aside, those before it are read"


def stream(folder: Path, remarks: list[str]) -> Iterator[TakeRecord]:
    """All takes in full, one at a time, oldest sitting first; what was odd is added to `remarks`."""
    for entry in log_files(folder):
        for line in lines_of(Path(entry.path), remarks):
            try:
                yield take_from(line.data)
            except ValueError as error:
                remarks.append(f"{entry.name} line {line.number}: {error}; this take is left out")


def read_log(folder: Path) -> Log:
    """All takes in full, oldest first, with remarks. For ten years of them `summaries` is the quick way.

    Raises
    ------
    RecordError
        If the folder can't be read. Torn lines, junk and later formats are remarks.
    """
    remarks: list[str] = []
    takes = sorted(stream(Path(folder), remarks), key=lambda take: take.started)
    return Log(tuple(takes), tuple(remarks))


def read_take(folder: Path, summary: TakeSummary, events: Events = "all") -> TakeRecord:
    """The take of a summary: in full, or of its events, which are most of it, only those that make notes, or none.

    Raises
    ------
    RecordError
        If it is no longer where it was.
    """
    path = Path(folder) / summary.file
    try:
        with open(path, "rb") as file:
            file.seek(summary.offset)
            line = file.readline(MAX_LINE_BYTES)
        take = take_from(without_events(line) if events == "none" else decode_line(line), events == "notes")
    except (OSError, ValueError) as error:
        raise RecordError(f"{path}: the take of {summary.started} can't be read ({error})") from error
    if take.id != summary.id:
        raise RecordError(f"{path}: the take of {summary.started} has moved; read the log again")
    return take
