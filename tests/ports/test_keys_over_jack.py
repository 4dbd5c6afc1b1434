"""A horn that tells its keys: another process sends notes and key messages through JACK, which tell the fingers."""

from __future__ import annotations

import time

import pytest
from ports.jack_tools import jack_missing, jack_server, sender_process
from practice.made import passage

from companion import charts
from companion.planning import plan
from companion.ports import open_input
from companion.practice import align, to_played
from companion.practice.pressed import fingerings_used, is_key_message, key_message, pressed_of
from companion.practice.slips import find_slips

pytestmark = [pytest.mark.jack, pytest.mark.skipif(bool(jack_missing()), reason=jack_missing())]

HORN = "Reed Keys"
ALTO = charts.load("alto")
#: (seconds, keys, note or None): A, then B♭ with bis where side is planned, over a B; then C.
PLAYED = [
    (0.00, "l1 l2", 69),
    (0.46, "l1", 71),
    (0.50, "l1 bis", 70),
    (0.97, "l2 bis", None),
    (1.00, "l2", 72),
]


@pytest.fixture(scope="module")
def server():
    with jack_server() as name:
        yield name


def sent() -> list[tuple[float, list[int]]]:
    """Each state with the note it makes, a flood of breath around them, and messages that are no playing."""
    rows: list[tuple[float, list[int]]] = [(0.004 * i, [0xB0, 2, 60 + i % 40]) for i in range(300)]
    sounding = None
    for time_s, keys, midi in PLAYED:
        rows.append((time_s, list(key_message(keys.split()))))
        if midi is not None:
            rows.append((time_s, [0x90, midi, 80]))
            if sounding is not None:
                rows.append((time_s, [0x80, sounding, 0]))
            sounding = midi
    rows.append((1.3, [0x80, 72, 0]))
    rows += [(0.2, [0xF0, 0x7E, 0x7F, 6, 1, 0xF7]), (0.3, [0xF0, 0x7D, 1, 2, 3, 0xF7]), (0.31, [0xF8]), (0.32, [0xFE])]
    # Longer than any key message; other devices dump their settings like this.
    rows.append((0.33, [0xF0, 0x43, *([5] * 900), 0xF7]))
    return sorted(rows, key=lambda row: row[0])


def test_keys_come_through_jack_and_tell_the_fingers(server) -> None:
    everything = sent()
    wanted = [bytes(m) for _, m in everything if m[0] < 0xF0 or is_key_message(bytes(m))]
    with sender_process(HORN, everything) as sender:
        port = open_input(HORN)
        try:
            sender.go()
            events, until_s = [], time.monotonic() + 5
            while len(events) < len(wanted) and time.monotonic() < until_s:
                events += port.drain()
                time.sleep(0.01)
        finally:
            port.close()
    # JACK leaves a client out that misses its period, which on a busy machine may cost some breath.
    told = [event for event in events if event.message[0] != 0xB0]
    assert [event.message for event in told] == [m for m in wanted if m[0] != 0xB0]
    assert {event.message[0] for event in events} == {0x80, 0x90, 0xB0, 0xF0}

    start_ns = next(event.time_ns for event in events if event.message[0] == 0x90)
    piece = passage("A4:1 Bb4:1 C5:1")
    fingered = plan(piece, ALTO, {1: "side"})
    played, pressed = to_played(events, start_ns), pressed_of(events, start_ns, ALTO)
    assert [sorted(state.keys) for state in pressed] == [sorted(keys.split()) for _, keys, _ in PLAYED]
    realised = align(piece, played, 120).pairs[: len(played), 0]
    assert realised.tolist() == [0, -1, 1, 2]
    used = fingerings_used(piece, played, realised, pressed, fingered, ALTO)
    assert [one.sentence for one in used] == ["", "B♭4 was played with bis where side is planned", ""]
    (slip,) = find_slips(piece, played, realised, fingered, ALTO, pressed)
    assert (slip.early, slip.late) == (("left middle",), ("left index",))
    # Sent 40 ms apart; the rest is JACK's period of 5.3 ms and a busy machine.
    assert slip.by_ms == pytest.approx(40, abs=25)
    assert "your left index went down late, behind the middle finger by" in slip.sentence
