"""Which MIDI library is used: one module a backend, chosen by what can be imported.

A backend module has `make_lister() -> Lister` and `connect(port, accept) -> Connection`. A new one is that module and
a line in `BACKENDS`.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from importlib import import_module
from typing import Protocol, cast

from companion.errors import PortError
from companion.ports.names import Found

__all__ = ["BACKENDS", "Backend", "Connection", "Lister", "load_backend"]

#: name for $COMPANION_MIDI_BACKEND -> module, in the order of preference
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


class Lister(Protocol):
    """Looks at the ports again and again, with its own objects. Used by one thread at a time."""

    def ports(self) -> tuple[Found, ...]:
        """All inputs now. A missing sound system is no error: it has no ports."""
        ...

    def close(self) -> None:
        """Give everything back."""
        ...


class Backend(Protocol):
    """What a backend module offers."""

    def make_lister(self) -> Lister:
        """A new lister."""
        ...

    def connect(self, port: Found, accept: Callable[[bytes], None]) -> Connection:
        """Open the port; `accept` is called with each whole message, from the driver's thread.

        Raises `PortError` where the port is gone or busy.
        """
        ...


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
    for candidate in [wanted] if wanted else BACKENDS:
        try:
            return cast(Backend, import_module(BACKENDS[candidate]))
        except ImportError as error:
            reason = error
    raise PortError(f"no MIDI library can be loaded ({reason}): try pip install python-rtmidi or pygame-ce")
