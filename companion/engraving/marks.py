"""Placing fingering marks over their notes, where they touch nothing.

A layout program sets such marks as lyrics or fingerings: the first pushes notes apart and moves every bar when a mark
changes, the second lets neighbours run into each other. Here the music stays as it is, and each mark takes the lowest
free place above the staff and its note.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

from companion.engraving import fonts
from companion.engraving.geometry import Rect

__all__ = ["MARK_FACE", "Placed", "mark_px", "place", "text_width"]

MARK_FACE = "BoldItalic"
_ASCENT, _DESCENT = 0.70, 0.22  # of the letters, in em; few marks have letters that go below the line
_DESCENDERS = frozenset("gjpqy,;()[]ßçQ")
_GAP_EM = 0.16
#: How far a mark may slip aside from over its note, in em, when that saves it from being put higher.
_SLIPS_EM = (0.0, -0.35, 0.35, -0.7, 0.7)
_SLIP_COST = 0.8
_MIN_PX = 12.0


@dataclass(frozen=True, slots=True)
class Placed:
    """A mark on its place: `x` is its left end, `baseline` its line of writing, `box` what its letters fill."""

    note: str
    text: str
    x: float
    baseline: float
    box: Rect


def mark_px(space_px: int) -> float:
    """Size of a mark's type for so many pixels between two staff lines: never smaller than 12."""
    return max(_MIN_PX, 1.72 * space_px)


@cache
def _advances() -> dict[str, int]:
    widths: dict[str, dict[str, int]] = json.loads(fonts.ADVANCES.read_text(encoding="utf-8"))
    return widths[MARK_FACE]


def text_width(text: str, size_px: float) -> float:
    """Width of a mark in pixels; letters that the table lacks count as wide ones."""
    advances = _advances()
    return sum(advances.get(letter, 700) for letter in text) * size_px / 1000


def place(
    marks: Iterable[tuple[str, str]], heads: dict[str, Rect], ink: Sequence[Rect], size_px: float, width_px: int
) -> list[Placed]:
    """Place marks over their notes.

    Parameters
    ----------
    marks : iterable of (note id, text)
        Marks of notes that are not in `heads` are left out.
    heads : dict of note id to Rect
        Noteheads; the top staff line is at y = 0.
    ink : sequence of Rect
        Everything a mark must keep clear of.
    size_px : float
        Size of the type.
    width_px : int
        The picture's width, which no mark leaves.
    """
    wanted = sorted(
        ((heads[note], note, text) for note, text in marks if note in heads and text), key=lambda w: w[0].left
    )
    taken: list[Rect] = []
    placed = []
    for head, note, text in wanted:
        mark = _lowest(head, note, text, [*ink, *taken], size_px, width_px)
        taken.append(mark.box.grown(size_px * 0.06))
        placed.append(mark)
    return placed


def _lowest(head: Rect, note: str, text: str, ink: Sequence[Rect], size_px: float, width_px: int) -> Placed:
    width, gap = text_width(text, size_px), _GAP_EM * size_px
    descent = _DESCENT if _DESCENDERS.intersection(text) else 0.02
    middle = (head.left + head.right) / 2
    best: tuple[float, Rect] | None = None
    for slip in _SLIPS_EM:
        left = min(max(middle - width / 2 + slip * size_px, 2.0), width_px - 2.0 - width)
        box = _risen(left, width, min(head.top, 0.0) - gap, (_ASCENT + descent) * size_px, ink, gap)
        cost = -box.bottom + _SLIP_COST * abs(slip) * size_px
        if best is None or cost < best[0] - 1e-9:
            best = cost, box
    assert best is not None
    box = best[1]
    return Placed(note, text, box.left, box.bottom - descent * size_px, box)


def _risen(left: float, width: float, bottom: float, height: float, ink: Sequence[Rect], gap: float) -> Rect:
    """The lowest box at or above `bottom` that keeps `gap` from all ink."""
    column = [r.grown(gap) for r in ink if r.left - gap < left + width and left < r.right + gap]
    box = Rect(left, bottom - height, left + width, bottom)
    while hits := [r for r in column if r.meets(box)]:
        bottom = min(r.top for r in hits)
        box = Rect(left, bottom - height, left + width, bottom)
    return box
