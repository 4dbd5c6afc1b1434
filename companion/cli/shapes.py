"""`companion shapes`: fingerings by eye and hand; a screen to browse and practise them, or as text."""

from __future__ import annotations

import argparse
import shutil
import sys
import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from companion import paths
from companion.cli import arguments
from companion.cli.opening import check_there, open_passage
from companion.cli.which_part import Lookup
from companion.errors import UsageError

if TYPE_CHECKING:
    from companion.charts.model import Chart, Fingering
    from companion.cli.opening import Opened
    from companion.passage import Pitch
    from companion.practice.shapes import ShapeQuestion
    from companion.record.shapes import Remembered

__all__ = ["add_arguments", "run"]

#: So many shaky ones are listed; the rest is counted.
MOST_LISTED = 12
_NARROWEST, _WIDEST = 60, 100
CARE = "Rest some minutes every half hour, and stop at pain, numbness or tingling."
_EXAMPLES = f"""\
examples:
  companion shapes                             the screen: browse every note, then practise
  companion shapes --file etude.musicxml       practise what this passage asks for, first
  companion shapes B-flat4                     all shapes of a note, drawn, and what changes between them
  companion shapes B-flat4 --between A4 B4     the better one between these two, and why
  companion shapes --between G4 B-flat4:side   what the fingers do from one to the other
  companion shapes --due                       what is shaky, and when it is asked again

Practised shapes come back over days, the shaky ones first, by the schedule FSRS with its published defaults (library
fsrs). Times are an average player's, fitted to published trill rates (arXiv:2507.04963). {CARE}"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion shapes`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    parser.add_argument("note", nargs="?", metavar="NOTE", help="a written note, such as B-flat4")
    parser.add_argument("--instrument", metavar="HORN", help="soprano, alto, tenor, baritone or a chart of your own")
    parser.add_argument(
        "--between", nargs=2, metavar=("BEFORE", "AFTER"),
        help="with NOTE: its neighbours; alone: two shapes, such as G4 B-flat4:side",
    )  # fmt: skip
    parser.add_argument("--due", action="store_true", help="what is shaky, and when it is asked again")
    parser.add_argument("--file", type=Path, metavar="ETUDE", help="what this passage asks for comes first")
    parser.add_argument("--part", help="which part of a score: its number, id or name")
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="the practice log (default: $COMPANION_SESSIONS)")
    window = parser.add_argument_group("the screen")
    window.add_argument("--port", metavar="NAME", help="the controller; see: companion ports")
    arguments.add_size(window)
    window.add_argument("--mute", action="store_true", help="begin without sound")
    window.add_argument("--hidden", action="store_true", help="run without a display; with --shots")
    window.add_argument("--shots", type=Path, metavar="DIR", help="save a PNG of each kind of screen there, and end")


def run(args: argparse.Namespace) -> int:
    """`companion shapes`."""
    _check_together(args)
    opened = _opened(args)
    chart = opened.chart if opened else _chart(args)
    if args.note and args.between:
        print("\n".join(_between_lines(chart, args)))
    elif args.note:
        print("\n".join(_note_lines(chart, args.note)))
    elif args.between:
        print("\n".join(_change_lines(chart, args.between)))
    elif args.due:
        print("\n".join(_due_lines(chart, opened, args)))
    else:
        return _screen(chart, opened, args)
    return 0


def _check_together(args: argparse.Namespace) -> None:
    """Options that would do nothing are said rather than passed over."""
    if args.due and (args.note or args.between):
        raise UsageError("--due lists what is shaky on the whole horn: give it without a note and --between")
    if args.file is not None and (args.note or args.between):
        raise UsageError("--file says what to practise: give it without a note and --between")
    if args.part and args.file is None:
        raise UsageError("--part belongs to a passage: companion shapes --file ETUDE --part ...")
    as_text = args.note or args.between or args.due
    for name, given in (("--shots", args.shots), ("--port", args.port), ("--hidden", args.hidden)):
        if given and as_text:
            raise UsageError(f"{name} belongs to the screen: companion shapes {name} ..., without a note or --due")
    if args.hidden and not args.shots:
        raise UsageError("--hidden leaves nothing to see: add --shots DIR, or leave it out")


def _chart(args: argparse.Namespace) -> Chart:
    from companion.charts import load

    return load(args.instrument or "alto")


def _opened(args: argparse.Namespace) -> Opened | None:
    if args.file is None:
        return None
    check_there(args.file)
    opened = open_passage(args.file, args.part, args.instrument, lookup=Lookup.of(args))
    for remark in opened.remarks:
        print(f"companion: note: {remark}", file=sys.stderr)
    return opened


def _width() -> int:
    return max(_NARROWEST, min(shutil.get_terminal_size((80, 24)).columns, _WIDEST))


def _wrapped(text: str, indent: str = "", hang: str = "") -> list[str]:
    return textwrap.wrap(text, _width(), initial_indent=indent, subsequent_indent=indent + hang)


# -- as text ---------------------------------------------------------------------------------------------------------


def _ascii_only() -> bool:
    try:
        "●○♭♯".encode(getattr(sys.stdout, "encoding", None) or "utf-8")
    except (UnicodeEncodeError, LookupError):
        return True
    return False


def _note_lines(chart: Chart, text: str) -> list[str]:
    """Every shape of a note, drawn, and what the fingers do from the first to each other one."""
    from companion.practice.shapes import change_of
    from companion.practice.words import number_of
    from companion.reports.horn_drawing import horns_text
    from companion.scores.pitch_words import pitch_from

    pitch = pitch_from(text)
    first = chart.standard(pitch.midi)
    shapes = chart.for_note(pitch.midi)
    lines = [f"{_heading(chart, pitch)}: {number_of(len(shapes), 'shape')}", ""]
    drawn = [(shape.name, [shape.use or "the usual one"], shape.keys) for shape in shapes]
    lines += horns_text(chart, drawn, _width(), _ascii_only())
    others = [shape for shape in shapes if shape != first]
    if others:
        lines += ["", "What changes"]
    for shape in others:
        words = change_of(chart, first.keys, shape.keys).sentence()
        lines += _wrapped(f"{first.name} to {shape.name}: {words}", "  ", "  ")
    return lines


def _heading(chart: Chart, pitch: Pitch) -> str:
    from companion.practice.shapes import sounding_name

    return f"{pitch} on the {chart.title} (sounds {sounding_name(chart, pitch)})"


def _shape_named(chart: Chart, text: str) -> tuple[Pitch, Fingering]:
    """`G4`, or with one of its other shapes `B-flat4:side`."""
    from companion.scores.pitch_words import pitch_from

    pitch_text, _, name = text.partition(":")
    pitch = pitch_from(pitch_text)
    standard = chart.standard(pitch.midi)
    if not name:
        return pitch, standard
    if found := chart.called(pitch.midi, name):
        return pitch, found[0]
    names = ", ".join(fingering.name for fingering in chart.for_note(pitch.midi))
    raise UsageError(f"{text!r}: {pitch} has no fingering {name!r} on the {chart.title}; it has {names}")


def _change_lines(chart: Chart, texts: Sequence[str]) -> list[str]:
    """Two shapes side by side, and what the fingers do."""
    (a, before), (b, after) = (_shape_named(chart, text) for text in texts)
    return _changing(chart, [(_named(a, before), before), (_named(b, after), after)])


def _named(pitch: Pitch, shape: Fingering) -> str:
    return str(pitch) if shape.name == "standard" else f"{pitch} {shape.name}"


def _changing(chart: Chart, way: Sequence[tuple[str, Fingering]]) -> list[str]:
    from companion.planning import change_seconds
    from companion.practice.shapes import change_of
    from companion.reports.horn_drawing import horns_text
    from companion.units import ms_from_s

    drawn = [(name, (), shape.keys) for name, shape in way]
    lines = horns_text(chart, drawn, _width(), _ascii_only())
    for (a, before), (b, after) in pairwise(way):
        change = change_of(chart, before.keys, after.keys)
        takes = f", some {ms_from_s(change_seconds(chart, before, after)):.0f} ms" if change.down or change.up else ""
        lines += ["", *_wrapped(f"{a} to {b}{takes}")]
        for word, keys in change.lines():
            lines += _wrapped(f"{word:<6} {keys}", "  ", " " * 7)
    return lines


def _between_lines(chart: Chart, args: argparse.Namespace) -> list[str]:
    """The better shape of a note between two others, and why."""
    from companion.practice.shapes import explained, question_of
    from companion.scores.pitch_words import pitch_from

    pitches = [pitch_from(text) for text in (args.between[0], args.note, args.between[1])]
    for pitch in pitches:
        chart.standard(pitch.midi)
    if pitches[1].midi in (pitches[0].midi, pitches[2].midi):
        raise UsageError(f"{pitches[1]} beside itself keeps its shape: name other notes with --between")
    question = question_of(chart, pitches, clear_s=0.0)
    if question is None:
        only = chart.standard(pitches[1].midi)
        return [f"{_heading(chart, pitches[1])} has one shape here", "", *_changing(chart, [(str(pitches[1]), only)])]
    lines = [question.words, ""]
    for sentence in explained(question, chart):
        lines += _wrapped(sentence)
    way = [
        (_named(pitch, choice.fingering), choice.fingering)
        for pitch, choice in zip(pitches, question.plan.choices, strict=True)
    ]
    return [*lines, "", *_changing(chart, way)]


# -- what is shaky ---------------------------------------------------------------------------------------------------


def _questions(chart: Chart, opened: Opened | None) -> tuple[ShapeQuestion, ...]:
    """The passage's own, then what everybody learns."""
    from companion.practice.shapes import practice_order

    if opened is None:
        return practice_order(chart)
    return practice_order(chart, opened.rules, opened.passage, opened.plan())


def _remembered(chart: Chart, args: argparse.Namespace) -> Remembered:
    from companion.record.shapes import read_answers

    found = read_answers(args.sessions or paths.sessions_dir(), chart.name)
    for remark in found.remarks:
        print(f"companion: note: {remark}", file=sys.stderr)
    return found


def _due_lines(chart: Chart, opened: Opened | None, args: argparse.Namespace) -> list[str]:
    from companion.practice.spacing import due_in_words, is_due, recall_in_words, shaky_first

    questions = {question.id: question for question in _questions(chart, opened)}
    if opened:
        questions = {name: question for name, question in questions.items() if question.where}
    cards, now = _remembered(chart, args).cards, datetime.now(UTC)
    order = [name for name in shaky_first(list(questions), cards, now) if name in cards]
    new = len(questions) - len(order)
    due = sum(is_due(cards[name], now) for name in order)
    what = f"in {opened.passage.title or args.file.name}" if opened else "in all"
    lines = [f"Shapes on the {chart.title}: {len(questions)} {what}, {due} due now, {new} not asked yet"]
    if not questions:
        return [f"{what.removeprefix('in ')} has no note with a clear choice of shapes on the {chart.title}"]
    rows = [
        (questions[name].words, questions[name].better.name, recall_in_words(cards[name], now),
         due_in_words(cards[name], now))
        for name in order[:MOST_LISTED]
    ]  # fmt: skip
    if rows:
        rows.insert(0, ("the shaky ones first", "better", "recall", "next"))
        widths = [max(len(row[i]) for row in rows) for i in range(4)]
        lines += [
            "",
            *("   ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows),
        ]
    if len(order) > MOST_LISTED:
        lines.append(f"and {len(order) - MOST_LISTED} more, safer than these")
    next_new = next((question for name, question in questions.items() if name not in cards), None)
    if next_new is not None:
        lines += ["", f"The next new one: {next_new.words}."]
    return [*lines, "", *_wrapped(f"Practise with: companion shapes{_again(args)}. {CARE}")]


def _again(args: argparse.Namespace) -> str:
    file = f" --file {args.file}" if args.file else ""
    return file + (f" --instrument {args.instrument}" if args.instrument else "")


# -- the screen ------------------------------------------------------------------------------------------------------


def _screen(chart: Chart, opened: Opened | None, args: argparse.Namespace) -> int:
    from companion.cli.play import controller_there
    from companion.window.shapes_app import ShapesApp, ShapesSetup
    from companion.window.signals import Endings

    remembered = _remembered(chart, args)
    port = args.port or ("" if args.hidden else controller_there() or "")
    setup = ShapesSetup(
        chart=chart,
        questions=_questions(chart, opened),
        remembered=remembered,
        sessions=args.sessions or paths.sessions_dir(),
        port=port,
        muted=args.mute,
        hidden=args.hidden,
        title=(opened.passage.title or args.file.name) if opened else "",
    )
    app = ShapesApp(setup, size=args.size, shots=args.shots)
    with Endings(app.ask_to_end) as endings:
        app.loop()
    return endings.exit_code
