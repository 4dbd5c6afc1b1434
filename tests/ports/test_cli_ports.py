"""`companion ports` says what there is and what to try."""

from __future__ import annotations

import subprocess
import sys

import pytest

from companion.cli import main
from companion.cli.ports import hints, listing, note_line
from companion.ports.memory import PortMemory, PortSettings
from companion.ports.model import PortName
from companion.practice.model import RawEvent

PORTS = (PortName("Reed One", "ALSA"), PortName("Keys", "JACK"))


def test_the_list_tells_names_apis_and_what_is_remembered() -> None:
    memory = PortMemory("Keys", {"Keys": PortSettings(9, 12.5), "Reed One": PortSettings()}, ("settings.toml: odd",))
    lines = listing(PORTS, memory)
    assert lines[0] == "settings.toml: odd"
    assert lines[2:4] == ["  Reed One  ALSA", "  Keys      JACK  (used last, shift +9 semitones, delay 12.5 ms)"]
    assert "sim:LEVEL:SEED" in lines[-1]


def test_a_remembered_port_that_is_missing_is_named() -> None:
    assert "The port used last, 'Oboe', is not there now." in listing(PORTS, PortMemory("Oboe"))
    assert not [line for line in listing(PORTS, PortMemory("sim:student:1")) if "not there" in line]


@pytest.mark.parametrize(
    ("platform", "word"), [("linux", "/dev/snd/seq"), ("darwin", "Audio MIDI"), ("win32", "Windows")]
)
def test_without_ports_it_says_what_to_try(platform: str, word: str) -> None:
    lines = listing((), PortMemory(), platform)
    assert lines[0] == "No MIDI input found."
    assert word in " ".join(lines)
    assert hints(platform)[0].startswith("Plug the instrument in")


def test_notes_are_printed_with_name_and_number() -> None:
    assert note_line(RawEvent(1_500_000_000, b"\x90\x3d\x50"), 0) == "    1.500 s  C♯4   61  on   velocity 80"
    assert note_line(RawEvent(0, b"\x90\x3d\x00"), 0) == "    0.000 s  C♯4   61  off"
    assert note_line(RawEvent(0, b"\x81\x00\x00"), 0) == "    0.000 s  C-1    0  off"
    assert note_line(RawEvent(0, b"\xb0\x02\x50"), 0) is None


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--watch", "--seconds", "0"], "companion: --seconds 0: give a number above 0\n"),
        (["--monitor", "sim:student:1"], "companion: --monitor is for devices"),
        (["--monitor", "no such device"], "companion: no MIDI port 'no such device'"),
    ],
)
def test_mistakes_get_one_line(
    arguments: list[str], message: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "no-such-server")
    assert main(["ports", *arguments]) == 1
    printed = capsys.readouterr()
    assert printed.err.startswith(message)
    assert printed.err.count("\n") == 1


def test_the_command_runs_and_prints_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "no-such-server")
    for arguments in ([], ["--watch", "--seconds", "0.3"]):
        command = [sys.executable, "-m", "companion", "ports", *arguments]
        done = subprocess.run(command, capture_output=True, text=True, timeout=20, check=False)
        assert done.returncode == 0
        assert done.stderr == ""
        assert ("sim:LEVEL:SEED" if not arguments else "Watching, Ctrl-C ends it.") in done.stdout
