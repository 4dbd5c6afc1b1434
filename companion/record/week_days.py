"""Days of a week as people write them: `Fri`, `friday`, `Mon, Wed`, a date."""

from __future__ import annotations

from datetime import date, datetime, timedelta

__all__ = ["WEEKDAYS", "day_from", "weekdays_in"]

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_WEEKDAY_NAMES = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


def day_from(value: object, week: date) -> date:
    """The day that `Fri`, `Friday`, a date or its text mean in the week that begins on Monday `week`.

    Raises
    ------
    ValueError
        If it is no day, or one before the week.
    """
    if isinstance(value, str):
        word = value.strip().lower()
        for i, name in enumerate(_WEEKDAY_NAMES):
            if len(word) >= 2 and name.startswith(word):
                return week + timedelta(days=i)
        try:
            value = date.fromisoformat(value.strip())
        except ValueError:
            value = None
    if not isinstance(value, date) or isinstance(value, datetime):
        raise ValueError('should be a weekday such as "Fri" or a date such as 2026-11-27')
    if value < week:
        raise ValueError(f"is {value}, before the week of {week}")
    return value


def weekdays_in(text: str) -> list[str]:
    """`Mon,wednesday` as `["Mon", "Wed"]`, nothing for `all`.

    Raises
    ------
    ValueError
        With the word that is no weekday.
    """
    if text.strip().lower() == "all":
        return []
    monday, found = date(2024, 1, 1), set()
    for word in text.replace(",", " ").split():
        try:
            day = (day_from(word, monday) - monday).days
        except (ValueError, OverflowError):
            day = -1
        if not 0 <= day < len(WEEKDAYS):
            raise ValueError(word)
        found.add(day)
    return [WEEKDAYS[day] for day in sorted(found)]
