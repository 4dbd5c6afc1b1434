"""A performance without a click, judged: what was put in is what is written down."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.arrays import Floats
from companion.passage import Passage
from companion.practice.clock import note_onsets_s
from companion.practice.judges_sheet import judge_performance
from companion.practice.model import LEFT_OUT, PLAYED, PlayedArray
from companion.practice.simulation import KINDS, simulate
from tests.practice.made import passage
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
    assert f"at about {tempo_bpm:.0f}" in judged.sheet.tempo and "held" in judged.sheet.tempo
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


def test_a_long_wrong_note_is_exposed() -> None:
    long = next(note.index for note in MUSIC.notes[5:-5] if note.length >= 1)
    short = next(note.index for note in MUSIC.notes[1:-5] if note.length < 1)
    played = performance()
    played["written_midi"][[short, long]] += 2
    first = judge_performance(MUSIC, played).sheet.first
    assert first == f"A wrong note in bar {MUSIC.notes[long].bar + 1}, where it is exposed."


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
    assert sheet.first == "Nothing that interrupts: the music goes through from beginning to end."
