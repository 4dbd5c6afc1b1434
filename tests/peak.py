"""The peak memory of a piece of Python, in a process of its own.

`getrusage` would not do: on Linux a child starts with its parent's peak.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

__all__ = ["needs_proc", "run_for_peak_mb"]

needs_proc = pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads the peak from /proc")

_RUN = """
import re, sys
sys.argv[1:], code = sys.argv[2:], sys.argv[1]
try:
    exec(compile(code, "measured", "exec"))
finally:
    print("peak", re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1])
"""


def run_for_peak_mb(code: str, *arguments: str) -> tuple[subprocess.CompletedProcess[str], int]:
    """Run `code` with these arguments; the finished process and its peak in MB."""
    command = [sys.executable, "-c", _RUN, code, *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    peak = re.search(r"^peak (\d+)$", done.stdout, re.MULTILINE)
    assert peak, done.stderr
    return done, int(peak[1]) // 1024
