"""Links: the hardest change as loops, written and read back by our reader and by music21."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import music21
import pytest
from practice.made import passage

from companion import charts
from companion.errors import UsageError
from companion.exercises import REGISTRY
from companion.exercises.links import LINK_KINDS, hardest_changes
from companion.planning import plan, printed_marks
from companion.scores import read
from companion.scores.write import to_musicxml

CHART = charts.load("alto")
TUNE = read(Path(__file__).parents[2] / "shared" / "passages" / "etude-e-minor.musicxml")
PLAN = plan(TUNE, CHART)


@pytest.mark.parametrize("kind", LINK_KINDS)
@pytest.mark.parametrize("change", [1, 2, 3])
def test_planned_written_and_read_back(kind: str, change: int, tmp_path: Path) -> None:
    made = REGISTRY["links"](TUNE, PLAN, CHART, change=change, kind=kind)
    assert len(plan(made, CHART).choices) == len(made.notes)
    file = tmp_path / "made.musicxml"
    file.write_bytes(to_musicxml(made))
    again = read(file)
    assert not again.remarks
    assert again.slurs == made.slurs
    assert [(n.written, n.start, n.length) for n in again.notes] == [(n.written, n.start, n.length) for n in made.notes]
    part = music21.converter.parse(file).parts[0]
    assert all(measure.duration.quarterLength == 4 for measure in part.getElementsByClass("Measure"))


def test_the_pair_stands_first_both_ways() -> None:
    hardest = hardest_changes(TUNE, PLAN, CHART)
    assert [change.limit_bpm for change in hardest] == sorted(change.limit_bpm for change in hardest)
    pair = [TUNE.notes[hardest[0].from_index].written, TUNE.notes[hardest[0].note_index].written]
    made = REGISTRY["links"](TUNE, PLAN, CHART, kind="pair", times=1)
    assert [note.written for note in made.notes] == [*pair, *pair[::-1], *pair * 4, pair[0]]


@pytest.mark.parametrize("options", [{"change": 0}, {"change": 9999}, {"kind": "x"}, {"times": 9}])
def test_what_makes_no_sense_is_said(options: dict[str, str | int]) -> None:
    with pytest.raises(UsageError):
        REGISTRY["links"](TUNE, PLAN, CHART, **options)


def test_the_fingerings_of_the_music_are_kept() -> None:
    for number, change in enumerate(hardest_changes(TUNE, PLAN, CHART), start=1):
        made = REGISTRY["links"](TUNE, PLAN, CHART, change=number, kind="pair", times=1)
        planned = plan(made, CHART, printed_marks(made, CHART)).choices
        pair = [PLAN.choices[i].fingering for i in (change.from_index, change.note_index)]
        for choice, wanted in zip(planned, [*pair, *pair[::-1], *pair * 4, pair[0]], strict=True):
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
