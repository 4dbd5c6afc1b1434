"""All that is heard of a window: the click, the tones, the horn of the computer's keys, and how loud they are."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from companion.ports.click import ClickPlayer, render_click
from companion.ports.horn_sound import HornSound
from companion.ports.memory import SoundLevels
from companion.practice.clock import Click
from companion.practice.model import RawEvent
from companion.window.levels import Levels

__all__ = ["Sound"]


class Sound:
    """One audio device, opened when it is first needed, and what plays through it.

    Parameters
    ----------
    settings
        The folder of the levels that are kept, where it is not the usual one.
    transposition
        Semitones from written to sounding pitch, asked for each note: the horn may change.
    silent
        Whether nothing is to be heard, since nobody listens.
    click_muted, tone_muted
        Begin with it off, whatever was kept.
    """

    def __init__(
        self,
        settings: Path | None,
        transposition: Callable[[], int],
        *,
        silent: bool,
        click_muted: bool = False,
        tone_muted: bool = False,
    ) -> None:
        self.silent = silent
        self.click = ClickPlayer()
        self.horn = HornSound(self.click, transposition)
        self.levels = Levels(settings, click_muted=click_muted, tone_muted=tone_muted)
        self._turned: SoundLevels | None = None
        self.turn()

    def turn(self) -> None:
        """Click and horn as loud as the levels are now: whoever turns them need not know who sounds."""
        now = self.levels.now
        if now is self._turned:
            return
        self._turned = now
        self.click.set_volume(now.click)
        self.click.set_muted(now.click_muted)
        self.horn.set_level(now.tone, now.tone_muted)

    def start_click(self, clicks: Iterable[Click], lead_s: float) -> int | None:
        """Let the clicks sound, beat 0 after `lead_s`; returns when that begins (ns), None where all is silent."""
        return None if self.silent else self.click.start(render_click(clicks, lead_s=lead_s))

    def hear(self, events: Iterable[RawEvent]) -> None:
        """Let the horn of the computer's keys be heard."""
        if not self.silent:
            self.horn.hear(events)

    def close(self) -> None:
        """Give the device back."""
        self.horn.close()
        self.click.close()
