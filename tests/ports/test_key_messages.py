"""Key messages on their way through the ports; what else is system exclusive is left out and does no harm."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.ports.arrivals import CONTROLLER_LIMIT, Arrivals
from companion.ports.messages import Splitter
from companion.practice.pressed import key_message

KEYS = key_message({"octave", "l1", "l2", "side_b_flat"})


def heard(*packets: bytes) -> list[bytes]:
    arrivals = Arrivals()
    for packet in packets:
        arrivals.accept(packet, 7)
    return [event.message for event in arrivals.drain()]


def test_key_messages_are_let_through_and_other_system_exclusive_ones_are_not() -> None:
    packets = (
        b"\xf0\x7e\x7f\x06\x01\xf7",
        KEYS,
        b"\xf0\x7d\x01\xf7",
        b"\x90\x3c\x40",
        b"\xf0\x43" + bytes(2000) + b"\xf7",
    )
    assert heard(*packets) == [KEYS, b"\x90\x3c\x40"]


def test_a_key_message_in_pieces_with_a_clock_between_is_one() -> None:
    assert heard(KEYS[:5], b"\xf8", KEYS[5:11], b"\xfe", KEYS[11:]) == [KEYS]


def test_a_key_message_ends_running_status() -> None:
    """MIDI 1.0: system exclusive clears it, so the data bytes after it are nothing."""
    assert heard(b"\x90\x3c\x40", KEYS, b"\x3e\x40") == [b"\x90\x3c\x40", KEYS]


def test_a_flood_of_key_messages_is_bounded_and_keeps_the_notes() -> None:
    arrivals = Arrivals()
    for i in range(CONTROLLER_LIMIT + 10):
        arrivals.accept(KEYS, i)
    arrivals.accept(b"\x90\x3c\x40", 1)
    assert arrivals.dropped == 10
    assert arrivals.drain()[-1].message == b"\x90\x3c\x40"


# -- PortMidi: four bytes at a time ----------------------------------------------------------------------------------


def pieces_of(message: bytes) -> list[list[int]]:
    """As PortMidi hands a system exclusive message out: four bytes at a time, zeros at the end."""
    padded = message + bytes(-len(message) % 4)
    return [list(padded[i : i + 4]) for i in range(0, len(padded), 4)]


def through_portmidi(*rows: list[int]) -> list[bytes]:
    pytest.importorskip("pygame")
    from companion.ports.portmidi_backend import Pieces

    pieces, splitter = Pieces(), Splitter()
    return [message for row in rows for message in splitter.feed(pieces.cut(row))]


@given(st.sets(st.sampled_from(["l1", "l2", "l3", "r1", "octave", "g_sharp", "side_c", "low_b"])))
def test_portmidis_pieces_make_the_message(keys: set[str]) -> None:
    message = key_message(keys)
    note = [0x90, 60, 64, 0]
    assert through_portmidi(note, *pieces_of(message), note) == [b"\x90\x3c\x40", message, b"\x90\x3c\x40"]


def test_portmidis_realtime_messages_between_the_pieces_come_out_by_themselves() -> None:
    first, *rest = pieces_of(KEYS)
    assert through_portmidi(first, [0xF8, 0, 0, 0], *rest) == [b"\xf8", KEYS]


def test_a_piece_whose_beginning_was_lost_makes_no_notes() -> None:
    note = [0x90, 60, 64, 0]
    _lost, *rest = pieces_of(KEYS)
    assert through_portmidi(note, *rest, note) == [b"\x90\x3c\x40", b"\x90\x3c\x40"]


def test_a_note_that_breaks_a_message_off_is_heard() -> None:
    first, *_lost = pieces_of(KEYS)
    assert through_portmidi(first, [0x90, 60, 64, 0], [0x80, 60, 0, 0]) == [b"\x90\x3c\x40", b"\x80\x3c\x00"]


def test_other_system_messages_of_portmidi_stay_harmless() -> None:
    rows = [[0xF1, 5, 0, 0], [0xF2, 1, 2, 0], [0xF3, 1, 0, 0], [0xF6, 0, 0, 0], [0xF7, 0, 0, 0], [0x90, 60, 64, 0]]
    assert through_portmidi(*rows)[-1] == b"\x90\x3c\x40"
    assert [m for m in through_portmidi(*rows) if m[0] < 0xF0] == [b"\x90\x3c\x40"]
