"""One printed page for the lesson: every item with its plot, what to expect and what holds it back, and lines to write
on. Set by Typst after `lesson.typ`; whatever people wrote goes there as data, never as something to be read as
commands. The same content gives the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from companion.practice.forecast import Forecast
from companion.practice.words import cut_to
from companion.record.model import TakeSummary
from companion.reports.handout import paper_called
from companion.reports.handout_text import fit_for_paper
from companion.reports.plots import progress_svg
from companion.reports.typeset import typeset_pdf

__all__ = ["MOST_ITEMS", "MOST_ROWS", "LessonItem", "LessonPage", "lesson_pdf"]

#: So many items have a plot, and so many more a row of a table.
MOST_ITEMS, MOST_ROWS = 6, 10
_TITLE_LETTERS = 60
_PLOT_MM = 104.0
_PAGE_MM = {"a4": 297.0, "us-letter": 279.4}
#: What head, legend, remarks and margins take of the page; and a row of the table.
_REST_MM, _ROW_MM = 46.0, 5.2
_LARGEST_ITEM_MM, _LINE_MM, _MOST_LINES = 58.0, 8.5, 6
_MM_PER_INCH = 25.4
_LEGEND = (
    "Tempos are quarters a minute. ● clean take, ○ take that is not clean, in a ring: first take of a sitting, diamond:"
    " performance without a click, stepped line: best clean tempo so far, dashed lines: target and its day. Grey: where"
    " 80 of 100 students with such a record stand, each at the tempo at which every second take comes out clean on that"
    " day; middle line: half of them above, half below; dotted: as it is expected to go on."
)


@dataclass(frozen=True, slots=True, eq=False)
class LessonItem:
    """One item: its `title`, what is aimed at, its takes with their learning curve and the ids of first takes among
    them, and the words beside the plot as (heading, sentences)."""

    title: str
    aim: str
    takes: tuple[TakeSummary, ...]
    words: tuple[tuple[str, tuple[str, ...]], ...]
    target_bpm: float | None = None
    forecast: Forecast | None = None
    by: date | None = None
    cold: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, eq=False)
class LessonPage:
    """All that stands on the page. `rows` are items without a plot, as (title, words)."""

    heading: str
    day: str
    items: tuple[LessonItem, ...]
    rows: tuple[tuple[str, str], ...] = ()
    remarks: tuple[str, ...] = ()
    nothing: str = ""


def lesson_pdf(page: LessonPage, paper: str = "a4") -> bytes:
    """The page as a PDF; of too many items and rows the last are counted only.

    Raises
    ------
    UsageError
        For a paper that isn't known.
    """
    size = paper_called(paper)
    shown, rows = page.items[:MOST_ITEMS], [(item.title, item.aim) for item in page.items[MOST_ITEMS:]]
    rows += page.rows
    left_out = len(rows) - MOST_ROWS
    if left_out > 0:
        rows = [*rows[: MOST_ROWS - 1], (f"and {left_out + 1} more", "")]
    room_mm = _PAGE_MM[size.name] - _REST_MM - _ROW_MM * len(rows)
    item_mm = min(room_mm / max(len(shown), 1), _LARGEST_ITEM_MM)
    spare_mm = room_mm - item_mm * len(shown)
    sheet = {
        "paper": size.name, "side_mm": size.side_mm, "plot_mm": _PLOT_MM, "item_mm": round(item_mm, 2),
        "title": _fit(page.heading), "heading": _fit(page.heading), "day": _fit(page.day),
        "items": [_item(item, item_mm) for item in shown],
        "more": [[_fit(cut_to(title, _TITLE_LETTERS)), _fit(words)] for title, words in rows],
        "legend": _LEGEND, "remarks": [_fit(remark) for remark in page.remarks[:3]], "nothing": _fit(page.nothing),
        "lines": min(int(spare_mm / _LINE_MM), _MOST_LINES), "write": "For next week",
    }  # fmt: skip
    return typeset_pdf(
        Path(__file__).with_suffix(".typ"), sheet, "the page for the lesson came out as several files; name fewer items"
    )


def _item(item: LessonItem, item_mm: float) -> dict[str, Any]:
    plot_mm = item_mm - 8.6
    svg = progress_svg(
        item.takes,
        (_PLOT_MM / _MM_PER_INCH, plot_mm / _MM_PER_INCH),
        target_bpm=item.target_bpm,
        forecast=item.forecast,
        by=item.by,
        cold=item.cold,
    )
    return {
        "title": _fit(cut_to(item.title, _TITLE_LETTERS)),
        "aim": _fit(item.aim),
        "svg": svg.decode(),
        "alt": f"tempo of {len(item.takes)} takes over the days",
        "words": [[head, [_fit(sentence) for sentence in sentences]] for head, sentences in item.words],
    }


def _fit(text: str) -> str:
    return fit_for_paper(text)[0]
