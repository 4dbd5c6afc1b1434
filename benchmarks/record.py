"""How fast ten years of daily practice open: 3,650 sittings of 20 takes, each a take of 50 notes.

Run as `python benchmarks/record.py [--sittings N] [--takes N] [--json FILE]`. The budget is 0.5 s, index in place.
"""

from __future__ import annotations

import argparse
import json
import random
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from companion.charts import load
from companion.practice.model import RawEvent
from companion.record import NoteRecord, TakeRecord, Wanted, summaries, survey
from companion.record.codec import encode_sitting, encode_take
from companion.record.log import Sitting, stream
from companion.record.trouble import troubles_over_all

NOTES = 50


def a_take(rng: random.Random, name: str, started: datetime, tempo_bpm: float) -> TakeRecord:
    """An invented take with the amount of data a real one has."""
    every_ns = round(30e9 / tempo_bpm)
    pitches = [rng.randint(60, 84) for _ in range(NOTES)]
    notes = tuple(
        NoteRecord(
            str(1 + i // 8),
            str(1 + i % 4),
            midi,
            "standard",
            ("l1", "l2", "l3")[: 1 + i % 3],
            "on time",
            round(rng.gauss(0, 15), 3),
            midi,
            available_ms=round(every_ns / 1e6, 3),
            begun="tongued",
            held_share=0.913,
            articulation=("as written",),
        )
        for i, midi in enumerate(pitches)
    )
    events = []
    for i, midi in enumerate(pitches):
        events.append(RawEvent(i * every_ns, bytes((0x90, midi, 90))))
        events.append(RawEvent(i * every_ns + every_ns // 2, bytes((0x80, midi, 0))))
    return TakeRecord(
        title="Étude", id=name, started=started.isoformat(), tempo_bpm=tempo_bpm, target_bpm=120.0, bars="5-8",
        origin="shared/passages/etude.musicxml", sha256="ab" * 32, instrument="alto", port="keys",
        duration_ns=NOTES * every_ns,
        clean=rng.random() < 0.4, advice="Bar 6: the right hand is late.", trouble_bars=("6",), notes=notes,
        events=tuple(events), realised=tuple(range(NOTES)),
    )  # fmt: skip


def write_years(folder: Path, sittings: int, takes: int) -> int:
    """Write the log without syncing each take, which is what takes long; returns its size in bytes."""
    rng, total = random.Random(1), 0
    first = datetime(2016, 9, 1, 17, tzinfo=UTC)
    for day in range(sittings):
        sitting = Sitting.begin(folder, first + timedelta(days=day))
        lines = [encode_sitting(sitting.id, sitting.started, "benchmark")]
        for number in range(takes):
            started = sitting.started + timedelta(minutes=number)
            lines.append(encode_take(a_take(rng, f"{sitting.id}-{number:03d}", started, 60 + day % 60)))
        total += sitting.path.write_bytes(b"".join(lines))
    return total


def timed(what: str, act: Callable[[], object]) -> float:
    """Run, print and return the seconds it took; the processor's own time tells how busy the machine was."""
    began, began_cpu = time.perf_counter(), time.process_time()
    act()
    seconds = time.perf_counter() - began
    print(f"{what:<40}{seconds:8.3f} s   processor {time.process_time() - began_cpu:8.3f} s")
    return seconds


def main() -> None:
    """Write, open cold, open warm, open after one more sitting."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sittings", type=int, default=3650)
    parser.add_argument("--takes", type=int, default=20)
    parser.add_argument("--json", type=Path, help="write the figures there")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder, cache = Path(name) / "sessions", Path(name) / "cache"
        folder.mkdir()
        size = write_years(folder, args.sittings, args.takes)
        print(f"{args.sittings} sittings x {args.takes} takes: {size / 1e6:.0f} MB")
        figures = {
            "index_built_s": timed("no index yet: every file read", lambda: summaries(folder, cache)),
            "opened_s": timed("index in place", lambda: summaries(folder, cache)),
        }
        week = Wanted(first_day="2026-07-06", last_day="2026-07-12")
        figures["one_week_s"] = timed("one week of them", lambda: survey(folder, cache, week))
        Sitting.begin(folder, datetime.now().astimezone()).append(
            a_take(random.Random(2), "", datetime.now().astimezone(), 90)
        )
        figures["opened_after_a_sitting_s"] = timed(
            "index in place, one sitting more", lambda: summaries(folder, cache)
        )
        chart = load("alto")
        figures["trouble_s"] = timed(
            "what keeps failing, newest takes", lambda: troubles_over_all(folder, chart, cache=cache)
        )
        figures["all_in_full_s"] = timed(
            "every note and event of every take", lambda: sum(1 for _ in stream(folder, []))
        )
        sitting = Sitting.begin(folder, datetime.now().astimezone())
        take = a_take(random.Random(3), "", datetime.now().astimezone(), 90)
        figures["append_s"] = timed(
            "appending 100 takes, each synced", lambda: [sitting.append(take) for _ in range(100)]
        )
    if args.json:
        args.json.write_text(json.dumps(figures, indent=1) + "\n")


if __name__ == "__main__":
    main()
