"""Fingerings of the music kept in an exercise, with no more marks than needed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from practice.made import passage

from companion import charts
from companion.exercises import REGISTRY
from companion.exercises.fixed import USUAL, fixing_mark, with_needed_marks
from companion.passage import Passage
from companion.planning import RULES, all_marks, plan

HORNS = ("alto", "baritone", "soprano", "tenor")


@pytest.mark.parametrize("horn", HORNS)
def test_every_fingering_is_found_again_by_its_mark(horn: str) -> None:
    chart = charts.load(horn)
    for fingering in chart.fingerings:
        mark = fixing_mark(fingering, chart)
        if len(chart.for_note(fingering.written_midi)) == 1:
            assert mark == ""
        elif mark:
            assert chart.called(fingering.written_midi, mark)[0] == fingering
        else:
            # Two fingerings of one note share name and mark; only the first can be asked for.
            same = [f for f in chart.for_note(fingering.written_midi) if f.mark == fingering.mark]
            assert len(same) > 1 and same[0] != fingering


def marked(tune: Passage, marks: dict[int, str]) -> Passage:
    return replace(tune, notes=tuple(replace(n, fingering_mark=marks.get(n.index, "")) for n in tune.notes))


def test_the_usual_fingering_is_named_only_where_the_plan_would_leave_it() -> None:
    chart = charts.load("alto")
    tune = passage("F4:1/4 F#4:1/4 F4:1/4 E4:1/4 F#4:1/4 E4:1/4 G4:1/2")
    assert [choice.name for choice in plan(tune, chart).choices][1] == "chromatic"
    made = with_needed_marks(marked(tune, {1: USUAL, 4: USUAL}), chart)
    assert [note.fingering_mark for note in made.notes] == ["", USUAL, "", "", "", "", ""]
    names = [choice.name for choice in plan(made, chart, all_marks(made, chart, {})).choices]
    assert (names[1], names[4]) == ("standard", "standard")


def test_alternates_keep_their_marks() -> None:
    chart = charts.load("alto")
    tune = passage("G4:1/4 Bb4:1/4 A4:1/4 G4:1/4 A4:1/4 Bb4:1/4 A4:1/2")
    made = with_needed_marks(marked(tune, {1: "bis", 5: "1+2"}), chart)
    assert {note.index: note.fingering_mark for note in made.notes if note.fingering_mark} == {1: "bis", 5: "1+2"}
    assert plan(made, chart, all_marks(made, chart, {})).choices[5].name == "1-and-2"


def test_a_printed_note_has_one_mark_each_time_it_is_played() -> None:
    chart = charts.load("alto")
    tune = passage("F4:1/4 F#4:1/4 E4:1/4 F#4:1/4 F4:1/4 F#4:1/4 E4:1/2")
    twice = replace(tune, notes=tuple(replace(note, source=note.index % 4) for note in tune.notes))
    made = with_needed_marks(marked(twice, {1: USUAL, 3: USUAL, 5: USUAL}), chart)
    assert made.notes[1].fingering_mark == made.notes[5].fingering_mark


def test_the_rules_of_the_music_are_those_of_its_exercises() -> None:
    chart = charts.load("alto")
    tune = passage("C5:1/4 C#5:1/4 D5:1/4 E5:1/4 C#5:1/4 B4:1/4")
    rules = tuple(rule for rule in RULES if rule.name != "middle-finger C")
    music = plan(tune, chart, rules=rules)
    assert music.choices[0].name == "standard"
    made = REGISTRY["rhythms"](tune, music, chart)
    choices = plan(made, chart, all_marks(made, chart, {}), rules=rules).choices
    assert {choices[note.index].name for note in made.notes if note.written_midi == 72} == {"standard"}
