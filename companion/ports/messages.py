"""Raw MIDI bytes into whole messages.

Drivers hand out whole messages; a plain byte stream (a serial adapter, a file of captured bytes) does not: there
running status is used and realtime bytes may stand inside other messages.

References
----------
MIDI 1.0 Detailed Specification, document version 4.2.1 (1996): "Running Status", "System Real Time Messages" and
Tables I to VI (status bytes and the number of data bytes that follow).
"""

from __future__ import annotations

__all__ = ["Splitter", "is_note", "split_messages"]

#: data bytes after a channel status, by its upper four bits (MIDI 1.0, Table II)
_CHANNEL_DATA = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
#: data bytes after a system common status (MIDI 1.0, Table V); 0xF4 and 0xF5 are undefined and stand alone
_COMMON_DATA = {0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF4: 0, 0xF5: 0, 0xF6: 0}
_SYSEX, _SYSEX_END, _FIRST_REALTIME = 0xF0, 0xF7, 0xF8
#: a longer system exclusive message is thrown away, so that a device that never ends one can't eat the memory
SYSEX_LIMIT_BYTES = 65_536


def is_note(message: bytes) -> bool:
    """Whether this is a note-on or a note-off."""
    return message[0] & 0xF0 in (0x80, 0x90)


class Splitter:
    """Splits a byte stream that arrives in pieces; state is kept between calls of `feed`.

    Data bytes without a status before them are dropped, and so is a message that another status byte interrupts, as
    the specification asks of a receiver.
    """

    def __init__(self) -> None:
        self._status = 0
        self._wanted = 0
        self._data = bytearray()

    def feed(self, stream: bytes) -> list[bytes]:
        """The messages completed by these bytes, in order; realtime bytes come out where they stood."""
        messages: list[bytes] = []
        for byte in stream:
            if byte >= _FIRST_REALTIME:
                messages.append(bytes((byte,)))
            elif byte >= 0x80:
                self._take_status(byte, messages)
            else:
                self._take_data(byte, messages)
        return messages

    def _take_status(self, status: int, messages: list[bytes]) -> None:
        if status == _SYSEX_END:
            if self._status == _SYSEX and len(self._data) < SYSEX_LIMIT_BYTES:
                messages.append(bytes((_SYSEX, *self._data, _SYSEX_END)))
            self._status = 0
        elif status == _SYSEX:
            self._status = status
        elif status in _COMMON_DATA:
            self._status, self._wanted = status, _COMMON_DATA[status]
            if not self._wanted:
                messages.append(bytes((status,)))
                self._status = 0
        else:
            self._status, self._wanted = status, _CHANNEL_DATA[status & 0xF0]
        self._data.clear()

    def _take_data(self, byte: int, messages: list[bytes]) -> None:
        if not self._status:
            return
        if self._status == _SYSEX:
            if len(self._data) < SYSEX_LIMIT_BYTES:
                self._data.append(byte)
            return
        self._data.append(byte)
        if len(self._data) == self._wanted:
            messages.append(bytes((self._status, *self._data)))
            self._data.clear()
            if self._status >= _SYSEX:
                self._status = 0


def split_messages(stream: bytes) -> tuple[bytes, ...]:
    """Whole messages, running status resolved, in the order in which they are complete.

    Examples
    --------
    >>> [message.hex(" ") for message in split_messages(bytes.fromhex("90 3C 40 F8 3C 00"))]
    ['90 3c 40', 'f8', '90 3c 00']
    """
    return tuple(Splitter().feed(stream))
