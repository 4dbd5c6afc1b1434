"""The whole way on real MIDI: another process plays through JACK, the stand hears, judges, records, pauses and goes
on."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from ports.jack_tools import SETTLE_NS, Event, jack_missing, jack_server, sender_process
from window.stand_tools import make_setup, open_stand, playable

from companion.ports.performer import perform
from companion.practice.ladder import Ladder
from companion.practice.model import EARLY, LATE, ON_TIME
from companion.record import read_log
from companion.units import ms_from_ns
from companion.window.app import App
from companion.window.run import LEAD_S

pytestmark = [pytest.mark.jack, pytest.mark.skipif(bool(jack_missing()), reason=jack_missing() or "-")]

PASSAGE = playable(bars=4)
TEMPO_BPM = 120.0
COUNT_IN_S = 2.0
#: The controller sends sounding alto pitch, with active sensing and clock in between.
SHIFT = 9


@pytest.fixture
def server() -> Iterator[str]:
    with jack_server() as name:
        yield name


@pytest.fixture
def patient_server() -> Iterator[str]:
    # A client that misses its period on a busy machine loses what was sent in it: a long one is safer.
    with jack_server(period=2048) as name:
        yield name


def _events(level: str) -> list[Event]:
    performed = perform(PASSAGE, TEMPO_BPM, level, 3, 0, SHIFT)
    lead_s = LEAD_S + COUNT_IN_S - SETTLE_NS / 1e9
    events: list[Event] = []
    for i, (time_s, message) in enumerate(performed):
        if i % 7 == 0:
            events.append((lead_s + time_s, [0xFE]))
            events.append((lead_s + time_s, [0xF8]))
        events.append((lead_s + time_s, list(message)))
    return events


def _open(sessions: Path, port: str) -> App:
    setup = make_setup(PASSAGE, sessions, port="sim:steady:1")
    setup = replace(setup, ladder=Ladder(TEMPO_BPM, 4, 132, 2), shift_semitones=SHIFT)
    app = open_stand(setup)
    # From the simulated player to the device, as P does it; the clock becomes the real one with it.
    app.stepped, app.run.clock = None, time.perf_counter_ns
    app.run.use_port(port)
    return app


def _frames(app: App, seconds: float, until: str) -> None:
    deadline = time.monotonic() + seconds
    while app.run.rehearsal.state != until:
        assert time.monotonic() < deadline, f"still {app.run.rehearsal.state}, never {until}"
        app.frame()
        time.sleep(1 / 120)


def test_a_take_over_jack_is_heard_judged_and_recorded(server: str, tmp_path: Path) -> None:
    with sender_process("Reed One", _events("steady")) as sender:
        app = _open(tmp_path, "Reed One")
        try:
            app.do("start")
            sender.go()
            _frames(app, 30, "after")
            sent_ns = sender.sent_ns()
        finally:
            app.close()
    take = app.run.rehearsal.last_take
    assert take is not None
    verdicts = [result.verdict for result in take.assessment.notes]
    assert set(verdicts) <= {ON_TIME, EARLY, LATE} and not take.assessment.added
    # Stamps are those of the sending process within the driver's time: 1.5 ms in the middle, a few at worst.
    ons = [
        ns
        for ns, (_, message) in zip(sent_ns, _events("steady"), strict=True)
        if message[0] & 0xF0 == 0x90 and message[2]
    ]
    onsets = app.run.rehearsal.clock().onsets_s
    expected_ms = [ms_from_ns(ns - take.start_ns) - onset * 1e3 for ns, onset in zip(ons, onsets, strict=True)]
    found_ms = [result.deviation_ms for result in take.assessment.notes]
    gaps = sorted(abs(f - e) for f, e in zip(found_ms, expected_ms, strict=True) if f is not None)
    assert gaps[len(gaps) // 2] < 8 and gaps[-1] < 60
    log = read_log(tmp_path)
    assert not log.remarks and len(log.takes) == 1
    record = log.takes[0]
    assert record.port.startswith("Reed One") and record.shift_semitones == SHIFT
    heard = [event.message for event in record.events if event.message[0] & 0xF0 == 0x90 and event.message[2]]
    assert [message[1] + SHIFT for message in heard] == [note.written_midi for note in PASSAGE.notes]
    assert not any(event.message[0] in (0xF8, 0xFE) for event in record.events)


def test_a_controller_pulled_out_mid_take_pauses_and_goes_on_when_it_is_back(
    patient_server: str, tmp_path: Path
) -> None:
    app = None
    try:
        with sender_process("Reed Two", _events("steady")) as sender:
            app = _open(tmp_path, "Reed Two")
            app.do("start")
            sender.go()
            deadline = time.monotonic() + 20
            while app.run.rehearsal.caret < 8:
                assert time.monotonic() < deadline
                app.frame()
                time.sleep(1 / 120)
            sender.kill()
            _frames(app, 5, "paused")
        assert "Reed Two" in app.run.rehearsal.paused_because
        kept = len(app.run.rehearsal._events)
        assert kept >= 8
        bar = app.run.rehearsal._bar_to_go_on()
        at_s = PASSAGE.seconds(PASSAGE.bars[bar].start, TEMPO_BPM)
        rest = [(t - at_s, m) for t, m in _events("steady") if t - at_s >= LEAD_S + COUNT_IN_S - SETTLE_NS / 1e9 - 0.03]
        with sender_process("Reed Two", rest) as sender:
            deadline = time.monotonic() + 10
            while app.run.controller.missing:
                assert time.monotonic() < deadline, "the device never came back"
                app.frame()
                time.sleep(1 / 60)
            assert "back" in app.run.notice
            app.do("go_on")
            sender.go()
            _frames(app, 30, "after")
    finally:
        if app is not None:
            app.close()
    record = read_log(tmp_path).takes[0]
    assert record.interrupted and record.pauses
    assert len(record.events) > kept
    # On a very busy machine JACK may lose one message all the same; what the pause costs would be a bar or more.
    assert sum(note.verdict not in (ON_TIME, EARLY, LATE) for note in record.notes) <= 1
