"""The piece and its exercises without a window: which stands there, what each keeps, when nothing may change."""

from __future__ import annotations

from pathlib import Path

import pytest
from window.stand_tools import make_setup, playable

from companion.charts import load
from companion.errors import UsageError
from companion.planning import plan
from companion.practice.ladder import Ladder
from companion.window.music import Made
from companion.window.repertoire import Repertoire

PASSAGE = playable(bars=6)
SCALES = {"kind": "major"}


class Turns:
    """Counts how often other music was put on the stand."""

    def __init__(self) -> None:
        self.count = 0

    def __call__(self) -> None:
        self.count += 1


def opened(folder: Path, turned: Turns, **changes: object) -> Repertoire:
    return Repertoire(make_setup(PASSAGE, folder, **changes), lambda section, tempo_bpm: (), turned)


def test_an_exercise_takes_the_pieces_place_and_each_stays_as_it_was_left(tmp_path: Path) -> None:
    turned = Turns()
    repertoire = opened(tmp_path, turned)
    piece = repertoire.piece
    piece.rehearsal.shift_semitones, piece.rehearsal.delay_ms = 9, 12.0
    repertoire.take_exercise("scales", SCALES)
    exercise = repertoire.music
    assert repertoire.on_exercise and exercise.made == Made("scales", tuple(SCALES.items()), (0, 5))
    assert (exercise.rehearsal.shift_semitones, exercise.rehearsal.delay_ms) == (9, 12.0), "the same controller"
    exercise.rehearsal.choose_tempo(exercise.rehearsal.ladder.rungs[-1])
    rung = exercise.rehearsal.ladder.rung
    repertoire.back_to_piece()
    assert repertoire.music is piece and not repertoire.on_exercise
    repertoire.take_exercise("scales", SCALES)
    assert repertoire.music is exercise and exercise.rehearsal.ladder.rung == rung > 0
    assert turned.count == 3


def test_it_may_begin_with_an_exercise_on_a_ladder_of_its_own(tmp_path: Path) -> None:
    turned, ladder = Turns(), Ladder(40, 2, 50)
    made = Made("scales", tuple(SCALES.items()), (0, 5))
    repertoire = opened(tmp_path, turned, exercise=made, exercise_ladder=ladder)
    assert repertoire.music.made == made and repertoire.music.rehearsal.ladder == ladder
    assert repertoire.piece.rehearsal.ladder == Ladder(60, 4, 72, 2) and not turned.count


def test_another_horn_is_planned_for_both(tmp_path: Path) -> None:
    repertoire = opened(tmp_path, Turns())
    repertoire.take_exercise("scales", SCALES)
    tenor = load("tenor")
    repertoire.use_chart(tenor)
    assert repertoire.chart is tenor and repertoire.on_exercise
    assert repertoire.piece.rehearsal.plan == plan(PASSAGE, tenor)
    assert repertoire.music.rehearsal.chart is tenor and repertoire.music.made is not None


def test_nothing_changes_during_a_take(tmp_path: Path) -> None:
    turned = Turns()
    repertoire = opened(tmp_path, turned)
    repertoire.piece.rehearsal.begin(0, 0)
    acts = {
        "go to an exercise": lambda: repertoire.take_exercise("scales", SCALES),
        "go back to the piece": repertoire.back_to_piece,
        "change the instrument": lambda: repertoire.use_chart(load("tenor")),
    }
    for wish, act in acts.items():
        with pytest.raises(UsageError, match=f"stop the take first, then {wish}"):
            act()
    assert repertoire.music is repertoire.piece and repertoire.chart.name == "alto" and not turned.count
