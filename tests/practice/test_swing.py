"""Swung eighths are told as such, and not as every second note late."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from practice.made import exact, moved, passage

from companion.passage import TempoMark
from companion.practice import judge
from companion.practice.model import LATE, ON_TIME
from companion.practice.swing import asks_swing, find_swing, ratio_in_words, swing_offsets_s

EIGHTHS = "C4:1/2 D4:1/2 E4:1/2 F4:1/2 G4:1/2 A4:1/2 G4:1/2 F4:1/2 " * 4 + "E4:4"


def swung(piece, tempo_bpm, share):
    """An exact take with the second eighths at this share of the beat."""
    played = exact(piece, tempo_bpm)
    for note in piece.notes:
        if note.start % 1 == Fraction(1, 2):
            played = moved(played, note.index, (share - 0.5) * 60 / tempo_bpm)
    return played


def deviations(piece, played, tempo_bpm):
    return played["onset_s"] - exact(piece, tempo_bpm)["onset_s"]


@pytest.mark.parametrize(
    ("share", "words"),
    [(2 / 3, "about 2 to 1"), (0.6, "about 1.5 to 1"), (0.75, "about 3 to 1"), (0.56, "about 1.3 to 1")],
)
def test_the_ratio_is_measured(share, words):
    piece = passage(EIGHTHS)
    found = find_swing(piece, deviations(piece, swung(piece, 120, share), 120), 120)
    assert found is not None
    assert found.share == pytest.approx(share)
    assert found.ratio == pytest.approx(share / (1 - share))
    assert (found.count, found.asked) == (16, False)
    assert ratio_in_words(found) == words


def test_even_eighths_and_a_few_late_ones_do_not_swing():
    piece = passage(EIGHTHS)
    assert find_swing(piece, np.zeros(len(piece.notes)), 120) is None
    few = np.zeros(len(piece.notes))
    few[1:16:2] = 0.08
    assert find_swing(piece, few, 120) is None
    wild = np.zeros(len(piece.notes))
    wild[1::4], wild[3::4] = 0.12, 0.01
    assert find_swing(piece, wild, 120) is None
    # All late enough, and each by another amount: half of them twice as far as the rest.
    wild[1::4], wild[3::4] = 0.13, 0.03
    assert find_swing(piece, wild, 120) is None


def test_beats_with_sixteenths_are_not_swung():
    piece = passage("C4:1/2 D4:1/2 " * 8 + "E4:1/4 F4:1/4 G4:1/2 A4:1")
    late_s = [1 / 6 if n.start % 1 == Fraction(1, 2) and n.index < 16 else 0.0 for n in piece.notes]
    found = find_swing(piece, np.array(late_s), 60)
    assert found is not None
    offsets_s = swing_offsets_s(piece, found, 60)
    assert offsets_s[1] == pytest.approx(1 / 6)
    assert offsets_s[16:].tolist() == [0.0] * 4
    assert [note.start % 1 for note in piece.notes[16:]] == [0, Fraction(1, 4), Fraction(1, 2), 0]


def test_sixteenths_may_go_along():
    piece = passage("C4:1/4 D4:1/4 E4:1/4 F4:1/4 G4:1/2 A4:1/2 " * 6 + "E4:4")
    # A beat of 1 s whose second half begins at 2/3: its sixteenths at 1/3, 2/3 and 5/6.
    late_s = {Fraction(1, 4): 1 / 12, Fraction(1, 2): 1 / 6, Fraction(3, 4): 1 / 12}
    deviation_s = np.array([late_s.get(note.start % 1, 0.0) for note in piece.notes])
    found = find_swing(piece, deviation_s, 60)
    assert found is not None
    assert (found.pairs, found.runs, found.share) == (True, True, pytest.approx(2 / 3))
    assert swing_offsets_s(piece, found, 60) == pytest.approx(deviation_s)
    played = exact(piece, 60)
    played["onset_s"] += deviation_s
    assessment = judge(piece, played, 60)
    assert {note.verdict for note in assessment.notes} == {ON_TIME}
    assert assessment.places == ()


def test_triplets_and_compound_beats_do_not_swing():
    piece = passage("C4:2/3 D4:1/3 " * 12 + "E4:4")
    assert find_swing(piece, np.zeros(len(piece.notes)), 60) is None
    late = np.array([0.1 if note.start % 1 else 0.0 for note in piece.notes])
    assert find_swing(piece, late, 60) is None


def test_a_swung_take_is_not_a_row_of_late_notes():
    piece = passage(EIGHTHS)
    assessment = judge(piece, swung(piece, 120, 2 / 3), 120)
    assert {note.verdict for note in assessment.notes} == {ON_TIME}
    assert assessment.notes[1].deviation_ms == pytest.approx(500 / 6)
    assert not assessment.clean
    assert assessment.because == "the eighths swing, about 2 to 1, and are written even"
    assert assessment.advice == (
        "You swing the eighths, about 2 to 1, and they are written even; say the ands aloud with the click first."
    )
    assert not any("late" in sentence for sentence in assessment.comment)


def test_within_a_swung_take_a_late_note_is_late():
    piece = passage(EIGHTHS)
    played = moved(swung(piece, 120, 2 / 3), 9, 0.08)
    assert [note.note_index for note in judge(piece, played, 120).notes if note.verdict == LATE] == [9]


def test_swing_within_what_is_on_time_is_no_matter():
    piece = passage(EIGHTHS)
    played = swung(piece, 200, 0.58)  # 24 ms late
    assert find_swing(piece, deviations(piece, played, 200), 200) is not None
    assert judge(piece, played, 200).clean
    assert not judge(piece, swung(piece, 100, 0.58), 100).clean


def test_swing_that_the_score_asks_for_is_clean():
    piece = replace(passage(EIGHTHS), tempos=(TempoMark(Fraction(0), 120.0, "Medium Swing"),))
    assert asks_swing(piece)
    assessment = judge(piece, swung(piece, 120, 2 / 3), 120)
    assert assessment.clean, assessment.because
    even = judge(piece, exact(piece, 120), 120)
    assert even.clean
    assert any("asks for swung eighths, and yours are even" in sentence for sentence in even.comment)
