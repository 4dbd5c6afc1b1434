"""`companion progress FILE`: what was reached on a passage and what to expect, as text and as a plot; `--lesson`: one
printed page with all that is practised."""

from __future__ import annotations

import argparse
import hashlib
import os
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from companion import paths
from companion.cli import arguments
from companion.cli.course import Course, Fingers, course_of, fingers_in, fingers_of, of_one_horn
from companion.cli.exercise_options import add_exercise, assignments, check_exercise
from companion.cli.which_log import log_beside
from companion.cli.which_part import Lookup, read_part
from companion.errors import CompanionError, UsageError, WeekSheetError
from companion.practice.metronome import QUARTER, CountedNote, counted_note
from companion.practice.words import piece_in_words, printed_bars
from companion.record.cold import cold_ids, cold_in_words, count_cold
from companion.record.index import Wanted, survey
from companion.record.model import TakeSummary, normal_bars
from companion.record.outlook import outlook
from companion.record.progress import CARE, LONG_STRETCH_S, longest_stretch_s, of_passage, who_played
from companion.record.text import WIDTH, progress_lines, remark_lines
from companion.record.week import WeekItem, item_for, load

if TYPE_CHECKING:
    from companion.cli.opening import Opened

__all__ = ["add_arguments", "run"]

MOST_STEM_BYTES = 180
#: Of so many choices of bars, those played last, it is said what to expect.
MOST_COURSES = 4
_EXAMPLES = """\
examples:
  companion progress shared/passages/etude-e-minor.musicxml
  companion progress etude.musicxml --bars 5-8 --plot etude.svg
  companion progress etude.musicxml --exercise links --bars 5-8
  companion progress etude.musicxml --window       the same as a page on the screen
  companion progress --lesson lesson.pdf           one page for the lesson, with all items of the week sheet

Takes are found by the content of the file, or by its name where it was edited since. The plot shows the tempo of each
take, filled where it was clean, the best clean tempo so far and the target; then the tempo at which every second take
comes out clean, with the band in which 80 of 100 students with such a record stand, and how both go on. At least three
days of practice are needed for that."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion progress`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE", help="the score")
    parser.add_argument("--bars", metavar="5-8", help="only takes of exactly these bars (default: all takes)")
    add_exercise(parser)
    parser.add_argument("--part", metavar="PART", help="the part, where the score has several")
    parser.add_argument("--instrument", metavar="HORN", help="takes on this horn (default: that of the newest take)")
    parser.add_argument(
        "-o", "--output", "--plot", type=Path, metavar="OUT.png", help="where the plot goes (.png, .pdf, .svg)"
    )
    parser.add_argument("--lesson", type=Path, metavar="OUT.pdf", help="one page with all items, instead of a FILE")
    parser.add_argument("--paper", metavar="PAPER", help="of that page: a4 or letter (default: a4)")
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="the week sheet (default: week.toml in shared/)")
    parser.add_argument(
        "--sessions", type=Path, metavar="DIR", help="the practice log (default: as companion week has it)"
    )
    window = parser.add_argument_group("the page")
    window.add_argument(
        "--window", action="store_true", help="show plot and words as pages, one for each choice of bars"
    )
    arguments.add_size(window)
    window.add_argument("--hidden", action="store_true", help="run without a display; with --shots")
    window.add_argument("--shots", type=Path, metavar="DIR", help="save a PNG of each page there, and end")


def run(args: argparse.Namespace) -> int:
    """Print what was reached and what to expect, and write the plot; or the page for the lesson, or those of the
    window."""
    if args.hidden and not args.shots:
        raise UsageError("--hidden leaves nothing to see: add --shots DIR, or leave it out")
    if args.lesson:
        from companion.cli.lesson_page import write_lesson

        _only_for_a_passage(args)
        sessions, whose = log_beside(args.sheet, args.sessions)
        return write_lesson(args.lesson, args.paper or "a4", args.sheet, sessions, whose)
    if args.file is None:
        raise UsageError("no score is named: write companion progress etude.musicxml, or --lesson lesson.pdf for all")
    if args.paper:
        raise UsageError("--paper is that of the page for the lesson: write it with --lesson lesson.pdf")
    return _passage(args)


def _only_for_a_passage(args: argparse.Namespace) -> None:
    given = {
        "--bars": args.bars, "--part": args.part, "--instrument": args.instrument, "--plot": args.output,
        "--exercise": args.exercise,
    }  # fmt: skip
    for name, value in {"a score": args.file, **given}.items():
        if value is not None:
            raise UsageError(f"--lesson shows all items, so {name} has no place beside it: leave one of them out")


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is looked at: its title, the content and the file name that its takes are known by, and which bars of it
    (None: any). `part` is what `--part` takes, `remarks` say how it was found. `opened` is there for an exercise only,
    which has no file. `counted` is the note in which the stand tells its tempos."""

    title: str
    sha256: str
    origin: str
    parts: tuple[str, ...]
    bars: str | None
    opened: Opened | None = None
    part: str | None = None
    remarks: tuple[str, ...] = ()
    counted: CountedNote = QUARTER


def _asked(args: argparse.Namespace, sessions: Path) -> _Asked:
    """Raises `CompanionError` where there is no such score, part, bar or exercise."""
    check_exercise(args)
    if args.exercise:
        from companion.cli.exercise_options import opened_exercise
        from companion.cli.opening import open_passage

        whole = open_passage(args.file, args.part, args.instrument, lookup=Lookup.of(args))
        opened = opened_exercise(whole, args.exercise, args.bars or "", args.set, sessions)
        return _Asked(opened.passage.title, opened.passage.sha256, "", (), None, opened,
                      counted=counted_note(opened.passage.bars[0]))  # fmt: skip
    found = read_part(args.file, args.part, Lookup.of(args))
    passage = found.passage
    bars = None if args.bars is None else normal_bars(args.bars)
    first = passage.bar_range(bars)[0] if bars else 0
    sha256 = passage.sha256 or hashlib.sha256(args.file.read_bytes()).hexdigest()
    parts = (passage.part_name, passage.part_id) if found.part is not None else ()
    return _Asked(
        passage.title or args.file.stem, sha256, str(args.file), parts, bars, part=found.part, remarks=found.said,
        counted=counted_note(passage.bars[first]),
    )  # fmt: skip


def _passage(args: argparse.Namespace) -> int:
    from companion.reports.plots import check_kind, draw_progress

    if args.output:
        check_kind(args.output)
    args.sessions, whose = log_beside(args.sheet, args.sessions)
    sessions: Path = args.sessions
    asked = _asked(args, sessions)
    sha256, bars = asked.sha256, asked.bars
    log = survey(sessions, wanted=Wanted(sha256=sha256, file_name=args.file.name if asked.origin else ""))
    all_takes = [t for t in log.takes if not asked.parts or t.part in asked.parts]
    found, how = of_passage(all_takes, sha256, asked.origin, bars)
    who_takes, who = who_played(found)
    takes, horns = of_one_horn(who_takes, _known_horn(args.instrument))
    items, sheet_remarks = _items(args, bars or "", takes)
    targets = _targets(items, bars or "", takes)
    courses, course_remarks = _courses(args, asked, takes, sessions, targets, items)
    played = {take.bars for take in takes} or {bars or ""}
    only = next(iter(played)) if len(played) == 1 else None
    target_bpm = targets[only] if only is not None else None
    whole = of_one_horn(who_played(of_passage(all_takes, sha256, asked.origin)[0])[0], _known_horn(args.instrument))[0]
    told = (*whose, *asked.remarks, *who, *how, *horns)
    if args.window or args.shots:
        if args.output:
            raise UsageError("--plot writes a file and --window shows pages: leave one of them out")
        return _pages(args, asked, whole, courses, items, (*told, *course_remarks, *sheet_remarks))
    output = args.output or _default_output(args.file, args.bars if asked.opened else bars, args.exercise or "")
    heading = piece_in_words(asked.title, bars or "")
    cold = cold_ids(whole)
    remarks = (*told, *_mixed(takes))
    shown = courses[0] if only is not None and courses else None
    drawn = f"Plot: {output}"
    try:
        draw_progress(
            takes, output, title=heading, target_bpm=target_bpm, notes=remarks,
            forecast=shown.outlook.forecast if shown else None, by=_by(items.get(shown.bars)) if shown else None,
            cold=cold,
        )  # fmt: skip
    except UsageError as error:
        if args.output:
            raise
        drawn = f"note: {error}"  # a plot that nobody asked for: what was reached is told all the same

    lines = [f"{heading} ({args.file})", ""]
    lines += progress_lines(takes, targets, cold) if takes else [_nothing_yet(target_bpm)]
    lines += _counted_otherwise(asked.counted, target_bpm or takes[-1].tempo_bpm) if takes else []
    lines += _course_lines(courses, whole, targets)
    remarks = (*remarks, *course_remarks, *sheet_remarks, *log.remarks)
    lines += ["", *remark_lines(remarks)] if remarks else []
    if longest_stretch_s(take for take in takes if not take.simulated and not take.example) >= LONG_STRETCH_S:
        lines += ["", CARE]
    print("\n".join([*lines, "", drawn]))
    return 0


def _pages(
    args: argparse.Namespace,
    asked: _Asked,
    whole: Sequence[TakeSummary],
    courses: Sequence[Course],
    items: dict[str, WeekItem],
    remarks: Sequence[str],
) -> int:
    from companion.cli.progress_page import page_of_course, show_pages

    bars = asked.bars or ""
    item = items.get(bars)
    target_bpm = item.target_bpm if item else None
    nothing = Course(bars, (), outlook((), target_bpm, _by(item)), None)
    pages = [
        page_of_course(asked.title, course, _by(items.get(course.bars)), whole, remarks)
        for course in courses or [nothing]
    ]
    return show_pages(pages, size=args.size, hidden=args.hidden, shots=args.shots)


def _known_horn(instrument: str | None) -> str | None:
    if instrument is None:
        return None
    from companion.charts import load

    return load(instrument).name


def _courses(
    args: argparse.Namespace,
    asked: _Asked,
    takes: Sequence[TakeSummary],
    sessions: Path,
    targets: dict[str, float | None],
    items: dict[str, WeekItem],
) -> tuple[list[Course], tuple[str, ...]]:
    """The course of each choice of bars, those played last first, and what is to be said of the fingers."""
    if not takes:
        return [], ()
    fingers: Fingers | None = None
    remarks: tuple[str, ...] = ()
    try:
        horn = args.instrument or takes[-1].instrument or None
        if asked.opened is not None:
            fingers = fingers_in(asked.opened, sessions)
        else:
            fingers = fingers_of(args.file, asked.part, horn, sessions, args.sheet)
        remarks = fingers.opened.remarks
    except CompanionError as error:
        # A chart that is no longer there, say: what was reached is shown all the same.
        remarks = (f"what holds back is not looked at: {error}",)
    newest = list(dict.fromkeys(take.bars for take in reversed(takes)))[:MOST_COURSES]
    return [
        course_of(
            bars, [t for t in takes if t.bars == bars], sessions, fingers, targets.get(bars), _by(items.get(bars)),
            date.today(),
        )
        for bars in newest
    ], remarks  # fmt: skip


def _by(item: WeekItem | None) -> date | None:
    return item.by if item else None


def _course_lines(
    courses: Sequence[Course], takes: Sequence[TakeSummary], targets: dict[str, float | None]
) -> list[str]:
    """`takes` are those of the whole passage: bars played before others warm these up."""
    lines: list[str] = []
    for course in courses:
        where = "" if len(courses) == 1 else f", {printed_bars(course.bars, 'the whole passage')}"
        lines += ["", f"What to expect{where}", *_sentences(course.outlook.sentences)]
        cold = cold_in_words(count_cold(takes, targets.get(course.bars), course.bars))
        lines += _sentences([cold] if cold else [])
        if course.holds is not None and course.holds.sentences:
            lines += [f"What holds it back{where}", *_sentences(course.holds.sentences)]
    return lines


def _sentences(sentences: Sequence[str]) -> list[str]:
    return [
        line
        for sentence in sentences
        for line in textwrap.wrap(
            sentence, WIDTH, initial_indent="-  ", subsequent_indent="   ", break_on_hyphens=False
        )
    ]


def _counted_otherwise(counted: CountedNote, tempo_bpm: float) -> list[str]:
    """How the stand tells the tempos of a piece that is not counted in quarters."""
    if counted == QUARTER:
        return []
    said = f"Tempos are quarters a minute; the stand counts {counted.many}: {tempo_bpm:g} is {counted.mark(tempo_bpm)}."
    return ["", *textwrap.wrap(said, WIDTH)]


def _nothing_yet(target_bpm: float | None) -> str:
    wanted = f" The target is {target_bpm:g} quarters a minute." if target_bpm else ""
    return f"No takes yet: what is played with companion play appears here.{wanted}"


def _mixed(takes: Sequence[TakeSummary]) -> tuple[str, ...]:
    if len({take.bars for take in takes}) < 2:
        return ()
    return ("takes of different bars together; --bars 5-8 shows some alone",)


def _items(
    args: argparse.Namespace, bars: str, takes: Sequence[TakeSummary]
) -> tuple[dict[str, WeekItem], tuple[str, ...]]:
    """What the week sheet asks for, by bars. One that was named must be right."""
    path = args.sheet or paths.week_sheet()
    if args.sheet is None and not path.exists():
        return {}, ()
    try:
        sheet = load(path)
    except WeekSheetError as error:
        if args.sheet is not None:
            raise
        return {}, (f"week sheet not read: {error}",)
    if args.exercise:
        name, options = args.exercise.strip().lower(), assignments(args.set)
        item = item_for(sheet, args.file, args.bars or "", name, options or None)
        return ({"": item} if item else {}), ()
    found = {played: item_for(sheet, args.file, played) for played in {bars, *(take.bars for take in takes)}}
    return {played: item for played, item in found.items() if item is not None}, ()


def _targets(items: dict[str, WeekItem], bars: str, takes: Sequence[TakeSummary]) -> dict[str, float | None]:
    """Target by bars: the week sheet's, else the one of the last take."""
    targets: dict[str, float | None] = {bars: None}
    targets.update((take.bars, take.target_bpm) for take in takes)
    targets.update((played, item.target_bpm) for played, item in items.items())
    return targets


def _default_output(file: Path, bars: str | None, exercise: str = "") -> Path:
    # File systems take names of 255 bytes.
    stem = os.fsdecode(os.fsencode(file.stem)[:MOST_STEM_BYTES])
    where = (f"-{exercise}" if exercise else "") + (f"-bars-{bars}" if bars else "")
    return paths.cache_dir() / "plots" / f"{stem}{where.replace('/', '-')}-progress.png"
