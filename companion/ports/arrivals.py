"""The queue between a driver's thread and the window's frame: stamped on arrival, bounded, never blocking."""

from __future__ import annotations

import time
from collections.abc import Callable
from queue import SimpleQueue

from companion.ports.messages import is_note
from companion.practice.model import RawEvent

__all__ = ["Arrivals"]

#: Breath and bend at 1,000 a second fill this in 20 s when nobody drains (a menu is open); later ones are dropped.
CONTROLLER_LIMIT = 20_000
#: Notes may fill the queue further; a key held down by a stuck device can't.
NOTE_LIMIT = 40_000


class Arrivals:
    """`accept` may be called from any one thread, `drain` from another.

    Clock, active sensing and the other realtime messages, system common and system exclusive are no part of playing and
    are left out here also where the driver lets them through.
    """

    def __init__(self, now_ns: Callable[[], int] = time.monotonic_ns) -> None:
        self._now_ns = now_ns
        self._queue: SimpleQueue[RawEvent] = SimpleQueue()
        self.dropped = 0

    def accept(self, message: bytes) -> None:
        """Stamp and queue one whole message."""
        stamp_ns = self._now_ns()
        if not message or not 0x80 <= message[0] < 0xF0:
            return
        if self._queue.qsize() >= (NOTE_LIMIT if is_note(message) else CONTROLLER_LIMIT):
            self.dropped += 1
            return
        self._queue.put(RawEvent(stamp_ns, message))

    def drain(self) -> list[RawEvent]:
        """All that had arrived when this was called (a flood can't hold the caller here)."""
        return [self._queue.get() for _ in range(self._queue.qsize())]
