"""How many notes came on their onset with their pitch: the note scores of music transcription.

The definition is that of MIREX and `mir_eval.transcription` (C. Raffel and others, "mir_eval: a transparent
implementation of common MIR metrics", Proc. ISMIR 2014, 367-372), onsets and pitches only: a reference note and a
played one may be paired where their onsets are no further apart than the tolerance, both ends included, once the
distance is rounded to a tenth of a millisecond, and where their pitches are the same; as many notes as possible are
paired, each once. Precision is the share of the played notes that are paired, recall that of the reference notes, F
their harmonic mean; without notes on either side all three are 0.

These scores ask what a click-grid judge would hear. They are for comparing with others; verdicts come from `judging`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from companion.arrays import Floats, Ints
from companion.errors import UsageError

__all__ = ["OnsetScores", "onset_scores"]

#: Distances are rounded to so many decimals of a second before they are compared (`mir_eval.transcription.N_DECIMALS`).
DECIMALS = 4


@dataclass(frozen=True, slots=True)
class OnsetScores:
    """Shares from 0 to 1, and how many notes were paired."""

    precision: float
    recall: float
    f_measure: float
    matched: int


def onset_scores(
    reference_s: Iterable[float] | Floats,
    reference_midi: Iterable[int] | Ints,
    played_s: Iterable[float] | Floats,
    played_midi: Iterable[int] | Ints,
    tolerance_s: float = 0.05,
) -> OnsetScores:
    """Precision, recall and F of played notes against reference notes, by onset and pitch.

    Parameters
    ----------
    reference_s, played_s : onsets in seconds, in any order
    reference_midi, played_midi : whole MIDI note numbers, one an onset
    tolerance_s : float >= 0
        How far apart two onsets may be, in seconds.

    Returns
    -------
    OnsetScores
        Equal to `mir_eval.transcription.precision_recall_f1_overlap` with `offset_ratio=None` to the last digit (where
        it takes the notes: it refuses negative times).

    Raises
    ------
    UsageError
        Where onsets and pitches differ in number, an onset is no finite number, a pitch no whole one, or the tolerance
        is below zero.
    """
    if not tolerance_s >= 0.0:
        raise UsageError(f"an onset tolerance of {tolerance_s} s makes no sense: give one of 0 or more, such as 0.05")
    reference = _by_pitch(*_checked("reference", reference_s, reference_midi))
    played = _by_pitch(*_checked("played", played_s, played_midi))
    counts = [sum(len(onsets_s) for onsets_s in side.values()) for side in (reference, played)]
    matched = sum(_pairs(reference[midi], played[midi], tolerance_s) for midi in reference.keys() & played.keys())
    if not matched:
        return OnsetScores(0.0, 0.0, 0.0, 0)
    recall, precision = matched / counts[0], matched / counts[1]
    return OnsetScores(precision, recall, 2.0 * precision * recall / (precision + recall), matched)


def _checked(side: str, onsets_s: Iterable[float], midis: Iterable[int]) -> tuple[Floats, Ints]:
    times = np.array(onsets_s if isinstance(onsets_s, np.ndarray) else list(onsets_s), dtype=np.float64)
    pitches = np.array(midis if isinstance(midis, np.ndarray) else list(midis))
    if times.shape != pitches.shape or times.ndim != 1:
        raise UsageError(
            f"the {side} notes have {times.size} onsets and {pitches.size} pitches: give one of each a note"
        )
    if not np.isfinite(times).all():
        raise UsageError(f"{side} note {int(np.isfinite(times).argmin())} has no onset: give finite seconds")
    with np.errstate(invalid="ignore"):
        whole = pitches.astype(np.int64)  # what is no number is no whole one either
    if (whole != pitches).any():
        wrong = int((whole != pitches).argmax())
        raise UsageError(f"{side} note {wrong} has pitch {pitches[wrong]}: give whole MIDI numbers")
    return times, whole


def _by_pitch(onsets_s: Floats, midis: Ints) -> dict[int, Floats]:
    order = np.argsort(onsets_s, kind="stable")
    onsets_s, midis = onsets_s[order], midis[order]
    return {int(midi): onsets_s[midis == midi] for midi in np.unique(midis)}


def _pairs(reference_s: Floats, played_s: Floats, tolerance_s: float) -> int:
    """The most pairs within the tolerance.

    Who may be paired with whom is an interval for each note, and the intervals are in the order of the notes (rounding
    keeps it): then pairing the first two that may be is best, and no search for augmenting paths is needed.
    """
    i = j = found = 0
    while i < len(reference_s) and j < len(played_s):
        apart_s = reference_s[i] - played_s[j]
        if np.around(abs(apart_s), DECIMALS) <= tolerance_s:
            i, j, found = i + 1, j + 1, found + 1
        elif apart_s < 0.0:
            i += 1
        else:
            j += 1
    return found
