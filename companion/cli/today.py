"""`companion today`: what to play now and why, in which order, with breaks and an end."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import shlex
import shutil
import subprocess
import textwrap
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from companion import paths
from companion.cli import arguments
from companion.cli.week_items import short_path
from companion.errors import CompanionError, UsageError, WeekSheetError

if TYPE_CHECKING:
    from companion.ports.memory import TodayHabits
    from companion.practice.day_plan import Day, DayPlan

__all__ = ["add_arguments", "run"]

#: Of a longer word to the student `companion week --student` shows the rest.
_MOST_LETTERS = 300
_EXAMPLES = """\
examples:
  companion today                     what to play now, and why
  companion today --minutes 45        in so many minutes (kept for the next time)
  companion today --blocked           each thing in one go rather than in turns (kept; --in-turns turns it back)
  companion today --start             put the next thing on the stand
  companion today --window            the same as a page; the space bar starts the next thing

What is open comes from the week sheet, from what failed in your own takes, and from shapes that are due. Things take
turns of a few minutes: some studies find that what was practised so is kept better a day later, others find no
difference or the opposite, so it is yours to switch off. Rest some minutes every half hour; stop at pain, numbness or
tingling; keep click and headphones moderate. Your teacher and licensed health professionals decide."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion today`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    parser.add_argument("--minutes", type=_minutes, metavar="N", help="length of the sitting, breaks not counted")
    turns = parser.add_mutually_exclusive_group()
    turns.add_argument("--blocked", action="store_true", help="each thing in one go")
    turns.add_argument("--in-turns", action="store_true", help="things take turns (as usual)")
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="the week sheet (default: week.toml in shared/)")
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="the practice log (default: $COMPANION_SESSIONS)")
    parser.add_argument("--start", action="store_true", help="put the next thing on the stand")
    parser.add_argument("--json", action="store_true", help="print the plan as data")
    window = parser.add_argument_group("the page")
    window.add_argument("--window", action="store_true", help="show it as a page; the space bar starts the next thing")
    arguments.add_size(window)
    window.add_argument("--hidden", action="store_true", help="run without a display; with --shots")
    window.add_argument("--shots", type=Path, metavar="DIR", help="save a PNG of the page there, and end")


def _minutes(text: str) -> float:
    from companion.practice.today import LONGEST_MIN, SHORTEST_MIN

    return arguments.number_within(text, SHORTEST_MIN, LONGEST_MIN, "minutes")


def run(args: argparse.Namespace) -> int:
    """`companion today`."""
    from companion.ports.memory import recall_today

    if args.hidden and not args.shots:
        raise UsageError("--hidden leaves nothing to see: add --shots DIR, or leave it out")
    kept = recall_today()
    habits = replace(
        kept,
        minutes=args.minutes or kept.minutes,
        interleaved=False if args.blocked else True if args.in_turns else kept.interleaved,
    )
    remarks = _remember(habits) if habits != kept else ()
    if args.window or args.shots:
        return _page(args, habits, remarks)
    return _as_text(args, habits, remarks)


def _remember(habits: TodayHabits) -> tuple[str, ...]:
    """Keep the habits; what is to be said where they can't be kept, for the day goes on all the same."""
    from companion.errors import PortError
    from companion.ports.memory import remember_today

    try:
        remember_today(habits)
    except PortError as error:
        return (str(error),)
    return ()


def _as_text(args: argparse.Namespace, habits: TodayHabits, remarks: tuple[str, ...]) -> int:
    from companion.cli import main

    sitting = _planned(_looked_at(args), habits, remarks, args)
    if args.json:
        print(json.dumps(sitting.as_data(), ensure_ascii=False, indent=1))
    else:
        print("\n".join(_lines(sitting)))
    if not args.start:
        return 0
    if sitting.next is None:
        raise UsageError("there is nothing to start: set a target with companion week set, or play something")
    return main(list(sitting.command_of(sitting.next)))


def _looked_at(args: argparse.Namespace) -> Day:
    """The day as sheet and record have it, with what is to be said of them."""
    from companion.cli.day import look_at_day
    from companion.record.week import load

    path = args.sheet or paths.week_sheet()
    remarks: list[str] = []
    sheet = None
    if args.sheet or path.is_file():
        try:
            sheet = load(path)
        except WeekSheetError as error:
            if args.sheet:
                raise
            remarks.append(f"the week sheet is not followed: {error}")
    now = datetime.now().astimezone()
    day = look_at_day(sheet, args.sessions or paths.sessions_dir(), now)
    if sheet is None and not remarks and day.tasks:
        remarks.append("there is no week sheet yet: companion week set PASSAGE --tempo 96 begins one")
    if sheet is not None and sheet.days[-1] < now.date():
        remarks.append("the week of the sheet is over; set the next one's first target with companion week set --week")
    if sheet is not None and sheet.week > now.date():
        remarks.append(f"the sheet is for the week of Monday {sheet.week.day} {sheet.week:%B}")
    return replace(day, remarks=(*remarks, *day.remarks))


def _planned(day: Day, habits: TodayHabits, remarks: tuple[str, ...], args: argparse.Namespace) -> DayPlan:
    from companion.practice.day_plan import DayPlan
    from companion.practice.today import plan_sitting

    entries = plan_sitting(
        day.tasks, habits.minutes, interleaved=habits.interleaved, played_min=day.since_break_min,
        spent_min=day.sitting_min,
    )  # fmt: skip
    return DayPlan(day, habits.minutes, habits.interleaved, entries, (*remarks, *day.remarks), _options(args))


def _options(args: argparse.Namespace) -> tuple[str, ...]:
    """Where sheet and log are, for what is started from here."""
    given = (("--sheet", args.sheet), ("--sessions", args.sessions))
    return tuple(word for name, path in given if path is not None for word in (name, short_path(path)))


def _page(args: argparse.Namespace, habits: TodayHabits, remarks: tuple[str, ...]) -> int:
    """The page, and the stand in turn: what was started comes back to the page."""
    from companion.cli.started import SIGNALLED, start
    from companion.ports.memory import TodayHabits
    from companion.window.display import NoScreen
    from companion.window.today_app import TodayApp, show_looking

    def looked(size: tuple[int, int]) -> Day:
        with contextlib.suppress(NoScreen):  # a long record takes a moment
            show_looking(size, hidden=args.hidden)
        return _looked_at(args)

    day, said, size = looked(args.size), "", args.size

    def look(minutes: float, interleaved: bool) -> DayPlan:
        nonlocal day, habits, remarks
        wanted = TodayHabits(minutes, interleaved)
        if wanted == habits:
            day = _looked_at(args)
        else:  # the same day in another order: a long record is not looked through for that
            habits, remarks = wanted, _remember(wanted)
        return _planned(day, habits, remarks, args)

    while True:
        sitting = _planned(day, habits, remarks, args)
        try:
            app = TodayApp(sitting, look, size=size, hidden=args.hidden, shots=args.shots, said=said)
        except NoScreen:
            print("\n".join([*_lines(sitting), "", "There is no screen for a window here: this is it as text."]))
            return 0
        chosen = app.loop()
        if chosen is None:
            return 0
        size = app.size
        here = _options(args) if chosen[0] == "week" else ()
        code, said = start([*chosen, *here, "--size", "x".join(str(n) for n in size)])
        if code >= SIGNALLED:
            return code
        try:
            day = looked(size)
        except CompanionError as error:  # the sheet was torn meanwhile
            said = str(error)


def _lines(sitting: DayPlan) -> list[str]:
    from companion.practice.day_plan import CARE

    width = max(60, min(shutil.get_terminal_size((80, 24)).columns, 100))

    def wrapped(text: str, indent: str, hang: str = "") -> list[str]:
        return textwrap.wrap(
            text, width, initial_indent=indent, subsequent_indent=indent + hang, break_on_hyphens=False
        )

    lines = [sitting.heading, *wrapped(sitting.enough, ""), ""]
    if not sitting.entries:
        lines += wrapped(sitting.nothing, "")
    number = 0
    for entry in sitting.entries:
        minutes = f"{entry.minutes:.0f} min"
        if entry.task is None:
            lines.append(f"{'':>3} {minutes:>7}  a break")
            continue
        number += 1
        lines += wrapped(f"{number:>2}. {minutes:>7}  {sitting.words(entry)}", "", " " * 13)
        if not entry.again:
            lines += wrapped(entry.task.why, " " * 13)
            if entry.task.word:
                lines += wrapped(f"“{textwrap.shorten(entry.task.word, _MOST_LETTERS, placeholder=' …')}”", " " * 13)
            lines.append(f"{'':13}{_shown(('companion', *sitting.command_of(entry)))}")
    if sitting.entries:
        lines += ["", *wrapped(sitting.end, ""), *wrapped(sitting.waiting, "", "  ")]
    for sentence in (sitting.had, *sitting.day.closed):
        lines += wrapped(sentence, "", "  ")
    for remark in sitting.remarks:
        lines += wrapped(f"note: {remark}", "", "  ")
    return [*lines, "", *wrapped(CARE, "")]


def _shown(words: tuple[str, ...]) -> str:
    # A Windows shell takes double quotes only.
    return subprocess.list2cmdline(words) if os.name == "nt" else shlex.join(words)
