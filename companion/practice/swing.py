"""Swung eighths: whether a take swings them, how much, and whether the score asks for it.

Conventions
-----------
* Only pairs of eighths that fill a quarter beat swing. `share` is where in the beat the second one comes: 1/2 is even,
  2/3 is two to one.
* A take swings where the second eighths come late alike, throughout; a few late ones are late notes.
* The score asks for swing where a tempo mark says `swing` or `shuffle`.

References
----------
A. Friberg and A. Sundström, "Swing ratios and ensemble timing in jazz performance", Music Perception 19 (2002) 333-349,
from memory: ratios up to about 3.5 to 1 in slow pieces and near 1 to 1 in fast ones.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from companion.arrays import Floats
from companion.passage import Passage
from companion.practice.evenness import beat_length, in_beats

__all__ = ["Swing", "asks_swing", "find_swing", "ratio_in_words", "swing_offsets_s"]

LEAST_PAIRS = 6
#: Less than this share is uneven and no swing; so many of the pairs must reach the lower one.
LEAST_SHARE, EACH_SHARE, HOW_MANY = 0.56, 0.535, 0.8
#: The pairs swing alike: standard deviation of the share.
MOST_SPREAD = 0.07
_WORDS = ("swing", "shuffle")


@dataclass(frozen=True, slots=True)
class Swing:
    """The second eighths come at `share` of the beat, over `count` pairs. `asked` is whether the score says so."""

    share: float
    count: int
    asked: bool

    @property
    def ratio(self) -> float:
        """Long eighth to short one."""
        return self.share / (1.0 - self.share)


def asks_swing(passage: Passage) -> bool:
    """Does a tempo mark ask for swung eighths?"""
    return any(word in mark.text.lower() for mark in passage.tempos for word in _WORDS)


def find_swing(
    passage: Passage, deviation_s: Floats, tempo_bpm: float, *, leave_out: Collection[int] = ()
) -> Swing | None:
    """The swing of a take; None where the eighths are even, or uneven in no steady way.

    Parameters are those of `evenness.place_timings`.
    """
    pairs = [
        found
        for found in in_beats(passage, deviation_s, tempo_bpm, leave_out=leave_out)
        if found.of == 2 and found.part == Fraction(1, 2)
    ]
    if len(pairs) < LEAST_PAIRS:
        return None
    shares = np.array([0.5 + 0.5 * found.off_s / found.part_s for found in pairs])
    share = float(np.median(shares))
    if share < LEAST_SHARE or float(np.mean(shares >= EACH_SHARE)) < HOW_MANY or float(np.std(shares)) > MOST_SPREAD:
        return None
    return Swing(share, len(pairs), asks_swing(passage))


def swing_offsets_s(passage: Passage, swing: Swing, tempo_bpm: float) -> Floats:
    """By how much swing moves each note back, in seconds [shape=(notes,)]: 0 for all but second eighths."""
    offsets_s = np.zeros(len(passage.notes))
    onsets: dict[Fraction, list[int]] = {}
    for note in passage.notes:
        if not note.grace:
            onsets.setdefault(note.start - note.count % 1, []).append(note.index)
    for note in passage.notes:
        bar = passage.bars[note.bar]
        if note.grace or bar.beat_type != 4 or note.count % 1 != Fraction(1, 2):
            continue
        beat = note.start - Fraction(1, 2)
        # Where there are sixteenths in the beat, nothing of it is swung.
        inside = [passage.notes[i].start - beat for i in onsets.get(beat, ())]
        if any(at not in (0, Fraction(1, 2)) for at in inside):
            continue
        beat_s = passage.seconds(beat + beat_length(bar), tempo_bpm) - passage.seconds(beat, tempo_bpm)
        offsets_s[note.index] = (swing.share - 0.5) * beat_s
    return offsets_s


def ratio_in_words(swing: Swing) -> str:
    """`about 2 to 1`, to the nearest half."""
    return f"about {max(round(2 * swing.ratio) / 2, 1.5):g} to 1"
