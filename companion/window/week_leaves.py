"""The leaves of the week's page: what each field of an item offers, and what choosing it writes."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from companion.errors import UsageError
from companion.practice.climbs import CLIMBS
from companion.practice.words import piece_in_words
from companion.record.week import DEFAULT_CLEAN_TAKES, MAX_LETTERS, WeekItem, weekdays_in
from companion.window.entry_leaf import AskLeaf, EntryLeaf
from companion.window.leaves import ChoiceLeaf, Leaf, Row
from companion.window.week_editor import number_in
from companion.window.week_words import day_by_name, title_of

if TYPE_CHECKING:
    from companion.window.week_app import WeekApp

__all__ = ["FIELDS", "drop_leaf", "move_leaf", "new_leaf"]

_SHARES = (0.8, 0.9, 0.95, 1.0)


def _target(app: WeekApp, item: WeekItem) -> Leaf:
    def keep(text: str) -> None:
        app.write(item, target_bpm=number_in(text, "tempo", "96"))

    hint = "In quarters a minute."
    about = app.about(item)
    if about is not None and about.reach is not None and about.reach.measured:
        hint += f" In reach is {about.reach.within_bpm:g}."
    return EntryLeaf(
        "week-target", f"Target of {title_of(item, about)}", keep, text=f"{item.target_bpm:g}", hint=hint, replaced=True
    )


def _bars(app: WeekApp, item: WeekItem) -> Leaf:
    def keep(text: str) -> None:
        app.source.check_bars(item.path, text, item.part)
        app.write(item, new_bars=text)

    hint = "As they are printed, such as 5-8; nothing for the whole passage."
    return EntryLeaf("week-bars", "Which bars?", keep, text=item.bars, hint=hint, replaced=True)


def _due(app: WeekApp, item: WeekItem) -> Leaf:
    days: list[date | None] = [None, *app.shown.sheet.days]
    rows = [Row("no day of its own", "the end of the week"), *(Row(day_by_name(day)) for day in days if day)]

    def choose(number: int) -> None:
        day = days[number]
        app.write(item, **({"without": ("by",)} if day is None else {"by": f"{day:%a}"}))

    now = days.index(item.by) if item.by in days else 0
    return ChoiceLeaf("week-due", "Due on which day?", lambda: rows, app.guarded(choose), chosen=now)


def _clean_takes(app: WeekApp, item: WeekItem) -> Leaf:
    def keep(text: str) -> None:
        if not text:
            app.write(item, without=("clean_takes",))
            return
        count = number_in(text, "number of takes", "3")
        if not count.is_integer():
            raise UsageError(f"{text[:20]} is no number of takes: type a whole one such as 3")
        app.write(item, clean_takes=int(count))

    hint = f"At the target, this week; {DEFAULT_CLEAN_TAKES} where nothing is said."
    now = str(item.clean_takes or "")
    return EntryLeaf("week-takes", "How many clean takes?", keep, text=now, hint=hint, replaced=True)


def _days(app: WeekApp, item: WeekItem) -> Leaf:
    def keep(text: str) -> None:
        try:
            days = weekdays_in(text)
        except ValueError as word:
            raise UsageError(f"{str(word)[:20]} is no weekday: write such as Mon, Wed, Fri") from None
        app.write(item, days=days)

    hint = "Such as Mon, Wed, Fri; nothing: every day up to the one it is due."
    now = ", ".join(f"{day:%a}" for day in item.days)
    return EntryLeaf("week-days", "To be played on which days?", keep, text=now, hint=hint, replaced=True)


def _climb(app: WeekApp, item: WeekItem) -> Leaf:
    names = list(CLIMBS)
    rows = [Row(each.title, "as usual" * (each.name == names[0]), f"{each.reason}.") for each in CLIMBS.values()]

    def choose(number: int) -> None:
        app.write(item, climb=names[number])

    now = names.index(item.climb) if item.climb else 0
    return ChoiceLeaf("week-climb", "How to climb to the target?", lambda: rows, app.guarded(choose), chosen=now)


def _articulation(app: WeekApp, item: WeekItem) -> Leaf:
    rows = [Row("not asked for"), *(Row(f"{100 * share:.0f} % of the notes") for share in _SHARES)]

    def choose(number: int) -> None:
        gone: dict[str, Any] = {"without": ("articulation_share",)}
        app.write(item, **(gone if number == 0 else {"articulation_share": _SHARES[number - 1]}))

    share = item.articulation_share
    now = _SHARES.index(share) + 1 if share in _SHARES else 0
    hint = "So many notes slurred or tongued as written, for a take to be clean. Another share: type it in per cent."
    typed = app.guarded(lambda percent: app.write(item, articulation_share=percent / 100))
    return ChoiceLeaf(
        "week-articulation", "Articulation", lambda: rows, app.guarded(choose), chosen=now, hint=hint, typed=typed
    )


def _comment(app: WeekApp, item: WeekItem) -> Leaf:
    def keep(text: str) -> None:
        app.write(item, **({"comment": text} if text else {"without": ("comment",)}))

    return EntryLeaf(
        "week-comment", "A word to the student", keep, text=item.comment, most_letters=MAX_LETTERS, width=800
    )


def _fingering(app: WeekApp, item: WeekItem) -> Leaf:
    def keep(text: str) -> None:
        place, equals, name = (part.strip() for part in text.partition("="))
        if not equals or not place:
            raise UsageError(f"{text[:20] or 'nothing'} is no fingering: write such as 9.12=side")
        app.write(item, fingerings={place: name})

    hint = "Bar and note, then its name, such as 9.12=side; 9.12= lets it go."
    return EntryLeaf("week-fingering", "A fingering for this week", keep, hint=hint)


#: letter -> the leaf of that field
FIELDS: dict[str, Callable[[WeekApp, WeekItem], Leaf]] = {
    "t": _target,
    "b": _bars,
    "d": _due,
    "n": _clean_takes,
    "w": _days,
    "l": _climb,
    "a": _articulation,
    "f": _fingering,
    "c": _comment,
}


def _where(path: Path, folder: Path) -> str:
    return path.parent.name if path.is_relative_to(folder) else f"{path.parent}: copied beside the sheet"


def new_leaf(app: WeekApp) -> Leaf:
    """Another item: which passage, which bars, which tempo."""
    files = list(app.source.passages())
    folder = app.source.path.parent
    counts = {path: sum(item.path == path for item in app.shown.sheet.items) for path in files}
    rows = [
        Row(
            path.stem[:60],
            f"on the sheet {counts[path]}×" if counts[path] else "",
            _where(path, folder),
        )
        for path in files
    ]

    def choose(number: int) -> None:
        app.lay(_new_bars(app, files[number]))

    hint = "Any other file, or an exercise of a passage: companion week set."
    nothing = [Row("no passage lies beside the sheet", "", "companion week set FILE --tempo 96 brings one along")]
    return ChoiceLeaf(
        "week-new",
        "Another item: which passage?",
        lambda: rows or nothing,
        choose if rows else None,
        hint=hint,
        width=640,
    )


def _new_bars(app: WeekApp, passage: Path) -> Leaf:
    def keep(text: str) -> None:
        app.lay(_new_target(app, passage, text, app.source.check_bars(passage, text)))

    hint = "As they are printed, such as 5-8; nothing for the whole passage."
    return EntryLeaf("week-new-bars", f"{passage.stem}: which bars?", keep, hint=hint)


def _new_target(app: WeekApp, passage: Path, bars: str, part: str) -> Leaf:
    def keep(text: str) -> None:
        app.add(passage, bars, number_in(text, "tempo", "96"), part)

    title = f"{piece_in_words(passage.stem, bars)}{f', {part}' if part else ''}: target"
    return EntryLeaf("week-new-target", title, keep, hint="In quarters a minute.")


def drop_leaf(app: WeekApp, item: WeekItem) -> Leaf:
    """Asked before an item goes."""
    question = f"Take {title_of(item, app.about(item))} out of the week?"
    below = "Its comment on the sheet goes with it. U takes it back. What was played stays in the record."
    return AskLeaf("week-drop", question, below, "take it out", app.guarded(lambda: app.drop(item)))


def move_leaf(app: WeekApp, item: WeekItem) -> Leaf:
    """Asked before the sheet goes on to another week: the present one, or the next where it is that already."""
    sheet, today = app.shown.sheet, app.shown.today
    week = today - timedelta(days=today.weekday()) if today > sheet.days[-1] else sheet.week + timedelta(days=7)
    question = f"Move the sheet to the week of Monday {week.day} {week:%B}?"
    below = (
        "Its targets stay; weekdays are those of that week, and a date before it moves along. What was reached counts"
        " from its Monday on."
    )
    return AskLeaf("week-move", question, below, "move it", app.guarded(lambda: app.write(item, week=week)))
