"""A simulated take played by another process over JACK: what was meant arrives, note by note, with its truth."""

from __future__ import annotations

import time

import numpy as np
import pytest
from ports.jack_tools import Event, jack_missing, jack_server, sender_process, take_events
from practice.takes import melody

from companion.ports import open_input
from companion.practice import to_played
from companion.practice.model import RawEvent
from companion.practice.simulation import KINDS, simulate

pytestmark = [pytest.mark.jack, pytest.mark.skipif(bool(jack_missing()), reason=jack_missing() or "-")]

LEAD_S, SHIFT, TEMPO_BPM = 0.3, 9, 160.0
#: What the ear makes of a breath that drops out is a matter of its own.
HEARD_AS_PLAYED = [kind for kind in KINDS if kind != "breath dropout"]


def played_over_jack(events: list[Event], name: str) -> tuple[int, list[RawEvent]]:
    """When the sending began, and what arrived."""
    received: list[RawEvent] = []
    with sender_process(name, events) as sender:
        port = open_input(name)
        try:
            go_ns = sender.go()
            deadline_s = time.monotonic() + events[-1][0] + 3
            while time.monotonic() < deadline_s and len(received) < len(events):
                received += port.drain()
                time.sleep(0.005)
        finally:
            port.close()
    return go_ns, received


def test_a_messy_take_arrives_as_it_was_played() -> None:
    take = simulate(melody(2, 3), TEMPO_BPM, "messy", 4, kinds=HEARD_AS_PLAYED)
    assert take.happened.keys() - {"drift"}
    events = take_events(take, LEAD_S, SHIFT)
    # A client that misses its period on a busy machine loses what was sent in it: a long period, and another try.
    with jack_server(period=2048):
        for attempt in range(3):
            go_ns, received = played_over_jack(events, f"Reed Three {attempt}")
            if len(received) == len(events):
                break
    assert [list(event.message) for event in received] == [message for _, message in events]
    heard = to_played(received, go_ns + int(LEAD_S * 1e9), SHIFT)
    assert heard["written_midi"].tolist() == take.played["written_midi"].tolist()
    late_ms = 1e3 * (heard["onset_s"] - take.played["onset_s"])
    assert -1 < np.median(late_ms) < 60
    assert np.median(np.abs(late_ms - np.median(late_ms))) < 15
