"""What several tests of the window need."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator

import pytest


@pytest.fixture
def display() -> Iterator[str]:
    """The name of an X display of its own."""
    read, write = os.pipe()
    command = ["Xvfb", "-displayfd", str(write), "-screen", "0", "1280x720x24", "-nolisten", "tcp"]
    process = subprocess.Popen(command, pass_fds=[write], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    os.close(write)
    with os.fdopen(read) as numbers:
        number = numbers.readline().strip()
    assert number, "Xvfb did not start"
    yield f":{number}"
    process.terminate()
    process.wait()
