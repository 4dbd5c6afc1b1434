"""`companion exercises FILE`: which exercises the passage calls for, and those asked for, written or told."""

from __future__ import annotations

import argparse
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from companion import __version__, paths
from companion.cli.result_file import write_json
from companion.errors import UsageError

if TYPE_CHECKING:
    from companion.cli.opening import Opened
    from companion.exercises import Exercise
    from companion.exercises.offers import Offer
    from companion.passage import Passage
    from companion.planning.model import Plan
    from companion.record.trouble import TroubleSpot
    from companion.window.music import Made

__all__ = ["Item", "add_arguments", "run"]

_EXAMPLES = """\
examples:
  companion exercises etude.musicxml                          what there is, and what this passage calls for
  companion exercises etude.musicxml links                    the hardest change as loops, told
  companion exercises etude.musicxml links --trouble -o links.musicxml    what keeps failing in your own takes
  companion exercises etude.musicxml 1 3 -o exercises         numbers 1 and 3 of the list, into a folder
  companion exercises etude.musicxml scales --key G --kind thirds -o thirds.mid
  companion exercises etude.musicxml links --bars 5-8 --set times=4

--bars are the bars of the passage that an exercise is made of. MusicXML holds the planned fingering marks; MIDI has the
written pitches, as companion reads them, or with --sounding what is heard. An exercise is played with companion play
FILE --exercise NAME, or as a file of its own. Rest some minutes every half hour, and stop at pain."""


@dataclass(frozen=True, slots=True)
class Item:
    """An exercise that was asked for: how it is made, and what became of it."""

    exercise: Exercise
    made: Made
    passage: Passage
    plan: Plan


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `companion exercises`: its own, and one for each option that an exercise has."""
    from companion.exercises import REGISTRY

    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = _EXAMPLES
    parser.add_argument("file", type=Path, metavar="FILE", help="a MusicXML or Standard MIDI file")
    parser.add_argument("names", nargs="*", metavar="NAME", help="exercises, or their numbers in the list")
    music = parser.add_argument_group("the passage")
    music.add_argument("--part", help="which part of a score: its number, id or name")
    music.add_argument("--bars", metavar="5-8", default="", help="the bars that the exercises are made of")
    music.add_argument("--instrument", metavar="HORN", help="soprano, alto, tenor, baritone or a chart of your own")
    music.add_argument("--marks", type=Path, metavar="FILE", help="the mark sheet (default: FILE.marks.toml beside it)")
    music.add_argument("--rule-file", type=Path, metavar="FILE", help="changes to the rules (usual: shared/rules.toml)")
    music.add_argument("--trouble", action="store_true", help="links: of what keeps failing in your own takes")
    music.add_argument("--sessions", type=Path, metavar="DIR", help="the practice log that tells what keeps failing")
    options = parser.add_argument_group("how it is made (the list says what each exercise has)")
    for name, values in _flags(REGISTRY).items():
        options.add_argument(f"--{name}", metavar="VALUE", help=values)
    options.add_argument("--set", action="append", default=[], metavar="NAME=VALUE", help="any of these in other words")
    out = parser.add_argument_group("what becomes of it")
    out.add_argument("-o", "--output", type=Path, metavar="OUT", help="a .musicxml or .mid file, or a folder")
    out.add_argument("--format", choices=("musicxml", "midi", "both"), help="what is written into a folder")
    out.add_argument("--sounding", action="store_true", help="MIDI as it is heard, not as it is written for the horn")
    out.add_argument("--overwrite", action="store_true", help="replace files that are there already")
    out.add_argument("--json", type=Path, metavar="OUT", help="write all of it there")


def _flags(registry: Mapping[str, Exercise]) -> dict[str, str]:
    """The options that exercises have, each with who has it and the value it has by itself."""
    found: dict[str, list[str]] = {}
    for name, exercise in registry.items():
        for option, default in exercise.options.items():
            found.setdefault(option, []).append(f"{name}: {_shown(default)}" if default != "" else name)
    return {option: "; ".join(who) for option, who in found.items() if option != "bars"}


def _shown(value: str | int | float | bool) -> str:
    return ("yes" if value else "no") if isinstance(value, bool) else f"{value}"


def run(args: argparse.Namespace) -> int:
    """`companion exercises`."""
    from companion.cli.exercise_files import write_items
    from companion.cli.exercise_options import bars_of, offers_of, own_spots
    from companion.cli.exercise_words import item_lines, list_lines
    from companion.cli.opening import open_passage
    from companion.cli.which_part import Lookup
    from companion.record.text import remark_lines

    _check_together(args)
    opened = open_passage(args.file, args.part, args.instrument, args.marks, args.rule_file, lookup=Lookup.of(args))
    passage, plan = opened.passage, opened.plan()
    spots, unread = own_spots(args.sessions or paths.sessions_dir(), opened, plan)
    offers: tuple[Offer, ...] = ()
    if not args.names or any(name.isdecimal() for name in args.names):
        offers = offers_of(passage, plan, opened.chart, bars_of(passage, args.bars), spots)
    items = [_item(args, opened, plan, name, offers, spots) for name in args.names]
    remarks = (*opened.remarks, *((unread,) if unread else ()))
    files: list[list[Path]] = [[] for _ in items]
    if args.output:
        files = write_items(items, args.output, opened, args.format, args.sounding, args.overwrite)
    if args.json:
        _write(args.json, _result(args, opened, offers, items, files, remarks))
    if items:
        lines = [line for item, own in zip(items, files, strict=True) for line in item_lines(item, own, args)]
    else:
        lines = list_lines(opened, plan, offers, args)
    print("\n".join([*lines, *remark_lines(remarks)]))
    return 0


def _check_together(args: argparse.Namespace) -> None:
    """Options that would do nothing are said rather than passed over."""
    given = _given(args)
    of_names = {
        "--trouble": args.trouble, "--output": args.output, "--format": args.format, "--sounding": args.sounding,
        **{f"--{name}": True for name in given},
    }  # fmt: skip
    lonely = [name for name, value in of_names.items() if value]
    if lonely and not args.names:
        name = _with_option(lonely[0])
        raise UsageError(f"{lonely[0]} needs an exercise, such as: companion exercises {args.file} {name} {lonely[0]}")
    if args.output and args.json and os.path.abspath(args.output) == os.path.abspath(args.json):
        raise UsageError(f"--json {args.json}: that is the file of -o; give another name")
    if args.trouble and "links" not in args.names:
        raise UsageError("--trouble goes with links: companion exercises FILE links --trouble")
    for option in ("format", "sounding", "overwrite"):
        if getattr(args, option) and not args.output:
            raise UsageError(f"--{option} goes with -o OUT")
    if args.names:
        _check_known(args.names, given)


def _with_option(flag: str) -> str:
    """An exercise for which this option makes sense."""
    from companion.exercises import REGISTRY

    return next((name for name, exercise in REGISTRY.items() if flag.removeprefix("--") in exercise.options), "links")


def _check_known(names: Sequence[str], given: Mapping[str, str]) -> None:
    """Raises `UsageError` for an option that none of these exercises has."""
    from companion.cli.exercise_options import exercise_named
    from companion.exercises import REGISTRY

    if any(name.isdecimal() for name in names):
        known = {option for exercise in REGISTRY.values() for option in exercise.options}
    else:
        known = {option for name in names for option in exercise_named(name).options}
    unknown = [option for option in given if option not in known]
    if unknown:
        has = ", ".join(sorted(known)) or "no options"
        raise UsageError(f"no option {unknown[0]!r} of {' and '.join(names)}; there is {has}")


def _given(args: argparse.Namespace) -> dict[str, str]:
    """The options of exercises as they were written; --set wins."""
    from companion.cli.exercise_options import assignments
    from companion.exercises import REGISTRY

    flags = {name: getattr(args, name) for name in _flags(REGISTRY) if getattr(args, name) is not None}
    return flags | assignments(args.set)


def _item(
    args: argparse.Namespace,
    opened: Opened,
    plan: Plan,
    name: str,
    offers: Sequence[Offer],
    spots: Sequence[TroubleSpot],
) -> Item:
    from companion.cli.exercise_options import NOTHING_FAILS, bars_of, exercise_named, made_of, of_trouble, offered
    from companion.cli.made import plan_of
    from companion.window.music import exercise_of

    given = _given(args)
    if name.isdecimal():
        offer = offered(name, offers)
        exercise = exercise_named(offer.name)
        made = made_of(exercise, opened.passage, args.bars, given, offer.options)
    else:
        exercise = exercise_named(name)
        own: dict[str, str | int] = {}
        if args.trouble and exercise.name == "links":
            count = int(dict(made_of(exercise, opened.passage, "", given).options).get("count", 1))
            own = of_trouble(spots, opened.passage, bars_of(opened.passage, args.bars), count)
            if not own:
                raise UsageError(f"{NOTHING_FAILS}: leave --trouble out for its hardest change")
        made = made_of(exercise, opened.passage, "" if own else args.bars, given, own)
    passage = exercise_of(opened.passage, plan, opened.chart, made)
    return Item(exercise, made, passage, plan_of(passage, opened.chart, opened.rules))


# -- as JSON ----------------------------------------------------------------------------------------------------------


def _result(
    args: argparse.Namespace,
    opened: Opened,
    offers: Sequence[Offer],
    items: Sequence[Item],
    files: Sequence[Sequence[Path]],
    remarks: Sequence[str],
) -> dict[str, Any]:
    from companion.exercises import REGISTRY

    return {
        "companion": __version__,
        "title": opened.passage.title,
        "file": str(args.file),
        "sha256": opened.passage.sha256,
        "instrument": opened.chart.name,
        "bars": args.bars,
        "exercises": [
            {"name": one.name, "title": one.title, "purpose": one.purpose, "options": dict(one.options)}
            for one in REGISTRY.values()
        ],
        "offers": [
            {"name": o.name, "title": o.title, "purpose": o.purpose, "why": o.why, "options": dict(o.options)}
            for o in offers
        ],
        "made": [
            _item_result(item) | {"files": [str(path) for path in own]} for item, own in zip(items, files, strict=True)
        ],
        "remarks": list(remarks),
    }


def _item_result(item: Item) -> dict[str, Any]:
    passage = item.passage
    return {
        "name": item.exercise.name,
        "title": passage.title,
        "purpose": passage.purpose,
        "options": dict(item.made.options),
        "sha256": passage.sha256,
        "bars": len(passage.bars),
        "notes": [
            {
                "bar": passage.bars[note.bar].number,
                "beat": str(note.count),
                "written": str(note.written),
                "quarters": str(note.length),
                "fingering": choice.name,
            }
            for note, choice in zip(passage.notes, item.plan.choices, strict=True)
        ],
    }


def _write(path: Path, result: dict[str, Any]) -> None:
    if path.exists() and os.path.samefile(path, result["file"]):
        raise UsageError(f"--json {path}: that is the score itself; give another name, and the score stays as it is")
    write_json(path, result)
