"""The horn beside the page: the keys as a chart in a method book shows them, the two hands apart.

Each key is in one of four conditions, told apart by fill, stroke and arrow, so that greyscale loses nothing:
up and not wanted (thin outline), stays down (solid), goes down (solid, a ring round it, an arrow down), comes up
(dashed outline, an arrow up). A horn caught between two notes (`draw_horn_caught`) shows which keys had moved already
and which had not, by a whole and a broken ring.

The layout is plain data (`horn_layout`, `label_layout`); drawing follows it. Pictures of keys and of the whole panel
are kept, so that a frame in which nothing changed costs one blit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import pygame

from companion.charts.check import DIAGRAM_HEIGHT, DIAGRAM_WIDTH
from companion.charts.model import Chart, Key
from companion.window import keycap
from companion.window.keycap import Condition, HornInk

__all__ = [
    "HornInk", "caught_conditions", "condition", "draw_horn", "draw_horn_caught", "draw_horn_small", "height_to_spare",
    "horn_layout", "label_layout", "label_size_px",
]  # fmt: skip

Side = Literal["left", "right", "below"]

#: A tall panel spreads the keys, a wide one too, up to so much; the keys themselves keep their proportions.
MAX_SPREAD = 1.25
MIN_LABEL_PX = 12
#: Below this many pixels a diagram unit the smallest readable text would run into the keys.
MIN_SCALE_WITH_LABELS = 1.7
_LABEL_UNITS = 5.4
_DRAWN: tuple[Condition, ...] = ("idle", "stay", "up", "down", "early_up", "early_down", "late_up", "late_down")


@dataclass(frozen=True, slots=True)
class _Frame:
    """How diagram units become pixels: one scale for sizes, one each for distances."""

    rect: pygame.Rect
    scale: float
    across: float
    down: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Pixel position of a place on the diagram."""
        return (
            self.rect.centerx + (x - DIAGRAM_WIDTH / 2) * self.across,
            self.rect.centery + (y - DIAGRAM_HEIGHT / 2) * self.down,
        )


def _frame(rect: pygame.Rect) -> _Frame:
    scale = min(rect.width / DIAGRAM_WIDTH, rect.height / DIAGRAM_HEIGHT)
    across = min(rect.width / DIAGRAM_WIDTH, scale * MAX_SPREAD)
    down = min(rect.height / DIAGRAM_HEIGHT, scale * MAX_SPREAD)
    return _Frame(rect, scale, across, down)


def horn_layout(chart: Chart, rect: pygame.Rect) -> dict[str, pygame.Rect]:
    """Where each key stands: key name -> rectangle in pixels, within `rect`."""
    return _key_rects(chart.keys, _frame(pygame.Rect(rect)))


def _key_rects(keys: tuple[Key, ...], frame: _Frame) -> dict[str, pygame.Rect]:
    placed = {}
    for key in keys:
        x, y = frame.at(key.x + key.width / 2, key.y + key.height / 2)
        width, height = max(3, round(key.width * frame.scale)), max(3, round(key.height * frame.scale))
        if key.shape != "bar":
            width = height = min(width, height)
        placed[key.name] = pygame.Rect(round(x - width / 2), round(y - height / 2), width, height).clamp(frame.rect)
    return placed


def label_size_px(rect: pygame.Rect) -> int:
    """Text size of the labels in a panel of this size; 0 where it is too small for any."""
    scale = _frame(pygame.Rect(rect)).scale
    return max(MIN_LABEL_PX, round(_LABEL_UNITS * scale)) if scale >= MIN_SCALE_WITH_LABELS else 0


def height_to_spare(rect: pygame.Rect) -> int:
    """By how many pixels a panel can be lower and still have its labels; all of it where it has none."""
    needed = math.ceil(MIN_SCALE_WITH_LABELS * DIAGRAM_HEIGHT)
    return max(0, rect.height - needed) if label_size_px(rect) else rect.height


def label_layout(chart: Chart, rect: pygame.Rect, font_path: str | None) -> dict[str, pygame.Rect]:
    """Where each key's label stands: key name -> rectangle in pixels. Empty where the panel is too small."""
    rect = pygame.Rect(rect)
    return _label_rects(chart.keys, _frame(rect), label_size_px(rect), font_path)


def _label_rects(keys: tuple[Key, ...], frame: _Frame, size_px: int, font_path: str | None) -> dict[str, pygame.Rect]:
    if not size_px:
        return {}
    boxes = _key_rects(keys, frame)
    gap = max(3, round(frame.scale * keycap.RING_UNITS) + 2)
    placed = {}
    for key in keys:
        if not key.label:
            continue
        box, text = boxes[key.name], pygame.Rect((0, 0), _font(font_path, size_px).size(key.label))
        side = _label_side(key)
        if side == "left":
            text.midright = (box.left - gap, box.centery)
        elif side == "right":
            text.midleft = (box.right + gap, box.centery)
        else:
            text.midtop = (box.centerx, box.bottom + round(gap * 0.6))
        placed[key.name] = text.clamp(frame.rect)
    return placed


def _label_side(key: Key) -> Side:
    """Labels stand where no other key is: outside of a pair, beside a column, under a thumb key."""
    if key.finger == "thumb":
        return "below"
    beside_another = key.shape == "bar" and key.hand == "left" and key.width < 12
    outer = key.x + key.width / 2 > 80 if key.finger == "palm" else key.x > 70
    if key.finger == "side" or key.name == "front_f":
        return "left"
    return "left" if beside_another and not outer else "right"


def condition(name: str, held: frozenset[str], coming: frozenset[str]) -> Condition:
    """What a key does from the shape `held` to the shape `coming`."""
    if name in coming:
        return "stay" if name in held else "down"
    return "up" if name in held else "idle"


def draw_horn(
    surface: pygame.Surface,
    rect: pygame.Rect,
    chart: Chart,
    held: frozenset[str],
    coming: frozenset[str],
    font_path: str | None,
    labels: bool = True,
    ink: HornInk = HornInk(),  # noqa: B008 (frozen)
) -> None:
    """Draw the horn into `rect`: what stays, goes down and comes up from `held` to `coming`.

    Parameters
    ----------
    surface
        Where to draw; `rect` is in its pixels.
    chart
        The instrument.
    held, coming
        Names of the keys of the shape the hands are in, and of the one that comes next.
    font_path
        A TTF or OTF font with ♯ and ♭; None for pygame's own.
    labels
        Write the keys' names and the hands beside them, where the panel is large enough.
    ink
        The colours.
    """
    rect = pygame.Rect(rect)
    surface.blit(_panel(rect.size, chart.keys, held, coming, font_path, labels, ink), rect.topleft)


def draw_horn_small(
    surface: pygame.Surface,
    rect: pygame.Rect,
    chart: Chart,
    coming: frozenset[str],
    ink: HornInk = HornInk(),  # noqa: B008 (frozen)
) -> None:
    """Draw one shape alone, small and without words: the note after the next."""
    draw_horn(surface, rect, chart, coming, coming, None, labels=False, ink=ink)


def caught_conditions(state: frozenset[str], before: frozenset[str], after: frozenset[str]) -> dict[str, Condition]:
    """What each key of a horn caught in `state` on the way from one shape to the next is doing; keys that neither
    shape nor state holds are left out (`idle`)."""
    found: dict[str, Condition] = {}
    for name in state | before | after:
        is_down = name in state
        if (name in before) == (name in after):
            found[name] = "stay" if is_down else "idle"
        elif is_down == (name in after):
            found[name] = "early_down" if is_down else "early_up"
        else:
            found[name] = "late_down" if is_down else "late_up"
    return found


def draw_horn_caught(
    surface: pygame.Surface,
    rect: pygame.Rect,
    chart: Chart,
    state: frozenset[str],
    before: frozenset[str],
    after: frozenset[str],
    font_path: str | None,
    ink: HornInk = HornInk(),  # noqa: B008 (frozen)
) -> None:
    """Draw the horn in a state between two shapes: what moved early, what is late, what stays."""
    rect = pygame.Rect(rect)
    caught = tuple(sorted(caught_conditions(state, before, after).items()))
    surface.blit(_panel(rect.size, chart.keys, state, state, font_path, True, ink, caught), rect.topleft)


# Few, for a panel of a 4K window takes 5 MB; its parts are kept too, so that a new one takes a millisecond or two.
@lru_cache(maxsize=6)
def _panel(
    size: tuple[int, int],
    keys: tuple[Key, ...],
    held: frozenset[str],
    coming: frozenset[str],
    font_path: str | None,
    labels: bool,
    ink: HornInk,
    caught: tuple[tuple[str, Condition], ...] = (),
) -> pygame.Surface:
    known = dict(caught)
    what_of = {key.name: known.get(key.name, condition(key.name, held, coming)) for key in keys}
    panel = pygame.Surface(size, pygame.SRCALPHA, 32)
    panel.fill((*ink.paper, 0))
    frame = _frame(panel.get_rect())
    boxes = _key_rects(keys, frame)
    _draw_body(panel, keys, boxes, frame, ink)
    size_px = label_size_px(panel.get_rect()) if labels else 0
    if size_px:
        _draw_hands(panel, keys, boxes, frame, size_px, font_path, ink)
    label_boxes = _label_rects(keys, frame, size_px, font_path)
    # What changes comes last, so that a ring lies over a neighbour's outline and not under it.
    for key in sorted(keys, key=lambda key: _DRAWN.index(what_of[key.name])):
        what = what_of[key.name]
        box = boxes[key.name]
        cap = keycap.keycap(box.width, box.height, key.shape, what, frame.scale, ink)
        panel.blit(cap, cap.get_rect(center=box.center))
        if key.name in label_boxes:
            colour = (
                ink.graphite
                if what == "idle"
                else ink.accent
                if what == "down" or known.get(key.name) == what != "stay"
                else ink.ink
            )
            panel.blit(_text(key.label, font_path, size_px, colour), label_boxes[key.name])
    return panel


def _stack(keys: tuple[Key, ...], hand: str) -> list[str]:
    return [key.name for key in keys if key.hand == hand and key.shape == "round"]


def _draw_body(
    panel: pygame.Surface, keys: tuple[Key, ...], boxes: dict[str, pygame.Rect], frame: _Frame, ink: HornInk
) -> None:
    """The line of the body through each hand's pearls, and a short rule between the hands."""
    width = max(1, round(frame.scale * 0.7))
    for hand in ("left", "right"):
        stack = [boxes[name] for name in _stack(keys, hand)]
        if not stack:
            continue
        reach = stack[0].height * 0.62
        top, bottom = min(box.top for box in stack) - reach, max(box.bottom for box in stack) + reach
        line = pygame.Rect(0, 0, width, round(bottom - top))
        line.midtop = (stack[0].centerx, round(top))
        panel.fill(ink.faint, line.clip(panel.get_rect()))


def _draw_hands(
    panel: pygame.Surface,
    keys: tuple[Key, ...],
    boxes: dict[str, pygame.Rect],
    frame: _Frame,
    size_px: int,
    font_path: str | None,
    ink: HornInk,
) -> None:
    for hand in ("left", "right"):
        tops = [boxes[key.name].top for key in keys if key.hand == hand]
        text = _text(f"{hand} hand", font_path, size_px, ink.graphite)
        x, _ = frame.at(2, 0)
        y = min(tops) - text.get_height() - round(frame.scale * keycap.RING_UNITS)
        panel.blit(text, text.get_rect(topleft=(round(x), max(0, y))))


@lru_cache(maxsize=16)
def _font(font_path: str | None, size_px: int) -> pygame.font.Font:
    if not pygame.font.get_init():
        pygame.font.init()
    return pygame.font.Font(font_path, size_px)


@lru_cache(maxsize=128)
def _text(text: str, font_path: str | None, size_px: int, colour: tuple[int, int, int]) -> pygame.Surface:
    return _font(font_path, size_px).render(text, True, colour)
