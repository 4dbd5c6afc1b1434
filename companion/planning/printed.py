"""What stands over the notes on the page: one text for each printed note, however often it is played."""

from __future__ import annotations

import re

from companion.charts.model import Chart
from companion.passage import Passage
from companion.planning.model import Choice, Plan

__all__ = ["is_printed_text", "page_marks", "printed_texts"]

_PASSES = re.compile(r"(\d+(st|nd|rd|th)\+)*\d+(st|nd|rd|th) ")
_ENDINGS = {1: "st", 2: "nd", 3: "rd"}


def printed_texts(passage: Passage, plan: Plan) -> dict[int, str]:
    """The fingering marks of a plan by `Note.source`: `bis`; `bis, 2nd side` where the passes of a repeat differ.

    A printed note is played as often as the repeats say, and its fingering may differ from pass to pass where its
    neighbours do. `2nd side` alone: the usual fingering the other times. A trill's other note follows its sign:
    `tr sC`. Notes with usual fingerings only are left out.
    """
    played: dict[int, list[str]] = {}
    for choice in plan.choices:
        played.setdefault(passage.notes[choice.note_index].source, []).append(_mark(choice))
    texts = {source: _text(marks) for source, marks in played.items()}
    return {source: text for source, text in texts.items() if text}


def page_marks(passage: Passage, plan: Plan) -> tuple[tuple[str, str], ...]:
    """The fingering marks for the engraver as (note id, text), in the order of the notes' numbers.

    What is printed over a note of an exercise only says which fingering it asks for: the plan's mark takes its place,
    also an empty one.
    """
    texts = printed_texts(passage, plan)
    if passage.purpose:
        texts = {note.source: "" for note in passage.notes} | texts
    return tuple((f"n{source}", text) for source, text in sorted(texts.items()))


def is_printed_text(text: str, chart: Chart) -> bool:
    """Whether a text over a note may have come from `printed_texts`, or names a fingering as a teacher would write it
    (`side`, `2nd bis`, `bis tr sC`)."""
    known = {name.casefold() for f in chart.fingerings for name in (f.mark, f.name) if name}
    # The name of a fingering may hold a comma itself.
    return text.casefold() in known or all(_is_one(piece.strip(), known) for piece in text.split(","))


def _is_one(piece: str, known: set[str]) -> bool:
    names = [name for name in re.split(r"(?:^| )tr ", _PASSES.sub("", piece, count=1)) if name]
    return bool(names) and all(name.casefold() in known for name in names)


def _mark(choice: Choice) -> str:
    trill = choice.trill_fingering
    parts = (choice.fingering.mark, f"tr {trill.mark}" if trill is not None and trill.mark else "")
    return " ".join(part for part in parts if part)


def _text(marks: list[str]) -> str:
    """`marks` are those of each pass in playing order, empty for the usual fingering."""
    passes: dict[str, list[int]] = {}
    for number, mark in enumerate(marks, start=1):
        passes.setdefault(mark, []).append(number)
    if len(passes) == 1:
        return marks[0]
    # The first time needs no number where every time has its mark.
    spoken = {mark: _when(numbers) for mark, numbers in passes.items() if mark}
    if marks[0] and "" not in passes:
        spoken[marks[0]] = ""
    return ", ".join(f"{when} {mark}".strip() for mark, when in spoken.items())


def _when(numbers: list[int]) -> str:
    return "+".join(map(_ordinal, numbers))


def _ordinal(number: int) -> str:
    return f"{number}{'th' if 10 < number % 100 < 14 else _ENDINGS.get(number % 10, 'th')}"
