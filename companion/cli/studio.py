"""`companion studio DIR`: many students at once, who met what, who is stuck and where, what fails in common."""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import sys
import unicodedata
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
MOST_ROWS, MOST_COMMON, MOST_REMARKS, MOST_NAMES, MOST_LETTERS = 40, 10, 10, 6, 32
_EXAMPLES = """\
examples:
  companion studio lessons/                       one folder a student in it, each with sessions/ and week.toml
  companion studio lessons/ --pages pages/        and a printable page for each student
  companion studio lessons/ --json studio.json

A student's folder is what the student's own companion keeps: the practice log (sessions/, or the .jsonl files
themselves) and the week sheet (week.toml, or shared/week.toml) with its passages. It may lie in a synced folder:
nothing is written there, links in it are not followed, and files that are broken or foreign are named and left alone.
The first look at a large studio takes longest; after that only what has changed is read. Of sittings too old to matter
for anything that is said, the first and the last line are looked at."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion studio`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    parser.add_argument("folder", type=Path, metavar="DIR", help="the folder that holds one folder for each student")
    parser.add_argument("--pages", type=Path, metavar="OUT", help="write each student's page (HTML) into this folder")
    parser.add_argument("--json", type=Path, metavar="OUT.json", help="write all of it as data")
    parser.add_argument(
        "--all", action="store_true", help=f"print all rows and notes, not the first {MOST_ROWS} and {MOST_REMARKS}"
    )
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
    """What is written must not land in a student's folder, however its path is spelled."""
    if out is None or not folder.is_dir():
        return
    place = out.resolve()
    if any(os.path.exists(one) and one.samefile(folder) for one in (place, *place.parents)):
        raise UsageError(f"{out}: lies in the studio's folder, where nothing is written: give a place outside of it")


def _progress() -> Callable[[str], None]:
    return lambda words: print(f"companion: {words}", file=sys.stderr)


def _hash_of() -> Callable[[WeekSheet, WeekItem], str]:
    """What takes of an item are known by; nothing for an exercise that isn't made. Many students have the same passage:
    an exercise is made of it once."""
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
            return ""
        key = (content, content_hash(marks), item.part, item.bars, item.exercise, options)
        if key not in known:
            known[key] = ""
            with contextlib.suppress(CompanionError):
                known[key] = ItemReader(sheet.path, Path()).music(item).sha256
        return known[key]

    return hash_of


def _lines(found: Studio, folder: Path, today: date, *, with_all: bool, trouble: bool) -> list[str]:
    from companion.record.text import table

    students = found.students
    lines = [f"The studio ({folder}): {len(students)} student{'' if len(students) == 1 else 's'}", ""]
    rows = []
    for student in students:
        minutes, takes = f"{student.week_minutes:.0f}", str(student.week_takes)
        last = student.played_last(today)
        rows.append((_short(student.shown), _reached(student, today), minutes, takes, last, _failing(student)))
    shown = rows if with_all else rows[:MOST_ROWS]
    head = ("Student", "Reached", "Minutes", "Takes", "Played last", "Keeps failing" if trouble else "")
    lines += table(head, shown, right=(2, 3))
    if len(rows) > len(shown):
        lines.append(f"and {len(rows) - len(shown)} more; --all shows them")
    lines.append("Minutes and takes are those of the sheet's week, without a sheet of the last seven days.")
    stuck = [(student, state) for student in students for state in student.items if state.stuck]
    lines += ["", "Stuck"]
    told = [f"  {_short(student.shown)}, {_item(state.item)}: {state.stuck}" for student, state in stuck]
    lines += (told if with_all else told[:MOST_ROWS]) or ["  nobody, as far as the takes tell"]
    if not with_all and len(told) > MOST_ROWS:
        lines.append(f"  and {len(told) - MOST_ROWS} more; --all shows them")
    if trouble:
        lines += ["", "Failing in common"]
        common = [f"  {one.change}: {len(one.students)} students ({_names(one.students)})" for one in found.common]
        lines += (common if with_all else common[:MOST_COMMON]) or [
            "  no change keeps failing for two students or more"
        ]
        if not with_all and len(common) > MOST_COMMON:
            lines.append(f"  and {len(common) - MOST_COMMON} more; --all shows them")
    return [*lines, *_notes(found, with_all)]


def _notes(found: Studio, with_all: bool) -> list[str]:
    """What could not be read, or not all of it."""
    from companion.record.text import remark_lines

    remarks = [*found.remarks, *(f"{student.shown}: {text}" for student in found.students for text in student.remarks)]
    shown = remarks if with_all else remarks[:MOST_REMARKS]
    lines = ["", *(line for remark in shown for line in remark_lines([remark]))] if remarks else []
    more = len(remarks) - len(shown)
    return [*lines, *([f"note: and {more} more; --all shows them"] if more else [])]


def _reached(student: Student, today: date) -> str:
    """`2 of 3`; of a sheet of another week, which one it is."""
    from companion.record.text import day_in_words

    if student.sheet is None:
        return "no sheet"
    of_week = "" if today in student.sheet.days else f" (week of {day_in_words(student.sheet.week)})"
    reached = f"{student.done} of {len(student.items)}" if student.items else "nothing set"
    return f"{reached}{of_week}"


def _failing(student: Student) -> str:
    """The change that fails most, and how many more there are."""
    if not student.spots:
        return ""
    more = len(student.spots) - 1
    return student.spots[0].change + (f" and {more} more" if more else "")


def _item(item: WeekItem) -> str:
    return piece_in_words(item.passage.rpartition("/")[2], item.bars, item.exercise)


def _short(name: str) -> str:
    return name if len(name) <= MOST_LETTERS else f"{name[: MOST_LETTERS - 1]}…"


def _names(names: Sequence[str]) -> str:
    more = len(names) - MOST_NAMES
    return ", ".join(map(_short, names[:MOST_NAMES])) + (f" and {more} more" if more > 0 else "")


def _write_pages(folder: Path, found: Studio, today: date) -> str:
    from companion.reports.student_page import student_html

    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, student in zip(_page_names(found.students), found.students, strict=True):
            (folder / name).write_bytes(student_html(student, today).encode("utf-8", "backslashreplace"))
    except OSError as error:
        raise UsageError(f"--pages {folder}: can't be written there ({error.strerror}): name another folder") from error
    count = "1 page" if len(found.students) == 1 else f"{len(found.students)} pages"
    return f"{count} written to {folder}."


def _page_names(students: Sequence[Student]) -> list[str]:
    """A file's name for each, made of the folder's: the same in the next week, whoever has come or gone. A number tells
    apart what a file system may take for one (capitals, letters put together)."""
    found: list[str] = []
    taken: set[str] = set()
    for student in students:
        plain = re.sub(r"[^\w-]+", "-", unicodedata.normalize("NFC", student.shown)).strip("-")[:60] or "student"
        # Windows keeps these for devices, whatever comes after the dot.
        plain = f"student-{plain}" if re.fullmatch(r"(?i)con|prn|aux|nul|(com|lpt)\d", plain) else plain
        name, number = plain, 1
        while name.casefold() in taken:
            number += 1
            name = f"{plain}-{number}"
        taken.add(name.casefold())
        found.append(f"{name}.html")
    return found


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
