"""How long a MIDI message takes from another process to our stamp and to the frame that drains it.

    python benchmarks/midi_latency.py [--seconds 10] [--period 128]

Starts a JACK server without sound hardware (needs jackd). Three situations: the program waits; it draws, which holds
Python's lock for 12 ms of every 16.7; a flood of 1,000 breath messages a second comes with the notes.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from ports.jack_tools import jack_server, sender_process

from companion.ports import open_input

FRAME_S = 1 / 60


def main() -> None:
    """Print a line a situation."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=10.0, help="length of each measurement")
    parser.add_argument("--period", type=int, default=128, help="samples a JACK period at 48 kHz (128: 2.7 ms)")
    args = parser.parse_args()
    with jack_server(period=args.period):
        print(f"JACK period {args.period / 48:.2f} ms; ms from send to stamp: median, p99, worst; then to the drain")
        for name, busy_s, flood in (
            ("waiting", 0.0, False),
            ("drawing", 0.012, False),
            ("drawing, flood", 0.012, True),
        ):
            stamp_ms, drain_ms = measure(args.seconds, busy_s, flood)
            notes = f"{len(stamp_ms)} of {int(args.seconds / 0.03)} notes"
            print(f"{name:<15} {_figures(stamp_ms)}   {_figures(drain_ms)}   {notes}")


def measure(seconds: float, busy_s: float, flood: bool) -> tuple[np.ndarray, np.ndarray]:
    """Delays in ms of every note-on: to its stamp, and to the frame that drained it."""
    rng = np.random.default_rng(1)
    times_s = np.cumsum(rng.uniform(0.01, 0.05, int(seconds / 0.03)))
    events = [(float(t), [0x90, 36 + i % 60, 80]) for i, t in enumerate(times_s)]
    if flood:
        events += [(0.001 * i, [0xB0, 2, i % 128]) for i in range(int(seconds * 1000))]
        events.sort()
    is_note = np.array([message[0] == 0x90 for _, message in events])
    arrived, drained, numbers = [], [], []
    with sender_process("Benchmark", events) as sender:
        port = open_input("Benchmark")
        end_ns = sender.go() + round((seconds + 0.5) * 1e9)
        while time.monotonic_ns() < end_ns:
            frame_ns = time.monotonic_ns()
            for event in port.drain():
                if event.message[0] == 0x90:
                    arrived.append(event.time_ns)
                    drained.append(frame_ns)
                    numbers.append(event.message[1])
            _hold_the_lock(busy_s)
            time.sleep(max(0.0, FRAME_S - (time.monotonic_ns() - frame_ns) / 1e9))
        sent_ns = np.array(sender.sent_ns())[is_note]
        port.close()
    # JACK leaves a client out that misses its period: the numbers go round in 60, so a gap tells how many are gone.
    places, place = [], 0
    for number in numbers:
        place += (number - 36 - place) % 60
        places.append(place)
        place += 1
    sent_ns = sent_ns[places]
    return (np.array(arrived) - sent_ns) / 1e6, (np.array(drained) - sent_ns) / 1e6


def _hold_the_lock(busy_s: float) -> None:
    """Work as a big picture operation does: one call that doesn't let other threads in."""
    if busy_s:
        end_s = time.perf_counter() + busy_s
        while time.perf_counter() < end_s:
            sorted(_SHUFFLED)


_SHUFFLED = np.random.default_rng(2).permutation(20_000).tolist()  # sorting it takes some ms in one call


def _figures(values: np.ndarray) -> str:
    return f"{np.median(values):6.2f} {np.percentile(values, 99):6.2f} {values.max():6.2f}"


if __name__ == "__main__":
    main()
