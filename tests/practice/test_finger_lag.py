"""Lags of fingers over many takes. The statistics are held against SciPy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.practice.finger_lag import LEAST_TAKES, SlipSeen, TrillSeen, lags, trill_lags
from companion.practice.students_t import mean_and_within, t_95

G, B_FLAT = frozenset({"l1", "l2", "l3"}), frozenset({"l1", "bis"})


def seen(take: int, by_ms: float, early=("left ring",), late=("left index",), day: str = "2026-11-02") -> SlipSeen:
    return SlipSeen(f"take {take}", day, 67, G, 70, B_FLAT, early, late, by_ms)


def test_fourteen_takes_tell_a_lag_in_a_sentence() -> None:
    stats = pytest.importorskip("scipy.stats")
    by_ms = [38 + 4 * ((i % 7) - 3) for i in range(14)]
    (lag,) = lags(seen(i, ms, day=f"2026-11-{2 + i // 5:02}") for i, ms in enumerate(by_ms))
    low, high = stats.t.interval(0.95, len(by_ms) - 1, np.mean(by_ms), stats.sem(by_ms))
    assert (lag.early, lag.late, lag.takes, lag.days) == ("left ring", "left index", 14, 3)
    assert lag.mean_ms == pytest.approx(38.0)
    assert lag.within_ms == pytest.approx((high - low) / 2, rel=1e-5)
    assert lag.sentence == "from G4 to B♭4 your left index is 38 ms (± 5, 14 takes) behind the ring finger"


def test_the_other_hand_is_named_with_its_finger() -> None:
    (lag,) = lags(seen(i, 30 + i, late=("right side",)) for i in range(6))
    assert lag.sentence.endswith("your right side key is 32 ms (± 2, 6 takes) behind the left ring finger")


def test_a_take_counts_once_however_often_it_slips() -> None:
    once = [seen(i, ms) for i, ms in enumerate((30.0, 40.0, 35.0, 45.0))]
    again = [seen(0, ms) for ms in (20.0, 40.0)] + once
    (lag,) = lags(again)
    assert lag.takes == 4
    assert lag.mean_ms == pytest.approx(np.mean([30.0, 40.0, 35.0, 45.0]))


def test_takes_of_one_name_on_two_days_are_two() -> None:
    days = [seen(i % 2, 30 + i, day=f"2026-11-0{2 + i // 2}") for i in range(4)]
    (lag,) = lags(days)
    assert (lag.takes, lag.days) == (4, 2)


def test_too_few_takes_tell_nothing() -> None:
    assert lags(seen(i, 40.0 + i) for i in range(LEAST_TAKES - 1)) == ()
    assert len(lags(seen(i, 40.0 + i) for i in range(LEAST_TAKES))) == 1


def test_the_other_way_round_counts_against() -> None:
    ours = [seen(i, 40.0 + i) for i in range(8)]
    theirs = [seen(10 + i, 40.0, early=("left index",), late=("left ring",)) for i in range(2)]
    (all_one_way,), (with_some,) = lags(ours), lags(ours + theirs)
    assert with_some.takes == 10
    assert with_some.mean_ms < 0.7 * all_one_way.mean_ms
    assert with_some.within_ms > all_one_way.within_ms
    # As many each way: nobody is behind.
    assert lags(ours + [seen(20 + i, 40.0 + i, early=("left index",), late=("left ring",)) for i in range(8)]) == ()


def test_more_than_a_quarter_the_other_way_tells_nothing_although_the_mean_would() -> None:
    ours = [seen(i, 60.0) for i in range(20)]
    theirs = [seen(30 + i, 5.0, early=("left index",), late=("left ring",)) for i in range(8)]
    assert len(lags(ours + theirs[:6])) == 1
    assert lags(ours + theirs) == ()


def test_changes_fingerings_and_directions_are_kept_apart_and_the_largest_stands_first() -> None:
    back = [
        SlipSeen(f"{i}", "2026-11-02", 70, B_FLAT, 67, G, ("left index",), ("left ring",), 60.0 + i) for i in range(5)
    ]
    found = lags([*(seen(i, 30.0 + i) for i in range(5)), *back])
    assert [(lag.from_midi, lag.to_midi, lag.late) for lag in found] == [(70, 67, "left ring"), (67, 70, "left index")]


def test_a_slip_within_one_note_is_no_change() -> None:
    trilled = [
        SlipSeen(f"{i}", "2026-11-02", 67, G, 67, G, ("left ring",), ("left index",), 30.0 + i) for i in range(5)
    ]
    assert lags(trilled) == ()


def test_every_pair_of_named_fingers_is_looked_at() -> None:
    found = lags(seen(i, 30.0 + i, early=("left ring", "left middle")) for i in range(5))
    assert {(lag.early, lag.late) for lag in found} == {("left ring", "left index"), ("left middle", "left index")}


def test_the_order_of_observations_changes_nothing() -> None:
    rows = [seen(i, 30.0 + 3 * (i % 4), late=(("left index",), ("left middle",))[i % 2]) for i in range(16)]
    assert lags(rows) == lags(rows[::-1])


def test_false_notes_that_follow_one_another_on_one_way_add_up() -> None:
    """Ring, then middle 20 ms later, then index another 25 ms later: ring and index are 45 ms apart."""

    def way(take: int, place: int) -> list[SlipSeen]:
        change = (f"take {take}", "2026-11-02", 67, G, 70, B_FLAT)
        return [
            SlipSeen(*change, ("left ring",), ("left index", "left middle"), 20.0 + take, place),
            SlipSeen(*change, ("left middle", "left ring"), ("left index",), 25.0 + take, place),
        ]

    found = {(lag.early, lag.late): lag.mean_ms for lag in lags(slip for take in range(4) for slip in way(take, 7))}
    assert found == {
        ("left ring", "left index"): pytest.approx(45.0 + 2 * 1.5),
        ("left ring", "left middle"): pytest.approx(20.0 + 1.5),
        ("left middle", "left index"): pytest.approx(25.0 + 1.5),
    }
    # Where the place isn't known each stands for itself, and so do two slips of the same fingers.
    apart = {(lag.early, lag.late): lag.mean_ms for lag in lags(slip for take in range(4) for slip in way(take, -1))}
    assert apart["left ring", "left index"] == pytest.approx(22.5 + 1.5)
    # The other way round at one place, after a return to it, is not one way either.
    contrary = [
        replace(seen(take, 30.0 + take, early, late), place=3)
        for take in range(4)
        for early, late in ((("left ring",), ("left index",)), (("left index", "left middle"), ("left ring",)))
    ]
    assert {(lag.early, lag.late): lag.mean_ms for lag in lags(contrary)} == {("left middle", "left ring"): 31.5}
    again = [
        replace(seen(take, 30.0 + take, late=late), place=3)
        for take in range(4)
        for late in (("left index",), ("left index", "left middle"))
    ]
    assert {lag.late: lag.mean_ms for lag in lags(again)} == {"left index": 31.5, "left middle": 31.5}
    (same,) = lags(replace(seen(take, 30.0 + take), place=3) for take in range(4) for _ in range(2))
    assert same.mean_ms == pytest.approx(31.5)


def test_trills_over_takes() -> None:
    b, c = frozenset({"l1"}), frozenset({"l1", "side_c"})
    rows = [TrillSeen(f"{i}", "2026-11-02", 71, b, 72, c, ms) for i, ms in enumerate((24.0, 20.0, 28.0, 24.0))]
    (lag,) = trill_lags(rows)
    assert (lag.mean_ms, lag.takes, lag.days) == (pytest.approx(24.0), 4, 1)
    assert lag.sentence == "in the trill on B4 with C5 your B4 lasts 24 ms (± 5, 4 takes) longer than the C5"
    (shorter,) = trill_lags(TrillSeen(f"{i}", "2026-11-02", 71, b, 72, c, -20.0 - i) for i in range(4))
    assert shorter.mean_ms < 0
    assert "your C5 lasts" in shorter.sentence
    assert trill_lags(rows[:3]) == ()
    assert trill_lags(TrillSeen(f"{i}", "2026-11-02", 71, b, 72, c, (-1) ** i * 20.0) for i in range(8)) == ()


# -- Student's t -----------------------------------------------------------------------------------------------------


def test_t_is_scipys() -> None:
    stats = pytest.importorskip("scipy.stats")
    for degrees in (*range(1, 60), 100, 1000):
        assert t_95(degrees) == pytest.approx(stats.t.ppf(0.975, degrees), abs=2e-5), degrees
    assert t_95(0) == np.inf


@given(st.lists(st.floats(-100, 100), min_size=2, max_size=30))
def test_the_interval_is_scipys(values: list[float]) -> None:
    stats = pytest.importorskip("scipy.stats")
    mean, within = mean_and_within(np.array(values))
    assert mean == pytest.approx(np.mean(values))
    assert within == pytest.approx(
        stats.t.ppf(0.975, len(values) - 1) * np.std(values, ddof=1) / len(values) ** 0.5, rel=1e-4
    )


def test_one_value_has_no_interval() -> None:
    assert mean_and_within(np.array([3.0])) == (3.0, np.inf)
