"""The strip of early and late under a staff, as data: what it says is what was played."""

from __future__ import annotations

from math import inf

import pygame
import pytest

from companion.window.strip import (
    LEAST_REACH_MS,
    MOST_REACH_MS,
    StripNote,
    strip_of,
    strip_px,
    strip_shapes,
)

BOX = pygame.Rect(100, 200, 800, 46)


def _head(i: int) -> pygame.Rect:
    return pygame.Rect(180 + 40 * i, 150, 12, 10)


def _shapes(*offs_ms: float | None, reach_ms: float = 100.0, limit_ms: float = 30.0):  # type: ignore[no-untyped-def]
    notes = [(StripNote(i, off_ms, limit_ms, limit_ms), _head(i)) for i, off_ms in enumerate(offs_ms)]
    return strip_shapes(notes, BOX, reach_ms)


def test_early_rises_late_hangs_as_far_as_it_was_off() -> None:
    shapes = _shapes(-50.0, 0.0, 25.0)
    half = BOX.height / 2 - 3
    assert [stroke.y - shapes.y for stroke in shapes.strokes] == pytest.approx([-half / 2, 0.0, half / 4])
    assert [stroke.x for stroke in shapes.strokes] == [_head(i).centerx for i in range(3)]
    assert shapes.y == BOX.centery and shapes.line == ((BOX.left, BOX.right),)


def test_what_is_beyond_the_strip_is_held_at_its_edge_and_marked() -> None:
    shapes = _shapes(-400.0, 99.0, 5000.0)
    assert [stroke.beyond for stroke in shapes.strokes] == [True, False, True]
    assert all(BOX.top < stroke.y < BOX.bottom for stroke in shapes.strokes)


def test_a_wrong_or_left_out_note_is_a_gap_in_the_line_and_no_stroke() -> None:
    shapes = _shapes(0.0, None, 0.0)
    assert len(shapes.strokes) == 2
    (left, gap_left), (gap_right, right) = shapes.line
    assert gap_left < _head(1).centerx < gap_right
    assert (left, right) == (BOX.left, BOX.right)


def test_the_band_is_what_is_on_time_and_stays_inside() -> None:
    shapes = _shapes(0.0, 0.0, limit_ms=30.0, reach_ms=100.0)
    half = BOX.height / 2 - 3
    for band in shapes.bands:
        assert band.top == pytest.approx(BOX.centery - 0.3 * half, abs=1) and BOX.contains(band)
        assert band.bottom == pytest.approx(BOX.centery + 0.3 * half, abs=1)
    assert not any(a.colliderect(b) for a in shapes.bands for b in shapes.bands if a is not b)
    wide = _shapes(0.0, limit_ms=5000.0)
    assert all(BOX.contains(band) for band in wide.bands)


def test_a_grace_note_has_no_band() -> None:
    shapes = strip_shapes([(StripNote(0, 10.0, inf, inf), _head(0))], BOX, 100.0)
    assert not shapes.bands and len(shapes.strokes) == 1


def test_a_note_printed_once_and_played_twice_has_two_strokes_side_by_side() -> None:
    notes = [(StripNote(0, -20.0, 30, 30), _head(0)), (StripNote(9, 20.0, 30, 30), _head(0))]
    first, second = strip_shapes(notes, BOX, 100.0).strokes
    assert first.x < second.x < _head(1).left and first.y < BOX.centery < second.y


def test_the_reach_follows_what_is_on_time() -> None:
    def reach(limit_ms: float) -> float:
        return strip_of([StripNote(0, 0.0, limit_ms, limit_ms)]).reach_ms

    assert reach(30.0) == 75.0 and reach(60.0) == 150.0
    assert reach(1.0) == LEAST_REACH_MS and reach(500.0) == MOST_REACH_MS
    assert strip_of([]).reach_ms == strip_of([StripNote(0, None, inf, inf)]).reach_ms == LEAST_REACH_MS


def test_two_lines_of_text_have_room() -> None:
    assert strip_px(24.0) >= 2 * 14
    assert strip_px(64.0) > strip_px(32.0)


def test_the_players_own_beat_is_a_broken_line_with_the_same_gaps() -> None:
    offs = [(0, 0.0, False), (1, 10.0, True), (2, None, True), (3, 5.0, True), (4, 0.0, False)]
    notes = [(StripNote(i, off_ms, 30, 30, own), _head(i)) for i, off_ms, own in offs]
    shapes = strip_shapes(notes, BOX, 100.0)
    assert len(shapes.line) == 2 and len(shapes.own) == 2
    assert shapes.line[0][1] == shapes.own[0][0] and shapes.own[1][1] == shapes.line[1][0]
    assert shapes.own[0][1] < _head(2).centerx < shapes.own[1][0]
