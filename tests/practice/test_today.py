"""A sitting's plan: everything has a turn, minutes add up, breaks come in time, and it ends."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.errors import UsageError
from companion.practice.today import (
    BREAK,
    BREAK_AFTER_MIN,
    COLD,
    ITEM,
    LONGEST_MIN,
    SHAPES,
    SHORTEST_MIN,
    TROUBLE,
    TURN_MIN,
    Entry,
    Task,
    need_of,
    plan_sitting,
)

KINDS = st.lists(st.sampled_from([ITEM, ITEM, ITEM, TROUBLE, SHAPES]), min_size=1, max_size=8)


def tasks_of(kinds: list[str], needs: list[float] | None = None) -> list[Task]:
    needs = needs or [1.0] * len(kinds)
    return [
        Task(f"{i}", kind, f"Task {i}", "why", need) for i, (kind, need) in enumerate(zip(kinds, needs, strict=True))
    ]


def keys(entries: tuple[Entry, ...]) -> list[str]:
    return [entry.task.key if entry.task else "break" for entry in entries]


def test_two_items_take_turns_and_the_needier_has_more() -> None:
    entries = plan_sitting(tasks_of([ITEM, ITEM], [1.0, 3.0]), 20)
    assert keys(entries) == ["1", "0", "1"]
    assert [entry.minutes for entry in entries] == [5, 5, 10]
    assert [entry.again for entry in entries] == [False, False, True]


def test_blocked_each_has_its_time_in_one_go() -> None:
    entries = plan_sitting(tasks_of([ITEM, ITEM], [1.0, 3.0]), 20, interleaved=False)
    assert keys(entries) == ["1", "0"] and [entry.minutes for entry in entries] == [15, 5]


def test_the_cold_go_comes_before_anything_warms_up() -> None:
    tasks = [*tasks_of([ITEM, TROUBLE], [5.0, 4.0]), Task("cold", COLD, "First go", "why", 0.1)]
    assert keys(plan_sitting(tasks, 30))[0] == "cold"


def test_a_break_comes_before_25_minutes_are_over() -> None:
    """Common advice for wind players, from memory: some minutes every 25 to 30."""
    entries = plan_sitting(tasks_of([ITEM]), 60)
    assert keys(entries) == ["0", "break", "0", "break", "0"]
    assert [entry.minutes for entry in entries if entry.task] == [25, 25, 10]
    assert keys(plan_sitting(tasks_of([ITEM]), 20, played_min=24))[0] == "break"


def test_nothing_open_is_no_plan() -> None:
    assert plan_sitting([], 30) == ()


@pytest.mark.parametrize("minutes", [0, -5, 4.9, 1000, float("nan")])
def test_a_sitting_of_a_strange_length_is_refused(minutes: float) -> None:
    with pytest.raises(UsageError, match="out of range"):
        plan_sitting(tasks_of([ITEM]), minutes)


@given(KINDS, st.floats(SHORTEST_MIN, LONGEST_MIN), st.booleans(), st.data())
def test_whatever_is_open(kinds: list[str], minutes: float, interleaved: bool, data: st.DataObject) -> None:
    needs = data.draw(st.lists(st.floats(0.0, 6.0), min_size=len(kinds), max_size=len(kinds)))
    tasks = tasks_of(kinds, needs)
    entries = plan_sitting(tasks, minutes, interleaved=interleaved)
    assert entries == plan_sitting(tasks, minutes, interleaved=interleaved)
    played = sum(entry.minutes for entry in entries if entry.task)
    assert played <= minutes + 1e-9
    if ITEM in kinds and minutes >= TURN_MIN * len(kinds):
        # With an item open the time is used, but for what is worth no turn.
        assert played > minutes - 2
        assert {entry.task.key for entry in entries if entry.task} == {task.key for task in tasks}
    since = 0.0
    for entry in entries:
        since = 0.0 if entry.kind == BREAK else since + entry.minutes
        assert entry.minutes > 0 and since <= BREAK_AFTER_MIN + 1e-9
    assert not entries or entries[-1].kind != BREAK
    for one, other in pairwise(keys(entries)):
        assert one != other
    if interleaved and ITEM in kinds:
        first = [key for key in dict.fromkeys(keys(entries)) if key != "break"]
        wanted = [task.key for task in sorted(tasks, key=lambda task: -task.need)]
        assert first == wanted[: len(first)]


@given(st.floats(0, 1), st.integers(-3, 10), st.floats(0, 60))
def test_need_falls_with_what_was_played_and_grows_with_the_gap(gap: float, days: int, played: float) -> None:
    assert need_of(gap, days, minutes_today=played) <= need_of(gap, days)
    assert need_of(min(gap + 0.1, 1.0), days) >= need_of(gap, days) >= need_of(gap, days + 1)
    assert need_of(gap, days, done=True) < need_of(gap, days)
