"""Links: the hardest change as loops, written and read back by our reader and by music21."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from exercises.exercise_checks import assert_sound
from practice.made import passage

from companion import charts
from companion.errors import UsageError
from companion.exercises import REGISTRY
from companion.exercises.links import LINK_KINDS, hardest_changes
from companion.passage import Passage, Pitch, Trill
from companion.planning import plan, printed_marks
from companion.scores import read

CHART = charts.load("alto")
TUNE = read(Path(__file__).parents[2] / "shared" / "passages" / "etude-e-minor.musicxml")
PLAN = plan(TUNE, CHART)


@pytest.mark.parametrize("kind", LINK_KINDS)
@pytest.mark.parametrize("change", [1, 3])
def test_planned_written_and_read_back(kind: str, change: int) -> None:
    assert_sound(REGISTRY["links"](TUNE, PLAN, CHART, change=change, kind=kind), CHART)


def test_the_pair_stands_first_both_ways() -> None:
    hardest = hardest_changes(TUNE, PLAN, CHART)
    assert [change.limit_bpm for change in hardest] == sorted(change.limit_bpm for change in hardest)
    pair = [TUNE.notes[hardest[0].from_index].written, TUNE.notes[hardest[0].note_index].written]
    made = REGISTRY["links"](TUNE, PLAN, CHART, kind="pair", times=1)
    assert [note.written for note in made.notes] == [*pair, *pair[::-1], *pair * 2, pair[0]]


@pytest.mark.parametrize(
    "options",
    [{"change": 0}, {"change": 9999}, {"kind": "x"}, {"times": 9}, {"length": 1}, {"count": 0}, {"spots": "4, x"}],
)
def test_what_makes_no_sense_is_said(options: dict[str, str | int]) -> None:
    with pytest.raises(UsageError):
        REGISTRY["links"](TUNE, PLAN, CHART, **options)


def test_the_fingerings_of_the_music_are_kept() -> None:
    for number, change in enumerate(hardest_changes(TUNE, PLAN, CHART), start=1):
        made = REGISTRY["links"](TUNE, PLAN, CHART, change=number, kind="pair", times=1)
        planned = plan(made, CHART, printed_marks(made, CHART)).choices
        pair = [PLAN.choices[i].fingering for i in (change.from_index, change.note_index)]
        for choice, wanted in zip(planned, [*pair, *pair[::-1], *pair * 2, pair[0]], strict=True):
            assert choice.fingering == wanted


def test_the_same_note_again_is_tongued() -> None:
    repeated = passage("G4:1/2 G4:1/2 A4:1/2 B-4:1/2 A4:1/2 A4:1/2 B4:1/2 C5:1/2")
    made = REGISTRY["links"](repeated, plan(repeated, CHART), CHART, kind="grown")
    again = [note for before, note in pairwise(made.notes) if before.written_midi == note.written_midi]
    assert again and all(note.tongued for note in again)
    assert any(not note.tongued for note in made.notes)


def test_any_change_can_be_taken_by_the_note_it_leads_into() -> None:
    made = REGISTRY["links"](TUNE, PLAN, CHART, into=7, kind="pair", times=1)
    assert [note.written for note in made.notes[:2]] == [note.written for note in TUNE.notes[6:8]]
    with pytest.raises(UsageError, match="no change leads into note 9999: this passage has notes 0 to 242"):
        REGISTRY["links"](TUNE, PLAN, CHART, into=9999)


def loops(made: Passage) -> list[str]:
    """The notes of each printed bar."""
    bars: dict[int, list[str]] = {}
    for note in made.notes:
        if made.bars[note.bar].time_pass == 1:
            bars.setdefault(made.bars[note.bar].written_index, []).append(str(note.written))
    return [" ".join(bar) for bar in bars.values()]


def test_grown_forwards_then_backwards_until_the_bar_stands() -> None:
    tune = passage("E4:1/2 F4:1/2 G4:1/2 A4:1/2 B4:1/2 C5:1/2 D5:1/2 E5:1/2 C4:4")
    made = REGISTRY["links"](tune, plan(tune, CHART), CHART, into=4, kind="grown", times=1, length=4)
    assert loops(made) == ["A4 B4 C5", "A4 B4 C5 D5", "G4 A4 B4", "F4 G4 A4 B4", "E4 F4 G4 A4 B4 C5 D5 E5"]
    made = REGISTRY["links"](tune, plan(tune, CHART), CHART, into=4, kind="approached", times=3)
    assert loops(made) == ["G4 A4 B4", "A4 B4 C5", "G4 A4 B4 C5"]
    assert len(made.bars) == 9 and {bar.time_pass for bar in made.bars} == {1, 2, 3}


def test_a_rest_ends_the_growing() -> None:
    tune = passage("G4:1/2 r:1/2 A4:1/2 B4:1/2 C5:1/2 D5:1/2 r:1/2 E5:1/2")
    made = REGISTRY["links"](tune, plan(tune, CHART), CHART, into=2, kind="grown", times=1)
    assert loops(made) == ["A4 B4 C5", "A4 B4 C5 D5", "G4 A4 B4 C5 D5 E5"]


def test_loops_have_the_speed_of_the_music() -> None:
    for text, short in (("1/4", 4), ("1/3", 3), ("1", 1), ("2", 1), ("1/8", 8), ("2/3", 2)):
        tune = passage(" ".join(f"{name}:{text}" for name in ("G4", "A4", "Bb4", "C5", "D5", "C5")))
        made = REGISTRY["links"](tune, plan(tune, CHART), CHART, kind="pair", times=1)
        assert made.notes[0].length == Fraction(1, short)
        assert made.marked_tempo_bpm() == tune.marked_tempo_bpm()
        assert_sound(made, CHART)


def test_the_bar_as_written_keeps_rhythm_metre_and_marks() -> None:
    first = min(range(len(TUNE.bars)), key=lambda index: -len([n for n in TUNE.notes if n.bar == index]))
    into = next(note.index for note in TUNE.notes if note.bar == first) + 3
    made = REGISTRY["links"](TUNE, PLAN, CHART, into=into, kind="grown", times=1)
    theirs = [note for note in TUNE.notes if note.bar == TUNE.notes[into].bar]
    ours = made.notes[-len(theirs) :]
    assert [(n.written, n.length, n.count, n.articulations, n.tongued) for n in ours][1:] == [
        (n.written, n.length, n.count, n.articulations, n.tongued) for n in theirs
    ][1:]
    slow = passage("G4:1/2 A4:1/2 B4:1/2 C5:1/2 D5:1/2 E5:1/2", metre=(6, 8))
    made = REGISTRY["links"](slow, plan(slow, CHART), CHART, kind="grown")
    assert (made.bars[0].beats, made.bars[0].beat_type) == (4, 4)
    assert (made.bars[-1].beats, made.bars[-1].beat_type) == (6, 8)


def test_grace_notes_and_an_upbeat_stand_in_the_bar_as_written() -> None:
    tune = passage("D5:1/2 E5:1/2 g:F5 E5:1 D5:1 C5:2", upbeat=1)
    for into in (1, 2, 3):
        made = REGISTRY["links"](tune, plan(tune, CHART), CHART, into=into, times=2)
        assert_sound(made, CHART)
    assert [note.grace for note in made.notes].count("acciaccatura") == 1
    upbeat = REGISTRY["links"](tune, plan(tune, CHART), CHART, into=1, kind="grown", times=1)
    assert [note.count for note in upbeat.notes if note.start >= upbeat.bars[-1].start] == [4, Fraction(9, 2)]


def test_several_changes_on_one_sheet() -> None:
    hardest = hardest_changes(TUNE, PLAN, CHART)
    made = REGISTRY["links"](TUNE, PLAN, CHART, count=3, kind="pair", times=1)
    assert made.title == "Links: 3 hard changes"
    firsts = [TUNE.notes[change.from_index].written for change in hardest[:3]]
    assert [made.notes[i].written for i in (0, 9, 18)] == firsts
    own = REGISTRY["links"](TUNE, PLAN, CHART, spots="7, 40,7", kind="pair", times=1)
    assert own.title == "Links: 2 trouble spots"
    assert [own.notes[i].written for i in (0, 1, 9, 10)] == [TUNE.notes[i].written for i in (6, 7, 39, 40)]


def test_either_direction_of_a_change_counts_once() -> None:
    tune = passage("G4:1/4 A4:1/4 G4:1/4 A4:1/4 G4:1")
    assert len(hardest_changes(tune, plan(tune, CHART), CHART)) == 1


def test_a_trill_stands_in_the_bar_as_written_only() -> None:
    plain = passage("D5:1/2 E5:1/2 D5:1 C5:1/2 D5:1/2 E5:1")
    trilled = replace(plain.notes[2], trill=Trill(Pitch("E", 0, 5)), fermata=True)
    tune = replace(plain, notes=(*plain.notes[:2], trilled, *plain.notes[3:]))
    made = REGISTRY["links"](tune, plan(tune, CHART), CHART, into=2, times=1)
    assert_sound(made, CHART)
    assert [note.index for note in made.notes if note.trill or note.fermata] == [len(made.notes) - 4]
    assert not any(note.trill for note in REGISTRY["rhythms"](tune, plan(tune, CHART), CHART).notes)
