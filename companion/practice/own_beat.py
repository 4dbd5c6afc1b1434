"""The player's own beat where the click was left: after going back, a hesitation, or in another tempo every note is far
off the click, which says nothing of the notes. Against the own beat it does again.

The own beat at a note is a straight line through its neighbours in time, the note itself left out; a break ends the
line on either side. A break is a jump after which the player stays where it led: one note out of line is none. (The
numbers are ours, no source.)
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from companion.arrays import Floats

__all__ = ["JUMP_S", "LEFT_S", "NEIGHBOURS", "breaks_before", "own_beat_s"]

#: The click is left where the own beat is further off than this.
LEFT_S = 0.25
#: Neighbours on either side, and the jump that parts them where they stay parted by as much.
NEIGHBOURS, JUMP_S = 4, 0.2


def own_beat_s(due_s: Floats, off_s: Floats) -> Floats:
    """How far the own beat is behind the click at each note, in seconds (ahead: negative); 0 where the player is with
    the click.

    Parameters
    ----------
    due_s, off_s : array of float [shape=(n,)]
        When the notes are due by the click and how far each came from that, in the order they were played.
    """
    own = np.zeros(len(off_s))
    for first, end in pairwise([0, *breaks_before(due_s, off_s), len(off_s)]):
        for i in range(first, end):
            near = [k for k in range(max(first, i - NEIGHBOURS), min(end, i + NEIGHBOURS + 1)) if k != i]
            # Before the first note there is nothing but the click.
            alone_s = float(off_s[i]) if i else 0.0
            own[i] = _line_at(due_s[near], off_s[near], float(due_s[i])) if near else alone_s
    own[np.abs(own) <= LEFT_S] = 0.0
    return own


def breaks_before(due_s: Floats, off_s: Floats) -> list[int]:
    """Where the player goes on from somewhere else: indices of the first notes after a stop or going back.

    Parameters
    ----------
    due_s, off_s : array of float [shape=(n,)]
        As for `own_beat_s`.
    """
    apart_s, jump_s = np.diff(due_s), np.diff(off_s)
    moving = apart_s > 0
    # Another tempo than the click's is no jump, however far apart the notes are.
    per_s = float(np.median(jump_s[moving] / apart_s[moving])) if np.any(moving) else 0.0
    level_s = off_s - per_s * due_s
    found = []
    # The last note has nothing after it to show that the player stays there.
    for i in (np.flatnonzero(np.abs(np.diff(level_s)) > JUMP_S) + 1).tolist():
        before_s, after_s = level_s[max(0, i - NEIGHBOURS) : i], level_s[i : i + NEIGHBOURS]
        if i < len(off_s) - 1 and abs(np.median(after_s) - np.median(before_s)) > JUMP_S:
            found.append(int(i))
    return found


def _line_at(x: Floats, y: Floats, at: float) -> float:
    """The value at `at` of the line through points that no single point draws (Theil and Sen's, as in `evenness`);
    their median where they are few."""
    i, j = np.triu_indices(len(x), 1)
    apart = x[j] - x[i]
    if len(x) < 4 or not np.any(apart):
        return float(np.median(y))
    per_s = float(np.median((y[j] - y[i])[apart != 0] / apart[apart != 0]))
    return float(np.median(y + per_s * (at - x)))
