"""A second, differently built player for `listening.py`, so that the matching is not fitted to one simulator.

It first writes down what will be played, visit by visit (a list of score notes with what happens at each), then gives
the list its times, segment by segment. Jitter is uniform, tempo changes come by segments, omissions in runs, wrong
pitches are spread evenly, every time is rounded to a millisecond. `habits` are whole-take properties: a take slower or
faster throughout, a late entry, swung quavers, offsets missing or equal to the onset. No figure is measured on players:
the levels are meant to be about as hard as those of the shipped simulator, by other means.

A doubled note (struck twice) is true to its note both times, as a stutter is, or extra the second time (`DOUBLED`):
makers of takes differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from companion.passage import Passage
from companion.practice.clock import note_onsets_s
from companion.practice.model import PLAYED, PlayedArray

__all__ = ["HABITS", "RATES", "SecondTake", "second_take"]


@dataclass(frozen=True)
class Rates:
    """Half width of the jitter in ms, and chances a note."""

    jitter_ms: float
    wrong: float = 0.0
    run_left_out: float = 0.0
    added: float = 0.0
    doubled: float = 0.0
    hesitates: float = 0.0
    back: float = 0.0
    skips: float = 0.0
    tempo_width: float = 0.02


RATES = {
    "clean": Rates(12.0),
    "student": Rates(30.0, 0.015, 0.004, 0.008, 0.004, 0.010, 0.005, 0.0005, 0.06),
    "messy": Rates(45.0, 0.040, 0.010, 0.020, 0.012, 0.020, 0.015, 0.002, 0.12),
    "chaos": Rates(70.0, 0.080, 0.020, 0.040, 0.020, 0.030, 0.030, 0.006, 0.20),
}
HABITS = ("plain", "slower", "faster", "late", "swung", "no offsets", "offset at onset", "trills")
#: The truth of the second stroke of a doubled note: its note again, or extra.
DOUBLED = ("again", "extra")


@dataclass(frozen=True, eq=False)
class SecondTake:
    """Played notes in order of onset, and the score index of each (-1: extra)."""

    played: PlayedArray
    truth: np.ndarray


@dataclass
class _Visit:
    """One note to be played: the score note it realises, its pitch, where it begins and how long it is in quarters from
    the visit before it."""

    realises: int
    midi: int
    quarters: float
    pause_s: float = 0.0
    share: float = 0.9


def second_take(
    passage: Passage,
    tempo_bpm: float,
    level: str,
    seed: int,
    habit: str = "plain",
    doubled: str = "again",
    only: str = "",
) -> SecondTake:
    """One take; the same arguments give the same one. `only` names one field of `Rates` that is to happen alone."""
    rng = np.random.default_rng(seed)
    rates = RATES[level]
    if only:
        rates = Rates(rates.jitter_ms, **{only: getattr(RATES["chaos"], only)})
    visits = _visits(passage, rates, rng, doubled, habit)
    return _timed(visits, passage, tempo_bpm, rates, rng, habit)


def _visits(passage: Passage, rates: Rates, rng: Any, doubled: str, habit: str) -> list[_Visit]:
    notes, found, i, before_s = passage.notes, [], 0, 0.0
    starts = note_onsets_s(passage, 60.0)  # seconds at 60 are quarters where no tempo changes
    pause_s = 0.0
    trilled = set(rng.choice(len(notes), max(1, len(notes) // 20), replace=False)) if habit == "trills" else set()
    last: int | None = None
    while i < len(notes):
        note = notes[i]
        if rng.random() < rates.run_left_out:
            i += int(rng.geometric(0.5))
            continue
        step = float(starts[i] - starts[last]) if last is not None and i > last else before_s
        last = i
        wrong = rng.random() < rates.wrong
        away = int(rng.choice([-5, -4, -3, -2, -2, -1, -1, 1, 1, 2, 2, 3, 4, 5, 12, -12])) if wrong else 0
        whole = float(starts[i + 1] - starts[i]) if i + 1 < len(notes) else max(float(note.length), 0.5)
        if rng.random() < rates.hesitates:
            pause_s += rng.uniform(0.25, 3.0)
        found.append(_Visit(i, note.written_midi + away, step, pause_s))
        pause_s = 0.0
        if note.trill and i in trilled and whole > 0.4:
            many = int(rng.integers(4, 21))
            for k in range(1, many):
                midi = note.trill.other.midi if k % 2 else note.written_midi
                found.append(_Visit(i, midi, whole * 0.92 / many))
            before_s, i = whole * (1 - 0.92 * (many - 1) / many), i + 1
            # What is left of the trilled note comes before the next one.
            last = None if i >= len(notes) else last
            if i < len(notes):
                found.append(_Visit(i, notes[i].written_midi, before_s))
                last, i = i, i + 1
            continue
        if rng.random() < rates.doubled:
            found.append(_Visit(i if doubled == "again" else -1, note.written_midi, 0.0, rng.uniform(0.06, 0.25)))
        if rng.random() < rates.added:
            midi = note.written_midi + int(rng.choice([-4, -3, -2, -1, 1, 2, 3, 4, 7]))
            found.append(_Visit(-1, midi, 0.0, rng.uniform(0.03, 0.6) * max(0.1, whole)))
        before_s = whole
        if rng.random() < rates.back:
            # A stutter over a few notes, or back to the bar or the one before it.
            if rng.random() < 0.5:
                i = max(0, i - int(rng.integers(0, 5)))
            else:
                bar = max(0, note.bar - int(rng.integers(0, 3)))
                i = next(n.index for n in notes if n.bar >= bar)
            pause_s, last, before_s = float(rng.uniform(0.15, 1.5)), None, 0.3
        elif rng.random() < rates.skips and note.bar + 1 < passage.bars[-1].index:
            bar = note.bar + int(rng.integers(1, 4))
            i = next((n.index for n in notes if n.bar >= bar), i + 1)
            pause_s, last, before_s = float(rng.uniform(0.0, 1.0)), None, 0.5
        else:
            i += 1
    return found


def _timed(visits: list[_Visit], passage: Passage, tempo_bpm: float, rates: Rates, rng: Any, habit: str) -> SecondTake:
    pace = {"slower": float(rng.uniform(1.1, 1.4)), "faster": float(1 / rng.uniform(1.1, 1.4))}.get(habit, 1.0)
    beat_s, now_s, segment, bend = 60.0 / tempo_bpm, 0.0, 0, 1.0
    now_s = float(note_onsets_s(passage, tempo_bpm)[visits[0].realises]) if visits and visits[0].realises >= 0 else 0.0
    now_s += float(rng.uniform(1.0, 8.0)) if habit == "late" else 0.0
    rows: list[tuple[float, float, int, int]] = []
    truth: list[int] = []
    extra_s = 0.0
    for k, visit in enumerate(visits):
        if segment == 0:
            segment, bend = int(rng.integers(6, 20)), 1.0 + float(rng.uniform(-1, 1)) * rates.tempo_width
        segment -= 1
        step_s = visit.quarters * beat_s * pace * bend if k else 0.0
        # An added note takes its time from the step after it, so that the beat goes on.
        if k and visit.quarters > 0:
            step_s, extra_s = max(step_s - extra_s, 0.03), 0.0
        if visit.quarters == 0.0 and k:
            extra_s += visit.pause_s
        now_s += step_s + (visit.pause_s if k else 0.0)
        shift_s = 0.0
        if habit == "swung" and visit.realises >= 0:
            note = passage.notes[visit.realises]
            if note.start % 1 == Fraction(1, 2) and note.length <= Fraction(1, 2):
                shift_s = beat_s * pace * (2 / 3 - 1 / 2)
        at_s = now_s + shift_s + float(rng.uniform(-1, 1)) * rates.jitter_ms / 1e3
        if rows:
            at_s = max(at_s, rows[-1][0] + 0.01)
        rows.append((round(at_s, 3), np.nan, visit.midi, 80))
        truth.append(visit.realises)
    played = np.array(rows, dtype=PLAYED)
    if len(played):
        nexts = np.append(played["onset_s"][1:], played["onset_s"][-1] + 0.5)
        played["offset_s"] = np.round(played["onset_s"] + 0.92 * (nexts - played["onset_s"]), 3)
    if habit == "no offsets":
        played["offset_s"] = np.nan
    elif habit == "offset at onset":
        played["offset_s"] = played["onset_s"]
    return SecondTake(played, np.array(truth, dtype=np.int64))
