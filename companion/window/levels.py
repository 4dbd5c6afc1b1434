"""How loud click and tone are and whether each is to be heard: turned by keys, kept for the next run."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from companion.ports.memory import recall_sound, remember_sound

__all__ = ["Levels"]

#: Silence is the mute's, so that a level turned down is still a level.
_LEAST, _MOST = 0.05, 1.0


class Levels:
    """The levels chosen, `now`; each method that turns one returns what to say.

    `click_muted` and `tone_muted` begin with it off, whatever was kept."""

    def __init__(self, settings: Path | None, *, click_muted: bool = False, tone_muted: bool = False) -> None:
        kept = recall_sound(settings)
        self.now = replace(kept, click_muted=kept.click_muted or click_muted, tone_muted=kept.tone_muted or tone_muted)
        self._settings = settings

    def turn_click(self, by: float) -> str:
        """The click louder or softer."""
        self.now = replace(self.now, click=_turned(self.now.click, by))
        return f"click at {self.now.click * 100:.0f} of 100"

    def mute_click(self) -> str:
        """The click on or off."""
        self.now = replace(self.now, click_muted=not self.now.click_muted)
        return "the click is off; the beat is still to be seen" if self.now.click_muted else "the click is on"

    def turn_tone(self, by: float) -> str:
        """The tone louder or softer."""
        self.now = replace(self.now, tone=_turned(self.now.tone, by))
        return f"tone at {self.now.tone * 100:.0f} of 100"

    def mute_tone(self) -> str:
        """The tone of examples, replays and the computer's keys on or off."""
        self.now = replace(self.now, tone_muted=not self.now.tone_muted)
        return "the tone is off" if self.now.tone_muted else "the tone is on"

    def keep(self) -> None:
        """Keep them for the next run. Raises `PortError` where that can't be written."""
        remember_sound(self.now, self._settings)


def _turned(level: float, by: float) -> float:
    return min(_MOST, max(_LEAST, level + by))
