"""What a port is called, whatever number the system gave it this time."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from companion.errors import PortError
from companion.ports.model import PortName

__all__ = ["Found", "cannot_open", "choose", "is_system_port", "just_vanished", "numbered"]

#: ALSA adds "client:port", Windows the index: both change from run to run
_ALSA_NUMBER = re.compile(r"\s+\d+:\d+$")
_WINDOWS_NUMBER = re.compile(r"\s+\d+$")
#: ports of the system itself, never a player's device: listed after all others
_SYSTEM_PORTS = ("midi through", "system:")


@dataclass(frozen=True, slots=True)
class Found:
    """A port seen at a backend. `name` is what the user sees, `key` tells it from all others as long as it stays
    plugged in, `raw` is the system's own name, `nth` counts those with the same raw name from 0."""

    name: str
    api: str
    raw: str
    key: str
    nth: int = 0

    @property
    def port_name(self) -> PortName:
        """As the rest of the house sees it."""
        return PortName(self.name, self.api)


def seen(raw_names: Sequence[str], api: str) -> tuple[Found, ...]:
    """The ports of one API from the names that it gave, in its order."""
    times: Counter[str] = Counter()
    ports = []
    for raw in raw_names:
        plain = plain_name(raw, api)
        # An ALSA or JACK name stays while the device does; a Windows index moves when another device leaves.
        stable = raw if api in ("ALSA", "JACK") else plain
        ports.append(Found(plain, api, raw, f"{api}/{stable}/{times[stable]}", nth=times[raw]))
        times[stable] += 1
        if raw != stable:
            times[raw] += 1
    return tuple(ports)


def plain_name(raw: str, api: str) -> str:
    """The name without the number of this run; ALSA's `Client:Client Port` loses its repetition.

    Examples
    --------
    >>> plain_name("Reed One:Reed One MIDI 1 24:0", "ALSA")
    'Reed One MIDI 1'
    >>> plain_name("Reed One 2", "Windows")
    'Reed One'
    """
    name = " ".join(raw.split())
    if api == "Windows":
        return _WINDOWS_NUMBER.sub("", name) or name
    if api != "ALSA":
        return name
    name = _ALSA_NUMBER.sub("", name)
    client, colon, port = name.partition(":")
    return port if colon and port.startswith(client) else name


def numbered(ports: Iterable[Found]) -> tuple[Found, ...]:
    """Those with one name become `name`, `name #2`, `name #3`; the system's own ports go to the end."""
    ordered = sorted(ports, key=lambda port: port.raw.lower().startswith(_SYSTEM_PORTS))
    times: Counter[str] = Counter()
    result = []
    for port in ordered:
        times[port.name] += 1
        suffix = f" #{times[port.name]}" if times[port.name] > 1 else ""
        result.append(Found(port.name + suffix, port.api, port.raw, port.key, port.nth))
    return tuple(result)


def is_system_port(name: str) -> bool:
    """Whether it is a port of the system itself, which nobody plays on."""
    return name.lower().startswith(_SYSTEM_PORTS)


def cannot_open(port: Found, error: Exception) -> PortError:
    """What to raise where a backend fails to open a port that is there."""
    return PortError(f"MIDI port {port.name!r} can't be opened ({error}): is another program using it?")


def just_vanished(port: Found) -> PortError:
    """What to raise where a port that was seen is no longer there."""
    return PortError(
        f"MIDI port {port.name!r} has just vanished: plug it in again; `companion ports` lists those there are"
    )


def choose(wanted: str, ports: Sequence[Found]) -> Found:
    """The port called `wanted`: exactly, else by the only name that contains it, capitals aside.

    Raises
    ------
    PortError
        Where no name or more than one fits; the message names the ports there are.
    """
    for port in ports:
        if port.name == wanted:
            return port
    part = wanted.strip().casefold()
    fitting = [port for port in ports if part and part in port.name.casefold()]
    exact = [port for port in fitting if port.name.casefold() == part]
    if len(exact) == 1 or len(fitting) == 1:
        return (exact or fitting)[0]
    if fitting:
        names = ", ".join(repr(port.name) for port in fitting)
        raise PortError(f"MIDI port {wanted!r} could be any of {names}: write more of the name")
    raise PortError(f"no MIDI port {wanted!r}: {_what_there_is(ports)}; `companion ports` lists them")


def _what_there_is(ports: Sequence[Found]) -> str:
    if not ports:
        return "there is none at all, so plug the device in (or use --port sim:student:1)"
    return "there is " + ", ".join(repr(port.name) for port in ports)
