"""Alternates side by side: each fingering that makes sense, and nothing else changed."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import pytest
from exercises.exercise_checks import assert_sound, planned
from practice.made import passage

from companion import charts
from companion.errors import UsageError
from companion.exercises import REGISTRY
from companion.passage import Passage
from companion.planning import plan
from companion.planning.hands import awkward
from companion.scores import read

CHART = charts.load("alto")
ETUDE = read(Path(__file__).parents[2] / "shared" / "passages" / "etude-e-minor.musicxml")


def made_of(tune: Passage | str, **options: str | int) -> Passage:
    music = passage(tune) if isinstance(tune, str) else tune
    return REGISTRY["alternates"](music, plan(music, CHART), CHART, **{"times": 1, **options})


def names(made: Passage, size: int) -> list[list[str]]:
    """The planned fingerings of each bar of `size` notes."""
    found = [choice.name for choice in planned(made, CHART).choices]
    return [found[first : first + size] for first in range(0, len(found), size)]


def test_b_flat_between_a_and_g_in_four_ways() -> None:
    made = made_of("G4:1/4 A4:1/4 Bb4:1/4 A4:1/4 G4:3")
    ways = names(made, 5)
    assert ways[0][2] == "bis" and {way[2] for way in ways} == {"bis", "side", "1-and-1", "1-and-2"} and len(ways) == 4
    assert {(*way[:2], *way[3:]) for way in ways} == {("standard",) * 4}
    assert made.title.startswith("B♭ side by side: bis, ") and made.title.endswith(" (bar 1)")
    assert made.purpose.startswith("The same bar with each fingering of B♭, the planned one first, to hear")
    headings = [mark.text for mark in made.tempos]
    assert headings[0] == "B♭ bis ♩ = 92" and set(headings[1:]) == {"B♭ side", "B♭ 1-and-1", "B♭ 1-and-2"}
    assert_sound(made, CHART)


def test_what_a_hand_cannot_do_is_left_out() -> None:
    """No index slides from its pearl to bis in a slur, so bis is not offered beside B (common practice, no source)."""
    made = made_of("B4:1/4 Bb4:1/4 B4:1/4 C5:1/4 D5:3", bars="1.2")
    assert "bis" not in {way[1] for way in names(made, 5)} and len(names(made, 5)) > 1
    both = made_of("B4:1/4 Bb4:1/4 B4:1/4 r:1/4 G4:1/4 Bb4:1/4 G4:1/4 r:5/4 D5:1", bars="1")
    for way in names(both, 7):
        assert way[1] != "bis"
    for before, after in pairwise(planned(both, CHART).choices):
        if after.note_index % 7 in (1, 2, 4, 5):
            assert not awkward(before.keys, after.keys)


def test_each_way_is_the_same_bar() -> None:
    made = made_of(ETUDE, bars="11")
    theirs = [(note.written, note.length, note.count, note.articulations) for note in ETUDE.notes if note.bar == 10]
    ours = [(note.written, note.length, note.count, note.articulations) for note in made.notes]
    assert ours == theirs * (len(ours) // len(theirs)) and len(ours) > 3 * len(theirs)
    ways = names(made, len(theirs))
    assert len({tuple(way) for way in ways}) == len(ways)
    assert made.title == "F♯, B♭ and C♯ side by side (bar 11)" and made.tempos[0].text == "As planned ♩ = 96"


def test_the_planned_way_is_that_of_the_music() -> None:
    music = plan(ETUDE, CHART)
    compared = 0
    for bar in ETUDE.bars:
        inside = [note.index for note in ETUDE.notes if note.bar == bar.index]
        try:
            made = REGISTRY["alternates"](ETUDE, music, CHART, bars=bar.number, times=2)
        except UsageError:
            continue
        compared += 1
        wanted = [music.choices[i].name for i in inside]
        assert names(made, len(inside))[:2] == [wanted, wanted]
    assert compared > 5


def test_one_note_of_a_bar() -> None:
    text = "F4:1/2 F#4:1/2 G4:1/2 F#4:1/2 F4:1/2 F#4:1/2 G4:1"
    music = names(made_of(text, bars="1.2"), 7)
    assert len(music) == 2 and [i for i in range(7) if music[0][i] != music[1][i]] == [1]
    assert names(made_of(text, bars="1.-2"), 7)[0] == music[0]
    all_of_them = names(made_of(text, bars="1"), 7)
    assert len(all_of_them) > 1 and {way[3] for way in all_of_them} == {"standard", "chromatic"}


def test_the_usual_fingering_can_be_asked_for() -> None:
    """F♯ beside F is planned chromatic; the other way is the usual one, and the plan keeps it."""
    made = made_of("F4:1/4 F#4:1/4 F4:1/4 F#4:1/4 F4:3")
    assert [way[1] for way in names(made, 5)] == ["chromatic", "standard"]
    assert made.title == "F♯ side by side: chromatic and usual (bar 1)"
    assert [mark.text for mark in made.tempos] == ["F♯ chromatic ♩ = 92", "The usual F♯"]
    assert {note.fingering_mark for note in made.notes[5:] if note.written.alter} == {"standard"}


@pytest.mark.parametrize(
    "tune, options, said",
    [
        ("G4:1 A4:1 G4:1 A4:1", {}, "no note of this passage has another fingering"),
        (
            "G4:1 A4:1 G4:1 A4:1 G4:1 Bb4:1 G4:2",
            {"bars": "1"},
            "bar 1 leaves no choice of fingering; there is one in bar 2",
        ),
        ("G4:1 Bb4:1 G4:2", {"bars": "1.1"}, "note 1.1 leaves no choice of fingering; there is one in bar 1"),
        ("G4:1 Bb4:1 G4:2", {"bars": "1.4"}, "note 1.4: that bar has 3 notes"),
        ("G4:1 Bb4:1 G4:2", {"bars": "1.x"}, "is no note: write BAR.NOTE"),
        ("G4:1 Bb4:1 G4:2", {"bars": "9"}, "no bar '9'"),
        ("G4:1 Bb4:1 G4:2", {"times": 0}, "1 to 8 times each, not 0"),
    ],
)
def test_what_makes_no_sense_is_said(tune: str, options: dict[str, str | int], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        made_of(tune, **options)


def test_a_name_with_a_comma_is_one_name_in_the_list() -> None:
    made = made_of("B4:1/2 C#5:1/2 D5:1/2 E5:1/2 D5:1/2 E5:1/2 D5:1", bars="1.2")
    names = made.title.removeprefix("C♯ side by side: ").removesuffix(" (bar 1)")
    assert "long C♯ (right hand down)" in names
    assert len(re.split(r", | and ", names)) == len({mark.text.split(" ♩")[0] for mark in made.tempos})
