"""Boxes around what is drawn."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from companion.engraving.model import Box

__all__ = ["NOWHERE", "Rect", "curve_boxes", "polygon_boxes", "risen"]

_CURVE_PARTS = 12
_POLYGON_PARTS = 8


class Rect(NamedTuple):
    """A rectangle by its edges; y grows downwards."""

    left: float
    top: float
    right: float
    bottom: float

    def grown(self, by: float) -> Rect:
        """Larger by so much on each side."""
        return Rect(self.left - by, self.top - by, self.right + by, self.bottom + by)

    def moved(self, dx: float, dy: float) -> Rect:
        """Elsewhere."""
        return Rect(self.left + dx, self.top + dy, self.right + dx, self.bottom + dy)

    def around(self, other: Rect) -> Rect:
        """The smallest one that holds both."""
        left, top = min(self.left, other.left), min(self.top, other.top)
        return Rect(left, top, max(self.right, other.right), max(self.bottom, other.bottom))

    def meets(self, other: Rect) -> bool:
        """True if the two share an area."""
        return (
            self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom
        )

    def box(self) -> Box:
        """The same as `Box`, rounded to a hundredth of a pixel."""
        return Box(
            round(self.left, 2), round(self.top, 2), round(self.right - self.left, 2), round(self.bottom - self.top, 2)
        )


NOWHERE = Rect(0.0, 0.0, 0.0, 0.0)


def risen(box: Rect, obstacles: Sequence[Rect]) -> Rect:
    """The box moved up to the lowest place, its own or higher, where it is clear of all obstacles."""
    column = [obstacle for obstacle in obstacles if obstacle.left < box.right and box.left < obstacle.right]
    while hits := [obstacle for obstacle in column if obstacle.meets(box)]:
        box = box.moved(0.0, min(obstacle.top for obstacle in hits) - box.bottom)
    return box


def curve_boxes(numbers: Sequence[float]) -> Iterator[tuple[float, float, float, float]]:
    """Narrow boxes (x, y, width, height) along Bézier curves: a path `M p C p p p [...]`, given as its numbers."""
    points = list(zip(numbers[0::2], numbers[1::2], strict=False))
    for start in range(0, len(points) - 3, 3):
        samples = [_bezier(points[start : start + 4], i / _CURVE_PARTS) for i in range(_CURVE_PARTS + 1)]
        for (x1, y1), (x2, y2) in pairwise(samples):
            yield min(x1, x2), min(y1, y2), abs(x2 - x1), abs(y2 - y1)


def _bezier(points: Sequence[tuple[float, float]], t: float) -> tuple[float, float]:
    weights = ((1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3)
    x = sum(weight * point[0] for weight, point in zip(weights, points, strict=True))
    y = sum(weight * point[1] for weight, point in zip(weights, points, strict=True))
    return x, y


def polygon_boxes(numbers: Sequence[float]) -> Iterator[tuple[float, float, float, float]]:
    """Narrow boxes (x, y, width, height) along the edges of a polygon, given as its numbers x1 y1 x2 y2 ..."""
    points = list(zip(numbers[0::2], numbers[1::2], strict=False))
    for (x1, y1), (x2, y2) in zip(points, points[1:] + points[:1], strict=False):
        parts = 1 if x1 == x2 or y1 == y2 else _POLYGON_PARTS
        for part in range(parts):
            a, b = part / parts, (part + 1) / parts
            xa, xb, ya, yb = x1 + (x2 - x1) * a, x1 + (x2 - x1) * b, y1 + (y2 - y1) * a, y1 + (y2 - y1) * b
            yield min(xa, xb), min(ya, yb), abs(xb - xa), abs(yb - ya)
