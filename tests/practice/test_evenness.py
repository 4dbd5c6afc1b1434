"""Evenness within the beat, drift and entries, against cases that can be worked out by hand."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from practice.made import exact, moved, passage

from companion.passage import TempoMark
from companion.practice import judge
from companion.practice.clock import note_onsets_s
from companion.practice.evenness import drift, entries, in_beats, place_timings
from companion.practice.model import EARLY, LATE, ON_TIME
from companion.practice.swing import find_swing
from companion.practice.tolerance import noticed_from_ms

SIXTEENTHS = "C4:1/4 D4:1/4 E4:1/4 F4:1/4 G4:1/4 F4:1/4 E4:1/4 D4:1/4 " * 6 + "C4:1"
TRIPLETS = "C4:1/3 D4:1/3 E4:1/3 " * 12 + "C4:1"


def off(piece, by_place, start=0.0):
    """Deviations (s) by what part of the beat a note is on."""
    return np.array([by_place.get(note.start % 1, start) for note in piece.notes])


def test_one_place_is_measured_exactly():
    piece = passage(SIXTEENTHS)
    (timing,) = place_timings(piece, off(piece, {Fraction(1, 4): -0.02}), 60)
    assert timing.place == "the second sixteenth"
    assert timing.mean_ms == pytest.approx(-20.0)
    assert timing.within_ms == pytest.approx(0.0, abs=1e-9)
    assert timing.count == 12
    assert timing.bars == ()


def test_mean_and_interval_are_those_of_the_textbook():
    piece = passage(SIXTEENTHS)
    noise_s = np.random.default_rng(5).normal(-0.02, 0.005, 12)
    deviation_s = np.zeros(len(piece.notes))
    deviation_s[1::4] = noise_s
    (timing,) = place_timings(piece, deviation_s, 60)
    # Student's t for 11 degrees of freedom: 2.201 (standard tables).
    assert timing.mean_ms == pytest.approx(1e3 * noise_s.mean())
    assert timing.within_ms == pytest.approx(2.201 * 1e3 * noise_s.std(ddof=1) / 12**0.5, rel=1e-3)


def test_triplets_and_eighths_of_compound_time():
    piece = passage(TRIPLETS)
    (timing,) = place_timings(piece, off(piece, {Fraction(2, 3): 0.03}), 60)
    assert (timing.place, timing.count) == ("the third triplet note", 12)
    six_eight = passage("C4:1/2 D4:1/2 E4:1/2 " * 8 + "C4:3/2", metre=(6, 8))
    deviation_s = np.array([0.04 if note.start % Fraction(3, 2) == Fraction(1, 2) else 0.0 for note in six_eight.notes])
    (timing,) = place_timings(six_eight, deviation_s, 60)
    assert (timing.place, timing.count) == ("the second eighth", 8)
    assert timing.mean_ms == pytest.approx(40.0)


def test_where_all_others_are_early_the_first_is_late():
    piece = passage(SIXTEENTHS)
    (timing,) = place_timings(piece, off(piece, {Fraction(0): 0.03}), 60)
    assert timing.place == "the first sixteenth"
    assert timing.mean_ms == pytest.approx(30.0)


def test_the_sixteenth_after_a_dot_is_a_place_of_its_own():
    piece = passage("C4:3/4 D4:1/4 " * 8 + "E4:1")
    (timing,) = place_timings(piece, off(piece, {Fraction(3, 4): 0.03}), 60)
    assert timing.place == "the sixteenth after the dot"


def test_only_what_a_listener_notices_is_named():
    piece = passage(SIXTEENTHS)
    noticed_s = 1e-3 * noticed_from_ms(250.0)
    assert place_timings(piece, off(piece, {Fraction(1, 2): 0.99 * noticed_s}), 60) == ()
    assert len(place_timings(piece, off(piece, {Fraction(1, 2): 1.01 * noticed_s}), 60)) == 1
    # As far off on average, but so scattered that the interval reaches into what nobody hears.
    scattered = np.zeros(len(piece.notes))
    scattered[2::4] = np.tile([0.05, -0.03], 6)
    assert place_timings(piece, scattered, 60) == ()


def test_three_times_is_no_habit():
    piece = passage("C4:1/4 D4:1/4 E4:1/4 F4:1/4 " * 3 + "C4:1")
    assert place_timings(piece, off(piece, {Fraction(1, 4): -0.03}), 60) == ()


def test_late_beats_and_a_drifting_tempo_make_no_sixteenth_uneven():
    piece = passage(SIXTEENTHS)
    assert place_timings(piece, np.full(len(piece.notes), 0.4), 60) == ()
    # Each beat played a tenth slower than the one before it, evenly within.
    lengths_s = np.repeat(1.0 + 0.01 * np.arange(12), 4) / 4
    onsets_s = np.concatenate([[0.0], np.cumsum(lengths_s)])
    assert place_timings(piece, onsets_s - note_onsets_s(piece, 60), 60) == ()


def test_beats_that_something_broke_into_are_left_out():
    piece = passage(SIXTEENTHS)
    deviation_s = off(piece, {Fraction(1, 4): -0.02})
    deviation_s[18:] += 1.5  # a stop within the fifth beat
    (timing,) = place_timings(piece, deviation_s, 60)
    assert (timing.count, timing.mean_ms) == (11, pytest.approx(-20.0))
    (timing,) = place_timings(piece, off(piece, {Fraction(1, 4): -0.02}), 60, leave_out=[5])
    assert timing.count == 11
    missing = off(piece, {Fraction(1, 4): -0.02})
    missing[9] = np.nan
    assert place_timings(piece, missing, 60)[0].count == 11


def test_the_worst_bars_are_named():
    piece = passage(SIXTEENTHS)
    deviation_s = off(piece, {Fraction(1, 4): -0.02})
    deviation_s[17::4][:4] = -0.04  # bar 2
    (timing,) = place_timings(piece, deviation_s, 60)
    assert timing.bars == (1,)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 9999), st.floats(-5.0, 5.0), st.integers(40, 160))
def test_moving_a_whole_take_changes_no_place_and_no_tempo(seed, by_s, tempo_bpm):
    piece = passage(SIXTEENTHS)
    deviation_s = np.random.default_rng(seed).normal(0.0, 0.01, len(piece.notes)) + off(piece, {Fraction(1, 4): -0.03})
    here, there = place_timings(piece, deviation_s, tempo_bpm), place_timings(piece, deviation_s + by_s, tempo_bpm)
    assert [t.place for t in here] == [t.place for t in there]
    assert [t.mean_ms for t in here] == pytest.approx([t.mean_ms for t in there])
    before, after = drift(piece, deviation_s, tempo_bpm), drift(piece, deviation_s + by_s, tempo_bpm)
    assert before and after
    assert (after.start_bpm, after.end_bpm) == pytest.approx((before.start_bpm, before.end_bpm))
    assert after.behind_ms == pytest.approx(before.behind_ms + 1e3 * by_s)


def test_tempo_changes_of_the_score_are_no_unevenness():
    marks = (TempoMark(Fraction(0), 60.0), TempoMark(Fraction(13, 2), 90.0))
    piece = passage(SIXTEENTHS, tempos=marks)
    assert place_timings(piece, np.zeros(len(piece.notes)), 60) == ()
    exactly = drift(piece, np.zeros(len(piece.notes)), 60)
    assert exactly and (exactly.start_bpm, exactly.end_bpm) == pytest.approx((60.0, 60.0))


def test_notes_in_beats_that_divide_in_no_simple_way_are_not_measured():
    piece = passage("C4:1/7 D4:6/7 " * 6 + "E4:1")
    assert list(in_beats(piece, np.zeros(len(piece.notes)), 60)) == []
    empty = passage("C4:1 D4:1")
    assert list(in_beats(empty, np.zeros(2), 60)) == []


def test_an_upbeat_is_counted_back_from_its_bar_line():
    piece = passage("C4:1/2 " + "D4:1/2 E4:1/2 " * 8, upbeat=Fraction(1, 2))
    found = list(in_beats(piece, np.zeros(len(piece.notes)), 60))
    assert [one.note_index for one in found][:2] == [2, 4]
    assert {one.place for one in found} == {1}


# -- drift -------------------------------------------------------------------------------------------------------------


def test_hurrying_back_to_the_click_after_a_stumble_is_no_change_of_tempo():
    piece = passage(" ".join(["C4:1/2 D4:1/2"] * 40))
    due_s = note_onsets_s(piece, 60)
    lost_s = np.where(due_s >= 16, np.maximum(0.9 - (due_s - 16) / 24, 0.0), 0.0)
    found = drift(piece, lost_s, 60)
    assert (found.start_bpm, found.end_bpm) == (pytest.approx(60, rel=0.01), pytest.approx(60, rel=0.01))


def test_a_steady_tempo_has_no_drift():
    piece = passage("C4:1 " * 32)
    due_s = note_onsets_s(piece, 80)
    found = drift(piece, due_s * (80 / 84 - 1), 80)
    assert found is not None
    assert (found.start_bpm, found.end_bpm) == pytest.approx((84.0, 84.0))
    assert found.behind_ms == pytest.approx(1e3 * np.median(due_s[-4:]) * (80 / 84 - 1))


def test_a_tempo_that_slows_evenly_is_fitted_exactly():
    # Time as played is a parabola of time as due: its slope grows from 1 to 1.25.
    piece = passage("C4:1 " * 41)
    due_s = note_onsets_s(piece, 60)
    deviation_s = 0.125 * due_s**2 / due_s[-1]
    found = drift(piece, deviation_s, 60)
    assert found is not None
    assert found.start_bpm == pytest.approx(60.0)
    assert found.end_bpm == pytest.approx(60.0 / 1.25)


def test_the_course_of_a_long_take_is_fitted_as_well():
    piece = passage("C4:1/4 " * 1600)
    due_s = note_onsets_s(piece, 60)
    found = drift(piece, 0.125 * due_s**2 / due_s[-1], 60)
    assert found is not None
    assert (found.start_bpm, found.end_bpm) == pytest.approx((60.0, 48.0))


def test_a_stop_is_no_drift():
    piece = passage("C4:1 " * 32)
    deviation_s = np.zeros(32)
    deviation_s[12:] = 2.0
    found = drift(piece, deviation_s, 60)
    assert found is not None
    assert (found.start_bpm, found.end_bpm) == pytest.approx((60.0, 60.0))
    assert found.behind_ms == pytest.approx(2000.0)


def test_a_scatter_without_a_course_is_no_drift():
    piece = passage("C4:1/2 " * 64)
    deviation_s = np.random.default_rng(2).normal(0.0, 0.04, 64)
    found = drift(piece, deviation_s, 60)
    assert found is not None
    assert found.start_bpm == pytest.approx(found.end_bpm)


def test_a_few_notes_tell_no_course():
    piece = passage("C4:1 D4:1 E4:1 F4:1")
    assert drift(piece, np.zeros(4), 60) is None
    assert drift(piece, np.full(4, np.nan), 60) is None


# -- entries -----------------------------------------------------------------------------------------------------------


def test_entries_are_the_first_note_and_those_after_rests():
    piece = passage("C4:1 D4:1 r:1 E4:1 r:2 g:D4 F4:1 G4:1")
    played = moved(moved(exact(piece, 60), 2, 0.25), 4, -0.25)
    found = entries(piece, judge(piece, played, 60).notes)
    assert [(entry.note_index, entry.verdict) for entry in found] == [(0, ON_TIME), (2, LATE), (4, EARLY)]
    assert [entry.deviation_ms for entry in found] == pytest.approx([0.0, 250.0, -250.0])


def test_an_entry_that_was_left_out_is_none():
    piece = passage("C4:1 D4:1 r:1 E4:1 F4:4")
    assert [entry.note_index for entry in entries(piece, judge(piece, exact(piece, 60)[[0, 1, 3]], 60).notes)] == [0]


# -- how often it is wrong ---------------------------------------------------------------------------------------------


def test_chance_names_few_places_no_drift_and_no_swing_and_a_real_habit_is_found():
    """Onsets scattered by 20 ms (a student's), 150 takes of a run of sixteenths and eighths."""
    piece = passage("C4:1/4 D4:1/4 E4:1/4 F4:1/4 G4:1/2 A4:1/2 " * 12 + "C4:1")
    habit_s = off(piece, {Fraction(1, 4): -0.025})
    by_chance = found = drifts = swings = 0
    for seed in range(150):
        scatter_s = np.random.default_rng(seed).normal(0.0, 0.02, len(piece.notes))
        by_chance += bool(place_timings(piece, scatter_s, 70))
        found += any(timing.place == "the second sixteenth" for timing in place_timings(piece, scatter_s + habit_s, 70))
        course = drift(piece, scatter_s, 70)
        drifts += course is None or abs(course.end_bpm / course.start_bpm - 1.0) > 0.05
        swings += find_swing(piece, scatter_s, 70) is not None
    assert by_chance <= 0.05 * 150
    assert found >= 0.7 * 150
    assert drifts == swings == 0


def test_the_course_is_not_drawn_on_over_broken_beginnings():
    """Before the first stretch without a break nothing is known of the tempo."""
    piece = passage("C4:1 " * 60)
    due_s = note_onsets_s(piece, 60)
    played_s = np.where(due_s < 40, 0.0, 0.01 * (due_s - 40) ** 2)
    played_s[:40:2] += 2.0
    found = drift(piece, played_s, 60)
    assert found is not None and 59.0 < found.start_bpm < 63.0 and found.end_bpm < found.start_bpm
