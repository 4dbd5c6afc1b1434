"""A mock performance on real MIDI: another process plays through JACK, with the shift that is remembered of it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from ports.jack_tools import SETTLE_NS, Event, jack_missing, jack_server, sender_process
from window.stand_tools import playable

from companion.charts import load
from companion.planning import plan
from companion.ports.memory import remember
from companion.ports.performer import perform
from companion.practice.finished import Section
from companion.practice.mock import ANNOUNCED, PLAYING, SILENCE
from companion.record import read_log
from companion.window.mock_run import MockPiece, MockRun, MockSetup

pytestmark = [pytest.mark.jack, pytest.mark.skipif(bool(jack_missing()), reason=jack_missing() or "-")]

PASSAGE = playable(bars=3)
TEMPO_BPM = 140.0
#: An alto that sends sounding pitch.
SHIFT = 9


@pytest.fixture
def server() -> Iterator[str]:
    # A client that misses its period on a busy machine loses what was sent in it: a long one is safer.
    with jack_server(period=2048) as name:
        yield name


def setup(sessions: Path, port: str, pieces: int = 1) -> MockSetup:
    chart = load("alto")
    section = Section(0, len(PASSAGE.bars) - 1, PASSAGE, 0, "")
    one = MockPiece(PASSAGE, section, plan(PASSAGE, chart), "Made")
    return MockSetup((one,) * pieces, chart, port, silence_s=600, sessions=sessions, settings=sessions)


def events(lead_s: float = 0.3, shift: int = SHIFT) -> list[Event]:
    performed = perform(PASSAGE, TEMPO_BPM, "clean", 3, 0, shift)
    return [(lead_s + time_s - SETTLE_NS / 1e9, list(message)) for time_s, message in performed]


def wait(run: MockRun, what: Callable[[], bool], seconds: float = 30) -> None:
    deadline = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < deadline, (run.mock.phase, run.said)
        run.update()
        time.sleep(1 / 100)


def test_the_remembered_shift_holds_and_each_piece_is_on_the_disk_before_the_next(server: str, tmp_path: Path) -> None:
    remember("Reed Six:out", shift_semitones=SHIFT, folder=tmp_path)
    run = None
    try:
        with sender_process("Reed Six", events()) as sender:
            run = MockRun(setup(tmp_path, "Reed Six", pieces=2))
            assert run.controller.port is not None and run.shift_semitones == SHIFT, run.controller.name
            run.go_on()
            wait(run, lambda: run.mock.phase == ANNOUNCED)
            sender.go()
            wait(run, lambda: run.mock.phase == PLAYING)
            wait(run, lambda: run.mock.phase == SILENCE)
            wait(run, lambda: len(run.judged) == 1)
            (take,) = read_log(tmp_path).takes
    finally:
        if run is not None:
            run.leave()
            run.close()
    assert take.performance and take.shift_semitones == SHIFT and take.port.startswith("Reed Six")
    judged = run.judged[0].judged
    assert judged is not None and judged.sheet.notes.startswith("Every note was right") and judged.own is not None
    assert judged.own.tempo_bpm == pytest.approx(TEMPO_BPM, rel=0.03)
    assert take.tempo_bpm == round(judged.assessment.tempo_bpm, 1)


def test_a_cable_pulled_in_a_piece_is_not_the_players_doing(server: str, tmp_path: Path) -> None:
    run = None
    try:
        with sender_process("Reed Seven", events()) as sender:
            run = MockRun(setup(tmp_path, "Reed Seven"))
            run.go_on()
            run.update()
            sender.go()
            wait(run, lambda: run.caret is not None and run.caret >= 8)
            sender.kill()
            wait(run, lambda: run.mock.phase == ANNOUNCED, 10)
        assert "vanished: plug it in again and begin this piece anew" in run.said and not run.judged
        with sender_process("Reed Seven", events(0.4)) as sender:
            wait(run, lambda: "is back" in run.said, 10)
            assert "begin when you are ready" in run.said
            sender.go()
            wait(run, lambda: run.over)
            assert not run.said
    finally:
        if run is not None:
            run.leave()
            run.close()
    broken, whole = read_log(tmp_path).takes
    assert "vanished" in broken.interrupted and not broken.clean and broken.performance
    assert not whole.interrupted and [judged.going.broken_off for judged in run.judged] == [False]
    # Nobody told the program the shift: what all notes have in common is the controller's.
    assert whole.shift_semitones == SHIFT and not whole.added
    assert all(note.played_midi == note.written_midi for note in whole.notes)


def test_pulled_out_in_the_silence_nothing_is_lost(server: str, tmp_path: Path) -> None:
    run = None
    try:
        with sender_process("Reed Eight"):
            run = MockRun(setup(tmp_path, "Reed Eight"))
            run.update()
        wait(run, lambda: "vanished" in run.said, 10)
        assert "anew" not in run.said and run.mock.phase == SILENCE
        with sender_process("Reed Eight", events()) as sender:
            wait(run, lambda: "is back" in run.said, 10)
            run.go_on()
            run.update()
            sender.go()
            wait(run, lambda: run.over)
    finally:
        if run is not None:
            run.leave()
            run.close()
    (take,) = read_log(tmp_path).takes
    assert all(note.played_midi == note.written_midi for note in take.notes) and not take.interrupted


def test_one_that_is_plugged_in_after_the_beginning_is_taken(server: str, tmp_path: Path) -> None:
    remember("Reed Nine:out", shift_semitones=SHIFT, folder=tmp_path)
    run = MockRun(setup(tmp_path, ""))
    try:
        wait(run, lambda: run.said == "no controller is there: plug one in", 10)
        with sender_process("Reed Nine", events()) as sender:
            wait(run, lambda: run.controller.port is not None, 10)
            assert run.said.endswith("is here") and run.shift_semitones == SHIFT
            run.go_on()
            run.update()
            sender.go()
            wait(run, lambda: run.over)
    finally:
        run.leave()
        run.close()
    assert run.judged[0].judged is not None and run.judged[0].judged.shift_semitones == 0
