"""A studio of many students: who met what this week, who is stuck and where, and which changes fail in common.

Each student's folder holds a week sheet and a practice log as the student's own companion keeps them (see
`studio_files`). What is said of one student is what `companion week --student` and `companion trouble` say there: the
same functions decide.

Conventions
-----------
* Nobody is ranked: students stand by the names of their folders.
* An item is *stuck* where it is not reached, was played on at least `STUCK_DAYS` days of the last `STUCK_WITHIN_DAYS`,
  and the newest `STUCK_DAYS - 1` of them brought neither a faster clean take than the days before nor one at the
  target. Performances without a click count for none of it. (Ours, no source.)
* Trouble is looked for as `companion trouble` does, on the horn that was played last, and only for who played lately.
* Sittings too old to change any of this are looked at by their first and last lines alone.
* Simulated and example takes are nobody's practice.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from companion.charts import names
from companion.errors import WeekSheetError
from companion.record.model import TakeSummary, plain_text
from companion.record.progress import Reached, best_clean_bpm, clean_at_target, of_item, reached, with_click
from companion.record.studio_changes import note_changes, troubles_by_student
from companion.record.studio_files import LogFile, StudentFolder, content_hash, log_files_of, student_folders
from companion.record.studio_index import drop_index, handed_in, open_index, refresh, students_in, studio_index_path
from companion.record.studio_newest import read_newest
from companion.record.text import day_in_words
from companion.record.week import WeekItem, WeekSheet, load

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["CommonTrouble", "ItemState", "Spot", "Student", "Studio", "look_at_studio"]

STUCK_DAYS, STUCK_WITHIN_DAYS = 4, 21
#: So many students are looked at together, so that memory holds their takes.
_STUDENTS_AT_ONCE = 200
_SUMMARY = [name for name in TakeSummary._fields if name not in ("file", "offset", "example")]


@dataclass(frozen=True, slots=True)
class Spot:
    """What keeps failing for a student: the change, and the sentence with its evidence."""

    change: str
    sentence: str


@dataclass(frozen=True, slots=True)
class ItemState:
    """An item of a student's sheet and what was reached. `stuck` says how, empty where it goes on."""

    item: WeekItem
    reached: Reached
    stuck: str = ""


@dataclass(frozen=True, slots=True)
class Student:
    """One student, by the folder's `name`; `sheet` is None where there is none that can be read. `last_day` is the last
    one with a take, empty without any; minutes and takes are those of the sheet's week, or of the last seven days."""

    name: str
    sheet: WeekSheet | None
    items: tuple[ItemState, ...] = ()
    spots: tuple[Spot, ...] = ()
    last_day: str = ""
    week_minutes: float = 0.0
    week_takes: int = 0
    remarks: tuple[str, ...] = ()

    @property
    def shown(self) -> str:
        """The folder's name, as it can be printed."""
        return plain_text(self.name)

    def played_last(self, today: date) -> str:
        """The last day with a take in words, with its year where that is another one; `never` without a take."""
        if not self.last_day:
            return "never"
        last = date.fromisoformat(self.last_day)
        return day_in_words(last) if last.year == today.year else f"{last.day} {last:%b %Y}"

    @property
    def done(self) -> int:
        """How many items are reached."""
        return sum(state.reached.done for state in self.items)


@dataclass(frozen=True, slots=True)
class CommonTrouble:
    """A change that keeps failing for several students, and for whom."""

    change: str
    students: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Studio:
    """All of it; `files_read` is how many sittings were new or had changed."""

    students: tuple[Student, ...]
    common: tuple[CommonTrouble, ...]
    remarks: tuple[str, ...] = ()
    files_read: int = 0


@dataclass(slots=True)
class _Reading:
    """A student while being read."""

    folder: StudentFolder
    files: list[LogFile]
    remarks: list[str]
    sheet: WeekSheet | None = None
    takes: list[TakeSummary] = field(default_factory=list)
    last_day: str = ""


def look_at_studio(
    folder: Path,
    cache: Path | None,
    today: date,
    *,
    hash_of: Callable[[WeekSheet, WeekItem], str] | None = None,
    trouble: bool = True,
    say: Callable[[str], None] = lambda _: None,
) -> Studio:
    """Look at all students.

    Parameters
    ----------
    folder
        One folder a student in it.
    cache
        Folder of the index; None keeps none.
    today
        What is recent is reckoned from this day.
    hash_of
        Hash that takes of an item are known by; without it the file's own, and items of exercises find no takes.
    trouble
        Look for what keeps failing, too.
    say
        Told now and then how far it is.

    Raises
    ------
    RecordError
        If the folder can't be read, or no student is in it.
    """
    import duckdb

    path = studio_index_path(folder, cache) if cache is not None else None
    # An index can be damaged where no look at its beginning tells: it is made anew, or where that fails done without.
    # So it is where a student has left, for what is deleted from a database stays in its file for a while.
    for place in (path, path) if path is not None else ():
        try:
            return _look(folder, place, today, hash_of or _file_hash, trouble, say)
        except (duckdb.Error, _HasLeft):
            drop_index(place)
    return _look(folder, None, today, hash_of or _file_hash, trouble, say)


class _HasLeft(Exception):
    """The index knows a student who has no folder any more."""


def _look(
    folder: Path,
    path: Path | None,
    today: date,
    hash_of: Callable[[WeekSheet, WeekItem], str],
    trouble: bool,
    say: Callable[[str], None],
) -> Studio:
    remarks: list[str] = []
    readings = [_begin(student) for student in student_folders(folder, remarks)]
    files = [file for reading in readings for file in reading.files]
    say(f"{len(readings)} students, {len(files)} sittings")
    students: list[Student] = []
    with open_index(path) as index:
        if not students_in(index) <= {reading.folder.name for reading in readings}:
            raise _HasLeft
        read = refresh(index, files)
        if read:
            say(f"{read} sittings were new or had changed")
        since = {reading.folder.name: _asked_from(reading.sheet, today) for reading in readings}
        read_newest(index, files, since, today, names() if trouble else (), say)
        if trouble:
            say("looking for what keeps failing")
        spots = _spots(index, files, today) if trouble else {}
        for some in _portions(readings):
            _add_takes(index, some, today)
            students += [_student(reading, today, hash_of, spots.get(reading.folder.name, ())) for reading in some]
            for reading in some:
                reading.takes.clear()
            say(f"{len(students)} of {len(readings)} students looked at")
    return Studio(tuple(students), _common(students) if trouble else (), tuple(remarks), read)


def _begin(folder: StudentFolder) -> _Reading:
    remarks: list[str] = []
    reading = _Reading(folder, log_files_of(folder, remarks), remarks)
    if folder.sheet is not None:
        try:
            reading.sheet = load(folder.sheet)
        except WeekSheetError as error:
            # The page goes to the student: where the teacher keeps the folder is nobody's business there.
            remarks.append(f"week sheet not read: {plain_text(str(error).replace(f'{folder.path}{os.sep}', ''))}")
    return reading


def _asked_from(sheet: WeekSheet | None, today: date) -> str:
    """The first day of which all takes are asked for."""
    recent = today - timedelta(days=STUCK_WITHIN_DAYS)
    return min(recent, sheet.days[0] if sheet is not None else recent).isoformat()


def _portions(readings: Sequence[_Reading]) -> Iterator[Sequence[_Reading]]:
    for first in range(0, len(readings), _STUDENTS_AT_ONCE):
        yield readings[first : first + _STUDENTS_AT_ONCE]


def _add_takes(index: DuckDBPyConnection, readings: Sequence[_Reading], today: date) -> None:
    """Own takes of the last weeks, oldest first; what was odd in the sittings is said."""
    by_name = {reading.folder.name: reading for reading in readings}
    weeks = [reading.sheet.days if reading.sheet is not None else (today, today) for reading in readings]
    asked = {
        "student": list(by_name),
        "from_day": [days[0].isoformat() for days in weeks],
        "to_day": [days[-1].isoformat() for days in weeks],
    }
    since = (today - timedelta(days=STUCK_WITHIN_DAYS)).isoformat()
    with handed_in(index, "asked", asked):
        rows = index.execute(
            f"""
            SELECT s.student, s.file, {", ".join(f"t.{name}" for name in _SUMMARY)}
            FROM take t JOIN sitting s ON t.sitting = s.id JOIN asked a ON a.student = s.student
            WHERE t.own AND (t.day >= $since OR t.day BETWEEN a.from_day AND a.to_day)
            ORDER BY s.student, t.day, t.started, s.file, t.line
            """,
            {"since": since},
        ).fetchall()
        last = index.execute(
            "SELECT s.student, max(t.day) FROM take t JOIN sitting s ON t.sitting = s.id"
            " JOIN asked a ON a.student = s.student WHERE t.own GROUP BY s.student"
        ).fetchall()
        odd = index.execute(
            "SELECT s.student, s.remarks FROM sitting s JOIN asked a ON a.student = s.student WHERE s.remarks <> ''"
            " ORDER BY s.student, s.file"
        ).fetchall()
    for student, file, *values in rows:
        told = dict(zip(_SUMMARY, values, strict=True))
        by_name[student].takes.append(TakeSummary(file=file, offset=0, example=0, **told))
    for student, day in last:
        by_name[student].last_day = day
    for student, text in odd:
        by_name[student].remarks += text.split("\n")


def _student(
    reading: _Reading,
    today: date,
    hash_of: Callable[[WeekSheet, WeekItem], str],
    spots: tuple[Spot, ...],
) -> Student:
    sheet, takes = reading.sheet, reading.takes
    states = []
    for item in sheet.items if sheet is not None else ():
        states.append(_state(sheet, item, takes, hash_of, today))  # type: ignore[arg-type]
    days = {d.isoformat() for d in (sheet.days if sheet else [today - timedelta(days=i) for i in range(7)])}
    of_week = [take for take in takes if take.day in days]
    return Student(
        reading.folder.name, sheet, tuple(states), spots, reading.last_day,
        sum(take.duration_s for take in of_week) / 60, len(of_week), tuple(reading.remarks),
    )  # fmt: skip


def _file_hash(sheet: WeekSheet, item: WeekItem) -> str:
    """The hash of an item's file, where it is there."""
    if item.exercise:
        return "no exercise is made here"
    return content_hash(item.path)


def _state(
    sheet: WeekSheet,
    item: WeekItem,
    takes: Sequence[TakeSummary],
    hash_of: Callable[[WeekSheet, WeekItem], str],
    today: date,
) -> ItemState:
    sha256 = hash_of(sheet, item)
    found = reached(item, [day.isoformat() for day in sheet.days], takes, sha256)
    of_it, _ = of_item(item, takes, sha256)
    return ItemState(item, found, "" if found.done else _stuck(of_it, item.target_bpm, today))


def _stuck(takes: Sequence[TakeSummary], target_bpm: float, today: date) -> str:
    """How it is stuck, in words; empty where it goes on or too little was played to tell."""
    since = (today - timedelta(days=STUCK_WITHIN_DAYS)).isoformat()
    recent = [take for take in with_click(takes) if since <= take.day <= today.isoformat()]
    days = sorted({take.day for take in recent})
    if len(days) < STUCK_DAYS:
        return ""
    turn = days[-(STUCK_DAYS - 1)]
    newest = [take for take in recent if take.day >= turn]
    before, lately = best_clean_bpm(take for take in recent if take.day < turn), best_clean_bpm(newest)
    if before is None and lately is None:
        return f"no clean take on {len(days)} days"
    if lately is not None and (before is None or lately > before or clean_at_target(newest, target_bpm)):
        return ""
    target, from_day = f"(target {target_bpm:g})", day_in_words(date.fromisoformat(turn))
    if lately is None:
        how = f"clean at {before:g} before, no clean take since {from_day} {target}"
    elif lately == before:
        how = f"no faster than {before:g} since {day_in_words(date.fromisoformat(days[-STUCK_DAYS]))} {target}"
    else:
        how = f"clean at {before:g} before, no faster than {lately:g} since {from_day} {target}"
    bar = _most_named(newest)
    return f"{how}; most trouble in bar {bar}" if bar else how


def _most_named(takes: Iterable[TakeSummary]) -> str:
    """The bar that was named most often as the trouble."""
    counts: dict[str, int] = defaultdict(int)
    for take in takes:
        for bar in take.trouble_bars.split():
            counts[bar] += 1
    return max(counts, key=lambda bar: counts[bar]) if counts else ""


# -- what keeps failing -----------------------------------------------------------------------------------------------


def _spots(index: DuckDBPyConnection, files: Sequence[LogFile], today: date) -> dict[str, tuple[Spot, ...]]:
    """What keeps failing and isn't solved, by student, the worst first."""
    note_changes(index, files)
    return {
        student: tuple(Spot(spot.change, spot.sentence) for spot in spots if not spot.solved)
        for student, spots in troubles_by_student(index, today).items()
    }


def _common(students: Sequence[Student]) -> tuple[CommonTrouble, ...]:
    """Changes that fail for two students or more, the most common first."""
    who: dict[str, list[str]] = defaultdict(list)
    for student in students:
        for change in dict.fromkeys(spot.change for spot in student.spots):
            who[change].append(student.shown)
    found = [CommonTrouble(change, tuple(names)) for change, names in who.items() if len(names) > 1]
    return tuple(sorted(found, key=lambda trouble: (-len(trouble.students), trouble.change)))
