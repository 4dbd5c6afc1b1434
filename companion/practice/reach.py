"""Whether fingers can play a target as they are now, and what they can.

A limit from the player's own takes counts: a target above it is out of reach until those fingers are quicker. What is
only guessed, by the pace on other changes or by the average player's, is said and no more, and only where the target is
beyond it by more than such a guess can be off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from companion.charts.model import Chart
from companion.passage import Passage
from companion.planning.limits import speed_limits
from companion.planning.model import Plan
from companion.planning.pace import Pace
from companion.practice.hurdle import hurdles_of_limits, worst_hurdle
from companion.practice.ladder import LOWEST_BPM, METRONOME_BPM
from companion.practice.metronome import counted_note

__all__ = ["Reach", "reach_of"]


#: A single change is off from what the effort model has for it by some 0.2 (see `planning.limits`).
GUESS_OFF = 1.2


@dataclass(frozen=True, slots=True)
class Reach:
    """What stands before a target. `limit_bpm` is the tempo up to which the worst change goes, in quarters a minute,
    `within_bpm` the metronome number below it; `measured` is whether the player's own takes say so. `sentence` says it
    all."""

    limit_bpm: float
    within_bpm: float
    measured: bool
    sentence: str


def reach_of(passage: Passage, plan: Plan, chart: Chart, target_bpm: float, pace: Pace) -> Reach | None:
    """What is to be said of a target; None where nothing stands before it.

    Parameters
    ----------
    passage, plan, chart
        The bars that are to be played, planned: for an excerpt take `Plan.part`.
    target_bpm
        Quarters a minute of the first tempo of these bars.
    pace
        The player's.
    """
    limits = speed_limits(passage, plan, chart, target_bpm, pace)
    worst = worst_hurdle(hurdles_of_limits(passage, plan, limits, pace, target_bpm), target_bpm)
    if worst is None or not (worst.measured or worst.limit_bpm * GUESS_OFF < target_bpm):
        return None
    within_bpm, counted = _number_below(worst.limit_bpm), counted_note(passage.bars[0])
    if worst.measured:
        within = counted.mark(within_bpm)
        sentence = f"{counted.mark(target_bpm)} is out of reach as yet: {worst.sentence}; in reach is {within}"
    else:
        sentence = f"{counted.mark(target_bpm)} may be too fast, at a guess: {worst.sentence}"
    return Reach(worst.limit_bpm, within_bpm, worst.measured, sentence)


def _number_below(limit_bpm: float) -> float:
    """The metronome number at or below a limit, the whole one outside its range."""
    below = [number for number in METRONOME_BPM if number <= limit_bpm]
    if not below or limit_bpm > METRONOME_BPM[-1]:
        return max(float(math.floor(limit_bpm)), LOWEST_BPM)
    return float(below[-1])
