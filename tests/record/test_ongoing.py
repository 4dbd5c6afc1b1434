"""The sitting that is going on, by the clock on the wall."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.record.model import TakeSummary
from companion.record.ongoing import Ongoing, ongoing

NOW = datetime(2026, 11, 26, 0, 10, tzinfo=UTC)


def take(minutes_ago: float, bars: str = "", length_s: float = 50.0, zone_h: int = 0) -> TakeSummary:
    at = (NOW - timedelta(minutes=minutes_ago)).astimezone(timezone(timedelta(hours=zone_h)))
    return TakeSummary(
        "f", 0, f"{minutes_ago}", at.isoformat(), at.date().isoformat(), length_s, "T", "e.musicxml", "aa", "", bars,
        "alto", "wind", 80.0, 96.0, 0, 1, "", "", "", "", 0,
    )  # fmt: skip


def of_bars(found: Ongoing, bars: str) -> tuple[int, float]:
    return found.of([each for each, _ in found.takes if each.bars == bars], 5.0)


def test_takes_and_the_pauses_between_them_are_one_sitting_past_midnight() -> None:
    found = ongoing([take(each) for each in range(1, 21)], NOW)
    assert found.minutes == found.since_break_min == pytest.approx(20)
    assert {each.day for each, _ in found.takes} == {"2026-11-25", "2026-11-26"}


def test_a_break_counts_for_nothing_and_a_rest_begins_another_sitting() -> None:
    earlier, before, after = [take(90), take(89)], [take(25), take(24)], [take(2), take(1)]
    found = ongoing([*earlier, *before, *after], NOW)
    assert [each.id for each, _ in found.takes] == ["25", "24", "2", "1"]
    # 25 to 24 with its pause, 24 with its 50 s, then from 2 on.
    assert found.minutes == pytest.approx(1 + 50 / 60 + 2) and found.since_break_min == pytest.approx(2)
    assert ongoing(earlier, NOW) == Ongoing()


def test_turns_are_counted_by_what_was_played_between() -> None:
    found = ongoing(
        [*(take(each, "1-4") for each in (20, 19, 18)), take(17, "5-8"), take(16, "1-4")], NOW + timedelta(0)
    )
    assert not ongoing([take(40)], NOW).takes
    assert of_bars(found, "1-4")[0] == 2 and of_bars(found, "5-8")[0] == 1
    long = ongoing([take(each, "1-4") for each in range(1, 16)], NOW)
    turns, minutes = of_bars(long, "1-4")
    assert minutes == pytest.approx(15) and turns == 3, "a quarter of an hour of one thing was three turns"
    assert long.of([], 5.0) == (0, 0.0)


def test_zones_are_of_no_account() -> None:
    here, there = (
        ongoing([take(3), take(2), take(1)], NOW),
        ongoing([take(3, zone_h=-9), take(2), take(1, zone_h=5)], NOW),
    )
    assert here.minutes == there.minutes and here.since_break_min == there.since_break_min


def test_what_is_yet_to_come_is_left_out() -> None:
    """The clock was set back."""
    assert ongoing([take(-60), take(-1)], NOW) == Ongoing()
    assert ongoing([take(-60), take(1)], NOW).minutes == pytest.approx(1)


@given(st.lists(st.tuples(st.floats(-100, 200), st.floats(0, 4000)), max_size=20))
def test_whatever_was_played(rows: list[tuple[float, float]]) -> None:
    found = ongoing([take(ago, length_s=length_s) for ago, length_s in rows], NOW)
    assert all(minutes >= 0 for _, minutes in found.takes)
    longest = max((ago for ago, _ in rows), default=0.0)
    assert 0 <= found.since_break_min <= found.minutes + 1e-6
    assert found.minutes <= max(longest, 0) + 1e-6
