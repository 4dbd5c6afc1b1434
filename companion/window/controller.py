"""What is played on: one port at most, the devices that come and go, and what is remembered of each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from companion.charts.model import Chart
from companion.ports import DevicePort, KeysPort, PortName, PortWatch, SimulatedPort, is_keys, is_sim, open_input
from companion.ports.memory import PortSettings, recall, remember
from companion.ports.names import is_system_port
from companion.practice.model import RawEvent

__all__ = ["NO_NEWS", "Controller", "News"]


@dataclass(frozen=True, slots=True)
class News:
    """What became of the devices since the last look: whether the one in use has just vanished, whether it can be
    opened again, and which others that can be played on have come."""

    vanished: bool = False
    back: bool = False
    others: tuple[PortName, ...] = ()


NO_NEWS = News()


class Controller:
    """The port in use, `port`, None where there is none.

    Parameters
    ----------
    now_ns
        The clock that the simulated player plays by, and that tells when a key's note speaks.
    chart
        The horn that the computer's keys stand for, asked when they are opened: it may change.
    settings
        The folder of what is remembered, where it is not the usual one.
    """

    def __init__(self, now_ns: Callable[[], int], chart: Callable[[], Chart], settings: Path | None) -> None:
        self._now_ns, self._chart, self._settings = now_ns, chart, settings
        self.memory = recall(settings)
        self.watch: PortWatch | None = None
        self.port: DevicePort | SimulatedPort | KeysPort | None = None
        self._was_there = True

    @property
    def name(self) -> str:
        """Name of the port in use, empty where there is none."""
        return self.port.name if self.port else ""

    @property
    def simulated(self) -> bool:
        """Whether the simulated player plays."""
        return isinstance(self.port, SimulatedPort)

    @property
    def keys(self) -> KeysPort | None:
        """The computer's keys, where they play."""
        return self.port if isinstance(self.port, KeysPort) else None

    @property
    def missing(self) -> bool:
        """True while the device in use is away."""
        return self.port is not None and not self.port.alive

    @property
    def settings(self) -> PortSettings:
        """What is remembered of the port in use."""
        return self.memory.settings_for(self.name)

    def watch_ports(self) -> None:
        """Begin to look for devices that come and go: not needed for the simulated player and the computer's keys.
        Raises `PortError` where no MIDI library can be loaded."""
        if self.watch is None:
            self.watch = PortWatch()

    def there(self) -> tuple[PortName, ...]:
        """The devices there are now."""
        self.watch_ports()
        return self.watch.ports() if self.watch else ()

    def take(self, name: str) -> None:
        """Open another port in place of the one in use, which stays where that fails. Raises `PortError`."""
        if not is_sim(name) and not is_keys(name):
            self.watch_ports()
        chart, settings = self._chart(), self._settings
        opened = open_input(name, watch=self.watch, now_ns=self._now_ns, chart=chart, settings=settings)
        if self.port is not None:
            self.port.close()
        self.port, self._was_there = opened, True

    def drain(self) -> list[RawEvent]:
        """What was played since the last call."""
        return self.port.drain() if self.port is not None else []

    def look(self) -> News:
        """What became of the devices; nothing where they are not watched and the port is there."""
        missing = self.missing
        if self.watch is None and not missing:
            self._was_there = True
            return NO_NEWS
        appeared, _ = self.watch.changes() if self.watch is not None else ((), ())
        vanished, self._was_there = missing and self._was_there, not missing
        own = self.name
        return News(
            vanished,
            back=missing and any(each.name == own for each in appeared),
            others=tuple(each for each in appeared if each.name != own and not is_system_port(each.name)),
        )

    def reopen(self) -> None:
        """Open the device anew that is back. Raises `PortError`."""
        if self.port is not None:
            self.port.reopen()

    def remember(self, shift_semitones: int, delay_ms: float) -> None:
        """Keep the port with its shift and delay for the next run; there is nothing to keep of the simulated player.
        Raises `PortError` where that can't be written."""
        if self.port is not None and not self.simulated:
            self.memory = remember(self.name, shift_semitones=shift_semitones, delay_ms=delay_ms, folder=self._settings)

    def close(self) -> None:
        """Give port and watch back."""
        if self.port is not None:
            self.port.close()
        if self.watch is not None:
            self.watch.close()
