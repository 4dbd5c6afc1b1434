"""A take without a click: its tempo, its beat and its pauses, in takes of which all that is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.arrays import Floats
from companion.passage import Passage, TempoMark
from companion.practice.clock import note_onsets_s
from companion.practice.model import PLAYED, PlayedArray
from companion.practice.own_time import find_own_time
from companion.practice.simulation import simulate
from tests.practice.made import passage
from tests.practice.takes import melody

Warp = Callable[[Floats], Floats]


def exact(music: Passage, tempo_bpm: float, warp: Warp = lambda t: t) -> PlayedArray:
    """Every note exactly when it is due, in a time bent by `warp`."""
    played = np.zeros(len(music.notes), dtype=PLAYED)
    onsets_s = note_onsets_s(music, tempo_bpm)
    ends_s = np.array([music.seconds(note.end, tempo_bpm) for note in music.notes])
    played["onset_s"], played["offset_s"] = warp(onsets_s), warp(np.maximum(ends_s - 0.02, onsets_s + 0.01))
    played["written_midi"], played["velocity"] = [note.written_midi for note in music.notes], 80
    return played


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 50), st.floats(0.7, 1.3), st.floats(-100, 100))
def test_any_tempo_and_any_beginning_are_found(seed: int, share: float, start_s: float) -> None:
    music = melody(seed, bars=6)
    tempo_bpm = share * music.marked_tempo_bpm()
    own = find_own_time(music, exact(music, tempo_bpm, lambda t: t + start_s))
    assert own is not None and not own.pauses
    assert own.tempo_bpm == pytest.approx(tempo_bpm, rel=1e-6)
    assert own.start_s == pytest.approx(start_s, abs=1e-6)
    assert own.due_s == pytest.approx(note_onsets_s(music, tempo_bpm) + start_s, abs=1e-6)
    assert own.bar_bpm == pytest.approx(np.full(len(music.bars), tempo_bpm), rel=1e-6)


def test_numpy_draws_the_same_line() -> None:
    """Checked against numpy's least-squares fit of the onsets of an even player."""
    music = melody(3)
    take = simulate(music, 88, "clean", 4)
    own = find_own_time(music, take.played)
    slope_s, start_s = np.polyfit(note_onsets_s(music, 60.0)[take.truth], take.played["onset_s"], 1)
    assert own is not None
    assert own.tempo_bpm == pytest.approx(60 / slope_s, rel=0.005)
    assert own.start_s == pytest.approx(start_s, abs=0.1)


def test_a_rising_tempo_is_told_bar_by_bar() -> None:
    music = melody(5)
    lasts_s = music.seconds(music.end, 80)
    own = find_own_time(music, exact(music, 80, lambda t: t - 0.1 * t * t / (2 * lasts_s)))
    assert own is not None and not own.pauses
    middles = np.array([float(bar.start + bar.length / 2) for bar in music.bars]) / float(music.end)
    assert own.bar_bpm == pytest.approx(80 / (1 - 0.1 * middles), rel=0.01)


def test_one_late_note_moves_nobodys_beat() -> None:
    music = melody(7)
    played = exact(music, 90)
    played["onset_s"][20] += 0.1
    own = find_own_time(music, played)
    assert own is not None and not own.pauses
    assert own.due_s == pytest.approx(note_onsets_s(music, 90), abs=0.005)


def test_a_stop_is_a_pause_and_no_change_of_tempo() -> None:
    music = melody(7)
    at = 40
    from_s = float(note_onsets_s(music, 90)[at]) - 1e-6
    own = find_own_time(music, exact(music, 90, lambda t: t + 1.3 * (t >= from_s)))
    assert own is not None
    assert [(pause.before, pause.back) for pause in own.pauses] == [(at, False)]
    assert own.pauses[0].lost_s == pytest.approx(1.3, abs=0.02)
    assert own.tempo_bpm == pytest.approx(90, rel=0.005)
    assert own.bar_bpm[np.isfinite(own.bar_bpm)] == pytest.approx(90, rel=0.01)


def test_a_rest_cut_short_is_a_pause_the_other_way_and_no_change_of_tempo() -> None:
    music = passage("C4:1 D4:1 E4:1 F4:1 G4:1 A4:1 B4:1 C5:1 r:4 C5:1 B4:1 A4:1 G4:1 F4:1 E4:1 D4:1 C4:1")
    played = exact(music, 100)
    for name in ("onset_s", "offset_s"):
        played[name][8:] -= 0.6
    own = find_own_time(music, played)
    assert own is not None
    assert [(pause.before, pause.back) for pause in own.pauses] == [(8, False)]
    assert own.pauses[0].lost_s == pytest.approx(-0.6)
    assert own.tempo_bpm == pytest.approx(100) and own.due_s == pytest.approx(played["onset_s"], abs=1e-6)


def test_going_back_is_a_pause_that_says_so() -> None:
    music = passage("C4:1 D4:1 E4:1 F4:1 G4:1 A4:1 B4:1 C5:1 D5:1 C5:1 B4:1 G4:1")
    played = exact(music, 100)
    again = played[6:].copy()
    again["onset_s"] += 3 * 0.6 + 0.5
    again["offset_s"] += 3 * 0.6 + 0.5
    own = find_own_time(music, np.concatenate([played[:9], again]))
    assert own is not None
    assert [(pause.before, pause.back) for pause in own.pauses] == [(6, True)]


def test_a_printed_change_of_tempo_is_no_change_of_the_players() -> None:
    music = melody(9)
    marks = (TempoMark(music.bars[0].start, 90.0, "Allegro"), TempoMark(music.bars[8].start, 60.0, "Meno mosso"))
    music = replace(music, tempos=marks)
    own = find_own_time(music, exact(music, 81))
    assert own is not None and not own.pauses
    assert own.bar_bpm == pytest.approx(np.full(len(music.bars), 81.0), rel=0.01)


def test_too_little_says_nothing() -> None:
    music = melody(1)
    assert find_own_time(music, exact(music, 90)[:2]) is None
    assert find_own_time(music, exact(music, 90)[:0]) is None
    assert find_own_time(music, exact(music, 90, lambda t: t / 5000)) is None
    everything_at_once = exact(music, 90, lambda t: t * 0)
    assert find_own_time(music, everything_at_once) is None
