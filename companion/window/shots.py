"""One PNG of each kind of screen, for `--shots`."""

from __future__ import annotations

from pathlib import Path

import pygame

from companion.errors import UsageError

__all__ = ["Shots"]


class Shots:
    """Saves the first picture of each kind, or the last where that shows more (`again`)."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(
                f"--shots {folder}: no pictures can be saved there ({error.strerror}): name another folder"
            ) from error
        self.saved: set[str] = set()
        self._last: object = None

    def take(self, kind: str, screen: pygame.Surface, again: bool = False) -> None:
        """Save the screen as `KIND.png` unless there is one already."""
        entering = kind != self._last
        self._last = kind
        if kind in self.saved and not (again and entering):
            return
        self.saved.add(kind)
        path = self.folder / f"{kind}.png"
        try:
            pygame.image.save(screen, str(path))
        except (pygame.error, OSError) as error:
            raise UsageError(f"--shots {self.folder}: {path.name} can't be saved ({error}): is there room?") from error
