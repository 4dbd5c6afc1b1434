"""An open MIDI device: what was played, whether it is still there, and how it comes back."""

from __future__ import annotations

from companion.errors import PortError
from companion.ports.arrivals import Arrivals
from companion.ports.backends import Backend, Connection, load_backend
from companion.ports.model import PortName
from companion.ports.names import Found, choose
from companion.ports.watch import PortWatch
from companion.practice.model import RawEvent

__all__ = ["DevicePort"]


class DevicePort:
    """An `InPort` on a real device.

    Parameters
    ----------
    wanted
        The port's name, or a part that no other port's name has.
    watch
        The `PortWatch` that tells when the device vanishes; without one, the port brings its own.

    Raises
    ------
    PortError
        Where no port or several fit, or the device is busy.
    """

    def __init__(self, wanted: str, *, watch: PortWatch | None = None, backend: Backend | None = None) -> None:
        self._backend = backend or load_backend()
        self._arrivals = Arrivals()
        self._absent = 0
        self._gone = False
        self._connection: Connection | None = None
        self._own_watch = PortWatch() if watch is None else None
        self._watch = self._own_watch or watch
        assert self._watch is not None
        try:
            self._connect(wanted)
        except PortError:
            if self._own_watch is not None:
                self._own_watch.close()
            raise
        self._leave_watch = self._watch.subscribe(self._look)

    def _connect(self, wanted: str) -> None:
        assert self._watch is not None
        found = choose(wanted, self._watch.look())
        if self._connection is not None:
            self._connection.close()
            self._connection = None
        self._connection = self._backend.connect(found, self._arrivals.accept)
        self._found, self.name = found, found.name
        self._absent = 0
        self._gone = False

    def _look(self, found: tuple[Found, ...]) -> None:
        # Twice: a look that began before `reopen` may end after it.
        self._absent = 0 if self._found.key in {port.key for port in found} else self._absent + 1
        if self._absent >= 2:
            self._gone = True

    @property
    def port_name(self) -> PortName:
        """Name and API."""
        return self._found.port_name

    @property
    def alive(self) -> bool:
        """False from the moment the device was seen to be gone until `reopen` succeeds."""
        return self._connection is not None and not self._gone and not self._connection.broken

    @property
    def dropped(self) -> int:
        """Messages thrown away because nobody drained the queue for a long while."""
        return self._arrivals.dropped

    def drain(self) -> list[RawEvent]:
        """All events since the last call, also those that came before the device vanished."""
        return self._arrivals.drain()

    def reopen(self) -> None:
        """Connect again after the device returned, under whatever number; events still queued are kept.

        Raises
        ------
        PortError
            Where it hasn't returned yet: try again later.
        """
        self._connect(self.name)

    def close(self) -> None:
        """Give the device back; twice does no harm."""
        self._leave_watch()
        if self._own_watch is not None:
            self._own_watch.close()
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def __repr__(self) -> str:
        return f"<DevicePort {self.name!r} ({self._found.api}) {'alive' if self.alive else 'gone'}>"
