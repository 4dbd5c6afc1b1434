"""The final word on a take, and the words it is said in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from practice.made import exact, moved, passage, pitch, with_note, without
from practice.takes import melody, take

from companion import charts
from companion.charts.model import Fingering
from companion.errors import UsageError
from companion.passage import Passage, Trill
from companion.planning import plan as make_plan
from companion.planning.model import Choice, Plan
from companion.practice import judge
from companion.practice.model import (
    EARLY,
    LATE,
    LEFT_OUT,
    NOT_REACHED,
    ON_TIME,
    PLAYED,
    WRONG_NOTE,
    Tolerances,
)
from companion.practice.tolerance import (
    THRESHOLD_MS,
    THRESHOLD_SHARE,
    noticed_from_ms,
    on_time_limits_s,
    timing_verdict,
    tolerance_in_words,
)

FOUR_BARS = "C4:1 D4:1 E4:1 F4:1 G4:1/2 A4:1/2 B4:1 C5:2 C5:1/4 B4:1/4 A4:1/4 G4:1/4 F4:1 E4:2 D4:2 C4:2"


def verdicts(assessment):
    return [note.verdict for note in assessment.notes]


def test_an_exact_take_is_clean():
    piece = passage(FOUR_BARS)
    assessment = judge(piece, exact(piece, 60), 60)
    assert verdicts(assessment) == [ON_TIME] * 16
    assert [n.deviation_ms for n in assessment.notes] == pytest.approx([0.0] * 16)
    assert (assessment.clean, assessment.because, assessment.added, assessment.trouble_bars) == (True, "", (), ())
    assert assessment.advice == "Clean: every note right, 16 of 16 notes on time."
    assert assessment.tempo_played_bpm == pytest.approx(60.0)


def test_the_note_to_watch_in_a_clean_take():
    piece = passage(" ".join([FOUR_BARS] * 2))
    assessment = judge(piece, moved(exact(piece, 60), 10, -0.035), 60)
    assert assessment.clean
    assert assessment.advice == (
        "Clean: every note right, 31 of 32 notes on time; watch the third sixteenth of beat 1 in bar 3, 35 ms early."
    )
    # What is on time is nothing to watch.
    on_time = judge(piece, moved(exact(piece, 60), 10, -0.025), 60)
    assert on_time.advice == "Clean: every note right, 32 of 32 notes on time."


def test_wrong_notes_are_named():
    piece = passage(FOUR_BARS)
    played = exact(piece, 60)
    played["written_midi"][5] += 1
    played["written_midi"][11] -= 1
    assessment = judge(piece, played, 60)
    assert assessment.because == "2 of 16 notes wrong, in bars 2 and 3"
    assert assessment.notes[5].verdict == WRONG_NOTE
    assert assessment.notes[5].played_midi == 70
    assert assessment.notes[5].deviation_ms == pytest.approx(0.0)
    assert assessment.trouble_bars == (1, 2)
    assert assessment.advice == (
        "Bar 2: the note on the and of beat 1 was A♯4, not A4; play bars 2-3 slower, then bring them up to tempo."
    )


def test_flats_are_named_in_a_flat_key():
    piece = passage(FOUR_BARS, fifths=-2)
    played = exact(piece, 60)
    played["written_midi"][5] += 1
    assert "was B♭4, not A4" in judge(piece, played, 60).advice


def test_a_note_left_out():
    piece = passage(FOUR_BARS)
    assessment = judge(piece, without(exact(piece, 60), 6), 60)
    assert assessment.notes[6].verdict == LEFT_OUT
    assert assessment.notes[6].deviation_ms is None
    assert assessment.because == "1 of 16 notes left out, in bar 2"
    assert assessment.advice.startswith("Bar 2: the note on beat 2 (B4) was left out;")


def test_notes_not_reached_are_not_left_out():
    piece = passage(FOUR_BARS)
    assessment = judge(piece, exact(piece, 60)[:8], 60)
    assert verdicts(assessment) == [ON_TIME] * 8 + [NOT_REACHED] * 8
    assert assessment.because == "8 of 16 notes not reached, in bars 3 and 4"
    assert assessment.advice == ("Bar 3: you broke off here; play bars 2-3 slower, then bring them up to tempo.")


def test_a_blip_is_called_by_its_name():
    piece = passage(FOUR_BARS)
    assessment = judge(piece, with_note(exact(piece, 60), 7.955, 70, 0.045), 60)
    # Between the C5 that ends bar 2 and the one that begins bar 3, at 8 s.
    assert assessment.because == "1 blip (a short note on the way), in bar 2"
    assert assessment.added == ((7, 70),)
    assert assessment.advice == (
        "Bar 2: a short A♯4 sounds between C5 and C5; move the fingers of that change together, slowly first."
    )


def test_an_added_note():
    piece = passage(FOUR_BARS)
    assessment = judge(piece, with_note(exact(piece, 60), 2.5, 75, 0.3), 60)
    assert assessment.because == "1 note added, in bar 1"
    assert assessment.added == ((2, 75),)
    assert assessment.advice.startswith("Bar 1: an extra D♯5 sounds after the note on beat 3;")


def test_a_correction_is_going_back():
    piece = passage(FOUR_BARS)
    played = exact(piece, 60)
    played["written_midi"][2] += 1
    played = with_note(played, 2.4, 64, 0.6)
    assessment = judge(piece, played, 60)
    assert assessment.because == "1 of 16 notes wrong, in bar 1; went back once, in bar 1"
    assert assessment.advice.startswith("Bar 1: the note on beat 3 was F4, not E4, and you went back;")


def test_a_note_on_the_downbeat_is_practised_from_the_bar_before():
    piece = passage(FOUR_BARS)
    played = exact(piece, 60)
    played["written_midi"][8] += 2
    assert "play bars 2-3 slower" in judge(piece, played, 60).advice


def test_no_advice_to_play_on_over_a_repeat_that_leads_back():
    piece = passage(FOUR_BARS)
    bars = [replace(bar, written_index=bar.index % 2, number=str(bar.index % 2 + 1), time_pass=1 + bar.index // 2)
            for bar in piece.bars]  # fmt: skip
    twice = replace(piece, bars=tuple(bars))
    played = exact(twice, 60)
    played["written_midi"][6] += 1
    assert "play bars 1-2 slower" in judge(twice, played, 60).advice


def test_a_missed_first_beat_is_named():
    piece = passage(" ".join([FOUR_BARS] * 2))
    played = exact(piece, 60)
    for i, late_s in enumerate((0.6, 0.5, 0.3, 0.15)):
        played = moved(played, i, late_s)
    advice = judge(piece, played, 60).advice
    assert advice == "Bar 1: you came in 0.6 s late; breathe with the count-in."
    # All of the take late by as much is another thing.
    behind = exact(piece, 60)
    behind["onset_s"] += 0.6
    behind["offset_s"] += 0.6
    assert "came in" not in judge(piece, behind, 60).advice


def test_a_hesitation_comes_before_some_notes_a_little_late():
    piece = passage(" ".join([FOUR_BARS] * 2))
    played = moved(exact(piece, 60), 6, 0.4)
    for i in (8, 9, 10):
        played = moved(played, i, 0.04)
    strict = Tolerances(clean_share_on_time=1.0)
    assert judge(piece, played, 60, strict).advice.startswith("Bar 2: the note on beat 2 comes 400 ms late;")


def test_a_repeated_note_is_no_change_of_fingering():
    piece = passage("A4:1 A4:1 C5:1 D5:1")
    plan = Plan("alto", tuple(Choice(i, Fingering("standard", n.written_midi, frozenset()), "")
                              for i, n in enumerate(piece.notes)), "1")  # fmt: skip
    strict = Tolerances(clean_share_on_time=1.0)
    advice = judge(piece, moved(exact(piece, 60), 1, 0.15), 60, strict, plan).advice
    assert advice.startswith("Bar 1: the note on beat 2 comes 150 ms late;")


def test_before_an_early_note_the_note_or_the_rest_is_too_short():
    strict = Tolerances(clean_share_on_time=1.0)
    rested = passage("C4:1 r:1 D4:1 E4:1 F4:4")
    assert judge(rested, moved(exact(rested, 60), 1, -0.2), 60, strict).advice == (
        "Bar 1: the note on beat 3 comes 200 ms early; count the rest to its end."
    )
    begun = passage("C4:1 G4:1 D4:1 E4:1 F4:4")
    assert "wait for the click" in judge(begun, moved(exact(begun, 60), 0, -0.2), 60, strict).advice


def test_a_restart_counts_once_and_the_first_pairing_decides():
    piece = passage(FOUR_BARS)
    base = exact(piece, 60)
    again = base[4:].copy()
    again["onset_s"] += 5.0
    again["offset_s"] += 5.0
    assessment = judge(piece, np.concatenate([base[:9], again]), 60)
    assert "went back once, in bar 2" in assessment.because
    assert verdicts(assessment)[:9] == [ON_TIME] * 9
    assert set(verdicts(assessment)[9:]) == {LATE}
    assert not assessment.clean


def test_a_stop_is_one_thing_and_not_a_row_of_late_notes():
    piece = passage(FOUR_BARS)
    played = exact(piece, 60)
    played["onset_s"][6:] += 1.4
    played["offset_s"][6:] += 1.4
    assessment = judge(piece, played, 60)
    assert verdicts(assessment)[6:] == [LATE] * 10
    assert assessment.advice == (
        "Bar 2: you stopped for 1.4 s before the note on beat 2; play bars 2-3 slower, then bring them up to tempo."
    )
    assert assessment.trouble_bars == (1,)
    assert assessment.tempo_played_bpm == pytest.approx(60.0)


def test_one_note_off_time():
    piece = passage(FOUR_BARS)
    strict = Tolerances(clean_share_on_time=1.0)
    assessment = judge(piece, moved(exact(piece, 60), 10, -0.031), 60, strict)
    assert assessment.notes[10].verdict == EARLY
    assert assessment.because == "15 of 16 notes on time (93 %, 100 % needed)"
    assert assessment.advice == (
        "Bar 3: the third sixteenth of beat 1 comes 31 ms early; hold the B4 to its full length."
    )


def test_the_change_of_fingering_is_named_where_there_is_a_plan():
    piece = passage("A4:1 Bb4:1 C5:1 D5:1")
    names = ["standard", "bis", "standard", "palm D"]
    choices = tuple(
        Choice(i, Fingering(name, note.written_midi, frozenset()), "")
        for i, (name, note) in enumerate(zip(names, piece.notes, strict=True))
    )
    plan = Plan("alto", choices, "1")
    strict = Tolerances(clean_share_on_time=1.0)
    assessment = judge(piece, moved(exact(piece, 60), 2, 0.15), 60, strict, plan)
    assert assessment.advice == (
        "Bar 1: the note on beat 3 (B♭4 bis to C5) comes 150 ms late; play it slower, then bring it up to tempo."
    )


def test_running_ahead_and_a_constant_offset_are_told_apart():
    piece = melody(4, 8)
    ahead = judge(piece, exact(piece, 84), 80)
    assert ahead.tempo_played_bpm == pytest.approx(84.0)
    assert ahead.advice.startswith("You ran ahead of the click: about 84 where it gives 80;")
    in_eighths = replace(piece, bars=tuple(replace(bar, beats=8, beat_type=8) for bar in piece.bars))
    as_counted = judge(in_eighths, exact(in_eighths, 84), 80)
    assert as_counted.advice.startswith("You ran ahead of the click: about ♪ = 168 where it gives ♪ = 160;")
    behind = exact(piece, 80)
    behind["onset_s"] += 0.06
    behind["offset_s"] += 0.06
    late = judge(piece, behind, 80)
    assert late.advice.startswith("The notes come about 60 ms late throughout;")
    assert late.tempo_played_bpm == pytest.approx(80.0)


def test_nothing_heard_and_nothing_to_play():
    piece = passage(FOUR_BARS)
    silent = judge(piece, np.zeros(0, dtype=PLAYED), 60)
    assert (silent.clean, silent.because) == (False, "nothing was played")
    assert silent.advice.startswith("Nothing was heard of these bars")
    assert silent.tempo_played_bpm is None
    empty = judge(Passage("Empty", (), ()), np.zeros(0, dtype=PLAYED), 60)
    assert (empty.clean, empty.because) == (False, "there are no notes in these bars")


def test_a_trill_is_no_row_of_added_notes():
    piece = passage("C4:1 D4:1 E4:1 F4:1")
    notes = list(piece.notes)
    notes[1] = replace(notes[1], trill=Trill(pitch("E4")))
    piece = replace(piece, notes=tuple(notes))
    played = exact(piece, 60)
    for k in range(1, 9):
        played = with_note(played, 1 + 0.11 * k, 62 + 2 * (k % 2), 0.11)
    assessment = judge(piece, played, 60)
    assert (assessment.clean, assessment.because) == (True, "")
    # Begun from the note above, as an old trill is, it is no wrong note either.
    played["written_midi"][1] = 64
    assert judge(piece, played, 60).clean


def test_grace_notes_are_judged_by_order_and_pitch():
    piece = passage("C4:1 D4:1 g:F4 E4:1 F4:1")
    for by_s in (-0.12, 0.0, 0.05):
        assessment = judge(piece, moved(exact(piece, 60), 2, by_s), 60)
        assert assessment.clean
        assert assessment.notes[2].deviation_ms is None
    wrong = exact(piece, 60)
    wrong["written_midi"][2] = 66
    assert judge(piece, wrong, 60).notes[2].verdict == WRONG_NOTE


def test_a_note_after_an_appoggiatura_may_wait_for_it():
    piece = passage("C4:1 D4:1 a:F4 E4:1 F4:1")
    on_the_beat = moved(moved(exact(piece, 60), 2, 0.07), 3, 0.5)
    assert judge(piece, on_the_beat, 60).clean
    slashed = passage("C4:1 D4:1 g:F4 E4:1 F4:1")
    assert judge(slashed, on_the_beat, 60).notes[3].verdict == LATE


def test_how_many_must_be_on_time_is_adjustable():
    piece = melody(4, 5)
    played = exact(piece, 80)
    for note in range(3, len(played), 12):
        played = moved(played, note, 0.06)
    assert not judge(piece, played, 80, Tolerances(clean_share_on_time=0.95)).clean
    assert judge(piece, played, 80, Tolerances(clean_share_on_time=0.85)).clean
    assert judge(piece, played, 80, Tolerances(on_time_ms=60.0)).clean


def test_a_note_exactly_on_the_limit_is_on_time():
    assert timing_verdict(0.030, 0.030, 0.030) == ON_TIME
    assert timing_verdict(-0.030, 0.030, 0.030) == ON_TIME
    assert timing_verdict(0.65 - 0.62, 0.030, 0.030) == ON_TIME
    assert timing_verdict(0.030001, 0.030, 0.030) == LATE
    assert timing_verdict(-0.030001, 0.030, 0.030) == EARLY


# Friberg and Sundberg, JASA 98 (1995) 2524: one displaced onset in an even row is noticed from 6 ms for intervals under
# 240 ms, from 2.5 % of the interval for longer ones.
@pytest.mark.parametrize(("interval_ms", "noticed_ms"), [(100, 6.0), (200, 6.0), (240, 6.0), (400, 10.0), (1000, 25.0)])
def test_tolerances_are_multiples_of_the_hearing_threshold(interval_ms, noticed_ms):
    assert noticed_from_ms(interval_ms) == pytest.approx(noticed_ms)
    piece = passage("C4:1 " * 8)
    limits_s, late_s = on_time_limits_s(piece, 60_000 / interval_ms, Tolerances())
    assert limits_s * 1e3 == pytest.approx(max(5 * THRESHOLD_MS, 4 * THRESHOLD_SHARE * interval_ms))
    assert late_s.tolist() == limits_s.tolist()


def test_the_nearer_neighbour_sets_the_tolerance():
    limits_s, _ = on_time_limits_s(passage("C4:4 D4:1/2 E4:2 F4:4"), 60, Tolerances())
    assert limits_s * 1e3 == pytest.approx([400.0, 50.0, 50.0, 200.0])
    assert on_time_limits_s(passage("C4:4"), 60, Tolerances())[0] * 1e3 == pytest.approx([400.0])


@pytest.mark.parametrize(
    ("tolerances", "says"),
    [
        (Tolerances(on_time_ms=0.0), "tolerance of 0 ms"),
        (Tolerances(on_time_ms=float("nan")), "tolerance of nan ms"),
        (Tolerances(on_time_share=0.9), "reaches the next note"),
        (Tolerances(clean_share_on_time=95.0), "no share of the notes"),
        (Tolerances(clean_worst=0.5), "held to 0.5 times what is on time"),
    ],
)
def test_tolerances_that_make_no_sense_are_refused(tolerances, says):
    piece = passage("C4:4")
    with pytest.raises(UsageError, match=says):
        judge(piece, exact(piece, 60), 60, tolerances)


def test_the_figures_in_words():
    assert tolerance_in_words(Tolerances()) == (
        "on time: within 30 ms of the click, or 10 % of the interval to the nearer note; clean: no note wrong, left"
        " out, added or played again, and 95 % on time, none over 3 times that off"
    )


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 999), st.integers(30, 240), st.booleans())
def test_same_in_is_clean(seed, tempo_bpm, upbeat):
    piece = melody(seed, 4, upbeat)
    assessment = judge(piece, exact(piece, tempo_bpm), tempo_bpm)
    assert assessment.clean, assessment.because
    assert assessment.tempo_played_bpm == pytest.approx(tempo_bpm)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 999), st.sampled_from(["student", "messy", "chaos"]))
def test_any_take_gets_one_sentence_and_the_same_one_again(seed, level):
    piece = melody(seed, 4, seed % 2 == 0)
    played = take(piece, 72, level, seed).played
    first, second = judge(piece, played, 72), judge(piece, played, 72)
    assert first == second
    assert len(first.notes) == len(piece.notes)
    assert first.clean == (not first.because)
    assert first.advice.endswith(".")
    assert "\n" not in first.advice
    assert len(set(first.trouble_bars)) == len(first.trouble_bars)
    assert all(0 <= bar < len(piece.bars) for bar in first.trouble_bars)


def test_notes_all_at_once_have_no_tempo():
    piece = passage(FOUR_BARS)
    played = exact(piece, 60)
    played["onset_s"] = np.arange(len(played)) * 1e-9
    assert judge(piece, played, 60).tempo_played_bpm is None


def test_notes_may_stand_in_any_order():
    piece = melody(7, 5)
    played = take(piece, 72, "messy", 7).played
    assert judge(piece, played[::-1], 72) == judge(piece, played, 72)


def test_notes_that_make_no_sense_are_refused():
    piece = passage(FOUR_BARS)
    with pytest.raises(UsageError, match="have no field offset_s"):
        judge(piece, np.zeros(3, dtype=[("onset_s", "f8"), ("written_midi", "i2")]), 60)
    with pytest.raises(UsageError, match="have no field"):
        judge(piece, np.zeros((3, 4)), 60)


times = st.one_of(st.floats(), st.floats(-1e9, 1e9), st.floats(-2.0, 10.0))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(times, times, st.integers(-32768, 32767)), max_size=12))
def test_whatever_times_are_told_there_are_verdicts_or_one_line(rows):
    piece = passage(FOUR_BARS)
    played = np.array([(*row, 80) for row in rows], dtype=PLAYED)
    try:
        found = judge(piece, played, 60)
    except UsageError as error:
        assert "has the onset" in str(error) and "\n" not in str(error)
    else:
        assert len(found.notes) == len(piece.notes)


def test_one_note_far_off_is_not_clean_however_many_others_are_on_time():
    piece = passage(" ".join([FOUR_BARS] * 6))
    played = exact(piece, 60)
    at = len(piece.notes) // 2
    limit_s = on_time_limits_s(piece, 60, Tolerances())[1][at]
    assert judge(piece, moved(played, at, 2.9 * limit_s), 60).clean
    late = judge(piece, moved(played, at, 3.1 * limit_s), 60)
    assert not late.clean and "1 note far off the click" in late.because
    assert judge(piece, moved(played, at, 3.1 * limit_s), 60, Tolerances(clean_worst=4.0)).clean


def test_who_has_left_the_click_is_told_what_was_in_time_by_the_own_beat():
    piece = passage(FOUR_BARS)
    played = exact(piece, 60)
    played["onset_s"][5:] += 0.8
    played["offset_s"][4:] += 0.8
    assert "5 of 16 notes on time (31 %, 95 % needed; 16 by your own beat)" in judge(piece, played, 60).because
    # Nothing to add where the notes are uneven by themselves.
    uneven = moved(moved(moved(exact(piece, 60), 3, 0.12), 5, 0.12), 7, 0.12)
    assert "by your own beat" not in judge(piece, uneven, 60).because


def test_a_slip_in_slow_music_is_a_blip_in_every_sentence():
    chart = charts.load("alto")
    piece = passage("G4:4 B4:4 G4:4")
    played = with_note(exact(piece, 60), 3.9, 69, 0.1)
    assessment = judge(piece, played, 60, plan=make_plan(piece, chart), chart=chart)
    assert assessment.because == "1 blip (a short note on the way), in bar 1"
    assert "your left middle finger came up late" in assessment.advice
    # Without the horn nobody knows: it is a note added.
    assert judge(piece, played, 60).because == "1 note added, in bar 1"
