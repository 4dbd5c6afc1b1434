"""A target is out of reach where own takes say so, and only then; what is offered in its place is within the limit."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from planning_passages import passage

from companion import charts
from companion.planning import plan
from companion.planning.limits import speed_limits
from companion.planning.pace import Pace
from companion.practice.ladder import METRONOME_BPM
from companion.practice.reach import reach_of

ALTO = charts.load("alto")
MUSIC = passage("G4 A4 F#4 A4 G4 B-flat4 G4 D4", tempo_bpm=60)
PLAN = plan(MUSIC, ALTO)
KEYS = [choice.keys for choice in PLAN.choices]


def slow_to_b_flat(factor: float) -> Pace:
    """A player who was measured at this change, and takes so much longer for it."""
    change = KEYS[4], KEYS[5]
    return Pace(1.0, 40, {change: factor, change[::-1]: factor}, low=0.9, high=1.1)


def limit_bpm(pace: Pace) -> float:
    """Of the change from G to B flat, whichever way it goes."""
    changes = speed_limits(MUSIC, PLAN, ALTO, 60, pace).changes
    return min(c.limit_bpm for c in changes if c.note_index in (5, 6))


def test_nothing_stands_before_a_slow_target() -> None:
    assert reach_of(MUSIC, PLAN, ALTO, 20, Pace()) is None


def test_own_takes_put_a_target_out_of_reach_and_offer_another() -> None:
    pace = slow_to_b_flat(3.0)
    limit = limit_bpm(pace)
    found = reach_of(MUSIC, PLAN, ALTO, math.ceil(limit) + 5, pace)
    assert found is not None and found.measured
    assert found.limit_bpm == limit
    assert found.within_bpm in METRONOME_BPM and found.within_bpm <= limit
    assert found.sentence.startswith(f"{math.ceil(limit) + 5} is out of reach as yet: ")
    assert "by your own takes" in found.sentence
    assert found.sentence.endswith(f"; in reach is {found.within_bpm:g}")
    assert reach_of(MUSIC, PLAN, ALTO, found.within_bpm, pace) is None
    eight = replace(MUSIC, bars=tuple(replace(bar, beats=2 * bar.beats, beat_type=8) for bar in MUSIC.bars))
    in_eighths = reach_of(eight, PLAN, ALTO, math.ceil(limit) + 5, pace)
    assert in_eighths is not None and in_eighths.within_bpm == found.within_bpm
    assert in_eighths.sentence.startswith(f"♪ = {2 * math.ceil(limit) + 10} is out of reach as yet: ")
    assert in_eighths.sentence.endswith(f"; in reach is ♪ = {2 * found.within_bpm:g}")


@pytest.mark.parametrize(
    ("pace", "whose"),
    [(Pace(), "by the average player's pace"), (Pace(1.2, 40, low=1.1, high=1.3), "by your pace on other changes")],
)
def test_what_is_guessed_is_said_and_not_called_out_of_reach(pace: Pace, whose: str) -> None:
    found = reach_of(MUSIC, PLAN, ALTO, 380, pace)
    assert found is not None and not found.measured
    assert found.sentence.startswith("380 may be too fast, at a guess: ") and found.sentence.endswith(whose)
    # Such a guess is off by some 0.2, so that a target just beyond it is let alone.
    lowest = min(c.limit_bpm for c in speed_limits(MUSIC, PLAN, ALTO, 380, pace).changes)
    assert reach_of(MUSIC, PLAN, ALTO, 1.19 * lowest, pace) is None
    assert reach_of(MUSIC, PLAN, ALTO, 1.21 * lowest, pace) is not None


@given(st.floats(10, 400), st.floats(0.5, 40))
def test_what_is_offered_is_within_the_limit_and_playable(target_bpm: float, factor: float) -> None:
    found = reach_of(MUSIC, PLAN, ALTO, target_bpm, slow_to_b_flat(factor))
    if found is not None:
        assert found.limit_bpm < target_bpm
        assert 10 <= found.within_bpm <= max(found.limit_bpm, 10)
