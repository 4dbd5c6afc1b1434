"""The horn's sound: pitch against ISO 16:1975 (A4 = 440 Hz, equal temperament), loops without a seam, the mixer
followed with SDL's dummy device."""

from __future__ import annotations

from collections.abc import Iterator
from math import log2
from pathlib import Path

import numpy as np
import pytest

from companion.charts import load
from companion.ports.click import CLICK_RATE_HZ, ClickPlayer
from companion.ports.horn_sound import HornSound, loop_samples, render_held
from companion.ports.memory import SoundLevels, recall_sound, remember, remember_sound
from companion.practice.model import RawEvent


@pytest.fixture
def click(monkeypatch: pytest.MonkeyPatch) -> Iterator[ClickPlayer]:
    monkeypatch.setenv("SDL_AUDIODRIVER", "dummy")
    player = ClickPlayer()
    assert player.open(), player.remark
    yield player
    player.close()


def on(number: int) -> RawEvent:
    return RawEvent(0, bytes((0x90, number, 90)))


def off(number: int) -> RawEvent:
    return RawEvent(0, bytes((0x80, number, 0)))


@pytest.mark.parametrize("midi", range(36, 89))
def test_every_note_is_within_a_tenth_of_a_cent(midi: int) -> None:
    samples, cycles = loop_samples(midi)
    hz = cycles * CLICK_RATE_HZ / samples
    assert abs(1200 * log2(hz / (440 * 2 ** ((midi - 69) / 12)))) < 0.1


@pytest.mark.parametrize("midi", [46, 58, 69, 81])
def test_the_spectrum_of_a_held_note_has_its_fundamental_where_iso_16_puts_it(midi: int) -> None:
    held = render_held(midi).astype(float)[CLICK_RATE_HZ : 9 * CLICK_RATE_HZ]
    power = np.abs(np.fft.rfft(held * np.hanning(len(held))))
    hz = np.argmax(power) * CLICK_RATE_HZ / len(held)
    wanted_hz = 440 * 2 ** ((midi - 69) / 12)
    assert abs(hz - wanted_hz) <= CLICK_RATE_HZ / len(held)


@pytest.mark.parametrize("midi", [49, 64, 81])
def test_there_is_no_seam_where_the_loop_begins_again_and_no_crack_at_the_beginning(midi: int) -> None:
    held = render_held(midi).astype(float)
    samples, _ = loop_samples(midi)
    steps = np.abs(np.diff(held))
    within = steps[samples : 2 * samples - 1].max()
    seams = steps[2 * samples - 1 :: samples]
    assert seams.max() <= within
    assert np.abs(held[:3]).max() < 0.01 * np.abs(held).max()
    assert np.abs(held).max() <= 0.16 * 32767 + 1


def test_a_note_too_high_for_the_rate_is_refused() -> None:
    with pytest.raises(ValueError, match="too high"):
        render_held(120)


def test_it_follows_the_last_note_and_is_silent_after_it(click: ClickPlayer) -> None:
    import pygame

    sound = HornSound(click, lambda: -9)
    sound.hear([on(69), on(67), off(69)])
    assert sound.sounding == 67 and pygame.mixer.get_busy()
    sound.hear([off(69)])  # not the one that sounds
    assert sound.sounding == 67
    sound.set_level(0.5, muted=True)
    sound.hear([off(67)])
    assert sound.sounding is None
    for _ in range(200):
        if not pygame.mixer.get_busy():
            break
        pygame.time.wait(10)
    assert not pygame.mixer.get_busy()
    sound.close()


def test_all_notes_of_a_horn_are_prepared_one_after_the_other(click: ClickPlayer) -> None:
    alto = load("alto")
    sound = HornSound(click, lambda: alto.transposition)
    prepared = 0
    while sound.prepare_one(alto):
        prepared += 1
    assert prepared == alto.highest_midi - alto.lowest_midi + 1
    sound.close()


def test_levels_are_kept_beside_the_ports_and_junk_leaves_the_usual_ones(tmp_path: Path) -> None:
    assert recall_sound(tmp_path) == SoundLevels()
    remember("Reed", delay_ms=12, folder=tmp_path)
    levels = SoundLevels(0.4, True, 0.7, False)
    remember_sound(levels, tmp_path)
    assert recall_sound(tmp_path) == levels
    assert remember("Reed", folder=tmp_path).known["Reed"].delay_ms == 12
    assert recall_sound(tmp_path) == levels
    for junk in ('[sound]\nclick = 7\ntone = "loud"\ntone_muted = 1\n', "sound = 3\n", "[sound"):
        (tmp_path / "settings.toml").write_text(junk, encoding="utf-8")
        assert recall_sound(tmp_path) == SoundLevels()
