"""What stands in the way of the next rung: a change whose limit lies below it.

A limit is *measured* where it comes from the player's own takes: from readings of this very change, or from takes in
which it failed. Else it is what other players need, or this one for other changes: a guess that is said, not obeyed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.metronome import CountedNote, counted_note
from companion.practice.words import bar_in_words, bars_in_words, shape_in_words

if TYPE_CHECKING:
    # At run time the limits take their words from this room.
    from companion.planning.limits import Limits
    from companion.planning.pace import Pace

__all__ = ["Hurdle", "change_in_words", "hurdle_of_trouble", "hurdles_of_limits", "note_in_words", "worst_hurdle"]


@dataclass(frozen=True, slots=True)
class Hurdle:
    """The change to note `note_index` from note `from_index` (of the whole passage) goes up to `limit_bpm`, in quarters
    a minute of the section's first tempo. `change` is `G to B♭ side`, `place` is `bar 5`; `first_bar` and `last_bar`
    are indices of the bars to take alone, `alone` says which. `sentence` says it with what tells it: `G to B♭ side in
    bar 5 goes up to about 90, by your own takes`."""

    note_index: int
    from_index: int
    limit_bpm: float
    measured: bool
    change: str
    place: str
    first_bar: int
    last_bar: int
    alone: str
    sentence: str


def note_in_words(name: str, fingering: str) -> str:
    """`B♭ bis`, but `side C` and no `C side C`; the standard fingering goes unnamed."""
    if fingering in ("", "standard"):
        return name
    return shape_in_words(name, fingering)


def change_in_words(passage: Passage, plan: Plan, from_index: int, note_index: int) -> str:
    """`G to B♭ side`; with octaves where both notes have one name."""
    notes = [passage.notes[i] for i in (from_index, note_index)]
    octaves = notes[0].written.name == notes[1].written.name
    names = [str(note.written) if octaves else note.written.name for note in notes]
    both = zip(names, notes, strict=True)
    return " to ".join(note_in_words(name, plan.choices[note.index].name) for name, note in both)


def hurdles_of_limits(passage: Passage, plan: Plan, limits: Limits, pace: Pace, tempo_bpm: float) -> tuple[Hurdle, ...]:
    """The changes that can't go at a tempo, by the pace that `limits` were reckoned with.

    Parameters
    ----------
    passage, plan
        The whole passage, whose notes `limits` counts.
    pace
        Says which changes have readings of their own.
    tempo_bpm
        Of the rung in question.
    """
    found = []
    for change in limits.changes:
        if change.limit_bpm >= tempo_bpm:
            continue
        keys = [plan.choices[i].keys for i in (change.from_index, change.note_index)]
        measured = (keys[0], keys[1]) in pace.changes
        whose = "by your own takes" if measured else _guess(pace)
        up_to = _counted(passage, change.note_index).mark_below(change.limit_bpm)
        says = f"goes up to about {up_to}, {whose}"
        found.append(_hurdle(passage, plan, change.from_index, change.note_index, change.limit_bpm, measured, says))
    return tuple(found)


def hurdle_of_trouble(
    passage: Passage, plan: Plan, from_index: int, note_index: int, fails_from_bpm: float, failed: int, takes: int
) -> Hurdle:
    """A change that `failed` in so many of `takes` takes of the player's own from a tempo on."""
    says = f"failed in {failed} of {takes} takes from {_counted(passage, note_index).mark(fails_from_bpm)} on"
    # At that very tempo it fails already.
    limit_bpm = math.nextafter(fails_from_bpm, 0.0)
    return _hurdle(passage, plan, from_index, note_index, limit_bpm, True, says)


def worst_hurdle(hurdles: Iterable[Hurdle], tempo_bpm: float) -> Hurdle | None:
    """What stands most in the way of this tempo: what is measured first, then the lowest limit."""
    there = (hurdle for hurdle in hurdles if hurdle.limit_bpm < tempo_bpm)
    return min(there, key=lambda h: (not h.measured, h.limit_bpm, h.note_index), default=None)


def _counted(passage: Passage, note_index: int) -> CountedNote:
    return counted_note(passage.bars[passage.notes[note_index].bar])


def _guess(pace: Pace) -> str:
    return "by your pace on other changes" if pace.low is not None else "by the average player's pace"


def _hurdle(
    passage: Passage, plan: Plan, from_index: int, note_index: int, limit_bpm: float, measured: bool, says: str
) -> Hurdle:
    bars = passage.notes[from_index].bar, passage.notes[note_index].bar
    change = change_in_words(passage, plan, from_index, note_index)
    place = bar_in_words(passage, bars[1])
    return Hurdle(
        note_index=note_index,
        from_index=from_index,
        limit_bpm=limit_bpm,
        measured=measured,
        change=change,
        place=place,
        first_bar=min(bars),
        last_bar=max(bars),
        alone=bars_in_words(passage, bars),
        sentence=f"{change} in {place} {says}",
    )
