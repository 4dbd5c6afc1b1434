"""MIDI in: real devices, the simulated player; the click; what is remembered of each port.

`list_inputs`, `open_input` and `PortWatch` deal with devices, `companion.ports.simulated` with `sim:LEVEL:SEED`,
`companion.ports.click` with sound, `companion.ports.memory` with settings.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from companion.ports.device import DevicePort
from companion.ports.model import InPort, PortName
from companion.ports.simulated import SimulatedPort, is_sim, parse_sim
from companion.ports.watch import PortWatch

__all__ = [
    "DevicePort",
    "InPort",
    "PortName",
    "PortWatch",
    "SimulatedPort",
    "is_sim",
    "list_inputs",
    "open_input",
    "parse_sim",
]


def list_inputs() -> tuple[PortName, ...]:
    """Every MIDI input of every API there is, the system's own ports last; empty where there is none.

    Raises
    ------
    PortError
        Where no MIDI library can be loaded.
    """
    with PortWatch() as watch:
        return watch.ports()


def open_input(
    name: str, *, watch: PortWatch | None = None, now_ns: Callable[[], int] = time.perf_counter_ns
) -> DevicePort | SimulatedPort:
    """Open the port called `name`, a unique part of a name, or the simulated player `sim:LEVEL:SEED`.

    Parameters
    ----------
    watch
        An existing `PortWatch` to learn from when the device vanishes; without one the port brings its own.
    now_ns
        The clock that the simulated player plays by; devices are stamped with `time.perf_counter_ns`.

    Raises
    ------
    PortError
        One line that names the ports there are.
    """
    if is_sim(name):
        return SimulatedPort(parse_sim(name), now_ns)
    return DevicePort(name, watch=watch)
