"""What every test relies on: nothing is written to the user's own folders, and no window or sound device is needed."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import settings

# Machines differ too much for deadlines; what CI finds must be found again.
settings.register_profile("house", deadline=None, derandomize=os.environ.get("CI") == "true")
settings.load_profile("house")
os.environ.setdefault("SDL_VIDEODRIVER", "dummy")
os.environ.setdefault("SDL_AUDIODRIVER", "dummy")
os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")


@pytest.fixture(autouse=True)
def own_folders(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Practice log, settings and cache of a test go to a folder of its own."""
    folder = tmp_path_factory.mktemp("home")
    for name in ("SESSIONS", "SETTINGS", "CACHE"):
        monkeypatch.setenv(f"COMPANION_{name}", str(folder / name.lower()))
    return folder
