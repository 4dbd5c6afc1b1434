"""Sixteenth-note passages of any length for benchmarks and tests: seeded, in a key, within the range of the saxophone.

    python benchmarks/make_passage.py 64 --seed 3 > passage.musicxml

Each half bar has a chord of a row of harmonies that leads home; each beat is a figure a study would use (scale, broken
chord, turn, thirds) that starts near where the one before ended. Articulations change every few bars.
"""

from __future__ import annotations

import argparse
import random
import sys
from dataclasses import dataclass
from fractions import Fraction

from companion.passage import Bar, Note, Passage, Pitch, Slur, TempoMark
from companion.scores.write import to_musicxml

__all__ = ["made_passage"]

_STEPS = "CDEFGAB"
_SEMITONES = (0, 2, 4, 5, 7, 9, 11)
_SHARPS = "FCGDAEB"
#: Written B♭3 to F♯6, less a step at both ends so that neighbours stay inside.
_LOWEST_MIDI, _HIGHEST_MIDI = 59, 88
#: Roots as steps above the tonic, one a half bar, for four bars.
_HARMONIES = ((0, 0, 3, 4, 0, 5, 4, 0), (0, 5, 3, 1, 4, 4, 0, 0), (0, 3, 6, 2, 5, 1, 4, 0), (0, 4, 5, 2, 3, 0, 4, 4))
_SIXTEENTH = Fraction(1, 4)
#: Slurs within a beat, as (first, last) sixteenths.
_ARTICULATIONS: tuple[tuple[tuple[int, int], ...], ...] = (((0, 1),), ((0, 3),), (), ((0, 1), (2, 3)), ((1, 3),))


@dataclass(frozen=True, slots=True)
class _Key:
    """`tonic` is a step counted from C of octave 0; a minor key raises its leading note in dominant chords."""

    fifths: int
    minor: bool

    @property
    def tonic(self) -> int:
        return (4 * (self.fifths + (3 if self.minor else 0))) % 7

    def alter(self, step: int) -> int:
        place = _SHARPS.index(_STEPS[step % 7])
        return 1 if place < self.fifths else -1 if 6 - place < -self.fifths else 0

    def pitch(self, step: int, chord_root: int) -> Pitch:
        """The note `step` steps above C0 over a chord on the `chord_root`-th step of the key."""
        alter = self.alter(step)
        if self.minor and chord_root in (4, 6) and (step - self.tonic) % 7 == 6:
            alter += 1
        return Pitch(_STEPS[step % 7], alter, step // 7)

    def lower_neighbour(self, pitch: Pitch) -> Pitch:
        """The letter below, a semitone lower."""
        step = _STEPS.index(pitch.step) + 7 * pitch.octave - 1
        plain = 12 * (step // 7 + 1) + _SEMITONES[step % 7]
        return Pitch(_STEPS[step % 7], pitch.midi - 1 - plain, step // 7)


def made_passage(bars: int, seed: int) -> Passage:
    """A passage of sixteenths in 4/4.

    Parameters
    ----------
    bars
        How many, at least 1.
    seed
        Key, notes and articulations follow from it; the same seed gives the same beginning at any length but the end.

    Returns
    -------
    Passage
        16 notes a bar between written B♭3 and F♯6, the last bar ending on the tonic; `source` counts the notes.
    """
    if bars < 1:
        raise ValueError(f"a passage of {bars} bars can't be made")
    rng = random.Random(seed)
    key = _Key(rng.choice((-4, -3, -2, -1, 0, 1, 2, 3, 4)), rng.random() < 0.5)
    pitches = _line(bars, key, rng)
    notes = [
        Note(
            index=i,
            written=pitch,
            start=i * _SIXTEENTH,
            length=_SIXTEENTH,
            bar=i // 16,
            count=1 + (i % 16) * _SIXTEENTH,
            source=i,
        )
        for i, pitch in enumerate(pitches)
    ]
    slurs = _slurs(bars, rng)
    led_into = {i for slur in slurs for i in range(slur.first + 1, slur.last + 1)}
    notes = [_tongued(note, note.index not in led_into) for note in notes]
    tempo = rng.choice((72, 80, 88, 96, 104))
    return Passage(
        title=f"Study {seed}",
        notes=tuple(notes),
        bars=tuple(_bar(i, key) for i in range(bars)),
        slurs=tuple(slurs),
        tempos=(TempoMark(Fraction(0), tempo, f"♩ = {tempo}"),),
        composer="companion",
        part_name="Saxophone",
    )


def _bar(index: int, key: _Key) -> Bar:
    start = Fraction(4 * index)
    mode = "minor" if key.minor else "major"
    return Bar(index, str(index + 1), index, start, Fraction(4), 4, 4, key.fifths, mode)


def _tongued(note: Note, tongued: bool) -> Note:
    return Note(note.index, note.written, note.start, note.length, note.bar, note.count, note.source, tongued=tongued)


def _line(bars: int, key: _Key, rng: random.Random) -> list[Pitch]:
    at = key.tonic + 7 * 5
    if key.pitch(at, 0).midi > 79:
        at -= 7
    pitches: list[Pitch] = []
    harmony = _HARMONIES[0]
    for half in range(2 * bars):
        if half % 8 == 0:
            harmony = rng.choice(_HARMONIES)
        root = harmony[half % 8] if half < 2 * bars - 1 else 0
        for _ in range(2):
            figure, at = _figure(at, root, key, rng)
            pitches += figure
    tonics = [key.pitch(step, 0) for step in range(key.tonic + 28, key.tonic + 49, 7)]
    in_range = [p for p in tonics if _LOWEST_MIDI <= p.midi <= _HIGHEST_MIDI]
    pitches[-1] = min(in_range, key=lambda p: abs(p.midi - pitches[-2].midi))
    return pitches


def _figure(at: int, root: int, key: _Key, rng: random.Random) -> tuple[list[Pitch], int]:
    """Four notes from about step `at`, and the step where the next figure may begin."""
    chord = {(key.tonic + root + third) % 7 for third in (0, 2, 4)}
    while at % 7 not in chord:
        at += rng.choice((-1, 1))
    at = _within_range(at, root, key)
    way = 1 if rng.random() < 0.5 else -1
    kind = rng.choice(("scale", "scale", "chord", "turn", "thirds"))
    if kind == "turn":
        first = key.pitch(at, root)
        return [first, key.pitch(at + 1, root), first, key.lower_neighbour(first)], at + rng.choice((0, way))
    for direction in (way, -way):
        steps = _steps(kind, at, direction, chord)
        pitches = [key.pitch(step, root) for step in steps]
        if all(_LOWEST_MIDI <= pitch.midi <= _HIGHEST_MIDI for pitch in pitches):
            break
    return pitches, steps[-1] + direction


def _steps(kind: str, at: int, direction: int, chord: set[int]) -> list[int]:
    if kind != "chord":
        return [at + direction * k for k in ((0, 1, 2, 3) if kind == "scale" else (0, 2, 1, 3))]
    steps = [at]
    while len(steps) < 4:
        ahead = range(steps[-1] + direction, steps[-1] + 8 * direction, direction)
        steps.append(next(step for step in ahead if step % 7 in chord))
    return steps


def _within_range(at: int, root: int, key: _Key) -> int:
    """An octave lower or higher where a figure from here would leave the horn both ways."""
    while key.pitch(at, root).midi > _HIGHEST_MIDI - 3:
        at -= 7
    while key.pitch(at, root).midi < _LOWEST_MIDI + 3:
        at += 7
    return at


def _slurs(bars: int, rng: random.Random) -> list[Slur]:
    slurs, pattern = [], rng.choice(_ARTICULATIONS)
    for beat in range(4 * bars):
        if beat % 16 == 0:
            pattern = rng.choice(_ARTICULATIONS)
        slurs += [Slur(4 * beat + first, 4 * beat + last) for first, last in pattern]
    return slurs


def main() -> None:
    """Write one as MusicXML to standard output."""
    parser = argparse.ArgumentParser(description="Write a made passage of sixteenth notes as MusicXML.")
    parser.add_argument("bars", type=int)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    if args.bars < 1:
        parser.error("bars: at least 1")
    sys.stdout.buffer.write(to_musicxml(made_passage(args.bars, args.seed)))


if __name__ == "__main__":
    main()
