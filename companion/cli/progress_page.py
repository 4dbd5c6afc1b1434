"""`companion progress FILE --window`, and what the page of the week leads to: progress page by page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from companion.cli.course import Course, Fingers
from companion.cli.lesson_page import course_item, sheet_item
from companion.cli.week_items import ItemReader
from companion.practice.words import capital, piece_in_words
from companion.record.cold import cold_in_words, count_cold
from companion.record.index import survey
from companion.record.model import TakeSummary
from companion.record.progress import who_played
from companion.record.week import WeekSheet

if TYPE_CHECKING:
    from companion.reports.lesson import LessonItem

__all__ = ["page_of_course", "pages_of_week", "show_pages"]

_HEADINGS = {"Expect:": "What to expect", "Holds back:": "What holds it back"}


def page_of_course(
    title: str, course: Course, by: date | None, whole: Sequence[TakeSummary], remarks: Sequence[str] = ()
) -> LessonItem:
    """The page of some bars. `whole` are the takes of the whole passage: bars played before others warm these up."""
    cold = cold_in_words(count_cold(whole, course.outlook.target_bpm, course.bars)) if course.takes else ""
    return _told(course_item(piece_in_words(title, course.bars), course, by, "", whole), cold, remarks)


def _told(item: LessonItem, cold: str, remarks: Sequence[str]) -> LessonItem:
    """In the order of the page: how it stands, what to expect, first takes, what holds it back, remarks."""
    words = [(_HEADINGS.get(head, head), tuple(filter(None, sentences))) for head, sentences in item.words]
    holds = [part for part in words if part[0] == _HEADINGS["Holds back:"]]
    first = [("First takes", (cold,))] if cold else []
    notes = tuple(capital(remark).rstrip(".") + "." for remark in remarks)
    rest = [part for part in words if part not in holds]
    return replace(item, words=(*rest, *first, *holds, *([("Notes", notes)] if notes else [])))


def pages_of_week(sheet: WeekSheet, sessions: Path, reader: ItemReader) -> Callable[[int], LessonItem]:
    """The pages of a sheet's items by their number. They raise `CompanionError` where the log can't be read."""
    known: dict[tuple[Path, str], Fingers | None] = {}
    log = survey(sessions)
    takes, who = who_played(log.takes)

    def page(number: int) -> LessonItem:
        item = sheet.items[number]
        found = sheet_item(item, sheet, takes, reader, sessions, known, date.today())
        bars = "" if item.exercise else item.bars
        cold = cold_in_words(count_cold(found.whole, item.target_bpm, bars))
        return _told(found.page, cold, (*who, *found.said))

    return page


def show_pages(pages: Sequence[LessonItem], *, size: tuple[int, int], hidden: bool, shots: Path | None) -> int:
    """Show pages that are there already."""
    from companion.window.progress_app import ProgressApp

    app = ProgressApp(len(pages), pages.__getitem__, size=size, hidden=hidden, shots=shots)
    try:
        app.loop()
    finally:
        app.close()
    return 0
