"""The strip under a staff: how early or late each note of the last take was, under the note itself.

The line in the middle is the click; a stroke that rises from it came early, one that hangs from it late, as far as it
was off. The pale band is what counts as on time. Where a note was wrong or left out the line has a gap; a note further
off than the strip reaches ends in an open arrow at its edge. Where the player had left the click altogether (went back,
hesitated, took another tempo) every note would be beyond the edge; there the line is broken and stands for the player's
own beat. `strip_shapes` is plain data, and tested; drawing follows it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from statistics import median

import pygame

from companion.window.theme import Ink, Type

__all__ = ["Strip", "StripNote", "StripShapes", "Stroke", "draw_strip", "strip_of", "strip_px", "strip_shapes"]

#: The strip reaches to so many times what is on time, within these bounds.
REACH_TIMES, LEAST_REACH_MS, MOST_REACH_MS = 2.5, 75.0, 250.0
BAND = (236, 229, 210)
#: A band is drawn so many head widths to either side at most, so that a long note has none over half the bar.
BAND_HEADS = 1.4


@dataclass(frozen=True, slots=True)
class StripNote:
    """One time a note of the passage was played: `deviation_ms` early negative, None where it was wrong or left out;
    how early and how late it may come (infinite for grace notes). Where the player had left the click, `own_beat` is
    True and the deviation is from the player's own beat."""

    note_index: int
    deviation_ms: float | None
    early_ms: float
    late_ms: float
    own_beat: bool = False


@dataclass(frozen=True, slots=True)
class Strip:
    """A take's notes, and how many ms the strip reaches to either side of the click."""

    notes: tuple[StripNote, ...]
    reach_ms: float


@dataclass(frozen=True, slots=True)
class Stroke:
    """A note's stroke from the click line to `y` at `x`; `beyond` where the note is further off than that."""

    x: float
    y: float
    beyond: bool


@dataclass(frozen=True, slots=True)
class StripShapes:
    """One system's strip in pixels: the click line's `y` and its pieces, the pieces where it is the player's own beat,
    the bands of what is on time, the strokes."""

    y: float
    line: tuple[tuple[float, float], ...]
    own: tuple[tuple[float, float], ...]
    bands: tuple[pygame.Rect, ...]
    strokes: tuple[Stroke, ...]


def strip_of(notes: Sequence[StripNote]) -> Strip:
    """The strip of a take: it reaches so far that what is on time can be told from what is not."""
    allowed = [limit for note in notes for limit in (note.early_ms, note.late_ms) if isfinite(limit)]
    wanted = REACH_TIMES * median(allowed) if allowed else LEAST_REACH_MS
    return Strip(tuple(notes), min(MOST_REACH_MS, max(LEAST_REACH_MS, wanted)))


def strip_px(staff_height_px: float) -> int:
    """Height of a strip under a staff of this height: two lines of the smallest text have room."""
    return max(36, round(staff_height_px * 1.3))


def strip_shapes(notes: Sequence[tuple[StripNote, pygame.Rect]], box: pygame.Rect, reach_ms: float) -> StripShapes:
    """What to draw of one system.

    Parameters
    ----------
    notes
        The system's notes with the places of their heads; one printed note may come several times (a repeat).
    box
        Where the strip stands: as wide as the staff.
    reach_ms
        How many ms lie between the click line and the strip's edge.
    """
    middle = box.centery
    half = box.height / 2 - 3
    per_ms = half / reach_ms
    placed: list[tuple[float, StripNote]] = []
    seen: dict[int, int] = {}
    for note, head in notes:
        again = seen.get(head.x, 0)
        seen[head.x] = again + 1
        placed.append((head.centerx + again * max(3, head.width // 2), note))
    placed.sort(key=lambda one: one[0])
    widths = [head.width for _, head in notes] or [10]
    own = _own_spans(placed, box)
    bands = [band.clip(box) for band in _bands(placed, BAND_HEADS * max(widths), middle, half, per_ms)]
    strokes, gaps = [], []
    for x, note in placed:
        if note.deviation_ms is None:
            gaps.append((x - 0.7 * max(widths), x + 0.7 * max(widths)))
            continue
        off = note.deviation_ms * per_ms
        strokes.append(Stroke(x, middle + max(-half, min(half, off)), abs(off) > half))
    line = _pieces(box.left, box.right, [*gaps, *own])
    broken = tuple(piece for left, right in own for piece in _pieces(left, right, gaps))
    return StripShapes(middle, line, broken, tuple(bands), tuple(strokes))


def _own_spans(placed: Sequence[tuple[float, StripNote]], box: pygame.Rect) -> list[tuple[float, float]]:
    """Where the line is the player's own beat: from half-way to the note before to half-way to the note after."""
    edges = [float(box.left), *((a[0] + b[0]) / 2 for a, b in pairwise(placed)), float(box.right)]
    spans: list[tuple[float, float]] = []
    for i, (_, note) in enumerate(placed):
        if not note.own_beat:
            continue
        if spans and spans[-1][1] == edges[i]:
            spans[-1] = spans[-1][0], edges[i + 1]
        else:
            spans.append((edges[i], edges[i + 1]))
    return spans


def _bands(
    placed: Sequence[tuple[float, StripNote]], widest: float, middle: float, half: float, per_ms: float
) -> list[pygame.Rect]:
    edges = [(before[0] + after[0]) / 2 for before, after in pairwise(placed)]
    bands = []
    for i, (x, note) in enumerate(placed):
        if not isfinite(note.early_ms):
            continue
        left = max(x - widest, edges[i - 1] if i else x - widest)
        right = min(x + widest, edges[i] if i < len(edges) else x + widest)
        top = middle - min(half, note.early_ms * per_ms)
        bottom = middle + min(half, note.late_ms * per_ms)
        bands.append(pygame.Rect(round(left), round(top), round(right) - round(left), round(bottom) - round(top)))
    return bands


def _pieces(left: float, right: float, gaps: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    pieces, at = [], left
    for start, end in sorted(gaps):
        if end <= left or start >= right:
            continue
        if start > at:
            pieces.append((at, start))
        at = max(at, end)
    if right > at:
        pieces.append((at, right))
    return tuple(pieces)


def draw_strip(target: pygame.Surface, shapes: StripShapes, box: pygame.Rect, first_x: float, type_: Type) -> None:
    """Draw one system's strip into `box`; the words for its two sides stand left of its first note, where there is
    room."""
    for band in shapes.bands:
        target.fill(BAND, band)
    for edge in (box.top, box.bottom - 1):
        pygame.draw.line(target, Ink.FAINT, (box.left, edge), (box.right, edge), 1)
    for left, right in shapes.line:
        pygame.draw.line(target, Ink.QUIET, (round(left), shapes.y), (round(right), shapes.y), 1)
    for left, right in shapes.own:
        _draw_broken(target, left, right, round(shapes.y), max(3, box.height // 9))
    _draw_words(target, box, first_x, type_)
    width = max(2, round(box.height / 20))
    for stroke in shapes.strokes:
        _draw_stroke(target, stroke, shapes.y, width)


def _draw_broken(target: pygame.Surface, left: float, right: float, y: int, dash: int) -> None:
    x = left
    while x < right:
        pygame.draw.line(target, Ink.QUIET, (round(x), y), (round(min(right, x + dash)), y), 1)
        x += 2 * dash


def _draw_words(target: pygame.Surface, box: pygame.Rect, first_x: float, type_: Type) -> None:
    early, late = (type_.surface(word, 12, "italic", Ink.QUIET) for word in ("early", "late"))
    if max(early.get_width(), late.get_width()) + 6 > first_x - box.left:
        return
    target.blit(early, early.get_rect(midleft=(box.left + 2, box.top + box.height // 4)))
    target.blit(late, late.get_rect(midleft=(box.left + 2, box.bottom - box.height // 4)))


def _draw_stroke(target: pygame.Surface, stroke: Stroke, y: float, width: int) -> None:
    top, bottom = sorted((round(y), round(stroke.y)))
    target.fill(Ink.PENCIL, (round(stroke.x - width / 2), top, width, max(1, bottom - top)))
    if not stroke.beyond:
        pygame.draw.aacircle(target, Ink.PENCIL, (round(stroke.x), round(stroke.y)), width * 1.2)
        return
    barb, way = width * 2.0, 1 if stroke.y < y else -1
    tip = (stroke.x, stroke.y)
    for side in (-1, 1):
        pygame.draw.line(target, Ink.PENCIL, tip, (stroke.x + side * barb, stroke.y + way * barb), width)
