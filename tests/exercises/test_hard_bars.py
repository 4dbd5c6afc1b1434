"""The hardest bars, the value of their notes, and the music as written, held against the passage it is taken from."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction as F
from itertools import pairwise
from pathlib import Path

import pytest
from exercises.exercise_checks import assert_sound
from hypothesis import given, settings
from hypothesis import strategies as st
from practice.made import passage
from scores.writer_making import passages

from companion import charts
from companion.errors import UsageError
from companion.exercises.build import make
from companion.exercises.hard_bars import chosen_bars, marks_of, music_as_written, short_value
from companion.passage import Passage
from companion.planning import plan
from companion.planning.limits import speed_limits
from companion.scores import read

CHART = charts.load("alto")
ETUDE = read(Path(__file__).parents[2] / "shared" / "passages" / "etude-e-minor.musicxml")


def test_the_hardest_bars_are_those_of_the_lowest_limit() -> None:
    music = plan(ETUDE, CHART)
    limits = speed_limits(ETUDE, music, CHART, 96)
    hardest = min(limits.changes, key=lambda change: change.limit_bpm)
    first, last = chosen_bars(ETUDE, music, CHART, "")
    assert first <= ETUDE.notes[hardest.note_index].bar <= last
    assert chosen_bars(ETUDE, music, CHART, "3-5") == (2, 4)
    with pytest.raises(UsageError, match="no bar '99'"):
        chosen_bars(ETUDE, music, CHART, "99")
    with pytest.raises(UsageError, match="no notes"):
        nothing = replace(ETUDE, notes=(), slurs=())
        chosen_bars(nothing, plan(nothing, CHART), CHART, "")


@pytest.mark.parametrize(
    "length, value",
    [("1/4", "1/4"), ("1/2", "1/2"), ("4", "1/2"), ("3/4", "1/2"), ("3/8", "1/4"), ("1/3", "1/3"), ("1/6", "1/6"),
     ("2/3", "1/2"), ("1/5", "1/8"), ("1/16", "1/8")],
)  # fmt: skip
def test_the_value_to_write(length: str, value: str) -> None:
    assert short_value(F(length)) == F(value)


def as_written(tune: Passage, bars: tuple[int, int]) -> Passage:
    marks = marks_of(tune, plan(tune, CHART), CHART)
    return make("Bars", "To be held against the music", music_as_written(tune, bars, marks), CHART, 90)


@settings(max_examples=30, deadline=None)
@given(tune=passages(), data=st.data())
def test_any_bars_sound_as_in_the_music(tune: Passage, data: st.DataObject) -> None:
    first = data.draw(st.integers(0, len(tune.bars) - 1))
    last = data.draw(st.integers(first, min(first + 1, len(tune.bars) - 1)))
    start, end = tune.bars[first].start, tune.bars[last].end
    theirs = [note for note in tune.notes if note.start < end and note.end > start]
    if not theirs:
        return
    made = as_written(tune, (first, last))
    assert_sound(made, CHART)
    lead = made.bars[0].length - tune.bars[first].length if tune.bars[first].upbeat else F(0)
    wanted = [(n.written, max(n.start, start) - start + lead, min(n.end, end) - max(n.start, start)) for n in theirs]
    assert [(n.written, n.start, n.length) for n in made.notes] == wanted
    assert [n.tongued for n in made.notes][1:] == [n.tongued or a.end < n.start for a, n in pairwise(theirs)]


def test_a_change_of_metre_begins_another_section() -> None:
    slow = passage("C5:1 D5:1 E5:1 F5:1 G5:1 A5:1 B5:1", upbeat=0)
    bars = (slow.bars[0], replace(slow.bars[1], beats=3, length=F(3), fifths=1))
    tune = replace(slow, bars=bars)
    sections = music_as_written(tune, (0, 1), {}, "As written", 2)
    assert [(section.beats, section.fifths, section.heading, section.times) for section in sections] == [
        (4, 0, "As written", 1),
        (3, 1, "", 1),
    ]
