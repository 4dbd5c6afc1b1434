"""The simulated player as a port: `sim:LEVEL:SEED`.

It makes stamps and never sleeps: a take is worked out when it starts, and `drain` hands out what is due by the clock
that was given, the real one or one that a test moves.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from companion.charts.model import Chart
from companion.errors import PortError
from companion.passage import Passage
from companion.planning.model import Plan
from companion.ports.performer import LEVELS, perform
from companion.practice.model import RawEvent
from companion.units import ns_from_s

__all__ = ["SimSpec", "SimulatedPort", "is_sim", "parse_sim"]

_PREFIX = "sim:"
_USUAL_SEED = 1


@dataclass(frozen=True, slots=True)
class SimSpec:
    """Which simulated player: a level of `companion.ports.performer.LEVELS` and a seed."""

    level: str
    seed: int

    @property
    def name(self) -> str:
        """The port's name in full."""
        return f"{_PREFIX}{self.level}:{self.seed}"


def is_sim(name: str) -> bool:
    """Whether a port's name means the simulated player."""
    return name.strip().lower() == "sim" or name.strip().lower().startswith(_PREFIX)


def parse_sim(name: str) -> SimSpec:
    """Level and seed of `sim:LEVEL:SEED`; the seed may be left out.

    Raises
    ------
    PortError
        Where it is written otherwise.

    Examples
    --------
    >>> parse_sim("sim:student:7")
    SimSpec(level='student', seed=7)
    """
    parts = name.strip().lower().split(":")
    hint = "write sim:LEVEL:SEED, such as sim:student:7"
    if parts[0] != "sim" or not 2 <= len(parts) <= 3:
        raise PortError(f"simulated player {name!r} not understood: {hint}")
    if parts[1] not in LEVELS:
        raise PortError(f"simulated player {name!r}: no level {parts[1]!r}, there is {', '.join(LEVELS)}; {hint}")
    if len(parts) == 2:
        return SimSpec(parts[1], _USUAL_SEED)
    if not (parts[2].isascii() and parts[2].isdigit() and len(parts[2]) <= 9):
        raise PortError(f"simulated player {name!r}: the seed {parts[2]!r} must be a whole number from 0 up; {hint}")
    return SimSpec(parts[1], int(parts[2]))


class SimulatedPort:
    """An `InPort` that plays when asked to.

    Parameters
    ----------
    now_ns
        The clock that `start_ns` and the stamps belong to.
    shift_semitones
        As in `perform`: what has to be added to the numbers it sends to get written pitch.
    """

    def __init__(
        self, spec: SimSpec, now_ns: Callable[[], int] = time.perf_counter_ns, shift_semitones: int = 0
    ) -> None:
        self.spec = spec
        self.name = spec.name
        self.takes = 0
        self._now_ns = now_ns
        self._shift_semitones = shift_semitones
        self._due: list[RawEvent] = []  # latest first, so that the next one is popped from the end
        self._kept: list[RawEvent] = []
        self._held: dict[int, int] = {}
        self._plugged = True
        self._closed = False

    def play(
        self, passage: Passage, tempo_bpm: float, start_ns: int, plan: Plan | None = None, chart: Chart | None = None
    ) -> int:
        """Play a take whose beat 0 is at `start_ns`; what was left of the one before is not played.

        Returns
        -------
        int
            The clock time of the take's last event, `start_ns` where there is none.
        """
        self.stop()
        performed = perform(
            passage, tempo_bpm, self.spec.level, self.spec.seed, self.takes, self._shift_semitones, plan, chart=chart
        )
        self.takes += 1
        self._due = [RawEvent(start_ns + ns_from_s(time_s), message) for time_s, message in reversed(performed)]
        return self._due[0].time_ns if self._due else start_ns

    @property
    def playing(self) -> bool:
        """Whether events of the take are still to come."""
        return bool(self._due)

    def stop(self) -> None:
        """Leave off: what is due by now stays to be drained, sounding notes end now."""
        self._gather()
        self._due.clear()
        now_ns = self._now_ns()
        self._kept += [RawEvent(now_ns, bytes((0x80 | channel, note, 0))) for note, channel in self._held.items()]
        self._held.clear()

    def _gather(self) -> None:
        now_ns = self._now_ns()
        while self._due and self._due[-1].time_ns <= now_ns:
            event = self._due.pop()
            if self._plugged:
                self._kept.append(event)
                self._remember(event.message)

    def _remember(self, message: bytes) -> None:
        kind, channel = message[0] & 0xF0, message[0] & 0x0F
        if kind == 0x90 and message[2]:
            self._held[message[1]] = channel
        elif kind in (0x80, 0x90):
            self._held.pop(message[1], None)

    def drain(self) -> list[RawEvent]:
        """What has become due since the last call."""
        if not self._closed:
            self._gather()
        drained, self._kept = self._kept, []
        return drained

    @property
    def alive(self) -> bool:
        """False while unplugged or closed."""
        return self._plugged and not self._closed

    def unplug(self) -> None:
        """Vanish as a device does: what was due is kept, the rest is lost, sounding notes get no note-off."""
        self._gather()
        self._plugged = False
        self._held.clear()

    def plug_in(self) -> None:
        """Be there again, for `reopen`."""
        self._plugged = True

    def reopen(self) -> None:
        """As a device does after it returned: here nothing more than being plugged in."""
        self.plug_in()

    def close(self) -> None:
        """Forget what was to come; twice does no harm."""
        self._closed = True
        self._due.clear()

    def __repr__(self) -> str:
        return f"<SimulatedPort {self.name} {'playing' if self.playing else 'silent'}>"
