"""MIDI through PortMidi as pygame-ce brings it along: for Python versions without a python-rtmidi wheel.

PortMidi looks at the devices once, when it starts, and starting it anew would close what is open. So the looking is
done by a small process of its own, which starts PortMidi anew each time; this process starts it when a port is opened
and stops it when that is closed, so only one port can be open at a time.

Arrival times are those of a poll every 1.5 ms.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, cast

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")

from pygame import midi  # the import is the test for this backend; PortMidi itself starts later

from companion.errors import PortError
from companion.ports.names import Found, seen

__all__ = ["PmConnection", "PmLister", "connect", "make_lister"]

_POLL_S = 0.0015
_READ_AT_ONCE = 256
_API_NAMES = {"ALSA": "ALSA", "CoreMIDI": "Core MIDI", "MMSystem": "Windows"}
#: libasound inside the pygame wheel looks for its settings where it was built
_ALSA_SETTINGS = Path("/usr/share/alsa/alsa.conf")


def make_lister() -> PmLister:
    """A lister with its own process."""
    return PmLister()


def connect(port: Found, accept: Callable[[bytes], None]) -> PmConnection:
    """Open `port`; `accept` is called in the polling thread. Raises `PortError` where it is gone or busy."""
    return PmConnection(port, accept)


def inputs() -> list[tuple[int, str, str]]:
    """(device number, API, raw name) of every input, as PortMidi saw them when it started."""
    devices = [(number, midi.get_device_info(number)) for number in range(midi.get_count())]
    return [
        (number, _API_NAMES.get(_text(info[0]), _text(info[0])), _text(info[1]))
        for number, info in devices
        if info is not None and info[2]
    ]


def start_portmidi() -> None:
    """Start PortMidi, quietly where there is no sequencer to talk to."""
    if sys.platform.startswith("linux") and _ALSA_SETTINGS.exists():
        os.environ.setdefault("ALSA_CONFIG_PATH", str(_ALSA_SETTINGS))
    midi.init()


def stop_portmidi() -> None:
    """Stop PortMidi: the next start sees the devices of that moment."""
    midi.quit()


class PmLister:
    """Asks `portmidi_lister` for one line a look."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None

    def ports(self) -> tuple[Found, ...]:
        """All inputs now; none where the process can't be run."""
        try:
            if self._process is None or self._process.poll() is not None:
                self.close()
                self._process = _start_lister()
            assert self._process.stdin is not None and self._process.stdout is not None
            self._process.stdin.write("look\n")
            self._process.stdin.flush()
            listed = json.loads(self._process.stdout.readline() or "[]")
        except (OSError, ValueError):
            self.close()
            return ()
        return found_from((api, raw) for api, raw in listed)

    def close(self) -> None:
        """End the process: it stops when its input does."""
        if self._process is not None:
            for pipe in (self._process.stdin, self._process.stdout):
                if pipe is not None:
                    pipe.close()
            try:
                self._process.wait(timeout=2)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
            self._process = None


def found_from(listed: Any) -> tuple[Found, ...]:
    """`Found` ports from (API, raw name) pairs, API by API."""
    by_api: dict[str, list[str]] = {}
    for api, raw in listed:
        by_api.setdefault(api, []).append(raw)
    return tuple(port for api, names in by_api.items() for port in seen(names, api))


class PmConnection:
    """One open port and the thread that polls it."""

    def __init__(self, port: Found, accept: Callable[[bytes], None]) -> None:
        self.broken = False
        self._accept = accept
        self._done = threading.Event()
        start_portmidi()
        try:
            self._input = midi.Input(_device_number(port), 4096)
        except midi.MidiException as error:
            raise PortError(
                f"MIDI port {port.name!r} can't be opened ({error}): is another program using it?"
            ) from error
        self._thread = threading.Thread(target=self._poll, name="portmidi", daemon=True)
        self._thread.start()

    def _poll(self) -> None:
        while not self._done.wait(_POLL_S):
            try:
                arrived = self._input.read(_READ_AT_ONCE) if self._input.poll() else []
            except (midi.MidiException, RuntimeError):
                self.broken = True
                return
            for data, _driver_ms in arrived:
                self._accept(whole_message(cast(list[int], data)))

    def close(self) -> None:
        """Stop polling and close the port; twice does no harm."""
        if not self._done.is_set():
            self._done.set()
            self._thread.join(timeout=1)
            self._input.close()
            stop_portmidi()


def whole_message(data: Sequence[int]) -> bytes:
    """PortMidi pads every message to four bytes: cut it to its own length."""
    status = data[0]
    if status >= 0xF0:
        return bytes(data[:1])
    return bytes(data[: 2 if status & 0xF0 in (0xC0, 0xD0) else 3])


def _device_number(port: Found) -> int:
    numbers = [number for number, api, _raw in inputs() if api == port.api]
    there = found_from((api, raw) for _number, api, raw in inputs() if api == port.api)
    for number, now in zip(numbers, there, strict=True):
        if now.key == port.key:
            return number
    raise PortError(
        f"MIDI port {port.name!r} has just vanished: plug it in again; `companion ports` lists those there are"
    )


def _start_lister() -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "companion.ports.portmidi_lister"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        encoding="utf-8",
    )


def _text(raw: bytes | str) -> str:
    return raw if isinstance(raw, str) else raw.decode("utf-8", errors="replace")
