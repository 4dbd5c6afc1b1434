"""Swung quavers: the off-beats of a take come late.

The ratio of long to short is drawn between 1.3 and 2.2 to 1: soloists stay under 2 at medium tempi, drummers reach 3.5
at slow ones, and from medium tempi on the short note lasts about 100 ms (A. Friberg and A. Sundström, Music Perception
19 (2002) 333-349).
"""

from __future__ import annotations

from fractions import Fraction
from random import Random

from companion.passage import Note, Passage

__all__ = ["off_beats", "swing"]

RATIO, SHORTEST_S = (1.3, 2.2), 0.1


def off_beats(passage: Passage) -> frozenset[int]:
    """Notes that begin within a quarter, where the quarter is the beat and divided in two (or four)."""
    return frozenset(note.index for note in passage.notes if _phase(passage, note))


def swing(passage: Passage, starts_s: list[float], ends_s: list[float], beat_s: float, rng: Random) -> None:
    """Draw out the first half of each quarter and press the second together (in place)."""
    ratio = rng.uniform(*RATIO)
    first = max(min(ratio / (1 + ratio), 1 - SHORTEST_S / beat_s), 0.5)

    def later(phase: float) -> float:
        at = phase % 1
        return (at * 2 * first if at <= 0.5 else first + (at - 0.5) * 2 * (1 - first)) - at

    for note in passage.notes:
        phase = _phase(passage, note)
        if phase is not None:
            starts_s[note.index] += later(float(phase)) * beat_s
            ends_s[note.index] += later(float(phase + note.length)) * beat_s


def _phase(passage: Passage, note: Note) -> Fraction | None:
    """How far into its quarter a note begins; None for a note that isn't swung at all."""
    if note.grace or note.tuplet is not None or passage.bars[note.bar].beat_type != 4:
        return None
    return (note.count - 1) % 1
