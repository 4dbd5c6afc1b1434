"""A sheet of paper alone on the desk, as the pages have it that are no stand, and the foot below it."""

from __future__ import annotations

from collections.abc import Sequence

import pygame

from companion.window.display import scale_of
from companion.window.theme import Ink, Type, wrap

__all__ = ["draw_keys", "draw_said", "foot_in", "foot_px", "lay_sheet", "sheet_in"]


def foot_px(scale: float) -> int:
    """Height of the line of keys at the foot."""
    return max(34, round(44 * scale))


def sheet_in(size: tuple[int, int], width: float) -> pygame.Rect:
    """The sheet in a window of this size, `width` wide at 1280x720, above the foot."""
    u = scale_of(size)
    margin = round(16 * u)
    sheet = pygame.Rect(0, margin, min(size[0] - 2 * margin, round(width * u)), size[1] - foot_px(u) - 2 * margin)
    sheet.centerx = size[0] // 2
    return sheet


def lay_sheet(target: pygame.Surface, sheet: pygame.Rect, scale: float) -> None:
    """The paper with its shadow."""
    pygame.draw.rect(target, Ink.PAPER_EDGE, sheet.move(round(4 * scale), round(4 * scale)))
    pygame.draw.rect(target, Ink.PAPER, sheet, border_radius=3)


def foot_in(size: tuple[int, int]) -> pygame.Rect:
    """The line below the sheet in a window of this size."""
    u, (width, height) = scale_of(size), size
    return pygame.Rect(20, height - foot_px(u) - round(10 * u), width - 40, foot_px(u))


def draw_said(target: pygame.Surface, type_: Type, area: pygame.Rect, words: str) -> None:
    """What is to be said in the foot, in place of the keys: on two lines where it is long."""
    if len(wrap(words, type_.font(14), area.width)) > 1:
        type_.paragraph(target, words, area, 13, "regular", Ink.DESK_TEXT, "center", max_lines=2)
    else:
        type_.draw(target, words, (area.centerx, _middle(area, type_)), 14, "regular", Ink.DESK_TEXT, "center")


def draw_keys(
    target: pygame.Surface, type_: Type, area: pygame.Rect, keys: Sequence[tuple[str, str]]
) -> list[tuple[pygame.Rect, str]]:
    """The keys in the foot, each with what a click on it does (nothing where that is empty); returns where those are
    that can be clicked."""
    dot, middle, places = "   ·   ", _middle(area, type_), []
    x = area.centerx - type_.width(dot.join(text for _, text in keys), 14) // 2
    for number, (what, text) in enumerate(keys):
        if number:
            x = type_.draw(target, dot, (x, middle), 14, "regular", Ink.DESK_FAINT, "midleft").right
        place = type_.draw(target, text, (x, middle), 14, "regular", Ink.DESK_FAINT, "midleft")
        x = place.right
        if what:
            places.append((place.inflate(10, round(16 * type_.scale)), what))
    return places


def _middle(area: pygame.Rect, type_: Type) -> int:
    return area.centery + round(6 * type_.scale)
