"""What to do about it, in words: which bars to play slower, what to hold, which change of fingering to look at."""

from __future__ import annotations

import re

from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.own_time import waits_after
from companion.practice.words import bar_in_words

__all__ = ["after_sign", "change_in_words", "held_before", "play_slower", "same_way", "wait_before"]

_COUNTED = "while the click goes on count it as written, and hold it when you play without"
#: The click goes on under a fermata, and a breath is taken from the note before it (common practice, no source).
_WITH_CLICK = {
    "fermata": _COUNTED,
    "caesura": _COUNTED,
    "breath mark": "take the breath out of the note before it, so that the next one is on the click",
}


def play_slower(passage: Passage, note_index: int) -> str:
    """Two bars around the change that failed: a note on the downbeat is reached from the bar before."""
    bar = passage.notes[note_index].bar
    ahead = bar if _leads_on(passage, bar) else None
    back = bar - 1 if bar and _leads_on(passage, bar - 1) else None
    on_downbeat = note_index > 0 and passage.notes[note_index - 1].bar == bar - 1
    first = back if back is not None and (on_downbeat or ahead is None) else ahead
    if first is None:
        it = "it" if len(passage.bars) < 2 else bar_in_words(passage, bar)
        return f"play {it} slower, then bring it up to tempo"
    a, b = passage.bars[first], passage.bars[first + 1]
    if first == 0 and a.upbeat:
        return f"play the upbeat and {bar_in_words(passage, first + 1)} slower, then bring them up to tempo"
    return f"play bars {a.number or first + 1}-{b.number or first + 2} slower, then bring them up to tempo"


def same_way(remedy: str) -> str:
    """What `play_slower` says, after it has been said once already: `take bars 3-4 the same way`. Empty for another
    remedy."""
    found = re.fullmatch(r"play (.+) slower, then bring (?:it|them) up to tempo", remedy)
    return f"take {found[1]} the same way" if found else ""


def held_before(passage: Passage, note_index: int) -> str:
    """The sign that lets the time stand still before a note where there is no click: `fermata`, `caesura`, `breath
    mark`; empty where nothing does."""
    signs = waits_after(passage, note_index - 1) if note_index else frozenset()
    return max(signs, default="").replace("-", " ")


def after_sign(sign: str) -> str:
    """What to do with the click at such a sign."""
    return _WITH_CLICK.get(sign, "")


def _leads_on(passage: Passage, bar: int) -> bool:
    """Is the bar played next the one that is printed next? Not where a repeat leads back."""
    bars = passage.bars
    return bar + 1 < len(bars) and bars[bar + 1].written_index == bars[bar].written_index + 1


def wait_before(passage: Passage, note_index: int) -> str:
    """What to do about a note that comes early: what stands before it was too short."""
    if note_index == 0:
        return "wait for the click"
    before, note = passage.notes[note_index - 1], passage.notes[note_index]
    if before.grace:
        return "wait for the click"
    return f"hold the {before.written} to its full length" if before.end >= note.start else "count the rest to its end"


def change_in_words(passage: Passage, note_index: int, plan: Plan | None, *, always: bool = False) -> str:
    """` (B♭4 bis to C5)`: the change into a note, where there is one and a plan to name it (or `always`)."""
    if note_index == 0 or (plan is None and not always):
        return ""
    before, note = passage.notes[note_index - 1], passage.notes[note_index]
    if before.written == note.written and not always:
        return ""
    names = [f"{n.written}{_fingering(plan, n.index)}" for n in (before, note)]
    return f" between {names[0]} and {names[1]}" if always else f" ({names[0]} to {names[1]})"


def _fingering(plan: Plan | None, note_index: int) -> str:
    if plan is None or note_index >= len(plan.choices):
        return ""
    name = plan.choices[note_index].fingering.name
    return "" if name == "standard" else f" {name}"
