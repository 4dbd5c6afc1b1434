"""Our end of the process that looks at the ports."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any, Protocol

from companion.ports.names import Found, numbered, seen

__all__ = ["Lister", "PortLister", "found_from"]

_SCRIPT = Path(__file__).with_name("lister.py")


class PortLister(Protocol):
    """Whoever can tell which ports there are. Used by one thread at a time."""

    def ports(self) -> tuple[Found, ...]:
        """All inputs now."""
        ...

    def close(self) -> None:
        """Give everything back; twice does no harm."""
        ...


class Lister:
    """Asks the process of one backend for a look, and starts it anew where it died. Used by one thread at a time."""

    def __init__(self, backend_name: str) -> None:
        self._command = [sys.executable, "-P", str(_SCRIPT), backend_name]
        self._process: subprocess.Popen[str] | None = None

    def ports(self) -> tuple[Found, ...]:
        """All inputs now, named as the user sees them; none where the process can't be run."""
        try:
            return found_from(json.loads(self._ask()))
        except (OSError, ValueError):
            self.close()
            return ()

    def _ask(self) -> str:
        if self._process is None:
            self._process = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                encoding="utf-8",
            )
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write("look\n")
        self._process.stdin.flush()
        return self._process.stdout.readline()

    def close(self) -> None:
        """End the process."""
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except OSError:
                    continue  # a request that the process didn't live to read


def found_from(pairs: Any) -> tuple[Found, ...]:
    """The ports from (API, raw name) pairs; raises `ValueError` where these are something else."""
    by_api: dict[str, list[str]] = {}
    for api, raw in pairs:
        by_api.setdefault(str(api), []).append(str(raw))
    return numbered(port for api, names in by_api.items() for port in seen(names, api))
