"""`companion studio DIR`: many students at once, who met what, who is stuck and where, what fails in common."""

from __future__ import annotations

import argparse
import contextlib
import re
import sys
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from companion import __version__, paths
from companion.cli import arguments
from companion.cli.result_file import check_writable, write_json
from companion.errors import CompanionError, UsageError
from companion.practice.words import piece_in_words

if TYPE_CHECKING:
    from companion.record.studio import Student, Studio
    from companion.record.week import WeekItem, WeekSheet

__all__ = ["add_arguments", "run"]

#: So many rows are printed; --all prints the rest.
MOST_ROWS, MOST_NAMES = 40, 6
_EXAMPLES = """\
examples:
  companion studio lessons/                       one folder a student in it, each with sessions/ and week.toml
  companion studio lessons/ --pages pages/        and a printable page for each student
  companion studio lessons/ --json studio.json

A student's folder is what the student's own companion keeps: the practice log (sessions/, or the .jsonl files
themselves) and the week sheet (week.toml, or shared/week.toml) with its passages. It may lie in a synced folder:
nothing is written there, links in it are not followed, and files that are broken or foreign are named and left alone.
The first look at a large studio reads everything; after that only what has changed."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion studio`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    parser.add_argument("folder", type=Path, metavar="DIR", help="the folder that holds one folder for each student")
    parser.add_argument("--pages", type=Path, metavar="OUT", help="write each student's page (HTML) into this folder")
    parser.add_argument("--json", type=Path, metavar="OUT.json", help="write all of it as data")
    parser.add_argument("--all", action="store_true", help=f"print all rows, not the first {MOST_ROWS}")
    parser.add_argument("--no-trouble", action="store_true", help="don't look for what keeps failing (quicker)")
    parser.add_argument(
        "--today", type=arguments.day, default=None, metavar="DAY", help="reckon from this day (default: today)"
    )


def run(args: argparse.Namespace) -> int:
    """`companion studio`."""
    from companion.record.studio import look_at_studio

    check_writable(args.json)
    _check_outside(args.pages, args.folder)
    _check_outside(args.json, args.folder)
    today = args.today or date.today()
    say = _progress() if sys.stderr.isatty() else lambda _: None
    found = look_at_studio(
        args.folder, paths.cache_dir(), today, hash_of=_hash_of(), trouble=not args.no_trouble, say=say
    )
    print("\n".join(_lines(found, args.folder, today, with_all=args.all, trouble=not args.no_trouble)))
    if args.json:
        _write(args.json, found, today)
    if args.pages:
        print(f"\n{_write_pages(args.pages, found, today)}")
    return 0


def _check_outside(out: Path | None, folder: Path) -> None:
    """What is written must not land in a student's folder."""
    if out is not None and out.resolve().is_relative_to(folder.resolve()):
        raise UsageError(f"{out}: lies in the studio's folder, where nothing is written: give a place outside of it")


def _progress() -> Callable[[str], None]:
    return lambda words: print(f"companion: {words}", file=sys.stderr)


def _hash_of() -> Callable[[WeekSheet, WeekItem], str]:
    """What takes of an item are known by. Many students have the same passage: an exercise is made of it once."""
    from companion.cli.week_items import ItemReader
    from companion.record.studio_files import content_hash

    known: dict[tuple[object, ...], str] = {}

    def hash_of(sheet: WeekSheet, item: WeekItem) -> str:
        content = content_hash(item.path)
        if not item.exercise or not content:
            return content
        options = tuple(sorted(item.exercise_options.items())), tuple(sorted(item.fingerings.items()))
        marks = item.path.with_name(f"{item.path.stem}.marks.toml")
        if marks.is_symlink():  # it may lead out of the student's folder
            return "an exercise that isn't made"
        key = (content, content_hash(marks), item.bars, item.exercise, options)
        if key not in known:
            known[key] = "an exercise that can't be made"
            with contextlib.suppress(CompanionError):
                known[key] = ItemReader(sheet.path, Path()).music(item).sha256
        return known[key]

    return hash_of


def _lines(found: Studio, folder: Path, today: date, *, with_all: bool, trouble: bool) -> list[str]:
    from companion.record.text import day_in_words, remark_lines, table

    students = found.students
    lines = [f"The studio ({folder}): {len(students)} student{'' if len(students) == 1 else 's'}", ""]
    rows = []
    for student in students:
        last = day_in_words(date.fromisoformat(student.last_day)) if student.last_day else "never"
        minutes, takes = f"{student.week_minutes:.0f}", str(student.week_takes)
        rows.append((student.shown, _reached(student, today), minutes, takes, last, _failing(student)))
    shown = rows if with_all else rows[:MOST_ROWS]
    head = ("Student", "Reached", "Minutes", "Takes", "Played last", "Keeps failing" if trouble else "")
    lines += table(head, shown, right=(2, 3))
    if len(rows) > len(shown):
        lines.append(f"and {len(rows) - len(shown)} more; --all shows them")
    lines.append("Minutes and takes are those of the sheet's week, without a sheet of the last seven days.")
    stuck = [(student, state) for student in students for state in student.items if state.stuck]
    lines += ["", "Stuck"]
    told = [f"  {student.shown}, {_item(state.item)}: {state.stuck}" for student, state in stuck]
    lines += (told if with_all else told[:MOST_ROWS]) or ["  nobody, as far as the takes tell"]
    if not with_all and len(told) > MOST_ROWS:
        lines.append(f"  and {len(told) - MOST_ROWS} more; --all shows them")
    if trouble:
        lines += ["", "Failing in common"]
        common = [f"  {one.change}: {len(one.students)} students ({_names(one.students)})" for one in found.common[:10]]
        lines += common or ["  no change keeps failing for two students or more"]
    remarks = [*found.remarks, *(f"{student.shown}: {text}" for student in students for text in student.remarks)]
    return [*lines, *([""] if remarks else []), *remark_lines(remarks)]


def _reached(student: Student, today: date) -> str:
    """`2 of 3`; of a sheet of another week, which one it is."""
    from companion.record.text import day_in_words

    if student.sheet is None:
        return "no sheet"
    of_week = "" if today in student.sheet.days else f" (week of {day_in_words(student.sheet.week)})"
    return f"{student.done} of {len(student.items)}{of_week}"


def _failing(student: Student) -> str:
    """The change that fails most, and how many more there are."""
    if not student.spots:
        return ""
    more = len(student.spots) - 1
    return student.spots[0].change + (f" and {more} more" if more else "")


def _item(item: WeekItem) -> str:
    return piece_in_words(item.passage.rpartition("/")[2], item.bars, item.exercise)


def _names(names: Sequence[str]) -> str:
    more = len(names) - MOST_NAMES
    return ", ".join(names[:MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


def _write_pages(folder: Path, found: Studio, today: date) -> str:
    from companion.reports.student_page import student_html

    try:
        folder.mkdir(parents=True, exist_ok=True)
        for number, student in enumerate(found.students, start=1):
            page = folder / f"{number:04d}-{_plain_name(student)}.html"
            page.write_bytes(student_html(student, today).encode("utf-8", "backslashreplace"))
    except OSError as error:
        raise UsageError(f"--pages {folder}: can't be written there ({error.strerror}): name another folder") from error
    return f"{len(found.students)} pages written to {folder}."


def _plain_name(student: Student) -> str:
    """The folder's name as a file's, whatever is in it."""
    return re.sub(r"[^\w-]+", "-", student.shown).strip("-")[:60] or "student"


def _write(path: Path, found: Studio, today: date) -> None:
    data = {
        "companion": __version__,
        "today": today.isoformat(),
        "students": [_as_data(student) for student in found.students],
        "common_trouble": [
            {"change": one.change, "students": len(one.students), "names": list(one.students)} for one in found.common
        ],
        "remarks": list(found.remarks),
    }
    write_json(path, data)


def _as_data(student: Student) -> dict[str, Any]:
    return {
        "folder": student.name,
        "student": student.sheet.student if student.sheet is not None else "",
        "week": student.sheet.week.isoformat() if student.sheet is not None else None,
        "last_day": student.last_day,
        "week_minutes": round(student.week_minutes, 2),
        "week_takes": student.week_takes,
        "items": [
            {
                "passage": state.item.passage,
                "bars": state.item.bars,
                "exercise": state.item.exercise,
                "target_bpm": state.item.target_bpm,
                "by": state.item.by.isoformat() if state.item.by else None,
                "best_clean_bpm": state.reached.best_clean_bpm,
                "at_target": state.reached.at_target,
                "wanted": state.reached.wanted,
                "reached": state.reached.done,
                "stuck": state.stuck,
            }
            for state in student.items
        ],
        "trouble": [{"change": spot.change, "sentence": spot.sentence} for spot in student.spots],
        "remarks": list(student.remarks),
    }
