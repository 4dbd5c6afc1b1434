"""Shapes practised with real key events: `xdotool` presses keys of an X server, the program runs in a window there and
is told nothing else.

Skipped where `Xvfb` or `xdotool` is missing; `test_shapes.py` does the same with events as SDL makes them.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from window.test_horn_keys_on_x import x_name

from companion.charts import load
from companion.practice.shapes import catalogue
from companion.record.shapes import read_answers, shapes_file

pytestmark = pytest.mark.skipif(
    not (shutil.which("Xvfb") and shutil.which("xdotool")),
    reason="Xvfb or xdotool is not installed (Debian: apt-get install xvfb xdotool)",
)
ALTO = load("alto")
#: The first question of the horn's own: B flat between two A's, where bis is the better shape.
FIRST = catalogue(ALTO)[0]


def wait_for(what: Callable[[], bool], seconds: float = 30.0) -> bool:
    due_s = time.monotonic() + seconds
    while not what():
        if time.monotonic() > due_s:
            return False
        time.sleep(0.05)
    return True


@pytest.mark.parametrize(("played", "right"), [("bis", True), ("side", False)])
def test_a_question_is_answered_with_real_keys(display: str, tmp_path: Path, played: str, right: bool) -> None:
    assert FIRST.better.name == "bis" and FIRST.pitch.midi == 70
    sessions = tmp_path / "sessions"
    environment = {k: v for k, v in os.environ.items() if not k.startswith("SDL_")} | {
        "DISPLAY": display,
        "SDL_AUDIODRIVER": "dummy",
        "COMPANION_SESSIONS": str(sessions),
        "COMPANION_SETTINGS": str(tmp_path / "settings"),
        "COMPANION_CACHE": str(tmp_path / "cache"),
    }

    def press(*what: str) -> bool:
        return subprocess.run(["xdotool", *what], env=environment, timeout=10, capture_output=True).returncode == 0

    process = subprocess.Popen([sys.executable, "-m", "companion", "shapes", "--port", "keys"], env=environment)
    try:
        assert wait_for(lambda: press("search", "--onlyvisible", "--class", ".")), "no window"
        time.sleep(1.5)  # the first picture, and the keyboard's focus
        press("key", "p")
        time.sleep(0.5)
        shape = next(f.keys for f in ALTO.for_note(70) if f.name == played)
        press(*(word for k in sorted(shape) for word in ("keydown", x_name(k))), "keydown", "space")
        log = shapes_file(sessions, "alto")
        assert wait_for(log.is_file), "the shape that was held is no answer"
        press("keyup", "space", *(word for k in shape for word in ("keyup", x_name(k))))
        time.sleep(1.0)  # the keys belong to the horn until the hands have left it
        press("key", "Return")
        press("key", "Escape")
        time.sleep(0.3)
        press("key", "Escape")
        assert process.wait(timeout=30) == 0
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
    answers = read_answers(sessions, "alto")
    assert answers.cards.keys() == {FIRST.id} and not answers.remarks
    assert f'"right":{str(right).lower()}' in log.read_text(encoding="utf-8").replace(" ", "")
    assert played in log.read_text(encoding="utf-8")
