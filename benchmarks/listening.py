"""How well takes of real melodies are followed, beside other matchers. Run by hand after installing the extra `bench`:

    python benchmarks/listening.py                     (half an hour; everything)
    python benchmarks/listening.py --rivals-every 8    (some minutes: the other matchers on every eighth melody)
    python benchmarks/listening.py --tunes 40 --rivals-every 0 --only levels kinds

Melodies are real ones of music21's corpus (`listening_tunes.py`), takes those of the shipped simulator with its four
levels, and with each kind of slip alone; beside them those of a second simulator built in another way
(`second_player.py`). Tempo and seed follow from a melody's place. Costs were chosen on other melodies and seeds.

F is the balanced F of the (score, played) pairs, each played note weighing the same. `exact` is how often, right after
a note began, the caret stands before the note that truly comes next, `lost` how often it is more than two notes off.
Times are processor time: ms for a take, ms for 200 played notes, ms an event (mean). What is compared with is in
`listening_rivals.py`. With --onset-cases nothing is measured: mir_eval's scores of the made notes of
`tests/practice/onset_cases.py` are printed, as they stand in `tests/practice/onset_scores.csv`.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from listening_rivals import LIVE, OFFLINE, Melody
from listening_tunes import for_reporting
from second_player import DOUBLED, HABITS, RATES, second_take

from companion.passage import Passage
from companion.practice import Follower, align
from companion.practice.clock import note_onsets_s
from companion.practice.model import RawEvent
from companion.practice.onset_scores import onset_scores
from companion.practice.simulation import KINDS, LEVELS, simulate

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from practice.onset_cases import SEEDS, TOLERANCES_S, case
from practice.takes import f1, melody, raw_events

#: Where each level is to be: F, exact, lost.
AIMS = {
    "clean": (1.0, 1.0, 0.0),
    "student": (0.995, 0.96, 0.01),
    "messy": (0.98, 0.90, 0.03),
    "chaos": (0.94, 0.80, 0.08),
}
FIRST_SEED = 70_000


@dataclass
class Found:
    """Figures over takes."""

    f: list[float] = field(default_factory=list)
    exact: list[bool] = field(default_factory=list)
    lost: list[bool] = field(default_factory=list)
    take_ms: list[float] = field(default_factory=list)
    notes: int = 0
    event_ms: list[float] = field(default_factory=list)
    places: list[str] = field(default_factory=list)

    def line(self) -> str:
        worst = int(np.argmin(self.f))
        per_200 = 200.0 * sum(self.take_ms) / self.notes
        return (
            f"F {np.mean(self.f):.4f}  worst {self.f[worst]:.3f} ({self.places[worst][:24]})  exact"
            f" {np.mean(self.exact):.4f}  lost {np.mean(self.lost):.4f}  {np.mean(self.take_ms):5.1f} ms/take"
            f" {per_200:5.1f} ms/200 notes {np.mean(self.event_ms):6.3f} ms/event"
        )


def main() -> int:
    """Measure and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tunes", type=int, default=220)
    parser.add_argument("--rivals-every", type=int, default=1, help="0: without the other matchers")
    parser.add_argument("--only", nargs="*", choices=SECTIONS, default=list(SECTIONS))
    parser.add_argument("--onset-cases", action="store_true")
    args = parser.parse_args()
    if args.onset_cases:
        print_onset_cases()
        return 0
    tunes = for_reporting(args.tunes)
    passages = [(tune.place, tune.passage) for tune in tunes]
    notes = [len(passage.notes) for _, passage in passages]
    print(f"{len(passages)} melodies, {min(notes)} to {max(notes)} notes, {sum(notes)} in all")
    for section in args.only:
        print()
        SECTIONS[section](passages, args.rivals_every)
    return 0


def tempo_of(place: int) -> float:
    """Quarters a minute, from 60 to 124."""
    return 60.0 + 8 * (place % 9)


def levels(passages: list[tuple[str, Passage]], rivals_every: int) -> None:
    """The four levels of the shipped simulator."""
    for level in LEVELS:
        found = measure(passages, lambda p, t, s, level=level: simulate(p, t, level, s))
        aim = AIMS[level]
        print(f"{level:10} {found.line()}   (aim: F {aim[0]}, exact {aim[1]}, lost {aim[2]})", flush=True)
    if rivals_every:
        rivals(passages, rivals_every)


def rivals(passages: list[tuple[str, Passage]], every: int) -> None:
    """The other matchers on the same takes, with ours on just those."""
    for level in LEVELS:
        figures: dict[str, list[float]] = {}
        spent: dict[str, float] = {}
        equal = total = 0
        for place, (_, passage) in enumerate(passages):
            if place % every:
                continue
            tempo_bpm = tempo_of(place)
            take = simulate(passage, tempo_bpm, level, FIRST_SEED + place)
            prepared = Melody(passage, tempo_bpm)
            followed = caret_after(passage, tempo_bpm, take.played)
            truly = np.maximum.accumulate(np.where(take.truth >= 0, np.arange(len(take.truth)), -1))
            stands = np.where(truly >= 0, take.truth[truly], -1)
            add(figures, "companion align", f1(take.truth, realised(passage, take.played, tempo_bpm)))
            add(figures, "companion live exact", float(np.mean(followed - 1 == stands)))
            for name, matcher in OFFLINE.items():
                began = time.process_time()
                add(figures, name, f1(take.truth, matcher(prepared, take.played)))
                spent[name] = spent.get(name, 0.0) + time.process_time() - began
            for name, tracker in LIVE.items():
                add(figures, f"{name} live exact", float(np.mean(tracker(prepared, take.played) == stands)))
            equal += equals_mir_eval(passage, tempo_bpm, take.played)
            total += 1
        print(f"{level}, {total} takes; onset scores equal to mir_eval's in {equal} of {total}")
        for name, values in figures.items():
            ms = f"{1e3 * spent[name] / total:8.1f} ms/take" if name in spent else ""
            print(f"    {name:32} {np.mean(values):.4f}  worst {min(values):.3f} {ms}", flush=True)


def kinds(passages: list[tuple[str, Passage]], _: int) -> None:
    """Each kind of slip alone, at the rates and timing of `student` (see `sim_levels.RATE_ALONE` for what it lacks)."""
    for kind in KINDS:
        chosen = passages if kind != "trill" else [(w, p) for w, p in passages if any(n.trill for n in p.notes)]
        if not chosen:
            print(f"{kind:16} no melody has one")
            continue
        found = measure(chosen, lambda p, t, s, kind=kind: simulate(p, t, "student", s, kinds={kind}))
        print(f"{kind:16} {found.line()}", flush=True)


def second(passages: list[tuple[str, Passage]], _: int) -> None:
    """Takes of the second simulator: levels, habits, and each of its slips alone."""
    for level in RATES:
        for doubled in DOUBLED:
            found = measure(passages, lambda p, t, s, a=level, d=doubled: second_take(p, t, a, s, doubled=d))
            print(f"{level:9} doubled: {doubled:7} {found.line()}", flush=True)
    for habit in HABITS[1:]:
        found = measure(passages, lambda p, t, s, habit=habit: second_take(p, t, "messy", s, habit))
        print(f"messy, {habit:19} {found.line()}", flush=True)


def octaves(passages: list[tuple[str, Passage]], _: int) -> None:
    """Whole takes an octave too low, and how often a take at pitch is taken for one that is not."""
    for level in LEVELS:
        found = measure(passages, lambda p, t, s, level=level: _low(simulate(p, t, level, s)))
        print(f"{level:9} an octave low  {found.line()}", flush=True)


@dataclass(frozen=True)
class _Moved:
    played: Any
    truth: Any


def _low(take: Any) -> _Moved:
    played = take.played.copy()
    played["written_midi"] -= 12
    return _Moved(played, take.truth)


def speed(_: list[tuple[str, Passage]], __: int) -> None:
    """Time of one take and of events in a flood, and a passage of 5,000 notes."""
    for bars in (8, 18, 60):
        passage = melody(8, bars)
        take = simulate(passage, 90.0, "student", 1)
        spent = min(_timed(lambda p=passage, t=take: align(p, t.played, 90.0)) for _ in range(15))
        print(f"align, {len(passage.notes)} notes, {len(take.played)} played: {1e3 * spent:.2f} ms")
    passage = melody(3, 480)
    take = simulate(passage, 100.0, "messy", 3)
    spent = _timed(lambda: align(passage, take.played, 100.0))
    found = f1(take.truth, realised(passage, take.played, 100.0))
    print(f"align, {len(passage.notes)} notes, {len(take.played)} played: {spent:.2f} s, F {found:.4f}")
    live = Follower(passage, 100.0, 0)
    events = raw_events(take.played)
    costs_ms = [1e3 * _timed(lambda e=event: live.hear(e)) for event in events]
    print(f"live, the same: mean {np.mean(costs_ms):.3f} ms an event, p99 {np.percentile(costs_ms, 99):.3f}")
    for bars in (16, 60, 480):
        piece, rng = melody(2, bars), np.random.default_rng(1)
        pitches = 55 + rng.integers(0, 25, 4000)
        flood = [RawEvent(k * 1_000_000, bytes((0x80 + 16 * (k % 2), int(m), 80))) for k, m in enumerate(pitches)]
        live = Follower(piece, 90.0, 0)
        spent = _timed(lambda live=live, flood=flood: [live.hear(event) for event in flood])
        print(f"live, {len(piece.notes)} notes, 4,000 events in four seconds: {spent:.2f} s")


def _timed(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def measure(passages: list[tuple[str, Passage]], take_of: Callable[[Passage, float, int], Any]) -> Found:
    """Offline and live figures over one take a melody."""
    found = Found()
    for place, (name, passage) in enumerate(passages):
        tempo_bpm = tempo_of(place)
        take = take_of(passage, tempo_bpm, FIRST_SEED + place)
        if not len(take.played):
            continue
        began = time.process_time()
        alignment = align(passage, take.played, tempo_bpm)
        found.take_ms.append(1e3 * (time.process_time() - began))
        found.notes += len(take.played)
        found.places.append(name)
        found.f.append(f1(take.truth, alignment.pairs[: len(take.played), 0]))
        began, events = time.process_time(), len(raw_events(take.played))
        place_now = -1
        for truth, caret in zip(take.truth, caret_after(passage, tempo_bpm, take.played), strict=True):
            place_now = int(truth) if truth >= 0 else place_now
            found.exact.append(bool(caret == place_now + 1))
            found.lost.append(bool(abs(caret - place_now - 1) > 2))
        found.event_ms.append(1e3 * (time.process_time() - began) / events)
    return found


def caret_after(passage: Passage, tempo_bpm: float, played: Any) -> Any:
    """Where the caret stands right after each note began."""
    live, found = Follower(passage, tempo_bpm, 0), []
    for event in raw_events(played):
        live.hear(event)
        if event.message[0] == 0x90:
            found.append(live.caret)
    return np.array(found)


def realised(passage: Passage, played: Any, tempo_bpm: float) -> Any:
    """Score index of each played note by `align`."""
    return align(passage, played, tempo_bpm).pairs[: len(played), 0]


def equals_mir_eval(passage: Passage, tempo_bpm: float, played: Any) -> bool:
    """Are our onset scores those of mir_eval, to the last digit?"""
    due_s = note_onsets_s(passage, tempo_bpm)
    shift_s = min(0.0, float(played["onset_s"].min()), float(due_s.min()))
    midis = [note.written_midi for note in passage.notes], played["written_midi"].astype(int).tolist()
    ours = onset_scores(due_s - shift_s, midis[0], played["onset_s"] - shift_s, midis[1])
    theirs = mir_eval_scores(due_s - shift_s, midis[0], played["onset_s"] - shift_s, midis[1], 0.05)
    return (ours.precision, ours.recall, ours.f_measure) == theirs


def mir_eval_scores(
    reference_s: Any, reference_midi: Any, played_s: Any, played_midi: Any, tolerance_s: float
) -> tuple[float, ...]:
    """Precision, recall and F by onset and pitch, from mir_eval."""
    from mir_eval import transcription, util

    intervals = [np.stack([np.array(side), np.array(side) + 0.1], axis=1) for side in (reference_s, played_s)]
    pitches = [util.midi_to_hz(np.array(side, dtype=float)) for side in (reference_midi, played_midi)]
    scores = transcription.precision_recall_f1_overlap(
        intervals[0], pitches[0], intervals[1], pitches[1], onset_tolerance=tolerance_s, offset_ratio=None
    )
    return tuple(float(score) for score in scores[:3])


def print_onset_cases() -> None:
    """The rows of `tests/practice/onset_scores.csv`."""
    print("seed,tolerance_s,precision,recall,f_measure")
    for seed in SEEDS:
        for tolerance_s in TOLERANCES_S:
            scores = mir_eval_scores(*case(seed), tolerance_s)
            print(f"{seed},{tolerance_s}," + ",".join(map(repr, scores)))


def add(figures: dict[str, list[float]], name: str, value: float) -> None:
    figures.setdefault(name, []).append(value)


SECTIONS: dict[str, Callable[[list[tuple[str, Passage]], int], None]] = {
    "levels": levels,
    "kinds": kinds,
    "second": second,
    "octaves": octaves,
    "speed": speed,
}


if __name__ == "__main__":
    sys.exit(main())
