"""The keys that were really held, where a port knows them: the fingerings they make, and when each finger moved.

Conventions
-----------
* A key message is a system exclusive one with the manufacturer number for non-commercial use: `F0 7D`, then in ASCII
  `keys` and the names of all held keys of the horn, a space before each, then `F7`. Without keys: the open horn.
* Each message tells the whole state, so that a lost one does no lasting harm. It comes with the note that it makes, a
  few ms before or after it.

References
----------
MIDI 1.0 Detailed Specification, document version 4.2.1 (1996): system exclusive messages, and Table VII (manufacturer
number 7D for non-commercial use).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf, isfinite

from companion.arrays import Ints
from companion.charts.model import Chart, Fingering, note_name
from companion.errors import UsageError
from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.between import Mover, change_between
from companion.practice.finger_words import key_in_words, listed
from companion.practice.model import FingeringUsed, PlayedArray, Pressed, RawEvent
from companion.units import ms_from_s, s_from_ns

__all__ = ["KeyTimes", "fingerings_used", "is_key_message", "key_message", "key_times", "pressed_of"]

_START, _END = b"\xf0\x7dkeys", b"\xf7"
#: All keys of a horn take some 200 bytes.
LONGEST_BYTES = 512
#: A key message and the note it makes may come in either order within this time: a few messages on a DIN wire.
TOGETHER_S = 0.004


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
    message = _START + "".join(f" {name}" for name in names).encode("ascii") + _END
    if len(message) > LONGEST_BYTES:
        raise UsageError(
            f"{len(names)} keys are more than a key message holds ({LONGEST_BYTES} bytes): use short names"
        )
    return message


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
        keys = frozenset(known.intersection(names))
        if not found or found[-1].keys != keys:
            found.append(Pressed(s_from_ns(event.time_ns - start_ns), keys))
    return tuple(found)


# -- when each finger moved ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class KeyTimes:
    """The fingers of a change as they moved: `moved_s` says when each was where it stayed. `states` are those from the
    fingering before to the one after."""

    chart: Chart
    movers: tuple[Mover, ...]
    moved_s: Mapping[str, float]
    states: tuple[Pressed, ...]

    def split(self, time_s: float) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Fingers that had moved by this time, and those that had not."""
        moved = [mover.finger for mover in self.movers if self.moved_s[mover.finger] <= time_s + TOGETHER_S]
        return tuple(moved), tuple(mover.finger for mover in self.movers if mover.finger not in moved)

    def apart_ms(self, early: Iterable[str], late: Iterable[str]) -> float:
        """From the last of the early fingers to the first of the late ones."""
        return ms_from_s(min(self.moved_s[f] for f in late) - max(self.moved_s[f] for f in early))

    def held_at(self, time_s: float) -> frozenset[str]:
        """The keys held when a note began."""
        at = bisect_right(self.states, time_s + TOGETHER_S, key=lambda state: state.time_s)
        return self.states[max(at - 1, 0)].keys

    def moved_in_words(self) -> list[str]:
        """Keys that moved and came back: `the G♯ key went down and came up again`."""
        first, last = self.states[0].keys, self.states[-1].keys
        words = []
        for key in self.chart.keys:
            here = key.name in first
            if here == (key.name in last) and any((key.name in state.keys) != here for state in self.states):
                how = "came up and went down again" if here else "went down and came up again"
                words.append(f"the {key_in_words(key)} {how}")
        return words


def key_times(
    chart: Chart, played: PlayedArray, pressed: Sequence[Pressed], before: int, after: int
) -> KeyTimes | None:
    """How the fingers went from one played note to another.

    Parameters
    ----------
    chart
        The instrument.
    played : array of `PLAYED` [shape=(notes,)]
        In order of onset.
    pressed
        In order of time.
    before, after
        Indices of played notes. Each has the fingering held longest while it sounded.

    Returns
    -------
    KeyTimes or None
        None where the keys are not known.
    """
    first, last = (_longest_held(pressed, *_sounding(played, i)) for i in (before, after))
    if first is None or last is None or last < first:
        return None
    states = tuple(pressed[first : last + 1])
    movers = change_between(chart, states[0].keys, states[-1].keys).movers
    moved_s = {}
    for mover in movers:
        keys = mover.leaves | mover.presses
        at = len(states) - 1
        while at and states[at - 1].keys & keys == mover.presses:
            at -= 1
        moved_s[mover.finger] = states[at].time_s
    return KeyTimes(chart, movers, moved_s, states)


def _sounding(played: PlayedArray, i: int) -> tuple[float, float]:
    """From when to when a note sounds: until it ends or the next begins."""
    next_s = float(played["onset_s"][i + 1]) if i + 1 < len(played) else inf
    offset_s = float(played["offset_s"][i])
    return float(played["onset_s"][i]), min(next_s, offset_s) if isfinite(offset_s) else next_s


def _longest_held(pressed: Sequence[Pressed], onset_s: float, end_s: float) -> int | None:
    """Index of the state held longest in this time."""
    best, longest_s = None, 0.0
    at = max(bisect_right(pressed, onset_s, key=lambda state: state.time_s) - 1, 0)
    while at < len(pressed) and pressed[at].time_s < end_s:
        until_s = pressed[at + 1].time_s if at + 1 < len(pressed) else inf
        held_s = min(until_s, end_s) - max(pressed[at].time_s, onset_s)
        if held_s > longest_s:
            best, longest_s = at, held_s
        at += 1
    return best


# -- the fingerings --------------------------------------------------------------------------------------------------


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

    Raises
    ------
    UsageError
        A plan of other notes.
    """
    if len(plan.choices) != len(passage.notes):
        raise UsageError(
            f"the plan is for {len(plan.choices)} notes and the passage has {len(passage.notes)}: plan these bars anew"
        )
    found: dict[int, FingeringUsed] = {}
    for i, note_index in enumerate(realised.tolist()):
        if note_index < 0 or note_index in found or not pressed:
            continue
        state = _longest_held(pressed, *_sounding(played, i))
        if state is not None:
            played_midi = int(played["written_midi"][i])
            found[note_index] = _used(passage, note_index, played_midi, pressed[state].keys, plan, chart)
    return tuple(found[note_index] for note_index in sorted(found))


def _used(
    passage: Passage, note_index: int, played_midi: int, keys: frozenset[str], plan: Plan, chart: Chart
) -> FingeringUsed:
    note, choice = passage.notes[note_index], plan.choices[note_index]
    # A trill may begin with its other note.
    trill = choice.trill_fingering
    planned = trill if trill is not None and trill.written_midi == played_midi else choice.fingering
    name = next((f.name for f in chart.for_note(played_midi) if f.keys == keys), "")
    sentence = _used_in_words(str(note.written), played_midi, keys, name, planned, chart)
    return FingeringUsed(note_index, keys, name, planned.name, sentence)


def _used_in_words(
    note: str, played_midi: int, keys: frozenset[str], name: str, planned: Fingering, chart: Chart
) -> str:
    if keys == planned.keys:
        return ""
    sounds = chart.sound(keys)
    if sounds != played_midi:
        return f"{note}: the keys held would sound {note_name(sounds)}, and {note_name(played_midi)} came"
    if played_midi != planned.written_midi:
        return f"{note} was fingered as {note_name(played_midi)}: {_difference(chart, planned.keys, keys)}"
    if name:
        return f"{note} was played with {_named(name)} where {_named(planned.name)} is planned"
    # Nearest to what the chart knows, the planned one first where two are equally near.
    known = [f for f in chart.for_note(played_midi) if not f.only_for or f.keys == planned.keys]
    nearest = min(known, key=lambda f: (len(f.keys ^ keys), f.keys != planned.keys), default=planned)
    other = (
        "" if nearest.keys == planned.keys else f" with {_named(nearest.name)} where {_named(planned.name)} is planned"
    )
    return f"{note} was played{other} and sounds right, but {_difference(chart, nearest.keys, keys)}"


def _named(name: str) -> str:
    return "the usual fingering" if name == "standard" else name


def _difference(chart: Chart, planned: frozenset[str], keys: frozenset[str]) -> str:
    """`the G♯ key was down`, `the left ring finger's key was up`."""
    parts = []
    for names, how in ((keys - planned, "down"), (planned - keys, "up")):
        if names:
            which = [key_in_words(key) for key in chart.keys if key.name in names]
            parts.append(f"the {listed(which)} {'was' if len(which) == 1 else 'were'} {how}")
    return listed(parts)
