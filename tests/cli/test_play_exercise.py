"""`companion play FILE --exercise NAME`: an exercise on the stand, and what the record keeps of it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from window.stand_tools import make_setup, open_stand, playable, until

from companion import charts
from companion.cli import main
from companion.exercises import REGISTRY
from companion.exercises.offers import offers
from companion.planning import plan
from companion.record import read_log
from companion.scores import read
from companion.window.music import Made

ETUDE = Path(__file__).parents[2] / "shared" / "passages" / "etude-e-minor.musicxml"
ALTO = charts.load("alto")
SHORT = "--exercise", "links", "--set", "kind=pair", "--set", "times=1"


@pytest.fixture
def etude(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("SHARED", "SESSIONS", "CACHE", "SETTINGS"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / name.lower()))
    monkeypatch.chdir(tmp_path)
    shutil.copy(ETUDE, "etude.musicxml")
    return Path("etude.musicxml")


def played(*words: str, takes: int = 1) -> dict[str, Any]:
    """The result of a hidden run of the simulated player."""
    common = ["--port", "sim:steady:3", "--hidden", "--takes", str(takes), "--json", "result.json"]
    assert main(["play", "etude.musicxml", *words, *common]) == 0
    found: dict[str, Any] = json.loads(Path("result.json").read_text(encoding="utf-8"))
    return found


def test_the_record_names_the_exercise(etude: Path) -> None:
    result = played(*SHORT, "--start", "60", takes=2)
    passage = read(etude)
    made = REGISTRY["links"](passage, plan(passage, ALTO), ALTO, kind="pair", times=1)
    assert (result["title"], result["exercise"]) == (passage.title, made.title)
    assert result["sha256"] == made.sha256 != passage.sha256
    takes = read_log(Path("sessions")).takes
    assert [(take.title, take.sha256, take.origin) for take in takes] == [(made.title, made.sha256, "")] * 2
    assert [[note.written_midi for note in take.notes] for take in takes] == [
        [note.written_midi for note in made.notes]
    ] * 2
    assert takes[0].tempo_bpm == 60 and takes[0].target_bpm == 96


def test_the_ladder_is_the_one_asked_for(etude: Path) -> None:
    played(*SHORT, "--start", "50", "--target", "70", "--step", "10", "--tempo", "60")
    (take,) = read_log(Path("sessions")).takes
    assert (take.tempo_bpm, take.target_bpm, take.rung) == (60, 70, 1)


def test_bars_are_those_it_is_made_of(etude: Path) -> None:
    assert played(*SHORT, "--bars", "3")["exercise"].endswith("(bar 3)")


def test_a_number_is_that_of_the_list(etude: Path) -> None:
    passage = read(etude)
    second = offers(passage, plan(passage, ALTO), ALTO)[1]
    assert played("--exercise", "2", "--set", "times=1", "--set", "kind=pair")["exercise"] == second.title


def test_marks_of_the_sheet_go_into_the_exercise_once(etude: Path) -> None:
    passage = read(etude)
    planned = plan(passage, ALTO)
    index, other = next(
        (note.index, fingering)
        for note in passage.notes[1:]
        for fingering in ALTO.for_note(note.written_midi)
        if fingering.name not in (planned.choices[note.index].name, "standard")
    )
    bar = passage.bars[passage.notes[index].bar]
    place = f"{bar.number}.{index - next(n.index for n in passage.notes if n.bar == bar.index) + 1}"
    assert main(["fingerings", str(etude), "--set", f"{place}={other.name}"]) == 0
    sheet = Path("etude.marks.toml").read_bytes()
    played("--exercise", "links", "--set", f"into={index}", "--set", "kind=pair", "--set", "times=1")
    (take,) = read_log(Path("sessions")).takes
    assert take.notes[1].fingering == other.name and Path("etude.marks.toml").read_bytes() == sheet


def test_the_week_sheet_gives_tempo_and_options(etude: Path) -> None:
    Path("shared").mkdir()
    shutil.copy(etude, "shared")
    item = 'passage = "etude.musicxml"\ntarget_bpm = {}\n'
    text = f'format = 1\nweek = 2026-11-23\n[[item]]\n{item.format(80)}[[item]]\n{item.format(66)}exercise = "links"\n'
    Path("shared/week.toml").write_text(text + 'exercise_options = { kind = "pair", times = 1 }\n')
    result = played("--exercise", "links")
    assert result["takes"][0]["target_bpm"] == 66
    passage = read(etude)
    assert result["sha256"] == REGISTRY["links"](passage, plan(passage, ALTO), ALTO, kind="pair", times=1).sha256
    # What it says nothing of goes to the tempo of the music.
    assert played("--exercise", "scales", "--set", "key=G", "--set", "octaves=1")["takes"][0]["target_bpm"] == 80


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--exercise", "nonsense"], "no exercise 'nonsense'; there are scales"),
        (["--exercise", "99"], "no exercise 99"),
        (["--exercise", "links", "--set", "key=G"], "links has no option 'key'; it has change"),
        (["--exercise", "links", "--set", "times"], "--set 'times': write such as"),
        (["--exercise", "links", "--set", "times=99"], "not 99"),
        (["--set", "times=2"], "--set times=2 goes with --exercise"),
    ],
)
def test_bad_input_gets_one_line(etude: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str) -> None:
    assert main(["play", str(etude), *words, "--hidden", "--takes", "1"]) == 1
    err = capsys.readouterr().err
    assert said in err and err.count("\n") == 1
    assert not Path("sessions").exists()


def test_its_own_page_lies_on_the_stand_and_the_piece_comes_back(tmp_path: Path) -> None:
    piece = playable(bars=12)
    whole = (0, len(piece.bars) - 1)
    made = Made("links", (("kind", "pair"),), whole)
    app = open_stand(make_setup(piece, tmp_path, exercise=made))
    try:
        assert app.run.repertoire.on_exercise and app.run.rehearsal.passage.title.startswith("Links")
        assert app.run.rehearsal.ladder == app.run.repertoire.piece.rehearsal.ladder
        until(app, lambda: app.stand.page.done)
        assert app.stand.page.passage == app.run.rehearsal.passage != piece
        app.run.repertoire.back_to_piece()
        assert app.run.rehearsal.passage == piece
    finally:
        app.close()
