"""What stands over the notes on the page: one text for each printed note, however often it is played."""

from __future__ import annotations

from companion.passage import Passage
from companion.planning.model import Choice, Plan

__all__ = ["printed_texts"]

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
