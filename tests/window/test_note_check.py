"""The one-note check without a window; what shift belongs to which note is held by `tests/practice`."""

from __future__ import annotations

from pathlib import Path

import pytest
from window.stand_tools import make_setup, playable

from companion.charts import load
from companion.practice.model import RawEvent
from companion.practice.rehearsal import Rehearsal
from companion.window.note_check import NoteCheck

ALTO = load("alto")


def played(midi: int) -> list[RawEvent]:
    """A key pressed and let go."""
    return [RawEvent(0, bytes((0x90, midi, 80))), RawEvent(1, bytes((0x80, midi, 0)))]


@pytest.fixture
def rehearsal(tmp_path: Path) -> Rehearsal:
    setup = make_setup(playable(bars=2), tmp_path)
    made = Rehearsal(setup.passage, setup.plan, setup.ladder, chart=setup.chart)
    made.shift_semitones = 3
    return made


def test_nothing_is_checked_before_it_is_asked(rehearsal: Rehearsal) -> None:
    check = NoteCheck()
    check.hear(played(58), rehearsal, ALTO)
    assert rehearsal.shift_semitones == 3 and not check.answer


@pytest.mark.parametrize(("keep", "shift"), [(True, 9), (False, 3)])
def test_what_was_found_holds_at_once_and_is_kept_or_not(rehearsal: Rehearsal, keep: bool, shift: int) -> None:
    """An alto sounds a written G (MIDI 67) as B flat, 9 semitones lower (common practice, no source)."""
    check = NoteCheck()
    check.begin(rehearsal)
    assert check.asking and not check.answer
    check.hear(played(58), rehearsal, ALTO)
    assert rehearsal.shift_semitones == 9 and check.answer.endswith(".")
    check.end(rehearsal, keep)
    assert rehearsal.shift_semitones == shift and not check.asking


def test_what_stands_in_the_way_is_said_and_an_answer_does_not_outlive_its_question(rehearsal: Rehearsal) -> None:
    check = NoteCheck()
    check.begin(rehearsal, "nobody is there")
    assert check.answer == "nobody is there"
    check.end(rehearsal, keep=True)
    check.begin(rehearsal)
    assert not check.answer and rehearsal.shift_semitones == 3
