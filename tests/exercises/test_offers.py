"""Offers: each can be made, what fails comes first, and nothing is offered twice."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import floor
from pathlib import Path

import music21
import pytest
from practice.made import passage

from companion import charts
from companion.exercises import REGISTRY
from companion.exercises.links import hardest_changes
from companion.exercises.offers import offers
from companion.passage import Passage, Slur
from companion.planning import plan
from companion.planning.limits import speed_limits
from companion.scores import read

PASSAGES = Path(__file__).parents[2] / "shared" / "passages"
TUNE = read(PASSAGES / "etude-e-minor.musicxml")
ALTO = charts.load("alto")
PLAN = plan(TUNE, ALTO)


@dataclass(frozen=True)
class Spot:
    note_index: int
    solved: bool = False
    failed: int = 6
    takes: int = 7


@pytest.mark.parametrize("horn", charts.names())
@pytest.mark.parametrize("file", ["etude-e-minor.musicxml", "first-steps.musicxml", "waltz-in-f.musicxml"])
def test_each_gives_its_exercise_again(file: str, horn: str) -> None:
    tune, chart = read(PASSAGES / file), charts.load(horn)
    planned = plan(tune, chart)
    found = offers(tune, planned, chart)
    assert {"links", "scales"} <= {offer.name for offer in found} <= set(REGISTRY)
    for offer in found:
        made = REGISTRY[offer.name](tune, planned, chart, **offer.options)
        assert made == offer.made and (offer.title, offer.purpose) == (made.title, made.purpose)
        assert made.purpose and made.origin == "" and made.sha256


def test_what_fails_comes_first_and_solved_ones_not_at_all() -> None:
    found = offers(TUNE, PLAN, ALTO, (Spot(41), Spot(7), Spot(9, solved=True), Spot(-1)))
    assert [dict(offer.options) for offer in found[:3]] == [{"into": 41}, {"into": 7}, {"change": 1}]
    assert found[0].why == "failed in 6 of 7 of your takes"
    pair = [note.written for note in TUNE.notes[40:42]]
    assert [note.written for note in found[0].made.notes[:2]] == pair


def test_the_hardest_changes_follow_with_the_tempo_they_reach() -> None:
    found = [offer for offer in offers(TUNE, PLAN, ALTO) if offer.name == "links"]
    lowest = speed_limits(TUNE, PLAN, ALTO, 92.0).limit_bpm
    assert found[0].why == f"goes up to about {floor(lowest)} by the average player's pace"
    assert [offer.options["change"] for offer in found] == [1, 2]


def test_where_nothing_is_hard_one_change_is_offered_and_that_is_said() -> None:
    easy = passage("G4:1 A4:1 B4:1 A4:1 G4:1 F4:1 E4:1 G4:1")
    (links,) = (offer for offer in offers(easy, plan(easy, ALTO), ALTO) if offer.name == "links")
    assert links.why.startswith("nothing here is hard at the printed tempo")


def test_the_articulation_that_comes_most_often_is_offered_with_its_count() -> None:
    slurred = passage("C4:1/2 D4:1/2 E4:1/2 F4:1/2 " * 6)
    slurs = tuple(Slur(first, first + 1) for first in range(0, 24, 2))
    slurred = replace(
        slurred, slurs=slurs, notes=tuple(replace(note, tongued=note.index % 2 == 0) for note in slurred.notes)
    )
    found = [offer for offer in offers(slurred, plan(slurred, ALTO), ALTO) if offer.name == "articulations"]
    assert "slurred by twos" in found[0].title and found[0].why == "comes 12 times in the passage"
    assert len({offer.title for offer in found}) == len(found) <= 2


@pytest.mark.parametrize(
    ("fifths", "mode", "key"), [(-1, "major", "F major"), (1, "minor", "E minor"), (2, "", "D major")]
)
def test_scales_begin_with_the_key_of_the_passage(fifths: int, mode: str, key: str) -> None:
    # music21 names the key of a signature.
    assert music21.key.KeySignature(fifths).asKey(mode or "major").name == key
    tune = passage("G4:1 A4:1 B4:1 A4:1", fifths=fifths)
    tune = replace(tune, bars=tuple(replace(bar, mode=mode) for bar in tune.bars))
    own, every = (offer for offer in offers(tune, plan(tune, ALTO), ALTO) if offer.name == "scales")
    assert own.options["key"] == key and own.why == "the key of the passage, in its register"
    assert {bar.fifths for bar in own.made.bars} == {fifths} and len({bar.fifths for bar in every.made.bars}) == 12


def test_a_trouble_spot_that_is_the_hardest_change_is_offered_once() -> None:
    worst = hardest_changes(TUNE, PLAN, ALTO)[0]
    found = [offer for offer in offers(TUNE, PLAN, ALTO, (Spot(worst.note_index),)) if offer.name == "links"]
    assert [dict(offer.options) for offer in found] == [{"into": worst.note_index}, {"change": 2}]


def test_spots_of_the_whole_passage_are_found_in_an_excerpt() -> None:
    first = next(note.index for note in TUNE.notes if note.bar == 3)
    part = TUNE.excerpt(3, 4)
    planned = PLAN.part(first, len(part.notes))
    found = offers(part, planned, ALTO, (Spot(first + 2), Spot(first), Spot(1)), first)
    assert [offer.options for offer in found if "into" in offer.options] == [{"into": 2}]
    assert [note.written for note in found[0].made.notes[:2]] == [n.written for n in TUNE.notes[first + 1 : first + 3]]


def test_one_note_has_nothing_to_link() -> None:
    alone = passage("G4:4")
    assert "links" not in {offer.name for offer in offers(alone, plan(alone, ALTO), ALTO)}


def test_nothing_is_offered_of_nothing() -> None:
    empty = Passage("", (), ())
    assert offers(empty, replace(PLAN, choices=()), ALTO) == ()


def test_the_key_is_the_one_that_the_notes_say_where_the_signature_could_be_either() -> None:
    tune = passage("C5:1 D5:1 Eb5:1 F5:1 G5:1 F5:1 Eb5:1 D5:1 C5:1 B4:1 C5:2", fifths=-3)
    tune = replace(tune, bars=tuple(replace(bar, mode="") for bar in tune.bars))
    stream = music21.stream.Stream([music21.note.Note(note.written_midi, quarterLength=1) for note in tune.notes])
    assert stream.analyze("key").name == "C minor"
    own = next(offer for offer in offers(tune, plan(tune, ALTO), ALTO) if offer.name == "scales")
    assert own.options["key"] == "C minor" and own.options["kind"] == "melodic-minor"


@pytest.mark.parametrize(
    ("notes", "fifths", "lowest", "highest"),
    [
        ("F#4:1 G4:1 A4:1 B4:1 C5:1 D5:1", 1, 67, 79),
        ("G4:1 A4:1 B4:1 C5:1", 0, 60, 72),
        ("Bb3:1 C4:1 D4:1 E4:1", 0, 60, 72),
        ("C5:2 E5:1 G5:1 A5:1 G5:1 C5:2", 0, 72, 84),
    ],
)
def test_a_narrow_passage_has_its_own_key_in_its_own_octave(notes: str, fifths: int, lowest: int, highest: int) -> None:
    tune = passage(notes, fifths=fifths)
    found = offers(tune, plan(tune, ALTO), ALTO)
    for offer in (next(one for one in found if one.name == name) for name in ("scales", "articulations")):
        midis = [note.written_midi for note in offer.made.notes]
        assert (min(midis), max(midis)) == (lowest, highest), offer.title


def test_a_wide_passage_has_its_scale_over_the_whole_horn() -> None:
    own = next(offer for offer in offers(TUNE, PLAN, ALTO) if offer.name == "scales")
    midis = [note.written_midi for note in own.made.notes]
    assert max(midis) - min(midis) > 24 and "octaves" not in own.options
