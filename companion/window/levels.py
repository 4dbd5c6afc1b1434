"""How loud click and tone are and whether each is to be heard: turned by keys, kept for the next run."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from companion.errors import PortError
from companion.ports.memory import SoundLevels, recall_sound, remember_sound

__all__ = ["Levels"]

#: Silence is the mute's, so that a level turned down is still a level.
_LEAST, _MOST = 0.05, 1.0


class Levels:
    """The levels chosen, `now`. Each method that turns one keeps it for the next run and returns what to say; a full
    disk is said, not fatal.

    `click_muted` and `tone_muted` begin with it off, whatever was kept."""

    def __init__(self, settings: Path | None, *, click_muted: bool = False, tone_muted: bool = False) -> None:
        kept = recall_sound(settings)
        self.now = replace(kept, click_muted=kept.click_muted or click_muted, tone_muted=kept.tone_muted or tone_muted)
        self._settings = settings

    def turn_click(self, by: float) -> str:
        """The click louder or softer."""
        now = replace(self.now, click=_turned(self.now.click, by))
        return self._choose(now, f"click at {now.click * 100:.0f} of 100")

    def mute_click(self) -> str:
        """The click on or off."""
        now = replace(self.now, click_muted=not self.now.click_muted)
        return self._choose(
            now, "the click is off; the beat is still to be seen" if now.click_muted else "the click is on"
        )

    def turn_tone(self, by: float) -> str:
        """The tone louder or softer."""
        now = replace(self.now, tone=_turned(self.now.tone, by))
        return self._choose(now, f"tone at {now.tone * 100:.0f} of 100")

    def mute_tone(self) -> str:
        """The tone of examples, replays and the computer's keys on or off."""
        now = replace(self.now, tone_muted=not self.now.tone_muted)
        return self._choose(now, "the tone is off" if now.tone_muted else "the tone is on")

    def _choose(self, now: SoundLevels, words: str) -> str:
        self.now = now
        try:
            remember_sound(now, self._settings)
        except PortError as error:
            return str(error)
        return words


def _turned(level: float, by: float) -> float:
    return min(_MOST, max(_LEAST, level + by))
