"""Takes of another computer, or out of an export, put into the log.

* JSON Lines: the takes of each sitting go into the sitting's own file, byte by byte. A take is known by its name: one
  that is there already is not doubled, and one that is there with another content is left as it is here.
* MIDI files that `companion.record.take_midi` wrote give back the take with its record.
* Tables (`takes.csv` with `notes.csv` beside it) give takes without their events; one that the log has stays as it is.
* Answers about shapes go into their horn's file; a line that is there is not doubled.

What is foreign, broken or of a later format is named and left. Nothing that is in the log is changed: new lines are
added at the end of a file, new files get their name when they are whole. Broken off midway, the same call goes on where
it stopped.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import sha256
from pathlib import Path

from companion import __version__
from companion.errors import RecordError
from companion.record.codec import FORMAT, decode_line, dump_line, encode_sitting, encode_take, head_of, take_from
from companion.record.files import append_synced, make_dir_synced, replace_synced
from companion.record.from_tables import TAKES_NAME, takes_in_tables
from companion.record.log import SUFFIX, log_files
from companion.record.log_folder import only_writer_of_log
from companion.record.model import TakeRecord
from companion.record.raw_lines import SITTING, TAKE, RawLine, format_of, is_log, raw_lines, summary_of
from companion.record.shapes import FOLDER as SHAPES
from companion.record.shapes import LARGEST_BYTES, answer_day
from companion.record.take_midi import NotOurs, line_from_midi

__all__ = ["Imported", "import_records", "import_take"]

MIDI_SUFFIXES = (".mid", ".midi")
TABLE_SUFFIX = ".csv"
_LARGEST_MIDI_BYTES = 20_000_000
_SAFE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._ ()-]{0,150}")
_SAFE_HORN = re.compile(r"[a-z0-9-]{1,80}")


@dataclass(slots=True)
class Imported:
    """What was taken in: new takes and answers, those that were there already, and `remarks` on what was left."""

    takes: int = 0
    takes_there: int = 0
    answers: int = 0
    answers_there: int = 0
    remarks: list[str] = field(default_factory=list)
    #: By source, how many of its takes the log has with another content.
    other: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a take stands in the log."""

    path: Path
    offset: int


def import_records(sessions: Path, sources: Iterable[Path]) -> Imported:
    """Put the takes of files and folders into the log.

    Parameters
    ----------
    sessions
        The log's folder; it need not be there yet.
    sources
        JSON Lines, MIDI files or tables, or folders of such (an export, another computer's `sessions`).

    Raises
    ------
    RecordError
        If a source is not there or the log can't be written. What was taken in until then is whole, and the same call
        goes on from there.
    """
    done = Imported()
    files = [file for source in sources for file in _files(source, done)]
    files.sort(key=lambda path: path.suffix.lower() == TABLE_SUFFIX)  # last: the others hold more of the same takes
    with _there(sessions, done), only_writer_of_log(sessions):
        known = _known(sessions)
        for path in files:
            try:
                _import_file(sessions, path, known, done)
            except OSError as error:
                done.remarks.append(f"{path}: can't be read to its end ({error.strerror}); the rest is left")
    for name, count in done.other.items():
        takes = "1 take is" if count == 1 else f"{count} takes are"
        done.remarks.append(
            f"{name}: {takes} in the log with another content, which stays as it is; to have the file's, delete the"
            " log's before"
        )
    return done


@contextlib.contextmanager
def _there(sessions: Path, done: Imported) -> Iterator[None]:
    """The log's folder, which can be locked only where it is; a new one into which nothing came is taken away again."""
    new = not sessions.exists()
    if new:
        with _writing(sessions, done):
            make_dir_synced(sessions)
    try:
        yield
    finally:
        if new:
            with contextlib.suppress(OSError):  # not empty
                sessions.rmdir()


@contextlib.contextmanager
def _writing(path: Path, done: Imported) -> Iterator[None]:
    """What the disk refuses, as one line."""
    try:
        yield
    except OSError as error:
        takes = "1 take was" if done.takes == 1 else f"{done.takes} takes were"
        raise RecordError(
            f"{path}: can't be written ({error.strerror or error}); {takes} taken in before; make room or allow writing"
            " there and call again, which goes on from here"
        ) from error


def _files(source: Path, done: Imported) -> list[Path]:
    if not os.path.exists(source):
        raise RecordError(f"{source}: there is no such file or folder; name an export, or another log's folder")
    if source.is_file():
        return [source]
    if not source.is_dir():
        raise RecordError(f"{source}: is a pipe or a device; name a file or a folder")
    found = []
    for folder in (source, source / SHAPES):
        for path in sorted(folder.iterdir()) if folder.is_dir() and not folder.is_symlink() else ():
            ours = path.suffix.lower() in (SUFFIX, *MIDI_SUFFIXES) or path.name == TAKES_NAME
            if not ours or path.name.startswith("."):
                continue
            if path.is_symlink():
                done.remarks.append(f"{path}: a link, not a file; left (name it by itself to take it in)")
            elif not path.is_file():
                done.remarks.append(f"{path}: is no file; left")
            else:
                found.append(path)
    if not found:
        done.remarks.append(f"{source}: holds no .jsonl, no MIDI file and no takes.csv")
    return found


def _known(sessions: Path) -> dict[str, _Place]:
    """Where each take of the log stands, by its name."""
    found = {}
    for entry in log_files(sessions):
        path = Path(entry.path)
        try:
            for line in raw_lines(path):
                name = line.fields.get("id")
                if line.kind == TAKE and isinstance(name, str):
                    found[name] = _Place(path, line.offset)
        except OSError as error:
            raise RecordError(
                f"{path}: can't be read ({error.strerror}), so it can't be told what is in the log already; nothing was"
                " taken in"
            ) from error
    return found


def _import_file(sessions: Path, path: Path, known: dict[str, _Place], done: Imported) -> None:
    if path.suffix.lower() in MIDI_SUFFIXES:
        _import_midi(sessions, path, known, done)
    elif path.suffix.lower() == TABLE_SUFFIX:
        _import_table(sessions, path, known, done)
    elif is_log(path):
        _import_log(sessions, path, known, done)
    elif path.parent.name == SHAPES or _holds_answers(path):
        _import_answers(sessions, path, done)
    else:
        done.remarks.append(f"{path}: this is no practice log; left")


def _import_log(sessions: Path, path: Path, known: dict[str, _Place], done: Imported) -> None:
    for head, lines in _sittings(path, done):
        fresh = [line for line in lines if _is_new(path.name, line, known, done)]
        _write(sessions, head, fresh, known, done)


def _sittings(path: Path, done: Imported) -> Iterator[tuple[RawLine, list[RawLine]]]:
    """The sittings of a file: the first line, and the takes that can be read whole."""
    head: RawLine | None = None
    lines: list[RawLine] = []
    for line in raw_lines(path):
        if line.kind == SITTING:
            if head is not None:
                yield head, lines
            head, lines = (line if line.known else None), []
            if not line.known:
                found = str(line.fields.get("format"))[:20]
                done.remarks.append(
                    f"{path.name} line {line.number}: format {found} is not known here, only {FORMAT}; left: update"
                    " companion and import again"
                )
        elif not line.sitting and line.data.strip():
            done.remarks.append(f"{path.name} line {line.number}: stands before any sitting's first line; left")
        elif line.known and line.data.strip():
            lines.append(line)
    if head is not None:
        yield head, lines


def _is_new(name: str, line: RawLine, known: dict[str, _Place], done: Imported, what: str = "line") -> bool:
    """Whether a line is a whole take that the log has not got; what is odd is remarked."""
    place = f"{name} {what} {line.number}"
    if line.kind != TAKE:
        fault = f"kind {line.kind[:40]!r} is not known here" if line.kind else "cut off or damaged"
        done.remarks.append(f"{place}: {fault}; left")
        return False
    try:
        take = summary_of(line, name)
        if not take.id:
            raise ValueError("a take without a name (id)")
        if take.id in known:
            done.takes_there += 1
            if not _is_same(known[take.id], line.data):
                done.other[name] = done.other.get(name, 0) + 1
            return False
        # All of it: what goes into the log must come out again.
        take_from(decode_line(line.data))
    except ValueError as error:
        done.remarks.append(f"{place}: {error}; left")
        return False
    return True


def _is_same(place: _Place, data: bytes) -> bool:
    with open(place.path, "rb") as file:
        file.seek(place.offset)
        here = file.readline()
    return here.rstrip() == data.rstrip() or decode_line(here) == decode_line(data)


def _write(sessions: Path, head: RawLine, lines: list[RawLine], known: dict[str, _Place], done: Imported) -> None:
    """Put takes that are new into their sitting's file, all or none."""
    fresh: dict[str, bytes] = {}
    for line in lines:
        if line.fields["id"] in fresh:
            done.takes_there += 1
        fresh.setdefault(line.fields["id"], line.data if line.data.endswith(b"\n") else line.data + b"\n")
    if not fresh:
        return
    path, is_there = _target(sessions, head)
    offset = path.stat().st_size if is_there else 0
    with _writing(path, done):
        if is_there:
            append_synced(path, b"".join(fresh.values()))
        else:
            make_dir_synced(sessions)
            replace_synced(path, b"".join([head.data, *fresh.values()]))
    done.takes += len(fresh)
    for line in raw_lines(path):
        if line.offset >= offset and line.kind == TAKE:
            known[line.fields["id"]] = _Place(path, line.offset)


def _target(sessions: Path, head: RawLine) -> tuple[Path, bool]:
    """The sitting's file, and whether it is there. One of that name that is a link, no log or another sitting's is not
    touched: then it is a file beside it."""
    name = head.fields.get("id")
    if not (isinstance(name, str) and _SAFE_NAME.fullmatch(name)):
        name = f"imported-{sha256(head.data).hexdigest()[:12]}"
    number = 1
    while True:
        path = sessions / (f"{name}{SUFFIX}" if number == 1 else f"{name}-{number}{SUFFIX}")
        if not path.is_symlink():
            if not path.exists():
                return path, False
            if path.is_file() and _continues(path, head):
                return path, True
        number += 1


def _continues(path: Path, head: RawLine) -> bool:
    """Whether the last sitting in a file is that of `head`."""
    last = None
    for line in raw_lines(path):
        if line.kind == SITTING:
            last = line.fields
    same = ("id", "example")
    return (
        last is not None and format_of(last) == FORMAT and all(last.get(name) == head.fields.get(name) for name in same)
    )


def _import_midi(sessions: Path, path: Path, known: dict[str, _Place], done: Imported) -> None:
    with open(path, "rb") as file:
        content = file.read(_LARGEST_MIDI_BYTES + 1)
    if len(content) > _LARGEST_MIDI_BYTES:
        done.remarks.append(f"{path.name}: over {_LARGEST_MIDI_BYTES // 10**6} MB, so hardly one take; left")
        return
    try:
        sitting, data = line_from_midi(content)
        if sitting.get("kind") != SITTING or format_of(sitting) != FORMAT:
            raise ValueError(f"its sitting is of format {str(sitting.get('format'))[:20]}; update companion")
        head = RawLine(1, 0, dump_line(sitting), SITTING, sitting, sitting)
    except NotOurs as error:
        done.remarks.append(f"{path.name}: {error}; left")
        return
    except ValueError as error:
        done.remarks.append(f"{path.name}: {error}; left")
        return
    line = RawLine(1, 0, data, TAKE, decode_line(data), sitting)
    if _is_new(path.name, line, known, done):
        _write(sessions, head, [line], known, done)


def _import_table(sessions: Path, path: Path, known: dict[str, _Place], done: Imported) -> None:
    heads: dict[str, RawLine] = {}
    lines: dict[str, list[RawLine]] = {}
    try:
        for row, head, data in takes_in_tables(path):
            if isinstance(head, str):
                done.remarks.append(f"{path.name} row {row}: {head}; left")
                continue
            sitting = decode_line(head)
            line = RawLine(row, 0, data, TAKE, head_of(data), sitting)
            if line.fields["id"] in known:
                done.takes_there += 1  # with more than a table holds
            elif _is_new(path.name, line, known, done, "row"):
                heads.setdefault(sitting["id"], RawLine(1, 0, head, SITTING, sitting, sitting))
                lines.setdefault(sitting["id"], []).append(line)
    except ValueError as error:
        done.remarks.append(f"{path.name}: {error}; left")
    for name, head_line in heads.items():
        _write(sessions, head_line, lines[name], known, done)


def import_take(sessions: Path, take: TakeRecord) -> bool:
    """Put a take with its `id` and `started` into the log, in a sitting of its own; False, and nothing is written,
    where it is there already.

    Raises
    ------
    RecordError
        If the log can't be read or written.
    """
    with _there(sessions, Imported()), only_writer_of_log(sessions):
        known = _known(sessions)
        if take.id in known:
            return False
        data = encode_take(take)
        head = encode_sitting(take.id, datetime.fromisoformat(take.started), __version__)
        sitting = decode_line(head)
        line = RawLine(2, len(head), data, TAKE, head_of(data), sitting)
        _write(sessions, RawLine(1, 0, head, SITTING, sitting, sitting), [line], known, Imported())
    return True


def _holds_answers(path: Path) -> bool:
    """Whether a file begins as those of answers about shapes do, wherever it lies."""
    with open(path, "rb") as file:
        return answer_day(file.readline(10_000)) is not None


def _import_answers(sessions: Path, path: Path, done: Imported) -> None:
    horn = path.stem
    target = sessions / SHAPES / path.name
    if not _SAFE_HORN.fullmatch(horn) or target.is_symlink() or target.parent.is_symlink():
        done.remarks.append(f"{path}: answers about shapes go by the horn's name, such as alto{SUFFIX}; left")
        return
    if path.stat().st_size + (target.stat().st_size if target.exists() else 0) > LARGEST_BYTES:
        done.remarks.append(f"{path}: more answers than any practice makes; left")
        return
    there = set(target.read_bytes().splitlines()) if target.exists() else set()
    fresh: list[bytes] = []
    broken: list[int] = []
    for number, line in enumerate(path.read_bytes().splitlines(), start=1):
        if line in there:
            done.answers_there += 1
        elif answer_day(line) is not None:
            fresh.append(line)
            there.add(line)
        elif line.strip():
            broken.append(number)
    if broken:
        more = f", as {len(broken) - 1} more of its lines" if len(broken) > 1 else ""
        done.remarks.append(f"{path.name} line {broken[0]}: no answer about a shape that can be read; left{more}")
    if not fresh:
        return
    content = b"".join(line + b"\n" for line in fresh)
    with _writing(target, done):
        if target.exists():
            append_synced(target, content)
        else:
            make_dir_synced(target.parent)
            replace_synced(target, content)
    done.answers += len(fresh)
