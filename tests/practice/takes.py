"""Made melodies, simulated takes of them, and how well a matching agrees with the truth of a take."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from companion.passage import Bar, Note, Passage, Pitch
from companion.practice.model import PlayedArray, RawEvent
from companion.practice.simulation import LEVELS, simulate
from companion.units import ns_from_s

__all__ = ["LEVELS", "Take", "f1", "melody", "raw_events", "take"]

_STEPS = (("C", 0), ("D", 0), ("E", 0), ("F", 0), ("G", 0), ("A", 0), ("B", 0))


_RHYTHMS = ("4", "22", "211", "112", "1111", "22", "31", "1111")


def melody(seed: int, bars: int = 16, upbeat: bool = False) -> Passage:
    """An invented melody in 4/4: mostly steps, some leaps, repeated notes and repeated figures."""
    rng = np.random.default_rng(seed)
    notes: list[Note] = []
    made_bars: list[Bar] = []
    start, degree = Fraction(0), int(rng.integers(31, 40))
    figures: list[list[tuple[int, int]]] = []
    for index in range(bars):
        length = Fraction(1) if upbeat and index == 0 else Fraction(4)
        if len(figures) > 2 and rng.random() < 0.25 and length == 4:
            figure = figures[int(rng.integers(len(figures)))]
        else:
            figure = []
            for _beat in range(int(length)):
                for sixteenths in _RHYTHMS[int(rng.integers(len(_RHYTHMS)))]:
                    figure.append((int(sixteenths), int(rng.choice([-1, 1, -1, 1, 0, -2, 2, -4, 4]))))
            if length == 4:
                figures.append(figure)
        made_bars.append(Bar(index, str(index if upbeat else index + 1), index, start, length, 4, 4, upbeat=length < 4))
        at = start
        for sixteenths, move in figure:
            degree += move
            degree += 2 if degree < 29 else -2 if degree > 43 else 0
            step, alter = _STEPS[degree % 7]
            count = (at - start) + (Fraction(4) - length) + 1
            notes.append(
                Note(len(notes), Pitch(step, alter, degree // 7), at, Fraction(sixteenths, 4), index, count, len(notes))
            )
            at += Fraction(sixteenths, 4)
        start += length
    return Passage(f"Study {seed}", tuple(notes), tuple(made_bars))


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """Played notes, and the score index each one realises (-1 where it is extra)."""

    played: PlayedArray
    truth: np.ndarray


def take(passage: Passage, tempo_bpm: float, level: str, seed: int) -> Take:
    """A simulated take as one line of notes: each ends where the next begins at the latest, as it is heard."""
    made = simulate(passage, tempo_bpm, level, seed)
    played = made.played.copy()
    played["offset_s"][:-1] = np.minimum(played["offset_s"][:-1], played["onset_s"][1:])
    return Take(played, made.truth)


def f1(truth: np.ndarray, found: np.ndarray) -> float:
    """Balanced F of the (score, played) pairs: `found[i]` is the score index for played note i, -1 where extra."""
    right = int(np.sum((truth == found) & (truth >= 0)))
    total = int(np.sum(truth >= 0) + np.sum(found >= 0))
    return 2.0 * right / total if total else 1.0


def raw_events(played: PlayedArray, start_ns: int = 0) -> tuple[RawEvent, ...]:
    """The MIDI messages of a take: tongued notes, note-off before note-on."""
    found = []
    for row in played:
        found.append((ns_from_s(float(row["onset_s"])), 1, bytes((0x90, int(row["written_midi"]), 80))))
        if np.isfinite(row["offset_s"]):
            found.append((ns_from_s(float(row["offset_s"])), 0, bytes((0x80, int(row["written_midi"]), 64))))
    return tuple(RawEvent(start_ns + time_ns, message) for time_ns, _, message in sorted(found))
