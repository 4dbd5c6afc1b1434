"""Which finger is behind which, over many takes.

Conventions
-----------
* A take counts once for each change and pair of fingers, with the mean of its slips: slips of one take are not
  independent of one another. A slip in which the two came the other way round counts with its sign turned.
* A lag is told from four takes on, where its 95 % interval (Student's t over the takes) doesn't hold zero, and where
  the fingers have not come the other way round in more than a quarter of the takes.
* A slip tells how far two fingers were apart at least, and changes that were heard clean tell nothing: the mean is that
  of the slips, and a lower bound. Where one order of two fingers makes no sound, only the other can be heard.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np

from companion.charts.model import note_name
from companion.practice.finger_words import behind_in_words, fingers_in_words
from companion.practice.students_t import mean_and_within

__all__ = ["LEAST_TAKES", "FingerLag", "SlipSeen", "TrillLag", "TrillSeen", "lags", "trill_lags"]

LEAST_TAKES = 4
MOST_CONTRARY = 0.25

#: The two notes of a change and their keys.
_Change = tuple[int, frozenset[str], int, frozenset[str]]


@dataclass(frozen=True, slots=True)
class SlipSeen:
    """A slip whose fingers could be told, as a take has it. `day` is an ISO date; keys are those of the two
    fingerings; `by_ms` is how far the fingers were apart, at least. `place` is the note arrived at, -1 where it isn't
    known."""

    take_id: str
    day: str
    from_midi: int
    from_keys: frozenset[str]
    to_midi: int
    to_keys: frozenset[str]
    early: tuple[str, ...]
    late: tuple[str, ...]
    by_ms: float
    place: int = -1

    @property
    def change(self) -> _Change:
        """The two notes and their keys."""
        return self.from_midi, self.from_keys, self.to_midi, self.to_keys

    def goes_on(self, later: SlipSeen) -> bool:
        """Is the other one the next false note on the same way, one more finger having moved?"""
        same = (self.take_id, self.day, self.change, self.place) == (
            later.take_id,
            later.day,
            later.change,
            later.place,
        )
        early, late = set(self.early), set(self.late)
        nested = early <= set(later.early) and late >= set(later.late)
        return same and self.place >= 0 and nested and (early, late) != (set(later.early), set(later.late))


@dataclass(frozen=True, slots=True)
class FingerLag:
    """In one change, `late` is `mean_ms` behind `early`, give or take `within_ms` (half the 95 % interval), over
    `takes` takes on `days` days."""

    from_midi: int
    from_keys: frozenset[str]
    to_midi: int
    to_keys: frozenset[str]
    early: str
    late: str
    mean_ms: float
    within_ms: float
    takes: int
    days: int
    sentence: str


@dataclass(frozen=True, slots=True)
class TrillSeen:
    """How a trill was played in a take: see `TrillTiming`."""

    take_id: str
    day: str
    main_midi: int
    main_keys: frozenset[str]
    other_midi: int
    other_keys: frozenset[str]
    main_longer_ms: float


@dataclass(frozen=True, slots=True)
class TrillLag:
    """In one trill the written note lasts `mean_ms` longer than its neighbour (negative: shorter), give or take
    `within_ms`, over `takes` takes on `days` days."""

    main_midi: int
    main_keys: frozenset[str]
    other_midi: int
    other_keys: frozenset[str]
    mean_ms: float
    within_ms: float
    takes: int
    days: int
    sentence: str


def lags(observations: Iterable[SlipSeen]) -> tuple[FingerLag, ...]:
    """What these slips say of the fingers, the largest lag first.

    Parameters
    ----------
    observations : iterable of SlipSeen
        Takes in any order, the slips of one as they were played. Those without a change of keys (slips within a trill
        are kept so) are passed over.
    """
    seen: dict[tuple[_Change, str, str], dict[tuple[str, str], list[float]]] = {}
    for way in _ways(observations):
        first_seen = way[0]
        for (first, second), signed_ms in _apart_ms(way).items():
            takes = seen.setdefault((first_seen.change, first, second), {})
            takes.setdefault((first_seen.take_id, first_seen.day), []).append(signed_ms)
    found = [_lag(change, first, second, takes) for (change, first, second), takes in seen.items()]
    kept = [lag for lag in found if lag is not None]
    return tuple(sorted(kept, key=lambda lag: (-lag.mean_ms, lag.from_midi, lag.to_midi, lag.late, lag.early)))


def _ways(observations: Iterable[SlipSeen]) -> Iterator[list[SlipSeen]]:
    """Slips of one change on its way, together."""
    way: list[SlipSeen] = []
    for slip in observations:
        if slip.from_keys == slip.to_keys:
            continue
        if way and not way[-1].goes_on(slip):
            yield way
            way = []
        way.append(slip)
    if way:
        yield way


def _apart_ms(way: Iterable[SlipSeen]) -> dict[tuple[str, str], float]:
    """How far each two fingers were apart, the ones named first in the alphabet ahead where it is positive. False notes
    that follow one another add up."""
    found: dict[tuple[str, str], float] = {}
    for slip in way:
        for early, late in product(slip.early, slip.late):
            if early != late:
                pair = (early, late) if early < late else (late, early)
                found[pair] = found.get(pair, 0.0) + (slip.by_ms if early < late else -slip.by_ms)
    return found


def trill_lags(observations: Iterable[TrillSeen]) -> tuple[TrillLag, ...]:
    """What these takes say of the evenness of trills, the most uneven first; told from as many takes as a lag."""
    seen: dict[_Change, dict[tuple[str, str], list[float]]] = {}
    for trill in observations:
        change = (trill.main_midi, trill.main_keys, trill.other_midi, trill.other_keys)
        seen.setdefault(change, {}).setdefault((trill.take_id, trill.day), []).append(trill.main_longer_ms)
    found = [_trill_lag(change, takes) for change, takes in seen.items()]
    kept = [lag for lag in found if lag is not None]
    return tuple(sorted(kept, key=lambda lag: (-abs(lag.mean_ms), lag.main_midi, lag.other_midi)))


def _mean_over(takes: Mapping[tuple[str, str], list[float]]) -> tuple[float, float] | None:
    """Mean and half its 95 % interval, None where the evidence is too thin."""
    if len(takes) < LEAST_TAKES:
        return None
    values = np.array([np.mean(of_take) for of_take in takes.values()])
    mean_ms, within_ms = mean_and_within(values)
    contrary = np.mean(np.sign(values) == -np.sign(mean_ms))
    return (mean_ms, within_ms) if abs(mean_ms) > within_ms and contrary <= MOST_CONTRARY else None


def _days(takes: Mapping[tuple[str, str], list[float]]) -> int:
    return len({day for _take, day in takes})


def _lag(change: _Change, first: str, second: str, takes: Mapping[tuple[str, str], list[float]]) -> FingerLag | None:
    found = _mean_over(takes)
    if found is None:
        return None
    mean_ms, within_ms = found
    early, late = (first, second) if mean_ms > 0 else (second, first)
    behind = behind_in_words([early], late.split()[0])
    sentence = (
        f"from {note_name(change[0])} to {note_name(change[2])} your {fingers_in_words([late])} is"
        f" {_evidence(mean_ms, within_ms, len(takes))} behind the {behind}"
    )
    return FingerLag(*change, early, late, abs(mean_ms), within_ms, len(takes), _days(takes), sentence)


def _trill_lag(change: _Change, takes: Mapping[tuple[str, str], list[float]]) -> TrillLag | None:
    found = _mean_over(takes)
    if found is None:
        return None
    mean_ms, within_ms = found
    main, other = note_name(change[0]), note_name(change[2])
    long, short = (main, other) if mean_ms > 0 else (other, main)
    sentence = (
        f"in the trill on {main} with {other} your {long} lasts {_evidence(mean_ms, within_ms, len(takes))} longer than"
        f" the {short}"
    )
    return TrillLag(*change, mean_ms, within_ms, len(takes), _days(takes), sentence)


def _evidence(mean_ms: float, within_ms: float, takes: int) -> str:
    return f"{abs(mean_ms):.0f} ms (± {within_ms:.0f}, {takes} takes)"
