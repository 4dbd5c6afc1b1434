"""The week's items in words, for its page."""

from __future__ import annotations

from datetime import date

from companion.practice.climbs import CLIMBS
from companion.practice.words import capital, piece_in_words, printed_bars
from companion.record.text import day_in_words
from companion.record.week import DEFAULT_CLEAN_TAKES, WeekItem, WeekSheet
from companion.window.week_data import ItemAbout

__all__ = ["Field", "day_by_name", "fields_of", "heading_of", "title_of"]

#: (letter, label, what it says, whether the sheet says it)
Field = tuple[str, str, str, bool]


def day_by_name(day: date) -> str:
    """`Friday 27 Nov`."""
    return f"{day:%A} {day.day} {day:%b}"


def title_of(item: WeekItem, about: ItemAbout | None, *, begins: bool = False) -> str:
    """`Étude in E minor, bars 5–8`; of an exercise `links of Étude in E minor, bars 5–8`, where it begins a line
    `Links of ...`."""
    name = capital(item.exercise) if begins else item.exercise
    return piece_in_words((about.title if about else "") or item.path.stem, item.bars, name)


def heading_of(sheet: WeekSheet) -> str:
    """`Week of Monday 23 November 2026, Robin Example`."""
    heading = f"Week of Monday {sheet.week.day} {sheet.week:%B %Y}"
    return f"{heading}, {sheet.student}" if sheet.student else heading


def fields_of(item: WeekItem, sheet: WeekSheet) -> list[Field]:
    """What the sheet says of an item, field by field, and what holds where it says nothing."""
    due = day_in_words(item.by) if item.by else "the end of the week"
    takes = f"{item.clean_takes or DEFAULT_CLEAN_TAKES}{'' if item.clean_takes else ', as usual'}"
    days = ", ".join(day_in_words(day)[:3] for day in item.days) or "every day until then"
    climb = [CLIMBS[item.climb].title] if item.climb else ["steady steps, as usual"]
    climb += [f"from {item.start_bpm:g}"] if item.start_bpm else []
    climb += [f"by {item.step_bpm:g}"] if item.step_bpm else []
    climb += [f"by {item.step_percent:g} per cent"] if item.step_percent else []
    share = item.articulation_share
    told = f"{100 * share:.0f} % of the notes as written" if share else "not asked for"
    fixed = ", ".join(f"{place} {name}" for place, name in item.fingerings.items())
    options = ", ".join(f"{name} {value}" for name, value in item.exercise_options.items())
    fields: list[Field] = [
        ("T", "Target", f"{item.target_bpm:g} quarters a minute", True),
        ("B", "Bars", printed_bars(item.bars, "the whole passage"), bool(item.bars)),
        ("D", "Due", due, item.by is not None),
        ("N", "Clean takes", takes, item.clean_takes is not None),
        ("W", "Days", days, bool(item.days)),
        ("L", "Climb", ", ".join(climb), bool(item.climb or item.start_bpm or item.step_bpm or item.step_percent)),
        ("A", "Articulation", told, bool(share)),
        ("F", "Fingerings", fixed or "as planned", bool(fixed)),
    ]
    if item.part:
        fields.insert(1, ("", "Part", item.part, True))
    if item.exercise:
        fields.insert(1, ("", "Exercise", f"{item.exercise}{f', {options}' if options else ''}", True))
    return fields
