"""`companion play FILE`: put a passage on the stand and play it up the tempo ladder."""

from __future__ import annotations

import argparse
import contextlib
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from companion import __version__, paths
from companion.cli import arguments
from companion.cli.opening import Opened, check_there, open_passage
from companion.cli.result_file import check_writable, log_to_write, say_unsaved, write_json
from companion.cli.which_part import Lookup
from companion.errors import PortError

if TYPE_CHECKING:
    from companion.charts.model import Chart
    from companion.passage import Passage
    from companion.planning.model import Plan
    from companion.practice.ladder import Ladder
    from companion.practice.model import Tolerances
    from companion.record.week import WeekItem, WeekSheet
    from companion.window.music import Made
    from companion.window.run import Run
    from companion.window.setup import Setup

__all__ = ["add_arguments", "add_stand_arguments", "controller_there", "play", "run"]

#: So many items of the week sheet are named.
MOST_NAMED = 3
EXAMPLES = """examples:
  companion play etude.musicxml                       play it on the controller that was used last
  companion play etude.mxl --bars 5-8 --target 96     four bars, up to 96 quarters a minute
  companion play etude.mxl --bars 5-8 --exercise links    an exercise made of them; Esc leads back to the music
  companion play score.musicxml --part 2 --instrument tenor
  companion play etude.musicxml --port sim:student:7  watch the simulated player

Tempos are quarters a minute. The ladder climbs after --clean-takes clean takes in a row and goes one rung back after
repeated trouble; press ? in the window for all keys. Take a break every half hour and stop at pain."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of `companion play`."""
    parser.add_argument("file", metavar="FILE", help="a MusicXML (.musicxml, .xml, .mxl) or Standard MIDI file")
    add_stand_arguments(parser)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES


def add_stand_arguments(parser: argparse.ArgumentParser) -> None:
    """What `play` and `demo` share."""
    music = parser.add_argument_group("the passage")
    music.add_argument(
        "--part",
        help="which part of a score: its number, id or name; P1/2 is voice 2 of part P1 (default: the week sheet's,"
        " that of the last take, or the only saxophone's)",
    )
    music.add_argument("--bars", help="only these printed bars, such as 5-8")
    music.add_argument(
        "--exercise", metavar="NAME", help="an exercise made of it or of --bars; names and numbers: companion exercises"
    )
    music.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", help="an option of the exercise, such as times=4"
    )
    music.add_argument(
        "--instrument", metavar="HORN", help="soprano, alto, tenor, baritone or a chart of your own (.toml)"
    )
    music.add_argument("--marks", type=Path, metavar="FILE", help="the mark sheet (default: FILE.marks.toml beside it)")
    music.add_argument("--rule-file", type=Path, metavar="FILE", help="changes to the rules (usual: shared/rules.toml)")
    ladder = parser.add_argument_group("the ladder (quarters a minute)")
    ladder.add_argument(
        "--start", type=arguments.tempo, metavar="BPM", help="lowest rung (default: about 60 %% of the target)"
    )
    ladder.add_argument(
        "--target",
        type=arguments.tempo,
        metavar="BPM",
        help="highest rung (default: the week sheet, else the printed tempo)",
    )
    steps = ladder.add_mutually_exclusive_group()
    steps.add_argument(
        "--step", type=arguments.tempo, metavar="BPM", help="from rung to rung (default: 4, more on a long ladder)"
    )
    steps.add_argument(
        "--step-percent", type=arguments.tempo, metavar="P", help="from rung to rung, in per cent of the lower"
    )
    ladder.add_argument(
        "--climb", metavar="NAME", help="steady steps (default), alternate (slow and target in turn), overshoot or grow"
    )
    ladder.add_argument("--tempo", type=arguments.tempo, metavar="BPM", help="begin on the rung nearest to this tempo")
    ladder.add_argument(
        "--clean-takes", type=arguments.count, metavar="N", help="clean takes in a row for the next rung (default: 3)"
    )
    ladder.add_argument(
        "--tolerance", type=arguments.tempo, metavar="MS", help="a note this close to the click is on time"
    )
    ladder.add_argument("--sheet", type=Path, metavar="FILE", help="the week sheet to take the target from")
    port = parser.add_argument_group("the controller")
    port.add_argument(
        "--port",
        metavar="NAME",
        help="a MIDI port, keys (the computer's keys as a horn), or sim:LEVEL:SEED (steady, student, beginner, messy,"
        " ...); see: companion ports",
    )
    port.add_argument(
        "--shift", type=arguments.shift, metavar="SEMITONES", help="added to each note received to get written pitch"
    )
    port.add_argument(
        "--delay", type=arguments.delay, metavar="MS", help="taken off all times: what the set-up is late by"
    )
    window = parser.add_argument_group("the window and the run")
    arguments.add_size(window)
    window.add_argument("--mute", action="store_true", help="begin with the click off")
    window.add_argument("--hidden", action="store_true", help="run without a display")
    window.add_argument("--takes", type=arguments.count, metavar="N", help="start takes without a key and end after N")
    window.add_argument("--shots", type=Path, metavar="DIR", help="save a PNG of each kind of screen there")
    window.add_argument("--json", type=Path, metavar="FILE", help="write the result of the run there")
    window.add_argument("--sessions", type=Path, metavar="DIR", help="where the practice log is kept")


def run(args: argparse.Namespace) -> int:
    """`companion play`."""
    return play(args, Path(args.file), by_itself=args.takes is not None)


def play(args: argparse.Namespace, file: Path, by_itself: bool) -> int:
    """Put `file` on the stand as the arguments say; returns the exit code."""
    # The engraver is a process of its own: started first, it is ready by the time the score is read.
    from companion.engraving import Engraver

    check_there(file)
    check_writable(args.json)
    with Engraver() as engraver:
        return _play(args, file, by_itself, engraver)


def _play(args: argparse.Namespace, file: Path, by_itself: bool, engraver: Any) -> int:
    from companion.scores import for_engraving

    opened = open_passage(file, args.part, args.instrument, args.marks, args.rule_file, lookup=Lookup.of(args))
    passage = opened.passage
    document = for_engraving(passage)
    if not args.exercise:
        _engrave_ahead(engraver, document, args.size, passage)
    setup = _setup(args, file, opened, by_itself)
    for remark in setup.remarks:
        print(f"companion: note: {remark}", file=sys.stderr)
    from companion.window.app import App
    from companion.window.signals import Endings

    app = App(setup, lambda: document, size=args.size, shots=args.shots, engraver=engraver)
    lost = 0
    with Endings(app.ask_to_end) as endings:
        try:
            app.loop()
        finally:
            lost = say_unsaved(app.run.unsaved)
            if args.json:
                _write_result(args.json, app.run)
    return endings.exit_code or lost


def _engrave_ahead(engraver: Any, document: bytes, size: tuple[int, int], passage: Passage) -> None:
    """Let the engraver lay the page out while the passage is planned: the marks, which move nothing, come after."""
    from companion.engraving import EngravingRequest
    from companion.errors import EngravingError
    from companion.window.layout import layout, no_smaller, staff_px_for

    place = layout(*no_smaller(size))
    with contextlib.suppress(EngravingError):  # the page's own request says what is wrong
        engraver.request(EngravingRequest(document, place.music.width, staff_px_for(place, passage)))


def _setup(args: argparse.Namespace, file: Path, opened: Opened, by_itself: bool) -> Setup:
    from companion.cli.week_items import item_of_exercise, ladder_of, with_fingerings
    from companion.window.setup import Setup

    passage, chart = opened.passage, opened.chart
    bars = passage.bar_range(args.bars) if args.bars else None
    week = _week(args, file)
    if week.item and week.item.fingerings:
        opened = with_fingerings(opened, week.item.fingerings, args.sheet or paths.week_sheet())
    plan = opened.plan()
    made = _made(args, opened, plan, week)
    to_climb = _to_climb(opened, plan, bars, made)
    ladder = on_piece = _ladder(args, to_climb, week.item)
    if week.music is not week.item:
        # Where the exercise is an item of its own, Esc leads back to what is asked of the music.
        section = _to_climb(opened, plan, bars, None)
        on_piece = ladder_of(week.music, section) if week.music else _ladder(args, section, None)
    asked_by = item_of_exercise(week.items, opened, plan)

    def ladder_set(exercise: Passage) -> Ladder | None:
        item = asked_by(exercise)
        return ladder_of(item, exercise) if item else None

    def share_set(exercise: Passage) -> float | None:
        first = made is not None and exercise.sha256 == to_climb.sha256
        item = week.item if first else asked_by(exercise)
        return (item.articulation_share or 0.0) if item else None

    return Setup(
        passage=passage,
        chart=chart,
        plan=plan,
        ladder=on_piece,
        port=_port(args),
        bars=bars,
        tolerances=_tolerances(args, week.music),
        target_label=week.label,
        takes=args.takes,
        by_itself=by_itself,
        review_s=0.5 if args.hidden else 5.0,
        muted=args.mute,
        delay_ms=args.delay,
        shift_semitones=args.shift,
        sessions=log_to_write(args.sessions),
        hidden=args.hidden,
        remarks=(*opened.remarks, *plan.remarks, *week.remarks, *_horn_remark(passage, chart)),
        marks_path=opened.marks_path,
        marked=opened.marked,
        rules=opened.rules,
        exercise=made,
        exercise_ladder=ladder,
        ladder_set=ladder_set,
        share_set=share_set,
    )


def _tolerances(args: argparse.Namespace, item: WeekItem | None) -> Tolerances:
    from companion.practice.model import Tolerances

    tolerances = Tolerances(articulation_share=(item.articulation_share if item else None) or 0.0)
    return replace(tolerances, on_time_ms=args.tolerance) if args.tolerance else tolerances


def _made(args: argparse.Namespace, opened: Opened, plan: Plan, week: _Week) -> Made | None:
    """How to make the exercise to put on the stand, where one is asked for; the week sheet's options hold where --set
    says nothing."""
    from companion.cli.exercise_options import asked_for, check_exercise

    check_exercise(args)
    if not args.exercise:
        return None

    usual = week.item.exercise_options if week.item else {}
    sessions = args.sessions or paths.sessions_dir()
    return asked_for(args.exercise, args.bars or "", args.set, opened, plan, sessions, usual)


def _to_climb(opened: Opened, plan: Plan, bars: tuple[int, int] | None, made: Made | None) -> Passage:
    """What the ladder is for. Raises `CompanionError` where the exercise can't be made."""
    if made is not None:
        from companion.window.music import exercise_of

        return exercise_of(opened.passage, plan, opened.chart, made)
    return opened.passage.excerpt(*bars) if bars else opened.passage


def _horn_remark(passage: Passage, chart: Chart) -> tuple[str, ...]:
    if passage.transposition in (None, chart.transposition):
        return ()
    return (f"the part is written for another transposition than the {chart.title}'s: its written notes are played",)


@dataclass(frozen=True, slots=True)
class _Week:
    """What the week sheet says of what is put on the stand, and of the music that it is made of, where that is an
    exercise; `label` is the flag of the music's ladder, `items` are all of the file."""

    item: WeekItem | None = None
    music: WeekItem | None = None
    label: str = "target"
    remarks: tuple[str, ...] = ()
    items: tuple[WeekItem, ...] = ()


def _week(args: argparse.Namespace, file: Path) -> _Week:
    """A sheet that was named must be right; the usual one, where it is faulty, is said and not followed."""
    from companion.errors import WeekSheetError
    from companion.record.week import item_for, items_of, load

    path = args.sheet or paths.week_sheet()
    if args.sheet is None and not path.is_file():
        return _Week()
    try:
        sheet, bars = load(path), args.bars or ""
        # An exercise that the sheet doesn't ask for goes to the tempo that it asks of the music.
        own = _exercise_item(args, sheet, file)
        music, items = item_for(sheet, file, bars), items_of(sheet, file)
    except WeekSheetError as error:
        if args.sheet:
            raise
        return _Week(remarks=(f"the week sheet is not followed: {error}",))
    item = own or music
    if item is None:
        return _Week(remarks=_other_items(items), items=items)
    label = "target" if music is None else music.by.strftime("%a") if music.by else "week"
    remarks = [f"the week sheet says: {item.comment}"] if item.comment else []
    if item.articulation_share:
        share = f"{100 * item.articulation_share:.0f} %"
        remarks.append(f"the week sheet asks for {share} of the notes slurred or tongued as written")
    return _Week(item, music, label, tuple(remarks), items)


def _exercise_item(args: argparse.Namespace, sheet: WeekSheet, file: Path) -> WeekItem | None:
    """The item of the exercise asked for: with the options asked for where there is one, else the first."""
    from companion.cli.exercise_options import assignments
    from companion.record.week import item_for

    if not args.exercise:
        return None
    name, bars = args.exercise.strip().lower(), args.bars or ""
    return item_for(sheet, file, bars, name, assignments(args.set)) or item_for(sheet, file, bars, name)


def _other_items(items: tuple[WeekItem, ...]) -> tuple[str, ...]:
    """What the sheet asks for out of this passage, where that is not what was put on the stand."""
    from companion.practice.words import printed_bars

    def words(item: WeekItem) -> str:
        where = printed_bars(item.bars, "all of it")
        return f"{item.exercise} of {where}" if item.exercise else where

    here = [words(item) for item in items]
    if not here:
        return ()
    listed = " and ".join(here[:MOST_NAMED]) + (" and more" if len(here) > MOST_NAMED else "")
    return (f"the week sheet asks for {listed}; companion week --student says how",)


def _ladder(args: argparse.Namespace, passage: Passage, item: WeekItem | None) -> Ladder:
    from companion.practice.climbs import STEADY
    from companion.practice.ladder import default_ladder

    target = args.target or (item.target_bpm if item else None)
    start = args.start or (item.start_bpm if item else None)
    if start is not None and target is not None and start > target and not args.start:
        start = None
    # Whichever step is asked for here, the sheet's is not followed.
    step, percent = args.step, args.step_percent
    if item is not None and not (step or percent):
        step, percent = item.step_bpm, item.step_percent
    clean_takes = args.clean_takes or (item.clean_takes if item else None) or 3
    climb = args.climb or (item.climb if item else "") or STEADY
    ladder = default_ladder(passage, target, start, step, clean_takes, percent or 0.0, climb)
    return ladder.at(args.tempo) if args.tempo else ladder


def _port(args: argparse.Namespace) -> str:
    """The port named, else the one used last if it is there, else the only device there is, else none."""
    if args.port:
        return str(args.port)
    return controller_there() or ("sim:student:1" if args.hidden else "")


def controller_there() -> str | None:
    """The controller used last if it is plugged in, else the only one there is, else the computer's keys if they were
    used last; None where that leaves it open."""
    from companion.ports import KEYS_PORT, list_inputs
    from companion.ports.memory import recall
    from companion.ports.names import is_system_port

    try:
        devices = [port.name for port in list_inputs() if not is_system_port(port.name)]
    except PortError:
        return None
    last = recall().last
    if last in devices or (last == KEYS_PORT and not devices):
        return last
    return devices[0] if len(devices) == 1 else None


def _write_result(path: Path, run: Run) -> None:
    piece, music = run.repertoire.piece.passage, run.music.passage
    result = {
        "companion": __version__,
        "title": piece.title,
        "exercise": music.title if run.repertoire.on_exercise else "",
        "file": piece.origin,
        "sha256": music.sha256,
        "instrument": run.chart.name,
        "port": run.controller.name,
        "takes": run.results,
    }
    write_json(path, result, "the takes are in the practice log")
