"""Ctrl-C, a closed terminal, a system that shuts down: the run ends as by the player's key; what was played is kept."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any

__all__ = ["Endings"]

#: SIGHUP is not known to Windows, SIGBREAK (Ctrl-Break) only there.
_NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class Endings:
    """While entered, the first signal to end calls `end`, which only has to ask for it: an exception raised from within
    a handler could strike in the middle of writing a take. The second one works as it did before, for a program that
    hangs. A signal that was ignored stays ignored (`nohup`, a background job)."""

    def __init__(self, end: Callable[[], None]) -> None:
        self._end = end
        self._before: dict[int, Any] = {}
        self.received = 0

    @property
    def exit_code(self) -> int:
        """0, or 128 and the signal's number as shells have it."""
        return 128 + self.received if self.received else 0

    def __enter__(self) -> Endings:
        if threading.current_thread() is not threading.main_thread():
            return self  # only the main thread may set handlers
        for name in _NAMES:
            number = getattr(signal, name, None)
            if number is None or signal.getsignal(number) is signal.SIG_IGN:
                continue
            # None stands for a handler that a C library has set, such as the window system's own.
            self._before[number] = signal.signal(number, self._received) or signal.SIG_DFL
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._restore()

    def _received(self, number: int, _frame: FrameType | None) -> None:
        self.received = self.received or number
        self._restore()
        self._end()

    def _restore(self) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._before.clear()
