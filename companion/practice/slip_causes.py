"""What else a short wrong note may come from, where the planned fingers of its change don't sound it in any order.

In this order, each said only where it is the one answer: keys of one finger that did not move together, another
register of one of the two notes, another fingering than the planned one, a single key touched or let go in passing.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from companion.charts.model import Chart, Fingering
from companion.practice.between import Change, change_between, finger_of
from companion.practice.finger_words import fingers_in_words, key_in_words, listed

__all__ = ["End", "other_cause"]

#: Semitones from a note to what the same keys sound in other registers: the octave, the twelfth.
_TWELFTH = "a twelfth above"
_REGISTERS = {12: "an octave above", -12: "an octave below", 19: _TWELFTH}


class End(NamedTuple):
    """One of the two right notes, and its name as the page spells it."""

    written_midi: int
    name: str


def other_cause(chart: Chart, change: Change, before: End, after: End, heard: int) -> str:
    """Words that go after a colon.

    Parameters
    ----------
    chart
        The instrument.
    change
        The planned change.
    before, after
        The two right notes.
    heard
        Written MIDI number of the one in between.
    """
    causes = (
        _key_by_key(chart, change, heard),
        _other_register(chart, change, before, after, heard),
        _other_fingering(chart, change, before, after, heard),
        _brushed(chart, change, heard),
    )
    found = next((cause for cause in causes if cause), "")
    if found:
        return found
    if not change.movers:
        return "no finger moves there, so a key was brushed or the note broke"
    return "no order of the planned fingers sounds it, so a key was brushed or the note broke"


def _key_by_key(chart: Chart, change: Change, heard: int) -> str:
    """Keys of one finger or one palm taken one after another."""
    apart = change_between(chart, change.before, change.after, key_by_key=True)
    states = apart.sounding(heard)
    if not states or len(apart.movers) == len(change.movers):
        return ""
    # Only where one story is left: otherwise the keys can't be told.
    early, late = {apart.early(state) for state in states}, {apart.late(state) for state in states}
    if len(early) != 1 or len(late) != 1 or not (first := min(early)) or not (last := min(late)):
        return ""
    names = [mover.finger for mover in apart.movers]
    order = [[key_in_words(chart.key(name)) for name in names if name in part] for part in (first, last)]
    return f"the {listed(order[1])} came after the {listed(order[0])}"


def _other_register(chart: Chart, change: Change, before: End, after: End, heard: int) -> str:
    for note in (after, before):
        where = _REGISTERS.get(heard - note.written_midi)
        if where:
            thumb = chart.octave is not None and chart.octave.key in change.before ^ change.after
            key = "" if thumb or chart.octave is None or where == _TWELFTH else "the octave key or from "
            return f"it is {where} {note.name}, which comes from {key}the air"
    return ""


def _other_fingering(chart: Chart, change: Change, before: End, after: End, heard: int) -> str:
    """One of the two notes played with another fingering."""
    found: dict[str, None] = {}
    for other in _others(chart, before.written_midi, change.before):
        if change_between(chart, other.keys, change.after).sounding(heard):
            found[f"{before.name} {_as_name(other)}"] = None
    for other in _others(chart, after.written_midi, change.after):
        if change_between(chart, change.before, other.keys).sounding(heard):
            found[f"{after.name} {_as_name(other)}"] = None
    if len(found) != 1:
        return ""
    return f"no order of the planned fingers sounds it; those of {next(iter(found))} would"


def _as_name(fingering: Fingering) -> str:
    return "with its usual fingering" if fingering.name == "standard" else f"with {fingering.name}"


def _others(chart: Chart, written_midi: int, planned: frozenset[str]) -> Iterator[Fingering]:
    for fingering in chart.for_note(written_midi):
        if fingering.keys != planned and not fingering.only_for:
            yield fingering


def _brushed(chart: Chart, change: Change, heard: int) -> str:
    """One key touched, or let go, while one of the two fingerings was held."""
    found: dict[tuple[str, bool], None] = {}
    for keys in dict.fromkeys((change.before, change.after)):
        for key in chart.keys:
            if chart.sound(keys ^ {key.name}) == heard:
                found[key.name, key.name in keys] = None
    fingers = {finger_of(chart.key(name)) for name, _ in found}
    if len(fingers) != 1 or len({held for _, held in found}) != 1:
        return ""
    name, held = next(iter(found))
    if len(found) > 1:
        return f"the {fingers_in_words(fingers)} {'off' if held else 'on'} one of its keys for a moment would sound it"
    return f"the {key_in_words(chart.key(name))} {'let go' if held else 'touched'} for a moment would sound it"
