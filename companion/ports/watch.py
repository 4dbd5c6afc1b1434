"""Devices that come and go."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from types import TracebackType

from companion.errors import PortError
from companion.ports.backends import Backend, Lister, load_backend
from companion.ports.model import PortName
from companion.ports.names import Found, numbered

__all__ = ["PortWatch"]

PERIOD_S = 0.5


class PortWatch:
    """Looks at the ports about twice a second in a thread of its own, with its own objects: the frame never waits.

    The ports that are there at the start are `ports()`, not changes. `changes()` is drained by one reader; open ports
    listen through `subscribe`.
    """

    def __init__(self, period_s: float = PERIOD_S, backend: Backend | None = None) -> None:
        self._period_s = period_s
        self._backend = backend
        self._lock = threading.Lock()
        self._looked = threading.Event()
        self._done = threading.Event()
        self._found: tuple[Found, ...] = ()
        self._appeared: list[PortName] = []
        self._vanished: list[PortName] = []
        self._listeners: list[Callable[[tuple[Found, ...]], None]] = []
        self.looks = 0
        self.slowest_look_s = 0.0
        self._thread = threading.Thread(target=self._run, name="port watch", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            lister = (self._backend or load_backend()).make_lister()
        except PortError:
            self._looked.set()
            return
        try:
            self._look(lister, first=True)
            while not self._done.wait(self._period_s):
                self._look(lister)
        finally:
            lister.close()

    def _look(self, lister: Lister, *, first: bool = False) -> None:
        began_s = time.perf_counter()
        found = numbered(lister.ports())
        self.looks += 1
        self.slowest_look_s = max(self.slowest_look_s, 0.0 if first else time.perf_counter() - began_s)
        with self._lock:
            before, self._found = self._found, found
            if not first:
                self._note(before, found)
            listeners = list(self._listeners)
        self._looked.set()
        for listener in listeners:
            listener(found)

    def _note(self, before: tuple[Found, ...], found: tuple[Found, ...]) -> None:
        old, new = {port.key for port in before}, {port.key for port in found}
        self._appeared += [port.port_name for port in found if port.key not in old]
        self._vanished += [port.port_name for port in before if port.key not in new]

    def ports(self, timeout_s: float = 2.0) -> tuple[PortName, ...]:
        """The ports at the last look; waits only for the very first one."""
        self._looked.wait(timeout_s)
        with self._lock:
            return tuple(port.port_name for port in self._found)

    def changes(self) -> tuple[tuple[PortName, ...], tuple[PortName, ...]]:
        """(appeared, vanished) since the last call."""
        with self._lock:
            changes = tuple(self._appeared), tuple(self._vanished)
            self._appeared.clear()
            self._vanished.clear()
        return changes

    def subscribe(self, listener: Callable[[tuple[Found, ...]], None]) -> Callable[[], None]:
        """Call `listener` in the watch's thread with what each look found; returns the function that ends it."""
        with self._lock:
            self._listeners.append(listener)

        def leave() -> None:
            with self._lock:
                if listener in self._listeners:
                    self._listeners.remove(listener)

        return leave

    def close(self) -> None:
        """End the thread; twice does no harm."""
        self._done.set()
        if self._thread is not threading.current_thread():
            self._thread.join(timeout=3)

    def __enter__(self) -> PortWatch:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
