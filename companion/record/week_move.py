"""Dates in a week sheet that goes on to another week. Weekdays go along by themselves; a date that the new week has
behind it would go along as well if it were a weekday, so it moves by as many weeks, and that is said."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from companion.practice.words import piece_in_words
from companion.record.model import plain_text
from companion.record.week import day_from

__all__ = ["move_dates"]


def move_dates(document: Any, week: date) -> tuple[str, ...]:
    """Move what has to be moved in an editable sheet (right before) when it goes to another Monday; `document["week"]`
    is still the old one. Returns what is to be said, a sentence for each item."""
    by_days = week - document["week"]
    return tuple(said for item in document.get("item", ()) if (said := _move_item(item, week, by_days)))


def _move_item(item: Any, week: date, by_days: timedelta) -> str:
    said = []
    due = _date_in(item.get("by"))
    if due is not None and due < week:
        item["by"] = _as_written(item["by"], due + by_days)
        said.append(f"due on {_in_words(due)}, before that week: now {_in_words(due + by_days)}")
    days = item.get("days", [])
    for number, each in enumerate(days):
        if (day := _date_in(each)) is not None:
            days[number] = _as_written(each, day + by_days)
    # One that was due in the week after may be due before the last of its days now.
    by = day_from(item["by"], week) if "by" in item else date.max
    late = [number for number, each in enumerate(days) if day_from(each, week) > by]
    if late:
        names = ", ".join(f"{day_from(days[number], week):%a}" for number in late)
        for number in reversed(late):
            del days[number]
        if not days:
            item.pop("days")
        said.append(f"{names} left out of its days, for it is due on {_in_words(by)}")
    return f"{_name(item)}: {'; '.join(said)}." if said else ""


def _date_in(value: object) -> date | None:
    """A day that is written as a date, with quotes or without; None for a weekday and for nothing."""
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(str(value).strip())
    except ValueError:
        return None


def _as_written(old: object, day: date) -> date | str:
    return day.isoformat() if isinstance(old, str) else day


def _in_words(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def _name(item: Mapping[str, Any]) -> str:
    return plain_text(piece_in_words(*(str(item.get(key, "")) for key in ("passage", "bars", "exercise"))))
