"""`companion week`: the week sheet with what was reached, and `companion week set`: a target written into it."""

from __future__ import annotations

import argparse
import hashlib
import os
import shlex
import subprocess
from datetime import date, timedelta
from functools import partial
from pathlib import Path

from companion import paths
from companion.errors import UsageError
from companion.record.index import Wanted, survey
from companion.record.model import Survey, normal_bars
from companion.record.progress import CARE, LONG_STRETCH_S, longest_stretch_s, reached
from companion.record.text import remark_lines, student_lines, week_lines
from companion.record.week import WeekItem, WeekSheet, day_from, load

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  companion week                          what is set, and what was reached on which day
  companion week --student                what is still to do, with the commands that put it on the stand
  companion week set shared/passages/etude-e-minor.musicxml --bars 5-8 --tempo 96 --by Fri
"""
_SET_EXAMPLES = """\
example:
  companion week set etude.musicxml --bars 5-8 --tempo 96 --by Fri --clean-takes 3 --comment "slur it in twos first"

A target for the same bars is changed in place; the sheet's comments and layout stay, and its previous content is kept
beside it with ~ at the end of its name. A passage from another folder is copied beside the sheet, to travel with it.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion week`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="the week sheet (default: week.toml in shared/)")
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="the practice log (default: $COMPANION_SESSIONS)")
    parser.add_argument("--student", action="store_true", help="show what is still to do rather than the table")
    actions = parser.add_subparsers(dest="action", metavar="set", required=False)
    setting = actions.add_parser(
        "set",
        help="write a target into the sheet",
        description="Write a target tempo into the week sheet.",
        epilog=_SET_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    setting.add_argument("passage", type=Path, metavar="PASSAGE", help="the score")
    setting.add_argument("--tempo", type=float, required=True, metavar="BPM", help="target, in quarters a minute")
    setting.add_argument("--bars", default="", metavar="5-8", help="only these bars (default: the whole passage)")
    setting.add_argument("--part", metavar="PART", help="the part to check the bars in, where the score has several")
    setting.add_argument("--by", metavar="DAY", help="a weekday such as Fri, or a date such as 2026-11-27")
    setting.add_argument("--clean-takes", type=int, metavar="N", help="so many clean takes at the target")
    setting.add_argument("--start", type=float, metavar="BPM", help="the ladder's lowest rung")
    steps = setting.add_mutually_exclusive_group()
    steps.add_argument("--step", type=float, metavar="BPM", help="from rung to rung")
    steps.add_argument("--step-percent", type=float, metavar="P", help="from rung to rung, in per cent of the lower")
    setting.add_argument(
        "--articulation", type=float, metavar="SHARE",
        help="so many of the notes slurred or tongued as written, for a take to be clean: 0 to 1, such as 0.9",
    )  # fmt: skip
    setting.add_argument("--comment", metavar="TEXT", help="a word to the student")
    setting.add_argument("--week", metavar="DATE", help="move the sheet to the week of this date, such as 2026-11-30")
    setting.add_argument("--sheet", type=Path, metavar="FILE", default=argparse.SUPPRESS, help="the week sheet")


def run(args: argparse.Namespace) -> int:
    """Show the week, or set a target."""
    if getattr(args, "action", None) == "set":
        return _set(args)
    sheet = load(args.sheet or paths.week_sheet())
    days = [day.isoformat() for day in sheet.days]
    log = survey(args.sessions or paths.sessions_dir(), wanted=Wanted(days[0], days[-1]))
    results = [reached(item, days, log.takes, _sha256(item.path)) for item in sheet.items]
    if args.student:
        lines = student_lines(sheet, results, [_play_command(item) for item in sheet.items])
    else:
        lines = week_lines(sheet, results)
    if remarks := _remarks(sheet, log):
        lines += ["", *remark_lines(remarks)]
    this_week = [take for take in log.takes if take.day in days and not take.simulated and not take.example]
    if longest_stretch_s(this_week) >= LONG_STRETCH_S:
        lines += ["", CARE]
    print("\n".join(lines))
    return 0


def _remarks(sheet: WeekSheet, log: Survey) -> list[str]:
    remarks = [
        f"{item.passage} is not there (looked in {sheet.path.parent})"
        for item in sheet.items
        if not item.path.is_file()
    ]
    if sheet.days[-1] < date.today():
        remarks.append("this week is over; set the next one's first target with --week and its date, or edit the sheet")
    return remarks + list(log.remarks)


def _sha256(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def _play_command(item: WeekItem) -> str:
    path = os.path.relpath(item.path) if item.path.is_relative_to(Path.cwd()) else str(item.path)
    # A Windows shell takes double quotes only.
    quoted = subprocess.list2cmdline([path]) if os.name == "nt" else shlex.quote(path)
    return f"companion play {quoted}" + (f" --bars {item.bars}" if item.bars else "")


def _set(args: argparse.Namespace) -> int:
    from companion.record.week_edit import backup_path, bring_along, set_target
    from companion.scores import read

    passage = read(args.passage, part=args.part)
    bars = normal_bars(args.bars)
    if bars:
        passage.bar_range(bars)
    sheet_path = args.sheet or paths.week_sheet_to_write()
    week = _date(args.week) if args.week else None
    if args.by:
        monday = week or (load(sheet_path).week if os.path.exists(sheet_path) else date.today())
        _check_day(args.by, monday - timedelta(days=monday.weekday()))
    had = os.path.exists(sheet_path)
    setting = partial(
        set_target, sheet_path, bars=bars, target_bpm=args.tempo, by=args.by, clean_takes=args.clean_takes,
        start_bpm=args.start, step_bpm=args.step, step_percent=args.step_percent,
        comment=args.comment, articulation_share=args.articulation, week=week,
    )  # fmt: skip
    setting(passage=f"passages/{args.passage.name}", dry=True)
    name, copy = bring_along(sheet_path, args.passage)
    setting(passage=name)
    if copy:
        print(f"Copied {args.passage} to {copy}, so that it travels with the sheet.")
    by = f" by {args.by}" if args.by else ""
    where = f"bars {bars.replace('-', '–')}" if bars else "the whole passage"
    kept = f" (its previous content: {backup_path(sheet_path)})" if had else ""
    print(f"{passage.title or args.passage.stem}, {where}: target {args.tempo:g} quarters a minute{by}.")
    print(f"Written to {sheet_path}{kept}.")
    return 0


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"--week {text!r} is no date: write such as --week 2026-11-30") from None


def _check_day(text: str, week: date) -> None:
    try:
        day_from(text, week)
    except (ValueError, OverflowError) as error:
        raise UsageError(f"--by {text!r} {error}") from None
