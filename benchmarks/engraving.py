"""How long engraving takes, and how much memory the worker needs: `python benchmarks/engraving.py`.

The passage is an invented study of 64 bars in sixteenths with slurs, dots and a fingering mark on about every fifth
note, at the layouts of a window of 1280x720 and of 3840x2160. Each figure is the median of some runs; a run starts a
new worker.
"""

from __future__ import annotations

import statistics
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from engraving_documents import sixteenths

from companion.engraving import Engraver, EngravingRequest

RUNS = 7
BARS = 64
LAYOUTS = {"1280x720": (790, 30), "3840x2160": (2500, 88)}


def main() -> int:
    """Print a table."""
    musicxml, marks = sixteenths(BARS)
    print(f"{BARS} bars of sixteenths, {len(marks)} marks, median of {RUNS} runs")
    print(
        f"{'window':>10} {'systems':>8} {'first':>8} {'all':>8} {'again, first':>13} {'again, all':>11} {'worker':>8}"
    )
    for window, (width_px, staff_px) in LAYOUTS.items():
        runs = [measure(EngravingRequest(musicxml, width_px, staff_px, marks)) for _ in range(RUNS)]
        systems = runs[0][0]
        first, whole, warm_first, warm_whole, memory = (
            statistics.median(column) for column in list(zip(*runs, strict=True))[1:]
        )
        print(
            f"{window:>10} {systems:>8} {first:>6.0f}ms {whole:>6.0f}ms {warm_first:>11.0f}ms {warm_whole:>9.0f}ms"
            f" {memory:>6.0f}MB"
        )
    return 0


def measure(request: EngravingRequest) -> tuple[int, float, float, float, float, float]:
    """Systems; ms from starting a worker to its first and its last system; the same for a running one; peak MB."""
    started = time.perf_counter()
    with Engraver(cache_bytes=0) as engraver:
        systems, first, whole = engrave_once(engraver, request, started)
        _, warm_first, warm_whole = engrave_once(engraver, request, time.perf_counter())
        return systems, first, whole, warm_first, warm_whole, peak_mb(engraver.worker_pid)


def engrave_once(engraver: Engraver, request: EngravingRequest, started: float) -> tuple[int, float, float]:
    """Number of systems, ms to the first and to the last."""
    engraver.request(request)
    systems, first = 0, 0.0
    while True:
        news = engraver.poll()
        if news is None:
            time.sleep(0.001)
            continue
        if news.error is not None:
            raise news.error
        systems += len(news.systems)
        first = first or time.perf_counter() - started
        if news.done:
            return systems, first * 1e3, (time.perf_counter() - started) * 1e3


def peak_mb(pid: int) -> float:
    """Largest resident size so far, where /proc tells it."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except FileNotFoundError:
        return float("nan")
    return next((int(line.split()[1]) / 1e3 for line in lines if line.startswith("VmHWM")), float("nan"))


if __name__ == "__main__":
    sys.exit(main())
