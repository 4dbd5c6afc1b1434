"""Exercises planned and written, read back by music21."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import music21
import pytest

from companion import charts
from companion.cli.made import document_of, plan_of
from companion.exercises import REGISTRY
from companion.passage import Passage
from companion.planning import RULES, plan, printed_texts
from companion.scores import read

CHART = charts.load("alto")
TUNE = read(Path(__file__).parents[2] / "shared" / "passages" / "etude-e-minor.musicxml")


@pytest.fixture(scope="module")
def made() -> Passage:
    return REGISTRY["links"](TUNE, plan(TUNE, CHART), CHART)


def test_the_document_has_the_marks_of_the_plan(made: Passage, tmp_path: Path) -> None:
    planned = plan_of(made, CHART)
    file = tmp_path / "made.musicxml"
    file.write_bytes(document_of(made, planned))
    notes = music21.converter.parse(file).parts[0].stripTies().recurse().notes
    fingerings = [
        (place, mark.fingerNumber)
        for place, note in enumerate(notes)
        for mark in note.articulations
        if isinstance(mark, music21.articulations.Fingering)
    ]
    assert fingerings and fingerings == sorted(printed_texts(made, planned).items())


def test_a_fingering_over_a_note_of_the_exercise_is_kept(made: Passage) -> None:
    at = next(note.index for note in made.notes if len(CHART.for_note(note.written_midi)) > 1)
    other = CHART.for_note(made.notes[at].written_midi)[-1]
    notes = tuple(replace(note, fingering_mark=other.name) if note.index == at else note for note in made.notes)
    assert plan_of(replace(made, notes=notes), CHART).choices[at].fingering == other


def test_the_teachers_rules_are_followed(made: Passage) -> None:
    without = plan_of(made, CHART, ())
    assert plan_of(made, CHART).version == plan_of(made, CHART, RULES).version != without.version
