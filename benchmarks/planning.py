"""How long planning takes. Run by hand:

    python benchmarks/planning.py [--notes 10000] [--runs 7] [--instrument alto] [--networkx 10000]

Three kinds of music: `tonal` (`make_passage.py`: sixteenths in a key), `chromatic` (up and down the whole range in
semitones, where every alternate of the chart is in play) and `random` (any note of the range after any other, with
repeated notes: next to no change comes twice in a row). The first plan of a process also fills what is kept between
plans; each kind's first is measured in a process of its own. Budget: 0.3 s for 10,000 notes.

Then: whether the time is linear in the notes, from 1,000 to 30,000; and, in the same run, how long networkx takes for
the same graph, whose nodes are pairs of fingerings (`shortest_path.py`), and whether it finds the same cost: making the
graph and searching it apart. A whole plan also prices every runner-up and gives the reasons.

All times are of the processor: others may be at work on the machine.
"""

from __future__ import annotations

import argparse
import math
import random
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from fractions import Fraction
from functools import partial
from typing import TypeVar

from make_passage import made_passage
from shortest_path import graph_of_pairs, shortest_s

from companion import charts
from companion.charts.model import Chart
from companion.passage import Bar, Note, Passage, Pitch, TempoMark
from companion.planning import plan
from companion.planning.graph import cheapest, costs_onward, graph_of
from companion.planning.planner import costs_on
from companion.planning.steps import steps_of

BUDGET_S = 0.3
NOTES_BUDGETED = 10_000
KINDS = ("tonal", "chromatic", "random")
SIZES = (1_000, 3_000, 10_000, 30_000)
_SIXTEENTH = Fraction(1, 4)
_STEPS, _ALTERS = "CCDDEFFGGAAB", (0, 1, 0, 1, 0, 0, 1, 0, 1, 0, 1, 0)
_SEED = 7

T = TypeVar("T")


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


def seconds_of(work: Callable[[], T]) -> tuple[T, float]:
    """What some work answers, and the seconds it takes the processor."""
    began_s = time.process_time()
    answer = work()
    return answer, time.process_time() - began_s


def plan_seconds(passage: Passage, chart: Chart) -> float:
    """Seconds of one plan, of the processor."""
    return seconds_of(partial(plan, passage, chart))[1]


def first_plan_seconds(kind: str, count: int, instrument: str) -> float:
    """Seconds of the first plan of a process."""
    command = [sys.executable, __file__, "--first", kind, "--notes", str(count), "--instrument", instrument]
    return float(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def print_budget(chart: Chart, count: int, runs: int) -> None:
    """First, median and worst time of each kind."""
    print(f"planning for the {chart.title}; budget {BUDGET_S:g} s for {NOTES_BUDGETED:,} notes")
    print(f"{'kind':<10} {'notes':>7} {'first s':>8} {'median s':>9} {'worst s':>8}   median of the budget")
    for kind in KINDS:
        first_s = first_plan_seconds(kind, count, chart.name)
        passage = passage_of(kind, count, chart)
        runs_s = [plan_seconds(passage, chart) for _ in range(runs)]
        median_s = statistics.median(runs_s)
        share = median_s / (BUDGET_S * len(passage.notes) / NOTES_BUDGETED)
        row = f"{kind:<10} {len(passage.notes):>7,} {first_s:>8.3f} {median_s:>9.3f} {max(runs_s):>8.3f}"
        print(f"{row}   {100 * share:.0f} %")


def print_growth(chart: Chart, runs: int) -> None:
    """Median microseconds a note by length; the exponent of the line through all four on log scales is 1 if linear."""
    print(
        f"\n{'kind':<10}"
        + "".join(f"{size:>10,}" for size in SIZES)
        + "   us a note; time goes with notes to the power"
    )
    for kind in KINDS:
        counts, medians_s = [], []
        for size in SIZES:
            passage = passage_of(kind, size, chart)
            counts.append(len(passage.notes))
            medians_s.append(statistics.median(plan_seconds(passage, chart) for _ in range(runs)))
        power = statistics.linear_regression([math.log(n) for n in counts], [math.log(t) for t in medians_s]).slope
        each = "".join(f"{1e6 * t / n:>10.1f}" for n, t in zip(counts, medians_s, strict=True))
        print(f"{kind:<10}{each}   {power:.2f}")


def print_ratio(chart: Chart, count: int) -> None:
    """Ours and networkx on the same graph: making it, searching it, and whether both find the same cost."""
    print(f"\n{'':<18} {'ours, s':>19}   {'networkx, s':>19}   {'networkx / ours':>19}")
    head = " ".join(f"{word:>9}" for word in ("graph", "search"))
    print(f"{'kind':<10} {'notes':>7} {head}   {head}   {head}   costs differ by")
    for kind in KINDS:
        passage = passage_of(kind, count, chart)
        steps = steps_of(passage, chart, {}, passage.marked_tempo_bpm())
        costs = costs_on(chart)
        plan(passage, chart)  # so that neither works out what a change costs for the first time
        mine, mine_s = seconds_of(partial(graph_of, steps, costs))
        onward, search_s = seconds_of(partial(costs_onward, mine))
        (_, cost_s), more_s = seconds_of(partial(cheapest, mine, onward))
        theirs, theirs_s = seconds_of(partial(graph_of_pairs, steps, costs))
        their_cost_s, their_search_s = seconds_of(partial(shortest_s, theirs))
        search_s += more_s
        row = f"{kind:<10} {len(passage.notes):>7,} {mine_s:>9.3f} {search_s:>9.3f}   {theirs_s:>9.3f}"
        ratios = f"{theirs_s / mine_s:>9.1f} {their_search_s / search_s:>9.1f}"
        print(f"{row} {their_search_s:>9.3f}   {ratios}   {abs(cost_s - their_cost_s):.0e} s of {cost_s:.1f} s")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--notes", type=int, default=NOTES_BUDGETED)
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--instrument", default="alto")
    parser.add_argument("--networkx", type=int, default=NOTES_BUDGETED, help="so many notes for networkx as well")
    parser.add_argument("--first", choices=KINDS, help=argparse.SUPPRESS)
    args = parser.parse_args()
    chart = charts.load(args.instrument)
    if args.first:
        print(plan_seconds(passage_of(args.first, args.notes, chart), chart))
        return
    print_budget(chart, args.notes, args.runs)
    print_growth(chart, args.runs)
    print_ratio(chart, args.networkx)


if __name__ == "__main__":
    main()
