"""The click: a whole take in one buffer, exact to the sample, started once.

The rate is low on purpose: a woodblock has little above 6 kHz, and ten minutes at 16 kHz are 19 MB.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable
from typing import Any, NamedTuple, Protocol

import numpy as np

from companion.arrays import Floats, Samples
from companion.ports.quiet import quiet_driver
from companion.units import NS_PER_S

__all__ = ["CLICK_RATE_HZ", "ClickPlayer", "ClickTime", "PlainClick", "click_tone", "render_click"]

CLICK_RATE_HZ = 16_000
#: Moderate: a quarter of full scale at the peak leaves room for headphones that are turned up.
USUAL_LEVEL = 0.25
_TONE_S = 0.06
#: (frequency of the bar's first beat, of the other beats) of the woodblock; our own choice, about a fifth apart.
_DOWNBEAT_HZ, _BEAT_HZ = 1480.0, 988.0
_COUNT_IN_SHARE = 0.8
_BUFFER_SAMPLES = 128


class ClickTime(Protocol):
    """What has to be known of a click."""

    @property
    def time_s(self) -> float:
        """When, in seconds; the count-in may be negative."""
        ...

    @property
    def downbeat(self) -> bool:
        """Whether it is a bar's first beat."""
        ...

    @property
    def count_in(self) -> bool:
        """Whether it comes before the passage."""
        ...


class PlainClick(NamedTuple):
    """A click made by hand."""

    time_s: float
    downbeat: bool = False
    count_in: bool = False


def click_tone(downbeat: bool, rate_hz: int = CLICK_RATE_HZ) -> Floats:
    """One click [shape=(n,)], peak 1: two damped partials that begin at full strength, like struck wood."""
    time_s = np.arange(round(_TONE_S * rate_hz)) / rate_hz
    pitch_hz = _DOWNBEAT_HZ if downbeat else _BEAT_HZ
    # A cosine, so that the very first sample is already loud: the onset is where it is written.
    tone = np.cos(2 * np.pi * pitch_hz * time_s) * np.exp(-time_s / 0.011)
    tone += 0.45 * np.cos(2 * np.pi * 2.57 * pitch_hz * time_s) * np.exp(-time_s / 0.004)
    fade = np.minimum(1.0, (time_s[-1] - time_s) / 0.01)
    return np.asarray(tone * fade / np.abs(tone).max())


def render_click(
    clicks: Iterable[ClickTime],
    rate_hz: int = CLICK_RATE_HZ,
    level: float = USUAL_LEVEL,
    lead_s: float = 0.0,
) -> Samples:
    """All clicks of a take as one mono buffer.

    Parameters
    ----------
    clicks
        In any order; those of `companion.practice.clock.take_clock` will do.
    level
        Peak as a share of full scale, 0 to 1; the count-in is a little softer.
    lead_s
        Silence before time 0: needed where the count-in has negative times.

    Returns
    -------
    numpy.ndarray
        int16 [shape=(samples,)]; a click's first sample is number `round((lead_s + time_s) * rate_hz)`.

    Raises
    ------
    ValueError
        Where a click lies before the buffer's start.
    """
    placed = [(round((lead_s + click.time_s) * rate_hz), click) for click in clicks]
    if any(start < 0 for start, _ in placed):
        earliest_s = min(click.time_s for _, click in placed)
        raise ValueError(f"a click at {earliest_s:g} s lies before the buffer: give lead_s={-earliest_s:g} or more")
    length = max((start for start, _ in placed), default=0) + round(_TONE_S * rate_hz)
    peak = 32767 * min(max(level, 0.0), 1.0)
    tones = {
        (downbeat, count_in): np.rint(click_tone(downbeat, rate_hz) * peak * (_COUNT_IN_SHARE if count_in else 1.0))
        for downbeat in (False, True)
        for count_in in (False, True)
    }
    buffer = np.zeros(length, dtype=np.int16)
    for start, click in placed:
        tone = tones[click.downbeat, click.count_in]
        end = start + len(tone)
        buffer[start:end] = np.clip(buffer[start:end] + tone, -32768, 32767)
    return buffer


class ClickPlayer:
    """Plays rendered buffers through pygame's mixer, which is opened at the click's own rate at the first start.

    Where there is no audio device, `remark` says so and everything else goes on silently.

    The mixer takes a sound up at its next buffer, so `start`'s answer is uncertain by half a buffer (4 ms) and by what
    the device adds after it; the player's own delay setting covers the constant part.
    """

    def __init__(self, rate_hz: int = CLICK_RATE_HZ, now_ns: Callable[[], int] = time.perf_counter_ns) -> None:
        self.remark = ""
        self._rate_hz = rate_hz
        self._now_ns = now_ns
        self._volume = 1.0
        self._muted = False
        self._mixer: Any = None
        self._sound: Any = None
        self._tried = False

    @property
    def latency_ns(self) -> int:
        """Expected time from the call of `start` to the first sample: half a buffer of waiting and one of playing."""
        return 0 if self._mixer is None else round(1.5 * _BUFFER_SAMPLES * NS_PER_S / self._rate_hz)

    def open(self) -> bool:
        """Open the audio device, once; False where there is none. Takes some 10 to 100 ms, so not within a take."""
        if self._tried:
            return self._mixer is not None
        self._tried = True
        os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
        import pygame

        try:
            # Another part may have opened it in another format, in which the buffer would sound wrong.
            pygame.mixer.quit()
            with quiet_driver():
                pygame.mixer.init(self._rate_hz, -16, 1, _BUFFER_SAMPLES, allowedchanges=0)
        except (NotImplementedError, pygame.error) as error:
            self.remark = f"no sound ({error}): the click is silent, the beat is still to be seen"
            return False
        self._mixer = pygame.mixer
        return True

    def start(self, buffer: Samples, at_ns: int | None = None) -> int:
        """Play a buffer once, from its first sample.

        Parameters
        ----------
        at_ns
            When the first sample should sound. Silence is put before it; where the time is too near or past, it starts
            as soon as it can.

        Returns
        -------
        int
            The clock time at which the first sample sounds.
        """
        self.stop()
        self.open()
        soonest_ns = self._now_ns() + self.latency_ns
        start_ns = soonest_ns if at_ns is None else max(at_ns, soonest_ns)
        if self._mixer is None or not len(buffer):
            return start_ns
        silence = np.zeros(round((start_ns - soonest_ns) * self._rate_hz / NS_PER_S), dtype=np.int16)
        self._sound = self._mixer.Sound(buffer=np.concatenate((silence, buffer)))
        # Copying a long buffer takes a few ms; they belong to the answer.
        late_ns = self._now_ns() + self.latency_ns - soonest_ns
        self._set_volume()
        self._sound.play()
        return start_ns + late_ns

    def stop(self) -> None:
        """Silence now."""
        if self._sound is not None:
            self._sound.stop()
            self._sound = None

    def set_volume(self, volume: float) -> None:
        """0 (silent) to 1 (as rendered)."""
        self._volume = min(max(volume, 0.0), 1.0)
        self._set_volume()

    def set_muted(self, muted: bool) -> None:
        """Muted, the take goes on in time."""
        self._muted = muted
        self._set_volume()

    def _set_volume(self) -> None:
        if self._sound is not None:
            self._sound.set_volume(0.0 if self._muted else self._volume)

    def close(self) -> None:
        """Give the audio device back."""
        self.stop()
        if self._mixer is not None:
            self._mixer.quit()
            self._mixer = None
