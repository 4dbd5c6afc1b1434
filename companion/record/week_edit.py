"""Writing a target into a week sheet: the teacher's own comments, order and layout stay as they are."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path, PurePosixPath
from typing import Any

import tomlkit
import tomlkit.exceptions
import tomlkit.items

from companion.errors import WeekSheetError
from companion.record.files import make_dir_synced, replace_synced
from companion.record.model import normal_bars, plain_text
from companion.record.toml_edit import edit_file, with_new_table
from companion.record.week import FORMAT, Option, parse, place_of, read_bytes
from companion.record.week_move import move_dates

__all__ = ["backup_path", "bring_along", "drop_target", "name_in", "put_back", "set_target"]

_HEAD = re.compile(rb"\s*\[\[\s*item\s*\]\]")
_LONE_END = re.compile(rb"(?<!\r)\n")
_NEW_SHEET = """\
# What to prepare this week. Tempos are quarters a minute; passages lie beside or below this file.
format = {format}
student = ""
week = {week}
"""


def backup_path(path: Path) -> Path:
    """Where the sheet's previous content is kept."""
    return path.with_name(path.name + "~")


def set_target(
    path: Path,
    passage: str,
    bars: str,
    target_bpm: float | None,
    by: date | str | None = None,
    *,
    clean_takes: int | None = None,
    start_bpm: float | None = None,
    step_bpm: float | None = None,
    step_percent: float | None = None,
    comment: str | None = None,
    articulation_share: float | None = None,
    exercise: str = "",
    exercise_options: Mapping[str, Option] | None = None,
    days: Sequence[str] | None = None,
    climb: str | None = None,
    fingerings: Mapping[str, str] | None = None,
    part: str | None = None,
    week: date | None = None,
    new_bars: str | None = None,
    without: Sequence[str] = (),
    only_there: bool = False,
    dry: bool = False,
) -> tuple[str, ...]:
    """Set what is to be reached on a passage; make the sheet where there is none.

    The item with this passage, these bars and this exercise is changed, or a new one added at the end. What is None
    stays as it was.
    The sheet is replaced as a whole, its previous content kept beside it as `week.toml~`.

    Parameters
    ----------
    path
        The week sheet.
    passage
        Path of the passage, relative to the sheet, with `/`.
    bars
        Printed bars such as `5-8`; empty for the whole passage.
    target_bpm
        Quarters a minute.
    step_bpm, step_percent
        From rung to rung; one of the two, which takes the place of the other in the sheet.
    articulation_share
        So many of the notes are to be slurred or tongued as written, 0 to 1.
    exercise, exercise_options
        To be made of these bars; empty for the music itself. Without options the first item with this exercise.
    days
        Weekdays such as `Mon` on which it is to be played; none for all of them.
    climb
        One of `practice.climbs.CLIMBS`.
    fingerings
        Names of fixed fingerings by place, such as `6.4`; an empty name lets that one go. Others stay.
    part
        Which part of the score, as `scores.read` takes it.
    by
        A weekday such as `Fri`, or a date.
    week
        The Monday of a new week (any day of it will do); a sheet made anew is for the present week without it. Dates
        that lie before it move by as many weeks as the sheet does.
    new_bars
        The item is to be these bars from now on.
    without
        What the item is to say no longer, such as `by`.
    only_there
        Change the item where it stands, and make none.
    dry
        Only find out whether it could be set.

    Returns
    -------
    tuple[str, ...]
        What else became of the sheet's items, a sentence each.

    Raises
    ------
    WeekSheetError
        If the sheet is faulty before (it is not touched then), would be faulty after, or can't be written; with
        `only_there` if it holds no such item.
    """
    which = _Which(passage, normal_bars(bars), exercise, exercise_options)
    change = _Change(week, None if new_bars is None else normal_bars(new_bars), tuple(without), only_there)
    # In this order they are written into a new item.
    values: dict[str, Any] = {"part": part, "target_bpm": _whole(target_bpm), "by": by}
    values |= {"days": None if days is None else list(days), "clean_takes": clean_takes}
    values |= {"start_bpm": _whole(start_bpm), "step_bpm": _whole(step_bpm), "step_percent": _whole(step_percent)}
    values |= {"climb": climb, "articulation_share": articulation_share, "comment": comment, "fingerings": fingerings}
    path = Path(os.path.realpath(path))
    said: tuple[str, ...] = ()

    def edited(old: bytes | None) -> bytes | None:
        nonlocal said
        new, said = _edited(path, old, which, values, change)
        return None if dry else new

    edit_file(path, edited, read_bytes, WeekSheetError, "set the target", backup=backup_path(path))
    return said


def drop_target(
    path: Path, passage: str, bars: str, exercise: str = "", exercise_options: Mapping[str, Option] | None = None
) -> None:
    """Take an item out of the sheet; its previous content is kept as with `set_target`.

    Raises
    ------
    WeekSheetError
        If there is no such item, or the sheet is missing, faulty, or can't be written.
    """
    which = _Which(passage, normal_bars(bars), exercise, exercise_options)
    path = Path(os.path.realpath(path))

    def edited(old: bytes | None) -> bytes:
        content = read_bytes(path) if old is None else old  # says that there is none
        document = _document(path, content)
        items = document.get("item", ())
        number = next((i for i, item in enumerate(items) if which.is_item(path.parent, item)), None)
        if number is None:
            raise which.is_missing(path)
        new = _without(content, document, number)
        parse(new, path)
        return new

    edit_file(path, edited, read_bytes, WeekSheetError, "take it out", backup=backup_path(path))


def put_back(path: Path, content: bytes, instead_of: bytes) -> None:
    """Take an edit back: the sheet holds `content` again instead of what the edit made of it.

    Raises
    ------
    WeekSheetError
        If somebody has written to the sheet since, or it can't be written.
    """
    path = Path(os.path.realpath(path))

    def edited(old: bytes | None) -> bytes:
        if old != instead_of:
            raise WeekSheetError(str(path), ["was changed since by somebody else, so nothing is taken back"])
        return content

    edit_file(path, edited, read_bytes, WeekSheetError, "take it back", backup=backup_path(path))


def bring_along(path: Path, passage: Path) -> tuple[str, Path | None]:
    """How to name `passage` in the sheet at `path`. A passage from elsewhere is copied to `passages/` beside the sheet,
    so that it travels with it.

    Returns
    -------
    tuple[str, Path | None]
        The name, and the copy if one was made.

    Raises
    ------
    WeekSheetError
        If another file of that name is there already, or it can't be copied.
    """
    folder, source = Path(os.path.realpath(path)).parent, Path(os.path.realpath(passage))
    name = name_in(path, passage)
    if source.is_relative_to(folder):
        return name, None
    copy = folder / name
    try:
        if copy.exists():
            if copy.read_bytes() == source.read_bytes():
                return name, None
            raise WeekSheetError(str(copy), [f"is another file than {passage}; rename one of the two"])
        make_dir_synced(copy.parent)
        replace_synced(copy, source.read_bytes())
    except OSError as error:
        raise WeekSheetError(str(copy), [f"{passage} can't be copied there ({error.strerror})"]) from error
    return name, copy


def name_in(path: Path, passage: Path) -> str:
    """How a passage is named in the sheet at `path`: where it is below the sheet, or where its copy is."""
    folder, source = Path(os.path.realpath(path)).parent, Path(os.path.realpath(passage))
    below = source if source.is_relative_to(folder) else folder / "passages" / source.name
    return below.relative_to(folder).as_posix()


def _whole(value: float | None) -> float | int | None:
    return int(value) if value is not None and float(value).is_integer() else value


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


@dataclass(frozen=True, slots=True)
class _Which:
    """The item that is meant."""

    passage: str
    bars: str
    exercise: str
    options: Mapping[str, Option] | None

    @property
    def keys(self) -> dict[str, Any]:
        """What names it in the sheet."""
        found: dict[str, Any] = {"passage": self.passage}
        found |= {"bars": self.bars} if self.bars else {}
        found |= {"exercise": self.exercise} if self.exercise else {}
        return found | ({"exercise_options": _in_line(self.options)} if self.options else {})

    def __str__(self) -> str:
        where = f"bars {self.bars} of {self.passage}" if self.bars else f"the whole of {self.passage}"
        return plain_text(f"{self.exercise} of {where}" if self.exercise else where)

    def is_missing(self, path: Path) -> WeekSheetError:
        """What to raise where the sheet has no such item."""
        return WeekSheetError(str(path), [f"holds nothing of {self}; companion week shows what it holds"])

    def is_item(self, folder: Path, item: Mapping[str, Any]) -> bool:
        """Whether a table of the sheet is this one."""
        return (
            _same_place(folder, str(item["passage"]), self.passage)
            and normal_bars(str(item.get("bars", ""))) == self.bars
            and item.get("exercise", "") == self.exercise
            and (self.options is None or dict(item.get("exercise_options", {})) == dict(self.options))
        )


@dataclass(frozen=True, slots=True)
class _Change:
    """What is to become of sheet and item beside the values."""

    week: date | None
    new_bars: str | None
    without: tuple[str, ...]
    only_there: bool


def _in_line(values: Mapping[str, Any]) -> tomlkit.items.InlineTable:
    """On one line, so that two who change two items never change the same line."""
    table = tomlkit.inline_table()
    table.update(values)
    return table


def _edited(
    path: Path, old: bytes | None, which: _Which, values: Mapping[str, Any], change: _Change
) -> tuple[bytes, tuple[str, ...]]:
    week, said = change.week, tuple[str, ...]()
    made = _NEW_SHEET.format(format=FORMAT, week=_monday(week or date.today())).encode()
    document = _document(path, made if old is None else old)
    if week is not None and document.get("week") != _monday(week):
        try:
            said = move_dates(document, _monday(week))
        except OverflowError:
            raise WeekSheetError(str(path), [f"can't be moved to the week of {week}: give a date nearer by"]) from None
        document["week"] = _monday(week)
    items = document.get("item", ())
    item = next((each for each in items if which.is_item(path.parent, each)), None)
    given = {key: value for key, value in values.items() if value is not None}
    tail = _cut_tail(item)
    if item is not None:
        _set_fingerings(item, given.pop("fingerings", {}))
    elif fixed := {place: name for place, name in given.pop("fingerings", {}).items() if name}:
        given["fingerings"] = _in_line(fixed)
    if "days" in given and not given["days"]:
        del given["days"]
        if item is not None:
            item.pop("days", None)
    if item is None and change.only_there:
        raise which.is_missing(path)
    if item is not None:
        for key in change.without:
            item.pop(key, None)
        if change.new_bars:
            item["bars"] = change.new_bars
        elif change.new_bars is not None:
            item.pop("bars", None)
        for key, other in (("step_bpm", "step_percent"), ("step_percent", "step_bpm")):
            if key in given and other not in given:
                item.pop(other, None)
        item.update(given)
        if tail:
            item.value.body.extend(tail)
        text = tomlkit.dumps(document)
        if old is not None and b"\r\n" in old and not _LONE_END.search(old):
            text = text.replace("\r\n", "\n").replace("\n", "\r\n")
    else:
        text = with_new_table(document, "item", which.keys | given)
    try:
        new = text.encode()
    except UnicodeEncodeError:
        raise WeekSheetError(
            str(path), [f"{plain_text(which.passage)!r} is no UTF-8, as a sheet is: rename it"]
        ) from None
    parse(new, path)
    return new, said


def _without(content: bytes, document: tomlkit.TOMLDocument, number: int) -> bytes:
    """The sheet without an item, and without the comment right above it, which speaks of it."""
    lines = content.splitlines(keepends=True)
    starts = [_comment_above(lines, i) for i, line in enumerate(lines) if _HEAD.match(line)]
    items = document["item"].unwrap()
    if len(starts) == len(items):
        end = starts[number + 1] if number + 1 < len(starts) else _comment_above(lines, len(lines))
        new = b"".join([*lines[: starts[number]], *lines[end:]])
        if tomllib.loads(new.decode("utf-8-sig")).get("item", []) == [*items[:number], *items[number + 1 :]]:
            return new
    # Written otherwise, such as item = [{...}]: the comments stay where they are.
    del document["item"][number]
    if len(items) == 1:
        del document["item"]
    return tomlkit.dumps(document).encode()


def _comment_above(lines: Sequence[bytes], at: int) -> int:
    """Where the comment begins that ends above line `at`."""
    while at and lines[at - 1].lstrip().startswith(b"#"):
        at -= 1
    return at


def _document(path: Path, content: bytes) -> tomlkit.TOMLDocument:
    """A sheet to be edited. Raises `WeekSheetError` where it is faulty."""
    parse(content, path)
    try:
        return tomlkit.parse(content.decode("utf-8-sig"))
    except tomlkit.exceptions.TOMLKitError as error:
        raise WeekSheetError(str(path), [f"can't be edited keeping its layout ({error}); edit it by hand"]) from error


def _cut_tail(item: Any) -> list[Any]:
    """Take off the blank lines and comments that lead on to the next item: what is new stands above them."""
    if not isinstance(item, tomlkit.items.Table):
        return []
    body = item.value.body
    end = len(body)
    while end and body[end - 1][0] is None:
        end -= 1
    tail = body[end:]
    del body[end:]
    return tail


def _set_fingerings(item: Any, given: Mapping[str, str]) -> None:
    """Those that are given, in the table that is there, with whatever is written beside the others."""
    fixed = item.get("fingerings")
    for place, name in given.items():
        if not name:
            if fixed is not None:
                fixed.pop(place, None)
        elif fixed is None:
            fixed = item["fingerings"] = _in_line({place: name})
        else:
            fixed[place] = name
    if given and fixed is not None and not fixed:
        item.pop("fingerings")


def _same_place(folder: Path, one: str, other: str) -> bool:
    if PurePosixPath(one) == PurePosixPath(other):
        return True
    try:
        return os.path.realpath(place_of(folder, one)) == os.path.realpath(place_of(folder, other))
    except ValueError:
        return False
