"""MIDI through python-rtmidi: ALSA and JACK on Linux, Core MIDI on macOS, Windows MM."""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from typing import Any

import rtmidi

from companion.ports.lister import libjacks
from companion.ports.names import Found, cannot_open, just_vanished, seen
from companion.ports.polling import Packet, Poller

__all__ = ["RtConnection", "connect"]

#: Messages that rtmidi holds while Python is kept from reading: 8 s of a flood of 1,000 a second.
_QUEUE_SIZE = 8192
_APIS = {
    "ALSA": rtmidi.API_LINUX_ALSA,
    "JACK": rtmidi.API_UNIX_JACK,
    "Core MIDI": rtmidi.API_MACOSX_CORE,
    "Windows": rtmidi.API_WINDOWS_MM,
}


def connect(port: Found, accept: Callable[[bytes, int], None]) -> RtConnection:
    """Open `port`; `accept` is called in a thread with each packet and its stamp.

    Raises
    ------
    PortError
        Where the port is gone or busy.
    """
    return RtConnection(port, accept)


class RtConnection:
    """One open port and the thread that reads it."""

    def __init__(self, port: Found, accept: Callable[[bytes, int], None]) -> None:
        _quiet_libjack()
        self._driver_s = 0.0
        self._input: Any = None
        try:
            midi_in = rtmidi.MidiIn(_APIS[port.api], name="companion", queue_size_limit=_QUEUE_SIZE)
            # Clock and active sensing are let through to here: JACK's times lose the share of what rtmidi leaves out.
            # System exclusive ones may tell which keys of a horn are held.
            midi_in.ignore_types(sysex=False, timing=False, active_sense=False)
            midi_in.open_port(_index(midi_in.get_ports(), port), name="in")
        except (rtmidi.RtMidiError, RuntimeError, ValueError) as error:
            raise cannot_open(port, error) from error
        self._input = midi_in
        self._poller = Poller(self._read, accept)

    def _read(self) -> list[Packet]:
        packets = []
        while (message := self._input.get_message()) is not None:
            self._driver_s += message[1]  # rtmidi tells the time since the message before
            packets.append((bytes(message[0]), self._driver_s))
        return packets

    @property
    def broken(self) -> bool:
        """Always False: rtmidi tells nobody that a device vanished."""
        return self._poller.broken

    def close(self) -> None:
        """Close the port; twice does no harm."""
        self._poller.close()
        if self._input is not None:
            self._input.close_port()
            self._input.delete()
            self._input = None


def _index(raw_names: list[str], port: Found) -> int:
    for index, now in enumerate(seen(raw_names, port.api)):
        if now.key == port.key:
            return index
    raise just_vanished(port)


def _quiet_libjack() -> None:
    """Keep libjack from writing on standard error when its server dies.

    The handler is a C function without effects (`strlen`): libjack calls it from its own threads, also while the
    interpreter is being torn down, when a Python function would not be safe.
    """
    for library in libjacks():
        handler = ctypes.cast(ctypes.CDLL(None).strlen, ctypes.c_void_p)
        library.jack_set_error_function(handler)
        library.jack_set_info_function(handler)
