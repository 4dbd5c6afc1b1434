"""What careless or hostile hands type, and odd names of files: one line and exit code 1, or it just works."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from companion.cli import main
from companion.paths import shared_dir
from companion.record import Sitting, TakeRecord

ETUDE = shared_dir() / "passages" / "etude-e-minor.musicxml"
PLAY = ["play", str(ETUDE), "--bars", "1-2", "--hidden", "--takes", "1", "--port", "sim:steady:1"]
LONG = "x" * 300


def _refused(arguments: list[str], capsys: pytest.CaptureFixture[str], what: str) -> None:
    assert main(arguments) == 1
    error = capsys.readouterr().err
    assert error.startswith("companion: ") and len(error.splitlines()) == 1, error
    assert what in error, error


@pytest.mark.parametrize(
    ("option", "value", "what"),
    [
        ("--delay", "nan", "out of range"),
        ("--delay", "inf", "out of range"),
        ("--delay", "1e300", "out of range"),
        ("--shift", "61", "-60 to 60"),
        ("--shift", "9" * 30, "-60 to 60"),
        ("--shift", "1.5", "semitones"),
        ("--size", "99999x99999", "7680x4320"),
        ("--size", "12345x700", "7680x4320"),
        ("--takes", "²", "whole number"),
        ("--bars", "5-", "no bar is named"),
        ("--bars", "-", "no bar is named"),
        ("--bars", "5-8-9", "no bar '8-9'"),
        ("--json", LONG, "--json"),
        ("--instrument", LONG, "no such instrument"),
        ("--instrument", f"{LONG}.toml", "no such file"),
        ("--sheet", LONG, "can't be read"),
    ],
)
def test_options_out_of_range(option: str, value: str, what: str, capsys: pytest.CaptureFixture[str]) -> None:
    _refused([*PLAY, f"{option}={value}"], capsys, what)


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["fingerings", str(ETUDE), "--musicxml", f"{LONG}.musicxml"], "can't be written"),
        (["handout", str(ETUDE), "-o", f"{LONG}.pdf"], "can't be written"),
        (["exercises", str(ETUDE), "1", "-o", f"{LONG}.mid"], "can't be written"),
        (["progress", "--lesson", f"{LONG}.pdf"], "can't be written"),
        (["studio", "lessons", "--pages", LONG], "can't be written"),
        (["record", "import", LONG], "no such file"),
        (["record", "import", LONG, "--as", str(ETUDE), "--tempo", "60"], "no such file"),
        (["mock", LONG], "no such file"),
    ],
)
def test_results_and_records_with_names_too_long_for_any_disk(
    arguments: list[str], what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "lessons" / "Robin" / "sessions").mkdir(parents=True)
    _refused(arguments, capsys, what)


@pytest.mark.parametrize("view", [["week"], ["week", "--student"], ["today"]], ids="-".join)
def test_a_sheet_and_a_record_that_name_what_no_disk_can_hold(
    view: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COMPANION_SHARED", str(tmp_path))
    monkeypatch.setenv("COMPANION_SESSIONS", str(tmp_path))
    now = datetime.now().astimezone()
    Sitting(tmp_path, now).append(TakeRecord("Long", 80.0, port="wind", origin=LONG, started=now.isoformat()))
    if view == ["today"]:
        assert main(view) == 0
        capsys.readouterr()
    item = f'[[item]]\npassage = "{LONG}"\ntarget_bpm = 80\n'
    head = f"format = 1\nweek = {now - timedelta(now.weekday()):%Y-%m-%d}\n"
    (tmp_path / "week.toml").write_text(head + item, encoding="utf-8")
    assert main(view) == 0
    assert f"{LONG}isnotthere" in "".join(capsys.readouterr().out.split())
    assert main([view[0], "--window", "--hidden", "--shots", str(tmp_path / "shots"), "--size", "1024x640"]) == 0


def test_names_too_long_for_any_disk(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _refused(["play", LONG], capsys, "no such file")
    _refused(["week", "set", str(ETUDE), "--tempo", "80", "--sheet", LONG], capsys, "written")
    longest = tmp_path / f"{'x' * 240}.musicxml"
    longest.write_bytes(ETUDE.read_bytes())
    assert main(["progress", str(longest)]) == 0
    assert "No takes yet" in capsys.readouterr().out


def test_a_folder_for_a_score_is_called_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "etudes"
    folder.mkdir()
    for command in ("play", "fingerings", "exercises", "trouble", "mock", "progress"):
        _refused([command, str(folder)], capsys, "is a folder; give a score file in it")


@pytest.mark.parametrize("named", ["etude.musicxml", "other.mid", "week.toml", "sessions/a.jsonl"])
@pytest.mark.parametrize("command", ["play", "mock", "trouble", "exercises"])
def test_what_is_no_result_is_not_replaced_by_one(
    command: str, named: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    score = tmp_path / "etude.musicxml"
    score.write_bytes(ETUDE.read_bytes())
    there = tmp_path / named
    there.parent.mkdir(exist_ok=True)
    if there != score:
        there.write_text('{"kind": "sitting"}\n' if named.endswith("l") else "format = 1\n")
    before = there.read_bytes()
    playing = ["--hidden", "--port", "sim:steady:1"] if command in ("play", "mock") else []
    assert main([command, str(score), *playing, "--json", str(there)]) == 1
    error = capsys.readouterr().err
    assert "give another name" in error and len(error.splitlines()) == 1
    assert there.read_bytes() == before


def test_a_result_is_replaced_by_the_next(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    result = tmp_path / "r.json"
    result.write_bytes(b"")  # as mktemp leaves it
    for bars in ("1", "2-3"):
        assert main(["exercises", str(ETUDE), "links", "--bars", bars, "--json", str(result)]) == 0
        assert f'"{bars}"' in result.read_text(encoding="utf-8"), capsys.readouterr()


@pytest.mark.skipif(os.name != "posix", reason="pipes and links to themselves")
def test_pipes_and_links_to_themselves(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pipe, loop = tmp_path / "pipe", tmp_path / "loop.musicxml"
    os.mkfifo(pipe)
    loop.symlink_to(loop)
    _refused(["week", "--sheet", str(pipe)], capsys, "pipe")
    _refused([*PLAY, "--sheet", str(pipe)], capsys, "pipe")
    _refused(["week", "set", str(loop), "--tempo", "80"], capsys, "can't be opened")
    sheet = tmp_path / "week.toml"
    sheet.write_text(
        'format = 1\nstudent = "A"\nweek = 2026-11-23\n[[item]]\npassage = "loop.musicxml"\ntarget_bpm = 60\n'
    )
    # An item whose file is not there is no reason not to play another.
    assert main([*PLAY, "--sheet", str(sheet)]) == 0


@pytest.mark.skipif(sys.platform != "linux", reason="file names are bytes on Linux only")
def test_a_file_name_that_is_not_utf_8(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = os.fsdecode(os.path.join(os.fsencode(tmp_path), b"\xff\xfe.musicxml"))
    Path(file).write_bytes(ETUDE.read_bytes())
    result = tmp_path / "r.json"
    assert main(["play", file, *PLAY[2:], "--json", str(result)]) == 0
    assert json.loads(result.read_text(encoding="utf-8"))["file"] == file
    assert main(["progress", file]) == 0
    assert "1 take" in capsys.readouterr().out
    _refused(["week", "set", file, "--tempo", "80", "--sheet", str(tmp_path / "week.toml")], capsys, "rename")
    assert not (tmp_path / "week.toml").exists()


@pytest.mark.parametrize("printed", [5, 900])
def test_a_printed_tempo_that_nobody_can_play(printed: int, tmp_path: Path) -> None:
    note = "<note><pitch><step>G</step><octave>4</octave></pitch><duration>1</duration></note>"
    file = tmp_path / "odd.musicxml"
    file.write_text(
        '<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>x</part-name></score-part>'
        f'</part-list><part id="P1"><measure number="1"><attributes><divisions>1</divisions><time><beats>4</beats>'
        f'<beat-type>4</beat-type></time></attributes><direction><sound tempo="{printed}"/></direction>{note * 4}'
        "</measure></part></score-partwise>"
    )
    result = tmp_path / "r.json"
    assert main(["play", str(file), *PLAY[4:], "--json", str(result)]) == 0
    take = json.loads(result.read_text(encoding="utf-8"))["takes"][0]
    assert 10 <= take["tempo_bpm"] <= take["target_bpm"] <= 600


def test_takes_that_could_not_be_kept_are_not_lost_in_silence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    away = tmp_path / "away"
    away.symlink_to(tmp_path / "a disk that is not there" / "sessions")
    for played in (PLAY, ["mock", f"{ETUDE}:1", *PLAY[4:5], *PLAY[-2:], "--silence", "0"]):
        assert main([*played, "--sessions", str(away)]) == 1
        error = capsys.readouterr().err
        assert len(error.splitlines()) == 1 and "1 take of this sitting could not be kept" in error
        assert "tried again" not in error  # it is over


def test_a_log_that_is_no_folder_is_said_before_anything_is_played(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    blocked, shots = tmp_path / "file", tmp_path / "shots"
    blocked.write_text("no folder")
    for played in (PLAY, ["mock", f"{ETUDE}:1", *PLAY[4:5], *PLAY[-2:]]):
        _refused([*played, "--sessions", str(blocked), "--shots", str(shots)], capsys, "can't be read")
        assert not shots.exists()


def test_the_simulated_player_in_capitals_is_as_quick(tmp_path: Path) -> None:
    """At the real pace these two bars take over ten seconds."""
    command = [sys.executable, "-m", "companion", *PLAY[:-1], "SIM:STEADY:1"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=8, check=False)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no full device")
def test_a_picture_that_cannot_be_saved(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "ready.png").symlink_to("/dev/full")
    _refused([*PLAY, "--shots", str(tmp_path)], capsys, "ready.png")
