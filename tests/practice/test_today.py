"""A sitting's plan: everything has a turn, minutes add up, breaks come in time, and it ends."""

from __future__ import annotations

from dataclasses import replace
from itertools import groupby, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.errors import UsageError
from companion.practice.today import (
    BREAK,
    BREAK_AFTER_MIN,
    COLD,
    DONE_NEED,
    ITEM,
    LEAST_TURN_MIN,
    LONGEST_MIN,
    SHAPES,
    SHORTEST_MIN,
    TROUBLE,
    TURN_MIN,
    Entry,
    Task,
    is_over,
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
    opened = any(task.kind == ITEM and task.need > DONE_NEED for task in tasks)
    if opened and minutes >= TURN_MIN * len(kinds):
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


@given(st.lists(st.floats(1.0, 6.0), min_size=2, max_size=6), st.floats(20, LONGEST_MIN))
def test_no_item_has_three_turns_in_a_row_while_another_is_open(needs: list[float], minutes: float) -> None:
    entries = plan_sitting(tasks_of([ITEM] * len(needs), needs), minutes)
    turns = [(entry.task.key, entry.minutes) for entry in entries if entry.task]
    longest = max(sum(m for _, m in group) for _, group in groupby(turns, key=lambda turn: turn[0]))
    # A rest that is no turn of its own belongs to the last one.
    assert longest < 2 * TURN_MIN + LEAST_TURN_MIN


def test_what_is_reached_needs_one_look_only() -> None:
    """The other item is not kept waiting for it a second time."""
    done = need_of(0.0, 3, done=True)
    for interleaved in (True, False):
        entries = plan_sitting(tasks_of([ITEM, ITEM], [6.0, done]), 25, interleaved=interleaved)
        played = {key: sum(e.minutes for e in entries if e.task and e.task.key == key) for key in "01"}
        assert played == {"0": 20, "1": 5}
        # Where nothing else is set it is soon enough.
        short = plan_sitting(tasks_of([ITEM, ITEM], [done, done]), 60, interleaved=interleaved)
        assert [(entry.task.key, entry.minutes) for entry in short if entry.task] == [("0", 5), ("1", 5)]


@pytest.mark.parametrize("interleaved", [True, False])
def test_planned_anew_after_each_turn_it_is_the_same_sitting_and_ends(interleaved: bool) -> None:
    tasks = tasks_of([ITEM, ITEM, TROUBLE, ITEM], [5.0, 3.0, 2.0, 1.5])
    plan, spent, since = plan_sitting(tasks, 40, interleaved=interleaved), 0.0, 0.0
    had: list[tuple[str, float, str]] = []
    whole = [(entry.kind, entry.minutes, entry.task.key if entry.task else "") for entry in plan]
    while plan and not is_over(40, spent):
        first = plan[0]
        had.append((first.kind, first.minutes, first.task.key if first.task else ""))
        since = since + first.minutes if first.task else 0.0
        if first.task is not None:
            spent += first.minutes
            so_far = first.task.played_min + first.minutes
            tasks = [
                replace(task, turns=task.turns + 1, played_min=so_far) if task.key == first.task.key else task
                for task in tasks
            ]
        plan = plan_sitting(tasks, 40, interleaved=interleaved, played_min=since, spent_min=spent)
    played = {key: sum(m for _, m, k in had if k == key) for key in "0123"}
    assert played == {key: sum(m for _, m, k in whole if k == key) for key in "0123"}
    assert sum(played.values()) == 40 and spent == 40
    order = [key for kind, _, key in had if kind != BREAK]
    in_one_go = [key for key, _ in groupby(order)]
    assert len(set(order[:4])) == 4 if interleaved else len(in_one_go) == len(set(in_one_go))
    # Over is over: what comes after it is another sitting, and the whole of it.
    after = plan_sitting(tasks, 40, interleaved=interleaved, spent_min=spent)
    assert sum(entry.minutes for entry in after if entry.task) == 40


def test_who_was_next_is_next_when_the_page_comes_back() -> None:
    one, other = tasks_of([ITEM, ITEM], [6.0, 2.0])
    begun = replace(one, turns=1, played_min=1.5)
    assert keys(plan_sitting([begun, other], 30, spent_min=1.5))[0] == "1"
    assert keys(plan_sitting([begun, other], 30, interleaved=False, spent_min=1.5))[0] == "0"


@pytest.mark.parametrize("minutes", [25.5, 26, 26.9, 51])
def test_a_break_leaves_no_rest_that_is_no_turn(minutes: float) -> None:
    entries = plan_sitting(tasks_of([ITEM]), minutes)
    assert all(entry.minutes >= LEAST_TURN_MIN for entry in entries)
    assert sum(entry.minutes for entry in entries if entry.task) == pytest.approx(minutes)


def test_a_clock_that_was_set_back_puts_no_break_off() -> None:
    entries = plan_sitting(tasks_of([ITEM]), 60, played_min=-600)
    assert [entry.minutes for entry in entries if entry.task] == [25, 25, 10]
