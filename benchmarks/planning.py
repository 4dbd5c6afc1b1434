"""How long planning takes. Run by hand:

    python benchmarks/planning.py [--notes 10000] [--runs 7] [--instrument alto]

Three kinds of music: `tonal` (`make_passage.py`: sixteenths in a key), `chromatic` (up and down the whole range in
semitones, where every alternate of the chart is in play) and `random` (any note of the range after any other, with
repeated notes: next to no change comes twice in a row). The first plan of a process also fills what is kept between
plans; each kind's first is measured in a process of its own. Budget: 0.3 s for 10,000 notes.
"""

from __future__ import annotations

import argparse
import random
import statistics
import subprocess
import sys
import time
from fractions import Fraction

from make_passage import made_passage

from companion import charts
from companion.charts.model import Chart
from companion.passage import Bar, Note, Passage, Pitch, TempoMark
from companion.planning import plan

BUDGET_S = 0.3
NOTES_BUDGETED = 10_000
KINDS = ("tonal", "chromatic", "random")
_SIXTEENTH = Fraction(1, 4)
_STEPS, _ALTERS = "CCDDEFFGGAAB", (0, 1, 0, 1, 0, 0, 1, 0, 1, 0, 1, 0)
_SEED = 7


def written_notes(kind: str, count: int, chart: Chart) -> list[int]:
    """Written MIDI numbers of a `chromatic` or `random` passage."""
    lowest, *_, highest = sorted({fingering.written_midi for fingering in chart.fingerings})
    if kind == "random":
        rng = random.Random(_SEED)
        return [rng.randint(lowest, highest) for _ in range(count)]
    up = list(range(lowest, highest))
    there_and_back = up + [midi + 1 for midi in reversed(up)]
    return [there_and_back[i % len(there_and_back)] for i in range(count)]


def passage_of(kind: str, count: int, chart: Chart) -> Passage:
    """A passage of `count` sixteenths (`tonal`: whole bars)."""
    if kind == "tonal":
        return made_passage(max(1, count // 16), _SEED)
    notes = tuple(
        Note(
            i,
            Pitch(_STEPS[midi % 12], _ALTERS[midi % 12], midi // 12 - 1),
            i * _SIXTEENTH,
            _SIXTEENTH,
            i // 16,
            1 + _SIXTEENTH * (i % 16),
            i,
        )
        for i, midi in enumerate(written_notes(kind, count, chart))
    )
    bars = tuple(Bar(i, str(i + 1), i, Fraction(4 * i), Fraction(4), 4, 4) for i in range(-(-count // 16)))
    return Passage(kind, notes, bars, tempos=(TempoMark(Fraction(0), 92.0),))


def plan_seconds(passage: Passage, chart: Chart) -> float:
    """Seconds of one plan."""
    began_s = time.perf_counter()
    plan(passage, chart)
    return time.perf_counter() - began_s


def first_plan_seconds(kind: str, count: int, instrument: str) -> float:
    """Seconds of the first plan of a process."""
    command = [sys.executable, __file__, "--first", kind, "--notes", str(count), "--instrument", instrument]
    return float(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--notes", type=int, default=NOTES_BUDGETED)
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--instrument", default="alto")
    parser.add_argument("--first", choices=KINDS, help=argparse.SUPPRESS)
    args = parser.parse_args()
    chart = charts.load(args.instrument)
    if args.first:
        print(plan_seconds(passage_of(args.first, args.notes, chart), chart))
        return
    print(f"planning for the {chart.title}; budget {BUDGET_S:g} s for {NOTES_BUDGETED:,} notes")
    print(f"{'kind':<10} {'notes':>7} {'first s':>8} {'median s':>9} {'worst s':>8}   median of the budget")
    for kind in KINDS:
        first_s = first_plan_seconds(kind, args.notes, args.instrument)
        passage = passage_of(kind, args.notes, chart)
        runs_s = [plan_seconds(passage, chart) for _ in range(args.runs)]
        median_s = statistics.median(runs_s)
        share = median_s / (BUDGET_S * len(passage.notes) / NOTES_BUDGETED)
        row = f"{kind:<10} {len(passage.notes):>7,} {first_s:>8.3f} {median_s:>9.3f} {max(runs_s):>8.3f}"
        print(f"{row}   {100 * share:.0f} %")


if __name__ == "__main__":
    main()
