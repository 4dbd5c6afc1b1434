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

`changes` are those pairs one by one, with the truth of which note is which. `scales` are all major and harmonic minor
scales through the range, up and down in eighths, as the planner fingers them, two changes of five with fingers apart,
followed by the program itself.

Budget: at least 95 % of those that can be told named right, none named that can't.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise, product
from random import Random
from typing import NamedTuple

import numpy as np

from companion import charts
from companion.charts.model import Chart, Fingering
from companion.passage import Bar, Note, Passage, Pitch
from companion.planning import plan as plan_of
from companion.planning.hands import awkward
from companion.planning.model import Choice, Plan
from companion.practice import align
from companion.practice.model import PLAYED, PlayedArray, Slip
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


def note_of(i: int, written_midi: int, length: Fraction) -> Note:
    """The i-th of equally long notes."""
    name = NAMES[written_midi % 12]
    written = Pitch(name[0], len(name) - 1, written_midi // 12 - 1)
    return Note(i, written, i * length, length, 0, i * length + 1, i)


def scale_of(pitches: list[int], length: Fraction = Fraction(1, 2)) -> Passage:
    """These notes in one long bar."""
    notes = tuple(note_of(i, midi, length) for i, midi in enumerate(pitches))
    return Passage("made", notes, (Bar(0, "1", 0, Fraction(0), len(notes) * length, 4, 4),))


def passage_of(a: Fingering, b: Fingering, count: int) -> tuple[Passage, Plan]:
    """`a b a b ...` in quarters, as fingered."""
    fingerings = [(a, b)[i % 2] for i in range(count)]
    passage = scale_of([fingering.written_midi for fingering in fingerings], Fraction(1))
    return passage, Plan("", tuple(Choice(i, fingering, "") for i, fingering in enumerate(fingerings)), "")


class Row(NamedTuple):
    """A note as played; `note` is its score index, -1 for a blip."""

    onset_s: float
    midi: int
    note: int


#: A blip and the ways to have come so far that sound it, by its place among the notes played.
Truth = dict[int, tuple[Blip, list[dict[str, int]]]]


def uneven_take(chart: Chart, plan: Plan, due_s: list[float], share: float, rng: Random) -> tuple[list[Row], Truth]:
    """The notes of a plan, each when it is due, with blips before a share of them."""
    first = plan.choices[0].fingering
    rows, truth = [Row(due_s[0], first.written_midi, 0)], Truth()
    for i in range(1, len(plan.choices)):
        before, after = (plan.choices[k].fingering for k in (i - 1, i))
        notes = play(chart, before.keys, after.keys, rng) if rng.random() < share else []
        lives_s = [b.from_s - a.from_s for a, b in pairwise(notes)]
        if not notes or max(lives_s, default=0.0) >= LONGEST_S or len(notes) > 5:
            rows.append(Row(due_s[i], after.written_midi, i))
            continue
        between = [note for note in notes if note.midi not in (before.written_midi, after.written_midi)]
        ways = consistent(chart, before.keys, after.keys, [note.midi for note in between])
        arrives_s = notes[-1].from_s
        for note in notes[:-1]:
            if note in between:
                truth[len(rows)] = (note, ways[between.index(note)])
            rows.append(Row(due_s[i] + note.from_s - arrives_s, note.midi, -1))
        rows.append(Row(due_s[i], after.written_midi, i))
    return rows, truth


def as_played(rows: list[Row]) -> PlayedArray:
    """All slurred."""
    played = np.zeros(len(rows), dtype=PLAYED)
    played["onset_s"], played["written_midi"] = [row.onset_s for row in rows], [row.midi for row in rows]
    played["offset_s"], played["velocity"] = np.append(played["onset_s"][1:], rows[-1].onset_s + STEP_S), 80
    return played


def changes(chart: Chart, trials: int, seed: int) -> Counter[str]:
    """Counts over all changes of an instrument."""
    count: Counter[str] = Counter()
    rng = Random(f"{chart.name}/{seed}")
    for a, b in pairs_of(chart):
        if a.written_midi > b.written_midi:
            continue
        count["pairs"] += 1
        passage, plan = passage_of(a, b, 2 * trials)
        rows, truth = uneven_take(chart, plan, [i * STEP_S for i in range(2 * trials)], 1.0, rng)
        realised = np.array([row.note for row in rows])
        tally_all(count, rows, truth, find_slips(passage, as_played(rows), realised, plan, chart))
    return count


def scales(chart: Chart, trials: int, seed: int) -> Counter[str]:
    """Counts over all scales, followed by `align`."""
    count: Counter[str] = Counter()
    for tonic, steps, trial in product(range(12), ((0, 2, 4, 5, 7, 9, 11), (0, 2, 3, 5, 7, 8, 11)), range(trials)):
        rng = Random(f"{chart.name}/{tonic}/{steps}/{trial}/{seed}")
        up = [m for m in range(chart.lowest_midi, chart.highest_midi + 1) if (m - tonic) % 12 in steps]
        passage = scale_of(up + up[-2::-1])
        count["pairs"] += len(passage.notes) - 1
        bpm = rng.choice((60.0, 80.0, 100.0))
        due_s = [passage.seconds(note.start, bpm) + rng.gauss(0.0, 0.015) for note in passage.notes]
        planned = plan_of(passage, chart)
        rows, truth = uneven_take(chart, planned, due_s, 0.4, rng)
        played = as_played(rows)
        realised = align(passage, played, bpm).pairs[: len(played), 0]
        tally_all(count, rows, truth, find_slips(passage, played, realised, planned, chart))
    return count


def tally_all(count: Counter[str], rows: list[Row], truth: Truth, slips: tuple[Slip, ...]) -> None:
    """The blips of one take."""
    found = {slip.time_s: slip for slip in slips}
    for i, (blip, ways) in truth.items():
        tally(count, found.pop(rows[i].onset_s, None), blip, tellable(ways))
    count["named in vain"] += sum(slip.told for slip in found.values())


def named(finger: str, part: tuple[str, ...]) -> bool:
    """Whether a finger is among those named, by itself or with its hand."""
    return finger in part or f"{finger.split()[0]} hand" in part


def tally(count: Counter[str], slip: Slip | None, blip: Blip, how: str) -> None:
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
    heads = ("changes", "blips", "can be told", "by hand", "right", "wrong", "in vain", "unseen")
    for title, measure in (("changes", changes), ("scales", scales)):
        print(f"{title:10}" + "".join(f"{head:>12}" for head in heads))
        for name in charts.names():
            trials = args.trials if measure is changes else max(args.trials // 4, 1)
            print(
                f"{name:10}" + "".join(f"{cell:>12}" for cell in cells(measure(charts.load(name), trials, args.seed)))
            )
        print(flush=True)


def cells(count: Counter[str]) -> list[object]:
    """A line of the table."""
    told = count["tellable finger"] + count["tellable hand"]
    right = count["right finger"] + count["right hand"]
    rest = [count[key] for key in ("named wrong", "named in vain", "unseen")]
    return [count["pairs"], count["blips"], told, count["tellable hand"], f"{right / max(told, 1):.2%}", *rest]


if __name__ == "__main__":
    main()
