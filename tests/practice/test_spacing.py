"""The schedule, held against the library whose schedule it is (py-fsrs, MIT, its documented defaults)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from fsrs import Card, Rating, Scheduler
from hypothesis import given
from hypothesis import strategies as st

from companion.practice.spacing import (
    Memory,
    due_in_words,
    is_due,
    recall_chance,
    recall_in_words,
    reviewed,
    shaky_first,
)

NOW = datetime(2026, 3, 2, 17, 0, tzinfo=UTC)


def test_the_first_steps_are_the_documented_ones() -> None:
    # py-fsrs, README: "learning_steps: timedelta(minutes=1), timedelta(minutes=10)".
    wrong = reviewed(None, False, NOW)
    assert wrong.due - NOW == timedelta(minutes=1)
    right = reviewed(None, True, NOW)
    assert right.due - NOW == timedelta(minutes=10)
    again = reviewed(right, True, right.due)
    assert again.phase == 2 and again.due - again.last >= timedelta(days=1)


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 60 * 24 * 90)), min_size=1, max_size=12))
def test_intervals_are_those_of_the_library(answers: list[tuple[bool, int]]) -> None:
    scheduler, card, memory, at = Scheduler(enable_fuzzing=False), Card(card_id=9, due=NOW), None, NOW
    for right, minutes in answers:
        at += timedelta(minutes=minutes)
        card, _ = scheduler.review_card(card, Rating.Good if right else Rating.Again, at)
        memory = reviewed(memory, right, at)
        assert memory.due == card.due and memory.stability_days == card.stability
        assert recall_chance(memory, at + timedelta(days=9)) == scheduler.get_card_retrievability(
            card, at + timedelta(days=9)
        )


def test_intervals_grow_and_a_wrong_answer_shortens_them() -> None:
    memory = reviewed(reviewed(None, True, NOW), True, NOW + timedelta(minutes=10))
    gaps = []
    for _ in range(4):
        memory = reviewed(memory, True, memory.due)
        gaps.append(memory.due - memory.last)
    assert gaps == sorted(gaps) and gaps[-1] > timedelta(days=30)
    # The library's definition of when a card is due: its chance has fallen to the desired 90 %.
    assert recall_chance(memory, memory.due) == pytest.approx(0.9, abs=0.01)
    missed = reviewed(memory, False, memory.due)
    assert missed.stability_days < memory.stability_days and missed.due - missed.last == timedelta(minutes=10)


def test_a_clock_that_went_back_does_no_harm() -> None:
    memory = reviewed(None, True, NOW)
    assert reviewed(memory, True, NOW - timedelta(days=3)).last == NOW


def _memory(stability_days: float, last_days_ago: float, due_in_days: float) -> Memory:
    return Memory(2, None, stability_days, 5.0, NOW + timedelta(days=due_in_days), NOW - timedelta(days=last_days_ago))


def test_what_is_shaky_comes_first_then_what_is_new() -> None:
    known = {
        "safe": _memory(90, 2, 60),
        "due": _memory(5, 6, -1),
        "shakiest": _memory(1, 20, -15),
        "soon": _memory(5, 3, 2),
    }
    assert shaky_first(["new a", "safe", "due", "new b", "soon", "shakiest"], known, NOW) == [
        "shakiest", "due", "new a", "new b", "soon", "safe",
    ]  # fmt: skip
    assert is_due(known["due"], NOW) and not is_due(known["soon"], NOW)


def test_within_a_day_what_was_wrong_is_shakier() -> None:
    known = {"right": reviewed(None, True, NOW), "wrong": reviewed(None, False, NOW)}
    later = NOW + timedelta(hours=1)
    assert shaky_first(["right", "wrong"], known, later) == ["wrong", "right"]
    assert recall_in_words(known["wrong"], later) == "learning"
    # FSRS-6: R = (1 + (0.9^(-1 / 0.1542) - 1) * days / stability)^-0.1542, reckoned here by hand.
    chance = (1 + (0.9 ** (-1 / 0.1542) - 1) * 5 / known["wrong"].stability_days) ** -0.1542
    assert recall_in_words(known["wrong"], NOW + timedelta(days=5)) == f"{chance:.0%}" == "61%"


def test_when_in_words() -> None:
    assert due_in_words(_memory(1, 1, -1), NOW) == "now"
    assert due_in_words(_memory(1, 1, 10 / 1440), NOW) == "in 10 minutes"
    assert due_in_words(_memory(1, 1, 0.2), NOW) == "in 5 hours"
    assert due_in_words(_memory(1, 1, 1.6), NOW) == "in 2 days"
    assert due_in_words(_memory(1, 1, 1 / 24 / 60), NOW) == "in 1 minute"
