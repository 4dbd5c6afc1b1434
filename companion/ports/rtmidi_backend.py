"""MIDI through python-rtmidi: ALSA and JACK on Linux, Core MIDI on macOS, Windows MM."""

from __future__ import annotations

import ctypes
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import rtmidi

from companion.errors import PortError
from companion.ports.names import Found, seen

__all__ = ["RtConnection", "RtLister", "connect", "make_lister"]

_CLIENT = "companion"
_ALSA_SEQUENCER = Path("/dev/snd/seq")
_APIS = {
    rtmidi.API_LINUX_ALSA: "ALSA",
    rtmidi.API_UNIX_JACK: "JACK",
    rtmidi.API_MACOSX_CORE: "Core MIDI",
    rtmidi.API_WINDOWS_MM: "Windows",
}


def make_lister() -> RtLister:
    """A lister over every API that is compiled in."""
    return RtLister()


def connect(port: Found, accept: Callable[[bytes], None]) -> RtConnection:
    """Open `port`; `accept` is called in rtmidi's thread. Raises `PortError` where it is gone or busy."""
    return RtConnection(port, accept)


class RtLister:
    """Keeps one rtmidi object an API, so that a look costs well under a millisecond.

    An API whose sound system isn't there is asked again at the next look.
    """

    def __init__(self) -> None:
        self._inputs: dict[int, Any] = {}

    def ports(self) -> tuple[Found, ...]:
        """All inputs now, API by API."""
        found: list[Found] = []
        for code in _available():
            found.extend(seen(self._names(code), _APIS[code]))
        return tuple(found)

    def _names(self, code: int) -> list[str]:
        names, doubtful = self._look(code)
        if doubtful:
            # After its server died, a JACK client goes on telling the old ports: only a new client knows.
            self._forget(code)
            names, _ = self._look(code)
        return names

    def _look(self, code: int) -> tuple[list[str], bool]:
        try:
            if code not in self._inputs:
                self._inputs[code] = rtmidi.MidiIn(code, name=f"{_CLIENT} list")
            with _JACK.listening() as complaints:
                names = list(self._inputs[code].get_ports())
        except (rtmidi.RtMidiError, RuntimeError, UnicodeDecodeError):
            self._forget(code)
            return [], False
        return names, code == rtmidi.API_UNIX_JACK and bool(complaints)

    def _forget(self, code: int) -> None:
        if (held := self._inputs.pop(code, None)) is not None:
            held.delete()

    def close(self) -> None:
        """Give the rtmidi objects back."""
        for code in list(self._inputs):
            self._forget(code)


class RtConnection:
    """One open port. The callback runs in rtmidi's own thread and hands the bytes on at once."""

    #: rtmidi tells nobody that a device vanished
    broken = False

    def __init__(self, port: Found, accept: Callable[[bytes], None]) -> None:
        code = next(code for code, api in _APIS.items() if api == port.api)
        self._accept = accept
        self._input: Any = None
        try:
            midi_in = rtmidi.MidiIn(code, name=_CLIENT, queue_size_limit=1)
            midi_in.ignore_types(sysex=True, timing=True, active_sense=True)
            midi_in.set_callback(self._heard)
            midi_in.open_port(_index(midi_in, port), name="in")
        except (rtmidi.RtMidiError, RuntimeError, ValueError) as error:
            raise PortError(
                f"MIDI port {port.name!r} can't be opened ({error}): is another program using it?"
            ) from error
        self._input = midi_in

    def _heard(self, event: tuple[list[int], float], _data: object = None) -> None:
        self._accept(bytes(event[0]))

    def close(self) -> None:
        """Close the port; twice does no harm."""
        if self._input is not None:
            self._input.cancel_callback()
            self._input.close_port()
            self._input.delete()
            self._input = None


def _index(midi_in: Any, port: Found) -> int:
    places = [i for i, now in enumerate(seen(midi_in.get_ports(), port.api)) if now.key == port.key]
    if not places:
        raise PortError(
            f"MIDI port {port.name!r} has just vanished: plug it in again; `companion ports` lists those there are"
        )
    return places[0]


def _available() -> list[int]:
    compiled = [code for code in rtmidi.get_compiled_api() if code in _APIS]
    if sys.platform.startswith("linux") and not os.access(_ALSA_SEQUENCER, os.R_OK | os.W_OK):
        # Asking libasound would print its complaint on standard error.
        compiled = [code for code in compiled if code != rtmidi.API_LINUX_ALSA]
    return compiled


class _Libjack:
    """libjack writes what it can't do on standard error, whoever asked. Here it is told to be quiet.

    The resting handler is a C function without effects (`strlen`): libjack calls it from its own threads, also while
    the interpreter is being torn down, when a Python function would not be safe.
    """

    _HANDLER = ctypes.CFUNCTYPE(None, ctypes.c_char_p)

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._libraries = [ctypes.CDLL(path) for path in _loaded_libraries("libjack")]
        if self._libraries:
            self._quiet = ctypes.cast(ctypes.CDLL(None).strlen, self._HANDLER)
            self._set_error_handler(self._quiet)
            for library in self._libraries:
                library.jack_set_info_function(self._quiet)

    def _set_error_handler(self, handler: object) -> None:
        for library in self._libraries:
            library.jack_set_error_function(handler)

    @contextmanager
    def listening(self) -> Iterator[list[str]]:
        """Collects libjack's complaints meanwhile."""
        complaints: list[str] = []
        if not self._libraries:
            yield complaints
            return
        handler = self._HANDLER(lambda text: complaints.append((text or b"").decode(errors="replace")))
        with self._lock:
            self._set_error_handler(handler)
            try:
                yield complaints
            finally:
                self._set_error_handler(self._quiet)


def _loaded_libraries(stem: str) -> list[str]:
    """Paths of the shared libraries of this process whose file name starts so (Linux; elsewhere none)."""
    try:
        lines = Path("/proc/self/maps").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []
    paths = {line.split(maxsplit=5)[5] for line in lines if len(line.split(maxsplit=5)) == 6}
    return sorted(path for path in paths if Path(path).name.startswith(stem) and Path(path).exists())


_JACK = _Libjack()
