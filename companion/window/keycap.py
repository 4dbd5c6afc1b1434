"""One key of the horn as a picture: its shape in one of four conditions, smooth at any size."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import pygame

__all__ = ["RING_UNITS", "Condition", "HornInk", "keycap"]

Colour = tuple[int, int, int]
Condition = Literal["idle", "stay", "down", "up", "early_down", "early_up", "late_down", "late_up"]

#: Drawn so many times larger and scaled down, which smooths every edge alike.
_OVERSAMPLE = 4
#: Weights in diagram units: an outline, the ring round a key that goes down and the gap inside it.
_LINE_UNITS = 0.55
_GAP_UNITS = 0.6
_STROKE_UNITS = 0.9
#: How far the ring reaches beyond its key.
RING_UNITS = _GAP_UNITS + _STROKE_UNITS


@dataclass(frozen=True, slots=True)
class HornInk:
    """The colours: warm paper, black print, the pencil's graphite, the blue of a pen, a faint line for idle keys."""

    paper: Colour = (0xFA, 0xF6, 0xEA)
    ink: Colour = (0x18, 0x16, 0x14)
    graphite: Colour = (0x6B, 0x66, 0x5E)
    accent: Colour = (0x23, 0x47, 0x7A)
    faint: Colour = (0xBC, 0xB3, 0xA2)

    @property
    def deep(self) -> Colour:
        """Accent darkened nearly to ink: the fill of a key that goes down."""
        r, g, b = ((2 * one + 3 * other) // 5 for one, other in zip(self.accent, self.ink, strict=True))
        return (r, g, b)


@lru_cache(maxsize=256)
def keycap(width: int, height: int, shape: str, condition: Condition, scale: float, ink: HornInk) -> pygame.Surface:
    """The picture of a key, its centre in the middle of the surface.

    Parameters
    ----------
    width, height
        Of the key, in pixels.
    shape
        `round`, `touch` or `bar`.
    condition
        `idle`, `stay` (down), `down` (goes down) or `up` (comes up); for a horn caught between two notes
        `early_down` and `early_up` (moved already, and so down or up now), `late_down` and `late_up` (still so).
    scale
        Pixels a diagram unit, which sets the weight of lines.
    """
    k = _OVERSAMPLE
    margin = max(3, math.ceil(scale * RING_UNITS))
    big = pygame.Surface(((width + 2 * margin) * k, (height + 2 * margin) * k), pygame.SRCALPHA, 32)
    big.fill((*ink.paper, 0))
    body = pygame.Rect(margin * k, margin * k, width * k, height * k)
    radius = min(body.width, body.height) // 2 if shape != "bar" else round(min(body.width, body.height) * 0.34)
    line = max(k, round(scale * k * _LINE_UNITS))
    if condition == "idle":
        _plate(big, body, radius, ink.faint)
        _plate(big, body.inflate(-2 * line, -2 * line), radius - line, ink.paper)
    elif condition == "stay":
        _plate(big, body, radius, ink.ink)
    elif condition == "down":
        _draw_going_down(big, body, radius, scale, ink)
    elif condition != "up":
        _draw_caught(big, body, radius, scale, condition, ink)
    else:
        _draw_coming_up(big, body, radius, line, ink)
    return pygame.transform.smoothscale(big, (width + 2 * margin, height + 2 * margin))


def _plate(big: pygame.Surface, body: pygame.Rect, radius: int, colour: Colour) -> None:
    pygame.draw.rect(big, colour, body, border_radius=max(1, radius))


def _draw_going_down(big: pygame.Surface, body: pygame.Rect, radius: int, scale: float, ink: HornInk) -> None:
    gap = max(_OVERSAMPLE, round(scale * _OVERSAMPLE * _GAP_UNITS))
    outer = gap + max(_OVERSAMPLE, round(scale * _OVERSAMPLE * _STROKE_UNITS))
    _plate(big, body.inflate(2 * outer, 2 * outer), radius + outer, ink.accent)
    _plate(big, body.inflate(2 * gap, 2 * gap), radius + gap, ink.paper)
    _plate(big, body, radius, ink.deep)
    _arrow(big, body, ink.paper, up=False)


def _draw_caught(
    big: pygame.Surface, body: pygame.Rect, radius: int, scale: float, condition: Condition, ink: HornInk
) -> None:
    """A key that should have moved with others: black if down, white if up now. One that moved too early has a whole
    ring, one that is late a broken ring and an arrow the way it still has to go."""
    gap = max(_OVERSAMPLE, round(scale * _OVERSAMPLE * _GAP_UNITS))
    stroke = max(_OVERSAMPLE, round(scale * _OVERSAMPLE * _STROKE_UNITS))
    is_down = condition.endswith("down")
    reach = gap + stroke
    if condition.startswith("early"):
        _plate(big, body.inflate(2 * reach, 2 * reach), radius + reach, ink.accent)
        _plate(big, body.inflate(2 * gap, 2 * gap), radius + gap, ink.paper)
    else:
        ring = body.inflate(2 * gap + stroke, 2 * gap + stroke)
        _dashes(big, list(_outline(ring, max(1.0, radius + gap + stroke / 2))), stroke, ink.accent)
    line = max(_OVERSAMPLE, round(scale * _OVERSAMPLE * _LINE_UNITS * 1.4))
    _plate(big, body, radius, ink.ink)
    if not is_down:
        _plate(big, body.inflate(-2 * line, -2 * line), radius - line, ink.paper)
    if condition.startswith("late"):
        _arrow(big, body, ink.paper if is_down else ink.accent, up=is_down)


def _draw_coming_up(big: pygame.Surface, body: pygame.Rect, radius: int, line: int, ink: HornInk) -> None:
    _plate(big, body, radius, ink.paper)
    stroke = max(_OVERSAMPLE * 1.5, line * 1.7)
    inset = body.inflate(-stroke, -stroke)
    points = list(_outline(inset, max(1.0, radius - stroke / 2)))
    _dashes(big, points, stroke, ink.accent)
    _arrow(big, body, ink.accent, up=True)


def _outline(body: pygame.Rect, radius: float) -> Iterator[tuple[float, float]]:
    """Points a pixel or so apart along a rounded rectangle, clockwise from the left end of its top edge."""
    straight = ((1, 0, body.width), (0, 1, body.height), (-1, 0, body.width), (0, -1, body.height))
    x, y = body.left + radius, float(body.top)
    for turn, (dx, dy, length) in enumerate(straight):
        run = max(0.0, length - 2 * radius)
        for i in range(int(run)):
            yield x + dx * i, y + dy * i
        x, y = x + dx * run, y + dy * run
        centre = (x - dy * radius, y + dx * radius)
        start = turn * math.pi / 2 - math.pi / 2
        steps = max(2, int(radius * math.pi / 2))
        for i in range(steps):
            angle = start + i / steps * math.pi / 2
            yield centre[0] + radius * math.cos(angle), centre[1] + radius * math.sin(angle)
        end = start + math.pi / 2
        x, y = centre[0] + radius * math.cos(end), centre[1] + radius * math.sin(end)


def _dashes(big: pygame.Surface, points: list[tuple[float, float]], stroke: float, colour: Colour) -> None:
    """A whole number of dashes, with gaps as long as themselves as the eye sees them beside round ends."""
    count = max(6, round(len(points) / (stroke * 3.4)))
    period = len(points) / count
    for i, (x, y) in enumerate(points):
        if i % period < period * 0.42:
            pygame.draw.circle(big, colour, (round(x), round(y)), max(1, round(stroke / 2)))


def _arrow(big: pygame.Surface, body: pygame.Rect, colour: Colour, up: bool) -> None:
    """A small solid arrowhead in the middle of the key."""
    half = min(body.width, body.height) * 0.25
    rise = half * 0.85 * (-1 if up else 1)
    x, y = body.center
    pygame.draw.polygon(big, colour, [(x - half, y - rise * 0.8), (x + half, y - rise * 0.8), (x, y + rise)])
