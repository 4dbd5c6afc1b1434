"""Which MIDI library is used: one module a backend, chosen by what can be imported.

A backend module has `connect(port, accept) -> Connection`. A new one is that module, a line in `BACKENDS`, and a way to
look at its ports in `companion.ports.lister`.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from typing import Protocol

from companion.errors import PortError
from companion.ports.names import Found

__all__ = ["BACKENDS", "Backend", "Connection", "load_backend"]

#: name, also for $COMPANION_MIDI_BACKEND and the lister -> module, in the order of preference
BACKENDS = {
    "rtmidi": "companion.ports.rtmidi_backend",
    "portmidi": "companion.ports.portmidi_backend",
}
ENVIRONMENT = "COMPANION_MIDI_BACKEND"


class Connection(Protocol):
    """An open device."""

    @property
    def broken(self) -> bool:
        """True once the driver reported the device as gone (most report nothing; the watch sees it)."""
        ...

    def close(self) -> None:
        """Give the device back; twice does no harm."""
        ...


@dataclass(frozen=True, slots=True)
class Backend:
    """A library that can be used. `connect` raises `PortError` where the port is gone or busy."""

    name: str
    connect: Callable[[Found, Callable[[bytes, int], None]], Connection]


def load_backend(name: str | None = None) -> Backend:
    """The backend `name`, else the one in $COMPANION_MIDI_BACKEND, else the first whose library is installed.

    Raises
    ------
    PortError
        Where the name is unknown or no library is installed.
    """
    wanted = name or os.environ.get(ENVIRONMENT, "")
    if wanted and wanted not in BACKENDS:
        raise PortError(f"{ENVIRONMENT}={wanted}: no such MIDI backend; there is {', '.join(BACKENDS)}")
    reasons = []
    for candidate in [wanted] if wanted else BACKENDS:
        try:
            return Backend(candidate, import_module(BACKENDS[candidate]).connect)
        except ImportError as error:
            reasons.append(str(error))
    raise PortError(f"no MIDI library can be loaded ({'; '.join(reasons)}): try pip install python-rtmidi or pygame-ce")
