"""The engraving worker: `python -m companion.engraving.worker`, requests on standard input, systems on standard output.

Layout runs in a process of its own, since it holds Python's lock for tens of milliseconds and since some input ends the
process that reads it. A newer request ends the work on an older one at the next system. The worker ends when its input
does, so that it never outlives the window.
"""

from __future__ import annotations

import os
import queue
import signal
import sys
import threading
from typing import TYPE_CHECKING, BinaryIO

from companion.engraving.frames import Frame, read_frame, request_of, system_frame, write_frame
from companion.errors import EngravingError

if TYPE_CHECKING:
    from companion.engraving.desk import Desk

__all__ = ["main"]

MEMORY_CAP_BYTES = 2_000_000_000
_MAX_SYSTEMS = 2_000


def main() -> int:
    """Answer requests until standard input ends."""
    # Ctrl-C is for the program that asks; this one ends when its input does.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _limit()
    answers = _take_stdout()
    requests: queue.SimpleQueue[Frame | None] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, requests), daemon=True).start()
    from companion.engraving.desk import Desk

    desk = Desk()
    while (frame := requests.get()) is not None:
        while not requests.empty():
            newer = requests.get()
            if newer is None:
                return 0
            frame = newer
        _answer(desk, frame, requests, answers)
    return 0


def _answer(desk: Desk, frame: Frame, requests: queue.SimpleQueue[Frame | None], answers: BinaryIO) -> None:
    number, request = request_of(frame)
    try:
        for count, system in enumerate(desk.systems(request), 1):
            if count > _MAX_SYSTEMS:
                raise EngravingError(f"the score fills more than {_MAX_SYSTEMS} systems; try fewer bars")
            write_frame(answers, *system_frame(number, system))
            if not requests.empty():
                return
        write_frame(answers, {"number": number, "kind": "done"})
    except EngravingError as error:
        write_frame(answers, {"number": number, "kind": "error", "message": str(error)})
    except Exception as error:  # whatever the two libraries raise: the window shows it and goes on
        message = (
            f"the score can't be drawn ({type(error).__name__}: {' '.join(str(error).split())[:200]}); try fewer bars"
        )
        write_frame(answers, {"number": number, "kind": "error", "message": message})


def _listen(stream: BinaryIO, requests: queue.SimpleQueue[Frame | None]) -> None:
    """Queue what comes in. At the end of the input the process ends at once, even in the midst of a long layout."""
    while (frame := read_frame(stream)) is not None:
        requests.put(frame)
    os._exit(0)


def _take_stdout() -> BinaryIO:
    """Keep standard output for frames alone: whatever a library prints goes to standard error."""
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    if sys.platform == "win32":
        import msvcrt

        msvcrt.setmode(answers.fileno(), os.O_BINARY)
        msvcrt.setmode(sys.stdin.fileno(), os.O_BINARY)
    return answers


def _limit() -> None:
    """No core dumps, and on Linux a cap on memory (elsewhere the system doesn't keep to one)."""
    if sys.platform == "win32":
        return
    import resource

    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    if sys.platform == "linux":
        hard = resource.getrlimit(resource.RLIMIT_AS)[1]
        cap = MEMORY_CAP_BYTES if hard == resource.RLIM_INFINITY else min(MEMORY_CAP_BYTES, hard)
        resource.setrlimit(resource.RLIMIT_AS, (cap, hard))


if __name__ == "__main__":
    sys.exit(main())
