"""What is heard of a window, through SDL's own dummy device."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pygame
import pytest
from window.stand_tools import playable

from companion.practice.clock import Click, take_clock
from companion.practice.model import RawEvent
from companion.units import NS_PER_S
from companion.window.sound import Sound

DOWN = RawEvent(0, bytes((0x90, 69, 80)))


@pytest.fixture
def sound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Sound]:
    monkeypatch.setenv("SDL_AUDIODRIVER", "dummy")
    made = Sound(tmp_path, lambda: -9, silent=False)
    yield made
    made.close()


def clicks() -> tuple[Click, ...]:
    """Those of two bars and their count-in."""
    return take_clock(playable(bars=2), 120.0).clicks


def test_the_click_begins_about_now_and_stops(sound: Sound) -> None:
    before_ns = time.perf_counter_ns()
    start_ns = sound.start_click(clicks(), 2.5)
    assert start_ns is not None and before_ns <= start_ns < before_ns + 10 * NS_PER_S
    assert pygame.mixer.get_busy()
    sound.click.stop()
    assert not pygame.mixer.get_busy()


def test_whoever_turns_the_levels_turns_click_and_horn(sound: Sound) -> None:
    sound.start_click(clicks(), 2.5)
    sound.hear([DOWN])
    assert sound.horn.sounding == 69
    sound.levels.turn_click(-0.5)
    sound.levels.turn_tone(-0.75)
    sound.turn()
    playing = [pygame.mixer.Channel(i) for i in range(pygame.mixer.get_num_channels())]
    volumes = {round(c.get_sound().get_volume() * c.get_volume(), 1) for c in playing if c.get_busy()}
    # SDL's mixer counts volumes in 128ths.
    assert volumes == {0.5, 0.2}
    sound.levels.mute_click()
    sound.levels.mute_tone()
    sound.turn()
    assert {round(c.get_sound().get_volume() * c.get_volume(), 1) for c in playing if c.get_busy()} == {0.0}


def test_where_nobody_listens_nothing_sounds_and_no_device_is_opened(tmp_path: Path) -> None:
    pygame.mixer.quit()
    sound = Sound(tmp_path, lambda: -9, silent=True)
    try:
        assert sound.start_click(clicks(), 1.0) is None
        sound.hear([DOWN])
        assert sound.horn.sounding is None and pygame.mixer.get_init() is None
    finally:
        sound.close()
