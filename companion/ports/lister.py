"""A process of its own that looks at the MIDI inputs: each line on its input is answered with one JSON line of
[API, raw name] pairs.

Run by its path as `lister.py rtmidi` or `lister.py portmidi`; it imports nothing of ours, to be small and quick.
Why a process: looking through JACK holds Python's lock for 20 ms when a client is made and can bring the process down
after its server died; PortMidi sees new devices only when it is started anew, which would close the open ones; and what
the sound systems print on standard error ends here.
"""

from __future__ import annotations

import ctypes
import json
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

Pairs = list[tuple[str, str]]

ALSA_SEQUENCER = Path("/dev/snd/seq")
#: libasound inside the pygame wheel looks for its settings where it was built.
ALSA_SETTINGS = Path("/usr/share/alsa/alsa.conf")


class RtmidiLook:
    """Keeps one rtmidi object an API; a sound system that isn't there is asked again at the next look."""

    def __init__(self) -> None:
        import rtmidi

        self._rtmidi = rtmidi
        self._inputs: dict[int, Any] = {}
        self._apis = {
            rtmidi.API_LINUX_ALSA: "ALSA",
            rtmidi.API_UNIX_JACK: "JACK",
            rtmidi.API_MACOSX_CORE: "Core MIDI",
            rtmidi.API_WINDOWS_MM: "Windows",
        }
        self._complaints: list[bytes] = []
        self._handler = ctypes.CFUNCTYPE(None, ctypes.c_char_p)(self._complained)
        for library in libjacks():
            library.jack_set_error_function(self._handler)

    def _complained(self, text: bytes | None) -> None:
        self._complaints.append(text or b"")

    def __call__(self) -> Pairs:
        """All inputs now."""
        if self._complaints:
            # After its server died, a JACK client goes on telling the old ports: only a new one knows.
            self._complaints.clear()
            self._forget(self._rtmidi.API_UNIX_JACK)
        return [
            (self._apis[code], name)
            for code in self._rtmidi.get_compiled_api()
            if code in self._apis and (code != self._rtmidi.API_LINUX_ALSA or os.access(ALSA_SEQUENCER, os.R_OK))
            for name in self._names(code)
        ]

    def _names(self, code: int) -> list[str]:
        try:
            if code not in self._inputs:
                self._inputs[code] = self._rtmidi.MidiIn(code, name="companion list")
                self._complaints.clear()
            return list(self._inputs[code].get_ports())
        except (self._rtmidi.RtMidiError, RuntimeError, UnicodeDecodeError):
            self._forget(code)
            return []

    def _forget(self, code: int) -> None:
        if (held := self._inputs.pop(code, None)) is not None:
            held.delete()


def libjacks() -> list[ctypes.CDLL]:
    """The libjack that python-rtmidi has loaded (Linux; elsewhere none)."""
    try:
        lines = Path("/proc/self/maps").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []
    paths = {line.split(maxsplit=5)[5] for line in lines if "/libjack" in line}
    return [ctypes.CDLL(path) for path in sorted(paths)]


class PortmidiLook:
    """Starts PortMidi anew for each look."""

    _APIS = {"CoreMIDI": "Core MIDI", "MMSystem": "Windows"}  # noqa: RUF012

    def __init__(self) -> None:
        os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
        if sys.platform.startswith("linux") and ALSA_SETTINGS.exists():
            os.environ.setdefault("ALSA_CONFIG_PATH", str(ALSA_SETTINGS))
        from pygame import midi

        self.midi = midi

    def __call__(self) -> Pairs:
        """All inputs now."""
        self.midi.init()
        pairs = [pair for _number, pair in self.inputs()]
        self.midi.quit()
        return pairs

    def inputs(self) -> list[tuple[int, tuple[str, str]]]:
        """Device number and (API, raw name) of each input that PortMidi saw when it started."""
        found = []
        for number in range(self.midi.get_count()):
            info = self.midi.get_device_info(number)
            if info is not None and info[2]:
                api, name = _text(info[0]), _text(info[1])
                found.append((number, (self._APIS.get(api, api), name)))
        return found


def _text(raw: bytes | str) -> str:
    return raw if isinstance(raw, str) else raw.decode("utf-8", errors="replace")


LOOKS: dict[str, Callable[[], Callable[[], Pairs]]] = {"rtmidi": RtmidiLook, "portmidi": PortmidiLook}


def main() -> None:
    """Answer until the input ends."""
    # Ctrl-C is for the program that asks; this one ends when its input does.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    look = LOOKS[sys.argv[1]]()
    for _line in sys.stdin:
        print(json.dumps(look()), flush=True)


if __name__ == "__main__":
    main()
