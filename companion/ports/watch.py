"""Devices that come and go."""

from __future__ import annotations

import threading
from collections.abc import Callable
from types import TracebackType

from companion.ports.backends import load_backend
from companion.ports.looking import Lister, PortLister
from companion.ports.model import PortName
from companion.ports.names import Found

__all__ = ["PERIOD_S", "PortWatch"]

PERIOD_S = 0.5
#: Longer than the first look needs on a slow machine (a process has to start).
PATIENCE_S = 5.0


class PortWatch:
    """Looks at the ports twice a second in a thread of its own, through a process of its own: the frame never waits.

    The ports that are there at the first look are no changes. `changes` is drained by one reader; open ports listen
    through `subscribe`.

    Parameters
    ----------
    lister
        Who looks, instead of the process of the backend that is in use.

    Raises
    ------
    PortError
        Where no MIDI library can be loaded.
    """

    def __init__(self, period_s: float = PERIOD_S, lister: PortLister | None = None) -> None:
        self._lister = lister or Lister(load_backend().name)
        self._period_s = period_s
        self._changed = threading.Condition()
        self._wake = threading.Event()
        self._done = False
        self._began = self._ended = 0
        self._found: tuple[Found, ...] = ()
        self._appeared: list[PortName] = []
        self._vanished: list[PortName] = []
        self._listeners: list[Callable[[tuple[Found, ...]], None]] = []
        self._thread = threading.Thread(target=self._run, name="port watch", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._done:
            self._wake.clear()
            with self._changed:
                self._began += 1
            self._take(self._lister.ports())
            self._wake.wait(self._period_s)

    def _take(self, found: tuple[Found, ...]) -> None:
        with self._changed:
            if self._ended:
                self._note(found)
            self._found = found
            listeners = list(self._listeners)
        for listener in listeners:
            listener(found)
        with self._changed:
            self._ended = self._began
            self._changed.notify_all()

    def _note(self, found: tuple[Found, ...]) -> None:
        old, new = {port.key for port in self._found}, {port.key for port in found}
        self._appeared += [port.port_name for port in found if port.key not in old]
        self._vanished += [port.port_name for port in self._found if port.key not in new]

    def ports(self) -> tuple[PortName, ...]:
        """The ports at the last look; waits for the very first one only."""
        with self._changed:
            self._changed.wait_for(lambda: self._ended > 0, PATIENCE_S)
            return tuple(port.port_name for port in self._found)

    def look(self) -> tuple[Found, ...]:
        """Look now: what is there, seen after this was called. Waits some ms for it, so not for within a frame."""
        with self._changed:
            wanted = self._began + 1
            self._wake.set()
            self._changed.wait_for(lambda: self._ended >= wanted, PATIENCE_S)
            return self._found

    def changes(self) -> tuple[tuple[PortName, ...], tuple[PortName, ...]]:
        """(appeared, vanished) since the last call."""
        with self._changed:
            changes = tuple(self._appeared), tuple(self._vanished)
            self._appeared.clear()
            self._vanished.clear()
        return changes

    def subscribe(self, listener: Callable[[tuple[Found, ...]], None]) -> Callable[[], None]:
        """Call `listener` in the watch's thread with what each look found; returns the function that ends it."""
        with self._changed:
            self._listeners.append(listener)

        def leave() -> None:
            with self._changed:
                if listener in self._listeners:
                    self._listeners.remove(listener)

        return leave

    def close(self) -> None:
        """End the thread and the process; twice does no harm."""
        self._done = True
        self._wake.set()
        if self._thread is not threading.current_thread():
            self._thread.join(timeout=1)
        self._lister.close()

    def __enter__(self) -> PortWatch:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
