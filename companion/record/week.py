"""The week sheet: what teacher and student agreed for this week, a small TOML file they exchange with the passages.

    format = 1
    student = "..."
    week = 2026-11-23            # a Monday

    [[item]]
    passage = "passages/etude-e-minor.musicxml"      # beside or below the sheet
    part = "2"                   # optional: which part, where the score has several
    bars = "5-8"                 # optional: the whole passage without it
    target_bpm = 96              # quarters a minute
    by = "Fri"                   # optional: a weekday, or a date
    clean_takes = 3              # optional: so many clean takes at the target
    start_bpm = 60               # optional, as is step_bpm, or step_percent in its place
    climb = "alternate"          # optional: the shape of the climb, see practice.climbs
    articulation_share = 0.9     # optional: so many of the notes slurred or tongued as written, for a take to be clean
    days = ["Mon", "Wed"]        # optional: on which days it is to be played; all up to `by` without it
    exercise = "links"           # optional: not the music itself but this exercise made of it
    exercise_options = { times = 4 }
    fingerings = { "6.4" = "side" }    # optional: fixed ones, by bar and note; they win over the mark sheet's
    comment = "..."              # optional

Every fault is named with its place, all of them at once; a week sheet comes from another computer, so a passage outside
the sheet's own folder is refused.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path, PurePosixPath, PureWindowsPath
from types import MappingProxyType
from typing import Any

from companion.errors import WeekSheetError
from companion.practice.climbs import CLIMBS
from companion.record import teacher_file
from companion.record.model import normal_bars
from companion.record.teacher_file import Faults, data_from, tables_in
from companion.record.week_days import WEEKDAYS, day_from, weekdays_in
from companion.scores.guards import one_line

__all__ = [
    "DEFAULT_CLEAN_TAKES",
    "FORMAT",
    "MAX_BPM",
    "MIN_BPM",
    "WEEKDAYS",
    "Option",
    "WeekItem",
    "WeekSheet",
    "day_from",
    "item_for",
    "items_of",
    "load",
    "parse",
    "weekdays_in",
]

FORMAT = 1
MAX_ITEMS = 200
MIN_BPM, MAX_BPM = 10.0, 400.0
#: Common practice, no source: three times in a row, then on.
DEFAULT_CLEAN_TAKES = 3
_SHEET_KEYS = ("format", "student", "week", "item")
_ITEM_KEYS = (
    "passage",
    "part",
    "bars",
    "target_bpm",
    "by",
    "clean_takes",
    "start_bpm",
    "step_bpm",
    "step_percent",
    "comment",
    "articulation_share",
    "exercise",
    "exercise_options",
    "days",
    "climb",
    "fingerings",
)
#: Of a longer comment the rest is not shown.
MAX_LETTERS = 2_000
MAX_FINGERINGS, MAX_OPTIONS = 500, 20
_PLACE = re.compile(r"[\w ]{1,8}\.-?[1-9]\d{0,3}")
#: A week later there is no date any more.
_LAST_MONDAY = date(9999, 12, 13)
_NOTHING: Mapping[str, Any] = MappingProxyType({})
_BARS = re.compile(r"\w{1,8}( ?[-–] ?\w{1,8})?")


Option = str | int | float | bool


@dataclass(frozen=True, slots=True)
class WeekItem:
    """One thing to prepare. `passage` is written relative to the sheet, `path` is where it is on this computer; `bars`
    is empty for the whole passage. Tempos are quarters a minute. What the sheet doesn't say is None or empty.

    `exercise` names one of `exercises.REGISTRY`, to be made of these bars with `exercise_options`. `days` are those on
    which it is to be played (`WeekSheet.days_of` knows the usual ones, too), `climb` is one of `climbs.CLIMBS`,
    `fingerings` are fixed by place (`6.4`, the fourth note of bar 6). `part` is named as `scores.read` takes it.
    """

    passage: str
    path: Path
    target_bpm: float
    bars: str = ""
    by: date | None = None
    clean_takes: int | None = None
    start_bpm: float | None = None
    step_bpm: float | None = None
    comment: str = ""
    step_percent: float | None = None
    articulation_share: float | None = None
    exercise: str = ""
    exercise_options: Mapping[str, Option] = field(default_factory=dict, hash=False)
    days: tuple[date, ...] = ()
    climb: str = ""
    fingerings: Mapping[str, str] = field(default_factory=dict, hash=False)
    part: str = ""


@dataclass(frozen=True, slots=True)
class WeekSheet:
    """A week's targets. `week` is its Monday."""

    path: Path
    week: date
    student: str
    items: tuple[WeekItem, ...]

    @property
    def days(self) -> tuple[date, ...]:
        """The seven days, from Monday."""
        return tuple(self.week + timedelta(days=i) for i in range(7))

    def days_of(self, item: WeekItem) -> tuple[date, ...]:
        """The days on which an item is to be played: those that it names, else all up to the one it is due."""
        return item.days or tuple(day for day in self.days if item.by is None or day <= item.by)


def load(path: Path) -> WeekSheet:
    """Read a week sheet.

    Raises
    ------
    WeekSheetError
        If it is missing, too big, no TOML, or faulty: all faults with their lines; for a mistyped key the likely one.
    """
    path = Path(path)
    return parse(read_bytes(path), path)


def read_bytes(path: Path) -> bytes:
    """The sheet's content. Raises `WeekSheetError` where it can't be read or is too big."""
    return teacher_file.read_bytes(path, WeekSheetError, "week sheet", "make one with: companion week set")


def parse(content: bytes, path: Path) -> WeekSheet:
    """The sheet that `content` holds; `path` is where it stands. Raises `WeekSheetError` as `load` does."""
    text, data = data_from(content, path, WeekSheetError)
    reader = _Reader(path, text)
    sheet = reader.sheet(data)
    if messages := reader.faults.messages():
        raise WeekSheetError(str(path), messages)
    return sheet


def item_for(
    sheet: WeekSheet,
    passage_path: Path,
    bars: str = "",
    exercise: str = "",
    options: Mapping[str, Option] | None = None,
) -> WeekItem | None:
    """The item for these bars of this file, else the one for the whole of it, else None.

    A copy of the file elsewhere counts as the file when its name and content are the same. `exercise` is the one that
    is to be made of the bars, empty for the music itself; without `options` (values or their texts) the first with it.
    """
    wanted = normal_bars(bars)
    items = [item for item in items_of(sheet, passage_path) if item.exercise == exercise]
    if options is not None:
        items = [item for item in items if _texts(item.exercise_options) == _texts(options)]
    exact = [item for item in items if item.bars == wanted]
    whole = [item for item in items if not item.bars]
    return next(iter(exact or whole), None)


def items_of(sheet: WeekSheet, passage_path: Path) -> tuple[WeekItem, ...]:
    """All items of this file, or of a copy of it as `item_for` has them."""
    return tuple(item for item in sheet.items if _same_file(item.path, Path(passage_path)))


def _texts(options: Mapping[str, Option]) -> dict[str, str]:
    return {name: str(value).lower() for name, value in options.items()}


def _same_file(a: Path, b: Path) -> bool:
    if os.path.realpath(a) == os.path.realpath(b):
        return True
    try:
        if a.name != b.name or a.stat().st_size != b.stat().st_size:
            return False
        return hashlib.sha256(a.read_bytes()).digest() == hashlib.sha256(b.read_bytes()).digest()
    except OSError:
        return False


def place_of(folder: Path, passage: str) -> Path:
    """Where a passage named in a sheet is.

    Raises
    ------
    ValueError
        If it is not a plain relative path that stays within `folder`.
    """
    if "\\" in passage or "\0" in passage:
        raise ValueError("should be written with / between folders")
    if not passage.isprintable():
        raise ValueError("holds characters that can't be shown; rename the file")
    pure = PurePosixPath(passage)
    if pure.is_absolute() or PureWindowsPath(passage).drive:
        raise ValueError("should be relative to the week sheet, not an absolute path")
    if ".." in pure.parts or not pure.parts:
        raise ValueError("should lie beside or below the week sheet, without ..")
    path = folder / pure
    # Not Path.resolve, which raises RuntimeError at a link to itself.
    if not Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder)):
        raise ValueError("leads out of the week sheet's folder")
    return path


class _Reader:
    """Collects all faults of one sheet while reading it."""

    def __init__(self, path: Path, text: str) -> None:
        self.path = path
        self.faults = Faults(text, ("item",))

    def fault(self, item: int | None, key: str, message: str) -> None:
        self.faults.add(_place(item), key, message)

    def sheet(self, data: Mapping[str, Any]) -> WeekSheet:
        self.faults.unknown_keys(None, data, _SHEET_KEYS)
        self.faults.format(data, FORMAT)
        week = self.monday(data.get("week"))
        items = tables_in(data, "item", MAX_ITEMS, self.faults)
        read = [self.item(i, item, week) for i, item in enumerate(items)]
        self.doubles(read)
        student = one_line(self.text(None, data, "student"))
        return WeekSheet(self.path, week, student, tuple(item for item in read if item is not None))

    def monday(self, value: object) -> date:
        if type(value) is not date:
            self.fault(None, "week", "should be a Monday's date without quotes, such as week = 2026-11-23")
            return date.min
        if value > _LAST_MONDAY:
            self.fault(None, "week", f"{value} is the end of all dates; write this week's Monday")
            return date.min
        monday = value - timedelta(days=value.weekday()) if value.toordinal() > 7 else value
        if value != monday:
            self.fault(None, "week", f"{value} is a {value:%A}; the Monday of that week is {monday}")
        return monday

    def item(self, i: int, table: Mapping[str, Any], week: date) -> WeekItem | None:
        before = len(self.faults.found)
        self.faults.unknown_keys(_place(i), table, _ITEM_KEYS)
        passage = self.text(i, table, "passage", needed=True)
        target_bpm = self.tempo(i, table, "target_bpm", needed=True)
        start_bpm = self.tempo(i, table, "start_bpm")
        by = self.day(i, table, week)
        exercise, options = self.exercise(i, table)
        item = WeekItem(
            passage=passage,
            path=self.place(i, passage),
            target_bpm=target_bpm or 0.0,
            bars=self.bars(i, table),
            by=by,
            clean_takes=self.count(i, table, "clean_takes"),
            start_bpm=start_bpm,
            step_bpm=self.number(i, table, "step_bpm", 0.5, 100.0),
            comment=one_line(self.text(i, table, "comment"), MAX_LETTERS),
            step_percent=self.number(i, table, "step_percent", 1.0, 50.0),
            articulation_share=self.number(i, table, "articulation_share", 0.0, 1.0),
            exercise=exercise,
            exercise_options=options,
            days=self.days(i, table, week, by),
            climb=self.faults.one_of(_place(i), table, "climb", CLIMBS),
            fingerings=self.fingerings(i, table),
            part=self.part(i, table),
        )
        if "step_bpm" in table and "step_percent" in table:
            self.fault(i, "step_percent", "stands beside step_bpm; keep one of the two")
        if start_bpm and target_bpm and start_bpm > target_bpm:
            self.fault(i, "start_bpm", f"{start_bpm:g} is above target_bpm {target_bpm:g}")
        return item if len(self.faults.found) == before else None

    def doubles(self, items: list[WeekItem | None]) -> None:
        seen: dict[object, int] = {}
        for i, item in enumerate(items):
            if item is None:
                continue
            options = tuple(sorted(item.exercise_options.items()))
            first = seen.setdefault((item.passage, item.bars, item.exercise, options), i)
            if first != i:
                same = "these bars and this exercise" if item.exercise else "these bars"
                self.fault(i, "passage", f"with {same} stands in item {first + 1} already")

    def text(self, item: int | None, table: Mapping[str, Any], key: str, needed: bool = False) -> str:
        return self.faults.text(_place(item), table, key, needed)

    def place(self, i: int, passage: str) -> Path:
        try:
            return place_of(self.path.parent, passage) if passage.strip() else self.path
        except (ValueError, OSError) as error:
            self.fault(i, "passage", f"{passage[:80]!r} {error}")
            return self.path

    def bars(self, i: int, table: Mapping[str, Any]) -> str:
        value = table.get("bars", "")
        text = str(value).strip() if isinstance(value, str) or type(value) is int else "?"
        if text and not _BARS.fullmatch(text):
            self.fault(i, "bars", f'should be a text such as "5-8" or "5", not {str(value)[:40]!r}')
            return ""
        return normal_bars(text)

    def part(self, i: int, table: Mapping[str, Any]) -> str:
        value = table.get("part", "")
        if type(value) is int and value > 0:
            return str(value)
        return one_line(self.text(i, table, "part"))

    def day(self, i: int, table: Mapping[str, Any], week: date) -> date | None:
        if "by" not in table:
            return None
        try:
            return day_from(table["by"], week)
        except (ValueError, OverflowError) as error:
            self.fault(i, "by", str(error))
            return None

    def days(self, i: int, table: Mapping[str, Any], week: date, by: date | None) -> tuple[date, ...]:
        value = table.get("days", [])
        if not isinstance(value, list) or ("days" in table and not value):
            self.fault(i, "days", 'should be a list of weekdays such as ["Mon", "Wed"]')
            return ()
        found = set()
        for each in value:
            try:
                day = day_from(each, week)
                if day - week >= timedelta(days=7):
                    raise ValueError(f"is {day}, after the week of {week}")
                if by is not None and day > by:
                    raise ValueError(f"comes after the day it is due, {by:%a}")
                found.add(day)
            except (ValueError, OverflowError) as error:
                self.fault(i, "days", f"{one_line(str(each), 20)!r} {error}")
        return tuple(sorted(found))

    def exercise(self, i: int, table: Mapping[str, Any]) -> tuple[str, Mapping[str, Option]]:
        given = table.get("exercise_options", {})
        if "exercise" not in table:
            if "exercise_options" in table:
                self.fault(i, "exercise_options", 'needs an exercise beside it, such as exercise = "links"')
            return "", _NOTHING
        from companion.exercises import REGISTRY  # not before: most sheets name none

        name = self.faults.one_of(_place(i), table, "exercise", REGISTRY)
        if not isinstance(given, dict) or len(given) > MAX_OPTIONS:
            self.fault(i, "exercise_options", "should be a small table such as { times = 4 }")
            return name, _NOTHING
        if not name:
            return "", _NOTHING
        defaults, found = REGISTRY[name].options, {}
        self.faults.unknown_keys(_place(i), given, tuple(defaults))
        for key, value in given.items():
            if key in defaults:
                usual = defaults[key]
                number = float(value) if type(value) is int and type(usual) is float else value
                if type(number) is type(usual):
                    found[key] = number
                else:
                    self.fault(i, "exercise_options", f"{key} should be such as {usual!r}, not {str(value)[:40]!r}")
        return name, MappingProxyType(found)

    def fingerings(self, i: int, table: Mapping[str, Any]) -> Mapping[str, str]:
        value = table.get("fingerings", {})
        if not isinstance(value, dict) or len(value) > MAX_FINGERINGS:
            self.fault(i, "fingerings", 'should be a table such as { "6.4" = "side" }')
            return _NOTHING
        for place, name in value.items():
            if not _PLACE.fullmatch(place):
                shown = one_line(place, 20)
                self.fault(
                    i, "fingerings", f'{shown!r} is no place: write bar and note in quotes, such as "6.4" = "side"'
                )
            elif not isinstance(name, str) or not one_line(name):
                self.fault(i, "fingerings", f'{place} should name a fingering, such as "{place}" = "side"')
        return MappingProxyType({place: one_line(str(name)) for place, name in value.items()})

    def count(self, i: int, table: Mapping[str, Any], key: str) -> int | None:
        return self.faults.whole(_place(i), table, key, 1, 100)

    def tempo(self, i: int, table: Mapping[str, Any], key: str, needed: bool = False) -> float | None:
        if needed and key not in table:
            self.fault(i, key, f"is missing; write such as {key} = 96")
        return self.number(i, table, key, MIN_BPM, MAX_BPM)

    def number(self, i: int, table: Mapping[str, Any], key: str, low: float, high: float) -> float | None:
        return self.faults.number(_place(i), table, key, low, high)


def _place(item: int | None) -> tuple[str, int] | None:
    return None if item is None else ("item", item)
