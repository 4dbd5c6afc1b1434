"""`companion mock` as it is called, with the simulated player and no display."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from companion.cli import main
from companion.record import read_log

PASSAGES = Path(__file__).parents[2] / "shared" / "passages"
ETUDE, WALTZ = PASSAGES / "etude-e-minor.musicxml", PASSAGES / "waltz-in-f.musicxml"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("SHARED", "SESSIONS", "CACHE", "SETTINGS"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / name.lower()))
    return tmp_path


def test_two_pieces_one_go_each(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (home / "shared").mkdir()
    wanted = [f"{ETUDE}:1-4", f"{WALTZ}:1-8"]
    shots, data = home / "shots", home / "sheet.json"
    assert main(
        ["mock", *wanted, "--hidden", "--port", "sim:steady:2", "--shots", str(shots), "--json", str(data)]
    ) == 0  # fmt: skip
    out = " ".join(capsys.readouterr().out.split())
    assert "1. Étude in E minor, bars 1–4" in out and "2. Waltz in F, bars 1–8" in out
    assert "Every note was right, and each was played once." in out
    assert "The quarter went at about 92 (printed 96); too few bars" in out
    pieces = json.loads(data.read_text())["pieces"]
    # The simulated player takes 0.96 of the printed tempo.
    assert [piece["tempo_bpm"] for piece in pieces] == [pytest.approx(0.96 * bpm, rel=0.01) for bpm in (96, 132)]
    assert all(piece["played"] and piece["clean"] and not piece["broken_off"] for piece in pieces)
    kinds = {path.stem for path in shots.iterdir()}
    assert {"mock-silence", "mock-announced", "mock-playing", "mock-sheet-1", "mock-sheet-2", "mock-marks-1"} <= kinds
    takes = read_log(home / "sessions").takes
    assert [(take.bars, take.performance, take.clean) for take in takes] == [("1-4", True, True), ("1-8", True, True)]
    assert takes[0].comment[0] == pieces[0]["first"] and takes[0].events and takes[0].start_ns >= 0


def test_a_drawn_order_can_be_drawn_again(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wanted = ["mock", f"{ETUDE}:1", f"{ETUDE}:2", f"{ETUDE}:3", f"{WALTZ}:1-2", "--hidden", "--port", "sim:steady:1"]
    outs = []
    for _ in range(2):
        assert main([*wanted, "--drawn", "--seed", "5"]) == 0
        outs.append([line for line in capsys.readouterr().out.splitlines() if line[:1].isdigit()])
    assert outs[0] == outs[1] and len(outs[0]) == 4
    assert [line.split(". ", 1)[1] for line in outs[0]] != [
        "Étude in E minor, bar 1", "Étude in E minor, bar 2", "Étude in E minor, bar 3", "Waltz in F, bars 1–2",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["nothing.musicxml"], "there is no such file"),
        ([f"{ETUDE}:99"], "etude-e-minor.musicxml: no bar '99' in this passage"),
        ([f"{WALTZ}:7-5"], "write the earlier bar first, as in waltz-in-f.musicxml:5-7"),
        ([str(ETUDE), "--port", "keys"], "--port keys is played in a window"),
        ([str(ETUDE), "--seed", "3"], "give it together with --drawn"),
        ([str(ETUDE), "--silence", "9999"], "give 0 to 600 seconds"),
        ([str(ETUDE), "--port", "sim:nobody"], "no level 'nobody'"),
        ([str(ETUDE), "--json", "/nowhere/x.json"], "can't be written there"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(words: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["mock", *words, "--hidden"]) == 1
    error = capsys.readouterr().err
    assert says in error and len(error.splitlines()) == 1
