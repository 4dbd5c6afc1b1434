"""The plain model: pitches, seconds through tempo marks, bars chosen by their printed numbers, excerpts."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from music21 import pitch

from companion.errors import UsageError
from companion.passage import Bar, Note, Passage, Pitch, Slur, TempoMark


def _played(order: str, tempos: tuple[TempoMark, ...] = ()) -> Passage:
    """Bars of 4/4 played in an order such as `1 2 3 1 2 4`, with a half note on 1 and 3 of each."""
    numbers, bars, notes = order.split(), [], []
    for i, number in enumerate(numbers):
        start = Fraction(4 * i)
        bars.append(Bar(i, number, int(number) - 1, start, Fraction(4), 4, 4, time_pass=numbers[: i + 1].count(number)))
        for beat in (0, 2):
            source = 2 * int(number) + beat // 2
            notes.append(Note(len(notes), Pitch("G", 0, 4), start + beat, Fraction(2), i, Fraction(beat + 1), source))
    return Passage("made", tuple(notes), tuple(bars), (Slur(0, 3),), tempos)


def test_midi_numbers_of_spelled_pitches() -> None:
    """C4 = 60, A4 = 69 (MIDI 1.0); B♯3 and C4, C♭5 and B4 sound alike."""
    assert [Pitch(*p).midi for p in (("C", 0, 4), ("A", 0, 4), ("B", 1, 3), ("C", -1, 5), ("F", 2, 5))] == [
        60,
        69,
        60,
        71,
        79,
    ]
    assert str(Pitch("B", -1, 4)) == "B♭4" and str(Pitch("F", 2, 5)) == "F♯♯5"


@given(st.sampled_from("CDEFGAB"), st.integers(-2, 2), st.integers(0, 8))
def test_midi_numbers_agree_with_music21(step: str, alter: int, octave: int) -> None:
    sign = "#" * alter if alter > 0 else "-" * -alter
    assert Pitch(step, alter, octave).midi == pitch.Pitch(f"{step}{sign}{octave}").ps


def test_later_tempo_marks_keep_their_ratio() -> None:
    """Practised at half the printed tempo, a slower middle section is halved too."""
    marks = (TempoMark(Fraction(0), 120), TempoMark(Fraction(4), 60), TempoMark(Fraction(8), 240))
    passage = _played("1 2 3", marks)
    assert [passage.seconds(Fraction(b), 120) for b in (0, 4, 8, 12)] == [0, 2, 6, 7]
    assert [passage.seconds(Fraction(b), 60) for b in (0, 4, 8, 12)] == [0, 4, 12, 14]


@pytest.mark.parametrize(
    ("order", "wanted", "found"),
    [
        ("1 2 3 4", "2-3", "2 3"),
        ("1 2 3 4", "2", "2"),
        ("1 2 3 4", "2–4", "2 3 4"),
        ("1 2 3 1 2 4 5", "1-4", "1 2 3 1 2 4"),
        ("1 2 3 1 2 4 5", "2-4", "2 4"),
        ("1 2 3 1 2 4 5", "3", "3"),
        ("1 2 3 1 2 4 5", "2-3", "2 3"),
        ("1 2 1 2 3", "1-2", "1 2 1 2"),
    ],
)
def test_bars_by_their_printed_numbers(order: str, wanted: str, found: str) -> None:
    passage = _played(order)
    first, last = passage.bar_range(wanted)
    assert " ".join(bar.number for bar in passage.bars[first : last + 1]) == found


@pytest.mark.parametrize(
    ("wanted", "says"), [("7", "no bar '7'"), ("2-9", "no bar '9'"), ("3-2", "backwards"), ("", "no bar")]
)
def test_bars_that_are_not_there(wanted: str, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        _played("1 2 3").bar_range(wanted)


def test_an_excerpt_starts_at_0_and_keeps_what_ties_it_to_the_page() -> None:
    marks = (TempoMark(Fraction(0), 120), TempoMark(Fraction(6), 60))
    part = _played("1 2 3", marks).excerpt(1, 2)
    assert [note.start for note in part.notes] == [0, 2, 4, 6]
    assert [note.index for note in part.notes] == [0, 1, 2, 3]
    assert [note.source for note in part.notes] == [4, 5, 6, 7]
    assert [bar.number for bar in part.bars] == ["2", "3"] and part.bars[0].start == 0
    assert part.slurs == (Slur(0, 1),)
    assert [(mark.start, mark.quarter_bpm) for mark in part.tempos] == [(0, 120), (2, 60)]
    assert part.end == 8
