"""Placing fingering marks over their notes, where they touch nothing.

A layout program sets such marks as lyrics or fingerings: the first pushes notes apart and moves every bar when a mark
changes, the second lets neighbours run into each other. Here the music stays as it is, and each mark takes the lowest
free place above the staff and its note.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from companion.engraving.geometry import Rect, risen
from companion.engraving.lettering import ASCENT_EM, DESCENT_EM, text_width

__all__ = ["GAP_EM", "MARK_FACE", "Placed", "mark_px", "place"]

MARK_FACE = "BoldItalic"
_DESCENDERS = frozenset("gjpqy,;()[]ßçQ")
#: Room kept around a mark, in em of its type.
GAP_EM = 0.16
#: How far a mark may slip aside from over its note, in em, when that saves it from being put higher.
_SLIPS_EM = (0.0, -0.35, 0.35, -0.7, 0.7)
_SLIP_COST = 0.8
_MIN_PX = 12.0
_EDGE_PX = 2.0


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


def place(
    marks: Iterable[tuple[str, str]], heads: dict[str, Rect], ink: Sequence[Rect], size_px: float, width_px: int
) -> list[Placed]:
    """Place marks over their notes.

    Parameters
    ----------
    marks : iterable of (note id, text)
        Marks of notes that are not in `heads` are left out. A note with two marks (a repeat may want another fingering
        the second time) gets them one above the other; the same mark twice is drawn once.
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
        ((heads[note], note, text) for note, text in dict.fromkeys(marks) if note in heads and text),
        key=lambda mark: (mark[0].left, mark[1]),
    )
    gap = GAP_EM * size_px
    # Marks stand above the staff, so what lies within or below it is in nobody's way.
    obstacles = [box.grown(gap) for box in ink if box.top < 0.0] if wanted else []
    placed = []
    for head, note, text in wanted:
        mark = _lowest(head, note, text, obstacles, size_px, width_px)
        obstacles.append(mark.box.grown(gap))
        placed.append(mark)
    return placed


def _lowest(head: Rect, note: str, text: str, obstacles: Sequence[Rect], size_px: float, width_px: int) -> Placed:
    width, start = text_width(text, size_px, MARK_FACE), min(head.top, 0.0) - GAP_EM * size_px
    descent = DESCENT_EM if _DESCENDERS.intersection(text) else 0.02
    middle = (head.left + head.right) / 2
    reach = width / 2 + max(_SLIPS_EM) * size_px + width
    near = [box for box in obstacles if box.left < middle + reach and middle - reach < box.right]
    best: tuple[float, Rect] | None = None
    for slip in _SLIPS_EM:
        left = min(max(middle - width / 2 + slip * size_px, _EDGE_PX), width_px - _EDGE_PX - width)
        box = risen(Rect(left, start - (ASCENT_EM + descent) * size_px, left + width, start), near)
        cost = -box.bottom + _SLIP_COST * abs(slip) * size_px
        if best is None or cost < best[0] - 1e-9:
            best = cost, box
    assert best is not None
    box = best[1]
    return Placed(note, text, box.left, box.bottom - descent * size_px, box)
