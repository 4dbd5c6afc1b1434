"""MIDI through PortMidi as pygame-ce brings it along: for Python versions without a python-rtmidi wheel.

PortMidi looks at the devices once, when it starts. It is started when a port is opened and stopped when that is closed,
so only one port can be open at a time.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

from companion.ports.lister import PortmidiLook
from companion.ports.names import Found, cannot_open, just_vanished, seen
from companion.ports.polling import Packet, Poller
from companion.units import s_from_ms

__all__ = ["Pieces", "PmConnection", "connect", "whole_message"]

_BUFFER_MESSAGES = 4096
_READ_AT_ONCE = 256
_FIRST_STATUS, _SYSEX, _SYSEX_END, _FIRST_REALTIME = 0x80, 0xF0, 0xF7, 0xF8

# Making it is the test for this backend: it imports pygame.midi.
_LOOK = PortmidiLook()
midi = _LOOK.midi


def connect(port: Found, accept: Callable[[bytes, int], None]) -> PmConnection:
    """Open `port`; `accept` is called in a thread with each message and its stamp.

    Raises
    ------
    PortError
        Where the port is gone or busy.
    """
    return PmConnection(port, accept)


class PmConnection:
    """One open port and the thread that reads it."""

    def __init__(self, port: Found, accept: Callable[[bytes, int], None]) -> None:
        midi.init()
        try:
            self._input: Any = midi.Input(_device_number(port), _BUFFER_MESSAGES)
        except (midi.MidiException, RuntimeError) as error:
            raise cannot_open(port, error) from error
        self._pieces = Pieces()
        self._poller = Poller(self._read, accept)

    def _read(self) -> list[Packet]:
        try:
            arrived = self._input.read(_READ_AT_ONCE) if self._input.poll() else []
        except (midi.MidiException, RuntimeError) as error:
            raise OSError(str(error)) from error
        packets = [(self._pieces.cut(cast(list[int], data)), s_from_ms(driver_ms)) for data, driver_ms in arrived]
        return [packet for packet in packets if packet[0]]

    @property
    def broken(self) -> bool:
        """True once PortMidi failed to read."""
        return self._poller.broken

    def close(self) -> None:
        """Close the port and stop PortMidi; twice does no harm."""
        self._poller.close()
        if self._input is not None:
            self._input.close()
            self._input = None
            midi.quit()


class Pieces:
    """PortMidi hands out four bytes at a time: a whole message, or the next piece of a system exclusive one.

    What is cut here is still a stream: the pieces of a system exclusive message come one by one, realtime messages
    between them. Pieces whose beginning was lost are left out, so that nobody takes them for notes.
    """

    def __init__(self) -> None:
        self._inside = False

    def cut(self, data: list[int]) -> bytes:
        """The bytes that belong to the stream; none where the piece belongs to nothing."""
        status = data[0]
        if status >= _FIRST_REALTIME:
            return bytes(data[:1])
        if status == _SYSEX or (status < _FIRST_STATUS and self._inside):
            end = data.index(_SYSEX_END) + 1 if _SYSEX_END in data else len(data)
            self._inside = _SYSEX_END not in data
            return bytes(data[:end])
        if status == _SYSEX_END and self._inside:
            self._inside = False
            return bytes(data[:1])
        self._inside = False
        return whole_message(data) if status >= _FIRST_STATUS else b""


def whole_message(data: list[int]) -> bytes:
    """PortMidi pads every channel message to four bytes: cut it to its own length. Of a system message its status."""
    status = data[0]
    if status >= 0xF0:
        return bytes(data[:1])
    return bytes(data[: 2 if status & 0xF0 in (0xC0, 0xD0) else 3])


def _device_number(port: Found) -> int:
    inputs = [(number, name) for number, (api, name) in _LOOK.inputs() if api == port.api]
    there = seen([name for _number, name in inputs], port.api)
    for (number, _name), now in zip(inputs, there, strict=True):
        if now.key == port.key:
            return number
    raise just_vanished(port)
