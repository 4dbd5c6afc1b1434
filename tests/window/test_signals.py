"""Ctrl-C, a closed terminal and a system that shuts down: what was played is kept, and no process stays behind."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from companion.cli import main
from companion.cli.demo import DEMO_PASSAGE
from companion.paths import shared_dir
from companion.practice.model import RawEvent
from companion.record import read_log
from companion.window.app import App
from companion.window.signals import Endings

ETUDE = str(shared_dir() / DEMO_PASSAGE)
posix_only = pytest.mark.skipif(os.name != "posix", reason="process groups and these signals")
linux_only = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc to see who runs")


@pytest.fixture(autouse=True)
def not_ignored() -> Iterator[None]:
    """A shell starts background jobs with Ctrl-C ignored, and nohup the closed terminal: not so here."""
    usual = {"SIGINT": signal.default_int_handler, "SIGHUP": signal.SIG_DFL}
    before = {}
    for name, handler in usual.items():
        if (number := getattr(signal, name, None)) is not None:
            before[number] = signal.signal(number, handler)
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_take_that_a_signal_ends_is_kept(
    name: str, tmp_path: Path, own_folders: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = getattr(signal, name, None)
    if number is None:
        pytest.skip(f"this system has no {name}")
    frame = App.frame
    heard = 0

    def frame_with_signal(app: App) -> list[RawEvent]:
        nonlocal heard
        events = frame(app)
        if heard < 20 <= heard + len(events):
            signal.raise_signal(number)
        heard += len(events)
        return events

    monkeypatch.setattr(App, "frame", frame_with_signal)
    before = signal.getsignal(number)
    result = tmp_path / "r.json"
    code = main(["play", ETUDE, "--hidden", "--takes", "2", "--port", "sim:steady:1", "--json", str(result)])
    assert code == 128 + number
    assert signal.getsignal(number) is before
    (take,) = read_log(own_folders / "sessions").takes
    assert take.interrupted and len(take.events) >= 20
    assert len(json.loads(result.read_text(encoding="utf-8"))["takes"]) == 1


def test_the_second_signal_works_as_before_and_an_ignored_one_stays_ignored() -> None:
    asked: list[int] = []
    old = signal.signal(signal.SIGTERM, signal.SIG_IGN)
    try:
        with Endings(lambda: asked.append(1)) as endings:
            signal.raise_signal(signal.SIGTERM)
            assert (asked, endings.exit_code) == ([], 0)
            signal.raise_signal(signal.SIGINT)
            assert (asked, endings.exit_code) == ([1], 128 + signal.SIGINT)
            with pytest.raises(KeyboardInterrupt):
                signal.raise_signal(signal.SIGINT)
        assert asked == [1]
    finally:
        signal.signal(signal.SIGTERM, old)


def test_outside_the_main_thread_signals_are_left_alone() -> None:
    codes: list[int] = []

    def enter() -> None:
        with Endings(lambda: None) as endings:
            codes.append(endings.exit_code)

    thread = threading.Thread(target=enter)
    thread.start()
    thread.join()
    assert codes == [0]


def test_an_interrupt_while_a_command_is_loaded_is_no_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(_name: str) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("companion.cli.import_module", interrupted)
    assert main(["ports"]) == 130


@posix_only
@linux_only
@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 129), (signal.SIGKILL, -9)]
)
def test_no_process_stays_behind(number: int, code: int, tmp_path: Path, own_folders: Path) -> None:
    """As from a terminal: the signal goes to the whole group, the worker included (SIGKILL to the program alone)."""
    command = [sys.executable, "-m", "companion", "play", ETUDE, "--hidden", "--takes", "1000", "--port",
               "sim:steady:1", "--json", str(tmp_path / "r.json")]  # fmt: skip
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, process_group=0)
    sessions = own_folders / "sessions"
    deadline = time.monotonic() + 60
    while not list(sessions.glob("*.jsonl")):
        assert time.monotonic() < deadline and process.poll() is None
        time.sleep(0.05)
    children = _children(process.pid)
    assert children, "the engraver's worker"
    (os.kill if number == signal.SIGKILL else os.killpg)(process.pid, number)
    out, err = process.communicate(timeout=30)
    assert (process.returncode, out, err) == (code, b"", b"")
    deadline = time.monotonic() + 5
    while any(_runs(pid) for pid in children) and time.monotonic() < deadline:
        time.sleep(0.01)
    assert not [pid for pid in children if _runs(pid)]
    assert read_log(sessions).takes


def _stat(pid: int) -> list[str]:
    """State, parent and so on; empty where there is no such process."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()
    except OSError:
        return []


def _runs(pid: int) -> bool:
    stat = _stat(pid)
    return bool(stat) and stat[0] not in "ZX"


def _children(parent: int) -> list[int]:
    pids = [int(entry.name) for entry in Path("/proc").iterdir() if entry.name.isdigit()]
    return [pid for pid in pids if _stat(pid)[1:2] == [str(parent)]]
