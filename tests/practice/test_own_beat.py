"""The own beat: 0 with the click, a straight line through the neighbours where the click was left."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.practice.own_beat import LEFT_S, own_beat_s

DUE_S = np.arange(40) * 0.25


def test_who_plays_with_the_click_has_no_beat_of_his_own() -> None:
    off_s = np.random.default_rng(1).normal(0.0, 0.03, 40)
    assert not own_beat_s(DUE_S, off_s).any()
    assert not own_beat_s(DUE_S[:0], off_s[:0]).any() and len(own_beat_s(DUE_S[:1], off_s[:1])) == 1


def test_another_tempo_is_followed_exactly() -> None:
    off_s = 1.0 + 0.17 * DUE_S
    assert own_beat_s(DUE_S, off_s) == pytest.approx(off_s)


def test_one_note_out_of_line_does_not_move_its_own_beat() -> None:
    off_s = np.full(40, 2.0)
    off_s[20] += 0.15
    assert own_beat_s(DUE_S, off_s)[20] == pytest.approx(2.0)


def test_a_jump_parts_the_lines() -> None:
    off_s = np.where(np.arange(40) < 15, 0.0, 1.5)
    assert own_beat_s(DUE_S, off_s) == pytest.approx(off_s)


def test_one_late_note_is_no_break_and_stays_late() -> None:
    off_s = np.zeros(40)
    off_s[[0, 20, 39]] = 0.4
    assert not own_beat_s(DUE_S, off_s).any()


def test_a_late_neighbour_does_not_bend_the_line() -> None:
    off_s = np.full(40, 2.0)
    off_s[20] += 0.15
    assert own_beat_s(DUE_S, off_s) == pytest.approx(np.full(40, 2.0))


@given(st.lists(st.floats(-5, 5), max_size=40))
def test_it_is_either_none_or_more_than_what_counts(offs_s: list[float]) -> None:
    own = own_beat_s(DUE_S[: len(offs_s)], np.array(offs_s))
    assert np.isfinite(own).all() and ((own == 0) | (np.abs(own) > LEFT_S)).all()
