"""The horn on its way from one shape to another: fingers seen to move, and pictures of horns kept.

What stays is solid all along. A key that goes down has its ring from the start and fills from the middle; one that
comes up has its dashed outline and empties. Before the first moment the horn is the old shape alone, at the end it is
as the stand draws a change.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass

import pygame

from companion.charts.model import Chart
from companion.engraving import fonts
from companion.ports import KeysPort
from companion.units import NS_PER_S
from companion.window.horn import condition, draw_horn, horn_layout
from companion.window.horn_hands import cap_of
from companion.window.keycap import HornInk

__all__ = ["Horns", "Movement", "letters_of"]

#: A round: the old shape, the movement, the change as the stand draws it.
_REST_S, _MOVE_S, _STAY_S = 0.7, 0.9, 1.6
ROUNDS = 3
STEPS = 4
_OVERSAMPLE = 4


#: The letters' places from left to right, finger by finger (as a US keyboard has them).
_COLUMNS = ("QAZ", "WSX", "EDC", "RFV", "TGB", "YHN", "UJM", "IK", "OL", "P")
_RIGHTMOST = {"Comma": 7, "Period": 8, "Slash": 9, "Semicolon": 9, "Apostrophe": 10}


def letters_of(port: KeysPort, keys: frozenset[str]) -> str:
    """What is printed on the computer's keys that finger a shape, from left to right: `D F`."""

    def column(place: str) -> int:
        return next((i for i, letters in enumerate(_COLUMNS) if place in letters), _RIGHTMOST.get(place, -1))

    return " ".join(cap_of(place) for place in sorted(port.layout.places_of(keys), key=column)) or "no finger"


@dataclass(frozen=True, slots=True)
class Movement:
    """From one shape to another. It plays from `began_ns` on, `ROUNDS` times, and rests at its end; where it is stepped
    through, `stood` of `STEPS` steps are done."""

    before_name: str
    before: frozenset[str]
    after_name: str
    after: frozenset[str]
    began_ns: int
    stood: int | None = None

    def playing(self, now_ns: int) -> bool:
        """Whether it moves by itself."""
        return self.stood is None and self._seconds(now_ns) < ROUNDS * (_REST_S + _MOVE_S + _STAY_S)

    def progress(self, now_ns: int) -> float:
        """How far it has come, 0 (the old shape) to 1 (the new one)."""
        if self.stood is not None:
            return self.stood / STEPS
        if not self.playing(now_ns):
            return 1.0
        at_s = self._seconds(now_ns) % (_REST_S + _MOVE_S + _STAY_S)
        return min(1.0, max(0.0, (at_s - _REST_S) / _MOVE_S))

    def _seconds(self, now_ns: int) -> float:
        return max(0, now_ns - self.began_ns) / NS_PER_S


class Horns:
    """Draws horns of one instrument and keeps the pictures of the last ones."""

    KEPT = 24

    def __init__(self, chart: Chart) -> None:
        self.chart = chart
        self._kept: OrderedDict[tuple[tuple[int, int], frozenset[str], frozenset[str]], pygame.Surface] = OrderedDict()

    def draw(self, target: pygame.Surface, rect: pygame.Rect, held: frozenset[str], coming: frozenset[str]) -> None:
        """What stays, goes down and comes up, as the stand draws it."""
        key = (rect.size, held, coming)
        if key not in self._kept:
            picture = pygame.Surface(rect.size, pygame.SRCALPHA, 32)
            picture.fill((*HornInk().paper, 0))
            draw_horn(picture, picture.get_rect(), self.chart, held, coming, str(fonts.TEXT_REGULAR))
            self._kept[key] = picture
            if len(self._kept) > self.KEPT:
                self._kept.popitem(last=False)
        self._kept.move_to_end(key)
        target.blit(self._kept[key], rect)

    def draw_moving(
        self, target: pygame.Surface, rect: pygame.Rect, before: frozenset[str], after: frozenset[str], progress: float
    ) -> None:
        """The horn between two shapes, `progress` 0 to 1."""
        if progress <= 0 or before == after:
            self.draw(target, rect, before, before)
            return
        self.draw(target, rect, before, after)
        if progress >= 1:
            return
        ink = HornInk()
        boxes = horn_layout(self.chart, rect)
        for key in self.chart.keys:
            what = condition(key.name, before, after)
            if what in ("down", "up"):
                _draw_filling(target, boxes[key.name], key.shape, progress if what == "down" else 1 - progress, ink)


def _draw_filling(target: pygame.Surface, box: pygame.Rect, shape: str, share: float, ink: HornInk) -> None:
    """A key filled to a share from its middle, over the picture of the finished change."""
    k = _OVERSAMPLE
    big = pygame.Surface((box.width * k, box.height * k), pygame.SRCALPHA, 32)
    whole = big.get_rect()
    rounding = 0.34 if shape == "bar" else 0.5
    _plate(big, whole, rounding, ink.ink)
    _plate(big, whole.inflate(-round(k * 2.4), -round(k * 2.4)), rounding, ink.paper)
    inner = pygame.Rect(0, 0, round(whole.width * share), round(whole.height * share))
    inner.center = whole.center
    if min(inner.size) > k:
        _plate(big, inner, rounding, ink.deep)
    target.blit(pygame.transform.smoothscale(big, box.size), box)


def _plate(big: pygame.Surface, box: pygame.Rect, rounding: float, colour: tuple[int, int, int]) -> None:
    pygame.draw.rect(big, colour, box, border_radius=max(1, round(min(box.size) * rounding)))
