"""The horn's sound while it is played on the computer's keys: one plain tone at a time, from prepared notes.

Each note is a whole number of cycles in a whole number of samples, repeated; so it is in tune (ISO 16:1975) and has no
seam. Notes begin with a short swell and end with a short fade, so that a change is heard as one, without a crack.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import Any

import numpy as np

from companion.arrays import Floats, Samples
from companion.charts.model import Chart
from companion.ports.click import CLICK_RATE_HZ, ClickPlayer
from companion.ports.tone import REED, TONE_LEVEL, can_sound, frequency_hz, one_cycle
from companion.practice.model import RawEvent

__all__ = ["HornSound", "loop_samples", "render_held"]

#: The shortest loops that are searched for one in tune, and the longest. Within these the pitch is off by less than
#: 0.1 cent; nobody hears less than about 3 (from memory).
_SHORTEST_S, _LONGEST_S = 0.2, 0.45
#: A note is prepared for so long; held longer, it begins anew.
HELD_S = 12.0
_SWELL_S = 0.012
#: The mixer lowers a sound at each of its buffers (8 ms), so the fade is a few of these.
FADE_MS = 40


@lru_cache(maxsize=128)
def loop_samples(sounding_midi: int, rate_hz: int = CLICK_RATE_HZ) -> tuple[int, int]:
    """(samples, cycles) of the loop that is most in tune.

    Examples
    --------
    >>> loop_samples(69)  # A4 = 440 Hz: 88 cycles in 3200 samples at 16 kHz are just that
    (3200, 88)
    """
    hz = frequency_hz(sounding_midi)
    samples = np.arange(round(_SHORTEST_S * rate_hz), round(_LONGEST_S * rate_hz))
    cycles = np.maximum(1, np.rint(samples * hz / rate_hz))
    best = int(np.argmin(np.abs(np.log(cycles * rate_hz / samples / hz))))
    return int(samples[best]), int(cycles[best])


def render_held(sounding_midi: int, rate_hz: int = CLICK_RATE_HZ, level: float = TONE_LEVEL) -> Samples:
    """A held note as int16 [shape=(samples,)], `HELD_S` long: a swell at its beginning, then the loop again and again.

    Raises
    ------
    ValueError
        Where the rate can't carry the note.
    """
    if not can_sound(sounding_midi, rate_hz):
        raise ValueError(f"MIDI number {sounding_midi} is too high for {rate_hz} samples a second")
    samples, cycles = loop_samples(sounding_midi, rate_hz)
    phase: Floats = np.arange(samples, dtype=np.float64) * (cycles / samples)
    wave = one_cycle(phase, frequency_hz(sounding_midi), rate_hz, REED)
    times = max(1, round(HELD_S * rate_hz / samples))
    held = np.tile(wave, times)
    swell = round(_SWELL_S * rate_hz)
    held[:swell] *= np.sin(np.pi / 2 * np.arange(swell) / swell) ** 2
    return np.rint(held * (32767 * min(max(level, 0.0), 1.0))).astype(np.int16)


class HornSound:
    """Follows note messages through the audio device that the click opened.

    Parameters
    ----------
    click
        Whose device it is. Where there is none, all goes on silently.
    transposition
        Semitones from written to sounding pitch, called for each note: the horn may change.
    """

    def __init__(self, click: ClickPlayer, transposition: Callable[[], int]) -> None:
        self._click = click
        self._transposition = transposition
        self._sounds: dict[int, Any] = {}
        self._channel: Any = None
        self._volume, self._muted = 1.0, False
        #: The written note that sounds now, None in silence.
        self.sounding: int | None = None

    def hear(self, events: Iterable[RawEvent]) -> None:
        """Follow what was played since the last call: only what sounds at its end is heard."""
        wanted, begun = self.sounding, False
        for event in events:
            kind = event.message[0] & 0xF0
            if kind == 0x90 and event.message[2]:
                wanted, begun = event.message[1], True
            elif kind in (0x80, 0x90) and event.message[1] == wanted:
                wanted = None
        if wanted != self.sounding or (begun and wanted is not None):
            self._change(wanted)

    def stop(self) -> None:
        """Silence, with a fade."""
        self._change(None)

    def _change(self, written_midi: int | None) -> None:
        self.sounding = written_midi
        if self._channel is not None:
            if self._channel.get_volume() > 0:
                self._channel.fadeout(FADE_MS)
            else:  # the mixer fades no silent channel: it would go on for ever
                self._channel.stop()
            self._channel = None
        sound = self._sound(written_midi) if written_midi is not None else None
        if sound is not None:
            self._channel = sound.play(loops=-1)
            self._turn()

    def _sound(self, written_midi: int) -> Any:
        number = written_midi + self._transposition()
        if number not in self._sounds:
            if not can_sound(number) or not self._click.open():
                return None
            import pygame

            self._sounds[number] = pygame.mixer.Sound(buffer=render_held(number).data)
        return self._sounds[number]

    def prepare_one(self, chart: Chart) -> bool:
        """Prepare another note of the horn, which takes a few ms; False once all are there."""
        for written_midi in range(chart.lowest_midi, chart.highest_midi + 1):
            if written_midi + self._transposition() not in self._sounds:
                return self._sound(written_midi) is not None
        return False

    def set_level(self, volume: float, muted: bool) -> None:
        """0 (silent) to 1; muted it goes on without being heard."""
        self._volume, self._muted = min(max(volume, 0.0), 1.0), muted
        self._turn()

    def _turn(self) -> None:
        if self._channel is not None:
            self._channel.set_volume(0.0 if self._muted else self._volume)

    def close(self) -> None:
        """Silence now, and forget the notes: the device is about to go."""
        self._channel = None
        self.sounding = None
        self._sounds.clear()
