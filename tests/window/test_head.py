"""The line over the music: what it tells of the take, and that it fits."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pygame
import pytest
from window.stand_tools import make_setup, playable

from companion.units import NS_PER_S, ns_from_s
from companion.window.head import Beat, HeadShown, beat_now, draw_head, head_of
from companion.window.layout import layout
from companion.window.run import Run
from companion.window.stepped_clock import SteppedClock
from companion.window.theme import Ink, Type

PASSAGE = playable(bars=4)


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Run]:
    made = Run(make_setup(PASSAGE, tmp_path), SteppedClock())
    yield made
    made.close()


def step(run: Run, seconds: float) -> Beat | None:
    """The beat after so much time."""
    assert isinstance(run.clock, SteppedClock)
    run.clock.step(ns_from_s(seconds))
    run.update()
    return beat_now(run)


def test_the_beat_is_that_of_the_click_from_the_count_in_on(run: Run) -> None:
    assert beat_now(run) is None
    run.start()
    beats = run.rehearsal.clock().clicks[0].of_beats
    assert beat_now(run) == Beat(0, beats, True), "the first click is still to come"
    begin_ns, first = run.count_in[0]
    assert step(run, (begin_ns - run.clock()) / NS_PER_S + 0.01) == Beat(first.beat_in_bar, beats, True)
    while run.rehearsal.state == "count-in":
        step(run, 0.05)
    # From there on as the take's clock has it, beat by beat.
    seen = [beat_now(run)]
    while run.rehearsal.state == "playing":
        if (beat := step(run, 0.05)) != seen[-1] and beat is not None:
            seen.append(beat)
    played = [Beat(c.beat_in_bar, c.of_beats, False) for c in run.rehearsal.clock().clicks if not c.count_in]
    assert [beat for beat in seen if beat is not None and not beat.count_in] == played
    assert beat_now(run) is None


def test_the_title_names_the_bars_where_not_all_are_played(run: Run) -> None:
    whole = head_of(run)
    assert whole.title == PASSAGE.title and whole.horn == "alto saxophone" and whole.tempo_bpm == 60
    run.rehearsal.choose_bars(1, 2)
    assert head_of(run).title == f"{PASSAGE.title}, bars 2–3"
    run.rehearsal.choose_bars(1, 1)
    assert head_of(run).title == f"{PASSAGE.title}, bar 2"
    run.step_tempo(1)
    assert head_of(run).tempo_bpm == 64


@pytest.mark.parametrize("size", [(1024, 640), (1280, 720), (3840, 2160)])
@pytest.mark.parametrize("beat", [None, Beat(0, 4, True), Beat(3, 4, True), Beat(1, 4, False), Beat(7, 12, False)])
def test_nothing_lies_over_anything_else_however_long_the_title(size: tuple[int, int], beat: Beat | None) -> None:
    pygame.init()
    place = layout(*size)
    target, plain = pygame.Surface(size), pygame.Surface(size)
    type_ = Type(place.scale)
    bar = replace(PASSAGE.bars[0], beats=6, beat_type=8)
    title = "A title of so many words that no line can hold it, " * 3
    shown = HeadShown(title, "baritone saxophone", bar, 174, beat)
    for surface, what in ((target, shown), (plain, replace(shown, title="", beat=None))):
        surface.fill(Ink.DESK)
        places = draw_head(surface, place, type_, what)
    assert place.page_head.contains(places.horn) and places.horn.right < places.tempo.left
    assert places.tempo.right <= place.page_head.right
    # Neither title nor beat reaches horn and tempo.
    right = pygame.Rect(places.horn.left, 0, places.tempo.right - places.horn.left, place.page_head.bottom)
    assert pygame.image.tobytes(target.subsurface(right), "RGB") == pygame.image.tobytes(plain.subsurface(right), "RGB")
