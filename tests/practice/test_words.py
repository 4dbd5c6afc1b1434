from dataclasses import replace
from fractions import Fraction

import pytest
from practice.made import passage

from companion.practice.words import (
    bar_in_words,
    bars_in_words,
    piece_in_words,
    place_in_words,
    printed_bars,
    shape_in_words,
    shortened,
    size_in_words,
    times_in_words,
)


@pytest.mark.parametrize(("bars", "named"), [("", ""), ("5-8", "bars 5–8"), ("5–8", "bars 5–8"), ("5", "bar 5")])
def test_printed_bars(bars, named):
    assert printed_bars(bars) == named
    assert printed_bars(bars, "all of it") == (named or "all of it")


def test_pieces():
    assert piece_in_words("Waltz", "") == "Waltz"
    assert piece_in_words("Waltz", "5-8") == "Waltz, bars 5–8"
    assert piece_in_words("Waltz", "5", "links") == "links of Waltz, bar 5"


@pytest.mark.parametrize(
    ("text", "most", "cut"),
    [
        ("Étude in E minor, bars 5–8", 26, "Étude in E minor, bars 5–8"),
        ("A long étude for alto, bars 5–8", 20, "A long ét…, bars 5–8"),
        ("A long étude for alto, bars 5–8", 25, "A long étude f…, bars 5–8"),
        ("A long étude for alto, bar 5, from 84", 26, "A long ét…, bar 5, from 84"),
        ("A long étude, bars 5–8, again", 23, "A lon…, bars 5–8, again"),
        # No room for a word before the bars.
        ("A long étude for alto, bars 5–8", 14, "A long étude…"),
        ("At bar 5, bars of rest come in all of the other parts", 20, "At bar 5, bars of r…"),
        ("Étude in E minor", 7, "Étude…"),
        ("Étude", 1, "…"),
    ],
)
def test_a_title_is_cut_before_its_bars(text: str, most: int, cut: str) -> None:
    said = shortened(text, lambda each: len(each) <= most)
    assert said == cut and len(said) <= most


@pytest.mark.parametrize(
    ("text", "places"),
    [
        ("C4:1 D4:1", ["the note on beat 1", "the note on beat 2"]),
        ("C4:1/2 D4:1/2 E4:1", ["the note on beat 1", "the note on the and of beat 1", "the note on beat 2"]),
        (
            "C4:1 D4:1/4 E4:1/4 F4:1/4 G4:1/4",
            ["the note on beat 1", "the note on beat 2"]
            + [f"the {n} sixteenth of beat 2" for n in ("second", "third", "fourth")],
        ),
        ("C4:3/4 D4:1/4", ["the note on beat 1", "the fourth sixteenth of beat 1"]),
        (
            "C4:1/3 D4:1/3 E4:1/3",
            ["the note on beat 1"] + [f"the {n} triplet note of beat 1" for n in ("second", "third")],
        ),
        ("C4:7/8 D4:1/8", ["the note on beat 1", "the D after beat 1"]),
        ("C4:1 g:E4 D4:1", ["the note on beat 1", "the grace note before beat 2", "the note on beat 2"]),
    ],
)
def test_places_in_common_time(text, places):
    piece = passage(text)
    assert [place_in_words(piece, note) for note in piece.notes] == places


def test_places_in_other_metres():
    piece = passage("C4:1/2 D4:1/4 E4:1/4 F4:1/2", metre=(6, 8))
    assert [place_in_words(piece, n) for n in piece.notes] == [
        "the note on beat 1", "the note on beat 2", "the note on the and of beat 2", "the note on beat 3"
    ]  # fmt: skip
    piece = passage("C4:1/8 D4:1/8 E4:1/8 F4:1/8 G4:1/6 A4:1/6 B4:1/6", metre=(3, 8))
    assert [place_in_words(piece, n) for n in piece.notes] == [
        "the note on beat 1", "the second thirty-second of beat 1", "the third thirty-second of beat 1",
        "the fourth thirty-second of beat 1", "the note on beat 2", "the second triplet note of beat 2",
        "the third triplet note of beat 2",
    ]  # fmt: skip
    piece = passage("C4:2 D4:1 E4:1", metre=(2, 2))
    places = ["the note on beat 1", "the note on beat 2", "the note on the and of beat 2"]
    assert [place_in_words(piece, n) for n in piece.notes] == places
    # An eighth is a quarter of the beat in 2/2.
    piece = passage("C4:1 D4:1/2 E4:1/2 F4:1/2 G4:1/2 A4:1", metre=(2, 2))
    places = ["the note on beat 1", "the third eighth of beat 1", "the fourth eighth of beat 1", "the note on beat 2",
              "the second eighth of beat 2", "the third eighth of beat 2"]  # fmt: skip
    assert [place_in_words(piece, n) for n in piece.notes] == places
    piece = passage("C4:1 D4:4", upbeat=Fraction(1))
    assert [place_in_words(piece, n) for n in piece.notes] == ["the note on beat 4", "the note on beat 1"]


def test_bars():
    piece = passage("C4:1 " * 33, upbeat=Fraction(1))
    assert bar_in_words(piece, 0) == "the upbeat"
    assert bar_in_words(piece, 3) == "bar 3"
    assert bars_in_words(piece, [3]) == "bar 3"
    assert bars_in_words(piece, [7, 3, 3]) == "bars 3 and 7"
    assert bars_in_words(piece, [0]) == "the upbeat"
    assert bars_in_words(piece, [0, 2]) == "the upbeat and bar 2"
    assert bars_in_words(piece, range(1, 6)) == "bars 1, 2, 3, 4 and 5"
    assert bars_in_words(piece, range(1, 8)) == "bars 1, 2, 3, 4 and 3 more"
    # Bars 2 and 3 are played again after bar 3: named once, and as they stand on the page.
    repeated = [replace(b, written_index=b.written_index - 2, number=str(b.index - 2)) if b.index > 3 else b
                for b in piece.bars]  # fmt: skip
    assert bars_in_words(replace(piece, bars=tuple(repeated)), [3, 4, 6]) == "bars 2, 3 and 4"
    again = replace(piece.bars[3], time_pass=2)
    assert bar_in_words(replace(piece, bars=(*piece.bars[:3], again)), 3) == "bar 3 the second time"
    unnumbered = replace(piece.bars[3], number="")
    assert bar_in_words(replace(piece, bars=(*piece.bars[:3], unnumbered)), 3) == "bar 4"


def test_times():
    assert [times_in_words(n) for n in (1, 2, 3)] == ["once", "twice", "3 times"]


def test_sizes_of_time() -> None:
    assert (size_in_words(-45.2), size_in_words(999.0), size_in_words(2349.0)) == ("45 ms", "999 ms", "2.3 s")


def test_a_fingering_is_said_with_its_note_and_parted_from_what_follows() -> None:
    assert shape_in_words("B♭", "bis") == "B♭ bis"
    assert shape_in_words("C", "side C") == "side C"
    assert shape_in_words("C♯", "long C♯, right hand down") == "long C♯ (right hand down)"
    assert shape_in_words("C♯5", "long C♯, right hand down") == "C♯5 long C♯ (right hand down)"
