"""Reading a driver's queue in a thread, with stamps that don't depend on when Python was let in.

Why not a callback: the driver's thread would have to wait for Python's lock. In JACK that thread belongs to the audio
graph, which then stands still; and opening a second client holds the lock while it waits for the graph, so that both
wait until JACK gives up after a second and loses what was played. The driver's own queue needs no lock, and the times
in it are those of arrival even where this thread comes late.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence

from companion.units import NS_PER_MS, NS_PER_S, ns_from_s

__all__ = ["PERIOD_S", "Poller", "StampClock"]

PERIOD_S = 0.0015

#: A packet and the driver's own time of it in seconds, from any zero.
Packet = tuple[bytes, float]


class StampClock:
    """Puts a driver's times on our clock.

    A packet is read some time after it came, at best at once: the smallest difference of the last seconds between
    reading time and driver's time is that of the two clocks. The window lets it follow where they drift apart. No stamp
    lies after the reading or before the last moment at which the queue was empty; where a driver's time says otherwise,
    it jumped, and the difference is taken anew.
    """

    WINDOW_NS = 3 * NS_PER_S
    JUMP_NS = NS_PER_MS

    def __init__(self) -> None:
        # (read_ns, difference), differences rising: the first is the smallest of the window
        self._differences: deque[tuple[int, int]] = deque()

    def stamp_ns(self, driver_s: float, empty_ns: int, read_ns: int) -> int:
        """Our time of a packet with the driver's time `driver_s`, read at `read_ns`, the queue empty at `empty_ns`."""
        driver_ns = ns_from_s(driver_s)
        self._add(read_ns, read_ns - driver_ns)
        stamp_ns = driver_ns + self._differences[0][1]
        if stamp_ns < empty_ns - self.JUMP_NS:
            self._differences.clear()
            self._add(read_ns, read_ns - driver_ns)
            stamp_ns = read_ns
        return max(stamp_ns, empty_ns)

    def _add(self, read_ns: int, difference_ns: int) -> None:
        while self._differences and self._differences[0][0] < read_ns - self.WINDOW_NS:
            self._differences.popleft()
        while self._differences and self._differences[-1][1] >= difference_ns:
            self._differences.pop()
        self._differences.append((read_ns, difference_ns))


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
        now_ns: Callable[[], int] = time.perf_counter_ns,
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
