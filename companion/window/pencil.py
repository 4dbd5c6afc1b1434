"""The teacher's pencil: rings, arrows and brackets as small pictures with a hand's unevenness, drawn once and kept.

Each is drawn four times too large and smoothed down, in graphite with a little transparency, so that print shows
through."""

from __future__ import annotations

import math
import random
from functools import lru_cache
from itertools import pairwise

import pygame

from companion.window.theme import Ink

__all__ = [
    "arrow", "brackets", "cross", "cut", "dash", "dot", "hatching", "insert_mark", "ring", "slip", "slur",
    "smooth_line", "spectacles", "tick",
]  # fmt: skip

_FINE = 4


def _canvas(width_px: int, height_px: int) -> pygame.Surface:
    return pygame.Surface((width_px * _FINE, height_px * _FINE), pygame.SRCALPHA)


def _shrink(canvas: pygame.Surface) -> pygame.Surface:
    return pygame.transform.smoothscale(canvas, (canvas.get_width() // _FINE, canvas.get_height() // _FINE))


def smooth_line(
    canvas: pygame.Surface, points: list[tuple[float, float]], width: float, colour: tuple[int, int, int]
) -> None:
    """A stroke with round ends through points."""
    for (x0, y0), (x1, y1) in pairwise(points):
        steps = max(1, int(math.hypot(x1 - x0, y1 - y0) / max(1.0, width / 4)))
        for i in range(steps + 1):
            t = i / steps
            pygame.draw.circle(canvas, colour, (x0 + (x1 - x0) * t, y0 + (y1 - y0) * t), width / 2)


@lru_cache(maxsize=64)
def ring(head_px: int, variant: int = 0) -> pygame.Surface:
    """A pencilled ring round a notehead `head_px` wide: a wrong note. Blit its middle on the head's middle."""
    size = round(head_px * 3.1)
    canvas, rng = _canvas(size, size), random.Random(variant)
    middle, radius = size * _FINE / 2, size * _FINE * 0.40
    tilt, start = rng.uniform(-0.3, 0.3), rng.uniform(2.2, 3.4)
    points = []
    for i in range(81):
        angle = start + i / 80 * (2 * math.pi + 0.55)
        r = radius * (1 + 0.05 * math.sin(2 * angle + tilt) + 0.06 * (i / 80 - 0.5))
        points.append((middle + r * 1.06 * math.cos(angle), middle + r * 0.86 * math.sin(angle + tilt * 0.2)))
    smooth_line(canvas, points, max(2.2, head_px * 0.2) * _FINE, Ink.PENCIL)
    return _shrink(canvas)


@lru_cache(maxsize=64)
def arrow(head_px: int, length_px: int, forward: bool) -> pygame.Surface:
    """An arrow to lay under a head: backward (left) for early, forward (right) for late."""
    width, height = length_px + 4, max(9, round(head_px * 0.95)) | 1
    canvas = _canvas(width, height)
    w, h = canvas.get_size()
    line, barb = max(2.0, head_px * 0.18) * _FINE, h * 0.36
    tip, tail = (w - line, h * 0.5), (line, h * 0.56)
    smooth_line(canvas, [tail, (w * 0.5, h * 0.48), tip], line, Ink.PENCIL)
    smooth_line(
        canvas, [(tip[0] - barb * 1.1, tip[1] - barb), tip, (tip[0] - barb * 1.1, tip[1] + barb)], line, Ink.PENCIL
    )
    picture = _shrink(canvas)
    return picture if forward else pygame.transform.flip(picture, True, False)


@lru_cache(maxsize=32)
def brackets(head_px: int) -> pygame.Surface:
    """Round brackets about a head: a note left out."""
    width, height = round(head_px * 2.5), round(head_px * 2.2)
    canvas = _canvas(width, height)
    w, h = canvas.get_size()
    line = max(2.0, head_px * 0.18) * _FINE
    for side in (-1, 1):
        points = []
        for i in range(21):
            t = (i / 20 - 0.5) * 2
            points.append((w / 2 + side * w * (0.42 - 0.13 * t * t), h / 2 + t * h * 0.44))
        smooth_line(canvas, points, line, Ink.PENCIL)
    return _shrink(canvas)


@lru_cache(maxsize=32)
def insert_mark(head_px: int) -> pygame.Surface:
    """A proofreader's wedge: something was played here that isn't written."""
    size = max(8, round(head_px * 1.1))
    canvas = _canvas(size, size)
    w, h = canvas.get_size()
    line = max(2.0, head_px * 0.18) * _FINE
    smooth_line(canvas, [(line, line), (w / 2, h - line), (w - line, line)], line, Ink.PENCIL)
    return _shrink(canvas)


@lru_cache(maxsize=32)
def tick(size_px: int, colour: tuple[int, int, int] = Ink.PENCIL) -> pygame.Surface:
    """A pencilled tick: a clean take."""
    canvas = _canvas(size_px, size_px)
    w, h = canvas.get_size()
    smooth_line(canvas, [(w * 0.1, h * 0.55), (w * 0.38, h * 0.85), (w * 0.92, h * 0.12)], w * 0.12, colour)
    return _shrink(canvas)


@lru_cache(maxsize=16)
def cross(size_px: int, colour: tuple[int, int, int]) -> pygame.Surface:
    """A small cross: something is written about this note."""
    canvas = _canvas(size_px, size_px)
    w, h = canvas.get_size()
    for ends in ([(w * 0.2, h * 0.2), (w * 0.8, h * 0.8)], [(w * 0.8, h * 0.2), (w * 0.2, h * 0.8)]):
        smooth_line(canvas, [(float(x), float(y)) for x, y in ends], w * 0.14, colour)
    return _shrink(canvas)


@lru_cache(maxsize=64)
def hatching(size_px: tuple[int, int], density: int) -> pygame.Surface:
    """Slanting strokes of a soft pencil over a spot, closer and firmer with `density` (1 to 3)."""
    width, height = size_px
    shade = pygame.Surface(size_px, pygame.SRCALPHA)
    shade.fill((*Ink.PENCIL, 14 + 12 * density))
    step = {1: 11, 2: 8, 3: 6}[max(1, min(3, density))]
    for x in range(-height, width, step):
        pygame.draw.aaline(shade, (*Ink.PENCIL, 60 + 25 * density), (x, height), (x + height * 0.6, 0))
    return shade


@lru_cache(maxsize=128)
def slur(width_px: int, height_px: int, upward: bool) -> pygame.Surface:
    """A pencilled slur over (or under) two notes that were to be joined."""
    canvas = _canvas(width_px, height_px)
    w, h = canvas.get_size()
    line = max(2.0, height_px * 0.17) * _FINE
    rise = h - 2 * line
    points = []
    for i in range(31):
        t = i / 30
        points.append((line + t * (w - 2 * line), h - line - rise * (1 - (2 * t - 1.06) ** 2 * 0.92)))
    smooth_line(canvas, points, line, Ink.PENCIL)
    picture = _shrink(canvas)
    return picture if upward else pygame.transform.flip(picture, False, True)


@lru_cache(maxsize=32)
def cut(head_px: int) -> pygame.Surface:
    """Two short strokes between notes: the tongue parts them here."""
    width, height = max(6, round(head_px * 0.8)), max(9, round(head_px * 1.1))
    canvas = _canvas(width, height)
    w, h = canvas.get_size()
    line = max(1.6, head_px * 0.16) * _FINE
    for x in (0.2, 0.62):
        smooth_line(canvas, [(w * (x + 0.16), line), (w * x, h - line)], line, Ink.PENCIL)
    return _shrink(canvas)


@lru_cache(maxsize=32)
def dot(head_px: int) -> pygame.Surface:
    """A pencilled staccato dot: shorter."""
    size = max(5, round(head_px * 0.5))
    canvas = _canvas(size, size)
    pygame.draw.circle(canvas, Ink.PENCIL, (size * _FINE / 2, size * _FINE / 2), size * _FINE * 0.42)
    return _shrink(canvas)


@lru_cache(maxsize=32)
def dash(head_px: int) -> pygame.Surface:
    """A pencilled tenuto stroke: longer."""
    width, height = max(9, round(head_px * 1.2)), max(5, round(head_px * 0.4))
    canvas = _canvas(width, height)
    w, h = canvas.get_size()
    line = max(2.0, head_px * 0.18) * _FINE
    smooth_line(canvas, [(line, h * 0.55), (w / 2, h * 0.46), (w - line, h * 0.5)], line, Ink.PENCIL)
    return _shrink(canvas)


@lru_cache(maxsize=32)
def slip(head_px: int) -> pygame.Surface:
    """A small notehead struck through: it sounded for a moment on the way to the next note."""
    size = max(13, round(head_px * 1.4))
    canvas = _canvas(size, size)
    w, h = canvas.get_size()
    line = max(1.6, head_px * 0.13) * _FINE
    head = pygame.Surface((w, h), pygame.SRCALPHA)
    pygame.draw.ellipse(head, Ink.PENCIL, (w * 0.17, h * 0.28, w * 0.66, h * 0.46))
    pygame.draw.ellipse(
        head, Ink.PAPER, pygame.Rect(w * 0.17, h * 0.28, w * 0.66, h * 0.46).inflate(-2 * line, -2 * line)
    )
    head = pygame.transform.rotate(head, 18)
    canvas.blit(head, head.get_rect(center=(w // 2, h // 2)))
    smooth_line(canvas, [(w * 0.12, h * 0.92), (w * 0.88, h * 0.08)], line, Ink.PENCIL)
    return _shrink(canvas)


@lru_cache(maxsize=32)
def spectacles(head_px: int) -> pygame.Surface:
    """A pair of spectacles, as musicians pencil them over a place to look out for (common practice, no source)."""
    width, height = max(18, round(head_px * 2.1)), max(9, round(head_px * 0.95))
    canvas = _canvas(width, height)
    w, h = canvas.get_size()
    line = max(1.6, head_px * 0.14) * _FINE
    radius = h * 0.34
    for x in (w * 0.27, w * 0.73):
        points = [
            (x + radius * 1.1 * math.cos(i / 24 * 2 * math.pi), h * 0.58 + radius * math.sin(i / 24 * 2 * math.pi))
            for i in range(25)
        ]
        smooth_line(canvas, points, line, Ink.PENCIL)
    smooth_line(canvas, [(w * 0.42, h * 0.5), (w * 0.5, h * 0.42), (w * 0.58, h * 0.5)], line, Ink.PENCIL)
    for x, out in ((w * 0.1, w * 0.02), (w * 0.9, w * 0.98)):
        smooth_line(canvas, [(x, h * 0.5), (out, h * 0.2)], line, Ink.PENCIL)
    return _shrink(canvas)
