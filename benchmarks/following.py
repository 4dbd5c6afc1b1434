"""How well a take is followed, on made melodies and takes with known truth. Run by hand:

    python benchmarks/following.py [--takes 60] [--first-seed 0]

Two kinds of music: `melody` (tests/practice/takes.py: mixed rhythms, repeated notes and figures) and `study`
(`make_passage.py`: unbroken sixteenths). The levels and their rates are in tests/practice/takes.py. The costs of
companion/practice/costs.py were chosen on melodies 200 to 214; leave those seeds out when measuring.

F is the balanced F of the (score, played) pairs, each played note weighing the same. `nearest` pairs every played note
with the score note whose click is nearest, as a plain judge would. `pitches` is the best alignment of the two rows of
pitches alone (Needleman and Wunsch, J. Mol. Biol. 48 (1970) 443: match +2, mismatch -1, gap -1). `caret` is how often,
right after a note, the follower expects the note that truly comes next. ms/take is processor time.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np
from make_passage import made_passage

from companion.passage import Passage
from companion.practice import Follower, align, take_clock

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from practice.takes import LEVELS, Take, f1, melody, raw_events, take


class Row(NamedTuple):
    """Figures of one take; times in ms."""

    f: float
    nearest_f: float
    pitches_f: float
    caret: float
    take_ms: float
    event_ms: float
    notes: int


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=60, help="takes of each level and kind")
    parser.add_argument("--first-seed", type=int, default=0)
    args = parser.parse_args()
    print(
        f"{'music':8}{'level':9}{'F':>8}{'worst':>8}{'nearest':>9}{'pitches':>9}{'caret':>8}{'ms/take':>9}{'ms/event':>10}"
    )
    for kind in ("melody", "study"):
        for level in LEVELS:
            rows = [_measure(kind, level, seed) for seed in range(args.first_seed, args.first_seed + args.takes)]
            mean = Row(*np.mean(rows, axis=0))
            worst = min(row.f for row in rows)
            print(
                f"{kind:8}{level:9}{mean.f:8.4f}{worst:8.3f}{mean.nearest_f:9.3f}{mean.pitches_f:9.3f}{mean.caret:8.3f}"
                f"{mean.take_ms:9.1f}{mean.event_ms:10.3f}   ({mean.notes:.0f} notes)"
            )


def _measure(kind: str, level: str, seed: int) -> Row:
    tempo_bpm = 60.0 + 7 * (seed % 10)
    passage = melody(seed, 16 + seed % 8) if kind == "melody" else made_passage(12, seed)
    made = take(passage, tempo_bpm, level, 1000 + seed)
    start = time.process_time()
    alignment = align(passage, made.played, tempo_bpm)
    take_ms = 1e3 * (time.process_time() - start)
    caret, event_ms = _live(passage, tempo_bpm, made)
    return Row(
        f1(made.truth, alignment.pairs[: len(made.played), 0]),
        f1(made.truth, _nearest(passage, tempo_bpm, made)),
        f1(made.truth, _pitches(passage, made)),
        caret,
        take_ms,
        event_ms,
        len(passage.notes),
    )


def _live(passage: Passage, tempo_bpm: float, made: Take) -> tuple[float, float]:
    """How often the caret is right, and ms an event (the median: other work on the machine is not ours)."""
    live = Follower(passage, tempo_bpm, 0)
    right, taken, place, i = [], [], -1, 0
    for event in raw_events(made.played):
        start = time.perf_counter()
        live.hear(event)
        taken.append(time.perf_counter() - start)
        if event.message[0] == 0x90:
            place = int(made.truth[i]) if made.truth[i] >= 0 else place
            right.append(live.caret == place + 1)
            i += 1
    return float(np.mean(right)), 1e3 * float(np.median(taken))


def _nearest(passage: Passage, tempo_bpm: float, made: Take) -> np.ndarray:
    due_s = take_clock(passage, tempo_bpm).onsets_s
    return np.array([int(np.abs(due_s - onset_s).argmin()) for onset_s in made.played["onset_s"]])


def _pitches(passage: Passage, made: Take) -> np.ndarray:
    score = np.array([note.written_midi for note in passage.notes])
    heard = made.played["written_midi"].astype(int)
    best = np.zeros((len(heard) + 1, len(score) + 1))
    best[0], best[:, 0] = -np.arange(len(score) + 1), -np.arange(len(heard) + 1)
    for i, midi in enumerate(heard, start=1):
        for j, written in enumerate(score, start=1):
            paired = best[i - 1, j - 1] + (2 if midi == written else -1)
            best[i, j] = max(paired, best[i - 1, j] - 1, best[i, j - 1] - 1)
    found = np.full(len(heard), -1)
    i, j = len(heard), len(score)
    while i and j:
        if best[i, j] == best[i - 1, j - 1] + (2 if heard[i - 1] == score[j - 1] else -1):
            i, j = i - 1, j - 1
            found[i] = j
        elif best[i, j] == best[i - 1, j] - 1:
            i -= 1
        else:
            j -= 1
    return found


if __name__ == "__main__":
    main()
