"""Drivers that talk to the terminal by themselves, past Python."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator

__all__ = ["quiet_driver"]


@contextlib.contextmanager
def quiet_driver() -> Iterator[None]:
    """Keep what C libraries print to standard error (ALSA without a card, Wayland without a screen) off the terminal:
    the caller says in its own words what was found."""
    try:
        kept = os.dup(2)
    except OSError:
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)
