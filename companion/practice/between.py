"""The horn between two fingerings: every state that the fingers of a change can pass through, and what it sounds.

Conventions
-----------
* A finger moves as one: its keys go together. Where it goes from one key to another it may also be on neither of them,
  or on both (rollers), for a moment.
* Fingers may move in any order and any of them at once, so every subset of "already moved" is a state on the way. How
  likely an order is plays no part.
* A finger is named by hand and finger as the chart has them: `left index`, `right little`, `left thumb`, `left palm`,
  `right side`.

References
----------
A. Almeida, R. Chow, J. Smith, J. Wolfe, "The kinetics and acoustics of fingering and note transitions on the flute", J.
Acoust. Soc. Am. 126 (2009) 1521: fingers of one change are tens of ms apart, and a change is unsafe where an order of
its fingers lets another pitch sound in between.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product

from companion.charts.model import Chart, Key

__all__ = ["Change", "Mover", "State", "change_between", "finger_of"]

#: How far a finger has come: still on its old keys, on the way from one key to another, on its new keys.
UNMOVED, HALFWAY, MOVED = 0, 1, 2
#: So many pairs of states are compared within a tenth of a second.
MOST_PAIRS = 200_000


@dataclass(frozen=True, slots=True)
class Mover:
    """A finger that moves in a change: the keys it leaves and the keys it goes to."""

    finger: str
    leaves: frozenset[str]
    presses: frozenset[str]

    @property
    def slides(self) -> bool:
        """Does it go from one key to another?"""
        return bool(self.leaves) and bool(self.presses)

    @property
    def ways(self) -> tuple[tuple[int, frozenset[str]], ...]:
        """Its own states: how far it has come, and which of its moving keys are down then."""
        ends = ((UNMOVED, self.leaves), (MOVED, self.presses))
        if not self.slides:
            return ends
        return (*ends, (HALFWAY, frozenset()), (HALFWAY, self.leaves | self.presses))


@dataclass(frozen=True, slots=True)
class State:
    """One state on the way: the keys that are down, and how far each mover has come."""

    keys: frozenset[str]
    progress: tuple[int, ...]

    def before(self, later: State) -> bool:
        """Can the other state follow this one, no finger going back?"""
        return self.progress != later.progress and all(
            a <= b for a, b in zip(self.progress, later.progress, strict=True)
        )


@dataclass(frozen=True, slots=True)
class Change:
    """The fingers that move between two fingerings, and the states between: the two ends are not among them."""

    before: frozenset[str]
    after: frozenset[str]
    movers: tuple[Mover, ...]
    states: tuple[tuple[State, int], ...]

    def sounding(self, written_midi: int) -> tuple[State, ...]:
        """States that sound this note."""
        return tuple(state for state, sounds in self.states if sounds == written_midi)

    def possible(self, heard: Sequence[int]) -> tuple[tuple[State, ...], ...]:
        """For each of these notes, heard one after another, the states that sound it and that fit the notes before and
        after: no finger goes back. All empty where nothing fits. In leaps that move nearly all fingers there are too
        many states to compare: then each note stands for itself."""
        forth: list[tuple[State, ...]] = []
        for written_midi in heard:
            states = self.sounding(written_midi)
            if forth and len(states) * len(forth[-1]) > MOST_PAIRS:
                return tuple(self.sounding(other) for other in heard)
            if forth:
                states = tuple(state for state in states if any(other.before(state) for other in forth[-1]))
            forth.append(states)
        for at in range(len(forth) - 2, -1, -1):
            forth[at] = tuple(state for state in forth[at] if any(state.before(other) for other in forth[at + 1]))
        return tuple(forth)

    def early(self, state: State) -> frozenset[str]:
        """Fingers that are ahead of others in this state: those that have moved, or, where none has, those halfway."""
        return self._at(state, max(state.progress)) - self._at(state, min(state.progress))

    def late(self, state: State) -> frozenset[str]:
        """Fingers that are behind others in this state."""
        return self._at(state, min(state.progress)) - self._at(state, max(state.progress))

    def _at(self, state: State, progress: int) -> frozenset[str]:
        return frozenset(m.finger for m, p in zip(self.movers, state.progress, strict=True) if p == progress)


def finger_of(key: Key) -> str:
    """`left index`."""
    return f"{key.hand} {key.finger}"


def change_between(chart: Chart, before: Iterable[str], after: Iterable[str], *, key_by_key: bool = False) -> Change:
    """What can sound on the way from one fingering to another.

    Parameters
    ----------
    chart
        The instrument.
    before, after
        Keys held.
    key_by_key
        Every key by itself, also those of one finger: a palm that takes one key after another. Movers are then
        named by their key.

    Raises
    ------
    ChartError
        For a key that the instrument doesn't have.
    """
    old, new = frozenset(before), frozenset(after)
    movers = tuple(_movers(chart, old, new, key_by_key))
    chart.sound(old | new)  # raises for an unknown key, which would have no finger
    stay = old & new
    states = []
    for ways in product(*(mover.ways for mover in movers)):
        progress = tuple(way[0] for way in ways)
        if len(set(progress)) > 1 or HALFWAY in progress:
            keys = stay.union(*(way[1] for way in ways))
            states.append((State(keys, progress), chart.sound(keys)))
    return Change(old, new, movers, tuple(states))


def _movers(chart: Chart, old: frozenset[str], new: frozenset[str], key_by_key: bool) -> Iterator[Mover]:
    groups: dict[str, list[str]] = {}
    for key in chart.keys:
        if key.name in old ^ new:
            groups.setdefault(key.name if key_by_key else finger_of(key), []).append(key.name)
    for finger, names in groups.items():
        yield Mover(finger, old.intersection(names) - new, new.intersection(names) - old)
