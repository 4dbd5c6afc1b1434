"""Writing a target into a week sheet: the teacher's own comments, order and layout stay as they are."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import date, timedelta
from pathlib import Path, PurePosixPath
from typing import Any

import tomlkit
import tomlkit.exceptions

from companion.errors import WeekSheetError
from companion.record.files import make_dir_synced, replace_synced
from companion.record.model import normal_bars, plain_text
from companion.record.toml_edit import edit_file, with_new_table
from companion.record.week import FORMAT, parse, place_of, read_bytes

__all__ = ["backup_path", "bring_along", "set_target"]

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
    target_bpm: float,
    by: date | str | None = None,
    *,
    clean_takes: int | None = None,
    start_bpm: float | None = None,
    step_bpm: float | None = None,
    step_percent: float | None = None,
    comment: str | None = None,
    articulation_share: float | None = None,
    week: date | None = None,
    dry: bool = False,
) -> None:
    """Set what is to be reached on a passage; make the sheet where there is none.

    The item with this passage and these bars is changed, or a new one added at the end. What is None stays as it was.
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
    by
        A weekday such as `Fri`, or a date.
    week
        The Monday of a new week (any day of it will do); a sheet made anew is for the present week without it.
    dry
        Only find out whether it could be set.

    Raises
    ------
    WeekSheetError
        If the sheet is faulty before (it is not touched then), would be faulty after, or can't be written.
    """
    values = {"target_bpm": _whole(target_bpm), "by": by, "clean_takes": clean_takes, "start_bpm": _whole(start_bpm)}
    values |= {"step_bpm": _whole(step_bpm), "step_percent": _whole(step_percent), "comment": comment}
    values["articulation_share"] = articulation_share
    path = Path(os.path.realpath(path))

    def edited(old: bytes | None) -> bytes | None:
        new = _edited(path, old, passage, normal_bars(bars), values, week)
        return None if dry else new

    edit_file(path, edited, read_bytes, WeekSheetError, "set the target", backup=backup_path(path))


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
    if source.is_relative_to(folder):
        return source.relative_to(folder).as_posix(), None
    copy = folder / "passages" / source.name
    name = copy.relative_to(folder).as_posix()
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


def _whole(value: float | None) -> float | int | None:
    return int(value) if value is not None and float(value).is_integer() else value


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


def _edited(
    path: Path, old: bytes | None, passage: str, bars: str, values: Mapping[str, Any], week: date | None
) -> bytes:
    if old is None:
        text = _NEW_SHEET.format(format=FORMAT, week=_monday(week or date.today()))
    else:
        parse(old, path)
        text = old.decode("utf-8-sig")
    try:
        document = tomlkit.parse(text)
    except tomlkit.exceptions.TOMLKitError as error:
        raise WeekSheetError(str(path), [f"can't be edited keeping its layout ({error}); edit it by hand"]) from error
    if week is not None and document.get("week") != _monday(week):
        document["week"] = _monday(week)
    given = {key: value for key, value in values.items() if value is not None}
    item = _item_in(path.parent, document, passage, bars)
    if item is not None:
        for key, other in (("step_bpm", "step_percent"), ("step_percent", "step_bpm")):
            if key in given and other not in given:
                item.pop(other, None)
        item.update(given)
        text = tomlkit.dumps(document)
    else:
        text = with_new_table(document, "item", {"passage": passage} | ({"bars": bars} if bars else {}) | given)
    try:
        new = text.encode()
    except UnicodeEncodeError:
        raise WeekSheetError(str(path), [f"{plain_text(passage)!r} is no UTF-8, as a sheet is: rename it"]) from None
    parse(new, path)
    return new


def _item_in(folder: Path, document: tomlkit.TOMLDocument, passage: str, bars: str) -> Any:
    for item in document.get("item", ()):
        if _same_place(folder, str(item["passage"]), passage) and normal_bars(str(item.get("bars", ""))) == bars:
            return item
    return None


def _same_place(folder: Path, one: str, other: str) -> bool:
    if PurePosixPath(one) == PurePosixPath(other):
        return True
    try:
        return os.path.realpath(place_of(folder, one)) == os.path.realpath(place_of(folder, other))
    except ValueError:
        return False
