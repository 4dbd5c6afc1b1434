"""Simulated takes of which the truth is known: which score note every played note realises, and what went wrong.

    take = simulate(passage, 84, "student", 7)
    take.truth[i]        # score index that played note i realises, -1 where it is extra
    take.happened        # {"wrong note": 2, "stutter": 1, ...}

`companion.practice.sim_levels` says how often what happens, `sim_player` how the notes come about, `sim_sound` what a
controller sends for them. Same in, same out, on every machine and Python version: times are whole microseconds.

The truth
---------
A repeat of a note (doubled, stutter, restart, breath come back) carries its score index again, a wrong pitch in a
note's place that note's index, the notes of a trill the trilled note's. Blips and added notes carry -1.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from random import Random
from types import MappingProxyType

import numpy as np

from companion.arrays import Bools, Ints
from companion.charts.model import Chart
from companion.errors import UsageError
from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.model import PLAYED, PlayedArray
from companion.practice.sim_levels import DROPOUT, KINDS, LEVELS, Level
from companion.practice.sim_player import Player, Sounded
from companion.practice.sim_sound import STYLES, WIND, Span, TimedMessage, messages_of, spans_of
from companion.units import ms_from_s

__all__ = ["KINDS", "LEVELS", "Level", "SimulatedTake", "TimedMessage", "TrueBlip", "play_take", "simulate"]


@dataclass(frozen=True, slots=True)
class TrueBlip:
    """Played note `played_index` sounded on the way to score note `note_index`: the `early` fingers (`left index`) had
    moved, the `late` ones followed `by_ms` after. Both are empty where no fingers of the horn explain it."""

    played_index: int
    note_index: int
    early: tuple[str, ...]
    late: tuple[str, ...]
    by_ms: float


@dataclass(frozen=True, eq=False)
class SimulatedTake:
    """A take and its truth. All arrays are in order of onset and read-only.

    `played` [shape=(notes,)] of `PLAYED`: a note's offset is when its key came up, which in a slur may be after the
    next onset. `truth` is the score index each realises, -1 for an extra note. `kinds` names the kind of slip a note
    belongs to, empty for a plain note. `tongued` is how each was begun. `happened` counts by kind.
    """

    played: PlayedArray
    truth: Ints
    kinds: tuple[str, ...]
    tongued: Bools
    blips: tuple[TrueBlip, ...]
    happened: Mapping[str, int]
    breath_hz: float = 0.0
    _sounded: list[Sounded] = field(default_factory=list, repr=False)
    _spans: list[Span] = field(default_factory=list, repr=False)
    _text: str = field(default="", repr=False)

    @cached_property
    def messages(self) -> tuple[TimedMessage, ...]:
        """What the controller sends, in order of time."""
        return messages_of(self._sounded, self._spans, self.breath_hz, Random(f"breath/{self._text}"))


def simulate(
    passage: Passage,
    tempo_bpm: float,
    level: str,
    seed: int,
    *,
    style: str = WIND,
    kinds: Collection[str] | None = None,
    plan: Plan | None = None,
    chart: Chart | None = None,
) -> SimulatedTake:
    """One take of the passage with its truth.

    Parameters
    ----------
    tempo_bpm
        Quarters a minute; later tempo marks keep their ratio to the first.
    level
        A key of `LEVELS`: `clean`, `student`, `messy` or `chaos`.
    style
        `wind` or `keyboard`: how notes end and whether there is breath.
    kinds
        Only these of `KINDS` happen, at the level's rates (or at `sim_levels.RATE_ALONE` where the level has none). A
        single one that happens once in a take (drift, swing, key signature, late entry) happens for sure, where the
        passage has a place for it. None: all, at the level's rates. Empty: nothing but the timing.
    plan, chart
        With both, blips are what the horn sounds between the plan's fingerings.

    Raises
    ------
    UsageError
        Unknown level, style or kind, a tempo that isn't positive, or a plan of another passage.
    """
    if level not in LEVELS:
        raise UsageError(f"no level called {level!r}: there is {', '.join(LEVELS)}")
    return play_take(passage, tempo_bpm, LEVELS[level], level, seed, style=style, kinds=kinds, plan=plan, chart=chart)


def play_take(
    passage: Passage,
    tempo_bpm: float,
    level: Level,
    level_name: str,
    seed: int,
    *,
    take: int = 0,
    style: str = WIND,
    kinds: Collection[str] | None = None,
    plan: Plan | None = None,
    chart: Chart | None = None,
    breath_hz: float = 100.0,
) -> SimulatedTake:
    """As `simulate`, with any level, for the `take`-th time (0 for the first)."""
    _check(passage, tempo_bpm, style, kinds, plan)
    # A text seeds `Random` in the same way on every machine and Python version.
    text = f"{level_name}/{seed}/{take}/{tempo_bpm:.4f}"
    player = Player(
        passage,
        tempo_bpm,
        level,
        Random(text),
        place_seed=str(seed),
        take=take,
        kinds=kinds,
        never=() if style == WIND else (DROPOUT,),
        plan=plan,
        chart=chart,
    )
    sounded = player.play()
    spans = spans_of(sounded, style, Random(f"{style}/{text}"))
    played = np.array([(s.onset_s, s.offset_s, s.midi, s.velocity) for s in spans], dtype=PLAYED)
    truth = np.array([note.truth for note in sounded], dtype=np.int64)
    tongued = np.array([note.tongued for note in sounded], dtype=np.bool_)
    for array in (played, truth, tongued):
        array.flags.writeable = False
    return SimulatedTake(
        played=played,
        truth=truth,
        kinds=tuple(note.kind for note in sounded),
        tongued=tongued,
        blips=tuple(
            TrueBlip(i, note.towards, note.early, note.late, ms_from_s(note.by_s))
            for i, note in enumerate(sounded)
            if note.towards >= 0
        ),
        happened=MappingProxyType(dict(player.happened)),
        breath_hz=breath_hz if style == WIND else 0.0,
        _sounded=sounded,
        _spans=spans,
        _text=text,
    )


def _check(passage: Passage, tempo_bpm: float, style: str, kinds: Collection[str] | None, plan: Plan | None) -> None:
    if not tempo_bpm > 0:
        raise UsageError(f"a tempo of {tempo_bpm:g} can't be played: it counts quarters a minute and must be above 0")
    if style not in STYLES:
        raise UsageError(f"no style called {style!r}: there is {' and '.join(STYLES)}")
    for kind in kinds or ():
        if kind not in KINDS:
            raise UsageError(f"no kind of slip called {kind!r}: there is {', '.join(KINDS)}")
    if plan is not None and len(plan.choices) != len(passage.notes):
        raise UsageError(f"the plan is for {len(plan.choices)} notes, the passage has {len(passage.notes)}")
