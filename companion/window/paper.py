"""A sheet of paper alone on the desk, as the pages have it that are no stand."""

from __future__ import annotations

import pygame

from companion.window.display import scale_of
from companion.window.theme import Ink

__all__ = ["foot_px", "lay_sheet", "sheet_in"]


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
