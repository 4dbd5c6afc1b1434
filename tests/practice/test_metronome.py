"""The note in which a tempo is told, by metre and by the printed mark (common practice, no source)."""

from __future__ import annotations

from fractions import Fraction as F
from pathlib import Path

import pytest
from scores.musicxml_making import bar, direction, note, read_made, words

from companion.passage import Bar, Passage
from companion.practice.clock import take_clock
from companion.practice.metronome import (
    beat_unit,
    counted_note,
    metronome_number,
    number_below,
    unit_in_words,
    units_in_words,
)


def a_bar(metre: str, mark_unit: F | None = None) -> Bar:
    beats, beat_type = (int(part) for part in metre.split("/"))
    return Bar(0, "1", 0, F(0), F(4 * beats, beat_type), beats, beat_type, mark_unit=mark_unit)


@pytest.mark.parametrize(("metre", "sign", "number"), [
    ("4/4", "♩", "96"), ("3/4", "♩", "96"), ("2/4", "♩", "96"), ("5/4", "♩", "96"), ("6/4", "♩", "96"),
    ("6/8", "♩.", "64"), ("9/8", "♩.", "64"), ("12/8", "♩.", "64"), ("3/8", "♪", "192"), ("5/8", "♪", "192"),
    ("7/8", "♪", "192"), ("2/8", "♪", "192"), ("2/2", "half", "48"), ("3/2", "half", "48"), ("4/2", "half", "48"),
    ("6/16", "♪.", "128"), ("3/16", "16th", "384"), ("3/1", "whole", "24"), ("4/64", "♩", "96"),
])  # fmt: skip
def test_without_a_printed_mark_the_metre_says_it(metre: str, sign: str, number: str) -> None:
    assert beat_unit(a_bar(metre))[0] == sign and metronome_number(96, a_bar(metre)) == number


@pytest.mark.parametrize("metre", ["4/4", "3/8", "5/8", "7/8", "2/2", "3/2", "6/4", "6/8", "9/8"])
def test_it_is_what_the_click_can_be_set_to(metre: str) -> None:
    one = a_bar(metre)
    clicks = take_clock(Passage("", (), (one,)), 120 * beat_unit(one)[1], count_in_bars=0).clicks
    apart_s = clicks[1].time_s - clicks[0].time_s
    # One click a counted note at 120 a minute, or the parts of it while those go no faster than 200.
    assert 0.5 / apart_s == pytest.approx(round(0.5 / apart_s))


@pytest.mark.parametrize(("metre", "unit", "words", "number"), [
    ("3/8", F(3, 2), "dotted quarter", "64"), ("6/8", F(1, 2), "eighth", "192"), ("4/4", F(2), "half note", "48"),
    ("2/2", F(1), "quarter", "96"), ("3/4", F(3), "dotted half", "32"), ("4/4", F(5, 4), "quarter", "96"),
])  # fmt: skip
def test_a_printed_mark_says_it_before_the_metre(metre: str, unit: F, words: str, number: str) -> None:
    one = a_bar(metre, unit)
    assert (unit_in_words(one), metronome_number(96, one)) == (words, number)


def test_numbers_are_whole_where_they_nearly_are_and_limits_are_rounded_down() -> None:
    six = a_bar("6/8")
    assert metronome_number(56, six) == "37.3" and metronome_number(84.03, six) == "56"
    assert (
        number_below(89.9, six) == "59" and number_below(90, six) == "60" and number_below(90.9, a_bar("4/4")) == "90"
    )
    assert [units_in_words(a_bar(m)) for m in ("4/4", "6/8", "2/2", "3/8")] == [
        "quarters", "dotted quarters", "halves", "eighths",
    ]  # fmt: skip


def test_in_a_sentence_other_notes_than_quarters_are_named() -> None:
    marks = [counted_note(a_bar(metre)).mark(60) for metre in ("4/4", "6/8", "3/8", "2/2", "3/16", "3/1")]
    assert marks == ["60", "♩. = 40", "♪ = 120", "half = 30", "sixteenth = 240", "whole = 15"]
    assert counted_note(a_bar("3/4", F(3))).mark(60) == "dotted half = 20"
    six = counted_note(a_bar("6/8"))
    assert (six.mark(100), six.mark_below(101), six.about(101)) == ("♩. = 66.7", "♩. = 67", "♩. = 67")
    assert (counted_note(a_bar("4/4")).mark(92.5), six.mark_below(100), six.about(100)) == (
        "92.5",
        "♩. = 66",
        "♩. = 67",
    )


# -- what the reader finds printed ------------------------------------------------------------------------------------


def mark(unit: str, number: str, dots: int = 0) -> str:
    inside = f"<beat-unit>{unit}</beat-unit>{'<beat-unit-dot/>' * dots}<per-minute>{number}</per-minute>"
    return direction(f"<metronome>{inside}</metronome>")


def units(passage: Passage) -> list[str]:
    return [beat_unit(one)[0] for one in passage.bars]


def test_the_mark_holds_until_the_metre_changes_or_another_one_comes(tmp_path: Path) -> None:
    three = note("C5", 1.5)
    found = read_made(
        tmp_path, bar(mark("quarter", "60", 1), three, metre="3/8"), three, bar(note("C5", 2), metre="2/4"),
        bar(three, metre="3/8"), mark("eighth", "100") + three, "<sound tempo='40'/>" + three, words("rit.") + three,
    )  # fmt: skip
    assert units(found) == ["♩.", "♩.", "♩", "♪", "♪", "♪", "♪"]
    assert [metronome_number(one.quarter_bpm, found.bars[0]) for one in found.tempos] == ["60", "33.3", "26.7"]


def test_one_that_comes_within_a_bar_counts_from_the_next(tmp_path: Path) -> None:
    second = note("C5", 2) + mark("half", "60") + note("C5", 2)
    found = read_made(tmp_path, mark("quarter", "96") + note("C5", 4), second, note("C5", 4))
    assert units(found) == ["♩", "♩", "half"]
    late = read_made(tmp_path, note("C5", 1) + mark("half", "60") + note("C5", 3), note("C5", 4))
    assert units(late) == ["half", "half"]


def test_where_two_units_are_related_the_new_one_counts(tmp_path: Path) -> None:
    related = "<beat-unit>quarter</beat-unit><beat-unit>quarter</beat-unit><beat-unit-dot/>"
    second = bar(direction(f"<metronome>{related}</metronome>"), note("C5", 3), metre="6/8")
    found = read_made(tmp_path, mark("quarter", "90") + note("C5", 4), second)
    assert units(found) == ["♩", "♩."] and metronome_number(found.tempos[1].quarter_bpm, found.bars[1]) == "90"


def test_a_tempo_that_is_only_heard_names_no_note(tmp_path: Path) -> None:
    assert units(read_made(tmp_path, bar("<sound tempo='90'/>", note("C5", 3), metre="6/8"))) == ["♩."]


def test_some_of_the_bars_keep_it(tmp_path: Path) -> None:
    found = read_made(tmp_path, bar(mark("eighth", "120"), note("C5", 3), metre="6/8"), note("C5", 3))
    assert units(found.excerpt(1, 1)) == ["♪"]
