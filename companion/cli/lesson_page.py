"""`companion progress --lesson`: one printed page with all items of the week sheet and what else was practised."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from companion import paths
from companion.cli.course import Course, Fingers, course_of, fingers_in, fingers_of, of_one_horn
from companion.errors import CompanionError
from companion.practice.words import capital, number_of, piece_in_words
from companion.record.cold import cold_ids
from companion.record.index import survey
from companion.record.model import TakeSummary
from companion.record.progress import best_clean_bpm, of_item, of_passage, reached, who_played, with_click
from companion.record.text import day_in_words, performance_lines
from companion.record.week import WeekItem, WeekSheet, load

if TYPE_CHECKING:
    from companion.cli.week_items import ItemReader
    from companion.reports.lesson import LessonItem, LessonPage

__all__ = ["SheetItem", "course_item", "lesson_page", "sheet_item", "write_lesson"]

#: What is not on the sheet is shown if it was played within so many days.
_RECENT_DAYS = 14


def write_lesson(out: Path, paper: str, sheet: Path | None, sessions: Path, remarks: tuple[str, ...] = ()) -> int:
    """Write the page, and say so, with what else is to be said.

    Raises
    ------
    CompanionError
        Where it can't be written there, or the paper, the sheet or the log is none.
    """
    from companion.cli.marked_score import check_output, write_output
    from companion.reports.handout import paper_called
    from companion.reports.lesson import lesson_pdf

    check_output("--lesson", out, "", (".pdf",), ".pdf")
    paper_called(paper)
    page, found = lesson_page(sheet, sessions, date.today())
    write_output(out, lesson_pdf(page, paper))
    for remark in (*remarks, *found):
        print(f"note: {remark}")
    shown = number_of(len(page.items), "item")
    print(f"{page.heading}: {shown}, written to {out}.")
    return 0


def lesson_page(sheet_path: Path | None, sessions: Path, today: date) -> tuple[LessonPage, tuple[str, ...]]:
    """What stands on the page, and what is to be said beside it."""
    from companion.reports.lesson import LessonPage

    sheet, remarks = _sheet(sheet_path)
    log = survey(sessions)
    takes, who = who_played(log.takes)
    reader = _reader(sheet, sessions)
    items: list[LessonItem] = []
    seen: set[str] = set()
    known: dict[tuple[Path, str], Fingers | None] = {}
    for item in sheet.items if sheet else ():
        assert sheet is not None and reader is not None
        one = sheet_item(item, sheet, takes, reader, sessions, known, today)
        items.append(one.page)
        seen.update(one.used)
        remarks += one.said
    others = [take for take in takes if take.id not in seen and _is_recent(take, today)]
    items += [_of_log(group, sessions, known, today) for group in _grouped(others)]
    student = f": {sheet.student}" if sheet and sheet.student else ""
    page = LessonPage(
        heading=f"For the lesson{student}",
        day=f"{day_in_words(today)} {today.year}",
        items=tuple(items),
        remarks=tuple(f"{capital(remark)}." for remark in who),
        nothing="Nothing is set and nothing was played yet.",
    )
    return page, (*remarks, *log.remarks)


def _sheet(named: Path | None) -> tuple[WeekSheet | None, tuple[str, ...]]:
    """The week sheet; one that was named must be right."""
    path = named or paths.week_sheet()
    if named is None and not os.path.lexists(path):
        return None, ()
    try:
        return load(path), ()
    except CompanionError as error:
        if named is not None:
            raise
        return None, (f"week sheet not read: {error}",)


def _reader(sheet: WeekSheet | None, sessions: Path) -> ItemReader | None:
    from companion.cli.week_items import ItemReader

    return ItemReader(sheet.path, sessions) if sheet else None


def _is_recent(take: TakeSummary, today: date) -> bool:
    return (today - timedelta(days=_RECENT_DAYS)).isoformat() < take.day <= today.isoformat()


@dataclass(frozen=True, slots=True)
class SheetItem:
    """An item of the sheet as it stands on a page, the ids of the takes that it stands for, the takes of the whole
    passage (of an exercise those of itself), and what is to be said of it."""

    page: LessonItem
    used: frozenset[str]
    whole: tuple[TakeSummary, ...]
    said: tuple[str, ...]


def sheet_item(
    item: WeekItem,
    sheet: WeekSheet,
    takes: Sequence[TakeSummary],
    reader: ItemReader,
    sessions: Path,
    known: dict[tuple[Path, str], Fingers | None],
    today: date,
) -> SheetItem:
    """Look an item of the sheet up among one player's takes. Raises `CompanionError` where the log can't be read."""
    try:
        music = reader.music(item)
        sha256, title, takes = music.sha256, music.passage.title or item.path.stem, music.of_part(takes)
        said: tuple[str, ...] = ()
    except CompanionError as error:
        sha256, title, said = "", item.path.stem, (str(error),)
    found = of_item(item, takes, sha256)[0]
    on_horn, horns = of_one_horn(found)
    if said:
        fingers = None
    elif item.exercise:
        fingers = _fingers_of_exercise(item, sheet.path, reader, sessions)
    else:
        fingers = _fingers(item, sheet.path, on_horn, sessions, known)
    course = course_of("" if item.exercise else item.bars, on_horn, sessions, fingers, item.target_bpm, item.by, today)
    what = reached(item, [day.isoformat() for day in sheet.days], takes, sha256)
    done = f"{what.at_target} of {number_of(what.wanted, 'clean take')} at the target this week."
    if what.done:
        done = f"Target reached this week: {number_of(what.at_target, 'clean take')} at it."
    name = title if item.exercise else piece_in_words(title, item.bars)
    whole = found if item.exercise else of_one_horn(of_passage(takes, sha256, item.passage)[0])[0]
    page = course_item(name, course, item.by, done, whole)
    return SheetItem(page, frozenset(take.id for take in found), whole, (*said, *horns))


def _fingers_of_exercise(item: WeekItem, sheet: Path, reader: ItemReader, sessions: Path) -> Fingers | None:
    from companion.cli.exercise_options import opened_exercise
    from companion.cli.week_items import with_fingerings

    options = [f"{name}={value}" for name, value in item.exercise_options.items()]
    try:
        opened = with_fingerings(reader.opened(item.path, item.part), item.fingerings, sheet)
        return fingers_in(opened_exercise(opened, item.exercise, item.bars, options, sessions), sessions)
    except CompanionError:  # what was reached is shown all the same
        return None


def _fingers(
    item: WeekItem,
    sheet: Path,
    takes: Sequence[TakeSummary],
    sessions: Path,
    known: dict[tuple[Path, str], Fingers | None],
) -> Fingers | None:
    horn = takes[-1].instrument if takes else ""
    return _known_fingers(item.path, item.part, horn, sessions, sheet, known)


def _known_fingers(
    score: Path,
    part: str,
    horn: str,
    sessions: Path,
    sheet: Path | None,
    known: dict[tuple[Path, str], Fingers | None],
) -> Fingers | None:
    """Each score is read and planned once. None where it or the horn's chart can't be read: what was reached is shown
    all the same."""
    key = score, part
    if key not in known:
        try:
            known[key] = fingers_of(score, part or None, horn or None, sessions, sheet)
        except CompanionError:
            known[key] = None
    return known[key]


def _grouped(takes: Iterable[TakeSummary]) -> list[list[TakeSummary]]:
    """By passage, bars and horn, those played last first."""
    groups: dict[tuple[str, str, str], list[TakeSummary]] = {}
    for take in takes:
        groups.setdefault((take.file_name or take.sha256 or take.title, take.bars, take.instrument), []).append(take)
    return sorted(groups.values(), key=lambda group: group[-1].started, reverse=True)


def _of_log(
    takes: Sequence[TakeSummary], sessions: Path, known: dict[tuple[Path, str], Fingers | None], today: date
) -> LessonItem:
    last = takes[-1]
    fingers = _fingers_of_take(last, sessions, known)
    course = course_of(last.bars, takes, sessions, fingers, last.target_bpm, None, today)
    return course_item(
        piece_in_words(last.title or last.file_name or "untitled", last.bars), course, None, "Not on the week sheet."
    )


def _fingers_of_take(
    take: TakeSummary, sessions: Path, known: dict[tuple[Path, str], Fingers | None]
) -> Fingers | None:
    """None where its score, as it was then, is no longer where it was."""
    path = Path(take.origin).absolute()
    if not take.origin or not os.path.isfile(path):
        return None
    found = _known_fingers(path, take.part, take.instrument, sessions, None, known)
    return found if found and found.opened.passage.sha256 == take.sha256 else None


def course_item(name: str, course: Course, by: date | None, done: str, whole: Sequence[TakeSummary] = ()) -> LessonItem:
    """What stands on the page of a course; `done` says what became of its target, `whole` are the takes of the whole
    passage."""
    from companion.reports.lesson import LessonItem

    target_bpm = course.outlook.target_bpm
    aim = f"target {target_bpm:g}" if target_bpm else ""
    aim += f" by {day_in_words(by)}" if aim and by else ""
    best_bpm = best_clean_bpm(course.takes)
    best = f"Best clean tempo {best_bpm:g}" if best_bpm is not None else "No clean take yet"
    practised = with_click(course.takes)
    played = f"{best}, {number_of(len(practised), 'take')}." if practised else "Not played yet."
    if course.takes and not practised:
        played = "Played without the click only."
    expect = course.outlook.sentences if course.takes else ()
    holds = course.holds.sentences if course.holds else ()
    return LessonItem(
        title=name,
        aim=aim,
        takes=course.takes,
        words=(("", (played, done, *performance_lines(course.takes)[:1])), ("Expect:", expect), ("Holds back:", holds)),
        target_bpm=target_bpm,
        forecast=course.outlook.forecast,
        by=by,
        cold=cold_ids(whole),
    )
