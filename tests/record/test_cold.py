"""Cold takes: which they are, and what chance they tell."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion import scores
from companion.paths import examples_dir
from companion.practice import judge
from companion.practice.finished import STOPPED
from companion.practice.model import PLAYED
from companion.record.cold import COLD_AFTER_S, MOST_COUNTED, cold_ids, cold_in_words, cold_takes, count_cold
from companion.record.model import TakeSummary
from companion.record.text import progress_lines
from companion.reports.progress_marks import progress_marks
from tests.record_logs import summary

NOON = datetime(2026, 11, 23, 12, tzinfo=timezone(timedelta(hours=1)))


def take(hours: float, tempo_bpm: float = 96, clean: bool = True, **more: object) -> TakeSummary:
    return summary(NOON + timedelta(hours=hours), tempo_bpm, clean, **more)


def test_the_first_take_of_a_sitting_is_cold_and_the_next_are_not() -> None:
    takes = [take(0), take(0.1), take(1.5), take(3.0), take(30), take(30.2)]
    assert cold_takes(reversed(takes)) == (takes[0], takes[4])


def test_other_bars_of_the_passage_warm_up_too() -> None:
    takes = [take(0, bars="5-8"), take(0.2, bars="")]
    assert count_cold(takes, 96, bars="").total == 0
    assert count_cold(takes, 96, bars="5-8").total == 1


def test_first_takes_are_marked_day_by_day_where_the_player_was_at_fault_or_not() -> None:
    rows = [(0, 90, True, ""), (0.1, 96, True, ""), (6, 96, False, ""), (24, 80, True, ""), (48, 80, False, "gone")]
    takes = [
        take(hours, bpm, clean, id=str(number), interrupted=gone)
        for number, (hours, bpm, clean, gone) in enumerate(rows)
    ]
    assert cold_ids(takes) == {"0", "2", "3"}
    table = [line for line in progress_lines(takes, {"": 96}, cold_ids(takes)) if " Nov " in line]
    assert [line.split("  ")[0] for line in table] == ["Mon 23 Nov", "Tue 24 Nov", "Wed 25 Nov"]
    assert "90 clean, 96 not" in table[0] and "80 clean" in table[1]
    assert "clean" not in table[2] and " not" not in table[2]
    marks = progress_marks(takes, cold=cold_ids(takes))
    assert [bpm for _, bpm in marks.cold] == [90, 96, 80] and len(marks.clean + marks.not_clean) == 5
    assert progress_marks(takes).cold == ()


def test_a_long_take_is_left_when_it_ends() -> None:
    takes = [take(0, duration_s=3600.0), take(0.5), take(2.9)]
    assert cold_takes(takes) == (takes[0],)


def test_zones_are_of_no_account() -> None:
    here = take(0)
    there = take(0.1, started=(NOON + timedelta(hours=0.1)).astimezone(timezone(timedelta(hours=-8))).isoformat())
    assert cold_takes([there, here]) == (here,)


def test_a_first_take_that_was_stopped_after_two_notes_was_not_clean() -> None:
    takes = [take(0, clean=False, interrupted=STOPPED, duration_s=2.0), take(0.01), take(24)]
    cold = count_cold(takes, 96)
    assert (cold.clean, cold.total) == (1, 2)


def test_a_controller_that_vanished_is_not_the_players_fault() -> None:
    """Neither counts the take, nor is the next one a first."""
    takes = [take(0, clean=False, interrupted="interrupted: it does not count on the ladder"), take(0.05), take(24)]
    cold = count_cold(takes, 96)
    assert (cold.clean, cold.total, cold.slower) == (1, 1, 0)


def test_a_take_in_which_nothing_was_heard_is_none() -> None:
    """The judge's own words for a cable that was out, and the first take when it is plugged in."""
    passage = scores.read(examples_dir() / "passages" / "etude-e-minor.musicxml")
    silence = judge(passage, np.zeros(0, PLAYED), 96)
    takes = [take(0, clean=False, because=silence.because), take(0.05), take(0.1)]
    assert cold_takes(takes) == (takes[1],)
    cold = count_cold(takes, 96)
    assert (cold.clean, cold.total) == (1, 1)


def test_a_performance_for_the_mock_judge_is_a_first_take_like_any_other() -> None:
    takes = [take(0, 95.2, performance=1), take(0.1), take(24, performance=1, clean=False)]
    cold = count_cold(takes, 96)
    assert (cold.clean, cold.total) == (1, 2)


def test_a_performance_that_broke_down_was_none_too_slow_but_none_that_was_clean() -> None:
    """Of its first notes a tempo can't be told; one that was played to its end was slow or was not."""
    broken = take(0, 41, clean=False, performance=1, because="1 note wrong, 52 not reached")
    slow = take(24, 70, performance=1)
    cold = count_cold([broken, slow], 96)
    assert (cold.clean, cold.total, cold.slower) == (0, 1, 1)
    gone = take(48, 41, clean=False, performance=1, because="52 not reached", interrupted="Reed vanished")
    assert count_cold([broken, slow, gone], 96) == cold


def test_two_programs_at_once_and_midnight() -> None:
    """The first of them is cold; who plays on over midnight does not begin anew."""
    takes = [take(11.5, file="a"), take(11.51, file="b"), take(12.1, file="a"), take(12.2, file="b")]
    assert cold_takes(takes) == (takes[0],)


def test_only_takes_near_the_target_tell() -> None:
    takes = [take(24 * day, tempo, clean) for day, (tempo, clean) in enumerate([(60, True), (92, False), (96, True)])]
    cold = count_cold(takes, 96)
    assert (cold.clean, cold.total, cold.slower) == (1, 2, 1)
    assert cold_in_words(cold) == "First takes near 96: 1 of 2 clean; too few to tell the chance."
    assert count_cold(takes, None).total == 3


def test_the_chance_has_wilsons_interval() -> None:
    """L. D. Brown, T. T. Cai and A. DasGupta, Statistical Science 16 (2001) 101: 4 of 10 is 0.168 to 0.687 (the value
    of R's `prop.test(4, 10, correct = FALSE)`, from memory)."""
    takes = [take(24 * day, clean=day < 4) for day in range(10)]
    cold = count_cold(takes, 96)
    assert [cold.low, cold.high] == pytest.approx([0.168, 0.687], abs=5e-4)
    assert cold_in_words(cold) == (
        "First takes near 96: 4 of 10 clean: the chance that the first one is clean lies between 17 and 69 % (95 %"
        " interval)."
    )


def test_without_any_it_says_how_to_get_one() -> None:
    assert cold_in_words(count_cold([], 96)) == ""
    assert cold_in_words(count_cold([take(0, 60)], 96)).startswith("First takes near 96: none yet, 1 slower. Begin")


@given(st.lists(st.tuples(st.floats(0, 200), st.floats(40, 120), st.booleans()), max_size=30))
def test_whatever_was_played(rows: list[tuple[float, float, bool]]) -> None:
    takes = [take(*row) for row in rows]
    cold = cold_takes(takes)
    times = [datetime.fromisoformat(t.started) for t in cold]
    assert times == sorted(times) and bool(cold) == bool(takes)
    assert all((b - a).total_seconds() >= COLD_AFTER_S + 60 for a, b in pairwise(times))
    counted = count_cold(takes, 90)
    assert 0 <= counted.clean <= counted.total <= MOST_COUNTED and 0 <= counted.low <= counted.high <= 1
    assert counted.total + counted.slower <= len(cold)
