"""A command that is started from a page of the window: the page comes back, and says what went wrong."""

from __future__ import annotations

import contextlib
import io
import sys
from collections.abc import Sequence
from typing import TextIO

__all__ = ["SIGNALLED", "start"]

#: Exit codes from here on are a signal's: what was started, and the page too, were asked to end.
SIGNALLED = 128
_COMPLAINT, _NOTE = "companion: ", "companion: note: "


class _Heard(io.StringIO):
    """Keeps what is written, and writes on."""

    def __init__(self, stream: TextIO | None) -> None:
        super().__init__()
        self._stream = stream

    def write(self, text: str) -> int:
        if self._stream is not None:
            self._stream.write(text)
        return super().write(text)

    def flush(self) -> None:
        if self._stream is not None:
            self._stream.flush()


def start(words: Sequence[str]) -> tuple[int, str]:
    """Run a command.

    Returns
    -------
    tuple[int, str]
        Its exit code, and what it complained of, empty where it went well.
    """
    from companion.cli import main

    heard = _Heard(sys.stderr)
    with contextlib.redirect_stderr(heard):
        code = main(list(words))
    if not code:
        return 0, ""
    lines = [
        line for line in heard.getvalue().splitlines() if line.startswith(_COMPLAINT) and not line.startswith(_NOTE)
    ]
    told = lines[-1].removeprefix(_COMPLAINT) if lines else "the terminal says why"
    return code, f"something went wrong: {told}"
