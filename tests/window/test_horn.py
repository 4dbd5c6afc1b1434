"""The horn: its layout as data, and that greyscale tells every condition of a key from the others."""

from __future__ import annotations

import itertools
import time

import pygame
import pytest

from companion import charts
from companion.charts.model import Chart
from companion.engraving import fonts
from companion.window import horn, keycap
from companion.window.horn import condition, draw_horn, draw_horn_small, horn_layout, label_layout, label_size_px
from companion.window.keycap import RING_UNITS, Condition, HornInk

FONT = str(fonts.TEXT_REGULAR)
SIZES = [(200, 420), (214, 370), (238, 440), (320, 600), (400, 1000), (560, 1000), (700, 1900)]
CONDITIONS: tuple[Condition, ...] = ("idle", "stay", "down", "up")
INK = HornInk()


@pytest.fixture(params=["alto", "baritone"])
def chart(request: pytest.FixtureRequest) -> Chart:
    return charts.load(request.param)


def rect_of(size: tuple[int, int]) -> pygame.Rect:
    return pygame.Rect((17, 31), size)


@pytest.mark.parametrize("size", SIZES)
def test_every_key_has_its_place_with_room_for_its_ring(chart: Chart, size: tuple[int, int]) -> None:
    rect = rect_of(size)
    placed = horn_layout(chart, rect)
    assert set(placed) == {key.name for key in chart.keys}
    scale = min(size[0] / 100, size[1] / 200)
    ring = int(scale * RING_UNITS)
    for name, box in placed.items():
        assert rect.contains(box), name
    for (one, a), (other, b) in itertools.combinations(placed.items(), 2):
        if chart.key(one).shape != "bar" and chart.key(other).shape != "bar":
            apart = pygame.math.Vector2(a.center).distance_to(b.center) - (a.width + b.width) / 2
            assert apart > ring, (one, other)
        else:
            assert not a.inflate(2 * ring, 2 * ring).colliderect(b), (one, other)


@pytest.mark.parametrize("size", SIZES)
def test_labels_touch_neither_keys_nor_one_another(chart: Chart, size: tuple[int, int]) -> None:
    rect = rect_of(size)
    keys, labels = horn_layout(chart, rect), label_layout(chart, rect, FONT)
    assert set(labels) == {key.name for key in chart.keys if key.label}
    assert label_size_px(rect) >= 12
    for name, text in labels.items():
        assert rect.contains(text), name
        # A letter fills about two thirds of its line's height; the rest is air.
        ink = text.inflate(0, -round(text.height * 0.3))
        assert [other for other, box in keys.items() if ink.colliderect(box)] == [], name
    for (one, a), (other, b) in itertools.combinations(labels.items(), 2):
        assert not a.inflate(0, -4).colliderect(b.inflate(0, -4)), (one, other)


def test_the_hands_are_apart_and_in_order(chart: Chart) -> None:
    placed = horn_layout(chart, rect_of((238, 440)))
    tops = [placed[name].centery for name in ("front_f", "l1", "l2", "l3", "r1", "r2", "r3", "e_flat", "low_c")]
    assert tops == sorted(tops)
    left = max(placed[key.name].bottom for key in chart.keys if key.hand == "left")
    right = min(placed[key.name].top for key in chart.keys if key.hand == "right")
    assert right - left > 15
    assert placed["octave"].right < placed["l1"].left and placed["side_b_flat"].right < placed["r3"].left
    assert all(placed[name].left > placed["l3"].right for name in ("g_sharp", "low_b", "palm_d", "chromatic_f_sharp"))
    pearls = {placed[name].size for name in ("l1", "l2", "l3", "r1", "r2", "r3")}
    assert len(pearls) == 1 and min(pearls)[0] >= 36


def test_a_panel_too_small_for_words_has_none() -> None:
    assert label_layout(charts.load("alto"), rect_of((90, 122)), FONT) == {}


def test_conditions_of_a_key() -> None:
    held, coming = frozenset({"l1", "l2"}), frozenset({"l1", "r1"})
    assert [condition(name, held, coming) for name in ("l1", "r1", "l2", "r2")] == ["stay", "down", "up", "idle"]


def grey(cap: pygame.Surface, x: int, y: int) -> float:
    page = pygame.Surface(cap.get_size())
    page.fill(INK.paper)
    page.blit(cap, (0, 0))
    r, g, b, _ = page.get_at((x, y))
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


@pytest.mark.parametrize(
    ("width", "height", "shape"), [(36, 36, "round"), (17, 29, "bar"), (52, 16, "bar"), (16, 16, "touch")]
)
def test_greyscale_tells_the_conditions_apart(width: int, height: int, shape: str) -> None:
    caps = {c: keycap.keycap(width, height, shape, c, 2.15, INK) for c in CONDITIONS}
    x, y = caps["stay"].get_rect().center
    middle = {c: grey(cap, x, y) for c, cap in caps.items()}
    beside_arrow = {c: grey(cap, x, y - round(height * 0.4)) for c, cap in caps.items()}
    # Filled or not: at the key's upper end, where no arrow is.
    assert beside_arrow["stay"] < 60 and beside_arrow["down"] < 80
    # The arrow is light on a key that goes down and dark on one that comes up; one that stays or is idle has none.
    assert middle["down"] > 200 and middle["stay"] < 60 and middle["up"] < 110 and middle["idle"] > 200
    # The ring lies outside of the key, where the others are paper.
    margin = (caps["down"].get_width() - width) // 2
    at_ring = margin - round(2.15 * 1.05)
    assert grey(caps["down"], at_ring, y) < 130
    assert all(grey(caps[c], at_ring, y) > 220 for c in ("idle", "stay", "up"))


def test_a_dashed_outline_has_gaps_all_round() -> None:
    cap = keycap.keycap(120, 120, "round", "up", 7.0, INK)
    cx, cy = cap.get_rect().center
    ring = [pygame.math.Vector2(57, 0).rotate(angle) for angle in range(0, 360, 2)]
    dark = [grey(cap, round(cx + v.x), round(cy + v.y)) < 150 for v in ring]
    assert 0.3 < sum(dark) / len(dark) < 0.8
    assert sum(a != b for a, b in itertools.pairwise(dark)) >= 12


def test_a_drawing_stays_in_its_place_and_shows_the_change(chart: Chart) -> None:
    surface = pygame.Surface((400, 500))
    surface.fill(INK.paper)
    rect = pygame.Rect(60, 40, 238, 440)
    held, coming = chart.standard(69).keys, frozenset({"l1", "l2", "side_b_flat"})
    draw_horn(surface, rect, chart, held, coming, FONT)
    outside = surface.copy()
    outside.fill(INK.paper, rect)
    assert all(outside.get_at((x, y))[:3] == INK.paper for x in range(0, 400, 3) for y in range(0, 500, 3))
    boxes = horn_layout(chart, rect)
    assert surface.get_at(boxes["l1"].center)[:3] == INK.ink
    assert surface.get_at(boxes["side_b_flat"].center)[:3] == INK.paper  # its arrow
    assert surface.get_at((boxes["side_b_flat"].centerx, boxes["side_b_flat"].top + 4))[:3] == INK.deep
    assert surface.get_at((boxes["r1"].centerx + 9, boxes["r1"].centery))[:3] == INK.paper


def test_the_small_horn_shows_one_shape() -> None:
    chart, surface = charts.load("alto"), pygame.Surface((90, 122))
    surface.fill(INK.paper)
    rect = surface.get_rect()
    draw_horn_small(surface, rect, chart, chart.standard(72).keys)
    boxes = horn_layout(chart, rect)
    assert surface.get_at(boxes["l2"].center)[:3] == INK.ink
    assert all(surface.get_at((boxes[n].centerx + 1, boxes[n].centery))[:3] == INK.paper for n in ("l1", "l3", "r1"))


def test_drawing_is_quick_enough_for_a_frame() -> None:
    """Budgets: 15 ms for a first drawing at 400x1000, 1 ms for one that is kept; processor time, doubled for a busy
    machine."""
    chart, surface = charts.load("alto"), pygame.Surface((400, 1000))
    held, coming = chart.standard(73).keys, chart.standard(75).keys
    label_layout(chart, surface.get_rect(), FONT)
    keycap.keycap.cache_clear()
    horn._panel.cache_clear()
    start = time.process_time()
    draw_horn(surface, surface.get_rect(), chart, held, coming, FONT)
    first_s = time.process_time() - start
    start = time.process_time()
    for _ in range(20):
        draw_horn(surface, surface.get_rect(), chart, held, coming, FONT)
    kept_s = (time.process_time() - start) / 20
    assert first_s < 0.030 and kept_s < 0.002
