"""The interval of a share against SciPy's, and against figures that were printed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.record.wilson import wilson_interval


# R. G. Newcombe, Two-sided confidence intervals for the single proportion, Statistics in Medicine 17 (1998) 857,
# Table I, method 3 (score, without continuity correction); from memory.
@pytest.mark.parametrize(
    ("count", "total", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_printed_intervals(count: int, total: int, low: float, high: float) -> None:
    assert wilson_interval(count, total) == pytest.approx((low, high), abs=5e-5)


@given(st.integers(1, 500).flatmap(lambda total: st.tuples(st.integers(0, total), st.just(total))))
def test_the_same_as_scipys(counted: tuple[int, int]) -> None:
    stats = pytest.importorskip("scipy.stats")
    interval = stats.binomtest(*counted).proportion_ci(0.95, "wilson")
    assert wilson_interval(*counted) == pytest.approx((interval.low, interval.high), abs=1e-9)


@given(st.integers(1, 500).flatmap(lambda total: st.tuples(st.integers(0, total), st.just(total))))
def test_it_holds_the_share_and_mirrors(counted: tuple[int, int]) -> None:
    count, total = counted
    low, high = wilson_interval(count, total)
    assert 0 <= low <= count / total <= high <= 1
    assert wilson_interval(total - count, total) == pytest.approx((1 - high, 1 - low), abs=1e-12)


def test_nothing_counted_tells_nothing_and_no_share_is_refused() -> None:
    assert wilson_interval(0, 0) == (0.0, 1.0)
    for count, total in ((3, 2), (-1, 4)):
        with pytest.raises(ValueError, match="is no share"):
            wilson_interval(count, total)
