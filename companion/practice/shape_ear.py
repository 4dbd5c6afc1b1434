"""Which shape is held: the notes and held keys of a controller, told once they have settled.

Fingers of one change arrive some tens of ms apart (Almeida and others, JASA 126, 2009, 1521), so what is held only for
a moment is no answer. The note asked for needs `SETTLED_S`, a little less than it lasts in a quick bar; another note
`STUCK_S`, since it may be on the way. Where the controller doesn't tell its keys, only the note is known.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from companion.charts.model import Chart
from companion.practice.hearing import Ear, NoteStart
from companion.practice.model import RawEvent
from companion.practice.pressed import is_key_message, pressed_of
from companion.units import ns_from_s

__all__ = ["SETTLED_S", "STUCK_S", "Held", "ShapeEar"]

SETTLED_S = 0.12
STUCK_S = 0.7
#: More notes than any question has.
_REMEMBERED = 16


@dataclass(frozen=True, slots=True)
class Held:
    """A note that sounds, with the keys held where they are known, and since when both are so."""

    written_midi: int
    keys: frozenset[str] | None
    since_ns: int


class ShapeEar:
    """Hears one controller. `keys` are those held now, None as long as the controller told none."""

    def __init__(self, chart: Chart, shift_semitones: int = 0) -> None:
        self._chart = chart
        self._ear = Ear(shift_semitones)
        self.keys: frozenset[str] | None = None
        self._since_ns = 0
        self._moved = False
        self._notes: deque[int] = deque(maxlen=_REMEMBERED)

    def hear(self, events: Iterable[RawEvent]) -> None:
        """Take what arrived, in order of arrival."""
        for event in events:
            if is_key_message(event.message):
                states = pressed_of([event], 0, self._chart)
                if states and states[0].keys != self.keys:
                    self.keys, self._since_ns, self._moved = states[0].keys, event.time_ns, True
            elif isinstance(self._ear.hear(event), NoteStart):
                self._since_ns, self._moved = max(self._since_ns, event.time_ns), True
                self._notes.append(self._ear.sounding_midi or 0)

    def held(self) -> Held | None:
        """What sounds now; None in silence."""
        midi = self._ear.sounding_midi
        return None if midi is None else Held(midi, self.keys, self._since_ns)

    def forget(self) -> None:
        """What was played so far, and is held yet, belongs to another question."""
        self._notes.clear()
        self._moved = False

    def played(self, midis: Sequence[int]) -> bool:
        """Whether the last notes were these, in this order."""
        return list(self._notes)[-len(midis) :] == list(midis)

    def settled(self, asked_midi: int, on_the_way: Iterable[int], now_ns: int) -> Held | None:
        """What is held long enough to be an answer to `asked_midi`; notes `on_the_way` (its neighbours) never are, nor
        what was held before the question came."""
        held = self.held()
        if (
            held is None
            or not self._moved
            or (held.written_midi != asked_midi and held.written_midi in set(on_the_way))
        ):
            return None
        needed_s = SETTLED_S if held.written_midi == asked_midi else STUCK_S
        return held if now_ns - held.since_ns >= ns_from_s(needed_s) else None
