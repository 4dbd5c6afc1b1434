"""Exercises told for a terminal: what there is, what a passage calls for, what was made and how to practise it."""

from __future__ import annotations

import argparse
import shlex
import textwrap
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from companion.errors import CompanionError
from companion.practice.hurdle import note_in_words
from companion.practice.words import capital, number_of, printed_bars

if TYPE_CHECKING:
    from companion.charts.model import Chart
    from companion.cli.exercises import Item
    from companion.cli.opening import Opened
    from companion.exercises import Exercise
    from companion.exercises.offers import Offer
    from companion.passage import Passage
    from companion.planning.model import Plan

__all__ = ["item_lines", "list_lines"]

WIDTH = 98
#: So many bars are told; a file has all of them.
_MOST_BARS = 8
_INDENT = "    "


def list_lines(opened: Opened, plan: Plan, offers: Sequence[Offer], args: argparse.Namespace) -> list[str]:
    """What this passage calls for, then all exercises with what each would take from it."""
    from companion.cli.exercise_about import found_here, option_in_words
    from companion.cli.exercise_options import bars_of
    from companion.exercises import REGISTRY
    from companion.window.music import material

    passage, made = opened.passage, {offer.name for offer in offers}
    heading = f"{passage.title} ({args.file})" if passage.title else f"{args.file}"
    what = f"{printed_bars(args.bars, 'this passage')} {'call' if '-' in args.bars else 'calls'}"
    lines = [f"{heading}, {opened.chart.title}", "", f"What {what} for, the most needed first", ""]
    for number, offer in enumerate(offers, start=1):
        why = f" {capital(offer.why)}." if offer.why else ""
        lines += [f"{number:2}  {offer.title}", *_wrapped(f"{offer.purpose}.{why}")]
    if not offers:
        lines += [f"{_INDENT}Nothing can be made of these bars; take more of them."]
    lines += ["", "All exercises, with their options", ""]
    music, planned = material(passage, plan, bars_of(passage, args.bars))
    for exercise in REGISTRY.values():
        lines += [exercise.name, *_wrapped(f"{exercise.title}: {exercise.purpose}.")]
        fault = "" if exercise.name in made else _fault(exercise, music, planned, opened.chart)
        here = "" if fault else found_here(exercise.name, music, planned, opened.chart)
        lines += _wrapped(f"Not of this music as it is: {fault}.") if fault else []
        lines += _wrapped(here) if here else []
        wide = max((len(name) for name in exercise.options), default=0) + 2
        for name in exercise.options:
            lines += _wrapped(option_in_words(exercise, name), f"{_INDENT}--{name:{wide}}")
    name, what, it = ("1", "number 1 of the list", "it") if offers else ("scales", "scales", "them")
    some = shlex.join([str(args.file), *(["--bars", args.bars] if args.bars else [])])
    return [
        *lines,
        "",
        f"companion exercises {some} {name} -o FILE.musicxml    writes {what}",
        f"companion play {some} --exercise {name}               puts {it} on the stand",
        "",
    ]


def _shown(value: str | int | float | bool) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "–" if value == "" else f"{value}"


def _fault(exercise: Exercise, passage: Passage, plan: Plan, chart: Chart) -> str:
    """Why it can't be made of this music as it is by itself, empty where it can."""
    try:
        exercise(passage, plan, chart)
    except CompanionError as error:
        return str(error)
    return ""


def item_lines(item: Item, files: Sequence[Path], args: argparse.Namespace) -> list[str]:
    """One exercise: title, purpose, size, fingerings, its first bars, and how to practise it."""
    passage = item.passage
    lines = [passage.title, *_wrapped(f"{passage.purpose}."), *_wrapped(_size(passage))]
    lines += _wrapped(_fingerings(item.plan, passage))
    lines += [line for remark in item.plan.remarks for line in _wrapped(f"Note: {remark}")]
    if not files:
        lines += list(_bar_lines(passage, item.plan))
    for path in files:
        lines += _wrapped(f"Written to {path}{_which_pitch(path, args.sounding)}.")
    return [*lines, f"{_INDENT}Practise it: {_practise(item, files, args)}", ""]


def _which_pitch(path: Path, sounding: bool) -> str:
    from companion.cli.exercise_files import MIDI

    if path.suffix.lower() not in MIDI:
        return ""
    return ", in sounding pitch" if sounding else ", in written pitch"


def _size(passage: Passage) -> str:
    """`28 bars, 96 notes, B3 to C5; about 70 s at 96`."""
    by_pitch = sorted(passage.notes, key=lambda note: note.written_midi)
    tempo_bpm = passage.marked_tempo_bpm()
    seconds = passage.seconds(passage.end, tempo_bpm)
    long = f"{round(seconds / 5) * 5 or 5} s" if seconds < 100 else f"{round(seconds / 60)} min"
    written = len({bar.written_index for bar in passage.bars})
    bars = number_of(written, "bar") + (" with repeats" if written < len(passage.bars) else "")
    return (
        f"{bars}, {number_of(len(passage.notes), 'note')}, {by_pitch[0].written} to {by_pitch[-1].written};"
        f" about {long} at {tempo_bpm:g}."
    )


def _fingerings(plan: Plan, passage: Passage) -> str:
    other = Counter(
        note_in_words(str(passage.notes[choice.note_index].written), choice.name)
        for choice in plan.choices
        if not choice.fingering.standard
    )
    if not other:
        return "All notes with their usual fingerings."
    named = ", ".join(f"{name} (×{count})" if count > 1 else name for name, count in other.items())
    return f"Fingerings that are not the usual ones: {named}."


def _bar_lines(passage: Passage, plan: Plan) -> Iterator[str]:
    """The first bars, one a line: slurred notes joined by `-`, each with its fingering mark where it has one."""
    seen: set[int] = set()
    for bar in passage.bars:
        if bar.written_index in seen:
            continue
        if len(seen) == _MOST_BARS:
            more = len({each.written_index for each in passage.bars}) - _MOST_BARS
            yield f"{_INDENT}   and {number_of(more, 'more bar')}"
            return
        seen.add(bar.written_index)
        text = "".join(
            f"{' ' if note.tongued else '-'}{note.written}{_mark(plan, note.index)}"
            for note in passage.notes
            if note.bar == bar.index
        )
        yield from _wrapped(text[1:] or "rest", f"{_INDENT}{bar.number:>3}  ")


def _mark(plan: Plan, index: int) -> str:
    mark = plan.choices[index].fingering.mark
    return f"({mark})" if mark else ""


def _practise(item: Item, files: Sequence[Path], args: argparse.Namespace) -> str:
    """The command that puts it on the stand."""
    written = [path for path in files if path.suffix.lower() in (".musicxml", ".xml")]
    horn = ["--instrument", args.instrument] if args.instrument else []
    if written:
        return shlex.join(["companion", "play", str(written[0]), *horn])
    words = ["companion", "play", str(args.file)]
    words += ["--part", args.part] if args.part else []
    words += [*horn, "--exercise", item.exercise.name]
    words += ["--bars", args.bars] if args.bars and "bars" not in dict(item.made.options) else []
    for name, value in item.made.options:
        words += ["--set", f"{name}={_shown(value)}"]
    return shlex.join(words)


def _wrapped(text: str, first: str = _INDENT) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=" " * len(first), break_on_hyphens=False)
