"""What the rest of the house sees of a port."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from companion.practice.model import RawEvent

__all__ = ["InPort", "PortName"]


@dataclass(frozen=True, slots=True)
class PortName:
    """A port that can be chosen: `name` is what `--port` takes, `api` the system it comes from (`ALSA`, `JACK`)."""

    name: str
    api: str


class InPort(Protocol):
    """An open source of MIDI events. Events are stamped on arrival and queued; nothing blocks.

    The one clock of all live times is `time.perf_counter_ns`. On Linux and macOS it is the monotonic clock itself; on
    Windows before Python 3.13 `time.monotonic_ns` only moves every 16 ms (from memory), more than a take is judged by.
    """

    name: str

    def drain(self) -> list[RawEvent]:
        """All events since the last call, in order of arrival."""
        ...

    @property
    def alive(self) -> bool:
        """False once the device has vanished."""
        ...

    def close(self) -> None:
        """Give the port back; twice does no harm."""
        ...
