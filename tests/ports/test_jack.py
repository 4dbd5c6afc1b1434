"""The real path: another process plays through a JACK server, python-rtmidi's own thread brings it to us."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from ports.jack_tools import jack_missing, jack_server, registered, sender_process

from companion.errors import PortError
from companion.ports import DevicePort, PortWatch, list_inputs, open_input

pytestmark = [pytest.mark.jack, pytest.mark.skipif(bool(jack_missing()), reason=jack_missing())]

RAW = "Reed One"


@pytest.fixture
def server():
    # A longer period: on a busy machine a short one loses messages.
    with jack_server(period=2048) as name:
        yield name


@pytest.fixture
def quick_server():
    with jack_server() as name:
        yield name


def wait_for(condition, timeout_s=2.0):
    deadline_s = time.monotonic() + timeout_s
    while time.monotonic() < deadline_s:
        if condition():
            return True
        time.sleep(0.01)
    return False


def collect(port: DevicePort, number: int, timeout_s: float = 3.0):
    events = []
    wait_for(lambda: events.extend(port.drain()) or len(events) >= number, timeout_s)
    return events


def places_of(received: list[list[int]], sent: list[list[int]]) -> list[int]:
    """Where each received message stands among those sent; fails where order or bytes differ."""
    places, place = [], 0
    for message in received:
        place = sent.index(message, place) + 1
        places.append(place - 1)
    return places


def test_a_port_of_another_process_is_listed_and_opened_by_a_part_of_its_name(server):
    with sender_process(RAW):
        assert [port.name for port in list_inputs() if port.api == "JACK"] == ["Reed One:out"]
        port = open_input("reed")
        try:
            assert port.name == "Reed One:out"
            assert port.alive
        finally:
            port.close()
            port.close()
        with pytest.raises(PortError, match=r"no MIDI port 'Oboe': there is 'Reed One:out'; `companion ports`"):
            open_input("Oboe")


def test_every_kind_of_message_arrives_whole_in_order_and_without_the_realtime_ones(server):
    messages = [
        [0x90, 60, 64],
        [0xFE],  # active sensing
        [0x90, 60, 0],  # a note-off in disguise: handed on as it is
        [0xF8],  # clock
        [0x91, 62, 70],
        [64, 71],  # running status, as a raw client writes it
        [0xB0, 2, 99],
        [0xE0, 0, 64],
        [0xD0, 50],
        [0xF0, 0x7D, 1, 2, 3, 0xF7],  # system exclusive: no part of playing
        [0x81, 62, 0],
    ]
    wanted = [bytes(m) for m in messages if m[0] not in (0xFE, 0xF8, 0xF0)]
    wanted[3] = bytes([0x91, 64, 71])
    with sender_process(RAW, [(0.02 * i, m) for i, m in enumerate(messages)]) as sender:
        port = open_input(RAW)
        try:
            sender.go()
            assert [event.message for event in collect(port, len(wanted))] == wanted
        finally:
            port.close()


def test_stamps_follow_the_sender_by_a_few_ms_through_a_flood_of_breath_and_bend(quick_server):
    flood = [(0.001 * i, [0xB0, 2, i % 128] if i % 2 else [0xE0, i % 128, 64]) for i in range(1000)]
    notes = [(0.05 * i + 0.0005, [0x90, 60 + i, 80]) for i in range(20)]
    events = sorted(flood + notes)
    with sender_process(RAW, events) as sender:
        port = open_input(RAW)
        try:
            sender.go()
            received = collect(port, len(events))
            sent_ns = sender.sent_ns()
        finally:
            port.close()
    places = places_of([list(event.message) for event in received], [message for _, message in events])
    delays_ms = (np.array([event.time_ns for event in received]) - np.array(sent_ns)[places]) / 1e6
    # JACK leaves a client out that misses its period, which on a busy machine happens to one without priority.
    assert len(received) > 0.97 * len(events)
    # A JACK period is 5.3 ms; the rest is room for a busy machine.
    assert delays_ms.min() > 0
    assert np.median(delays_ms) < 10


def test_a_device_that_vanishes_keeps_what_was_played_and_goes_on_when_it_returns(server):
    with PortWatch() as watch:
        with sender_process(RAW, [(0.0, [0x90, 67, 80]), (5.0, [0x80, 67, 0])]) as sender:
            port = open_input(RAW, watch=watch)
            assert wait_for(lambda: any(p.name == "Reed One:out" for p in watch.ports()))
            watch.changes()
            sender.go()
            time.sleep(0.1)
            sender.kill()
            assert wait_for(lambda: not port.alive, 2.0)
            assert repr(port) == "<DevicePort 'Reed One:out' (JACK) gone>"
        assert [event.message for event in port.drain()] == [bytes([0x90, 67, 80])]
        assert [p.name for p in watch.changes()[1]] == ["Reed One:out"]
        with pytest.raises(PortError, match="no MIDI port 'Reed One:out'"):
            port.reopen()
        assert not port.alive
        with sender_process(RAW, [(0.0, [0x90, 69, 80])]) as sender:
            assert wait_for(lambda: any(p.name == "Reed One:out" for p in watch.changes()[0]), 2.0)
            port.reopen()
            assert port.alive
            sender.go()
            assert [event.message for event in collect(port, 1)] == [bytes([0x90, 69, 80])]
            time.sleep(1.2)
            assert port.alive
            port.close()


def test_two_devices_of_one_name_are_told_apart(server):
    # JACK itself makes the second client's name differ; both can be opened, each hears its own.
    # Each plays its note several times: on a busy machine JACK leaves out periods while clients come.
    times_s = [0.2 * i for i in range(8)]
    first_notes, second_notes = ([(time_s, [0x90, note, 80]) for time_s in times_s] for note in (60, 61))
    with sender_process(RAW, first_notes) as first, sender_process(RAW, second_notes) as second:
        names = [port.name for port in list_inputs()]
        assert len(set(names)) == 2
        ports = [open_input(name) for name in names]
        try:
            first.go()
            second.go()
            heard = [{event.message[1] for event in collect(port, 2)} for port in ports]
            assert sorted(heard, key=min) == [{60}, {61}]
        finally:
            for port in ports:
                port.close()


def test_the_watch_sees_a_server_die_and_another_come():
    """In a process of its own: its libjack sees two servers."""
    code = """
import os, time
from jack_tools import jack_server, sender_process, server_name
from companion.ports import PortWatch
def until(condition):
    end = time.monotonic() + 3
    while time.monotonic() < end and not condition():
        time.sleep(0.02)
    return condition()
taken = server_name()
os.environ["JACK_DEFAULT_SERVER"] = name = taken.__enter__()
with PortWatch(0.1) as watch:
    assert watch.ports() == ()
    with jack_server(name), sender_process("Reed One"):
        assert until(lambda: len(watch.ports()) == 1), "not seen"
        time.sleep(0.5)
        assert watch.changes() == (watch.ports(), ())
        assert len(watch.ports()) == 1, "lost"
    assert until(lambda: watch.ports() == ()), "still seen after its server ended"
    with jack_server(name), sender_process("Reed Two"):
        assert until(lambda: [port.name for port in watch.ports()] == ["Reed Two:out"]), "not seen again"
print("done")
"""
    here = os.path.dirname(__file__)
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=here, capture_output=True, text=True, timeout=30, check=False
    )
    assert done.stdout == "done\n", done.stderr
    assert done.stderr == ""
    assert done.returncode == 0


def test_the_monitor_prints_notes(server):
    # More than once, for JACK leaves out periods on a busy machine.
    one = [(0.0, [0x90, 61, 80]), (0.1, [0xB0, 2, 50]), (0.2, [0x90, 61, 0])]
    events = [(0.4 * i + time_s, message) for i in range(4) for time_s, message in one]
    with sender_process(RAW, events) as sender:
        command = [sys.executable, "-u", "-m", "companion", "ports", "--monitor", "reed", "--seconds", "2.5"]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        first = process.stdout.readline()
        sender.go()
        rest, errors = process.communicate(timeout=20)
    assert first == "Listening to Reed One:out. Ctrl-C ends it.\n"
    notes = {tuple(line.split()[2:]) for line in rest.splitlines() if line.split()[2:3] == ["C♯4"]}
    assert notes == {("C♯4", "61", "on", "velocity", "80"), ("C♯4", "61", "off")}
    assert re.search(r"[1-4] messages of breath", rest), rest
    assert errors == ""
    assert process.returncode == 0


def test_servers_that_had_to_be_killed_leave_room_for_the_next():
    """JACK 2 has room for eight servers, and a killed one keeps its place: ten killed ones are no hindrance."""
    for _ in range(10):
        with jack_server() as name:
            os.kill(registered()[name], signal.SIGKILL)
    with jack_server():
        pass
