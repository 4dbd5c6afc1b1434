"""Whether the early and the late finger of a blip are named. Run by hand:

    python benchmarks/blip_fingers.py [--trials 12] [--seed 0]

Every pair of neighbouring scale notes (a semitone, a whole tone, or the three semitones of harmonic minor apart, up and
down) through the range of every instrument that comes along, with every two fingerings that a plan may choose for them,
also those for trills. The fingers of a change move at random times around a common one (normal, SD 20 ms: fingers of
one change are tens of ms apart, Almeida and others, J. Acoust. Soc. Am. 126 (2009) 1521, on flutes); a finger that goes
from one key to another has one foot on the way for up to 15 ms. What sounds in between for 8 to 75 ms is a blip; what
is shorter is not heard.

What can be told is worked out here, by brute force over the chart and without the program's own table: all sets of
fingers that may have moved (and sliding fingers on neither or both of their keys) that sound the note, and that may
follow one another where there are several. It can be told where some finger has come further than some other in all of
them; `by hand`: where it is sure only which hand was first or last. `right` counts names that hold against the times
drawn: all along the blip each early finger was ahead of each late one.

Budget: at least 95 % of those that can be told named right, none named that can't.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise, product
from random import Random

import numpy as np

from companion import charts
from companion.charts.model import Chart, Fingering
from companion.passage import Bar, Note, Passage, Pitch
from companion.planning.hands import awkward
from companion.planning.model import Choice, Plan
from companion.practice.model import PLAYED
from companion.practice.slips import find_slips

NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
STEP_S, SPREAD_S, LIFT_S = 0.5, 0.020, 0.015
SHORTEST_S, LONGEST_S = 0.008, 0.075


@dataclass(frozen=True)
class Finger:
    """A finger of a change, with the keys that it leaves and presses."""

    name: str
    leaves: frozenset[str]
    presses: frozenset[str]


@dataclass(frozen=True)
class Blip:
    """What sounded between two notes, and how far each finger had come when it began and when it ended: 0, 1 (on the
    way from key to key) or 2."""

    midi: int
    from_s: float
    to_s: float
    begins: dict[str, int]
    ends: dict[str, int]


def fingers_of(chart: Chart, before: frozenset[str], after: frozenset[str]) -> list[Finger]:
    """The fingers that move."""
    moving = before.symmetric_difference(after)
    found: dict[str, set[str]] = {}
    for key in chart.keys:
        if key.name in moving:
            found.setdefault(key.hand + " " + key.finger, set()).add(key.name)
    return [Finger(name, before & keys, after & keys) for name, keys in found.items()]


def play(chart: Chart, before: frozenset[str], after: frozenset[str], rng: Random) -> list[Blip]:
    """Blips of one change whose fingers move at random times; seconds from an arbitrary zero."""
    fingers = fingers_of(chart, before, after)
    events = []
    for finger in fingers:
        lands_s = rng.gauss(0.0, SPREAD_S)
        if finger.leaves and finger.presses:
            # A finger that rolls may be on both keys, one that jumps on neither.
            early_s = rng.uniform(0.0, LIFT_S)
            rolls = rng.random() < 0.5
            events.append((lands_s - early_s, finger.name, 1, finger.presses if rolls else frozenset(), rolls))
        events.append((lands_s, finger.name, 2, finger.presses, False))
    events.sort(key=lambda event: event[0])
    held, progress = set(before), {finger.name: 0 for finger in fingers}
    by_name = {finger.name: finger for finger in fingers}
    notes: list[Blip] = []
    for at, (time_s, name, far, keys, keeps) in enumerate(events):
        if not keeps:
            held -= by_name[name].leaves
        held |= keys
        progress[name] = far
        until_s = events[at + 1][0] if at + 1 < len(events) else float("inf")
        midi = chart.sound(held)
        if until_s - time_s < SHORTEST_S:
            continue
        if notes and notes[-1].midi == midi:
            notes[-1] = replace(notes[-1], to_s=until_s, ends=dict(progress))
        else:
            notes.append(Blip(midi, time_s, until_s, dict(progress), dict(progress)))
    return notes


def consistent(chart: Chart, before: frozenset[str], after: frozenset[str], heard: list[int]) -> list[list[dict]]:
    """For each note heard, the ways to have come so far that sound it and fit the notes before and after it."""
    fingers = fingers_of(chart, before, after)
    stay = before & after
    ways: dict[int, list[dict[str, int]]] = {midi: [] for midi in heard}
    for far in product(*(((0, 1, 3, 2) if f.leaves and f.presses else (0, 2)) for f in fingers)):
        keys = set(stay)
        for finger, place in zip(fingers, far, strict=True):
            # 1 is on neither key, 3 on both.
            keys |= finger.leaves if place in (0, 3) else frozenset()
            keys |= finger.presses if place in (2, 3) else frozenset()
        if set(far) not in ({0}, {2}):
            midi = chart.sound(keys)
            if midi in ways:
                ways[midi].append(
                    {f.name: min(place, 2) if place != 3 else 1 for f, place in zip(fingers, far, strict=True)}
                )

    def follows(a: dict[str, int], b: dict[str, int]) -> bool:
        return a != b and all(a[name] <= b[name] for name in a)

    forth: list[list[dict[str, int]]] = []
    for midi in heard:
        forth.append([w for w in ways[midi] if not forth or any(follows(before_it, w) for before_it in forth[-1])])
    for at in range(len(forth) - 2, -1, -1):
        forth[at] = [w for w in forth[at] if any(follows(w, after_it) for after_it in forth[at + 1])]
    return forth


def tellable(ways: list[dict[str, int]]) -> str:
    """`finger`, `hand` or empty."""
    if not ways:
        return ""
    if any(all(way[a] > way[b] for way in ways) for a in ways[0] for b in ways[0]):
        return "finger"
    firsts = [{n for n, p in way.items() if p == max(way.values()) > min(way.values())} for way in ways]
    lasts = [{n for n, p in way.items() if p == min(way.values()) < max(way.values())} for way in ways]
    sides = []
    for found in (firsts, lasts):
        everywhere = set.intersection(*found)
        hands = {name.split()[0] for names in found for name in names}
        if everywhere:
            sides.append(("finger", {name.split()[0] for name in everywhere}))
        elif all(found) and len(hands) == 1:
            sides.append(("hand", hands))
        else:
            return ""
    return "hand" if sides[0][1].isdisjoint(sides[1][1]) else ""


def pairs_of(chart: Chart) -> list[tuple[Fingering, Fingering]]:
    """All changes between neighbouring scale notes that a plan may hold."""
    found = []
    for a in chart.fingerings:
        for b in chart.fingerings:
            if 1 <= abs(a.written_midi - b.written_midi) <= 3 and not awkward(a.keys, b.keys):
                found.append((a, b))
    return found


def passage_of(a: Fingering, b: Fingering, count: int) -> tuple[Passage, Plan]:
    """`a b a b ...` in quarters at 120, as fingered."""
    notes, choices = [], []
    for i in range(count):
        fingering = (a, b)[i % 2]
        name = NAMES[fingering.written_midi % 12]
        written = Pitch(name[0], len(name) - 1, fingering.written_midi // 12 - 1)
        notes.append(Note(i, written, Fraction(i), Fraction(1), 0, Fraction(i + 1), i))
        choices.append(Choice(i, fingering, ""))
    bar = Bar(0, "1", 0, Fraction(0), Fraction(count), count, 4)
    return Passage("changes", tuple(notes), (bar,)), Plan("", tuple(choices), "")


def measure(chart: Chart, trials: int, seed: int) -> Counter[str]:
    """Counts over all changes of an instrument."""
    count: Counter[str] = Counter()
    rng = Random(f"{chart.name}/{seed}")
    for a, b in pairs_of(chart):
        if a.written_midi > b.written_midi:
            continue
        count["pairs"] += 1
        passage, plan = passage_of(a, b, 2 * trials)
        rows: list[tuple[float, int, int]] = [(0.0, a.written_midi, 0)]
        truth: dict[int, tuple[Blip, list[dict[str, int]]]] = {}
        for i in range(1, len(passage.notes)):
            before, after = (plan.choices[k].fingering for k in (i - 1, i))
            due_s = i * STEP_S
            wrong = play(chart, before.keys, after.keys, rng)
            ends = (before.written_midi, after.written_midi)
            sounding = [n for n in wrong if n.midi not in ends]
            lives_s = [b.from_s - a.from_s for a, b in pairwise(wrong)]
            if max(lives_s, default=0.0) >= LONGEST_S or len(wrong) > 5:
                rows.append((due_s, after.written_midi, i))
                continue
            ways = consistent(chart, before.keys, after.keys, [n.midi for n in sounding])
            for n in wrong[:-1]:
                if n.midi not in ends:
                    truth[len(rows)] = (n, ways[sounding.index(n)])
                rows.append((due_s + n.from_s, n.midi, -1))
            rows.append((due_s + wrong[-1].from_s, after.written_midi, i))
        played = np.zeros(len(rows), dtype=PLAYED)
        played["onset_s"] = [row[0] for row in rows]
        played["written_midi"] = [row[1] for row in rows]
        played["offset_s"] = np.append(played["onset_s"][1:], played["onset_s"][-1] + STEP_S)
        realised = np.array([row[2] for row in rows])
        slips = {
            int(np.argmin(np.abs(played["onset_s"] - s.time_s))): s
            for s in find_slips(passage, played, realised, plan, chart)
        }
        for i, (blip, ways) in truth.items():
            tally(count, slips.get(i), blip, tellable(ways))
    return count


def named(finger: str, part: tuple[str, ...]) -> bool:
    """Whether a finger is among those named, by itself or with its hand."""
    return finger in part or f"{finger.split()[0]} hand" in part


def tally(count: Counter[str], slip, blip: Blip, how: str) -> None:
    """One blip."""
    count["blips"] += 1
    count["unseen"] += slip is None
    count[f"tellable {how}"] += bool(how)
    if slip is None or not slip.told:
        return
    by_hand = any(name.endswith(" hand") for name in (*slip.early, *slip.late))
    right = True
    for progress in (blip.begins, blip.ends):
        ahead, behind = ([progress[n] for n in progress if named(n, part)] for part in (slip.early, slip.late))
        right &= max(ahead) > min(behind) if by_hand else min(ahead) > max(behind)
    if not how:
        count["named in vain"] += 1
    elif not right:
        count["named wrong"] += 1
    else:
        count[f"right {how}"] += 1


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=12, help="changes each way for each pair of fingerings")
    parser.add_argument("--seed", type=int, default=0)
    args = parser.parse_args()
    heads = ("pairs", "blips", "can be told", "by hand", "right", "wrong", "in vain", "unseen")
    print(f"{'':10}" + "".join(f"{head:>13}" for head in heads))
    for name in charts.names():
        count = measure(charts.load(name), args.trials, args.seed)
        told = count["tellable finger"] + count["tellable hand"]
        right = count["right finger"] + count["right hand"]
        counts = [count[key] for key in ("named wrong", "named in vain", "unseen")]
        cells = [count["pairs"], count["blips"], told, count["tellable hand"], f"{right / told:.2%}", *counts]
        print(f"{name:10}" + "".join(f"{cell:>13}" for cell in cells), flush=True)


if __name__ == "__main__":
    main()
