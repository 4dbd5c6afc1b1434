"""Made rows of notes for the onset scores, with distances on, just under and just over the tolerance among them.

`random.random` gives the same numbers in every version of Python.
"""

from __future__ import annotations

import random

TOLERANCES_S = (0.05, 0.025, 0.0)
SEEDS = range(12)
_EDGES_S = (0.0, 0.025, 0.05, 0.05004, 0.05005, 0.0500500001, 0.05006, 0.0499999, 0.02504, 0.02506)


def case(seed: int) -> tuple[list[float], list[int], list[float], list[int]]:
    """Reference onsets and pitches, played onsets and pitches."""
    rng = random.Random(seed)
    reference_s = [1.0 + 3.0 * rng.random() for _ in range(4 + seed)]
    reference_midi = [60 + int(3 * rng.random()) for _ in reference_s]
    played_s, played_midi = [], []
    for onset_s, midi in zip(reference_s, reference_midi, strict=True):
        if rng.random() < 0.9:
            away_s = _EDGES_S[int(len(_EDGES_S) * rng.random())]
            played_s.append(onset_s + (away_s if rng.random() < 0.5 else -away_s))
            played_midi.append(midi)
        if rng.random() < 0.3:
            played_s.append(1.0 + 3.0 * rng.random())
            played_midi.append(60 + int(3 * rng.random()))
    return reference_s, reference_midi, played_s, played_midi
