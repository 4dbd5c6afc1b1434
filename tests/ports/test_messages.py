"""Splitting raw bytes: by the MIDI 1.0 specification's own rules, and against mido's parser."""

from __future__ import annotations

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.ports.messages import SYSEX_LIMIT_BYTES, Splitter, is_note, split_messages


def hexed(stream: str) -> list[str]:
    return [message.hex(" ") for message in split_messages(bytes.fromhex(stream))]


# MIDI 1.0 Detailed Specification 4.2.1 (1996): table II (channel messages and their data bytes), "Running Status"
# (status holds until another one; note-on with velocity 0 is the reason it exists), "System Real Time Messages" (may
# stand between any two bytes and leave running status alone), "System Exclusive" (ended by F7 or any other status
# except realtime; clears running status), "System Common Messages" (clear running status).
@pytest.mark.parametrize(
    ("stream", "messages"),
    [
        ("90 3C 40 80 3C 40", ["90 3c 40", "80 3c 40"]),
        ("90 3C 40 3C 00 3E 40 3E 00", ["90 3c 40", "90 3c 00", "90 3e 40", "90 3e 00"]),
        ("C5 07 08 D5 20 21", ["c5 07", "c5 08", "d5 20", "d5 21"]),
        ("90 3C F8 40 FE 3E 41", ["f8", "90 3c 40", "fe", "90 3e 41"]),
        ("F8 90 F8 3C F8 40 F8", ["f8", "f8", "f8", "90 3c 40", "f8"]),
        ("F0 7D 01 F8 02 F7 40 41", ["f8", "f0 7d 01 02 f7"]),
        ("F0 7D 01 90 3C 40", ["90 3c 40"]),
        ("90 3C 40 F6 3E 40", ["90 3c 40", "f6"]),
        ("90 3C 40 F2 01 02 3E 40", ["90 3c 40", "f2 01 02"]),
        ("90 3C 40 F3 05 3E 40", ["90 3c 40", "f3 05"]),
        ("B0 02 90 3C 40", ["90 3c 40"]),
        ("40 41 90 3C 40", ["90 3c 40"]),
        ("F7 E0 00 40 F4 F5", ["e0 00 40", "f4", "f5"]),
        ("90 3C", []),
    ],
)
def test_streams_of_the_specification(stream: str, messages: list[str]) -> None:
    assert hexed(stream) == messages


data = st.integers(0, 127)
channel = st.integers(0, 15)
messages = st.one_of(
    st.builds(
        lambda k, c, a, b: bytes([k | c, a, b]), st.sampled_from([0x80, 0x90, 0xA0, 0xB0, 0xE0]), channel, data, data
    ),
    st.builds(lambda k, c, a: bytes([k | c, a]), st.sampled_from([0xC0, 0xD0]), channel, data),
    st.builds(lambda body: bytes([0xF0, *body, 0xF7]), st.lists(data, max_size=20)),
    st.sampled_from([bytes([status]) for status in (0xF6, 0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF)]),
)


@given(st.lists(messages, max_size=30))
def test_whole_messages_agree_with_mido(sent: list[bytes]) -> None:
    parser = mido.Parser()
    parser.feed(b"".join(sent))
    assert list(split_messages(b"".join(sent))) == sent == [bytes(message.bytes()) for message in parser]


@given(st.lists(messages, max_size=30), st.lists(st.integers(1, 9), min_size=1))
def test_running_status_and_pieces_change_nothing(sent: list[bytes], pieces: list[int]) -> None:
    stream, running = bytearray(), 0
    for message in sent:
        stream += message[1:] if message[0] == running else message
        if message[0] < 0xF8:
            running = message[0] if message[0] < 0xF0 else 0
    splitter, got = Splitter(), []
    place = turn = 0
    while place < len(stream):
        size = pieces[turn % len(pieces)]
        got += splitter.feed(bytes(stream[place : place + size]))
        place, turn = place + size, turn + 1
    assert got == sent


@given(st.binary(max_size=200))
def test_any_junk_gives_whole_messages_only(junk: bytes) -> None:
    for message in split_messages(junk):
        assert message[0] >= 0x80
        assert all(byte < 0x80 for byte in message[1:]) or message[0] == 0xF0


def test_a_system_exclusive_message_without_end_is_thrown_away() -> None:
    splitter = Splitter()
    assert splitter.feed(b"\xf0" + bytes(3 * SYSEX_LIMIT_BYTES)) == []
    assert len(splitter._data) <= SYSEX_LIMIT_BYTES
    assert splitter.feed(b"\xf7\x90\x3c\x40") == [b"\x90\x3c\x40"]


def test_note_messages_are_known() -> None:
    assert is_note(b"\x93\x3c\x00")
    assert is_note(b"\x80\x3c\x00")
    assert not is_note(b"\xb0\x02\x10")
