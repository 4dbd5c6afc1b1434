"""Which exercises are worth making of a passage: what fails in the player's own takes first, then what is hardest.

An offer was made already when it is offered: what can't be made of this passage on this horn is not among them, and
what would give the same notes is offered once.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Protocol

from companion.charts.model import Chart
from companion.errors import CompanionError
from companion.exercises.links import hardest_changes
from companion.exercises.registry import REGISTRY
from companion.passage import Passage
from companion.planning.model import Plan

__all__ = ["Offer", "Options", "SpotLike", "offers"]

Options = Mapping[str, str | int | float | bool]
_NONE: Options = MappingProxyType({})
#: So many of the player's own trouble spots become an exercise each: more is no practice for one day (ours, no source).
_MOST_SPOTS = 3
#: Exercises with an option that counts from 1, what matters most first; so many of them are offered.
_COUNTED = {"links": ("change", 3), "articulations": ("pattern", 3)}
#: What is solved by itself before the passage is played again, before what is for every day (common practice, no
#: source). Those not named here come in between.
_FIRST, _LAST = ("links", "rhythms", "articulations", "alternates"), ("keys", "scales")


class SpotLike(Protocol):
    """What is asked of a trouble spot; `record.trouble.TroubleSpot` is one. `note_index` counts the whole passage."""

    @property
    def note_index(self) -> int:
        """The note that the change leads into; -1 where it stands nowhere."""

    @property
    def solved(self) -> bool:
        """Whether it went well often enough since."""

    @property
    def failed(self) -> int:
        """In how many takes it failed."""

    @property
    def takes(self) -> int:
        """Of how many."""


@dataclass(frozen=True, slots=True)
class Offer:
    """An exercise with the options that make it of this passage.

    `REGISTRY[name](passage, plan, chart, **options)` gives `made` again, whose title and purpose are the offer's. `why`
    says what speaks for it here (`failed in 6 of 7 takes`); empty where nothing but its purpose does.
    """

    name: str
    options: Options
    why: str
    made: Passage

    @property
    def title(self) -> str:
        """What stands over it."""
        return self.made.title

    @property
    def purpose(self) -> str:
        """What it is for, in one line."""
        return self.made.purpose


def offers(
    passage: Passage, plan: Plan, chart: Chart, spots: Sequence[SpotLike] = (), first_note: int = 0
) -> tuple[Offer, ...]:
    """The exercises worth making of a passage, the most needed first.

    Parameters
    ----------
    passage, plan
        The music, planned; for an excerpt its own passage and `Plan.part`.
    chart
        The horn.
    spots
        The player's own trouble spots, worst first; solved ones and those outside the excerpt are passed over.
    first_note
        Index in the whole passage, which `spots` count, of the first note of `passage`.

    Returns
    -------
    tuple of Offer
        Empty where nothing can be made, such as of a passage without notes.
    """
    found: list[Offer] = []
    seen: set[tuple[object, ...]] = set()
    for name, options, why in _wishes(passage, plan, chart, spots, first_note):
        made = _made(name, passage, plan, chart, options)
        if made is None:
            continue
        music = tuple((note.written_midi, note.start, note.length, note.fingering_mark) for note in made.notes)
        if (name, music) not in seen:
            seen.add((name, music))
            found.append(Offer(name, MappingProxyType(dict(options)), why, made))
    return tuple(found)


def _made(name: str, passage: Passage, plan: Plan, chart: Chart, options: Options) -> Passage | None:
    if not passage.notes:
        return None
    try:
        return REGISTRY[name](passage, plan, chart, **options)
    except CompanionError:
        return None


def _wishes(
    passage: Passage, plan: Plan, chart: Chart, spots: Sequence[SpotLike], first_note: int
) -> Iterator[tuple[str, Options, str]]:
    inside = [spot for spot in spots if not spot.solved and 0 < spot.note_index - first_note < len(passage.notes)]
    for spot in inside[:_MOST_SPOTS]:
        why = f"failed in {spot.failed} of {spot.takes} of your takes"
        yield "links", {"into": spot.note_index - first_note}, why
    for name in _ordered(REGISTRY):
        if name not in _COUNTED:
            yield name, _NONE, ""
            continue
        option, most = _COUNTED[name]
        reasons = _limits(passage, plan, chart)[:most] if name == "links" else []
        for number in range(1, most + 1):
            yield name, {option: number}, reasons[number - 1] if number <= len(reasons) else ""


def _ordered(names: Iterable[str]) -> list[str]:
    every = list(names)
    first = [name for name in _FIRST if name in every]
    last = [name for name in _LAST if name in every]
    return [*first, *(name for name in every if name not in first and name not in last), *last]


def _limits(passage: Passage, plan: Plan, chart: Chart) -> list[str]:
    """How fast each of the hardest changes can go, in words."""
    return [
        f"goes up to about {math.floor(change.limit_bpm + 1e-9)} by the average player's pace"
        for change in (hardest_changes(passage, plan, chart) if passage.notes else ())
    ]
