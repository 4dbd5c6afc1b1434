"""How long the speed limits of a long passage take, and the pace of a long log. Run by hand:

    python benchmarks/limits.py [--notes 10000] [--runs 5] [--instrument alto]

The passages are those of `planning.py`, each at its own tempo and at twice that, where nearly every change is hard.
Budget: 0.5 s for 10,000 notes. The log is that of `record.py`, ten years of daily practice with the index in place, the
newest 60 takes by a player a quarter slower than the average one; budget 0.5 s too.
"""

from __future__ import annotations

import argparse
import random
import statistics
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from planning import KINDS, passage_of
from record import write_years

from companion import charts
from companion.charts.model import Chart
from companion.planning import change_seconds, plan
from companion.planning.limits import speed_limits
from companion.practice.model import LATE, ON_TIME, RawEvent
from companion.record import NoteRecord, Sitting, TakeRecord, summaries
from companion.record.readings import NEWEST_TAKES, pace_of
from companion.units import ms_from_s, ns_from_s

BUDGET_S = 0.5
TAKE_NOTES = 100
TEMPO_BPM, SIXTEENTH_S = 60.0, 0.25
FACTOR, LATE_S = 1.25, 0.03


def timed(act: Callable[[], object], runs: int) -> str:
    """Median and worst seconds, as text."""
    seconds = []
    for _ in range(runs):
        began_s = time.perf_counter()
        act()
        seconds.append(time.perf_counter() - began_s)
    return (
        f"{statistics.median(seconds):8.3f} {max(seconds):8.3f}   {100 * statistics.median(seconds) / BUDGET_S:.0f} %"
    )


def a_take(chart: Chart, rng: random.Random) -> TakeRecord:
    """Part of one passage in sixteenths, by a player who needs `FACTOR` times the average player's time."""
    passage = passage_of("tonal", 16 * 20, chart)
    first = rng.randrange(len(passage.notes) - TAKE_NOTES)
    choices = plan(passage, chart).choices[first : first + TAKE_NOTES]
    notes, events, before = [], [], choices[0]
    at_s = due_s = 1.0
    for choice in choices:
        fingers_s = FACTOR * change_seconds(chart, before.fingering, choice.fingering) * rng.lognormvariate(0, 0.2)
        at_s = max(at_s + fingers_s, due_s + rng.gauss(0, 0.01))
        midi, behind_s = choice.fingering.written_midi, at_s - due_s
        verdict = LATE if behind_s > LATE_S else ON_TIME
        keys = tuple(sorted(choice.keys))
        notes.append(NoteRecord("1", "1", midi, choice.name, keys, verdict, round(ms_from_s(behind_s), 3), midi))
        events.append(RawEvent(ns_from_s(at_s), bytes((0x90, midi, 90))))
        due_s += SIXTEENTH_S
        before = choice
    return TakeRecord(
        "Étude", TEMPO_BPM, instrument=chart.name, port="keys", start_ns=ns_from_s(1.0), duration_ns=ns_from_s(due_s),
        notes=tuple(notes), events=tuple(events),
    )  # fmt: skip


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--notes", type=int, default=10_000)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--instrument", default="alto")
    parser.add_argument("--sittings", type=int, default=3650)
    args = parser.parse_args()
    chart = charts.load(args.instrument)
    print(f"speed limits for the {chart.title}; budget {BUDGET_S:g} s for 10,000 notes")
    print(f"{'what':<26}  median s  worst s   of the budget")
    for kind in KINDS:
        passage = passage_of(kind, args.notes, chart)
        planned = plan(passage, chart)
        for factor in (1, 2):
            tempo_bpm = factor * passage.marked_tempo_bpm()
            took = timed(lambda p=passage, q=planned, t=tempo_bpm: speed_limits(p, q, chart, t), args.runs)
            print(f"{f'{kind}, at {tempo_bpm:g}':<26}  {took}")
    with tempfile.TemporaryDirectory() as name:
        folder, cache = Path(name) / "sessions", Path(name) / "cache"
        folder.mkdir()
        write_years(folder, args.sittings, 20)
        now, rng = datetime.now().astimezone(), random.Random(4)
        sitting = Sitting.begin(folder, now - timedelta(days=1))
        for number in range(NEWEST_TAKES):
            sitting.append(replace(a_take(chart, rng), since_run_ns=number * 10**9))
        summaries(folder, cache)
        print(f"{f'pace, {NEWEST_TAKES} takes of {TAKE_NOTES}':<26}  ", end="")
        print(timed(lambda: pace_of(folder, chart, cache=cache), args.runs))
        print(pace_of(folder, chart, cache=cache).words)


if __name__ == "__main__":
    main()
