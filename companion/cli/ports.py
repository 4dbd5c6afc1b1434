"""`companion ports`: which MIDI inputs there are, and whether anything comes from them."""

from __future__ import annotations

import argparse
import sys
import time

from companion.errors import UsageError
from companion.ports import InPort, PortWatch, is_keys, is_sim, list_inputs, open_input
from companion.ports.memory import PortMemory, recall
from companion.ports.model import PortName
from companion.ports.performer import LEVELS
from companion.practice.model import RawEvent
from companion.units import NS_PER_S, ns_from_s, s_from_ns

__all__ = ["add_arguments", "run"]

_LOOK_S = 0.02
_NOTE_NAMES = ("C", "C♯", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    either = parser.add_mutually_exclusive_group()
    either.add_argument("--watch", action="store_true", help="say which ports come and go, until Ctrl-C")
    either.add_argument("--monitor", metavar="NAME", help="print the notes that arrive from this port, until Ctrl-C")
    parser.add_argument("--seconds", type=float, metavar="N", help="stop --watch or --monitor after N seconds")


def run(args: argparse.Namespace) -> int:
    """List, watch or monitor."""
    if args.seconds is not None and not args.seconds > 0:
        raise UsageError(f"--seconds {args.seconds:g}: give a number above 0")
    until_ns = None if args.seconds is None else time.perf_counter_ns() + ns_from_s(args.seconds)
    if args.monitor is not None:
        return _monitor(args.monitor, until_ns)
    if args.watch:
        return _watch(until_ns)
    memory = recall()
    for line in listing(list_inputs(), memory):
        print(line)
    return 0


def listing(ports: tuple[PortName, ...], memory: PortMemory, platform: str = sys.platform) -> list[str]:
    """The lines of the plain command."""
    lines = [*memory.remarks]
    if ports:
        lines.append("MIDI inputs (use the name, or a part that no other has, with --port):")
        width = max(len(port.name) for port in ports)
        lines += [f"  {port.name:<{width}}  {port.api}{_remembered(port.name, memory)}" for port in ports]
        if (
            memory.last
            and not is_sim(memory.last)
            and not is_keys(memory.last)
            and memory.last not in [port.name for port in ports]
        ):
            lines.append(f"The port used last, {memory.last!r}, is not there now.")
    else:
        lines.append("No MIDI input found.")
        lines += [f"  {hint}" for hint in hints(platform)]
    used_last = " (used last)" if is_keys(memory.last) else ""
    lines.append(f"Always there: keys, the computer's keys as a horn; J at the stand shows which is which{used_last}")
    lines.append(
        f"Always there: sim:LEVEL:SEED, the simulated player, with the levels {', '.join(LEVELS)}; as sim:student:1"
    )
    return lines


def hints(platform: str) -> tuple[str, ...]:
    """What to try where no input is found."""
    usual = "Plug the instrument in, switch it on and call this again; --watch tells the moment it appears."
    if platform.startswith("linux"):
        return (
            usual,
            "ALSA: /dev/snd/seq must exist (sudo modprobe snd-seq) and be open to you (group audio).",
            "JACK: start the server before this program (set $JACK_DEFAULT_SERVER if it has a name of its own).",
        )
    if platform == "darwin":
        return (
            usual,
            "macOS: Audio MIDI Setup, Window, Show MIDI Studio must show it; over Bluetooth connect it there.",
        )
    return (usual, "Windows: an input is open to one program at a time: close the others; some devices need a driver.")


def _remembered(name: str, memory: PortMemory) -> str:
    parts = ["used last"] if name == memory.last else []
    if name in memory.known:
        settings = memory.known[name]
        if settings.shift_semitones:
            parts.append(f"shift {settings.shift_semitones:+d} semitones")
        if settings.delay_ms:
            parts.append(f"delay {settings.delay_ms:g} ms")
    return f"  ({', '.join(parts)})" if parts else ""


def _over(until_ns: int | None) -> bool:
    return until_ns is not None and time.perf_counter_ns() >= until_ns


def _watch(until_ns: int | None) -> int:
    with PortWatch() as watch:
        there = ", ".join(repr(port.name) for port in watch.ports()) or "none"
        print(f"There now: {there}. Watching, Ctrl-C ends it.", flush=True)
        while not _over(until_ns):
            appeared, vanished = watch.changes()
            for port in vanished:
                print(f"gone:  {port.name} ({port.api})", flush=True)
            for port in appeared:
                print(f"there: {port.name} ({port.api})", flush=True)
            time.sleep(_LOOK_S)
    return 0


def _monitor(name: str, until_ns: int | None) -> int:
    if is_sim(name):
        raise UsageError(
            "--monitor is for devices: the simulated player plays when there is a passage, as in companion play"
        )
    if is_keys(name):
        raise UsageError(
            "--monitor is for devices: the computer's keys are heard in the window, with companion play --port keys"
        )
    port = open_input(name)
    try:
        print(f"Listening to {port.name}. Ctrl-C ends it.", flush=True)
        _print_notes(port, until_ns)
    finally:
        port.close()
    return 0


def _print_notes(port: InPort, until_ns: int | None) -> None:
    began_ns, told_controllers = time.perf_counter_ns(), 0
    controllers = 0
    while port.alive and not _over(until_ns):
        for event in port.drain():
            line = note_line(event, began_ns)
            controllers += line is None
            if line is not None:
                print(line, flush=True)
        second = (time.perf_counter_ns() - began_ns) // NS_PER_S
        if controllers and second > told_controllers:
            print(f"{second:9.3f} s  and {controllers} messages of breath, bend and other controllers", flush=True)
            controllers, told_controllers = 0, second
        time.sleep(_LOOK_S)
    if not port.alive:
        print(f"{port.name} has vanished.")


def note_line(event: RawEvent, began_ns: int) -> str | None:
    """A note as a line; None for any other message. A note-on of velocity 0 is a note-off (MIDI 1.0)."""
    kind = event.message[0] & 0xF0
    if kind not in (0x80, 0x90):
        return None
    number, velocity = event.message[1], event.message[2]
    name = f"{_NOTE_NAMES[number % 12]}{number // 12 - 1}"
    what = f"on   velocity {velocity}" if kind == 0x90 and velocity else "off"
    return f"{s_from_ns(event.time_ns - began_ns):9.3f} s  {name:<4} {number:>3}  {what}"
