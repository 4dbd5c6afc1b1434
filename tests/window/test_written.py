"""What is written on the page by hand, as data."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from window.stand_tools import make_setup, one_take, playable
from window.test_own_trouble import Spot

from companion.practice.model import NOT_REACHED, ON_TIME
from companion.window.page import Penned
from companion.window.pencilled import SLIP, SPOT, USED
from companion.window.result import marks_of, strip_of_take
from companion.window.run import Run
from companion.window.stepped_clock import SteppedClock
from companion.window.written import Written

PASSAGE = playable(bars=12)


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Run]:
    made = Run(make_setup(PASSAGE, tmp_path, port="sim:beginner:3"), SteppedClock())
    yield made
    made.close()


def test_a_take_is_looked_through_once(run: Run) -> None:
    written, take = Written(run), one_take(run)
    assert written.marks_of_take(take) == marks_of(take, run.rehearsal.tolerances)
    strip = written.strip(take)
    assert strip == strip_of_take(take, run.rehearsal.tolerances) and written.strip(take) is strip
    other = replace(take, assessment=replace(take.assessment, slips=()))
    assert {m.kind for m in written.marks_of_take(take)} - {m.kind for m in written.marks_of_take(other)} == {SLIP}


def test_what_slipped_is_told_in_playing_order_and_nothing_else_is(run: Run) -> None:
    written, take = Written(run), one_take(run)
    told = written.told_notes(take)
    assert told == sorted({m.note_index for m in marks_of(take) if m.kind in (SLIP, USED)}) and told
    for note in PASSAGE.notes:
        view = written.told_view(take, note.index)
        assert (view is not None) == (note.index in told)


def test_during_a_take_only_what_is_certain_and_wrong_is_marked(run: Run) -> None:
    written = Written(run)
    run.start()
    seen: set[str] = set()
    while run.rehearsal.busy:
        assert isinstance(run.clock, SteppedClock)
        run.clock.step(20_000_000)
        run.update()
        live = run.rehearsal.live
        for mark in written.live_marks() if run.rehearsal.busy else ():
            assert not live[mark.note_index].provisional and live[mark.note_index].kind == mark.kind
            seen.add(mark.kind)
    assert seen and not seen & {ON_TIME, NOT_REACHED}


def test_a_place_printed_once_has_one_pair_of_spectacles(run: Run) -> None:
    written = Written(run)
    run.music.trouble.spots = (Spot(3, 4), Spot(2, 4), Spot(8, 9))  # type: ignore[assignment]
    marks = written.spot_marks()
    assert sorted(mark.note_index for mark in marks) == [4, 9] and {mark.kind for mark in marks} == {SPOT}


def test_the_teachers_ink_is_what_holds_on_this_horn(run: Run) -> None:
    at = next(c.note_index for c in run.rehearsal.plan.choices if c.runners_up)
    run.music.comments = {7: "breathe", 2: "softly"}
    written = Written(run)
    assert written.penned() == Penned((), (2, 7))
    run.pick(at, run.rehearsal.plan.choices[at].runners_up[0].fingering.name)
    same = tuple(n.index for n in PASSAGE.notes if n.source == PASSAGE.notes[at].source)
    assert written.penned() == Penned(same, (2, 7))
    run.music.marks = {at: "no such fingering", **run.music.marks, at + 1: "no such fingering"}
    assert written.penned() == Penned(same, (2, 7))
