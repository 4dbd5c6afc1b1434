"""The layout as data, at the sizes a stand is used at."""

from __future__ import annotations

from itertools import combinations

import pygame
import pytest

from companion.window.layout import layout

SIZES = [(1024, 640), (1280, 720), (1366, 768), (1920, 1080), (2560, 1080), (1200, 1600), (3840, 2160)]


@pytest.mark.parametrize("size", SIZES)
def test_everything_is_inside_the_window_and_nothing_overlaps(size: tuple[int, int]) -> None:
    place = layout(*size)
    window = pygame.Rect(0, 0, *size)
    parts = {
        name: getattr(place, name)
        for name in ("horn_name", "horn_reason", "horn_keys", "horn_then", "page_head", "music", "advice", "rungs",
                     "ladder_rule", "foot")
    }  # fmt: skip
    for name, box in parts.items():
        assert window.contains(box), name
        assert box.width > 20 and box.height > 20, name
    for (a, box_a), (b, box_b) in combinations(parts.items(), 2):
        assert not box_a.colliderect(box_b), (a, b)


@pytest.mark.parametrize("size", SIZES)
def test_panels_hold_their_parts(size: tuple[int, int]) -> None:
    place = layout(*size)
    for part in (place.horn_name, place.horn_reason, place.horn_keys, place.horn_then):
        assert place.horn.contains(part)
    for part in (place.page_head, place.music, place.advice):
        assert place.page.contains(part)
    for part in (place.rungs, place.ladder_rule):
        assert place.ladder.contains(part)


@pytest.mark.parametrize("size", SIZES)
def test_the_music_gets_the_most_room_and_three_systems_fit(size: tuple[int, int]) -> None:
    place = layout(*size)
    assert place.page.width > place.horn.width + place.ladder.width
    assert place.music.height > 3 * 3 * place.staff_px
