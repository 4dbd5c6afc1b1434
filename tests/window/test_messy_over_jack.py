"""A messy take, breath and bite and held keys and all, from another process through JACK: the record holds every event
that was sent, and the verdicts are those of the judge on what the file holds."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import pytest
from ports.jack_tools import SETTLE_NS, Event, jack_missing, jack_server, sender_process
from window.stand_tools import make_setup, open_stand, playable

from companion.charts import load
from companion.planning import plan
from companion.practice.hearing import breath_of, to_played
from companion.practice.judging import judge
from companion.practice.ladder import Ladder
from companion.practice.model import LEFT_OUT, ON_TIME, WRONG_NOTE, Assessment
from companion.practice.pressed import key_message, pressed_of
from companion.practice.simulation import SimulatedTake, simulate
from companion.record import TakeRecord, read_log, take_record
from companion.window.run import LEAD_S

pytestmark = [pytest.mark.jack, pytest.mark.skipif(bool(jack_missing()), reason=jack_missing() or "-")]

PASSAGE = playable(bars=6)
CHART = load("alto")
PLAN = plan(PASSAGE, CHART)
TEMPO_BPM, COUNT_IN_S = 120.0, 2.0
SEED = 11
#: The controller sends sounding alto pitch.
SHIFT = 9


def _take() -> SimulatedTake:
    return simulate(PASSAGE, TEMPO_BPM, "messy", SEED, style="wind", plan=PLAN, chart=CHART)


def _messages() -> list[tuple[float, bytes]]:
    """What the controller sends: notes and breath as simulated, with a bend and the held keys before each note."""
    sent: list[tuple[float, bytes]] = []
    for i, (time_s, message) in enumerate(_take().messages):
        kind = message[0] & 0xF0
        if kind == 0x90:
            held = next((f.keys for f in CHART.for_note(message[1])), frozenset())
            sent.append((time_s, bytes((0xE0, i % 128, 64))))
            sent.append((time_s, key_message(held)))
        shifted = bytes((message[0], message[1] - SHIFT, message[2])) if kind in (0x80, 0x90) else message
        sent.append((time_s, shifted))
    return sent


def _events() -> list[Event]:
    lead_s = LEAD_S + COUNT_IN_S - SETTLE_NS / 1e9
    return [(lead_s + time_s, list(message)) for time_s, message in _messages()]


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TakeRecord, Assessment]]:
    """The take as the file holds it, and what the running window made of it."""
    sessions = tmp_path_factory.mktemp("sessions")
    # A client that misses its period on a busy machine loses what was sent in it: a long one is safer.
    with jack_server(period=2048), sender_process("Reed Messy", _events()) as sender:
        setup = make_setup(PASSAGE, sessions, port="sim:steady:1")
        app = open_stand(replace(setup, ladder=Ladder(TEMPO_BPM, 4, 132, 2), shift_semitones=SHIFT))
        app.stepped, app.run.clock = None, time.perf_counter_ns
        app.run.use_port("Reed Messy")
        try:
            app.do("start")
            sender.go()
            deadline = time.monotonic() + 60
            while app.run.rehearsal.state != "after":
                assert time.monotonic() < deadline, f"still {app.run.rehearsal.state}"
                app.frame()
                time.sleep(1 / 120)
        finally:
            app.close()
        take = app.run.rehearsal.last_take
    (record,) = read_log(sessions).takes
    assert take is not None
    yield record, take.assessment


def test_the_take_is_messy() -> None:
    happened = {kind for kind, count in _take().happened.items() if count}
    assert len(happened) >= 4, happened


def test_the_record_holds_what_was_sent_to_the_event(played: tuple[TakeRecord, Assessment]) -> None:
    record, _ = played
    sent = [message for _, message in _messages()]
    kept = [event.message for event in record.events]
    assert Counter(kept) == Counter(sent)
    assert kept == sent
    assert {message[0] & 0xF0 for message in kept} == {0x80, 0x90, 0xB0, 0xE0, 0xF0}
    # They came when they were sent, within what a busy machine delays, and never in another order.
    times_s = [(event.time_ns - record.start_ns) / 1e9 for event in record.events]
    off_s = sorted(t - sent_s for t, (sent_s, _) in zip(times_s, _messages(), strict=True))
    assert times_s == sorted(times_s)
    assert off_s[-1] - off_s[0] < 0.25


def test_the_verdicts_are_those_of_the_judge_on_what_the_file_holds(played: tuple[TakeRecord, Assessment]) -> None:
    record, live = played
    heard = to_played(record.events, record.start_ns, record.shift_semitones)
    offline = judge(
        PASSAGE, heard, record.tempo_bpm, record.tolerances, PLAN, chart=CHART,
        breath=breath_of(record.events, record.start_ns), pressed=pressed_of(record.events, record.start_ns, CHART),
    )  # fmt: skip
    assert offline == live
    again = take_record(
        PASSAGE, PLAN, CHART, offline, record.events, take_ns=0, beat_0_ns=record.start_ns, end_ns=0, run_ns=0
    )
    assert (again.notes, again.added, again.realised) == (record.notes, record.added, record.realised)
    assert (again.slips, again.used, again.comment) == (record.slips, record.used, record.comment)
    verdicts = Counter(note.verdict for note in record.notes)
    assert verdicts[ON_TIME] and verdicts[WRONG_NOTE] + verdicts[LEFT_OUT] + len(record.added) + len(record.slips)
    assert any(note.begun for note in record.notes)
