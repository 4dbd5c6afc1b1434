"""How the stand performs, by hand: `python benchmarks/stand.py [--size 1280x720] [--seconds 20]`.

Prints the time from the command to the first frame with music (a process of its own each time), the time from a note's
stamp to the finished picture at 60 frames a second, what a frame costs, and memory. Run it on a display (or under
Xvfb). Budgets: first frame 1.0 s; event to glass median under one frame (16.7 ms), 99 % under two; window under 250
MB."""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

_CHILD = """
import sys, time
began = float(sys.argv[1])
import companion.window.app as app_module
from companion.cli import main
class App(app_module.App):
    def frame(self):
        heard = super().frame()
        if self.first_frame_ns:
            print(time.time() - began, flush=True)
            self.quit = True
        return heard
app_module.App = App
sys.exit(main(sys.argv[2:]))
"""


def first_frame_s(file: Path, size: str) -> float:
    """Seconds from starting the interpreter to the first frame that shows music."""
    began = time.time()
    out = subprocess.run(
        [sys.executable, "-c", _CHILD, str(began), "play", str(file), "--port", "sim:steady:1", "--size", size],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return float(out.stdout.split()[-1])


def resident_mb(pid: int) -> float:
    """Resident memory of a process (Linux)."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return float("nan")


def run_take(file: Path, size: tuple[int, int], seconds: float) -> None:
    """Let the simulated player play in real time and measure."""
    from companion.cli.opening import open_passage
    from companion.cli.play import _setup, add_arguments
    from companion.engraving import Engraver
    from companion.scores import for_engraving
    from companion.window.app import App

    parser = argparse.ArgumentParser()
    add_arguments(parser)
    args = parser.parse_args([str(file), "--port", "sim:student:1", "--mute", "--takes", "99", "--tempo", "96"])
    opened = open_passage(file)
    costs_ms: list[float] = []
    with Engraver() as engraver:
        setup = _setup(args, file, opened, by_itself=True)
        app = App(setup, lambda: for_engraving(opened.passage), size=size, engraver=engraver)
        inner = app.frame

        def frame() -> list[object]:
            began = time.perf_counter()
            heard = inner()
            costs_ms.append((time.perf_counter() - began) * 1e3)
            if time.monotonic() > end:
                app.quit = True
                print(
                    f"memory: window {resident_mb(os.getpid()):.0f} MB,"
                    f" engraver {resident_mb(engraver.worker_pid):.0f} MB"
                )
            return heard

        app.frame = frame  # type: ignore[method-assign,assignment]
        end = time.monotonic() + seconds
        app.loop()
        glass_ms = np.array(app.to_glass_ns) / 1e6
    print(
        f"event to glass, {len(glass_ms)} notes: median {np.median(glass_ms):.1f} ms,"
        f" 99 % {np.percentile(glass_ms, 99):.1f} ms"
    )
    print(
        f"frame: median {np.median(costs_ms):.2f} ms, 99 % {np.percentile(costs_ms, 99):.1f} ms,"
        f" slowest {max(costs_ms):.1f} ms, {len(costs_ms) / seconds:.0f} frames a second"
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--size", default="1280x720")
    parser.add_argument("--seconds", type=float, default=20)
    args = parser.parse_args()
    from make_passage import made_passage

    from companion.scores.write import to_musicxml

    with tempfile.TemporaryDirectory() as folder:
        os.environ["COMPANION_SESSIONS"] = os.environ["COMPANION_SETTINGS"] = folder
        file = Path(folder) / "made.musicxml"
        file.write_bytes(to_musicxml(made_passage(64, seed=1)))
        times = sorted(first_frame_s(file, args.size) for _ in range(7))
        print(f"{args.size}: first frame with music, 64 bars: median {times[3]:.2f} s, slowest {times[-1]:.2f} s of 7")
        width, height = args.size.split("x")
        run_take(file, (int(width), int(height)), args.seconds)


if __name__ == "__main__":
    main()
