"""A passage played with real key events: `xdotool` presses keys of an X server through its XTEST extension, the program
runs in a window there and is told nothing else.

Skipped where `Xvfb` or `xdotool` is missing; `test_horn_keys.py` plays the same with events as SDL makes them.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from planning_passages import passage

from companion.charts import load
from companion.planning import plan
from companion.ports.keys_layout import USUAL
from companion.record import read_log
from companion.scores.write import to_musicxml

pytestmark = pytest.mark.skipif(
    not (shutil.which("Xvfb") and shutil.which("xdotool")),
    reason="Xvfb or xdotool is not installed (Debian: apt-get install xvfb xdotool)",
)
#: B flat between B's: side, for bis would slide the index finger.
TURN = passage("G4:1 B4:1 Bb4:1 B4:1")
TEMPO_BPM = 60
#: As the stand has it: what comes before the first click of the count-in, and a bar of four at 60.
LEAD_S, COUNT_IN_S = 0.35, 4.0
X_NAMES = {"Space": "space", "Semicolon": "semicolon", "Slash": "slash", "Period": "period"}


def x_name(function: str) -> str:
    place = USUAL[function]
    return X_NAMES.get(place, place.lower())


def wait_until(due_s: float) -> None:
    while (left := due_s - time.monotonic()) > 0:
        time.sleep(min(left, 0.002))


@pytest.mark.parametrize(("played", "told"), [("side", []), ("bis", [(2, "bis")])])
def test_a_passage_played_with_real_keys(
    display: str, tmp_path: Path, played: str, told: list[tuple[int, str]]
) -> None:
    score, result = tmp_path / "turn.musicxml", tmp_path / "result.json"
    score.write_bytes(to_musicxml(TURN))
    alto = load("alto")
    shapes = [choice.keys for choice in plan(TURN, alto).choices]
    shapes[2] = next(f.keys for f in alto.for_note(70) if f.name == played)
    environment = {k: v for k, v in os.environ.items() if not k.startswith("SDL_")} | {
        "DISPLAY": display,
        "SDL_AUDIODRIVER": "dummy",
        "COMPANION_SESSIONS": str(tmp_path / "sessions"),
        "COMPANION_SETTINGS": str(tmp_path / "settings"),
        "COMPANION_CACHE": str(tmp_path / "cache"),
    }

    def press(*what: str) -> None:
        subprocess.run(["xdotool", *what], env=environment, check=True, timeout=10)

    command = [sys.executable, "-m", "companion", "play", str(score), "--port", "keys", "--start", str(TEMPO_BPM),
               "--target", "72", "--shots", str(tmp_path / "shots"), "--json", str(result)]  # fmt: skip
    process = subprocess.Popen(command, env=environment)
    try:
        ready = tmp_path / "shots" / "ready.png"
        for _ in range(300):
            if ready.exists():
                break
            time.sleep(0.1)
        assert ready.exists(), "no window"
        time.sleep(1.5)  # the sound opens once the first page is there
        press("key", "space")
        zero_s = time.monotonic() + LEAD_S + COUNT_IN_S
        held: frozenset[str] = frozenset()
        for note, shape in zip(TURN.notes, shapes, strict=True):
            at_s = zero_s + float(note.start) * 60 / TEMPO_BPM
            wait_until(at_s - 0.06)
            moves = [["keyup", "space"], *(["keyup", x_name(k)] for k in held - shape)]
            moves += [["keydown", x_name(k)] for k in shape - held]
            press(*(word for move in moves for word in move))
            wait_until(at_s)
            press("keydown", "space")
            held = shape
        time.sleep(0.9)
        press("keyup", "space", *(word for k in held for word in ("keyup", x_name(k))))
        for _ in range(200):
            if (tmp_path / "shots" / "after.png").exists():
                break
            time.sleep(0.1)
        press("key", "Escape")
        assert process.wait(timeout=30) == 0
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
    take = json.loads(result.read_text(encoding="utf-8"))["takes"][0]
    assert [note["played_midi"] for note in take["notes"]] == [note.written_midi for note in TURN.notes]
    assert not take["stopped"]
    record = read_log(tmp_path / "sessions").takes[0]
    assert record.port == "keys"
    # The record holds it also where late keys of a busy machine leave the comment worse things to say.
    assert [(used.note_index, used.name) for used in record.used] == told
