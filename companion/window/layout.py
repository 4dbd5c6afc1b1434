"""Where everything stands, as data: one function from the window's size to rectangles. Nothing is drawn here."""

from __future__ import annotations

from dataclasses import dataclass

import pygame

from companion.passage import Passage

__all__ = ["SMALLEST", "Layout", "layout", "no_smaller", "staff_px_for"]

#: Below this the stand is not laid out: the window is kept at least this large.
SMALLEST = (1024, 640)


@dataclass(frozen=True, slots=True)
class Layout:
    """All places in pixels. `scale` is 1 at 1280x720. `music` is the part of the page that the systems stand in."""

    width_px: int
    height_px: int
    scale: float
    horn: pygame.Rect
    horn_name: pygame.Rect
    horn_reason: pygame.Rect
    horn_keys: pygame.Rect
    horn_then: pygame.Rect
    page: pygame.Rect
    page_head: pygame.Rect
    music: pygame.Rect
    advice: pygame.Rect
    ladder: pygame.Rect
    rungs: pygame.Rect
    ladder_rule: pygame.Rect
    foot: pygame.Rect
    staff_px: float


def no_smaller(size: tuple[int, int]) -> tuple[int, int]:
    """The window's size, at least the smallest that is laid out."""
    return max(size[0], SMALLEST[0]), max(size[1], SMALLEST[1])


def staff_px_for(place: Layout, passage: Passage) -> float:
    """Height of a staff: larger where the passage is short enough to leave the page empty."""
    bars = len({bar.written_index for bar in passage.bars})
    amount = len({note.source for note in passage.notes}) + 3 * bars
    return place.staff_px * (1.5 if amount <= 80 else 1.25 if amount <= 170 else 1.0)


def layout(width_px: int, height_px: int) -> Layout:
    """Lay out the stand for a window of this size."""
    scale = min(width_px / 1280, height_px / 720)
    u = scale
    gap, margin = round(11 * u), round(14 * u)
    foot_height = max(34, round(46 * u))
    top, bottom = margin, height_px - foot_height - margin // 2
    horn_width = max(224, round(min(width_px * 0.2, 250 * u)))
    ladder_width = max(150, round(min(width_px * 0.14, 172 * u)))
    horn = pygame.Rect(margin, top, horn_width, bottom - top)
    ladder = pygame.Rect(width_px - margin - ladder_width, top, ladder_width, bottom - top)
    page = pygame.Rect(horn.right + gap, top, ladder.left - horn.right - 2 * gap, bottom - top)

    pad = round(12 * u)
    name = pygame.Rect(horn.x + pad, horn.y + pad, horn.width - 2 * pad, max(26, round(30 * u)))
    reason = pygame.Rect(name.x, name.bottom, name.width, max(48, round(56 * u)))
    then_height = max(128, round(horn.height * 0.2))
    then = pygame.Rect(name.x, horn.bottom - pad // 2 - then_height, name.width, then_height)
    keys = pygame.Rect(horn.x + pad // 2, reason.bottom, horn.width - pad, then.top - reason.bottom)

    side = round(22 * u)
    head = pygame.Rect(page.x + side, page.y + pad // 2, page.width - 2 * side, max(36, round(44 * u)))
    advice_height = max(42, round(50 * u))
    advice = pygame.Rect(page.x + side, page.bottom - advice_height - pad // 2, page.width - 2 * side, advice_height)
    music = pygame.Rect(page.x + side, head.bottom, page.width - 2 * side, advice.top - head.bottom)

    rule_height = max(118, round(126 * u))
    rule = pygame.Rect(ladder.x + pad // 2, ladder.bottom - rule_height - pad // 2, ladder.width - pad, rule_height)
    rungs_top = ladder.y + max(50, round(54 * u))
    rungs = pygame.Rect(ladder.x, rungs_top, ladder.width, rule.top - rungs_top - round(6 * u))
    foot = pygame.Rect(margin, height_px - foot_height, width_px - 2 * margin, foot_height)
    return Layout(
        width_px, height_px, scale, horn, name, reason, keys, then, page, head, music, advice, ladder, rungs, rule,
        foot,
        staff_px=max(25.0, 30.0 * u),
    )  # fmt: skip
