"""Match a whole take to its passage: which played note realises which score note.

One Viterbi pass (see `trellis`) finds the cheapest story of the take: notes left out and added, wrong pitches,
stutters, restarts, skips and hesitations included.

References
----------
R. B. Dannenberg, "An on-line algorithm for real-time accompaniment", Proc. ICMC 1984, 193-198 (matching by dynamic
programming). E. Nakamura, T. Nakamura, Y. Saito, N. Ono, S. Sagayama, "Outer-product hidden Markov model and polyphonic
MIDI score following", J. New Music Research 43 (2014) 183-201 (repeats and skips as jumps whose cost does not depend on
where they start, which makes them cheap to search). Both from memory. Here every state keeps its own clock, which
neither does.
"""

from __future__ import annotations

import numpy as np

from companion.arrays import Floats, Ints
from companion.errors import UsageError
from companion.passage import Passage
from companion.practice.costs import prepare
from companion.practice.model import PLAYED, Alignment, PlayedArray
from companion.practice.octaves import OFF, shifts_worth_trying
from companion.practice.trellis import Step, Trellis

__all__ = ["align", "checked", "lives_s"]

#: A tongued note sounds shorter than it is meant: so much is added to its sounding time before it counts as a blip.
TONGUE_S = 0.05
#: Legato on a keyboard holds a key so far into the next note.
OVERLAP_S = 0.1
#: Seconds further from the first bar than this (30,000 years) are no time of a take: their squares may be no number.
FARTHEST_S = 1e12


def align(passage: Passage, played: PlayedArray, tempo_bpm: float) -> Alignment:
    """Match a take to a passage.

    Parameters
    ----------
    passage : Passage
    played : array of `PLAYED` [shape=(notes,)]
        In seconds from the start of the first bar, in any order.
    tempo_bpm : float > 0
        Quarters a minute that were set.

    Returns
    -------
    Alignment
        First a row for each played note as given, then a row for each score note never realised. A note of a trill, a
        stutter or a restart has its score index again; a wrong pitch in a note's place is paired with it. Where all
        notes are whole octaves off they are paired as if at pitch, and `octave_shift` says by how much.

    Raises
    ------
    UsageError
        Where the tempo is not above zero, a played note has no onset, or the array lacks a field.
    """
    played = checked(played)
    order = _order(played)
    played = played[order]
    score = prepare(passage, tempo_bpm)
    if not len(played):
        return Alignment(_pairs(np.zeros(0, dtype=np.int64), score.size), 0.0)
    trellis, pitches = Trellis(score), played["written_midi"].tolist()
    path, cost = _cheapest(trellis, played, pitches)
    octave_shift = 0
    for shift in shifts_worth_trying(score.pitches, pitches):
        other, other_cost = _cheapest(trellis, played, [pitch + shift for pitch in pitches])
        if other_cost + OFF < cost:
            path, cost, octave_shift = other, other_cost + OFF, shift
    realised = np.empty(len(played), dtype=np.int64)
    realised[order] = path
    return Alignment(_pairs(realised, score.size), cost, octave_shift)


def checked(played: PlayedArray) -> PlayedArray:
    """The notes as `PLAYED`, fields taken by name; only velocity may be missing. An end at no time was never told.

    Raises
    ------
    UsageError
        Where a note has no onset, or the array lacks a field.
    """
    if played.dtype != PLAYED:
        names = played.dtype.names or ()
        missing = [name for name in PLAYED.names or () if name not in names and name != "velocity"]
        if missing or played.ndim != 1:
            raise UsageError(
                f"the played notes have no field {', '.join(missing) or 'of their own each'}: give a row a note with"
                " onset_s, offset_s, written_midi and velocity"
            )
        found = np.zeros(len(played), dtype=PLAYED)
        for name in set(names) & set(PLAYED.names or ()):
            found[name] = played[name]
        played = found
    timed = np.abs(played["onset_s"]) < FARTHEST_S
    if not timed.all():
        where = int(timed.argmin())
        raise UsageError(
            f"played note {where} has the onset {played['onset_s'][where]}: give seconds from the first bar"
        )
    untold = ~(np.abs(played["offset_s"]) < FARTHEST_S)
    if untold.any():
        played = played.copy()
        played["offset_s"][untold] = np.nan
    return played


def _order(played: PlayedArray) -> Ints:
    """By onset; notes begun in the same instant from low to high, and the same pitch by how long it is held, so that
    the order they are given in is of no account."""
    order: Ints = np.lexsort((played["offset_s"], played["written_midi"], played["onset_s"]))
    return order


def _cheapest(trellis: Trellis, played: PlayedArray, pitches: list[int]) -> tuple[Ints, float]:
    """Score index realised by each played note (-1: extra) on the cheapest path, and its cost."""
    column, steps = trellis.start(), list[Step]()
    lives, onsets = lives_s(played).tolist(), played["onset_s"].tolist()
    last_s = onsets[0] - 10.0
    for onset_s, written_midi, life_s in zip(onsets, pitches, lives, strict=True):
        column, step = trellis.advance(column, onset_s, written_midi, onset_s - last_s, life_s)
        steps.append(step)
        last_s = onset_s
    return _path(steps, column.best), column.least


def lives_s(played: PlayedArray, tongue_s: float = TONGUE_S, overlap_s: float = OVERLAP_S) -> Floats:
    """How long each note lived, in seconds: until the next one began or until `tongue_s` after it ended. A note that
    goes on sounding under the next for more than `overlap_s` did not give way to it: two keys were held at once."""
    onsets_s = played["onset_s"]
    sounding_s = played["offset_s"] - onsets_s
    until_next_s = np.fmax(np.append(np.diff(onsets_s), np.inf), sounding_s - overlap_s)
    lives: Floats = np.fmin(until_next_s, sounding_s + tongue_s)
    return lives


def _path(steps: list[Step], state: int) -> Ints:
    """Score index realised by each played note, -1 for extra ones."""
    realised = np.full(len(steps), -1, dtype=np.int64)
    for i in range(len(steps) - 1, -1, -1):
        before, matched = steps[i].before(state)
        if matched:
            realised[i] = state - 1
        state = before
    return realised


def _pairs(realised: Ints, size: int) -> Ints:
    left_out = np.setdiff1d(np.arange(size), realised, assume_unique=False)
    pairs = np.full((len(realised) + len(left_out), 2), -1, dtype=np.int64)
    pairs[: len(realised), 0] = realised
    pairs[: len(realised), 1] = np.arange(len(realised))
    pairs[len(realised) :, 0] = left_out
    pairs.flags.writeable = False
    return pairs
