"""The display: opening it, a window on it, its size."""

from __future__ import annotations

import os

import pygame

from companion.errors import UsageError
from companion.ports.quiet import quiet_driver
from companion.window.layout import no_smaller

__all__ = ["NoScreen", "fitted", "open_display", "open_window", "scale_of", "turn_full_screen"]


class NoScreen(UsageError):
    """There is no screen that a window could be seen on."""


def open_display(hidden: bool) -> None:
    """Open the display, or none where the run is hidden. Raises `NoScreen` where there is no screen to be seen on."""
    if hidden:
        os.environ["SDL_VIDEODRIVER"] = os.environ["SDL_AUDIODRIVER"] = "dummy"
    hint = "log in at a screen (on Linux, DISPLAY must name it), or add --hidden to run without one"
    try:
        with quiet_driver():
            pygame.display.init()
    except pygame.error as error:
        raise NoScreen(f"no window can be opened ({error}): {hint}") from error
    # Without a screen SDL quietly draws into memory, and the player would wait for a window for ever.
    if not hidden and pygame.display.get_driver() in ("offscreen", "dummy") and "SDL_VIDEODRIVER" not in os.environ:
        pygame.display.quit()
        raise NoScreen(f"no window can be opened (there is no screen): {hint}")


def open_window(caption: str, size: tuple[int, int], *, hidden: bool, repeat_ms: int = 0) -> pygame.Surface:
    """Open the display with a window of this size, or the smallest there is; a key that is held repeats after a moment
    every `repeat_ms` (0: not). Raises `NoScreen` as `open_display` does."""
    open_display(hidden)
    pygame.font.init()
    # The setting is the display's, so a window that wants none must say so after one that did.
    pygame.key.set_repeat(*((350, repeat_ms) if repeat_ms else ()))
    surface = pygame.display.set_mode(no_smaller(size), pygame.RESIZABLE)
    pygame.display.set_caption(caption)
    return surface


def fitted(size: tuple[int, int]) -> pygame.Surface:
    """The window's surface after it was given this size: it is kept as large as what is laid out in it."""
    wanted, now = no_smaller(size), pygame.display.get_surface()
    return now if now is not None and wanted == size else pygame.display.set_mode(wanted, pygame.RESIZABLE)


def turn_full_screen() -> str:
    """To the full screen or back; what is to be said where there is none."""
    try:
        pygame.display.toggle_fullscreen()
    except pygame.error as error:
        return f"this screen has no full screen ({error})"
    return ""


def scale_of(size: tuple[int, int]) -> float:
    """1 at 1280x720."""
    return min(size[0] / 1280, size[1] / 720)
