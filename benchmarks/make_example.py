"""Makes the example sitting that comes along: `python benchmarks/make_example.py` at the top of the checkout.

Nobody played it: the simulated player did, and the file's first line says that it is an example. It has to be made
again when the passage it was played from has changed.
"""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from pathlib import Path

from companion import charts, planning, scores
from companion.ports.performer import perform
from companion.practice.ladder import Ladder
from companion.practice.model import RawEvent
from companion.practice.rehearsal import FinishedTake, Rehearsal
from companion.record import Sitting, finished_take_record
from companion.units import ns_from_s

PASSAGE = "shared/passages/etude-e-minor.musicxml"
BARS = "5-8"
TAKES = 12
SEED = 57
STARTED = datetime(2026, 11, 23, 17, 12, tzinfo=timezone(timedelta(hours=1)))
PATH = Path("sessions/example-2026-11-23.jsonl")


def play_take(rehearsal: Rehearsal, number: int, begin_ns: int) -> FinishedTake:
    """One take by the simulated player, at once, its beat 0 at `begin_ns`."""
    section = rehearsal.section
    plan = rehearsal.plan.part(section.first_note, len(section.passage.notes))
    tempo_bpm, chart = rehearsal.tempo_bpm, rehearsal.chart
    messages = perform(section.passage, tempo_bpm, "student", SEED, number, plan=plan, breath_hz=0, chart=chart)
    rehearsal.begin(begin_ns, begin_ns - 1)
    for message in messages:
        now_ns = begin_ns + ns_from_s(message.time_s)
        rehearsal.hear([RawEvent(now_ns, message.message)], now_ns)
    take = rehearsal.finish(begin_ns + ns_from_s(messages[-1].time_s + 1))
    assert take is not None
    return take


def make_example(folder: Path) -> Path:
    """Write the sitting into `folder`; returns its file."""
    chart = charts.load("alto")
    passage = scores.read(PASSAGE)
    plan = planning.plan(passage, chart)
    rehearsal = Rehearsal(passage, plan, Ladder(start_bpm=60, step_bpm=4, target_bpm=84, clean_needed=2), chart=chart)
    rehearsal.choose_bars(*passage.bar_range(BARS))
    sitting = Sitting(folder, STARTED, example=True, name=PATH.stem)
    sitting.path.unlink(missing_ok=True)
    begin_ns = ns_from_s(20)
    for number in range(TAKES):
        take = play_take(rehearsal, number, begin_ns)
        sitting.append(finished_take_record(take, plan, chart, run_ns=0, port=f"sim:student:{SEED}"))
        begin_ns = take.end_ns + ns_from_s(12 + 7 * (number % 3))
    return sitting.path


if __name__ == "__main__":
    print(make_example(PATH.parent))
