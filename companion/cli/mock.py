"""`companion mock`: a mock performance, several passages in a given order, one go each, then a judge's sheet."""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

from companion import __version__, paths
from companion.cli import arguments
from companion.cli.opening import Opened, check_there, open_passage
from companion.cli.play import controller_there
from companion.cli.result_file import check_writable, log_to_write, say_unsaved, write_json
from companion.cli.which_part import Lookup
from companion.errors import UsageError, WeekSheetError

if TYPE_CHECKING:
    from companion.engraving import Engraver
    from companion.window.mock_run import Judged, MockPiece, MockRun, MockSetup

__all__ = ["add_arguments", "run"]

_EXAMPLES = """\
examples:
  companion mock etude-1.musicxml etude-2.musicxml          both, whole, in this order
  companion mock etude-1.musicxml:1-16 scales.mid:5-8       only these bars of each
  companion mock *.musicxml --drawn                         in an order that is drawn

Each piece is announced after a silence; then begin when you are ready. There is no click, and nothing is marked until
the last piece is over: then the judge's sheet says what a panel would hear first, and how notes, rhythm, tempo and
articulation went. The takes are kept in the practice log, marked as a performance. How long the silences last is up to
you (--silence). Rest before and after; stop at pain, numbness or tingling. Your teacher knows more than any sheet."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion mock`."""
    from companion.practice.mock import SILENCE_S

    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    parser.add_argument("pieces", nargs="+", metavar="FILE[:BARS]", help="the scores, each with bars such as :5-8")
    parser.add_argument("--drawn", action="store_true", help="in an order that is drawn, as some auditions have it")
    parser.add_argument("--seed", type=arguments.count, metavar="N", help="with --drawn: the same order again")
    parser.add_argument(
        "--silence", type=_seconds, default=SILENCE_S, metavar="S",
        help=f"seconds of silence before each announcement, 0 to 600 (default: {SILENCE_S:g})",
    )  # fmt: skip
    parser.add_argument("--part", metavar="PART", help="the part of each score; its number, id or name")
    parser.add_argument("--instrument", metavar="HORN", help="soprano, alto, tenor, baritone or a chart of your own")
    parser.add_argument("--port", metavar="NAME", help="the controller; see: companion ports")
    parser.add_argument(
        "--shift", type=arguments.shift, metavar="N", help="semitones from what is heard to what is written"
    )
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="the practice log (default: $COMPANION_SESSIONS)")
    parser.add_argument("--json", type=Path, metavar="OUT.json", help="write the judge's sheet there as data, too")
    arguments.add_size(parser)
    parser.add_argument("--hidden", action="store_true", help="run without a display (with the simulated player)")
    parser.add_argument("--shots", type=Path, metavar="DIR", help="save a PNG of each kind of screen there")


def _seconds(text: str) -> float:
    return arguments.number_within(text, 0, 600, "seconds")


def run(args: argparse.Namespace) -> int:
    """`companion mock`."""
    from companion.engraving import Engraver

    wanted = [_file_and_bars(text) for text in args.pieces]
    if args.seed is not None and not args.drawn:
        raise UsageError("--seed draws an order: give it together with --drawn")
    for file, _ in wanted:
        check_there(file)
    check_writable(args.json)
    if args.drawn:
        Random(args.seed).shuffle(wanted)
    with Engraver() as engraver:
        return _perform(args, wanted, engraver)


def _file_and_bars(text: str) -> tuple[Path, str]:
    """`etude.musicxml:5-8`; a file whose name has a colon is itself."""
    path = Path(text)
    file, colon, bars = text.rpartition(":")
    if not colon or os.path.isfile(path) or len(file) <= 1:
        return path, ""
    return Path(file), bars


def _perform(args: argparse.Namespace, wanted: list[tuple[Path, str]], engraver: Engraver) -> int:
    from companion.window.mock_app import MockApp
    from companion.window.signals import Endings

    setup = _setup(args, wanted)
    app = MockApp(setup, engraver, size=args.size, shots=args.shots)
    lost = 0
    with Endings(app.ask_to_end) as endings:
        try:
            app.loop()
        finally:
            lost = say_unsaved(app.run.unsaved)
    if app.run.judged:
        print("\n".join(_lines(app.run)))
    if args.json:
        _write(args.json, app.run)
    return endings.exit_code or lost


def _setup(args: argparse.Namespace, wanted: list[tuple[Path, str]]) -> MockSetup:
    from companion.window.mock_run import MockSetup

    opened: dict[tuple[Path, str | None], Opened] = {}
    pieces: list[MockPiece] = []
    for file, bars in wanted:
        lookup = Lookup(sessions=args.sessions, bars=bars)
        one = open_passage(file, args.part, args.instrument, lookup=lookup)
        if (file, one.part) not in opened:
            opened[file, one.part] = one
            for remark in one.remarks:
                print(f"companion: note: {file.name}: {remark}", file=sys.stderr)
        pieces.append(_piece(opened[file, one.part], file, bars))
    charts = {one.chart.name: one.chart for one in opened.values()}
    if len(charts) > 1:
        raise UsageError(
            f"the pieces are for different horns ({', '.join(charts)}): name the one you play on with --instrument"
        )
    return MockSetup(
        pieces=tuple(pieces),
        chart=next(iter(charts.values())),
        port=_port(args),
        silence_s=args.silence,
        sessions=log_to_write(args.sessions),
        shift_semitones=args.shift,
        hidden=args.hidden,
    )


def _port(args: argparse.Namespace) -> str:
    from companion.ports import is_keys

    port = args.port or controller_there() or ""
    if not args.hidden:
        return port
    if args.port and is_keys(port):
        raise UsageError("--port keys is played in a window: leave --hidden out, or try --port sim:student:1")
    return "sim:student:1" if not port or is_keys(port) else port


def _piece(opened: Opened, file: Path, bars: str) -> MockPiece:
    from companion.practice.ladder import default_ladder
    from companion.practice.model import Tolerances
    from companion.practice.rehearsal import Rehearsal
    from companion.window.mock_run import MockPiece

    passage, plan = opened.passage, opened.plan()
    # The rehearsal knows how printed bars are named and cut.
    rehearsal = Rehearsal(passage, plan, default_ladder(passage))
    if bars:
        try:
            rehearsal.choose_bars(*passage.bar_range(bars))
        except UsageError as error:
            # Which of the scores, and as bars are written here.
            raise UsageError(f"{file.name}: {str(error).replace('--bars ', f'{file.name}:')}") from None
    target_bpm, share = _of_week(file, bars)
    tolerances = Tolerances()
    return MockPiece(
        passage, rehearsal.section, plan, passage.title or file.stem,
        replace(tolerances, articulation_share=share) if share else tolerances, target_bpm,
    )  # fmt: skip


def _of_week(file: Path, bars: str) -> tuple[float | None, float | None]:
    """Target and articulation that the week sheet asks for, where there is one that can be read."""
    from companion.record.week import item_for, load

    path = paths.week_sheet()
    if not path.is_file():
        return None, None
    try:
        item = item_for(load(path), file, bars)
    except WeekSheetError:
        return None, None
    return (item.target_bpm, item.articulation_share) if item else (None, None)


def _lines(run: MockRun) -> list[str]:
    """The judge's sheet as text."""
    import shutil
    import textwrap

    from companion.practice.words import number_of
    from companion.window.mock_view import judged_title

    width = max(60, min(shutil.get_terminal_size((80, 24)).columns, 100))
    all_begun = len(run.judged) == len(run.setup.pieces)
    left = "in the last piece" if all_begun else f"after {len(run.judged)} of {len(run.setup.pieces)} pieces"
    left = "" if run.over else f" (left {left})"
    lines = [f"The judge's sheet{left}"]
    for number, judged in enumerate(run.judged, start=1):
        lines += ["", *textwrap.wrap(f"{number}. {judged_title(judged)}", width, subsequent_indent="   ")]
        for label, sentence in run.sentences(judged):
            lines += textwrap.wrap(
                f"{label + ':':<14}{sentence}", width, initial_indent="   ", subsequent_indent=" " * 17,
                break_on_hyphens=False,
            )  # fmt: skip
    if early := run.mock.in_silence:
        lines += [
            "",
            f"{number_of(early, 'note')} played in a silence, before the announcement: they count for nothing.",
        ]
    return lines


def _write(path: Path, run: MockRun) -> None:
    data = {"companion": __version__, "over": run.over, "pieces": [_as_data(judged) for judged in run.judged]}
    write_json(path, data, "the takes are in the practice log")


def _as_data(judged: Judged) -> dict[str, Any]:
    told = judged.judged
    own = told.own if told else None
    return {
        "title": judged.piece.title,
        "file": judged.piece.passage.origin,
        "bars": judged.piece.section.label.replace("–", "-"),
        "played": judged.going.begun_ns is not None,
        "broken_off": judged.going.broken_off,
        "clean": bool(told and told.sheet.clean),
        "because": told.sheet.because if told else "nothing was played",
        "first": told.sheet.first if told else "",
        "notes": told.sheet.notes if told else "",
        "rhythm": told.sheet.rhythm if told else "",
        "tempo": told.sheet.tempo if told else "",
        "articulation": told.sheet.articulation if told else "",
        "tempo_bpm": round(own.tempo_bpm, 2) if own else None,
        "pauses": [
            {"before_note": p.before, "lost_s": round(p.lost_s, 3), "back": p.back} for p in (own.pauses if own else ())
        ],
    }
