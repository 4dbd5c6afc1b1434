"""Other ways to play a note: all key combinations that sound it on the horn and that a hand can hold.

Conventions
-----------
* The horn model (`Chart.sound`) knows which hole speaks, not how it sounds: what it finds beyond the chart is computed
  and untested, and may be out of tune or not speak at all.
* A key of a combination is *needed* where lifting it changes the note. A combination is sensible where each of its keys
  is needed or is held already in the fingering before (`extra`): a finger moves for a reason or stays where it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations, product
from math import prod

from companion.charts.hands import fingers_overstretched, out_of_reach
from companion.charts.model import Chart, Fingering
from companion.errors import ChartError
from companion.planning.effort import Effort, change_seconds

__all__ = ["COMPUTED", "Found", "idle_keys", "search", "sensible_combinations"]

#: The name of a fingering that only the horn model knows.
COMPUTED = "computed"
#: A horn of one's own with more combinations for one note is searched for seconds rather than a moment.
MOST_COMBINATIONS = 200_000
#: Of combinations that press the same keys anew, so many are compared by effort.
MOST_VARIANTS = 8
#: So many keys a palm or the side of a hand holds at once, at most: all three of a saxophone's.
MOST_UNDER_ONE_HAND = 3


@dataclass(frozen=True, slots=True)
class Found:
    """One way to play a note: its keys, the seconds from the neighbour (None without one), the chart's fingering where
    it has one (None: computed, untested), and the keys that change nothing by themselves."""

    keys: frozenset[str]
    change_s: float | None
    known: Fingering | None
    extra: frozenset[str]


def search(
    chart: Chart,
    written_midi: int,
    beside: Fingering | None = None,
    effort: Effort = change_seconds,
    most: int = 12,
) -> tuple[Found, ...]:
    """All ways to play a note, the easiest from the neighbour first.

    Parameters
    ----------
    chart
        The instrument.
    written_midi
        The written note to find, within the chart's range.
    beside
        The fingering before (or after) it. Without one, those with the fewest fingers away from the standard fingering
        come first.
    effort
        Seconds from one fingering to another.
    most
        How many to give. The chart's own are always among them.

    Returns
    -------
    tuple[Found, ...]
        The chart's own fingerings, and the sensible combinations besides. Of several that differ only in which of the
        neighbour's keys stay down, the easiest one of those that keep the most.

    Raises
    ------
    NoFingering
        For a note beyond the instrument's range.
    ChartError
        For a neighbour with keys that the instrument doesn't have, and for a horn with too many keys to try.
    """
    standard = chart.standard(written_midi)
    own = {fingering.keys: fingering for fingering in reversed(chart.for_note(written_midi))}
    held = beside.keys if beside else frozenset()
    found = []
    for keys in {*own, *_staying(sensible_combinations(chart, written_midi, held), held)}:
        known = own.get(keys)
        fingering = known or Fingering(COMPUTED, written_midi, keys)
        change_s = effort(chart, beside, fingering) if beside else None
        found.append(Found(keys, change_s, known, idle_keys(chart, keys)))
    order = [key.name for key in chart.keys]

    def rank(one: Found) -> tuple[float, int, bool, list[int]]:
        away = _fingers(chart, one.keys ^ standard.keys) if one.change_s is None else one.change_s
        return away, len(one.keys), one.known is None, sorted(order.index(name) for name in one.keys)

    return _best(sorted(found, key=rank), held, most)


def _staying(found: Iterable[frozenset[str]], held: frozenset[str]) -> list[frozenset[str]]:
    """For each set of keys to press anew, those that keep the most of the neighbour's keys down."""
    same: dict[frozenset[str], list[frozenset[str]]] = {}
    for keys in found:
        same.setdefault(keys - held, []).append(keys)
    return [
        keys
        for variants in same.values()
        for keys in sorted(variants, key=lambda keys: (-len(keys & held), sorted(keys)))[:MOST_VARIANTS]
    ]


def _best(ranked: list[Found], held: frozenset[str], most: int) -> tuple[Found, ...]:
    """All that the chart has; of the others the first for each set of keys to press anew, as far as there is room."""
    room = most - sum(one.known is not None for one in ranked)
    pressed: set[frozenset[str]] = set()
    kept = []
    for one in ranked:
        anew = one.keys - held
        if one.known is None:
            if anew in pressed or room <= 0:
                continue
            room -= 1
        pressed.add(anew)
        kept.append(one)
    return tuple(kept)


def idle_keys(chart: Chart, keys: frozenset[str]) -> frozenset[str]:
    """The keys that change nothing by themselves: with any one of them lifted the horn sounds the same note."""
    note = chart.sound(keys)
    return frozenset(name for name in keys if chart.sound(keys - {name}) == note)


def sensible_combinations(
    chart: Chart, written_midi: int, held: frozenset[str] = frozenset()
) -> tuple[frozenset[str], ...]:
    """All sets of keys that sound the note, that a hand can hold, and of which each key is needed or among `held`.

    Notes
    -----
    Only keys that could be needed for this note are tried, and those of `held`. The note speaks from one hole, or from
    an entry of the third register. Lifting a key changes it only if the key closed a hole above, opened this one, is
    the octave key or the one that works its lower vent, or belongs to the entry. So no combination is left out.
    """
    chart.sound(held)  # an unknown key is said here
    usable = _keys_that_matter(chart, written_midi) | held
    groups = _choices(chart, usable)
    if prod(map(len, groups)) > MOST_COMBINATIONS:
        raise ChartError(
            chart.name,
            [f"more than {MOST_COMBINATIONS} key combinations for one note; give each key the finger that presses it"],
        )
    return tuple(keys for keys in _united(groups) if _is_sensible(chart, keys, written_midi, held))


def _is_sensible(chart: Chart, keys: frozenset[str], written_midi: int, held: frozenset[str]) -> bool:
    if chart.sound(keys) != written_midi:
        return False
    if any(chart.sound(keys - {name}) == written_midi for name in keys - held):
        return False
    return not out_of_reach(chart, keys)


def _keys_that_matter(chart: Chart, written_midi: int) -> frozenset[str]:
    semitones = chart.octave.semitones if chart.octave else 0
    keys: set[str] = {chart.octave.key, chart.octave.lower_vent_key} if chart.octave else set()
    closers: set[str] = set()
    for hole in chart.holes:
        if hole.written_midi in (written_midi, written_midi - semitones):
            keys |= closers | hole.opened_by
        closers |= hole.closed_by
    for entry in chart.third_register:
        if entry.written_midi == written_midi:
            keys |= entry.keys
    return frozenset(keys)


def _choices(chart: Chart, usable: frozenset[str]) -> list[list[frozenset[str]]]:
    """For each finger, what it can hold of the usable keys: nothing, one, or what its hand can hold together."""
    of_finger: dict[tuple[str, str], list[str]] = {}
    for key in chart.keys:
        if key.name in usable:
            of_finger.setdefault((key.hand, key.finger), []).append(key.name)
    return [
        [
            keys
            for size in range(min(len(names), MOST_UNDER_ONE_HAND) + 1)
            for keys in map(frozenset, combinations(names, size))
            if not fingers_overstretched(chart, keys)
        ]
        for names in of_finger.values()
    ]


def _united(groups: list[list[frozenset[str]]]) -> Iterator[frozenset[str]]:
    for chosen in product(*groups):
        yield frozenset[str]().union(*chosen)


def _fingers(chart: Chart, keys: frozenset[str]) -> int:
    """How many fingers press these keys; each key of a palm or of a hand's side counts for itself."""
    return len(
        {(key.hand, key.finger, key.name if key.finger in ("palm", "side") else "") for key in chart.keys
         if key.name in keys}
    )  # fmt: skip
