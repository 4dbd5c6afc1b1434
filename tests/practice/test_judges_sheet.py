"""A performance without a click, judged: what was put in is what is written down."""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.arrays import Floats
from companion.charts import load
from companion.passage import Passage, TempoMark, Wait
from companion.practice.clock import note_onsets_s
from companion.practice.judges_sheet import judge_performance
from companion.practice.model import LEFT_OUT, PLAYED, PlayedArray, Tolerances
from companion.practice.simulation import KINDS, simulate
from companion.scores import read
from tests.practice.made import exact, passage, with_note
from tests.practice.takes import melody

MUSIC = melody(11)
LASTS_S = MUSIC.seconds(MUSIC.end, 90)


def performance(music: Passage = MUSIC, tempo_bpm: float = 90, level: str = "clean", seed: int = 1) -> PlayedArray:
    return simulate(music, tempo_bpm, level, seed, style="keyboard", kinds=[]).played.copy()


def bent(played: PlayedArray, onto: tuple[Floats, Floats]) -> PlayedArray:
    played = played.copy()
    for name in ("onset_s", "offset_s"):
        played[name] = np.interp(played[name], *onto)
    return played


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 99), st.floats(0.75, 1.25))
def test_a_clean_performance_is_told_so_in_any_tempo(seed: int, share: float) -> None:
    music = melody(seed)
    tempo_bpm = share * music.marked_tempo_bpm()
    judged = judge_performance(music, performance(music, tempo_bpm, seed=seed))
    assert judged.sheet.clean, judged.sheet
    assert judged.sheet.first == "Nothing that interrupts: the music goes through from beginning to end."
    assert judged.sheet.notes == "Every note was right, and each was played once."
    said = re.search(r"at about (\d+) and held", judged.sheet.tempo)
    assert said and int(said[1]) == pytest.approx(tempo_bpm, abs=1)
    assert judged.assessment.clean and judged.assessment.tempo_played_bpm == pytest.approx(tempo_bpm, rel=0.02)


@pytest.mark.parametrize(("share", "way"), [(0.12, "slower"), (-0.12, "faster")])
def test_a_tempo_that_moves_all_the_way_is_told_with_both_ends(share: float, way: str) -> None:
    played = performance()
    for name in ("onset_s", "offset_s"):
        played[name] += share * played[name] ** 2 / (2 * LASTS_S)
    sheet = judge_performance(MUSIC, played).sheet
    assert f"it grew {way} all the way" in sheet.tempo and sheet.clean
    assert sheet.first == f"The tempo: {sheet.tempo.split('; ')[1]}"


def test_bars_that_drag_are_named() -> None:
    # A sixth slower from bar 7 to bar 10.
    begin_s, end_s = MUSIC.seconds(MUSIC.bars[6].start, 90), MUSIC.seconds(MUSIC.bars[10].start, 90)
    score_s = np.array([-10.0, begin_s, end_s, LASTS_S + 10])
    lost_s = (end_s - begin_s) / 6
    sheet = judge_performance(MUSIC, bent(performance(), (score_s, score_s + np.array([0, 0, lost_s, lost_s])))).sheet
    assert "slower in bars 7, 8, 9 and 10" in sheet.tempo or "slower in bars 7, 8 and 9" in sheet.tempo


def test_the_last_bar_may_broaden() -> None:
    begin_s = MUSIC.seconds(MUSIC.bars[-1].start, 90)
    score_s = np.array([-10.0, begin_s, LASTS_S + 10])
    played = bent(performance(), (score_s, np.array([-10.0, begin_s, begin_s + 1.3 * (LASTS_S + 10 - begin_s)])))
    assert "held" in judge_performance(MUSIC, played).sheet.tempo


def test_a_stop_comes_before_a_wrong_note_and_is_no_change_of_tempo() -> None:
    played = performance()
    at_s = float(note_onsets_s(MUSIC, 90)[30]) - 0.1
    for name in ("onset_s", "offset_s"):
        played[name] += 1.5 * (played[name] > at_s)
    played["written_midi"][50] += 1
    sheet = judge_performance(MUSIC, played).sheet
    assert sheet.first.startswith(f"The stop in bar {MUSIC.notes[30].bar + 1}: 1.")
    assert "1 of" in sheet.notes and "wrong" in sheet.notes and "1 stop" in sheet.notes
    assert "held" in sheet.tempo and not sheet.clean
    assert "stop" in sheet.because and "click" not in sheet.because


def test_the_notes_after_a_stop_are_in_time_again() -> None:
    played = performance()
    played["onset_s"][40:] += 2.0
    played["offset_s"][40:] += 2.0
    judged = judge_performance(MUSIC, played)
    assert sum(result.verdict == "on time" for result in judged.assessment.notes) >= len(MUSIC.notes) - 3


def test_the_page_and_the_record_show_where_the_stop_was() -> None:
    played = performance()
    for name in ("onset_s", "offset_s"):
        played[name][30:] += 1.5
    judged = judge_performance(MUSIC, played)
    stopped = judged.assessment.notes[30]
    assert stopped.verdict == "late" and stopped.deviation_ms == pytest.approx(1500, abs=60)
    assert judged.assessment.notes[31].verdict == "on time"


def test_a_long_wrong_note_is_exposed() -> None:
    long = next(note.index for note in MUSIC.notes[5:-5] if note.length >= 1)
    short = next(note.index for note in MUSIC.notes[1:-5] if note.length < 1)
    played = performance()
    played["written_midi"][[short, long]] += 2
    first = judge_performance(MUSIC, played).sheet.first
    assert first == (
        f"A wrong note in bar {MUSIC.notes[long].bar + 1}, where it is exposed; 2 notes in all were wrong or left out."
    )


def test_breaking_off_is_heard_before_all_else() -> None:
    judged = judge_performance(MUSIC, performance()[:40])
    bar = MUSIC.notes[40].bar + 1
    assert judged.sheet.first == f"The music broke off before bar {bar}." or f"bar {bar}" in judged.sheet.first
    assert not judged.sheet.clean and "not reached" in judged.sheet.notes


def test_what_the_breath_and_the_tongue_did_is_written_down() -> None:
    music = replace(MUSIC, notes=tuple(replace(n, tongued=n.index % 2 == 0) for n in MUSIC.notes))
    played = simulate(MUSIC, 90, "clean", 3, kinds=[]).played
    sheet = judge_performance(music, played).sheet
    assert "tongued in a slur" in sheet.articulation and sheet.first.startswith("The articulation: ")


def test_nothing_is_nothing() -> None:
    judged = judge_performance(MUSIC, performance()[:0])
    assert judged.sheet.first == "Nothing of this piece was heard." and not judged.sheet.clean and judged.own is None
    strange = performance()[:3]
    strange["written_midi"] = 30
    assert not judge_performance(MUSIC, strange).sheet.clean


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 999), st.sampled_from(["student", "messy", "chaos"]), st.floats(0.8, 1.2))
def test_no_take_is_too_strange_for_a_sheet(seed: int, level: str, share: float) -> None:
    take = simulate(MUSIC, share * 92, level, seed, kinds=KINDS)
    sheet = judge_performance(MUSIC, take.played).sheet
    assert all([sheet.notes, sheet.rhythm, sheet.tempo, sheet.articulation, sheet.first])
    assert not sheet.clean and sheet.because


def test_a_note_left_out_is_found_by_the_own_beat() -> None:
    played = np.delete(performance(), 33)
    judged = judge_performance(MUSIC, played)
    assert [r.note_index for r in judged.assessment.notes if r.verdict == LEFT_OUT] == [33]
    assert played.dtype == PLAYED


def test_another_piece_is_told_as_one() -> None:
    assert judge_performance(melody(40), performance(melody(12))).sheet.first == (
        "Little of what was heard belongs to this piece."
    )


def test_two_notes_have_no_beat_to_be_uneven_against() -> None:
    music = passage("C4:2 D4:2")
    sheet = judge_performance(music, performance(music)).sheet
    assert sheet.clean and sheet.rhythm == "Too few notes to tell a beat from."
    assert sheet.articulation == "The one note slurred or tongued as written."
    assert sheet.first == "Nothing that interrupts: the music goes through from beginning to end."


# -- what a player does on the day ------------------------------------------------------------------------------------

RESTS = passage("C4:1 D4:1 E4:1/2 F4:1/2 G4:1 r:8 A4:1 B4:1 C5:1 D5:1 r:4 C5:1 B4:1/2 A4:1/2 G4:1 F4:1 E4:1 D4:1 C4:2")
TUNE = passage(" ".join(["C5:1 D5:1/2 E5:1/2 D5:1 C5:1", "G4:1 A4:1/2 B4:1/2 C5:2"] * 5))
HELD = next(note.index for note in TUNE.notes if note.bar == 3 and note.length == 2)


def later(played: PlayedArray, by_s: float, from_note: int) -> PlayedArray:
    played = played.copy()
    for name in ("onset_s", "offset_s"):
        played[name][from_note:] += by_s
    return played


def played_short(music: Passage, tempo_bpm: float) -> PlayedArray:
    played = exact(music, tempo_bpm)
    played["offset_s"] -= 0.035
    return played


@pytest.mark.parametrize(
    ("by_s", "says", "notes"),
    [
        (1.0, "The entry after the rest in bar 4: 1.0 s too late.", "1 late entry, in bar 4."),
        (-0.5, "The entry after the rest in bar 4: 500 ms too soon.", "1 entry too soon, in bar 4."),
    ],
)
def test_a_rest_counted_wrong_is_one_fault_and_moves_no_other_note(by_s: float, says: str, notes: str) -> None:
    judged = judge_performance(RESTS, later(played_short(RESTS, 88), by_s, 5))
    assert judged.sheet.first == says and judged.sheet.notes == notes and not judged.sheet.clean
    assert judged.sheet.rhythm == "All 17 notes in time with your own beat."
    assert judged.own is not None and judged.own.tempo_bpm == pytest.approx(88, rel=0.005)


@pytest.mark.parametrize("wait_s", [-0.3, 0.2, 0.6, 2.5])
def test_a_fermata_is_held_as_long_as_the_player_likes(wait_s: float) -> None:
    music = replace(TUNE, notes=tuple(replace(n, fermata=n.index == HELD) for n in TUNE.notes))
    sheet = judge_performance(music, later(played_short(music, 84), wait_s, HELD + 1)).sheet
    assert sheet.clean and "All 45 notes in time" in sheet.rhythm and "held" in sheet.tempo


@pytest.mark.parametrize(("sign", "wait_s", "clean"), [
    ("breath-mark", 0.6, True), ("breath-mark", 1.6, False), ("caesura", 1.6, True), ("accent", 0.6, False),
])  # fmt: skip
def test_one_may_breathe_where_a_breath_is_marked(sign: str, wait_s: float, clean: bool) -> None:
    marks = [frozenset({sign}) if note.index == HELD else frozenset() for note in TUNE.notes]
    music = replace(TUNE, notes=tuple(replace(n, articulations=m) for n, m in zip(TUNE.notes, marks, strict=True)))
    sheet = judge_performance(music, later(played_short(music, 84), wait_s, HELD + 1)).sheet
    assert sheet.clean is clean and ("1 stop" in sheet.notes) is not clean


@pytest.mark.parametrize(("sign", "wait_s", "clean"), [
    ("fermata", 2.5, True), ("fermata", -0.4, True), ("caesura", 1.6, True), ("breath-mark", 0.6, True),
    ("breath-mark", 1.6, False), ("", 1.6, False),
])  # fmt: skip
def test_a_silence_with_a_sign_lasts_as_long_as_the_player_likes(sign: str, wait_s: float, clean: bool) -> None:
    music = passage("C5:1 D5:1 E5:1/2 F5:1/2 G5:1 " * 3 + "C5:1 r:3 " + "D5:1 E5:1 F5:1/2 E5:1/2 D5:1 " * 4 + "C5:4")
    music = replace(music, waits=(Wait(Fraction(13), sign),) if sign else ())
    held = next(note.index for note in music.notes if note.start == 13 + 3)
    sheet = judge_performance(music, later(played_short(music, 84), wait_s, held)).sheet
    assert sheet.clean is clean and ("1 late entry, in bar 5" in sheet.notes) is not clean
    assert "held" in sheet.tempo and sheet.rhythm.startswith("All 37 notes in time")


def test_so_may_a_bar_line_and_the_tempo_is_judged_in_the_other_bars() -> None:
    music = replace(TUNE, waits=(Wait(TUNE.bars[4].end),))
    first = next(note.index for note in music.notes if note.start >= TUNE.bars[4].end)
    sheet = judge_performance(music, later(played_short(music, 84), 2.0, first)).sheet
    assert sheet.clean and "held" in sheet.tempo


def test_swung_eighths_are_told_as_swing_and_nothing_else() -> None:
    music = passage(" ".join(["C5:1/2 D5:1/2 E5:1/2 F5:1/2 G5:1/2 F5:1/2 E5:1/2 D5:1/2"] * 6) + " C5:4")
    beat_s = 60 / 90
    played = played_short(music, 90)
    for name in ("onset_s", "offset_s"):
        beats, within = np.divmod(played[name] / beat_s, 1)
        played[name] = (beats + np.interp(within, [0, 0.5, 1], [0, 2 / 3, 1])) * beat_s
    sheet = judge_performance(music, played).sheet
    assert sheet.first == "The eighths swing, about 2 to 1, and are written even." and not sheet.clean
    assert sheet.rhythm.endswith("beside that all 49 notes in time with your own beat.")
    assert sheet.because == "the eighths swing, about 2 to 1, and are written even"
    asked = replace(music, tempos=(TempoMark(Fraction(0), 90.0, "Medium swing"),))
    assert judge_performance(asked, played).sheet.clean


def test_a_habit_within_the_beat_is_told_and_leaves_the_beats_in_time() -> None:
    music = passage(" ".join(["C5:1/2 D5:1/2 E5:1/2 F5:1/2 G5:1/2 F5:1/2 E5:1/2 D5:1/2"] * 6) + " C5:4")
    played = played_short(music, 90)
    played["onset_s"][1::2] -= 0.045
    played["offset_s"][:-1] = np.minimum(played["offset_s"][:-1], played["onset_s"][1:] - 0.03)
    sheet = judge_performance(music, played).sheet
    assert sheet.first == "Uneven time: the second eighth comes 45 ms early."
    # The 24 second eighths are off; the notes on the beat and the last one are not.
    assert sheet.rhythm == "25 of 49 notes in time with your own beat; the second eighth comes 45 ms early."


def test_a_repeat_left_out_is_called_one() -> None:
    music = read(Path(__file__).parents[2] / "shared" / "passages" / "waltz-in-f.musicxml")
    second = [n.index for n in music.notes if music.bars[n.bar].time_pass == 2 and music.bars[n.bar].number != "9"]
    gone = [n.index for n in music.notes if music.bars[n.bar].number == "8"] + second
    played = played_short(music, 120)
    back_s = music.seconds(music.notes[gone[-1] + 1].start, 120) - music.seconds(music.notes[gone[0]].start, 120)
    sheet = judge_performance(music, np.delete(later(played, -back_s, gone[-1] + 1), gone)).sheet
    assert sheet.first.startswith("The repeat left out, bars 1, 2,") and not sheet.clean


def test_a_false_start_is_called_one() -> None:
    played = performance()
    again = played.copy()
    for name in ("onset_s", "offset_s"):
        again[name] += played["offset_s"][4] + 1.5
    sheet = judge_performance(MUSIC, np.concatenate([played[:5], again])).sheet
    assert sheet.first == "A false start: the music went as far as bar 1 and began again."
    assert sheet.notes == "Went back once, in bar 1." and "held" in sheet.tempo


def test_a_note_tried_before_the_first_one_is_no_short_note_on_the_way() -> None:
    other = MUSIC.notes[0].written_midi + 7
    sheet = judge_performance(MUSIC, with_note(performance(), -3.0, other, 1.5)).sheet
    assert sheet.first == "A note before the first one." and not sheet.clean


def test_a_bar_left_out_is_told_as_a_row_of_notes() -> None:
    bar = [note.index for note in MUSIC.notes if note.bar == 4]
    played = later(performance(), -4 * 60 / 90, bar[-1] + 1)
    sheet = judge_performance(MUSIC, np.delete(played, bar)).sheet
    assert sheet.first == f"{len(bar)} notes in a row left out, in bar 5." and "too soon" not in sheet.notes


def test_one_note_of_a_bar_broken_off_is_not_before_it() -> None:
    music = passage("C4:1 D4:1 E4:1 F4:1 G4:4")
    assert judge_performance(music, exact(music, 80)[:2]).sheet.first == "The music broke off in bar 1."
    assert judge_performance(music, exact(music, 80)[:4]).sheet.first == "The music broke off before bar 2."


def test_a_moment_out_of_time_is_never_told_to_have_gone_through() -> None:
    sheet = judge_performance(MUSIC, later(performance(), 0.25, 55)).sheet
    assert not sheet.clean and sheet.because.endswith("far off the beat, in bars 5 and 6")
    assert MUSIC.notes[55].bar == 4 and sheet.first == "A moment out of time in bars 5 and 6."


@pytest.mark.parametrize(("shift", "words"), [
    (-9, "The controller sends sounding alto pitch: 9 semitones lower; it was judged at pitch."),
    (-21, "sounding alto pitch"),
    (2, "All of it came 2 semitones higher than written; it was judged at pitch."),
    (-12, "The controller sends written pitch, one octave lower; it was judged at pitch."),
])  # fmt: skip
def test_a_controller_set_to_another_pitch_does_not_cost_the_one_go(shift: int, words: str) -> None:
    played = performance()
    played["written_midi"] += np.int16(shift)
    played["written_midi"][40] += 1
    judged = judge_performance(MUSIC, played, chart=load("alto"))
    assert words in judged.sheet.notes and judged.sheet.notes.startswith("1 of 180 notes wrong")
    assert judged.shift_semitones == (0 if shift == -12 else -shift)
    # A few wrong notes are no other pitch.
    assert judge_performance(MUSIC, performance()[:7]).shift_semitones == 0


def test_slurs_and_tongue_keep_it_from_being_clean_where_they_are_asked_for() -> None:
    music = replace(MUSIC, notes=tuple(replace(n, tongued=n.index % 2 == 0) for n in MUSIC.notes))
    played = performance()
    assert judge_performance(music, played).sheet.clean
    sheet = judge_performance(music, played, Tolerances(articulation_share=0.9)).sheet
    assert not sheet.clean and "slurred or tongued as written" in sheet.because


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 999), st.sampled_from(["clean", "student", "messy", "chaos"]), st.floats(0.6, 1.5))
def test_what_is_not_clean_has_not_gone_through(seed: int, level: str, share: float) -> None:
    music = melody(seed, bars=4)
    judged = judge_performance(music, simulate(music, share * 92, level, seed, kinds=KINDS).played)
    through = judged.sheet.first.startswith("Nothing that interrupts")
    assert judged.sheet.clean is not bool(judged.sheet.because) and (judged.sheet.clean or not through)
    assert judged.sheet.clean is (judged.assessment.clean and not (judged.own and judged.own.pauses))
