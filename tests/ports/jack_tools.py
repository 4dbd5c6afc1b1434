"""A MIDI device made of two processes: a JACK server without sound hardware, and a player that sends through it.

    with jack_server(), sender_process("Reed One", [(0.0, [0x90, 60, 64]), (0.5, [0x80, 60, 0])]) as sender:
        port = open_input("Reed One")
        sender.go()
        ...
        sender.kill()          # the device vanishes

Run as a script this file is the sender.
"""

from __future__ import annotations

import contextlib
import fcntl
import itertools
import json
import os
import re
import shutil
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from companion.practice.simulation import SimulatedTake

#: JACK may leave out a period while a connection is made; what is sent this long after `go` is safe.
SETTLE_NS = 60_000_000
JACKD = shutil.which("jackd")
#: Where JACK 2 on Linux writes down its servers, at most eight for all users and programs together.
REGISTRY = Path("/dev/shm/jack-shm-registry")
_numbers = itertools.count(1)

_ASK = "import rtmidi; rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name='ready').delete()"
#: (seconds after go, bytes of one message)
Event = tuple[float, Sequence[int]]


def jack_missing() -> str:
    """Why the tests with JACK can't run here; empty where they can, and where CI=true says that they must."""
    if os.environ.get("CI", "").lower() == "true":
        return ""
    if JACKD is None:
        return "jackd is not installed (Debian: apt-get install jackd2)"
    try:
        import rtmidi
    except ImportError:
        return "python-rtmidi is not installed"
    return "" if rtmidi.API_UNIX_JACK in rtmidi.get_compiled_api() else "python-rtmidi was built without JACK"


@contextlib.contextmanager
def server_name() -> Iterator[str]:
    """A name for a server that no other process of these tests takes meanwhile.

    A server that had to be killed keeps its place in `REGISTRY`, until one of the same name begins; eight such, and no
    server starts any more ("Too many servers already active"). So a dead one's name is taken before a new one.
    """
    new_names = (f"companion-{os.getpid()}-{number}" for number in _numbers)
    for name in itertools.chain(_dead_names(), new_names):
        with open(Path(tempfile.gettempdir()) / f"{name}.lock", "w") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                continue
            # Another may have given it back, and its file with it, since it was opened here.
            if os.fstat(lock.fileno()).st_nlink:
                try:
                    yield name
                finally:
                    os.unlink(lock.name)
                return


def registered() -> dict[str, int]:
    """The pids of this user's servers in JACK's registry by name, dead ones among them."""
    try:
        registry = REGISTRY.read_bytes()
    except OSError:
        return {}
    # Each entry is a pid and then the name, "jack-UID:NAME:" (JACK 2's common/shm.h).
    entries = re.finditer(rf"jack-{os.getuid()}:([\w-]+):\0".encode(), registry)
    return {entry[1].decode(): struct.unpack_from("=i", registry, entry.start() - 4)[0] for entry in entries}


def _dead_names() -> list[str]:
    names = []
    for name, pid in registered().items():
        try:
            os.kill(pid, 0)  # as JACK itself asks
        except ProcessLookupError:
            names.append(name)
    return names


@contextlib.contextmanager
def jack_server(name: str | None = None, rate_hz: int = 48_000, period: int = 256) -> Iterator[str]:
    """A JACK server with the dummy driver under a name of its own, in $JACK_DEFAULT_SERVER meanwhile.

    A client that misses its `period` (in samples) on a busy machine loses what was sent in it: a longer one is safer, a
    shorter one exacter. Yields the server's name. All JACK clients of this process must be closed before it ends. A
    `PortWatch` made before looks for the server that $JACK_DEFAULT_SERVER named at that time.
    """
    assert JACKD is not None, "jackd is not installed (Debian: apt-get install jackd2)"
    if name is None:
        with server_name() as name, jack_server(name, rate_hz, period):
            yield name
        return
    before = os.environ.get("JACK_DEFAULT_SERVER")
    os.environ["JACK_DEFAULT_SERVER"] = name
    with tempfile.TemporaryFile() as log:
        options = ["-n", name, "--no-realtime", "-d", "dummy", "-r", str(rate_hz), "-p", str(period)]
        process = subprocess.Popen(
            [JACKD, *options],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            env={**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"},
        )
        try:
            _wait_until_ready(process, log)
            yield name
        finally:
            _end(process, name)
            if before is None:
                del os.environ["JACK_DEFAULT_SERVER"]
            else:
                os.environ["JACK_DEFAULT_SERVER"] = before


def _wait_until_ready(process: subprocess.Popen[bytes], log) -> None:
    # In another process: libjack's complaints go nowhere, and this one's libjack stays as it is.
    deadline_s = time.monotonic() + 10
    while time.monotonic() < deadline_s and process.poll() is None:
        asked = subprocess.run([sys.executable, "-c", _ASK], capture_output=True, timeout=10, check=False)
        if asked.returncode == 0:
            return
    log.seek(0)
    raise RuntimeError(f"jackd did not start: {log.read().decode(errors='replace')[-800:]}")


def _end(process: subprocess.Popen, name: str) -> None:
    process.terminate()
    # One whose client was killed a moment ago does not end by itself.
    try:
        process.wait(timeout=2)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    for left in Path("/dev/shm").glob(f"jack*_{name}_*"):
        left.unlink(missing_ok=True)


def take_events(take: SimulatedTake, lead_s: float = 0.0, shift_semitones: int = 0) -> list[Event]:
    """A simulated take for `sender_process`, in real time.

    Parameters
    ----------
    lead_s
        Seconds from `Sender.go` to beat 0 of the passage (count-in and so on); what the take has before is not sent.
    shift_semitones
        What the listener has to add to get written pitch: 9 for an alto that sends sounding pitch.
    """
    events: list[Event] = []
    for time_s, message in take.messages:
        data = list(message)
        if data[0] & 0xE0 == 0x80:
            data[1] -= shift_semitones
        if lead_s + time_s >= 0:
            events.append((lead_s + time_s, data))
    return events


class Sender:
    """Another process with one virtual output."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def go(self) -> int:
        """Begin to send; returns the `time.monotonic_ns`, a moment ahead, from which events' seconds count."""
        self._process.stdin.write("go\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())

    def sent_ns(self) -> list[int]:
        """Waits for the last event; `time.monotonic_ns` just before each was sent (one clock for all processes)."""
        return json.loads(self._process.stdout.readline())

    def kill(self) -> None:
        """Vanish at once, as a device does whose cable is pulled."""
        self._process.kill()
        self._process.wait()

    def close(self) -> None:
        """End the process in an orderly way."""
        if self._process.poll() is None:
            self._process.stdin.close()
            try:
                self._process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                self.kill()
        self._process.stdout.close()
        with contextlib.suppress(OSError):
            self._process.stdin.close()


@contextlib.contextmanager
def sender_process(port_name: str, events: Sequence[Event] = ()) -> Iterator[Sender]:
    """Another process whose JACK output `PORT_NAME:out` is there when this yields; it sends after `Sender.go()`.

    Parameters
    ----------
    port_name
        The JACK client's name, what a device's name would be.
    events
        (seconds after `go`, bytes of one message), in order of time. They are handed to the driver as they are.
    """
    with tempfile.NamedTemporaryFile("w", suffix=".json", delete=False, encoding="utf-8") as file:
        json.dump([[time_s, list(message)] for time_s, message in events], file)
    try:
        process = subprocess.Popen(
            [sys.executable, __file__, port_name, file.name],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        sender = Sender(process)
        try:
            if process.stdout.readline().strip() != "ready":
                raise RuntimeError("the sending process could not open its JACK port: is the server up?")
            yield sender
        finally:
            sender.close()
    finally:
        Path(file.name).unlink()


def _send(port_name: str, events_file: str) -> None:
    import rtmidi

    out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=port_name)
    out.open_virtual_port("out")
    events = json.loads(Path(events_file).read_text(encoding="utf-8"))
    print("ready", flush=True)
    for _line in sys.stdin:
        start_ns, sent_ns = time.monotonic_ns() + SETTLE_NS, []
        print(start_ns, flush=True)
        for time_s, message in events:
            wait_s = time_s - (time.monotonic_ns() - start_ns) / 1e9
            if wait_s > 0:
                time.sleep(wait_s)
            sent_ns.append(time.monotonic_ns())
            out.send_message(message)
        print(json.dumps(sent_ns), flush=True)
    out.delete()


if __name__ == "__main__":
    _send(*sys.argv[1:])
