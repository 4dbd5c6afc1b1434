"""`companion week`: the week sheet with what was reached, and `companion week set`: a target written into it."""

from __future__ import annotations

import argparse
import os
import shlex
import subprocess
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from companion import paths
from companion.cli import arguments
from companion.cli.week_items import ItemReader, play_words
from companion.cli.week_page import look_at_item
from companion.cli.which_log import log_beside
from companion.errors import CompanionError, UsageError
from companion.practice.climbs import climb_named
from companion.practice.metronome import QUARTER, counted_note
from companion.practice.words import printed_bars
from companion.record.index import Wanted, survey
from companion.record.model import Survey, normal_bars
from companion.record.progress import CARE, LONG_STRETCH_S, Reached, longest_stretch_s
from companion.record.text import day_in_words, demands, remark_lines, student_lines, week_lines
from companion.record.week import MAX_BPM, MIN_BPM, Option, WeekItem, WeekSheet, day_from, item_for, load, weekdays_in

if TYPE_CHECKING:
    from companion.cli.opening import Opened
    from companion.passage import Passage
    from companion.window.week_data import ItemAbout

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  companion week                          what is set, and what was reached on which day
  companion week --window                 the sheet as a page to write on, with --student to read and play from
  companion week --student                what is still to do, with the commands that put it on the stand
  companion week --sheet lessons/Ada/week.toml     another student's, with the takes in lessons/Ada/sessions
  companion week set shared/passages/etude-e-minor.musicxml --bars 5-8 --tempo 96 --by Fri
  companion week drop shared/passages/etude-e-minor.musicxml --bars 5-8
"""
_SET_EXAMPLES = """\
examples:
  companion week set etude.musicxml --bars 5-8 --tempo 96 --by Fri --clean-takes 3 --comment "slur it in twos first"
  companion week set etude.musicxml --tempo 80 --exercise links --set kind=pair --days Mon,Wed
  companion week set etude.musicxml --tempo 96 --climb alternate --articulation 0.9 --fix 9.12=side

A target that your own takes say can't be reached yet is set all the same, with a word on one that can.
A target for the same bars is changed in place; the sheet's comments and layout stay, and its previous content is kept
beside it with ~ at the end of its name. A passage from another folder is copied beside the sheet, to travel with it.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion week`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="the week sheet (default: week.toml in shared/)")
    parser.add_argument(
        "--sessions", type=Path, metavar="DIR",
        help="the practice log (default: sessions/ beside the sheet that is named, else $COMPANION_SESSIONS)",
    )  # fmt: skip
    parser.add_argument("--student", action="store_true", help="show what is still to do rather than the table")
    window = parser.add_argument_group("the page")
    window.add_argument("--window", action="store_true", help="show the sheet as a page; the teacher's is written on")
    arguments.add_size(window)
    window.add_argument("--hidden", action="store_true", help="run without a display; with --shots")
    window.add_argument("--shots", type=Path, metavar="DIR", help="save a PNG of each page there, and end")
    actions = parser.add_subparsers(dest="action", metavar="set, drop", required=False)
    _add_drop(actions.add_parser("drop", help="take a target out", description="Take a target out of the week sheet."))
    setting = actions.add_parser(
        "set",
        help="write a target into the sheet",
        description="Write a target tempo into the week sheet.",
        epilog=_SET_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    setting.add_argument("passage", type=Path, metavar="PASSAGE", help="the score")
    setting.add_argument("--tempo", type=_bpm, required=True, metavar="BPM", help="target, in quarters a minute")
    setting.add_argument("--bars", default="", metavar="5-8", help="only these bars (default: the whole passage)")
    setting.add_argument("--part", metavar="PART", help="which part, where the score has several")
    setting.add_argument("--by", metavar="DAY", help="a weekday such as Fri, or a date such as 2026-11-27")
    setting.add_argument("--clean-takes", type=_takes, metavar="N", help="so many clean takes at the target")
    setting.add_argument("--start", type=_bpm, metavar="BPM", help="the ladder's lowest rung")
    steps = setting.add_mutually_exclusive_group()
    steps.add_argument("--step", type=float, metavar="BPM", help="from rung to rung")
    steps.add_argument("--step-percent", type=float, metavar="P", help="from rung to rung, in per cent of the lower")
    setting.add_argument(
        "--articulation", type=_share, metavar="SHARE",
        help="so many of the notes slurred or tongued as written, for a take to be clean: 0 to 1, such as 0.9",
    )  # fmt: skip
    setting.add_argument(
        "--climb", metavar="NAME", help="steady, alternate (slow and target in turn), overshoot or grow"
    )
    setting.add_argument("--days", metavar="DAYS", help="when to play it, such as Mon,Wed,Fri (all: every day again)")
    setting.add_argument("--exercise", metavar="NAME", help="not the music but this exercise made of it, such as links")
    setting.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", help="an option of the exercise, such as kind=pair"
    )
    setting.add_argument(
        "--fix", action="append", default=[], metavar="BAR.NOTE=NAME",
        help="a fingering for this week, such as 9.12=side (9.12= lets it go)",
    )  # fmt: skip
    setting.add_argument("--comment", metavar="TEXT", help="a word to the student")
    setting.add_argument("--week", metavar="DATE", help="move the sheet to the week of this date, such as 2026-11-30")
    setting.add_argument("--sheet", type=Path, metavar="FILE", default=argparse.SUPPRESS, help="the week sheet")
    setting.add_argument(
        "--sessions", type=Path, metavar="DIR", default=argparse.SUPPRESS, help="the student's practice log"
    )


def _bpm(text: str) -> float:
    return arguments.number_within(text, MIN_BPM, MAX_BPM, "quarters a minute")


def _takes(text: str) -> int:
    return arguments.whole_within(text, 1, 100)


def _share(text: str) -> float:
    return arguments.number_within(text, 0, 1, "of the notes")


def _add_drop(dropping: argparse.ArgumentParser) -> None:
    dropping.add_argument("passage", type=Path, metavar="PASSAGE", help="the score")
    dropping.add_argument("--bars", default="", metavar="5-8", help="the target of these bars")
    dropping.add_argument("--exercise", default="", metavar="NAME", help="the target of this exercise")
    dropping.add_argument("--sheet", type=Path, metavar="FILE", default=argparse.SUPPRESS, help="the week sheet")


def run(args: argparse.Namespace) -> int:
    """Show the week, or set a target."""
    if getattr(args, "action", None) == "set":
        return _set(args)
    if getattr(args, "action", None) == "drop":
        return _drop(args)
    if args.hidden and not args.shots:
        raise UsageError("--hidden leaves nothing to see: add --shots DIR, or leave it out")
    if args.window or args.shots:
        return _page(args)
    sheet = load(args.sheet or paths.week_sheet())
    days = [day.isoformat() for day in sheet.days]
    sessions, whose = log_beside(args.sheet, args.sessions)
    log = survey(sessions, wanted=Wanted(days[0], days[-1]))
    reader = ItemReader(sheet.path, sessions)
    abouts = [look_at_item(item, sheet.days, log.takes, reader, teacher=not args.student) for item in sheet.items]
    results = [_reached(about) for about in abouts]
    if args.student:
        commands = [_play_command(item, args.sheet) for item in sheet.items]
        lines = student_lines(sheet, results, commands, [about.title for about in abouts])
    else:
        lines = week_lines(sheet, results)
    if remarks := [*whose, *_remarks(sheet, log)]:
        lines += ["", *remark_lines(remarks)]
    this_week = [take for take in log.takes if take.day in days and not take.simulated and not take.example]
    if longest_stretch_s(this_week) >= LONG_STRETCH_S:
        lines += ["", CARE]
    print("\n".join(lines))
    return 0


def _reached(about: ItemAbout) -> Reached:
    """What became of an item, with what is to be said of its target."""
    said = [f"{about.reach.sentence}."] if about.reach else []
    return replace(about.reached, remarks=(*about.reached.remarks, *said, *about.said))


def _remarks(sheet: WeekSheet, log: Survey) -> list[str]:
    remarks = [
        f"{item.passage} is not there (looked in {sheet.path.parent})"
        for item in sheet.items
        if not os.path.isfile(item.path)
    ]
    if sheet.days[-1] < date.today():
        remarks.append("this week is over; set the next one's first target with --week and its date, or edit the sheet")
    return remarks + list(log.remarks)


def _play_command(item: WeekItem, sheet: Path | None) -> str:
    words = ["companion", *play_words(item), *(["--sheet", str(sheet)] if sheet else [])]
    # A Windows shell takes double quotes only.
    return subprocess.list2cmdline(words) if os.name == "nt" else shlex.join(words)


def _page(args: argparse.Namespace) -> int:
    from companion.cli.week_page import WeekDesk, show_week

    named = args.sheet or (paths.week_sheet() if args.student else paths.week_sheet_to_write())
    options = [word for name in ("sheet", "sessions") for word in _option(name, getattr(args, name))]
    sessions, whose = log_beside(args.sheet, args.sessions)
    for remark in whose:
        print(f"note: {remark}")
    desk = WeekDesk(named, sessions, options, teacher=not args.student)
    return show_week(desk, student=args.student, size=args.size, hidden=args.hidden, shots=args.shots)


def _option(name: str, path: Path | None) -> tuple[str, ...]:
    return (f"--{name}", str(path)) if path is not None else ()


def _set(args: argparse.Namespace) -> int:
    from companion.record.week_edit import backup_path, bring_along, set_target

    sheet_path = args.sheet or paths.week_sheet_to_write()
    sessions, whose = log_beside(args.sheet, args.sessions)
    reader = ItemReader(sheet_path, sessions)
    bars = normal_bars(args.bars)
    opened = reader.opened(args.passage, args.part, bars, (args.exercise or "").strip().lower())
    part = opened.part  # beside a score of several parts a sheet without it leads nowhere
    if bars:
        opened.passage.bar_range(bars)
    had = os.path.exists(sheet_path)
    week = _date(args.week) if args.week else None
    if args.by:
        monday = week or (load(sheet_path).week if had else date.today())
        due = _due(args.by, monday - timedelta(days=monday.weekday()))
        if not (week or had) and due < date.today() and args.by[:1].isalpha():
            week = date.today() + timedelta(days=7)  # "by Fri", said on a Sunday, is the coming one
    options, fixed = _options(args, opened.passage), _fingerings(args.fix, opened)
    setting = partial(
        set_target, sheet_path, bars=bars, target_bpm=args.tempo, by=args.by, clean_takes=args.clean_takes,
        start_bpm=args.start, step_bpm=args.step, step_percent=args.step_percent,
        comment=args.comment, articulation_share=args.articulation, exercise=args.exercise or "",
        exercise_options=options, days=_days(args.days), climb=_climb(args.climb), fingerings=fixed, week=week,
        part=part,
    )  # fmt: skip
    setting(passage=f"passages/{args.passage.name}", dry=True)
    item = WeekItem(
        args.passage.name, args.passage, args.tempo, bars, exercise=args.exercise or "", exercise_options=options or {},
        fingerings={place: name for place, name in fixed.items() if name}, part=part or "",
    )  # fmt: skip
    remark = _remark_on(item, reader)
    name, copy = bring_along(sheet_path, args.passage)
    also = setting(passage=name)
    if copy:
        print(f"Copied {args.passage} to {copy}, so that it travels with the sheet.")
    where = printed_bars(bars, "the whole passage")
    what = f"{item.exercise} of {where}" if item.exercise else where
    by = f" by {args.by}" if args.by else ""
    first = opened.passage.bar_range(bars)[0] if bars else 0
    counted = counted_note(opened.passage.bars[first])
    told = f" ({counted.mark(args.tempo)})" if counted != QUARTER and not item.exercise else ""
    title = opened.passage.title or args.passage.stem
    print(f"{title}, {what}: target {args.tempo:g} quarters a minute{told}{by}.")
    sheet = load(sheet_path)
    written = item_for(sheet, args.passage, bars, item.exercise, options)
    if written and (how := demands(written, sheet)):
        print(how)
    if week:
        print(f"The sheet is for the week of Monday {sheet.week.day} {sheet.week:%B %Y}.")
    late = _is_over(sheet, written.by if written else None, date.today())
    for words in (*([f"{remark}."] if remark else []), *late, *also, *(whose if remark else ())):
        print(f"note: {words}")
    kept = f" (its previous content: {backup_path(sheet_path)})" if had else ""
    print(f"Written to {sheet_path}{kept}.")
    return 0


def _drop(args: argparse.Namespace) -> int:
    from companion.record.week_edit import backup_path, drop_target, name_in

    path = args.sheet or paths.week_sheet_to_write()
    drop_target(path, name_in(path, args.passage), args.bars, args.exercise)
    print(f"Taken out of {path} (its previous content: {backup_path(path)}).")
    return 0


def _remark_on(item: WeekItem, reader: ItemReader) -> str:
    """What is to be said of a target. Raises `CompanionError` where the exercise can't be made; music that no plan can
    be made of can be set all the same."""
    try:
        reach = reader.reach(item, reader.music(item))
    except CompanionError as error:
        if item.exercise:
            raise
        return str(error)
    return reach.sentence if reach else ""


def _options(args: argparse.Namespace, passage: Passage) -> dict[str, Option] | None:
    """Options of the exercise, looked at before anything is written; None where none is given."""
    if not args.exercise:
        if args.set:
            raise UsageError("--set is for an exercise: write such as --exercise links --set kind=pair")
        return None
    from companion.cli.exercise_options import assignments, exercise_named, made_of

    exercise, given = exercise_named(args.exercise), assignments(args.set)
    args.exercise = exercise.name
    for name in given:
        if name not in exercise.options:
            raise UsageError(f"{exercise.name} has no option {name!r}; it has {', '.join(exercise.options) or 'none'}")
    typed = dict(made_of(exercise, passage, normal_bars(args.bars), given).options)
    return {name: typed[name] for name in given} or None


def _days(text: str | None) -> list[str] | None:
    try:
        return None if text is None else weekdays_in(text)
    except ValueError as word:
        raise UsageError(f"--days {str(word)!r}: write weekdays such as --days Mon,Wed,Fri, or all") from None


def _climb(name: str | None) -> str | None:
    return climb_named(name.strip().lower()).name if name else None


def _fingerings(texts: Sequence[str], opened: Opened) -> dict[str, str]:
    """`--fix 9.12=side` as often as it is given; a place must be there, and its note must have that fingering."""
    from companion.record.marks import note_at

    fixed = {}
    for text in texts:
        place, equals, name = (part.strip() for part in text.partition("="))
        if not equals:
            raise UsageError(f"--fix {text!r}: write such as --fix 9.12=side")
        note, chart = opened.passage.notes[note_at(opened.passage, place)], opened.chart
        if name and not chart.called(note.written_midi, name):
            there = ", ".join(fingering.name for fingering in chart.for_note(note.written_midi))
            raise UsageError(f"--fix {text!r}: {note.written} has no {name!r} on the {chart.title}; it has {there}")
        fixed[place] = name
    return fixed


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"--week {text!r} is no date: write such as --week 2026-11-30") from None


def _is_over(sheet: WeekSheet, due: date | None, today: date) -> list[str]:
    """What is to be said of a target whose day has gone by."""
    monday = today - timedelta(days=today.weekday())
    if sheet.days[-1] < today:
        return [f"the week of the sheet is over: add --week {monday} to move it to this one."]
    if due is not None and due < today:
        return [
            f"{day_in_words(due)} is over: give another day with --by, or move the sheet with --week"
            f" {monday + timedelta(days=7)}."
        ]
    return []


def _due(text: str, week: date) -> date:
    try:
        return day_from(text, week)
    except (ValueError, OverflowError) as error:
        raise UsageError(f"--by {text!r} {error}") from None
