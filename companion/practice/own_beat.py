"""The player's own beat where the click was left: after going back, a hesitation, or in another tempo every note is far
off the click, which says nothing of the notes. Against the own beat it does again.

The own beat at a note is a straight line through its neighbours in time, the note itself left out; a jump ends the line
on either side. (The numbers are ours, no source.)
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from companion.arrays import Floats

__all__ = ["JUMP_S", "LEFT_S", "NEIGHBOURS", "own_beat_s"]

#: The click is left where the own beat is further off than this.
LEFT_S = 0.25
#: Neighbours on either side, and the jump that parts them.
NEIGHBOURS, JUMP_S = 4, 0.2


def own_beat_s(due_s: Floats, off_s: Floats) -> Floats:
    """How far the own beat is behind the click at each note, in seconds (ahead: negative); 0 where the player is with
    the click.

    Parameters
    ----------
    due_s, off_s : array of float [shape=(n,)]
        When the notes are due by the click and how far each came from that, in the order they were played.
    """
    jumps = np.flatnonzero(np.abs(np.diff(off_s)) > JUMP_S) + 1
    own = np.zeros(len(off_s))
    for first, end in pairwise([0, *jumps.tolist(), len(off_s)]):
        for i in range(first, end):
            near = [k for k in range(max(first, i - NEIGHBOURS), min(end, i + NEIGHBOURS + 1)) if k != i]
            own[i] = _line_at(due_s[near], off_s[near], float(due_s[i])) if near else off_s[i]
    own[np.abs(own) <= LEFT_S] = 0.0
    return own


def _line_at(x: Floats, y: Floats, at: float) -> float:
    """The value at `at` of the straight line through points (least squares); their median where they are few."""
    spread = x - x.mean()
    square = float((spread**2).sum())
    if len(x) < 4 or square == 0.0:
        return float(np.median(y))
    return float(y.mean() + (spread * y).sum() / square * (at - x.mean()))
