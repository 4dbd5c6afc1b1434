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

__all__ = ["arrow", "brackets", "cross", "hatching", "insert_mark", "ring", "smooth_line", "tick"]

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
