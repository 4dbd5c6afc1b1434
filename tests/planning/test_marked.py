"""Marks by hand: what is warned of, what others would cost, and what is printed over a note that is played twice.

What a hand can't do is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from planning_passages import passage

from companion import charts
from companion.passage import Bar, Passage
from companion.planning import plan, printed_texts

ALTO = charts.load("alto")


def played_twice(first: str, second: str, again: int) -> Passage:
    """Two passes of `again` printed notes at the start of both texts, the rest of each printed once."""
    whole = passage(f"{first} {second}")
    count = len(first.split())
    notes = tuple(
        replace(n, source=n.index - count if count <= n.index < count + again else n.index, bar=int(n.index >= count))
        for n in whole.notes
    )
    bars = (
        Bar(0, "1", 0, Fraction(0), Fraction(4), 4, 4),
        Bar(1, "1", 0, Fraction(4), Fraction(4), 4, 4, time_pass=2),
    )
    return replace(whole, notes=notes, bars=bars)


@pytest.mark.parametrize(
    ("text", "marks", "says"),
    [
        (
            "A4 _Bb4 _B4", {1: "bis"},
            "bar 1, B♭4 marked bis: the index must slide between bis and its pearl in a slur, with B4 after it;"
            " side would not ask for it",
        ),
        (
            "B4 _Bb4 _A4", {1: "bis"},
            "bar 1, B♭4 marked bis: the index must slide between bis and its pearl in a slur, with B4 before it;"
            " side would not ask for it",
        ),
        (
            "A4 Bb4 B4", {1: "bis"},
            "bar 1, B♭4 marked bis: the index must slide between bis and its pearl with no time for it, with B4 after"
            " it; side would not ask for it",
        ),
        (
            "F4 _F#4 _D4", {1: "chr"},
            "bar 1, F♯4 marked chromatic: the right ring finger must jump from key to key in a slur, with D4 after it;"
            " the usual fingering would not ask for it",
        ),
        (
            "C5:1 _Bb4:1 _C5:1", {0: "side C", 1: "bis"},
            "bar 1, B♭4 marked bis: the index must slide between bis and its pearl in a slur, with C5 before it;"
            " side would not ask for it",
        ),
        (
            "Bb4~B4:2 A4", {0: "bis"},
            "bar 1, B♭4 marked bis: can't be trilled with B4, the index must slide between bis and its pearl;"
            " side can be",
        ),
    ],
)  # fmt: skip
def test_a_mark_that_asks_too_much_is_kept_and_said(text: str, marks: dict[int, str], says: str) -> None:
    planned = plan(passage(text), ALTO, marks)
    assert planned.remarks == (says,)
    assert all(planned.choices[i].fixed and planned.choices[i].reason.startswith("marked by hand") for i in marks)


@pytest.mark.parametrize(
    ("text", "marks"),
    [
        ("A4 _Bb4 _A4", {1: "bis"}),
        ("A4 _Bb4 _B4", {1: "side"}),
        ("A4 _Bb4 r:1 B4", {1: "bis"}),  # a rest leaves time
        ("A4:1 Bb4:1 B4:1", {1: "bis"}),  # tongued, with time
        ("A4 _Bb4 _B4", {}),
        ("G#4 _B3 _Bb3 _C#4", {0: "standard"}),  # the little finger's keys have rollers
        ("C5 _D6 _F6", {2: "standard"}),  # the palms hold several keys
        ("F4 _F#4 _F4 _D4", {1: "chr"}),  # the ring finger has a note's time
        ("A4~Bb4:2 B4", {0: "standard"}),
    ],
)
def test_a_mark_that_a_hand_can_play_is_not_warned_of(text: str, marks: dict[int, str]) -> None:
    assert plan(passage(text), ALTO, marks).remarks == ()


def test_a_note_played_twice_is_warned_of_once() -> None:
    line = played_twice("A4 _Bb4 _B4", "A4 _Bb4 _B4", 3)
    assert len(plan(line, ALTO, {1: "bis", 4: "bis"}).remarks) == 1


def test_a_marked_note_still_says_what_others_would_cost() -> None:
    """Exactly: the plan with the other one marked, less the plan as it is marked."""
    line = passage("F4 F#4 E4 A#4 B4 C5 Bb4 C5 B4")
    marks = {1: "standard", 3: "1-and-1"}
    planned = plan(line, ALTO, marks)
    for index in marks:
        others = planned.choices[index].runners_up
        assert {f.fingering.name for f in others} | {planned.choices[index].name} == {
            f.name for f in ALTO.for_note(line.notes[index].written_midi) if not f.only_for
        }
        for other in others:
            instead = plan(line, ALTO, {**marks, index: other.fingering.name})
            assert other.extra_s == pytest.approx(instead.total_s - planned.total_s, abs=1e-7)
    assert planned.choices[1].runners_up[0].extra_s < 0 < planned.choices[6].runners_up[0].extra_s


def test_texts_over_the_notes() -> None:
    line = passage("F4 F#4 A4 Bb4 B4 C5 B4 D5 C#5 D5")
    assert printed_texts(line, plan(line, ALTO)) == {1: "chr", 3: "side", 5: "sC", 8: "long+R"}


def test_a_trill_says_how_its_other_note_is_played() -> None:
    line = passage("B4~C5:2 A#4~B4:2 C5~B4:2 G4~A4:2 C5~D5:2")
    assert printed_texts(line, plan(line, ALTO)) == {0: "tr sC", 1: "side", 2: "sC", 4: "tr palm+C"}


@pytest.mark.parametrize(
    ("first", "second", "again", "texts"),
    [
        ("A4 Bb4 A4", "A4 Bb4 A4", 3, {1: "bis"}),
        ("A4 Bb4 A4", "A4 Bb4 B4", 2, {1: "bis, 2nd side"}),
        ("A4 Bb4 B4", "A4 Bb4 A4", 2, {1: "side, 2nd bis"}),
        ("G4 F#4 E4", "G4 F#4 F4", 2, {1: "2nd chr"}),
        ("G4 F#4 F4", "G4 F#4 E4", 2, {1: "1st chr"}),
    ],
)
def test_a_note_played_twice_says_where_the_passes_differ(
    first: str, second: str, again: int, texts: dict[int, str]
) -> None:
    line = played_twice(first, second, again)
    assert printed_texts(line, plan(line, ALTO)) == texts


def test_more_passes_than_two() -> None:
    """Marked by hand: four passes of one printed B♭, and of one F♯."""
    line = passage("Bb4 r:2 Bb4 r:2 Bb4 r:2 Bb4 r:2 F#4 r:2 F#4 r:2 F#4")
    notes = tuple(replace(n, source=0 if n.index < 4 else 4) for n in line.notes)
    line = replace(line, notes=notes)
    texts = printed_texts(line, plan(line, ALTO, {0: "bis", 1: "side", 2: "bis", 3: "side", 4: "chr", 6: "chr"}))
    assert texts == {0: "bis, 2nd+4th side", 4: "1st+3rd chr"}


def test_a_passage_with_usual_fingerings_only_has_no_texts() -> None:
    line = passage("G4 A4 B4 C5 D5")
    assert printed_texts(line, plan(line, ALTO)) == {}
