"""`companion play` and `demo` as a person runs them: processes of their own, files at the end."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from companion.cli import COMMANDS, main
from companion.cli.demo import DEMO_PASSAGE
from companion.paths import shared_dir
from companion.record import read_log
from companion.scores import read

ROOT = Path(__file__).resolve().parents[2]
ETUDE = shared_dir() / DEMO_PASSAGE
SCREENS = {"ready", "count-in", "playing", "after", "keys", "bars", "tempo", "ports", "instruments", "fingerings",
           "note-check", "chosen-bars", "note", "limits", "hard-spots", "comment", "trouble",
           "takes", "replay"}  # fmt: skip


def test_demo_ends_by_itself_with_pictures_a_result_and_a_record(tmp_path: Path, own_folders: Path) -> None:
    shots, result = tmp_path / "shots", tmp_path / "result.json"
    command = [
        sys.executable,
        "-m",
        "companion",
        "demo",
        "--hidden",
        "--takes",
        "3",
        "--shots",
        str(shots),
        "--json",
        str(result),
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert (done.returncode, done.stderr, done.stdout) == (0, "", "")
    # Where a take has a slip there is one more.
    assert {file.stem for file in shots.glob("*.png")} >= SCREENS
    takes = json.loads(result.read_text(encoding="utf-8"))["takes"]
    passage = read(ETUDE)
    assert len(takes) == 3
    for take in takes:
        assert take["tempo_bpm"] > 0 and isinstance(take["rung"], int)
        assert len(take["notes"]) == len(passage.notes)
        for shown, note in zip(take["notes"], passage.notes, strict=True):
            assert shown["written_midi"] == note.written_midi and shown["beat"] == float(note.count)
            assert shown["fingering"] and isinstance(shown["keys"], list)
    log = read_log(own_folders / "sessions")
    assert [t.tempo_bpm for t in log.takes] == [t["tempo_bpm"] for t in takes]
    assert all(t.port == "sim:student:1" for t in log.takes)


def test_the_same_seed_plays_the_same(tmp_path: Path) -> None:
    results = []
    for name in ("a.json", "b.json"):
        file = tmp_path / name
        assert (
            main(
                [
                    "play",
                    str(ETUDE),
                    "--bars",
                    "5-8",
                    "--hidden",
                    "--takes",
                    "2",
                    "--port",
                    "sim:student:9",
                    "--json",
                    str(file),
                ]
            )
            == 0
        )
        results.append(json.loads(file.read_text(encoding="utf-8")))
    assert results[0] == results[1]
    assert {note["bar"] for note in results[0]["takes"][0]["notes"]} == {"5", "6", "7", "8"}


def _played_by_sheet(tmp_path: Path, item: str, *asked: str) -> list[dict[str, Any]]:
    """The takes of the steady player on the etude, for which the week sheet says `item`."""
    sheet, result = tmp_path / "week.toml", tmp_path / "r.json"
    (tmp_path / "e.musicxml").write_bytes(ETUDE.read_bytes())
    sheet.write_text(f'format = 1\nweek = 2026-11-23\n[[item]]\npassage = "e.musicxml"\n{item}\n')
    common = ["--hidden", "--port", "sim:steady:1", "--json", str(result), "--sheet", str(sheet)]
    assert main(["play", str(tmp_path / "e.musicxml"), *common, *asked]) == 0
    takes: list[dict[str, Any]] = json.loads(result.read_text(encoding="utf-8"))["takes"]
    return takes


def test_the_ladder_climbs_after_clean_takes_and_the_week_sheet_sets_its_top(tmp_path: Path) -> None:
    asked = ("--clean-takes", "2", "--takes", "6", "--start", "70", "--step", "10")
    takes = _played_by_sheet(tmp_path, 'target_bpm = 90\nby = "Fri"', *asked)
    assert {take["target_bpm"] for take in takes} == {90}
    tempos = [take["tempo_bpm"] for take in takes]
    assert tempos[0] == 70 and tempos == sorted(tempos)
    climbs = [take["step"] for take in takes].count("climb")
    assert climbs >= 1 and tempos[-1] > 70


@pytest.mark.parametrize(("asked", "second_bpm"), [([], 77), (["--step-percent", "20"], 84), (["--step", "5"], 75)])
def test_the_sheets_step_in_per_cent_is_followed_unless_another_is_asked_for(
    tmp_path: Path, asked: list[str], second_bpm: int
) -> None:
    item = "target_bpm = 110\nstart_bpm = 70\nstep_percent = 10"
    takes = _played_by_sheet(tmp_path, item, "--clean-takes", "1", "--bars", "1-2", "--takes", "4", *asked)
    above = [take["tempo_bpm"] for take in takes if take["tempo_bpm"] > 70]
    assert above and above[0] == second_bpm


@pytest.mark.parametrize("share", [None, 0.9])
def test_the_sheets_demand_on_articulation_is_judged_by(tmp_path: Path, own_folders: Path, share: float | None) -> None:
    asked = f"articulation_share = {share}" if share else ""
    _played_by_sheet(tmp_path, f"target_bpm = 110\n{asked}", "--bars", "1-2", "--takes", "1")
    (take,) = read_log(own_folders / "sessions").takes
    assert take.tolerances.articulation_share == (share or 0.0)


@pytest.mark.parametrize(
    ("asked", "climb", "tempos"),
    [
        ([], "overshoot", [70, 90, 80, 100]),
        (["--climb", "steady"], "steady", [70, 80, 90, 100]),
        (["--climb", "alternate"], "alternate", [70, 100, 100, 100]),
    ],
)
def test_the_sheets_shape_of_climb_is_followed_unless_another_is_asked_for_and_kept_in_the_record(
    tmp_path: Path, own_folders: Path, asked: list[str], climb: str, tempos: list[int]
) -> None:
    item = 'target_bpm = 100\nstart_bpm = 70\nstep_bpm = 10\nclimb = "overshoot"'
    more = ("--clean-takes", "1", "--bars", "1-2", "--takes", "4", "--tolerance", "90")
    takes = _played_by_sheet(tmp_path, item, *more, *asked)
    assert [take["clean"] for take in takes] == [True] * 4
    assert [take["tempo_bpm"] for take in takes] == tempos
    assert {take.ladder["climb"] for take in read_log(own_folders / "sessions").takes} == {climb}


def test_bars_grow_at_the_stand(tmp_path: Path, own_folders: Path) -> None:
    item = 'target_bpm = 100\nstart_bpm = 90\nstep_bpm = 10\nclimb = "grow"'
    more = ("--clean-takes", "1", "--bars", "1-4", "--takes", "4", "--tolerance", "90")
    takes = _played_by_sheet(tmp_path, item, *more)
    assert [(take["tempo_bpm"], take["step"]) for take in takes] == [
        (90, "climb"), (100, "grow"), (90, "climb"), (100, "target reached"),
    ]  # fmt: skip
    # Only the whole of it counts for what was set.
    assert [take.bars for take in read_log(own_folders / "sessions").takes] == ["1-2", "1-2", "1-4", "1-4"]


def test_an_exercise_climbs_as_its_own_item_says(tmp_path: Path, own_folders: Path) -> None:
    more = '[[item]]\npassage = "e.musicxml"\nbars = "5-8"\nexercise = "links"\nexercise_options = { kind = "pair",'
    item = 'target_bpm = 100\nbars = "5-8"\n' + f"{more} change = 3 }}\ntarget_bpm = 50\n{more} change = 2 }}\n"
    item += 'target_bpm = 66\nstart_bpm = 62\nclimb = "grow"\nstep_bpm = 4'
    asked = ("--bars", "5-8", "--exercise", "links", "--set", "change=2", "--set", "kind=pair")
    takes = _played_by_sheet(tmp_path, item, *asked, "--clean-takes", "1", "--tolerance", "99", "--takes", "3")
    assert [(take["tempo_bpm"], take["target_bpm"]) for take in takes] == [(62, 66), (66, 66), (62, 66)]
    first, second, third = (len(take.notes) for take in read_log(own_folders / "sessions").takes)
    assert first == second < third


def test_what_the_sheet_asks_for_elsewhere_in_the_passage_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    item = 'target_bpm = 100\nbars = "5-8"\n[[item]]\npassage = "e.musicxml"\nexercise = "links"\ntarget_bpm = 50'
    _played_by_sheet(tmp_path, item, "--bars", "1", "--takes", "1")
    said = "the week sheet asks for bars 5–8 and links of all of it; companion week --student says how"
    assert said in capsys.readouterr().err


def test_a_climb_that_there_is_none_of_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["play", str(ETUDE), "--hidden", "--takes", "1", "--climb", "spiral"]) == 1
    assert "no climb is called 'spiral'; there are steady, alternate" in capsys.readouterr().err


def test_the_sheets_fingerings_win_over_the_mark_sheets_and_others_are_set_aside(
    tmp_path: Path, own_folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    marks = tmp_path / "e.marks.toml"
    marks.write_text('format = 1\n[[fingering]]\nbar = "2"\nnote = 10\nuse = "standard"\n')
    item = 'target_bpm = 100\ncomment = "softly"\nfingerings = { "2.10" = "side C", "2.99" = "bis", "2.3" = "no such" }'
    _played_by_sheet(tmp_path, item, "--bars", "2", "--takes", "1")
    (take,) = read_log(own_folders / "sessions").takes
    assert take.notes[9].fingering == "side C"
    err = capsys.readouterr().err
    assert "the week sheet says: softly" in err
    assert "week.toml: a fingering is set aside: bar 2, note 99" in err
    assert "has no 'no such' on the alto" in err


def test_killed_in_the_middle_of_a_take_all_earlier_takes_are_there(tmp_path: Path, own_folders: Path) -> None:
    """SIGKILL while takes are being played at once: each finished take is whole in the log, whatever the moment."""
    command = [sys.executable, "-m", "companion", "play", str(ETUDE), "--bars", "1-2", "--hidden", "--takes", "400",
               "--port", "sim:steady:1"]  # fmt: skip
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    sessions = own_folders / "sessions"
    deadline = time.monotonic() + 60
    while not any(file.stat().st_size > 20_000 for file in sessions.glob("*.jsonl")):
        assert time.monotonic() < deadline and process.poll() is None
        time.sleep(0.05)
    process.send_signal(signal.SIGKILL)
    process.wait()
    log = read_log(sessions)
    assert len(log.takes) >= 2
    assert all(take.notes and take.events for take in log.takes)


@pytest.mark.parametrize("command", list(COMMANDS))
def test_every_command_helps(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as done:
        main([command, "--help"])
    assert done.value.code == 0
    out = capsys.readouterr().out
    assert f"usage: companion {command}" in out and len(out.splitlines()) > 6


def test_readme_and_ci_run_the_same_test_command() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    commands = [line.strip() for line in readme.splitlines() if line.startswith("    python3 -m venv")]
    assert len(commands) == 2
    assert commands[0].endswith("companion demo")
    assert commands[1] in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    assert "Python 3.11" in readme


def test_version_answers_without_loading_the_house() -> None:
    code = (
        "import sys; from companion.cli import main\n"
        "try: main(['--version'])\n"
        "finally: print(sorted(m for m in sys.modules if m.startswith('companion')))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "companion 0." in done.stdout
    assert done.stdout.splitlines()[-1] == "['companion', 'companion.cli', 'companion.errors']"


def test_what_the_reader_guessed_or_left_out_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    march = shared_dir() / "passages" / "march-in-g.mid"
    assert main(["play", str(march), "--hidden", "--takes", "1", "--bars", "1-2", "--port", "sim:steady:1"]) == 0
    assert "companion: note: MIDI files hold no written pitch" in capsys.readouterr().err
