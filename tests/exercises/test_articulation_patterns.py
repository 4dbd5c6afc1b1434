"""Articulation patterns of hand-made scores whose patterns are known. The scores are music21's work."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from exercises.scored import scored
from practice.made import passage

from companion.exercises.articulation_patterns import Pattern, patterns_of
from companion.exercises.articulation_words import rhythm_in_words, strokes_in_words
from companion.passage import Passage


def _found(music: Passage) -> list[tuple[int, str, str]]:
    return [(pattern.count, pattern.unit, pattern.words) for pattern in patterns_of(music)]


@pytest.mark.parametrize(
    "text, metre, first",
    [
        ("G4:1/4( A4) B4 C5 " * 4, "4/4", (4, "beat", "slur two, tongue two, in sixteenths")),
        ("G4:1/4 A4( B4 C5) " * 3, "3/4", (3, "beat", "tongue one, slur three, in sixteenths")),
        ("G4:1/4( A4 B4) C5 " * 2, "2/4", (2, "beat", "slur three, tongue one, in sixteenths")),
        ("G4:1/4 A4( B4) C5 " * 2, "2/4", (2, "beat", "tongue one, slur two, tongue one, in sixteenths")),
        ("G4:1/2( A4) B4 C5 D5( C5) B4 A4", "4/4", (2, "half bar", "slur two, tongue two, in eighths")),
        ("G4:1/2. A4. B4. C5.", "2/4", (2, "beat", "staccato pairs, in eighths")),
        ("G4:1/2- A4- B4- C5-", "2/4", (2, "beat", "tenuto pairs, in eighths")),
        ("G4:1/2 A4 B4 C5", "2/4", (2, "beat", "all tongued, in eighths")),
        ("G4:1/2( A4) B4( C5)", "2/4", (2, "beat", "slurred by twos, in eighths")),
        ("G4:1/4> A4 B4 C5 " * 2, "2/4", (2, "beat", "all tongued, accent on the beat, in sixteenths")),
        ("G4:1/4>( A4) B4. C5. " * 2, "2/4", (2, "beat", "slur two, staccato two, accent on the beat, in sixteenths")),
        ("G4:1/4( A4 B4 C5.) " * 2, "2/4", (2, "beat", "slur four with the last one short, in sixteenths")),
        ("G4:1/4(. A4. B4. C5.) " * 2, "2/4", (2, "beat", "portato four, in sixteenths")),
        ("G4:1/3( A4) B4 " * 2, "2/4", (2, "beat", "slur two, tongue one, in triplets")),
        ("G4:1/2( A4) B4 C5( D5) E5", "6/8", (2, "beat", "slur two, tongue one, in eighths")),
        ("G4:1( A4:1/2) B4:1( C5:1/2)", "6/8", (2, "beat", "slurred by twos, as quarter and eighth")),
        ("G4:3/4( A4:1/4) " * 2, "2/4", (2, "beat", "slurred by twos, as dotted eighth and sixteenth")),
        ("G4:1( A4 B4) " * 3, "3/4", (3, "bar", "the whole bar slurred, in quarters")),
        ("G4:1/2( A4 B4 C5 D5) C5", "3/4", (1, "bar", "slur five, tongue one, in eighths")),
        ("r:1/2 G4:1/4 A4 r:1/2 B4:1/4 C5", "2/4", (2, "beat", "all tongued, as eighth rest and two sixteenths")),
        ("G4:1/2( A4) B4 C5( D5)", "5/8", (1, "bar", "slur two, tongue one, slur two, in eighths")),
    ],
)  # fmt: skip
def test_named_and_counted(text: str, metre: str, first: tuple[int, str, str], tmp_path: Path) -> None:
    assert _found(scored(tmp_path, text, metre))[0] == first


def test_the_most_frequent_comes_first_with_its_bars(tmp_path: Path) -> None:
    pairs, mixed = "G4:1/2( A4) ", "G4:1/4( A4) B4. C5. "
    music = scored(tmp_path, pairs * 3 + mixed + pairs * 2 + mixed * 2 + mixed * 4)
    found = {pattern.words: pattern for pattern in patterns_of(music)}
    assert next(iter(found)) == "slur two, staccato two, in sixteenths"
    assert (found["slur two, staccato two, in sixteenths"].count, found["slurred by twos, in eighths"].count) == (7, 5)
    assert found["slur two, staccato two, in sixteenths"].bars == (0, 1, 2)
    assert found["slurred by twos, in eighths"].bars == (0, 1)
    assert "bar" in {pattern.unit for pattern in found.values()}


def test_what_a_slur_carries_over_the_bar_line_is_told_from_what_begins_anew(tmp_path: Path) -> None:
    """In the first bar two lead on, in the second two end the slur, in the third the same notes begin anew."""
    music = scored(tmp_path, "C5:1 D5 E5( F5 G5 A5) B5 C6 G5( A5) B5 C6", "4/4")
    bars = {pattern.words: pattern for pattern in patterns_of(music) if pattern.unit == "bar"}
    assert set(bars) == {
        "tongue two, two that begin a slur, in quarters",
        "two that end a slur, tongue two, in quarters",
        "slur two, tongue two, in quarters",
    }
    assert bars["tongue two, two that begin a slur, in quarters"].leads_on
    assert bars["two that end a slur, tongue two, in quarters"].carried_in
    assert not bars["slur two, tongue two, in quarters"].carried_in


def test_a_slur_over_a_beat_belongs_to_the_longer_stretch(tmp_path: Path) -> None:
    found = _found(scored(tmp_path, "C5:1/4 D5 E5( F5 G5) F5 E5 D5 C5:2", "4/4"))
    assert (1, "half bar", "tongue two, slur three, tongue three, in sixteenths") in found
    assert not [each for each in found if each[1] == "beat"]


def test_a_note_held_over_an_edge_belongs_to_the_longer_stretch(tmp_path: Path) -> None:
    found = _found(scored(tmp_path, "C5:1/2 D5:1 E5:1/2 C5:1/2 D5 E5 F5:3/2 G5:1/2 A5 B5:1 C6", "4/4"))
    assert (1, "half bar", "all tongued, as eighth, quarter and eighth") in found
    assert not [each for each in found if each[1] == "bar"]  # tied over the bar line
    # Beat 3 of the first bar, and the second beat of the second, which begins after the tied note has ended.
    assert [each for each in found if each[1] == "beat"] == [(2, "beat", "all tongued, in eighths")]


def test_a_bar_of_one_pattern_again_and_again_is_no_pattern_of_its_own(tmp_path: Path) -> None:
    assert _found(scored(tmp_path, "G4:1/4( A4) B4 C5 " * 8)) == [(8, "beat", "slur two, tongue two, in sixteenths")]


def test_the_same_slurs_in_another_rhythm_are_another_pattern(tmp_path: Path) -> None:
    found = _found(scored(tmp_path, "G4:1/2( A4) G4:3/4( A4:1/4) G4:1/4( A4:3/4) r:1"))
    words = {words for _, unit, words in found if unit == "beat"}
    assert words == {
        "slurred by twos, in eighths",
        "slurred by twos, as dotted eighth and sixteenth",
        "slurred by twos, as sixteenth and dotted eighth",
    }


def test_notes_in_a_row_that_come_again_are_said_once(tmp_path: Path) -> None:
    words = [words for _, unit, words in _found(scored(tmp_path, "G4:1/2( A4) B4 C5( D5) E5 F5 G5 ", "4/4"))]
    assert words[0] == "slur two, tongue one, slur two, tongue three, in eighths"
    longer = scored(tmp_path, "G4:1/2( A4) B4 C5 D5( E5) F5 G5 A5( G5) F5 E5. ", "6/4")
    assert "(slur two, tongue two) twice, slur two, tongue one, staccato one, in eighths" in {
        words for _, unit, words in _found(longer)
    }


def test_a_repeated_bar_counts_once() -> None:
    music = passage("G4:1/2 A4:1/2 B4:1 C5:1/2 D5:1/2 E5:1 " * 2)
    again = replace(music, bars=tuple(replace(bar, written_index=0, time_pass=1 + bar.index) for bar in music.bars))
    once, twice = patterns_of(again), patterns_of(music)
    assert [pattern.count * 2 for pattern in once] == [pattern.count for pattern in twice]
    assert {bar for pattern in once for bar in pattern.bars} == {0}


def test_an_upbeat_counts_by_its_whole_beats() -> None:
    music = passage("G4:1/4 A4:1/4 G4:1/2 A4:1/2 B4:1/2 C5:3", upbeat=2)
    assert [(pattern.count, pattern.unit, pattern.bars) for pattern in patterns_of(music)][:2] == [
        (1, "half bar", (0,)),
        (1, "beat", (0,)),
    ]
    short = passage("G4:1/4 A4:1/4 B4:1/2 C5:1/2 D5:3", upbeat=Fraction(1, 2))
    assert all(pattern.bars == (1,) for pattern in patterns_of(short))


def test_a_grace_note_that_is_tongued_begins_its_note_anew() -> None:
    music = passage("G4:1/2 g:A4 B4:1/2 C5:1/2 D5:1/2 E5:2")
    slurred = replace(music, notes=tuple(replace(n, tongued=n.written.name != "B") for n in music.notes))
    beat = next(pattern for pattern in patterns_of(slurred) if pattern.unit == "beat")
    assert (beat.count, beat.words) == (2, "all tongued, in eighths")


def test_music_of_single_notes_has_no_pattern() -> None:
    assert patterns_of(passage("G4:4 A4:4")) == ()
    assert patterns_of(Passage("Empty", (), ())) == ()


def test_every_stroke_lies_in_its_pattern(tmp_path: Path) -> None:
    music = scored(tmp_path, "G4:1/4( A4) B4 C5 D5:1/3( E5 F5) G5:1/2. A5. r:1 " * 3)
    found: tuple[Pattern, ...] = patterns_of(music)
    assert found
    for pattern in found:
        ends = [stroke.start + stroke.length for stroke in pattern.strokes]
        assert ends == sorted(ends) and ends[-1] <= pattern.length
        assert len(pattern.bars) <= pattern.count


@pytest.mark.parametrize(
    "values, length, words",
    [
        (["5/4", "1/4", "1/4", "1/4"], "2", "as quarter tied to sixteenth and three sixteenths"),
        (["1", "1"], "4", "as two quarters and half rest"),
        (["7/8", "1/8"], "1", "as double-dotted eighth and thirty-second"),
        (["1/5"] * 5, "1", "in quintuplet sixteenths"),
        (["2/3", "1/3"], "1", "as triplet quarter and triplet eighth"),
        (["1/3"] * 3, "1", "in triplets"),
        (["1/6"] * 6, "1", "in triplet sixteenths"),
        (["1/11"] * 11, "1", "in notes of 1/11 quarters"),
        (["4", "2"], "6", "as whole note and half note"),
        (["9/4", "3/4"], "3", "as half note tied to sixteenth and dotted eighth"),
    ],
)
def test_rhythms_in_words(values: list[str], length: str, words: str) -> None:
    starts, at = [], Fraction(0)
    for value in values:
        starts.append((at, Fraction(value)))
        at += Fraction(value)
    assert rhythm_in_words(starts, Fraction(length)) == words


def _strokes(joined: str, *marks: str, leads_on: bool = False, unit: str = "beat") -> str:
    """`joined` has a `~` for each note that a slur leads into; marks of one note are joined by `+`."""
    sets = [frozenset(each.split("+")) - {""} for each in marks] or [frozenset()] * len(joined)
    return strokes_in_words([sign == "~" for sign in joined], sets, leads_on, unit)


def test_strokes_in_words() -> None:
    assert _strokes("|~~~~~") == "slurred by sixes"
    assert _strokes("|" * 14) == "all tongued"
    assert _strokes("|~" * 7 + "|") == "slur two 7 times, tongue one"
    assert _strokes("~~||") == "two that end a slur, tongue two"
    assert _strokes("~|||") == "one that ends a slur, tongue three"
    assert _strokes("~~~~", leads_on=True) == "four inside a slur"
    assert _strokes("|||", leads_on=True) == "tongue two, one that begins a slur"
    assert _strokes("|||", "tenuto", "tenuto+staccato", "detached-legato") == "tenuto one, mezzo-staccato two"
    assert _strokes("||", "accent", "accent") == "all tongued, all accented"
    assert _strokes("||||", "", "accent", "", "accent") == "all tongued, accents on notes 2 and 4"
    assert _strokes("||", "strong-accent", "", unit="bar") == "all tongued, marcato on note 1"
    assert _strokes("|~~", "tenuto", "", "tenuto") == "slur three (tenuto on notes 1 and 3)"
    assert _strokes("||", "staccatissimo", "spiccato") == "staccatissimo pairs"
