"""The queue between the thread that reads a driver and the window's frame: bounded, never blocking."""

from __future__ import annotations

from queue import SimpleQueue

from companion.ports.messages import Splitter, is_note
from companion.practice.model import RawEvent
from companion.practice.pressed import is_key_message

__all__ = ["Arrivals"]

_FIRST_SYSTEM = 0xF0
#: Breath and bend at 1,000 a second fill this in 20 s when nobody drains (a menu is open); later ones are dropped.
CONTROLLER_LIMIT = 20_000
#: Notes may fill the queue further; a key held down by a stuck device can't.
NOTE_LIMIT = 40_000


class Arrivals:
    """`accept` may be called from any one thread, `drain` from another.

    Clock, active sensing and the other realtime messages, system common and system exclusive are no part of playing and
    are left out here, all but those that tell which keys of a horn are held.
    """

    def __init__(self) -> None:
        self._queue: SimpleQueue[RawEvent] = SimpleQueue()
        self._splitter = Splitter()
        self.dropped = 0

    def accept(self, packet: bytes, stamp_ns: int) -> None:
        """Queue what a driver hands out at once: mostly one whole message.

        JACK passes on what a client wrote, so that running status and several messages in one packet do occur.
        """
        for message in self._splitter.feed(packet):
            if message[0] < _FIRST_SYSTEM or is_key_message(message):
                self._put(RawEvent(stamp_ns, message))

    def _put(self, event: RawEvent) -> None:
        if self._queue.qsize() >= (NOTE_LIMIT if is_note(event.message) else CONTROLLER_LIMIT):
            self.dropped += 1
        else:
            self._queue.put(event)

    def drain(self) -> list[RawEvent]:
        """All that had arrived when this was called (a flood can't hold the caller here)."""
        return [self._queue.get() for _ in range(self._queue.qsize())]
