"""Wrong pitches: a neighbour, a note from close by, the octave, and a key signature that was forgotten."""

from __future__ import annotations

from random import Random

from companion.passage import Note, Passage

__all__ = ["in_midi", "misread_steps", "near", "octave_off", "wrong_pitch"]

#: Share of wrong notes that are a note from close by, read too soon or played once more.
FROM_CLOSE_BY = 0.2
#: The rest are so many semitones off (ours, no source: a finger's slip is a semitone or a tone most of the time).
_NEAR = (1, -1, 2, -2, 3, -3, 5)
_NEAR_WEIGHTS = (0.2, 0.2, 0.15, 0.15, 0.05, 0.05, 0.05)
#: Which letter each further sharp of a key signature belongs to; flats come the other way round.
_SHARPS = "FCGDAEB"


def in_midi(number: int) -> int:
    """The note number, kept within MIDI's 0 to 127."""
    return min(127, max(0, number))


def near(midi: int, rng: Random) -> int:
    """A pitch a finger's slip away."""
    return in_midi(midi + rng.choices(_NEAR, _NEAR_WEIGHTS)[0])


def octave_off(midi: int, rng: Random) -> int:
    """An octave lower or higher."""
    return in_midi(midi + rng.choice((-12, 12)))


def wrong_pitch(passage: Passage, note: Note, rng: Random) -> int:
    """What is played in place of a note: one from close by or a neighbour."""
    close_by = passage.notes[max(note.index - 2, 0) : note.index + 3]
    others = [other.written_midi for other in close_by if other.written_midi != note.written_midi]
    if others and rng.random() < FROM_CLOSE_BY:
        return rng.choice(others)
    return near(note.written_midi, rng)


def misread_steps(passage: Passage) -> frozenset[tuple[str, int]]:
    """Letter and alteration that are missed by a player who forgets the last sharp (or flat) of the key signature that
    the passage makes use of; empty where there is none."""
    signed = {bar.index: _signature(bar.fifths) for bar in passage.bars}
    spelled = [((note.written.step, note.written.alter), note.bar) for note in passage.notes]
    used = {name for name, bar in spelled if name in signed[bar]}
    in_order = [name for bar in passage.bars for name in signed[bar.index] if name in used]
    return frozenset(in_order[-1:])


def _signature(fifths: int) -> tuple[tuple[str, int], ...]:
    """Letters and alterations of a key signature, in the order they are written."""
    if fifths >= 0:
        return tuple((step, 1) for step in _SHARPS[:fifths])
    return tuple((step, -1) for step in _SHARPS[::-1][:-fifths])
