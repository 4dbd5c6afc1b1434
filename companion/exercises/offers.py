"""Which exercises are worth making of a passage: what fails in the player's own takes first, then what is hardest.

An offer was made already when it is offered: what can't be made of this passage on this horn is not among them, and
what would give the same notes is offered once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Protocol

from companion.charts.model import Chart
from companion.errors import CompanionError
from companion.exercises.articulation_patterns import patterns_of
from companion.exercises.keys_of import keys_for, own_key
from companion.exercises.links import hardest_changes
from companion.exercises.registry import REGISTRY
from companion.passage import Passage, Pitch
from companion.planning.limits import HARD_LOAD
from companion.planning.model import Plan
from companion.practice.words import times_in_words

__all__ = ["Offer", "Options", "SpotLike", "offers"]

Options = Mapping[str, str | int | float | bool]
_NONE: Options = MappingProxyType({})
#: A passage of no more semitones than these has its scale over an octave: its player may not know the ends of the horn
#: yet (ours, no source).
_NARROW = 16
#: So many of the player's own trouble spots become an exercise each, so many of the hardest changes and of the
#: articulations: more is no practice for one day (ours, no source).
_MOST_SPOTS, _MOST_CHANGES, _MOST_PATTERNS = 3, 2, 2
#: What is solved by itself before the passage is played again, before what is for every day (common practice, no
#: source). Those not named here come in between.
_FIRST, _LAST = ("links", "rhythms", "articulations", "alternates"), ("keys", "scales")
_Wish = tuple[Options, str]


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
        music = tuple(
            (n.written_midi, n.start, n.length, n.fingering_mark, n.tongued, n.articulations) for n in made.notes
        )
        if (name, music) not in seen:
            seen.add((name, music))
            found.append(Offer(name, MappingProxyType(dict(options)), why, made))
    return tuple(found)


def _made(name: str, passage: Passage, plan: Plan, chart: Chart, options: Options) -> Passage | None:
    try:
        return REGISTRY[name](passage, plan, chart, **options)
    except CompanionError:
        return None


def _wishes(
    passage: Passage, plan: Plan, chart: Chart, spots: Sequence[SpotLike], first_note: int
) -> Iterator[tuple[str, Options, str]]:
    if not passage.notes:
        return
    inside = [spot for spot in spots if not spot.solved and 0 < spot.note_index - first_note < len(passage.notes)]
    for spot in inside[:_MOST_SPOTS]:
        why = f"failed in {spot.failed} of {spot.takes} of your takes"
        yield "links", {"into": spot.note_index - first_note}, why
    for name in _ordered(REGISTRY):
        for options, why in _OWN[name](passage, plan, chart) if name in _OWN else [(_NONE, "")]:
            yield name, options, why


def _ordered(names: Iterable[str]) -> list[str]:
    every = list(names)
    first = [name for name in _FIRST if name in every]
    last = [name for name in _LAST if name in every]
    return [*first, *(name for name in every if name not in first and name not in last), *last]


def _hard_changes(passage: Passage, plan: Plan, chart: Chart) -> Iterator[_Wish]:
    """The hardest, and others that are hard at the printed tempo."""
    tempo_bpm = passage.marked_tempo_bpm()
    for number, change in enumerate(hardest_changes(passage, plan, chart)[:_MOST_CHANGES], start=1):
        hard = tempo_bpm >= HARD_LOAD * change.limit_bpm
        limit = math.floor(change.limit_bpm + 1e-9)
        if hard:
            yield {"change": number}, f"goes up to about {limit} by the average player's pace"
        elif number == 1:
            yield {"change": number}, "nothing here is hard at the printed tempo, and this is the hardest of it"


def _patterns(passage: Passage, plan: Plan, chart: Chart) -> Iterator[_Wish]:
    """The most frequent; one that stands in a single place is no habit to be learnt."""
    for number, pattern in enumerate(patterns_of(passage)[:_MOST_PATTERNS], start=1):
        often = f"comes {times_in_words(pattern.count)} in the passage" if pattern.count > 1 else ""
        if number == 1 or often:
            yield {"pattern": number, **_register(passage, chart)}, often


def _scales(passage: Passage, plan: Plan, chart: Chart) -> Iterator[_Wish]:
    """The passage's own key, then all of them."""
    own = keys_for("", own_key(passage), "", "")[0]
    kind = "melodic-minor" if own.mode == "minor" else "major"
    register = _register(passage, chart)
    why = "the key of the passage, in its register" if register else "the key of the passage"
    yield {"kind": kind, "key": own.name, **register}, why
    yield {"kind": kind}, ""


def _register(passage: Passage, chart: Chart) -> Options:
    """Options of a scale in the passage's own key: the octave in which a narrow passage lies, else the whole horn."""
    midis = [note.written_midi for note in passage.notes]
    low, high = min(midis), max(midis)
    if high - low > _NARROW:
        return _NONE
    tonic = Pitch(*keys_for("", own_key(passage), "", "")[0].tonic, 4).midi
    # It begins at or below the lowest note, or above it where the horn or the passage lies higher.
    below = low - (low - tonic) % 12
    return {"octaves": 1, "lowest": below if below >= chart.lowest_midi and high <= below + 12 else below + 12}


#: Exercises of which the passage has several to offer; of any other one there is what it makes by itself.
_OWN: Mapping[str, Callable[[Passage, Plan, Chart], Iterator[_Wish]]] = {
    "links": _hard_changes,
    "articulations": _patterns,
    "scales": _scales,
}
