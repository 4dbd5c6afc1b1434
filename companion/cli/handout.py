"""`companion handout FILE -o OUT.pdf`: the printed sheet of a passage."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from companion import paths
from companion.errors import UsageError

if TYPE_CHECKING:
    from companion.cli.opening import Opened
    from companion.engraving import Engraver
    from companion.passage import Passage
    from companion.planning.model import Plan
    from companion.record.week import WeekItem, WeekSheet
    from companion.reports.handout import Card, Handout, Line, Score, Steps

__all__ = ["PARTS", "add_arguments", "run"]

#: The parts of the sheet, as they stand on it from top to bottom.
PARTS = ("head", "legend", "music", "remarks", "horns", "reasons", "exercises", "tempos", "care")
#: The exercises that stand on a sheet when nobody says: what is hardest, lifted out.
_USUAL = ("links",)
#: Of a name on the sheet; more would push the music off its first page.
_MOST_LETTERS = 50
_EXAMPLES = """\
examples:
  companion handout etude.musicxml -o etude.pdf
  companion handout etude.musicxml -o etude.pdf --student "Robin" --paper letter
  companion handout etude.musicxml -o etude.pdf --exercise links:change=2,kind=grown --exercise links:change=1,kind=pair
  companion handout etude.musicxml -o etude.pdf --bars 9-16
  companion handout etude.musicxml -o page.pdf --parts head,legend,music,remarks
  companion handout etude.musicxml -o etude.pdf --without tempos,care

Parts: head (title and lines to write on), legend, music, remarks (the teacher's, from the mark sheet), horns (a drawing
of each alternate fingering), reasons, exercises, tempos (the week sheet's steps to tick), care."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion handout`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    parser.add_argument("file", type=Path, metavar="FILE", help="a MusicXML or Standard MIDI file")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="OUT.pdf", help="the sheet to write")
    parser.add_argument("--paper", default="a4", metavar="PAPER", help="a4 or letter (default: a4)")
    parser.add_argument("--parts", metavar="PART,PART", help=f"only these: {', '.join(PARTS)}")
    parser.add_argument("--without", metavar="PART,PART", help="all but these")
    parser.add_argument("--student", metavar="NAME", help="the student's name (default: the week sheet's, else a line)")
    parser.add_argument("--teacher", metavar="NAME", help="the teacher's name (default: a line to write on)")
    parser.add_argument(
        "--exercise",
        action="append",
        metavar="NAME[:OPTION=VALUE,...]",
        help="an exercise, or its number in the list of companion exercises (default: the week sheet's, or links)",
    )
    parser.add_argument("--bars", metavar="5-8", default="", help="only these bars (the whole passage is planned)")
    parser.add_argument("--part", help="which part of a score: its number, id or name")
    parser.add_argument("--instrument", metavar="HORN", help="soprano, alto, tenor, baritone or a chart of your own")
    parser.add_argument(
        "--marks", type=Path, metavar="SHEET", help="the mark sheet (default: FILE.marks.toml beside it)"
    )
    parser.add_argument(
        "--rule-file", type=Path, metavar="FILE", help="changes to the rules (usual: shared/rules.toml)"
    )
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="the week sheet (default: week.toml in shared/)")


def run(args: argparse.Namespace) -> int:
    """Write the sheet."""
    from companion.cli.marked_score import check_output, write_output
    from companion.cli.opening import check_there
    from companion.engraving import Engraver
    from companion.reports.handout import handout_pdf, paper_called

    check_there(args.file)
    check_output("-o", args.output, str(args.file), (".pdf",), ".pdf")
    paper_called(args.paper)
    parts = parts_asked(args.parts, args.without)
    # The engraver gets ready in a process of its own while the passage is read and planned.
    with Engraver() as engraver:
        content, remarks = _content(args, parts, engraver)
        pdf, said = handout_pdf(content, args.paper, engraver)
    for remark in (*remarks, *said):
        print(f"companion: note: {remark}", file=sys.stderr)
    write_output(args.output, pdf)
    print(f"{content.title}: the sheet is written to {args.output}.")
    return 0


def parts_asked(only: str | None, without: str | None) -> frozenset[str]:
    """The parts that stand on the sheet. Raises `UsageError` for a part that there isn't."""
    wanted = _parts_in("--parts", only) if only is not None else frozenset(PARTS)
    left = wanted - (_parts_in("--without", without) if without is not None else frozenset())
    if not left:
        raise UsageError(f"no part is left of the sheet; choose of {', '.join(PARTS)}")
    return left


def _parts_in(option: str, text: str) -> frozenset[str]:
    names = [name.strip().lower() for name in text.split(",") if name.strip()]
    for name in names:
        if name not in PARTS:
            raise UsageError(f"{option} {name}: there is no such part; there are {', '.join(PARTS)}")
    return frozenset(names)


# -- what stands on it ----------------------------------------------------------------------------------------------


def _content(args: argparse.Namespace, parts: frozenset[str], engraver: Engraver) -> tuple[Handout, list[str]]:
    """The sheet's content, and what is to be said of it. The engraver begins with the passage meanwhile."""
    from companion.cli.opening import open_passage
    from companion.cli.week_items import with_fingerings
    from companion.cli.which_part import Lookup
    from companion.planning import page_marks
    from companion.practice.words import capital, printed_bars
    from companion.record.model import normal_bars
    from companion.reports import handout_words as words
    from companion.reports.handout import Handout, Score, begin_engraving
    from companion.reports.handout_bars import bars_of_document
    from companion.scores import for_engraving

    opened = open_passage(args.file, args.part, args.instrument, args.marks, args.rule_file, lookup=Lookup.of(args))
    sheet, items, week_remarks = _week(args)
    if sheet is not None:
        for item in items:
            opened = with_fingerings(opened, {} if item.exercise else item.fingerings, sheet.path)
    passage = opened.passage
    whole, (low, high) = opened.plan(), _written_bars(passage, args.bars)
    plan, document = whole, for_engraving(passage)
    if args.bars:
        plan, document = _planned_in(passage, whole, low, high), bars_of_document(document, low, high)
    inside = {f"n{passage.notes[choice.note_index].source}" for choice in plan.choices}
    remarks = words.remarks_of(passage, opened.marked, inside) if "remarks" in parts else ()
    score = Score(document, page_marks(passage, plan), remarks) if "music" in parts else None
    if score is not None:
        begin_engraving(score, args.paper, engraver)
    exercises = _exercises(args.exercise, args.bars, items, opened, whole) if "exercises" in parts else []
    music = [(passage, plan)] if score is not None else []
    handout = Handout(
        title=", ".join(filter(None, (passage.title or args.file.stem, printed_bars(normal_bars(args.bars or ""))))),
        horn=capital(opened.chart.title),
        composer=passage.composer,
        head="head" in parts,
        lines=_lines(args, sheet),
        legend=words.legend_of([*music, *exercises], opened.chart, remarks) if "legend" in parts else (),
        music=score,
        cards_title="Alternate fingerings, and why" if "reasons" in parts else "Alternate fingerings",
        cards=_cards(opened, plan, parts),
        kept=words.kept_of(passage, plan) if "reasons" in parts else (),
        exercises=tuple(_score(*each) for each in exercises),
        steps=_steps(passage, items, sheet) if "tempos" in parts else (),
        care=words.CARE if "care" in parts else (),
    )
    return handout, [*opened.remarks, *plan.remarks, *week_remarks]


def _written_bars(passage: Passage, bars: str) -> tuple[int, int]:
    """The first and last of the printed bars asked for, as written from 0; all where none are."""
    first, last = passage.bar_range(bars) if bars else (0, len(passage.bars) - 1)
    written = [bar.written_index for bar in passage.bars[first : last + 1]]
    return min(written), max(written)


def _planned_in(passage: Passage, plan: Plan, low: int, high: int) -> Plan:
    """The plan's choices in these written bars, each time they are played."""
    there = [low <= passage.bars[note.bar].written_index <= high for note in passage.notes]
    return replace(plan, choices=tuple(choice for choice in plan.choices if there[choice.note_index]))


def _cards(opened: Opened, plan: Plan, parts: frozenset[str]) -> tuple[Card, ...]:
    from companion.reports.handout_words import cards_of

    horns, reasons = "horns" in parts, "reasons" in parts
    if not (horns or reasons):
        return ()
    return cards_of(opened.passage, plan, opened.chart, opened.marked, horns, reasons)


def _lines(args: argparse.Namespace, sheet: WeekSheet | None) -> tuple[Line, ...]:
    """Name, teacher and date to write on, filled in where they are known."""
    from companion.practice.words import cut_to
    from companion.reports.handout import Line

    student = args.student if args.student is not None else (sheet.student if sheet else "")
    week = f"week of {sheet.week.day} {sheet.week:%B %Y}" if sheet else ""
    return (
        Line("Name", cut_to(student, _MOST_LETTERS)),
        Line("Teacher", cut_to(args.teacher or "", _MOST_LETTERS)),
        Line("Date", week),
    )


# -- the week -------------------------------------------------------------------------------------------------------


def _week(args: argparse.Namespace) -> tuple[WeekSheet | None, tuple[WeekItem, ...], tuple[str, ...]]:
    """The week sheet, what it sets of this passage, and what is to be said; None where it sets nothing.

    A sheet that was named must be right; the usual one, where it is faulty, is said and not followed.
    """
    from companion.errors import WeekSheetError
    from companion.record.week import load

    path = args.sheet or paths.week_sheet()
    if args.sheet is None and not path.is_file():
        return None, (), ()
    try:
        sheet = load(path)
    except WeekSheetError as error:
        if args.sheet:
            raise
        return None, (), (f"the week sheet is not followed: {error}",)
    items = _items(sheet, args.file, args.bars)
    if not items:
        return None, (), ()
    if sheet.days[-1] >= date.today():
        return sheet, items, ()
    week = f"the week sheet is that of {sheet.week.day} {sheet.week:%B %Y}, which is over"
    return sheet, items, (f"{week}; move it with --week of companion week set",)


def _items(sheet: WeekSheet, file: Path, bars: str) -> tuple[WeekItem, ...]:
    """What the sheet sets of this passage, or of these bars: the music itself, and exercises made of it."""
    from companion.record.model import normal_bars
    from companion.record.week import item_for

    alone = ((item, replace(sheet, items=(item,))) for item in sheet.items)
    own = [item for item, one in alone if item_for(one, file, item.bars, item.exercise) is item]
    if not bars:
        return tuple(own)
    exact = tuple(item for item in own if item.bars == normal_bars(bars))
    # What is set for the whole passage holds for these bars as well.
    return exact or tuple(item for item in own if not item.bars and not item.exercise)


def _steps(passage: Passage, items: Sequence[WeekItem], sheet: WeekSheet | None) -> tuple[Steps, ...]:
    """The steps of what the sheet sets; where it sets nothing, those up to the printed tempo."""
    from companion.cli.week_items import ladder_of
    from companion.practice.ladder import default_ladder
    from companion.reports.handout_words import steps_of

    if sheet is None:
        return (steps_of(passage, default_ladder(passage)),)
    found = []
    for item in items:
        found.append(steps_of(passage, ladder_of(item, passage), item, sheet))
    # What is the same under each table stands under the last one.
    return tuple(
        replace(one, below="") if after is not None and one.below == after.below else one
        for one, after in zip(found, [*found[1:], None], strict=True)
    )


# -- exercises ------------------------------------------------------------------------------------------------------


def _exercises(
    asked: Sequence[str] | None, bars: str, items: Sequence[WeekItem], opened: Opened, plan: Plan
) -> list[tuple[Passage, Plan]]:
    """The exercises asked for; else those of the week sheet; else the usual ones."""
    from companion.cli.made import plan_of
    from companion.errors import CompanionError

    if asked is not None:
        made = [_asked(text, bars, opened, plan) for text in asked]
    elif wanted := [item for item in items if item.exercise]:
        made = [
            _named(
                item.exercise,
                {name: str(value) for name, value in item.exercise_options.items()},
                item.bars,
                opened,
                plan,
            )
            for item in wanted
        ]
    else:
        made = []
        for name in _USUAL:
            # Where nothing is hard there is nothing to lift out.
            with suppress(CompanionError):
                made.append(_named(name, {}, bars, opened, plan))
    return [(passage, plan_of(passage, opened.chart, opened.rules)) for passage in made]


def _asked(text: str, bars: str, opened: Opened, plan: Plan) -> Passage:
    """An exercise by name and options, or by its number in the list of `companion exercises`."""
    from companion.cli.exercise_options import bars_of, offered, offers_of, own_spots

    if not text.strip().isdecimal():
        return _named(*exercise_asked(text), bars, opened, plan)
    spots, _ = own_spots(paths.sessions_dir(), opened, plan)
    passage = opened.passage
    return offered(text.strip(), offers_of(passage, plan, opened.chart, bars_of(passage, bars), spots)).made


def _named(name: str, given: Mapping[str, str], bars: str, opened: Opened, plan: Plan) -> Passage:
    from companion.cli.exercise_options import exercise_named, made_of
    from companion.window.music import exercise_of

    made = made_of(exercise_named(name), opened.passage, bars, given)
    return exercise_of(opened.passage, plan, opened.chart, made)


def exercise_asked(text: str) -> tuple[str, dict[str, str]]:
    """`links:change=2,kind=grown` as a name and options in words. Raises `UsageError` where there is no such exercise
    or option."""
    from companion.cli.exercise_options import exercise_named

    name, _, rest = text.partition(":")
    exercise = exercise_named(name)
    given = {}
    # A comma within a value, as in a list of bars, is not followed by another option.
    for one in filter(str.strip, re.split(r",(?=\s*\w+\s*=)", rest)):
        option, equals, value = one.partition("=")
        if not equals or option.strip() not in exercise.options:
            has = ", ".join(exercise.options) or "no options"
            raise UsageError(f"--exercise {text!r}: {exercise.name} has no option {option.strip()!r}; there is {has}")
        given[option.strip()] = value.strip()
    return exercise.name, given


def _score(passage: Passage, plan: Plan) -> Score:
    from companion.planning import page_marks
    from companion.reports.handout import Score
    from companion.scores import for_engraving

    return Score(for_engraving(passage), page_marks(passage, plan), title=passage.title, purpose=passage.purpose)
