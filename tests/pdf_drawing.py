"""What a PDF page draws, read from its own operators (ISO 32000-1, 8.2 to 8.5): the boxes of painted paths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pypdf import PageObject
from pypdf.generic import ContentStream

__all__ = ["Box", "boxes", "colours", "staves"]

Matrix = tuple[float, float, float, float, float, float]


@dataclass(frozen=True, slots=True)
class Box:
    """A painted path's box in points from the page's lower left corner."""

    left: float
    bottom: float
    right: float
    top: float

    @property
    def middle(self) -> float:
        return (self.bottom + self.top) / 2


def _times(m: Matrix, n: Matrix) -> Matrix:
    a, b, c, d, e, f = m
    return (
        a * n[0] + b * n[2], a * n[1] + b * n[3], c * n[0] + d * n[2], c * n[1] + d * n[3],
        e * n[0] + f * n[2] + n[4], e * n[1] + f * n[3] + n[5],
    )  # fmt: skip


def _operations(page: PageObject) -> list[tuple[list[Any], bytes]]:
    contents = page.get_contents()
    return ContentStream(contents, page.pdf).operations if contents is not None else []


def boxes(page: PageObject) -> list[Box]:
    """The box of every painted path. The page must hold no forms: everything is on it."""
    assert not page["/Resources"].get("/XObject")
    matrix: Matrix = (1, 0, 0, 1, 0, 0)
    stack: list[Matrix] = []
    points: list[tuple[float, float]] = []
    found = []
    for operands, operator in _operations(page):
        if operator == b"q":
            stack.append(matrix)
        elif operator == b"Q":
            matrix = stack.pop()
        elif operator == b"cm":
            matrix = _times(tuple(float(x) for x in operands), matrix)  # type: ignore[arg-type]
        elif operator in (b"m", b"l", b"c"):
            numbers = [float(x) for x in operands]
            for x, y in zip(numbers[0::2], numbers[1::2], strict=True):
                points.append((matrix[0] * x + matrix[2] * y + matrix[4], matrix[1] * x + matrix[3] * y + matrix[5]))
        elif operator in (b"f", b"f*", b"S", b"s", b"B", b"B*", b"b", b"n"):
            if points and operator != b"n":
                xs, ys = zip(*points, strict=True)
                found.append(Box(min(xs), min(ys), max(xs), max(ys)))
            points = []
        assert operator != b"re"
    return found


def colours(page: PageObject) -> list[tuple[float, ...]]:
    """The components of every colour set on the page."""
    operators = (b"scn", b"SCN", b"sc", b"SC", b"g", b"G", b"rg", b"RG", b"k", b"K")
    return [tuple(float(x) for x in operands) for operands, operator in _operations(page) if operator in operators]


def staves(page: PageObject, space_pt: float) -> list[Box]:
    """The staves of a page from the top: five long thin bars, `space_pt` apart."""
    lines = [box for box in boxes(page) if box.right - box.left > 60 and box.top - box.bottom < 0.6]
    lines.sort(key=lambda box: -box.middle)
    found = []
    for first in lines:
        five = []
        for n in range(5):
            wanted = first.middle - n * space_pt
            five += [b for b in lines if abs(b.middle - wanted) < 0.05 and abs(b.left - first.left) < 0.05][:1]
        if len(five) == 5:
            found.append(Box(first.left, five[-1].bottom, first.right, first.top))
    return found
