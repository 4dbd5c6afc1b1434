"""Swung eighths: whether a take swings them, how much, and whether the score asks for it.

Conventions
-----------
* `share` is where in a quarter beat its second eighth comes: 1/2 is even, 2/3 is two to one. Sixteenths between the
  eighths go along: each half of the beat is stretched or pressed evenly. Triplets don't swing.
* Beats of two eighths and beats with sixteenths may differ: often only the former swing.
* A take swings where the second eighths come late alike, throughout; a few late ones are late notes.
* The score asks for swing where words at a tempo say so: `swing`, `shuffle`, or a pair of eighths that equals a longer
  and a shorter note.

References
----------
A. Friberg and A. Sundström, "Swing ratios and ensemble timing in jazz performance", Music Perception 19 (2002) 333-349,
from memory: ratios up to about 3.5 to 1 in slow pieces and near 1 to 1 in fast ones.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from companion.arrays import Floats
from companion.passage import Passage
from companion.practice.evenness import BeatParts, beat_parts, in_beats
from companion.scores import tempo_words

__all__ = ["Swing", "asks_swing", "find_swing", "ratio_in_words", "swing_offsets_s"]

LEAST_PAIRS = 6
#: Less than this share is uneven and no swing; so many of the pairs must reach the lower one.
LEAST_SHARE, EACH_SHARE, HOW_MANY = 0.56, 0.535, 0.8
#: Further off its place than this share of the beat no eighth is for swing: that would be four to one.
MOST_SHARE = 0.3
#: The pairs swing alike: standard deviation of the share.
MOST_SPREAD = 0.07


@dataclass(frozen=True, slots=True)
class Swing:
    """The second eighths come at `share` of the beat, over `count` beats. `pairs` and `runs` say whether beats of two
    eighths do, and beats with sixteenths; `asked` whether the score says so."""

    share: float
    count: int
    asked: bool
    pairs: bool = True
    runs: bool = False

    @property
    def ratio(self) -> float:
        """Long eighth to short one."""
        return self.share / (1.0 - self.share)


def asks_swing(passage: Passage) -> bool:
    """Does a tempo mark, or a word beside it, ask for swung eighths?"""
    said = [mark.text for mark in passage.tempos] + [words.text for words in passage.tempo_words]
    return any(map(tempo_words.asks_swing, said))


def find_swing(
    passage: Passage,
    deviation_s: Floats,
    tempo_bpm: float,
    *,
    leave_out: Collection[int] = (),
    parts: Sequence[BeatParts] | None = None,
) -> Swing | None:
    """The swing of a take; None where the eighths are even, or uneven in no steady way.

    Parameters are those of `evenness.place_timings`.
    """
    shares: dict[int, list[float]] = {2: [], 4: []}
    for found in in_beats(passage, deviation_s, tempo_bpm, leave_out=leave_out, parts=parts, most_share=MOST_SHARE):
        if found.of in shares and 2 * found.place == found.of and found.part * found.of == 1:
            shares[found.of].append(found.place / found.of + found.off_s / (found.of * found.part_s))
    swinging = {of: values for of, values in shares.items() if _swings(np.array(values))}
    if not swinging:
        return None
    all_shares = [share for values in swinging.values() for share in values]
    share = float(np.median(all_shares))
    return Swing(share, len(all_shares), asks_swing(passage), pairs=2 in swinging, runs=4 in swinging)


def swing_offsets_s(
    passage: Passage, swing: Swing, tempo_bpm: float, parts: Sequence[BeatParts] | None = None
) -> Floats:
    """By how much swing moves each note back, in seconds [shape=(notes,)]: 0 for those on the beat."""
    offsets_s = np.zeros(len(passage.notes))
    for beat in beat_parts(passage) if parts is None else parts:
        if beat.part * beat.of != 1 or not ((beat.of == 2 and swing.pairs) or (beat.of == 4 and swing.runs)):
            continue
        for i, place in zip(beat.inside, beat.places, strict=True):
            at = place / beat.of
            swung = 2 * swing.share * at if at <= 0.5 else 1.0 - 2 * (1.0 - swing.share) * (1.0 - at)
            start = passage.notes[i].start - place * beat.part
            beat_s = passage.seconds(start + 1, tempo_bpm) - passage.seconds(start, tempo_bpm)
            offsets_s[i] = (swung - at) * beat_s
    return offsets_s


def _swings(shares: Floats) -> bool:
    if len(shares) < LEAST_PAIRS:
        return False
    late = float(np.median(shares)) >= LEAST_SHARE and float(np.mean(shares >= EACH_SHARE)) >= HOW_MANY
    return late and float(np.std(shares)) <= MOST_SPREAD


def ratio_in_words(swing: Swing) -> str:
    """`about 2 to 1`, to the nearest tenth."""
    return f"about {round(swing.ratio, 1):g} to 1"
