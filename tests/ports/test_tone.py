"""The replay's tone: pitch against ISO 16:1975 (A4 = 440 Hz) and equal temperament, level, and no cracks."""

from __future__ import annotations

import numpy as np
import pytest

from companion.ports.click import CLICK_RATE_HZ, ClickPlayer
from companion.ports.tone import REED, SOFT, TONE_LEVEL, Tone, TonePlayer, can_sound, frequency_hz, render_tones


def _peak_hz(samples: np.ndarray, rate_hz: int) -> float:
    """The strongest frequency, between two lines of the spectrum by a parabola through their logarithms."""
    windowed = samples * np.hanning(len(samples))
    lines = np.abs(np.fft.rfft(windowed, 8 * len(samples)))
    at = int(lines.argmax())
    left, middle, right = np.log(lines[at - 1 : at + 2])
    return float((at + 0.5 * (left - right) / (left - 2 * middle + right)) * rate_hz / (8 * len(samples)))


def test_a4_is_440_hz_and_an_octave_doubles() -> None:
    assert frequency_hz(69) == 440.0
    assert frequency_hz(81) == pytest.approx(880.0) and frequency_hz(57) == pytest.approx(220.0)
    # C4 in equal temperament to A4 = 440 Hz is 261.626 Hz (from memory, every table of frequencies has it).
    assert frequency_hz(60) == pytest.approx(261.6256, abs=1e-4)


@pytest.mark.parametrize("falloff", [REED, SOFT])
@pytest.mark.parametrize("midi", [36, 49, 58, 69, 81, 88])
def test_the_strongest_frequency_is_within_a_cent(midi: int, falloff: float) -> None:
    tone = render_tones([Tone(0.0, 2.0, midi, falloff)]).astype(float)
    cents = 1200 * np.log2(_peak_hz(tone[4000:-4000], CLICK_RATE_HZ) / (440.0 * 2 ** ((midi - 69) / 12)))
    assert abs(cents) < 1.0


@pytest.mark.parametrize("midi", [36, 49, 58])
def test_a_low_note_has_its_harmonics_and_no_buzz(midi: int) -> None:
    """The second to the fifth harmonic make it a reed; what lies above 3 kHz makes it a buzzer."""
    tone = render_tones([Tone(0.0, 2.0, midi)]).astype(float)[4000:-4000]
    spectrum = np.abs(np.fft.rfft(tone * np.hanning(len(tone))))
    hz = np.fft.rfftfreq(len(tone), 1 / CLICK_RATE_HZ)

    def level_db(low_hz: float, high_hz: float) -> float:
        return float(20 * np.log10(spectrum[(hz > low_hz) & (hz < high_hz)].max() / spectrum.max()))

    first = frequency_hz(midi)
    assert all(level_db((n - 0.3) * first, (n + 0.3) * first) > -20 for n in range(2, 6))
    assert level_db(3000, 8000) < -40


def test_the_harmonics_end_below_what_the_rate_can_carry() -> None:
    tone = render_tones([Tone(0.0, 2.0, 88)]).astype(float)
    spectrum = np.abs(np.fft.rfft(tone * np.hanning(len(tone))))
    hz = np.fft.rfftfreq(len(tone), 1 / CLICK_RATE_HZ)
    fundamental = frequency_hz(88)
    off_harmonics = np.abs(hz / fundamental - np.round(hz / fundamental)) * fundamental > 30
    assert spectrum[off_harmonics].max() < spectrum.max() * 10 ** (-60 / 20), "something is folded back"


def test_notes_begin_and_end_without_a_crack_and_never_clip() -> None:
    tones = [Tone(0.1 * i, 0.13, 60 + (7 * i) % 20, REED if i % 2 else SOFT) for i in range(40)]
    buffer = render_tones(tones).astype(float)
    assert np.abs(buffer).max() < 32767
    assert abs(buffer[0]) < 40 and abs(buffer[-1]) < 40
    # The steepest that tones of this level and pitch can be: all their harmonics at their steepest at once.
    steepest = 2 * np.pi * frequency_hz(80) / CLICK_RATE_HZ * sum(n ** (1 - REED) for n in range(1, 9))
    assert np.abs(np.diff(buffer)).max() < 2 * TONE_LEVEL * 32767 * steepest
    alone = render_tones([Tone(0.0, 0.5, 69)]).astype(float)
    assert np.abs(alone).max() == pytest.approx(TONE_LEVEL * 32767, rel=0.03)
    assert np.abs(alone[: round(0.001 * CLICK_RATE_HZ)]).max() < 0.02 * np.abs(alone).max()


def test_a_heap_of_notes_is_softer_as_a_whole_instead_of_clipped() -> None:
    heap = render_tones([Tone(0.0, 0.5, 60) for _ in range(30)]).astype(float)
    one = render_tones([Tone(0.0, 0.5, 60)]).astype(float)
    assert np.abs(heap).max() <= 32767
    scale = np.abs(heap).max() / np.abs(one).max()
    assert np.allclose(heap, one * scale, atol=scale + 1), "the wave is bent"


def test_a_note_begins_at_its_sample() -> None:
    buffer = render_tones([Tone(0.25, 0.2, 72)], lead_s=0.5)
    start = round(0.75 * CLICK_RATE_HZ)
    assert not buffer[:start].any() and buffer[start : start + 200].any()
    assert not len(render_tones([]))


def test_what_cannot_be_sounded_is_said() -> None:
    assert can_sound(100) and not can_sound(127)
    with pytest.raises(ValueError, match="too high"):
        render_tones([Tone(0.0, 0.1, 127)])
    with pytest.raises(ValueError, match="lead_s"):
        render_tones([Tone(-0.1, 0.1, 60)])


def test_the_player_sounds_beside_the_click_with_a_mute_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SDL_AUDIODRIVER", "dummy")
    click = ClickPlayer()
    player = TonePlayer(click)
    buffer = render_tones([Tone(0.0, 0.3, 69)])
    assert player.start(buffer)
    sound = player._sound
    assert sound.get_num_channels() == 1 and sound.get_length() == pytest.approx(len(buffer) / CLICK_RATE_HZ, abs=1e-3)
    click.set_muted(True)
    assert sound.get_volume() == 1.0
    player.set_muted(True)
    assert sound.get_volume() == 0.0
    player.stop()
    assert sound.get_num_channels() == 0
    click.close()


def test_without_a_device_the_replay_is_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    click = ClickPlayer()
    monkeypatch.setattr(click, "open", lambda: False)
    assert not TonePlayer(click).start(render_tones([Tone(0.0, 0.1, 69)]))
