"""Which exercise is wanted: names, numbers of the list and options, as they are written on the command line."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from companion.errors import RecordError, UsageError

if TYPE_CHECKING:
    from companion.charts.model import Chart
    from companion.cli.opening import Opened
    from companion.exercises import Exercise
    from companion.exercises.offers import Offer, Options
    from companion.passage import Passage
    from companion.planning.model import Plan
    from companion.record.trouble import TroubleSpot
    from companion.window.music import Made, Option

__all__ = [
    "NOTHING_FAILS", "add_exercise", "asked_for", "assignments", "bars_of", "check_exercise", "exercise_named",
    "made_of", "of_trouble", "offered", "offers_of", "opened_exercise", "own_spots",
]  # fmt: skip

NOTHING_FAILS = "nothing keeps failing in this passage"
#: Options that are indices of notes; here they are places.
_NOTES = ("into", "spots")
#: Options that are MIDI numbers of written notes; here they are named.
_PITCHES = ("lowest", "highest")
_NONE: Options = MappingProxyType({})
_YES, _NO = ("yes", "true", "on", "1"), ("no", "false", "off", "0")


def assignments(texts: Sequence[str]) -> dict[str, str]:
    """`--set NAME=VALUE` as often as it is given. Raises `UsageError`."""
    given = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise UsageError(f"--set {text!r}: write such as --set kind=pair")
        given[name.strip()] = value.strip()
    return given


def exercise_named(name: str) -> Exercise:
    """The exercise of that name. Raises `UsageError` that names those there are."""
    from companion.exercises import REGISTRY

    found = REGISTRY.get(name.strip().lower())
    if found is None:
        raise UsageError(f"no exercise {name!r}; there are {', '.join(REGISTRY)}, or a number of the list")
    return found


def bars_of(passage: Passage, text: str) -> tuple[int, int]:
    """Indices of the bars that an exercise is made of: all where `text` is empty."""
    return passage.bar_range(text) if text else (0, len(passage.bars) - 1)


def made_of(exercise: Exercise, passage: Passage, bars: str, given: Mapping[str, str], usual: Options = _NONE) -> Made:
    """How to make an exercise of these printed bars, all where `bars` is empty.

    One that chooses bars by itself gets them as its option and sees the whole passage; another one gets the bars alone.
    Options that the exercise doesn't have are passed over; `usual` ones give way to those `given`.

    Raises
    ------
    UsageError
        A value that is none for its option, or bars that aren't there.
    """
    from companion.window.music import Made

    known = exercise.options
    texts = {name: text for name, text in given.items() if name in known}
    if bars and "bars" in known and "bars" not in usual:
        texts.setdefault("bars", bars)
        bars = ""
    there = bars_of(passage, bars)
    typed = {name: _typed(exercise, name, text, passage, there[0]) for name, text in texts.items()}
    return Made(exercise.name, tuple({**usual, **typed}.items()), there)


def _typed(exercise: Exercise, name: str, text: str, passage: Passage, first_bar: int) -> Option:
    """A value as the option has it: places of notes (`3.4`) where it counts notes, pitches (`D4`) where it is one."""
    default = exercise.options[name]
    if name in _NOTES and "." in text:
        from companion.record.marks import note_at

        before = sum(1 for note in passage.notes if note.bar < first_bar)
        indices = [note_at(passage, place) - before for place in text.split(",")]
        if isinstance(default, str):
            return ", ".join(map(str, indices))
        text = str(indices[0])
    if name in _PITCHES and text[:1].isalpha():
        from companion.scores.pitch_words import pitch_from

        text = str(pitch_from(text).midi)
    if isinstance(default, bool):
        if text.lower() not in _YES + _NO:
            raise UsageError(f"{exercise.name}: {name} is yes or no, not {text!r}")
        return text.lower() in _YES
    try:
        return type(default)(text)
    except ValueError:
        wanted = "a whole number" if isinstance(default, int) else "a number"
        raise UsageError(f"{exercise.name}: {name} is {wanted}, such as {default}, not {text!r}") from None


def own_spots(sessions: Path, opened: Opened, plan: Plan) -> tuple[tuple[TroubleSpot, ...], str]:
    """The player's own trouble spots in the passage, worst first, and what is to be said where the log can't be
    read."""
    from companion.record.own_takes import newest_own_takes
    from companion.record.trouble import troubles_in

    try:
        takes = newest_own_takes(sessions, opened.chart, opened.passage)
    except RecordError as error:
        return (), f"the practice log is not looked at: {error}"
    return troubles_in(takes, opened.passage, plan), ""


def of_trouble(
    spots: Sequence[TroubleSpot], passage: Passage, bars: tuple[int, int], count: int = 1
) -> dict[str, str | int]:
    """Options of links for the worst trouble spots of these bars, out of the whole passage; none where nothing keeps
    failing there."""
    inside = [
        spot
        for spot in spots
        if not spot.solved and spot.note_index > 0 and bars[0] <= passage.notes[spot.note_index].bar <= bars[1]
    ]
    if not inside:
        return {}
    if count == 1:
        return {"into": inside[0].note_index}
    return {"spots": ", ".join(str(spot.note_index) for spot in inside[:count])}


def offers_of(
    passage: Passage, plan: Plan, chart: Chart, bars: tuple[int, int], spots: Sequence[TroubleSpot]
) -> tuple[Offer, ...]:
    """The exercises worth making of these bars, as `companion exercises` numbers them."""
    from companion.exercises.offers import offers
    from companion.window.music import material

    music, planned = material(passage, plan, bars)
    before = sum(1 for note in passage.notes if note.bar < bars[0])
    return offers(music, planned, chart, spots, before)


def offered(number: str, offers: Sequence[Offer]) -> Offer:
    """The offer of that number. Raises `UsageError`."""
    if not 1 <= int(number) <= len(offers):
        last = f"the list goes from 1 to {len(offers)}" if offers else "nothing can be made of these bars"
        raise UsageError(f"no exercise {number}: {last}")
    return offers[int(number) - 1]


def asked_for(
    word: str, bars: str, sets: Sequence[str], opened: Opened, plan: Plan, sessions: Path, usual: Options = _NONE
) -> Made:
    """How to make the exercise that `--exercise` and `--set` ask for, by name or by its number in the list.

    `usual` options hold for one asked for by name where nothing else is said. Raises `UsageError`.
    """
    given = assignments(sets)
    if word.isdecimal():
        spots, _ = own_spots(sessions, opened, plan)
        offer = offered(word, offers_of(opened.passage, plan, opened.chart, bars_of(opened.passage, bars), spots))
        word, usual = offer.name, offer.options
    exercise = exercise_named(word)
    unknown = [name for name in given if name not in exercise.options]
    if unknown:
        has = ", ".join(exercise.options) or "none"
        raise UsageError(f"{exercise.name} has no option {unknown[0]!r}; it has {has}")
    return made_of(exercise, opened.passage, bars, given, usual)


def add_exercise(parser: argparse.ArgumentParser) -> None:
    """`--exercise` and `--set`, for commands that look at an exercise as they look at a passage."""
    parser.add_argument("--exercise", metavar="NAME", help="not the music but this exercise made of it (of --bars)")
    parser.add_argument("--set", action="append", default=[], metavar="NAME=VALUE", help="an option of the exercise")


def check_exercise(args: argparse.Namespace) -> None:
    """Raises `UsageError` where --set is given without --exercise."""
    if args.set and not args.exercise:
        raise UsageError(f"--set {args.set[0]} goes with --exercise NAME, such as --exercise links")


def opened_exercise(opened: Opened, word: str, bars: str, sets: Sequence[str], sessions: Path) -> Opened:
    """The exercise in place of the passage that it is made of; it has no mark sheet of its own. Raises `UsageError`."""
    from companion.planning import all_marks
    from companion.record.marks import Marked
    from companion.window.music import exercise_of

    plan = opened.plan()
    made = exercise_of(opened.passage, plan, opened.chart, asked_for(word, bars, sets, opened, plan, sessions))
    marked = Marked(made, {}, {}, {}, {})
    return replace(opened, passage=made, marked=marked, marks=all_marks(made, opened.chart, {}))
