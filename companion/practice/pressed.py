"""The keys that were really held, where a port knows them, and the fingerings they make.

Conventions
-----------
* A key message is a system exclusive one with the manufacturer number for non-commercial use: `F0 7D`, then in ASCII
  `keys` and the names of all held keys of the horn, a space before each, then `F7`. Without keys: the open horn.
* Each message tells the whole state, so that a lost one does no lasting harm. It comes before the note that it makes.

References
----------
MIDI 1.0 Detailed Specification, document version 4.2.1 (1996): system exclusive messages, and Table VII (manufacturer
number 7D for non-commercial use).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from companion.arrays import Ints
from companion.charts.model import Chart, Fingering
from companion.errors import UsageError
from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.model import FingeringUsed, PlayedArray, Pressed, RawEvent
from companion.units import s_from_ns

__all__ = ["fingerings_used", "held_at", "is_key_message", "key_message", "pressed_of"]

_START, _END = b"\xf0\x7dkeys", b"\xf7"
#: All keys of a horn take some 200 bytes.
LONGEST_BYTES = 512


def key_message(keys: Iterable[str]) -> bytes:
    """The message that tells which keys of the horn are held.

    Raises
    ------
    UsageError
        For a name that doesn't fit into one.
    """
    names = sorted(keys)
    for name in names:
        if not name or not name.isascii() or not name.isprintable() or " " in name:
            raise UsageError(f"{name!r} is no name of a key that MIDI can carry: use plain letters, such as g_sharp")
    return _START + "".join(f" {name}" for name in names).encode("ascii") + _END


def is_key_message(message: bytes) -> bool:
    """Whether this tells held keys. Longer than any horn needs is none."""
    text = message[len(_START) : -1]
    return (
        len(message) <= LONGEST_BYTES
        and message.startswith(_START)
        and message.endswith(_END)
        and (not text or text.startswith(b" "))
    )


def pressed_of(events: Iterable[RawEvent], start_ns: int, chart: Chart) -> tuple[Pressed, ...]:
    """The states of the horn in these events, in their order; one that repeats the state before is left out.

    Parameters
    ----------
    events : iterable of RawEvent
        In order of arrival.
    start_ns : int
        When the first bar begins, on the events' clock.
    chart : Chart
        Keys that it doesn't have are passed over, so that another horn's messages do no harm.
    """
    known = {key.name for key in chart.keys}
    found: list[Pressed] = []
    for event in events:
        if not is_key_message(event.message):
            continue
        names = event.message[len(_START) : -1].decode("ascii", errors="replace").split()
        keys = known.intersection(names)
        if not found or found[-1].keys != keys:
            found.append(Pressed(s_from_ns(event.time_ns - start_ns), frozenset(keys)))
    return tuple(found)


def held_at(pressed: Sequence[Pressed], time_s: float) -> frozenset[str] | None:
    """The keys held at a time; None before the first message."""
    held: frozenset[str] | None = None
    for state in pressed:
        if state.time_s > time_s:
            break
        held = state.keys
    return held


def fingerings_used(
    passage: Passage,
    played: PlayedArray,
    realised: Ints,
    pressed: Sequence[Pressed],
    plan: Plan,
    chart: Chart,
) -> tuple[FingeringUsed, ...]:
    """Which fingering was really used for each score note that was played, where the keys are known.

    The first played note that realises a score note counts, and of the states held while it sounded the one that was
    held longest. The sentence is empty where the fingering is the planned one.

    Parameters
    ----------
    passage : Passage
    played : array of `PLAYED` [shape=(notes,)]
        In order of onset.
    realised : int array [shape=(notes,)]
        Score index of each played note, -1 for extra ones.
    pressed : sequence of Pressed
        In order of time.
    plan, chart
        The plan of the passage, and its instrument.
    """
    found = []
    seen: set[int] = set()
    for i, note_index in enumerate(realised.tolist()):
        if note_index < 0 or note_index in seen:
            continue
        seen.add(note_index)
        onset_s = float(played["onset_s"][i])
        end_s = float(played["onset_s"][i + 1]) if i + 1 < len(played) else np.inf
        offset_s = float(played["offset_s"][i])
        keys = _longest_held(pressed, onset_s, min(end_s, offset_s if np.isfinite(offset_s) else np.inf))
        if keys is not None:
            found.append(_used(passage, note_index, int(played["written_midi"][i]), keys, plan, chart))
    return tuple(found)


def _longest_held(pressed: Sequence[Pressed], onset_s: float, end_s: float) -> frozenset[str] | None:
    best, longest_s = None, -1.0
    for i, state in enumerate(pressed):
        until_s = pressed[i + 1].time_s if i + 1 < len(pressed) else np.inf
        held_s = min(until_s, end_s) - max(state.time_s, onset_s)
        if held_s > longest_s and held_s >= 0:
            best, longest_s = state.keys, held_s
    return best


def _used(
    passage: Passage, note_index: int, played_midi: int, keys: frozenset[str], plan: Plan, chart: Chart
) -> FingeringUsed:
    planned: Fingering = plan.choices[note_index].fingering
    name = next((f.name for f in chart.for_note(played_midi) if f.keys == keys), "")
    sentence = ""
    if keys != planned.keys:
        note = passage.notes[note_index].written
        shape = name or "keys that no chart names"
        sentence = f"{note} was played with {shape} where {planned.name} is planned"
    return FingeringUsed(note_index, keys, name, planned.name, sentence)
