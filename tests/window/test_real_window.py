"""A real window on a real X server, in real time, with the click's real path (and no sound card)."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from companion.cli.demo import DEMO_PASSAGE
from companion.paths import shared_dir

MISSING = (
    ""
    if shutil.which("Xvfb") or os.environ.get("CI") == "true"
    else "Xvfb is not installed (Debian: apt-get install xvfb)"
)
pytestmark = pytest.mark.skipif(bool(MISSING), reason=MISSING or "-")


def test_a_take_in_real_time_in_a_real_window(display: str, tmp_path: Path) -> None:
    shots, result = tmp_path / "shots", tmp_path / "r.json"
    environment = {k: v for k, v in os.environ.items() if not k.startswith("SDL_")}
    environment["DISPLAY"] = display
    etude = str(shared_dir() / DEMO_PASSAGE)
    command = [sys.executable, "-m", "companion", "play", etude, "--bars", "1-2", "--takes", "1", "--tempo", "96",
               "--port", "sim:steady:1", "--shots", str(shots), "--json", str(result)]  # fmt: skip
    began = time.monotonic()
    done = subprocess.run(command, capture_output=True, text=True, timeout=90, check=False, env=environment)
    assert (done.returncode, done.stderr) == (0, "")
    # A bar of count-in and two bars at 96, and time to read the page: not at once, not twice.
    assert time.monotonic() - began > 3 * 4 * 60 / 96
    take = json.loads(result.read_text(encoding="utf-8"))["takes"][0]
    assert take["clean"], take["because"]
    assert (shots / "playing.png").stat().st_size > 10_000


@pytest.mark.skipif(Path("/dev/dri").exists(), reason="a graphics card can show a window without a display server")
def test_without_a_screen_one_line_says_what_to_do() -> None:
    gone = ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER")
    environment = {k: v for k, v in os.environ.items() if k not in gone}
    command = [sys.executable, "-m", "companion", "play", str(shared_dir() / DEMO_PASSAGE), "--port", "sim:steady:1"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False, env=environment)
    assert done.returncode == 1
    assert done.stderr.startswith("companion: no window can be opened") and "--hidden" in done.stderr
    assert len(done.stderr.splitlines()) == 1
