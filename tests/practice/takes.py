"""Made melodies and made takes of them, with the truth of what every played note realises.

A take walks through the melody with a clock of its own. At every note, with the rates of its `Level`, the walker
hesitates, leaves the note out, plays a wrong pitch (and sometimes corrects it), slips an extra note or a blip in, plays
the last one to four notes again, goes back to a bar line or skips ahead to one. None of the figures is measured on
players: they are chosen so that `student` is a lesson's ordinary take and `chaos` the worst one can still call a take.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from companion.passage import Bar, Note, Passage, Pitch
from companion.practice.model import PLAYED, PlayedArray, RawEvent
from companion.units import ns_from_s

_STEPS = (("C", 0), ("D", 0), ("E", 0), ("F", 0), ("G", 0), ("A", 0), ("B", 0))


@dataclass(frozen=True, slots=True)
class Level:
    """Standard deviation of an onset, and how often things happen, per note."""

    onset_sd_ms: float
    wrong: float = 0.0
    omitted: float = 0.0
    added: float = 0.0
    blip: float = 0.0
    stutter: float = 0.0
    hesitation: float = 0.0
    restart: float = 0.0
    skip: float = 0.0
    pace_sd: float = 0.0
    corrected: float = 0.4


LEVELS = {
    "clean": Level(8.0, pace_sd=0.01),
    "student": Level(18.0, 0.015, 0.010, 0.005, 0.010, 0.007, 0.010, 0.003, 0.000, 0.03),
    "messy": Level(30.0, 0.040, 0.025, 0.015, 0.020, 0.020, 0.025, 0.010, 0.002, 0.05),
    "chaos": Level(45.0, 0.080, 0.050, 0.040, 0.040, 0.040, 0.040, 0.025, 0.007, 0.08),
}

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


class _Walk:
    def __init__(self, passage: Passage, tempo_bpm: float, level: Level, rng: np.random.Generator) -> None:
        self.onsets_s = [passage.seconds(note.start, tempo_bpm) for note in passage.notes]
        self.ends_s = [passage.seconds(note.end, tempo_bpm) for note in passage.notes]
        self.passage, self.level, self.rng = passage, level, rng
        self.pace = 1.0 + level.pace_sd * rng.standard_normal()
        self.rows: list[tuple[float, float, int, int]] = []

    def play(self, time_s: float, midi: int, realises: int, life_s: float) -> None:
        time_s += 1e-3 * self.level.onset_sd_ms * self.rng.standard_normal()
        if self.rows:
            time_s = max(time_s, self.rows[-1][0] + 0.012)
        self.rows.append((time_s, time_s + life_s, midi, realises))

    def wrong_pitch(self, midi: int) -> int:
        away = self.rng.choice(
            [1, -1, 2, -2, 12, -12, 3, -3, 5], p=[0.2, 0.2, 0.15, 0.15, 0.08, 0.07, 0.05, 0.05, 0.05]
        )
        return midi + int(away)

    def landing(self, note: int, lag: int) -> int:
        bar = max(self.passage.notes[note].bar - lag, 0)
        return next((n.index for n in self.passage.notes if n.bar >= bar), note)

    def go(self) -> None:
        level, rng, notes = self.level, self.rng, self.passage.notes
        i, time_s = 0, self.onsets_s[0] + 0.02 * rng.standard_normal()
        while i < len(notes):
            self.pace *= 1.0 + 0.01 * rng.standard_normal() * (level.pace_sd > 0.01)
            self.pace = min(max(self.pace, 0.8), 1.3)
            step_s = self.pace * ((self.onsets_s[i + 1] if i + 1 < len(notes) else self.ends_s[i]) - self.onsets_s[i])
            if rng.random() < level.hesitation:
                time_s += rng.uniform(0.3, 2.5)
            if rng.random() < level.blip:
                near = notes[i].written_midi + int(rng.choice([-2, -1, 1, 2]))
                self.play(time_s - rng.uniform(0.02, 0.06), near, -1, 0.05)
            if rng.random() < level.omitted:
                time_s, i = time_s + step_s, i + 1
                continue
            midi = notes[i].written_midi
            wrong = rng.random() < level.wrong
            self.play(time_s, self.wrong_pitch(midi) if wrong else midi, i, 0.9 * step_s)
            if wrong and rng.random() < level.corrected:
                time_s += rng.uniform(0.2, 0.6)
                self.play(time_s, midi, i, 0.9 * step_s)
            if rng.random() < level.added:
                self.play(time_s + 0.5 * step_s, self.wrong_pitch(midi), -1, 0.4 * step_s)
            time_s += step_s
            i = self.move_on(i)
            if i < 0:
                i = -1 - i
                time_s += rng.uniform(0.2, 1.0)

    def move_on(self, i: int) -> int:
        """The next note, or -1 - note where there is a break before it."""
        level, rng = self.level, self.rng
        if rng.random() < level.stutter:
            return -1 - max(i - int(rng.integers(0, 4)), 0)
        if rng.random() < level.restart:
            return -1 - self.landing(i, int(rng.integers(0, 3)))
        if rng.random() < level.skip:
            ahead = self.landing(i, -int(rng.integers(1, 4)))
            return -1 - ahead if ahead > i else i + 1
        return i + 1


def take(passage: Passage, tempo_bpm: float, level: str | Level, seed: int) -> Take:
    """One take of the passage; the same seed gives the same take."""
    walk = _Walk(passage, tempo_bpm, LEVELS[level] if isinstance(level, str) else level, np.random.default_rng(seed))
    walk.go()
    played = np.array([(on, off, midi, 80) for on, off, midi, _ in walk.rows], dtype=PLAYED)
    if len(played):
        played["offset_s"][:-1] = np.minimum(played["offset_s"][:-1], played["onset_s"][1:])
    return Take(played, np.array([row[3] for row in walk.rows], dtype=np.int64))


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
