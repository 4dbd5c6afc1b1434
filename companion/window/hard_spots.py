"""The hardest changes of the bars chosen as soft pencil over the page."""

from __future__ import annotations

from companion.passage import Passage
from companion.planning.limits import ChangeLimit, Limits
from companion.practice.metronome import number_below
from companion.window.page import Tint

__all__ = ["tints_of"]

#: So many changes are tinted at most.
CHANGES_TINTED = 24
#: From these shares of the time there is on, a change is tinted lightly, more, most: beyond 1 it can't be played.
LOADS_TINTED = (0.7, 0.85, 1.0)


def tints_of(limits: Limits, passage: Passage) -> tuple[Tint, ...]:
    """The hardest first; `limits` count the notes of `passage`."""
    hard = sorted((c for c in limits.changes if c.load >= LOADS_TINTED[0]), key=lambda c: -c.load)
    notes = passage.notes
    labelled: set[int] = set()
    # What is played several times is printed, and tinted, once: as hard as the hardest time.
    printed: dict[tuple[int, int], ChangeLimit] = {}
    for change in hard:
        printed.setdefault((notes[change.from_index].source, notes[change.note_index].source), change)
    tints = []
    for change in list(printed.values())[:CHANGES_TINTED]:
        spot = next((i for i, s in enumerate(limits.spots) if s.first_note <= change.from_index <= s.last_note), -1)
        # One tempo a spot: that of its hardest change.
        label = "" if spot in labelled else _tempo_text(passage, change)
        labelled.add(spot)
        density = sum(change.load >= load for load in LOADS_TINTED)
        tints.append(Tint(change.from_index, change.note_index, density, label))
    return tuple(tints)


def _tempo_text(passage: Passage, change: ChangeLimit) -> str:
    """Rounded down: at the next whole number the limit would be passed."""
    return number_below(change.limit_bpm, passage.bars[passage.notes[change.note_index].bar])
