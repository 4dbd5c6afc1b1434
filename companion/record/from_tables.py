"""Takes out of the tables that an export wrote, `takes.csv` with `notes.csv` beside it.

A table holds less than the log: no events, so such a take can't be replayed, but it counts as played, and its notes
tell of trouble spots. Columns may stand in any order and others between them; a spreadsheet may have put semicolons or
tabs between the columns, decimal commas or a mark of UTF-8 in front, or have written another encoding. What it may have
spoilt for good, bars that became dates and rows that were lost, is named and not taken in.
"""

from __future__ import annotations

import contextlib
import csv
import json
import re
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from pathlib import Path, PurePath
from typing import Any, TextIO

from companion.practice.model import VERDICTS
from companion.record.codec import encode_sitting, encode_take
from companion.record.model import NoteRecord, TakeRecord
from companion.record.take_tables import as_it_was
from companion.units import NS_PER_S

__all__ = ["NOTES_NAME", "TAKES_NAME", "TableTake", "takes_in_tables"]

TAKES_NAME, NOTES_NAME = "takes.csv", "notes.csv"
#: Without these a row is no take.
_NEEDED = ("take", "sitting", "started", "tempo_bpm")
_NEEDED_OF_NOTES = ("take", "note", "written_midi", "verdict")
_LONGEST_CELL = 1_000_000
_PORTION = 1 << 20
#: What a spreadsheet makes of bars 5-8 and of beat 5/2 where it takes them for days: 5-Aug, 05. Feb, 2026-08-05.
_DATE = re.compile(r"\d{1,4}[-./ ]+[^\W\d_]{3,}\W*(\d{2,4})?|[^\W\d_]{3,}[-./ ]+\d{1,4}|\d{1,4}([-./])\d{1,2}\2\d{1,4}")
#: No tempo, time or deviation comes near.
_LARGEST = 1e9

#: (row of the table, the sitting's first line, the take's line) or (row, why it is none, nothing)
TableTake = tuple[int, bytes | str, bytes]


def takes_in_tables(path: Path) -> Iterator[TableTake]:
    """The takes of a table, each with its notes where `notes.csv` is beside it.

    Raises
    ------
    ValueError
        If the table is none of takes.
    OSError
        If it can't be read.
    """
    notes_path = path.with_name(NOTES_NAME)
    # The notes of a year are more than there is room for: they go to a file that goes away by itself.
    with contextlib.closing(sqlite3.connect("")) as notes:
        notes.execute("CREATE TABLE note (take TEXT, number INTEGER, row INTEGER, cells TEXT)")
        if notes_path.is_symlink():
            raise ValueError(f"{NOTES_NAME} beside it is a link, which is not followed; put the file itself there")
        if notes_path.is_file():
            _read_notes(notes_path, notes)
        with _rows(path, _NEEDED) as (rows, tidy):
            for number, cells in enumerate(rows, start=2):
                try:
                    yield (number, *_take(tidy(cells), notes, tidy))
                except ValueError as error:
                    yield number, str(error), b""


@contextlib.contextmanager
def _rows(path: Path, needed: tuple[str, ...]) -> Iterator[tuple[Iterator[dict[str, Any]], _Tidy]]:
    csv.field_size_limit(_LONGEST_CELL)
    with open(path, encoding=_encoding(path), errors="replace", newline="") as file:
        between = _between(file)
        reader = csv.DictReader(file, delimiter=between)
        try:
            names = reader.fieldnames or ()
        except csv.Error as error:
            raise ValueError(f"no table ({error})") from None
        if missing := [name for name in needed if name not in names]:
            what = "notes" if needed is _NEEDED_OF_NOTES else "takes"
            raise ValueError(f"no table of {what}: there is no column {', '.join(missing)}")
        yield _whole(reader), _Tidy(between == ";")


def _encoding(path: Path) -> str:
    """UTF-8 as exported, else what spreadsheets write on Windows (Excel's plain "CSV"; from memory)."""
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            while file.read(_PORTION):
                pass
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _between(file: TextIO) -> str:
    """What stands between the columns, told by the first line."""
    head = file.readline(_LONGEST_CELL)
    file.seek(0)
    return max((",", ";", "\t"), key=head.count)


def _whole(reader: Iterator[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    try:
        yield from reader
    except csv.Error as error:
        raise ValueError(f"no table from some row on ({error})") from None


class _Tidy:
    """Cells as they were before a spreadsheet had them."""

    def __init__(self, decimal_commas: bool) -> None:
        self.decimal_commas = decimal_commas

    def __call__(self, cells: Mapping[Any, Any]) -> dict[str, str]:
        """The texts by column; those of no column are left out."""
        found = {}
        for name, value in cells.items():
            if isinstance(name, str) and isinstance(value, str):
                found[name] = as_it_was(value.strip())
        return found

    def number(self, cells: Mapping[str, str], name: str) -> float | None:
        text = cells.get(name, "")
        if not text:
            return None
        with contextlib.suppress(ValueError):
            value = float(text.replace(",", ".") if self.decimal_commas else text)
            if abs(value) < _LARGEST:
                return value
        raise ValueError(f"{name} should be a number, not {text[:40]!r}")

    def whole(self, cells: Mapping[str, str], name: str) -> int | None:
        value = self.number(cells, name)
        if value is not None and value != value // 1:
            raise ValueError(f"{name} should be a whole number, not {value:g}")
        return None if value is None else int(value)

    def printed(self, cells: Mapping[str, str], name: str) -> str:
        text = cells.get(name, "")
        if _DATE.fullmatch(text):
            raise ValueError(
                f"{name} is {text[:40]!r}, a date that a spreadsheet made of it; export again and let the spreadsheet"
                " read that column as text"
            )
        return text


def _read_notes(path: Path, notes: sqlite3.Connection) -> None:
    def row(number: int, cells: dict[str, str]) -> tuple[str | None, int | None, int, str]:
        order = None  # what is wrong with it is said with its take
        with contextlib.suppress(ValueError):
            order = tidy.whole(cells, "note")
        return cells.get("take"), order, number, json.dumps(cells)

    try:
        with _rows(path, _NEEDED_OF_NOTES) as (rows, tidy):
            found = (row(i, tidy(cells)) for i, cells in enumerate(rows, start=2))
            notes.executemany("INSERT INTO note VALUES (?, ?, ?, ?)", found)
    except ValueError as error:
        raise ValueError(f"{NOTES_NAME} beside it is {error}") from None
    notes.execute("CREATE INDEX note_take ON note (take)")


def _take(cells: Mapping[str, str], notes: sqlite3.Connection, tidy: _Tidy) -> tuple[bytes, bytes]:
    if missing := [name for name in _NEEDED if not cells.get(name)]:
        raise ValueError(f"{missing[0]} is empty")
    took = _started(cells["started"])
    records = _notes(cells, notes, tidy)
    number: Callable[[str], float | None] = lambda name: tidy.number(cells, name)  # noqa: E731
    take = TakeRecord(
        id=cells["take"], started=cells["started"], title=cells.get("title", ""), origin=cells.get("file", ""),
        sha256=cells.get("sha256", ""), part=cells.get("part", ""), bars=tidy.printed(cells, "bars"),
        instrument=cells.get("instrument", ""), port=cells.get("port", ""), tempo_bpm=number("tempo_bpm") or 0.0,
        tempo_played_bpm=number("tempo_played_bpm"), target_bpm=number("target_bpm"),
        rung=tidy.whole(cells, "rung") or 0, clean=cells.get("clean") == "1",
        performance=cells.get("performance") == "1", because=cells.get("because", ""),
        advice=cells.get("advice", ""), interrupted=cells.get("interrupted", ""),
        trouble_bars=tuple(cells.get("trouble_bars", "").split()),
        duration_ns=round((number("duration_s") or 0.0) * NS_PER_S), delay_ms=number("delay_ms") or 0.0,
        shift_semitones=tidy.whole(cells, "shift_semitones") or 0, notes=records,
    )  # fmt: skip
    sitting_id = PurePath(cells["sitting"]).stem
    head = encode_sitting(sitting_id, took, "out of a table", example=cells.get("example") == "1")
    return head, encode_take(take)


def _notes(cells: Mapping[str, str], notes: sqlite3.Connection, tidy: _Tidy) -> tuple[NoteRecord, ...]:
    """The notes of a take, all of them or none; rows that stand there twice count once."""
    rows = notes.execute("SELECT row, cells FROM note WHERE take = ? ORDER BY number, row", (cells["take"],))
    found: dict[int, tuple[str, NoteRecord]] = {}
    for row, text in rows:
        number, note = _placed(row, lambda text=text: _note(json.loads(text), tidy))  # type: ignore[misc]
        if found.setdefault(number, (text, note))[0] != text:
            raise ValueError(f"{NOTES_NAME} row {row}: note {number} of the take stands there twice, and differs")
    wanted = tidy.whole(cells, "notes")
    if found and (list(found) != list(range(1, len(found) + 1)) or wanted not in (None, len(found))):
        of = "" if wanted is None else f" of {wanted}"
        raise ValueError(f"{NOTES_NAME} has {len(found)}{of} of its notes; export again")
    return tuple(note for _, note in found.values())


def _started(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"started should be as 2026-11-27T17:00:00+01:00, not {text[:40]!r}") from None


def _placed(row: int, make: Callable[[], tuple[int, NoteRecord]]) -> tuple[int, NoteRecord]:
    try:
        return make()
    except ValueError as error:
        raise ValueError(f"{NOTES_NAME} row {row}: {error}") from None


def _note(cells: Mapping[str, str], tidy: _Tidy) -> tuple[int, NoteRecord]:
    number = tidy.whole(cells, "note")
    if number is None:
        raise ValueError("note is empty")
    written_midi = tidy.whole(cells, "written_midi")
    if written_midi is None or cells.get("verdict") not in VERDICTS:
        raise ValueError("written_midi is empty, or verdict none of " + ", ".join(VERDICTS[:-1]))
    return number, NoteRecord(
        bar=tidy.printed(cells, "bar"), beat=tidy.printed(cells, "beat"), written_midi=written_midi,
        fingering=cells.get("fingering", ""), keys=tuple(cells.get("keys", "").split()), verdict=cells["verdict"],
        deviation_ms=tidy.number(cells, "deviation_ms"), played_midi=tidy.whole(cells, "played_midi"),
        available_ms=tidy.number(cells, "available_ms"), went_back=tidy.whole(cells, "went_back") or 0,
        begun=cells.get("begun", ""), held_share=tidy.number(cells, "held_share"),
        articulation=tuple(filter(None, cells.get("articulation", "").split(", "))), misread=cells.get("misread", ""),
    )  # fmt: skip
