"""How well beginnings are told slurred or tongued, on simulated takes whose truth is known. Run by hand (a minute):

    python benchmarks/articulation.py [--tunes 60] [--seeds 2]

Melodies of music21's corpus; where one has few slurs of its own, some are drawn (always the same ones). Every take is
heard from its MIDI messages, as sent by several kinds of device:

* `as sent`: the simulator's own habits, with breath where it has any,
* `no breath`: the same without,
* `jitter`: every message late by its own 0 to 3 ms (a busy USB port; common practice, no source),
* `5 ms grid`: times rounded, as slow devices do,
* `breath only`: no gaps at all, the tongue shows in the breath (wind controllers only).

`told right` is the share of notes that were played with a note before them; with `own matching` the notes are those
that `align` finds instead of the true ones. A note reached through a blip was begun where the blip was.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from itertools import pairwise
from random import Random

import numpy as np
from listening_tunes import for_reporting

from companion.arrays import Ints
from companion.passage import Passage
from companion.practice.articulation import articulations
from companion.practice.hearing import breath_of, to_played
from companion.practice.matching import align
from companion.practice.model import (
    BREATH,
    NOT_SLURRED,
    NOT_TONGUED,
    SLURRED,
    TONGUED,
    BreathArray,
    PlayedArray,
    RawEvent,
)
from companion.practice.simulation import LEVELS, SimulatedTake, simulate
from companion.units import ns_from_s

#: Wanted of student takes.
BUDGET = 0.99
DEVICES = ("as sent", "no breath", "jitter", "5 ms grid", "breath only")
TEMPI_BPM = (60.0, 84.0, 108.0, 144.0)
#: Messages lie after this on the clock.
START_NS = 10**12


def slurred(passage: Passage, seed: int) -> Passage:
    """The passage as it is where a fifth of it is slurred, or else with slurs drawn over two to six notes."""
    notes = passage.notes
    if sum(not note.tongued for note in notes) >= 0.2 * len(notes):
        return passage
    rng, into, at = Random(f"slurs/{seed}"), set[int](), 0
    while at + 1 < len(notes):
        last = min(at + rng.randrange(1, 6), len(notes) - 1)
        if rng.random() < 0.6:
            into |= {b.index for a, b in pairwise(notes[at : last + 1]) if a.end == b.start and not a.grace}
        at = last + 1
    return replace(passage, notes=tuple(replace(n, tongued=n.index not in into) for n in notes))


def heard(take: SimulatedTake, device: str, rng: Random) -> tuple[PlayedArray, BreathArray | None]:
    """The take as this device sends it."""

    def at_ns(time_s: float) -> int:
        if device == "jitter":
            time_s += rng.uniform(0.0, 0.003)
        return START_NS + ns_from_s(round(time_s / 0.005) * 0.005 if device == "5 ms grid" else time_s)

    events = sorted((RawEvent(at_ns(m.time_s), m.message) for m in take.messages), key=lambda e: e.time_ns)
    played = to_played(events, START_NS)
    if device != "breath only":
        return played, None if device == "no breath" else breath_of(events, START_NS)
    joined = played.copy()
    short = played["onset_s"][1:] - played["offset_s"][:-1] < 0.1
    joined["offset_s"][:-1] = np.where(short, played["onset_s"][1:], played["offset_s"][:-1])
    points = [(float(played["onset_s"][0]), 90)]
    for i in np.flatnonzero(take.tongued[1:]) + 1:
        onset_s = float(played["onset_s"][i])
        points += [(onset_s - 0.01, rng.randrange(20)), (onset_s + 0.01, rng.randrange(80, 100))]
    return joined, np.array(sorted(points), dtype=BREATH)


def begun(take: SimulatedTake, realised: Ints, index: int) -> str:
    """How the note was really begun; empty where it wasn't played."""
    where = np.flatnonzero(realised == index)
    if not len(where):
        return ""
    i = int(where[0])
    while i and take.kinds[i - 1] == "blip":
        i -= 1
    return TONGUED if take.tongued[i] else SLURRED


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tunes", type=int, default=60)
    parser.add_argument("--seeds", type=int, default=2)
    options = parser.parse_args()
    passages = [slurred(tune.passage, i) for i, tune in enumerate(for_reporting(options.tunes))]
    print(f"{len(passages)} melodies, {options.seeds} takes each; wanted of students: {BUDGET:.0%}")
    print(f"{'level':9}{'style':10}{'device':13}{'takes':>6}{'notes':>8}{'told right':>12}{'own matching':>14}", end="")
    print(f"{'not sure':>10}{'wrongly blamed':>16}{'ms a take':>11}")
    for level in LEVELS:
        for style in ("wind", "keyboard"):
            for device in DEVICES if level == "student" else DEVICES[:1]:
                if not (style == "keyboard" and device in ("no breath", "breath only")):
                    report(passages, options.seeds, level, style, device)


def report(passages: list[Passage], seeds: int, level: str, style: str, device: str) -> None:
    """One line: a level, a style and a device."""
    notes = right = matched = own_right = unsure = blamed = takes = 0
    took_s = 0.0
    for i, passage in enumerate(passages):
        for seed in range(seeds):
            tempo_bpm = TEMPI_BPM[(i + seed) % len(TEMPI_BPM)]
            take = simulate(passage, tempo_bpm, level, 1000 * seed + i, style=style)
            played, breath = heard(take, device, Random(f"{device}/{i}/{seed}"))
            if len(played) != len(take.played):
                raise SystemExit(f"{len(take.played)} notes were sent and {len(played)} heard, tune {i}, seed {seed}")
            began_s = time.perf_counter()
            found = articulations(passage, played, take.truth, tempo_bpm, breath)
            took_s += time.perf_counter() - began_s
            takes += 1
            for note in found:
                truth = begun(take, take.truth, note.note_index)
                if not (truth and note.played):
                    continue
                notes += 1
                right += note.played == truth
                unsure += note.probability < 0.9
                says = {NOT_SLURRED: TONGUED, NOT_TONGUED: SLURRED}
                blamed += any(says[v] != truth for v in note.verdicts if v in says)
            realised = align(passage, played, tempo_bpm).pairs[: len(played), 0]
            for note in articulations(passage, played, realised, tempo_bpm, breath):
                truth = begun(take, realised, note.note_index)
                if truth and note.played:
                    matched += 1
                    own_right += note.played == truth
    print(
        f"{level:9}{style:10}{device:13}{takes:6}{notes:8}{right / notes:12.4f}{own_right / matched:14.4f}"
        f"{unsure / notes:10.4f}{blamed / notes:16.4f}{1e3 * took_s / takes:11.1f}",
        flush=True,
    )
    if level == "student" and right / notes < BUDGET:
        print(f"  under the budget of {BUDGET}")


if __name__ == "__main__":
    main()
