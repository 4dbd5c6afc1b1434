"""MIDI in: real devices, the computer's keys, the simulated player; click and tone; what is remembered of each port.

`list_inputs`, `open_input` and `PortWatch` deal with devices, `companion.ports.keys` with the computer's keys as a horn
(`keys`), `companion.ports.simulated` with `sim:LEVEL:SEED`,
`companion.ports.click` with sound, `companion.ports.memory` with settings.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from companion.charts.model import Chart
from companion.ports.device import DevicePort
from companion.ports.keys import KEYS_PORT, KeysPort, is_keys
from companion.ports.model import InPort, PortName
from companion.ports.simulated import SimulatedPort, is_sim, parse_sim
from companion.ports.watch import PortWatch

__all__ = [
    "KEYS_PORT",
    "DevicePort",
    "InPort",
    "KeysPort",
    "PortName",
    "PortWatch",
    "SimulatedPort",
    "is_keys",
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
    name: str,
    *,
    watch: PortWatch | None = None,
    now_ns: Callable[[], int] = time.perf_counter_ns,
    chart: Chart | None = None,
    settings: Path | None = None,
) -> DevicePort | SimulatedPort | KeysPort:
    """Open the port called `name`, a unique part of a name, the computer's keys (`keys`) or the simulated player
    `sim:LEVEL:SEED`.

    Parameters
    ----------
    watch
        An existing `PortWatch` to learn from when the device vanishes; without one the port brings its own.
    now_ns
        The clock that the simulated player plays by, and that tells when a key's note speaks; devices are stamped with
        `time.perf_counter_ns`.
    chart
        The horn that the computer's keys stand for; the alto where none is given.
    settings
        The folder of the player's own layout of the keys, where it is not the usual one.

    Raises
    ------
    PortError
        One line that names the ports there are, or what is wrong with the layout.
    """
    if is_keys(name):
        from companion.charts import load
        from companion.ports.keys_file import load_layout

        return KeysPort(chart or load("alto"), load_layout(settings), now_ns)
    if is_sim(name):
        return SimulatedPort(parse_sim(name), now_ns)
    return DevicePort(name, watch=watch)
