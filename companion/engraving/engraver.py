"""The side of the engraving that the window sees: asks the worker, never waits, starts a new worker when one dies."""

from __future__ import annotations

import contextlib
import os
import queue
import subprocess
import sys
import threading
import time
from collections import OrderedDict
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from companion.engraving.frames import Frame, read_frame, request_frame, system_of, write_frame
from companion.engraving.model import Engraved, EngravingRequest, Progress, System
from companion.errors import EngravingError
from companion.units import NS_PER_S, ns_from_s

__all__ = ["CACHE_BYTES", "TIMEOUT_S", "Engraver", "engrave"]

TIMEOUT_S = 10.0
CACHE_BYTES = 64_000_000
WIDTHS_PX = (160, 8_000)
STAFFS_PX = (12.0, 240.0)


class _Worker:
    """One worker process, with a thread for each direction, so that neither side ever waits for the other."""

    def __init__(self) -> None:
        package_root = str(Path(__file__).resolve().parents[2])
        paths = [package_root, *filter(None, [os.environ.get("PYTHONPATH")])]
        self.process = subprocess.Popen(
            # -P: a file of the user's folder that is named like a library of ours must not be imported.
            [sys.executable, "-P", "-m", "companion.engraving.worker"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
        self._outgoing: queue.SimpleQueue[Frame | None] = queue.SimpleQueue()
        self.answers: queue.SimpleQueue[Frame | None] = queue.SimpleQueue()
        assert self.process.stdin is not None and self.process.stdout is not None
        self._threads = (
            threading.Thread(target=self._write, args=(self.process.stdin,), daemon=True, name="engraving-requests"),
            threading.Thread(target=self._read, args=(self.process.stdout,), daemon=True, name="engraving-answers"),
        )
        for thread in self._threads:
            thread.start()

    @property
    def alive(self) -> bool:
        return self.process.poll() is None

    def send(self, frame: Frame) -> None:
        self._outgoing.put(frame)

    def close(self) -> int:
        """End the process; returns its exit code, negative for a signal."""
        self._outgoing.put(None)
        if self.process.poll() is None:
            self.process.kill()
        code = self.process.wait()
        for thread in self._threads:
            thread.join(timeout=1.0)
        return code

    def _write(self, stream: BinaryIO) -> None:
        with contextlib.suppress(OSError, ValueError), stream:
            while (frame := self._outgoing.get()) is not None:
                write_frame(stream, *frame)

    def _read(self, stream: BinaryIO) -> None:
        with contextlib.suppress(OSError, ValueError), stream:
            while (frame := read_frame(stream)) is not None:
                self.answers.put(frame)
        self.answers.put(None)


class Engraver:
    """Engraves in the background.

    The worker starts at construction. `request` takes the place of the request before it; `poll`, called once a frame,
    hands out what is new. Whole results are kept, up to `cache_bytes`, and come back at once when they are asked again.

    Parameters
    ----------
    timeout_s : float
        So long without a new system, and the worker is given up.
    cache_bytes : int
        Size of all pictures kept.
    """

    def __init__(self, timeout_s: float = TIMEOUT_S, cache_bytes: int = CACHE_BYTES) -> None:
        self._timeout_ns = ns_from_s(timeout_s)
        self._cache_bytes = cache_bytes
        self._cache: OrderedDict[EngravingRequest, tuple[System, ...]] = OrderedDict()
        self._number = 0
        self._current: EngravingRequest | None = None
        self._systems: list[System] = []
        self._ready: Progress | None = None
        self._retried = False
        self._last_news_ns = 0
        self._closed = False
        self._worker = _Worker()

    def request(self, request: EngravingRequest) -> int:
        """Ask for an engraving in place of any other; returns the number that its news will carry.

        Raises
        ------
        EngravingError
            The request's width or staff height is out of bounds, or the engraver is closed.
        """
        if self._closed:
            raise EngravingError("the engraver is closed; start another")
        _check(request)
        self._number += 1
        self._systems, self._ready, self._current = [], None, None
        if request in self._cache:
            self._cache.move_to_end(request)
            self._ready = Progress(self._number, self._cache[request], done=True)
            return self._number
        if not self._worker.alive:
            self._worker.close()
            self._worker = _Worker()
        self._current, self._retried = request, False
        self._send(request)
        return self._number

    def poll(self) -> Progress | None:
        """What is new about the latest request, or None; never waits."""
        if self._ready is not None:
            ready, self._ready = self._ready, None
            return ready
        fresh: list[System] = []
        while not self._worker.answers.empty():
            frame = self._worker.answers.get()
            if frame is None:
                return self._worker_died(tuple(fresh))
            if self._current is None or frame[0]["number"] != self._number:
                continue
            self._last_news_ns = time.monotonic_ns()
            if frame[0]["kind"] == "system":
                fresh.append(system_of(frame))
            elif frame[0]["kind"] == "error":
                self._current = None
                return Progress(self._number, tuple(fresh), error=EngravingError(frame[0]["message"]))
            else:
                return self._finish(fresh)
        self._systems.extend(fresh)
        if self._current is not None and time.monotonic_ns() - self._last_news_ns > self._timeout_ns:
            return self._give_up(tuple(fresh))
        return Progress(self._number, tuple(fresh)) if fresh else None

    def close(self) -> None:
        """End the worker. Closing twice does no harm."""
        if not self._closed:
            self._closed = True
            self._worker.close()

    def __enter__(self) -> Engraver:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def worker_pid(self) -> int:
        """Process id of the worker."""
        return self._worker.process.pid

    def _send(self, request: EngravingRequest) -> None:
        self._last_news_ns = time.monotonic_ns()
        self._worker.send(request_frame(self._number, request))

    def _finish(self, fresh: list[System]) -> Progress:
        self._systems.extend(fresh)
        assert self._current is not None
        self._keep(self._current, tuple(self._systems))
        self._current = None
        return Progress(self._number, tuple(fresh), done=True)

    def _keep(self, request: EngravingRequest, systems: tuple[System, ...]) -> None:
        self._cache[request] = systems
        while self._cache and sum(_size(*kept) for kept in self._cache.items()) > self._cache_bytes:
            self._cache.popitem(last=False)

    def _worker_died(self, fresh: tuple[System, ...]) -> Progress | None:
        if self._closed:
            return None
        code = self._worker.close()
        if self._current is None:
            return None  # started anew by the next request: one that can't even start must not be started for ever
        self._worker = _Worker()
        if not (self._retried or self._systems or fresh):
            # It may have died before it saw the request, killed from outside: only a second death is the score's doing.
            self._retried = True
            self._send(self._current)
            return None
        self._current = None
        error = EngravingError(f"the engraving stopped ({_reason(code)}); try fewer bars, or export the score again")
        return Progress(self._number, fresh, error=error)

    def _give_up(self, fresh: tuple[System, ...]) -> Progress:
        self._worker.close()
        self._worker = _Worker()
        self._current = None
        seconds = self._timeout_ns / NS_PER_S
        error = EngravingError(f"the engraving took more than {seconds:g} s; try fewer bars, as in --bars 1-32")
        return Progress(self._number, fresh, error=error)


def engrave(request: EngravingRequest, timeout_s: float = TIMEOUT_S) -> Engraved:
    """Engrave a whole passage, and wait for it.

    Raises
    ------
    EngravingError
        The document can't be engraved, or not within `timeout_s` seconds.
    """
    deadline_ns = time.monotonic_ns() + ns_from_s(timeout_s)
    systems: list[System] = []
    with Engraver(timeout_s) as engraver:
        engraver.request(request)
        while time.monotonic_ns() < deadline_ns:
            progress = engraver.poll()
            if progress is None:
                time.sleep(0.002)
                continue
            systems.extend(progress.systems)
            if progress.error is not None:
                raise progress.error
            if progress.done:
                return Engraved(tuple(systems))
    raise EngravingError(f"the engraving took more than {timeout_s:g} s; try fewer bars, as in --bars 1-32")


def _check(request: EngravingRequest) -> None:
    bounds = (("width_px", request.width_px, WIDTHS_PX), ("staff_px", request.staff_px, STAFFS_PX))
    for name, value, (low, high) in bounds:
        if not low <= value <= high:
            raise EngravingError(f"{name} is {value:g}: expected {low:g} to {high:g}; try a larger window")
    if request.width_px < 6 * request.staff_px:
        raise EngravingError(
            f"a system {request.width_px} px wide has no room for a {request.staff_px:g} px staff; widen the window"
        )


def _size(request: EngravingRequest, systems: tuple[System, ...]) -> int:
    boxes = sum(len(system.heads) + len(system.bars) + len(system.marks) for system in systems)
    return len(request.musicxml) + sum(len(system.png) + len(system.svg) for system in systems) + 200 * boxes


def _reason(code: int) -> str:
    return f"signal {-code}" if code < 0 else f"exit code {code}"
