"""How long a printed sheet takes, as it is called: `python benchmarks/handout.py`.

Each figure is the median of some runs of the whole command, from its start to the written file: the etude that comes
along (one page of music, the sheet with all its parts) and an invented study of 44 bars in sixteenths (two pages).
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from handout_etudes import write_sixteenths

from companion.paths import examples_dir

RUNS = 7
BUDGET_S = 1.0


def main() -> int:
    """Print a table; 1 if a one-page etude takes longer than it may."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        one_page = seconds(examples_dir() / "passages" / "etude-e-minor.musicxml", folder)
        two_pages = seconds(write_sixteenths(folder), folder)
    print(f"one page of music: {one_page:.2f} s (budget {BUDGET_S:g} s)\ntwo pages of sixteenths: {two_pages:.2f} s")
    return 0 if one_page <= BUDGET_S else 1


def seconds(score: Path, folder: Path) -> float:
    """The median time of the command, in seconds."""
    here = {f"COMPANION_{what}": str(folder / what.lower()) for what in ("SESSIONS", "SETTINGS", "CACHE")}
    command = [sys.executable, "-m", "companion", "handout", str(score), "-o", str(folder / "sheet.pdf")]
    times = []
    for _ in range(RUNS):
        start = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env={**os.environ, **here})
        times.append(time.perf_counter() - start)
    return statistics.median(times)


if __name__ == "__main__":
    sys.exit(main())
