"""LilyPond's public MusicXML test suite, as music21 carries it: every file is read, or refused with a reason."""

from __future__ import annotations

from fractions import Fraction
from importlib.util import find_spec
from pathlib import Path

import pytest

from companion.errors import ScoreError, SeveralParts
from companion.passage import Passage
from companion.scores import read
from companion.scores.guards import MAX_BARS
from companion.scores.musicxml import document, score_parts
from companion.scores.musicxml_bars import read_part
from companion.scores.unfold import unfold

_FOUND = find_spec("music21")
assert _FOUND is not None and _FOUND.origin is not None
SUITE = Path(_FOUND.origin).parent / "musicxml" / "lilypondTestSuite"
FILES = {path.name.split("-")[0]: path for path in sorted(SUITE.glob("*.*xl")) + sorted(SUITE.glob("*.xml"))}

ONLY_RESTS = "holds no pitched notes"
#: files without a note, or with percussion only
SILENT = "02a 02b 02c 41b 41f 41g 41h 43a+ 45a 45c 45d 45e 45f 46a 51b 51c 51d 52a"
#: files in which several parts hold notes, and how many
SEVERAL = {"14a": 2, "41a": 4, "41c": 27, "41d": 5, "41i": 2, "71e": 8, "72a": 3, "72b": 11}


def passage(case: str, part: str | None = None) -> Passage:
    return read(FILES[case], part)


def line(case: str, part: str | None = None) -> str:
    return " ".join(f"{n.written}@{n.start}+{n.length}" for n in passage(case, part).notes)


def order(case: str) -> str:
    part = score_parts(document(FILES[case].read_bytes(), case))[0]
    bars = read_part(part.element, "", file=case).bars
    return " ".join(str(bar) for bar, _ in unfold([bar.marks for bar in bars], MAX_BARS).order)


def test_the_suite_is_whole() -> None:
    assert len(list(SUITE.glob("*.xml"))) + len(list(SUITE.glob("*.mxl"))) == 143 == len(FILES)


@pytest.mark.parametrize("case", FILES)
def test_read_or_refused_with_a_reason(case: str) -> None:
    if case in SEVERAL:
        with pytest.raises(
            SeveralParts, match=f"has {SEVERAL[case]} parts with notes; choose one with --part: 1 = "
        ) as e:
            passage(case)
        assert len(e.value.parts) == SEVERAL[case]
        for wanted, name in e.value.parts[:3]:
            assert passage(case, wanted).part_name == name
        for number in range(1, len(score_parts(document(FILES[case].read_bytes(), case))) + 1):
            if not (case == "41c" and number == 21):
                assert passage(case, str(number)).notes
    elif case in SILENT.split():
        with pytest.raises(ScoreError, match=ONLY_RESTS):
            passage(case)
    else:
        found = passage(case)
        assert found.notes and all(note.length > 0 or note.grace for note in found.notes)


#: what the files' descriptions and notes say
LINES = {
    "01c": "G4@0+4",
    "03b": "C4@0+1 C4@1+1",
    "03c": "C5@0+1 C5@1+1 C5@2+1 C5@3+1 C5@4+2 C5@6+2",
    "23d": "B4@0+1/3 B4@1/3+1/3 B4@2/3+2/15 B4@4/5+2/15 B4@14/15+2/15 B4@16/15+2/15 B4@6/5+2/15 B4@4/3+1/3 B4@5/3+1/3",
    "24c": "E5@0+2 E5@2+2 G5@4+0 A5@4+0",
    "24d": "E5@0+2 G5@2+0 A5@2+0 A5@2+0 E5@2+2 G5@4+0 A5@4+0",
    "33b": "F4@0+8",
    "33i": "C5@0+8 C5@8+12",
    "72a": "D4@0+1 E4@1+1 F♯4@2+1 G4@3+1 A4@4+1 B4@5+1 C♯5@6+1 D5@7+1",
}


@pytest.mark.parametrize("case", LINES)
def test_lines(case: str) -> None:
    assert line(case, "1") == LINES[case]


def test_tuplets_of_all_kinds() -> None:
    """23a: 3:2, 3:2, 3:2, 4:2, 4:1, 7:3 and 6:2 (its own description)."""
    lengths = [note.length for note in passage("23a").notes]
    thirds, sevenths = [Fraction(2, 3)] * 9, [Fraction(3, 7)] * 7
    assert lengths == [*thirds, *[Fraction(1, 2)] * 4, *[Fraction(1, 4)] * 4, *sevenths, *[Fraction(1, 3)] * 6, 2]


def test_slurs() -> None:
    assert [(s.first, s.last) for s in passage("33c").slurs] == [(0, 1), (1, 2), (2, 3), (4, 7), (5, 6)]


def test_all_keys_of_the_circle() -> None:
    keys = [(bar.fifths, bar.mode) for bar in passage("13a").bars]
    assert keys == [(fifths, mode) for fifths in range(-7, 8) for mode in ("major", "minor")]


def test_transposing_instruments() -> None:
    """E flat, B flat and A clarinet, F and E flat horn, piccolo trumpet in A, trumpets in B flat, C and D, and one in
    which a C is displayed as a high F sharp."""
    found = [passage("72b", str(number)).transposition for number in range(1, 12)]
    assert found == [3, -2, -3, -7, -9, 9, -2, None, 2, 42, None]


def test_pickups_and_split_bars() -> None:
    assert [(b.number, b.length, b.upbeat) for b in passage("46d").bars] == [
        ("0", Fraction(3, 2), True),
        ("1", 2, False),
        ("X1", 2, True),
        ("2", 3, False),
    ]
    assert [(b.length, b.upbeat) for b in passage("46e").bars] == [(1, True), (4, False)]


def test_metronome_marks() -> None:
    """31c: a `long` at 100 is 1600 quarters, its double isn't taken for a tempo any more."""
    marks = [(mark.start, mark.quarter_bpm) for mark in passage("31c").tempos]
    assert marks[:2] == [(0, 150.0), (2, 1600.0)]
    assert marks[-1] == (10, 115.5)


#: bars in playing order, from the repeat signs in the file; 45d contradicts itself and is left out
ORDERS = {
    "45a": "0 0 0 0 0 1",
    "45b": "0 1 0 2 3",
    "45c": "0 1 2 1 2 1 2 1 2 1 2 3 4 5 6 3 4 5 6 3 4 5 6 7",
    "45e": "0 1 0 2 3 4 4 5 6 5 7 8 7 8 9",
    "45f": "0 1 2 3 0 1 2 3 4",
    "45g": "0 1",
}


@pytest.mark.parametrize("case", ORDERS)
def test_playing_order(case: str) -> None:
    assert order(case) == ORDERS[case]
