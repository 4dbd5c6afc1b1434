"""A plain tone for hearing a take again: notes rendered with numpy into one buffer, as the click is.

The tone is built from the harmonics of a conical reed pipe, all of them, each weaker than the one below, and much
weaker above the frequency at which a horn's open tone holes stop throwing sound back into it: without that a low note
buzzes (from memory: no horn is imitated closely). Pitch is that of ISO 16:1975, A4 =
440 Hz, in equal temperament.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from companion.arrays import Floats, Samples
from companion.ports.click import CLICK_RATE_HZ, ClickPlayer

__all__ = ["REED", "SOFT", "Tone", "TonePlayer", "can_sound", "frequency_hz", "one_cycle", "render_tones"]

A4_HZ, A4_MIDI = 440.0, 69
#: Moderate: two tones at once, each with another's end under its beginning, stay below full scale.
TONE_LEVEL = 0.16
#: A note swells and dies away in this time, so that it begins and ends without a crack.
_ATTACK_S, _RELEASE_S = 0.018, 0.03
#: Harmonics above this share of the rate would fold back as other tones.
_HIGHEST_SHARE = 0.42
_TABLE = 2048
#: Above this frequency the harmonics fall by another 12 dB an octave (from memory: around 1 kHz on an alto).
_CUTOFF_HZ = 1_100.0
#: How fast the harmonics fall: the reed for what was played, a softer tone for what is written.
REED, SOFT = 1.15, 2.6


class Tone(NamedTuple):
    """A note from `time_s` for `life_s`, at a *sounding* MIDI number."""

    time_s: float
    life_s: float
    sounding_midi: float
    falloff: float = REED


def frequency_hz(sounding_midi: float) -> float:
    """Frequency of a MIDI number in equal temperament (A4 = 440 Hz, ISO 16:1975)."""
    return float(A4_HZ * 2 ** ((sounding_midi - A4_MIDI) / 12))


def can_sound(sounding_midi: float, rate_hz: int = CLICK_RATE_HZ) -> bool:
    """Whether a buffer of this rate can carry the note."""
    return frequency_hz(sounding_midi) <= _HIGHEST_SHARE * rate_hz


@lru_cache(maxsize=256)
def _cycle(harmonics: int, falloff: float, hz: float) -> Floats:
    """One cycle of the tone of a note [shape=(n + 1,)], peak 1, its last sample equal to its first."""
    phase = np.arange(_TABLE + 1) * (2 * np.pi / _TABLE)
    numbers = np.arange(1, harmonics + 1)
    weights = numbers**-falloff / np.sqrt(1 + (numbers * hz / _CUTOFF_HZ) ** 4)
    wave = np.sin(np.outer(phase, numbers)) @ weights
    return np.asarray(wave / np.abs(wave).max())


def one_cycle(phase: Floats, hz: float, rate_hz: int, falloff: float = REED) -> Floats:
    """The tone at these phases, counted in cycles: peak at most 1, with the harmonics that the rate can carry."""
    harmonics = max(1, min(24, int(_HIGHEST_SHARE * rate_hz / hz)))
    place = phase % 1.0 * _TABLE
    below = place.astype(np.int64)
    table = _cycle(harmonics, falloff, hz)
    return np.asarray(table[below] + (place - below) * (table[below + 1] - table[below]))


def _one(tone: Tone, rate_hz: int) -> Floats:
    """One note, peak at most 1, silent at both ends."""
    hz = frequency_hz(tone.sounding_midi)
    count = max(2, round((max(tone.life_s, _ATTACK_S) + _RELEASE_S) * rate_hz))
    time_s = np.arange(count) / rate_hz
    wave = one_cycle(hz * time_s, hz, rate_hz, tone.falloff)
    swell = np.minimum(1.0, time_s / _ATTACK_S)
    dying = np.minimum(1.0, (time_s[-1] - time_s) / _RELEASE_S)
    return np.asarray(wave * np.sin(np.pi / 2 * swell) ** 2 * np.sin(np.pi / 2 * dying) ** 2)


def render_tones(
    tones: Iterable[Tone], rate_hz: int = CLICK_RATE_HZ, level: float = TONE_LEVEL, lead_s: float = 0.0
) -> Samples:
    """All notes as one mono buffer.

    Parameters
    ----------
    tones
        In any order; they may overlap, as slurred notes do.
    level
        Peak of one note as a share of full scale, 0 to 1.
    lead_s
        Silence before time 0.

    Returns
    -------
    numpy.ndarray
        int16 [shape=(samples,)]; a note begins at sample `round((lead_s + time_s) * rate_hz)`. Where so many sound at
        once that the sum would pass full scale, the whole buffer is softer.

    Raises
    ------
    ValueError
        Where a note lies before the buffer's start or can't be carried at this rate.
    """
    placed = [(round((lead_s + tone.time_s) * rate_hz), tone) for tone in tones]
    for start, tone in placed:
        if start < 0:
            raise ValueError(
                f"a note at {tone.time_s:g} s lies before the buffer: give lead_s={-tone.time_s:g} or more"
            )
        if not can_sound(tone.sounding_midi, rate_hz):
            raise ValueError(f"MIDI number {tone.sounding_midi:g} is too high for {rate_hz} samples a second")
    waves = [(start, _one(tone, rate_hz)) for start, tone in placed]
    mixed = np.zeros(max((start + len(wave) for start, wave in waves), default=0))
    for start, wave in waves:
        mixed[start : start + len(wave)] += wave
    peak = min(max(level, 0.0), 1.0) * 32767
    loudest = float(np.abs(mixed).max(initial=0.0)) * peak
    return np.rint(mixed * peak * min(1.0, 32767 / loudest if loudest else 1.0)).astype(np.int16)


class TonePlayer:
    """Plays tones through the audio device that the click opened, beside it: each has its own mute and volume."""

    def __init__(self, click: ClickPlayer) -> None:
        self._click = click
        self._sound: Any = None
        self._muted = False
        self._volume = 1.0

    def start(self, buffer: Samples) -> bool:
        """Play a buffer once, now; False where there is no sound."""
        self.stop()
        if not self._click.open() or not len(buffer):
            return False
        import pygame

        self._sound = pygame.mixer.Sound(buffer=buffer.data)
        self._turn()
        self._sound.play()
        return True

    def stop(self) -> None:
        """Silence now."""
        if self._sound is not None:
            self._sound.stop()
            self._sound = None

    def set_muted(self, muted: bool) -> None:
        """Muted, the replay goes on in time."""
        self._muted = muted
        self._turn()

    def set_volume(self, volume: float) -> None:
        """0 (silent) to 1 (as rendered)."""
        self._volume = min(max(volume, 0.0), 1.0)
        self._turn()

    def _turn(self) -> None:
        if self._sound is not None:
            self._sound.set_volume(0.0 if self._muted else self._volume)
