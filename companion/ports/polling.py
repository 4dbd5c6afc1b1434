"""Reading a driver's queue in a thread, with stamps that don't depend on when Python was let in.

Why not a callback: the driver's thread would have to wait for Python's lock. In JACK that thread belongs to the audio
graph, which then stands still; and opening a second client holds the lock while it waits for the graph, so that both
wait until JACK gives up after a second and loses what was played. The driver's own queue needs no lock, and the times
in it are those of arrival even where this thread comes late.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence

from companion.units import ns_from_s

__all__ = ["PERIOD_S", "Poller", "StampClock"]

PERIOD_S = 0.0015

#: A packet and the driver's own time of it in seconds, from any zero.
Packet = tuple[bytes, float]


class StampClock:
    """Puts a driver's times on our clock.

    Each packet came after the last moment at which the queue was seen empty and before it was read. The driver's times
    are shifted as little as keeps every stamp between the two: so the drift of the two clocks and jumps in the driver's
    times (a first packet, one that it swallowed) never cost more than the time between two looks.
    """

    def __init__(self) -> None:
        self._shift_ns: int | None = None

    def stamp_ns(self, driver_s: float, empty_ns: int, read_ns: int) -> int:
        """Our time of a packet with the driver's time `driver_s`, read at `read_ns`, the queue empty at `empty_ns`."""
        driver_ns = ns_from_s(driver_s)
        if self._shift_ns is None:
            self._shift_ns = read_ns - driver_ns
        stamp_ns = min(max(driver_ns + self._shift_ns, empty_ns), read_ns)
        self._shift_ns = stamp_ns - driver_ns
        return stamp_ns


class Poller:
    """Calls `read` about every 1.5 ms until closed or until it raises, and hands on what it returned.

    Parameters
    ----------
    read
        Returns what is queued, oldest first; raises an `OSError` where the device is gone.
    accept
        Called with (bytes of a packet, ns of the monotonic clock), in this object's thread.
    """

    def __init__(
        self,
        read: Callable[[], Sequence[Packet]],
        accept: Callable[[bytes, int], None],
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self.broken = False
        self._read, self._accept, self._now_ns = read, accept, now_ns
        self._clock = StampClock()
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._run, name="midi in", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        empty_ns = self._now_ns()
        last_ns = empty_ns
        while not self._done.is_set():
            began_ns = self._now_ns()
            try:
                packets = self._read()
            except OSError:
                self.broken = True
                return
            read_ns = self._now_ns()
            for packet, driver_s in packets:
                last_ns = self._clock.stamp_ns(driver_s, max(empty_ns, last_ns), read_ns)
                self._accept(packet, last_ns)
            empty_ns = began_ns
            time.sleep(PERIOD_S)

    def close(self) -> None:
        """End the thread; twice does no harm."""
        self._done.set()
        if self._thread is not threading.current_thread():
            self._thread.join(timeout=2)
