"""A mock performance without a window: what is played badly, and what is done to the keyboard."""

from __future__ import annotations

from pathlib import Path

import pytest
from practice.takes import raw_events
from window.stand_tools import playable

from companion.charts import load
from companion.planning import plan
from companion.practice.finished import Section
from companion.practice.hearing import is_note_on
from companion.practice.mock import PLAYING
from companion.practice.model import RawEvent
from companion.practice.simulation import simulate
from companion.record import read_log
from companion.units import ns_from_s
from companion.window.mock_run import MockPiece, MockRun, MockSetup
from companion.window.stepped_clock import SteppedClock

PASSAGE = playable(bars=2)


@pytest.fixture
def run(tmp_path: Path) -> MockRun:
    chart = load("alto")
    section = Section(0, len(PASSAGE.bars) - 1, PASSAGE, 0, "")
    one = MockPiece(PASSAGE, section, plan(PASSAGE, chart), "Made")
    setup = MockSetup((one, one), chart, silence_s=0.0, sessions=tmp_path, settings=tmp_path, hidden=True)
    return MockRun(setup, SteppedClock())


def through(run: MockRun, *events: RawEvent) -> None:
    """Hear this and what comes after it until the piece is over."""
    clock = run.clock
    assert isinstance(clock, SteppedClock)
    run.update()
    start_ns = clock()
    for event in events:
        run.mock.hear(RawEvent(start_ns + event.time_ns, event.message))
    assert run.mock.phase == PLAYING
    place = run.mock.place
    while run.mock.place == place:
        clock.step(ns_from_s(1))
        run.update()
    # What comes next is seen first, then the judge writes.
    for _ in range(2):
        run.update()


def test_an_arm_on_the_keyboard_ends_the_piece_and_not_the_performance(run: MockRun, tmp_path: Path) -> None:
    chord = [RawEvent(i * 2_000, bytes((0x90, 58 + i, 80))) for i in range(33)]
    ends = [RawEvent(10**9 + i, bytes((0x80, 58 + i, 0))) for i in range(33)]
    through(run, *chord, *ends)
    judged = run.judged[0].judged
    assert judged is not None and not judged.sheet.clean
    through(run, *raw_events(simulate(PASSAGE, 100, "clean", 1).played, ns_from_s(1)))
    assert run.over
    first, second = read_log(tmp_path).takes
    assert not first.clean and second.tempo_bpm == pytest.approx(100, rel=0.02)


def test_the_page_is_turned_for_a_controller_at_another_pitch_and_for_each_piece_anew(run: MockRun) -> None:
    clock = run.clock
    assert isinstance(clock, SteppedClock)
    for shift in (-9, 3):
        run.update()
        events = raw_events(simulate(PASSAGE, 100, "clean", 1).played, clock() + ns_from_s(1))
        carets = []
        for e in events:
            # A silence may end and a piece begin between two looks: nothing of the piece before is left then.
            event = RawEvent(e.time_ns, bytes((e.message[0], e.message[1] + shift, e.message[2])))
            run.mock.hear(event)
            run._follow(event)
            if is_note_on(event.message):
                carets.append(run.caret)
        # The caret is on the note that comes next.
        assert all(caret is not None and abs(caret - i) <= 2 for i, caret in enumerate(carets, start=1)), carets
        place = run.mock.place
        clock.step(events[-1].time_ns - clock())
        while run.mock.place == place:
            clock.step(ns_from_s(1))
            run.mock.tick(clock())


def test_a_controller_at_another_pitch_is_recorded_with_the_pitch_it_sends(run: MockRun, tmp_path: Path) -> None:
    events = raw_events(simulate(PASSAGE, 100, "clean", 1).played, ns_from_s(1))
    through(run, *(RawEvent(e.time_ns, bytes((e.message[0], e.message[1] - 9, e.message[2]))) for e in events))
    (take,) = read_log(tmp_path).takes
    assert take.shift_semitones == 9 and all(note.played_midi == note.written_midi for note in take.notes)
    finished = run.judged[0].take
    assert finished is not None and finished.played["written_midi"].tolist() == [n.written_midi for n in PASSAGE.notes]
    assert "sounding alto pitch" in run.sentences(run.judged[0])[1][1]
