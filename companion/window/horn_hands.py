"""The window's part of the computer's keys as a horn: what is printed on each key, and where presses go.

A window that plays hands every event to `HornHands.take` first.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from functools import lru_cache

import pygame

from companion.ports import KeysPort
from companion.ports.keys_layout import PLACES, KeysLayout, place_of_scancode
from companion.units import NS_PER_MS
from companion.window.theme import can_write

__all__ = ["HornHands", "cap_of", "key_names", "wants_horn"]

#: After a take the keys stay with the horn until no finger has moved for so long: the last note's breath starts
#: nothing.
HANDS_OFF_NS = 700 * NS_PER_MS
#: Short enough to stand on a key.
_SHORT = {
    "space": "space", "left shift": "Shift left", "right shift": "Shift right", "left ctrl": "Ctrl left",
    "right ctrl": "Ctrl right", "left alt": "Alt left", "right alt": "Alt right", "backspace": "back",
}  # fmt: skip


@lru_cache(maxsize=1)
def _codes() -> dict[int, int]:
    """scancode -> key code on the keyboard in use. The window's library only tells the other way round: which place a
    code has, so all codes are asked."""
    # Each scancode's state is its own number, so looking a code up gives its place.
    places: Sequence[int] = pygame.key.ScancodeWrapper(tuple(range(512)))  # type: ignore[arg-type]
    named = [getattr(pygame, name) for name in dir(pygame) if name.startswith("K_")]
    found: dict[int, int] = {}
    # The alphabet's own codes last, so that they win.
    for code in (*named, *range(0x2FF, 0x20, -1)):
        scancode = places[code]
        if scancode:
            found[scancode] = code
    return found


def _code_at(place: str) -> int | None:
    return _codes().get(PLACES[place])


def cap_of(place: str) -> str:
    """What is printed on the key at a place of the keyboard in use: `A`, `Ö`, `space`; the US key's name where the
    system doesn't tell, or the letter is of a script that the window can't write."""
    code = _code_at(place)
    name = pygame.key.name(code) if code is not None else ""
    if not name or not can_write(name):
        return place
    return _SHORT.get(name, name.upper() if len(name) == 1 else name)


def key_names(layout: KeysLayout) -> frozenset[str]:
    """The names of the horn's keys as the table of bindings has them."""
    codes = (_code_at(place) for place in layout.places.values())
    return frozenset(pygame.key.name(code) for code in codes if code is not None)


def wants_horn(screen: object) -> bool:
    """Whether something laid over the stand is to be answered on the horn now: it says so itself, or it has a question
    without an answer yet."""
    plays = getattr(screen, "plays_horn", None)
    if plays is not None:
        return bool(plays)
    return getattr(screen, "question", None) is not None and getattr(screen, "answer", None) is None


class HornHands:
    """Gives the horn its presses while it plays, and keeps the keyboard from everything else then."""

    def __init__(self, now_ns: Callable[[], int] = time.perf_counter_ns) -> None:
        self._now_ns = now_ns
        self._moved_ns = 0
        self._after_take = False
        self._typing = True

    def take(self, event: pygame.event.Event, port: KeysPort | None, plays: bool) -> bool:
        """Whether the event was the horn's alone.

        Parameters
        ----------
        port
            The computer's keys, None where another port plays.
        plays
            Whether what is on the screen wants the horn played.
        """
        if port is None:
            return False
        if event.type == pygame.WINDOWFOCUSLOST:
            port.release_all(self._now_ns())
            return False
        if event.type not in (pygame.KEYDOWN, pygame.KEYUP):
            return False
        place = place_of_scancode(event.scancode) if hasattr(event, "scancode") else None
        if place is None:
            return False
        now_ns = self._now_ns()
        if event.type == pygame.KEYUP:
            if port.release(place, now_ns):
                self._moved_ns = now_ns
            return False  # that a key came up does no harm elsewhere, and is missed where it is not told
        if not self.playing(port, plays) or not port.press(place, now_ns):
            return False
        self._moved_ns = now_ns
        return True

    def playing(self, port: KeysPort | None, plays: bool) -> bool:
        """Whether presses go to the horn now: while it is wanted, and until the hands have left it."""
        if port is None:
            return False
        if plays:
            self._after_take = True
        elif self._after_take:
            resting = not port.held and not port.blowing and self._now_ns() - self._moved_ns > HANDS_OFF_NS
            self._after_take = not resting
        now = plays or self._after_take
        if now == self._typing:
            # An input method would swallow letters, or offer accents for those held.
            (pygame.key.stop_text_input if now else pygame.key.start_text_input)()
            self._typing = not now
        return now

    def let_go(self, port: KeysPort | None) -> None:
        """The player ended it: the keys mean what they usually do at once."""
        self._after_take = False
        if port is not None:
            port.release_all(self._now_ns())
