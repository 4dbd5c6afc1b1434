from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from practice.made import passage

from companion.errors import UsageError
from companion.passage import Bar, Passage, TempoMark
from companion.practice.clock import GRACE_S, take_clock

FOUR = "C4:1 D4:1 E4:1 F4:1 G4:4"


def counts(clock, count_in=True):
    return [c.beat_in_bar for c in clock.clicks if c.count_in == count_in]


def test_a_bar_is_counted_in_and_every_beat_clicked():
    clock = take_clock(passage(FOUR), 60)
    assert counts(clock) == [1, 2, 3, 4]
    assert counts(clock, False) == [1, 2, 3, 4, 1, 2, 3, 4]
    assert [c.time_s for c in clock.clicks] == pytest.approx(range(-4, 8))
    assert [c.downbeat for c in clock.clicks] == [True, False, False, False] * 3
    assert clock.end_s == 8.0
    assert clock.start_s == -4.0


def test_a_quarter_upbeat_comes_after_seven_counts():
    clock = take_clock(passage("G4:1 " + FOUR, upbeat=1), 60)
    assert counts(clock) == [1, 2, 3, 4, 1, 2, 3]
    assert [c.time_s for c in clock.clicks if c.count_in] == pytest.approx(range(-7, 0))
    # The upbeat itself is count 4, at time 0, and the first full bar begins a quarter later.
    assert [(c.time_s, c.beat_in_bar) for c in clock.clicks if not c.count_in][:2] == [(0.0, 4), (1.0, 1)]


def test_an_eighth_upbeat_comes_after_the_click_of_its_beat():
    clock = take_clock(passage("G4:1/2 " + FOUR, upbeat=Fraction(1, 2)), 60)
    assert counts(clock) == [1, 2, 3, 4, 1, 2, 3, 4]
    assert [c.time_s for c in clock.clicks if c.count_in][-1] == pytest.approx(-0.5)
    assert next(c for c in clock.clicks if not c.count_in).time_s == pytest.approx(0.5)


def test_no_count_in_and_two_bars_of_it():
    assert counts(take_clock(passage(FOUR), 60, 0)) == []
    assert counts(take_clock(passage(FOUR), 60, 2)) == [1, 2, 3, 4] * 2
    assert take_clock(passage(FOUR), 60, 0).start_s == 0.0


@pytest.mark.parametrize(
    ("metre", "quarter_bpm", "of_beats", "first_gap_s"),
    [
        ((6, 8), 60, 6, 0.5),  # eighths at 120: clicked one by one
        ((6, 8), 120, 2, 0.75),  # eighths at 240: in dotted quarters
        ((12, 8), 120, 4, 0.75),
        ((9, 8), 99, 9, 30 / 99),  # eighths at 198: still one by one
        ((2, 2), 120, 2, 1.0),  # halves
        ((3, 4), 180, 3, 1 / 3),  # no compound metre
        ((3, 8), 180, 3, 1 / 6),
        ((5, 8), 180, 5, 1 / 6),
    ],
)
def test_the_click_unit_follows_the_metre(metre, quarter_bpm, of_beats, first_gap_s):
    whole_bar = Fraction(4 * metre[0], metre[1])
    clock = take_clock(passage(f"C4:{whole_bar} D4:{whole_bar}", metre), quarter_bpm)
    assert {c.of_beats for c in clock.clicks} == {of_beats}
    assert clock.clicks[1].time_s - clock.clicks[0].time_s == pytest.approx(first_gap_s)
    assert sum(c.downbeat for c in clock.clicks) == 3


def test_a_bar_split_by_a_repeat_keeps_its_counts():
    bars = (
        Bar(0, "1", 0, Fraction(0), Fraction(3), 4, 4),
        Bar(1, "1", 1, Fraction(3), Fraction(1), 4, 4, upbeat=True),
        Bar(2, "2", 2, Fraction(4), Fraction(4), 4, 4),
    )
    clock = take_clock(Passage("Split", (), bars), 60)
    assert counts(clock, False) == [1, 2, 3, 4, 1, 2, 3, 4]


def test_tempo_changes_keep_their_ratio():
    piece = passage(FOUR, tempos=(TempoMark(Fraction(0), 120.0), TempoMark(Fraction(4), 60.0)))
    clock = take_clock(piece, 60)
    assert clock.onsets_s.tolist() == pytest.approx([0, 1, 2, 3, 4])
    assert clock.end_s == pytest.approx(4 + 8)
    assert [c.time_s for c in clock.clicks][-2:] == pytest.approx([8.0, 10.0])


@given(st.integers(20, 300), st.lists(st.tuples(st.integers(1, 40), st.integers(30, 200)), max_size=5))
def test_onsets_agree_with_the_passage(tempo_bpm, changes):
    marks = [TempoMark(Fraction(0), 90.0)]
    for gap, bpm in changes:
        marks.append(TempoMark(marks[-1].start + Fraction(gap, 4), float(bpm)))
    piece = passage("C4:1 " * 20, tempos=tuple(marks))
    clock = take_clock(piece, tempo_bpm)
    assert clock.onsets_s.tolist() == pytest.approx([piece.seconds(n.start, tempo_bpm) for n in piece.notes])


def test_grace_notes_come_just_before_their_note():
    clock = take_clock(passage("C4:1 g:D4 g:E4 F4:1"), 60)
    assert clock.onsets_s.tolist() == pytest.approx([0.0, 1 - 2 * GRACE_S, 1 - GRACE_S, 1.0])
    # With little room they share half of it.
    clock = take_clock(passage("C4:1/4 g:D4 g:E4 F4:1"), 150)
    assert clock.onsets_s.tolist() == pytest.approx([0.0, 0.05, 0.075, 0.1])
    assert take_clock(passage("g:D4 F4:1"), 60).onsets_s.tolist() == pytest.approx([-GRACE_S, 0.0])


def test_arrays_are_read_only():
    with pytest.raises(ValueError, match="read-only"):
        take_clock(passage(FOUR), 60).onsets_s[0] = 1.0


@pytest.mark.parametrize("tempo_bpm", [0, -3, float("nan"), float("inf")])
def test_a_tempo_that_makes_no_sense_is_refused(tempo_bpm):
    with pytest.raises(UsageError, match="give one above 0"):
        take_clock(passage(FOUR), tempo_bpm)


def test_a_negative_count_in_is_refused():
    with pytest.raises(UsageError, match="count-in of -1"):
        take_clock(passage(FOUR), 60, -1)


def test_nothing_to_play():
    clock = take_clock(Passage("Empty", (), ()), 60)
    assert clock.clicks == ()
    assert clock.end_s == 0.0
    assert np.array_equal(clock.onsets_s, [])
