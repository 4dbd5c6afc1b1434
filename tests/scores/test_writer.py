"""How a passage looks on the page: values, ties, beams, accidentals, signs (common practice, no source)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction as F
from itertools import pairwise
from pathlib import Path

import pytest
from lxml import etree
from scores.writer_making import line

from companion.errors import ScoreError
from companion.passage import Bar, Note, Passage, Pitch, Slur, TempoMark, Trill
from companion.scores import read
from companion.scores.write import to_musicxml


def root_of(passage: Passage) -> etree._Element:
    return etree.fromstring(to_musicxml(passage))


def values(passage: Passage) -> str:
    """`q.~e r:h` is a dotted quarter tied to an eighth, and a half rest."""
    short = {"whole": "w", "half": "h", "quarter": "q", "eighth": "e", "16th": "s", "32nd": "t"}
    words = ""
    for note in root_of(passage).iter("note"):
        kind = "r:" if note.find("rest") is not None else ""
        value = "bar" if note.find("type") is None else short[note.findtext("type")] + "." * len(note.findall("dot"))
        tied = any(tie.get("type") == "start" for tie in note.iter("tie"))
        words += kind + value + ("~" if tied else " ")
    return words.strip()


@pytest.mark.parametrize(
    ("meter", "lengths", "expected"),
    [
        ((4, 4), "1/2 1 1/2 1/2 1 1/2", "e q e e q e"),
        ((4, 4), "1 2 1", "q h q"),
        ((4, 4), "3/2 1 3/2", "q. e~e q."),
        ((4, 4), "1/2 3/2 2", "e q. h"),
        ((4, 4), "7/2 1/2", "h.. e"),
        ((4, 4), "5/2 3/2", "h~e q."),
        ((4, 4), "3 3 2", "h. q~h h"),
        ((4, 4), "1/4 1/2 1/4 3/4 1/4 2", "s e s e. s h"),
        ((4, 4), "1 -3", "q r:q r:h"),
        ((4, 4), "-1/2 1/2 -3/2 3/2", "r:e e r:q r:e q."),
        ((4, 4), "-4 4", "r:bar w"),
        ((3, 4), "2 1", "h q"),
        ((3, 4), "1 -2", "q r:q r:q"),
        ((3, 4), "1/2 1 3/2", "e q q."),
        ((6, 8), "3/2 1 1/2", "q. q e"),
        ((6, 8), "1 1 1", "q e~e q"),
        ((6, 8), "1/2 2 1/2", "e q~q e"),
        ((6, 8), "3", "h."),
        ((9, 8), "9/2", "h.~q."),
        ((12, 8), "6", "w."),
        ((5, 4), "5", "h.~h"),
    ],
)
def test_values_show_the_beats(meter: tuple[int, int], lengths: str, expected: str) -> None:
    assert values(line(lengths, meter=meter)) == expected


def tuplets(passage: Passage) -> list[str]:
    found = []
    for note in root_of(passage).iter("note"):
        ratio = note.find("time-modification")
        if ratio is not None:
            ends = "".join({"start": "[", "stop": "]"}[t.get("type")] for t in note.iter("tuplet"))
            found.append(f"{ratio.findtext('actual-notes')}:{ratio.findtext('normal-notes')}{ends}")
    return found


@pytest.mark.parametrize(
    ("lengths", "expected"),
    [
        ("1/3 1/3 1/3 3", ["3:2[", "3:2", "3:2]"]),
        ("2/3 1/3 3", ["3:2[", "3:2]"]),
        ("2/3 2/3 2/3 2", ["3:2[", "3:2", "3:2]"]),
        ("1 2/3 2/3 2/3 1", ["3:2[", "3:2", "3:2]"]),
        ("1/3 1/3 4/3 2", ["3:2[", "3:2", "3:2]"]),
        ("1/5 1/5 1/5 1/5 1/5 3", ["5:4[", "5:4", "5:4", "5:4", "5:4]"]),
        ("1/6 1/6 1/6 1/2 3", ["3:2[", "3:2", "3:2]"]),
    ],
)
def test_tuplets(lengths: str, expected: list[str]) -> None:
    assert tuplets(line(lengths)) == expected


@pytest.mark.parametrize(
    ("lengths", "expected"),
    [
        ("2/3 1/3 3", "q e h."),
        ("1/3 2/3 3", "e q h."),
        ("1/3 2/3 -1 1/3 1/3 4/3", "e q r:q e e e~q"),
        ("1/3 8/3 1", "e q~h q"),
        ("1/6 1/6 8/3 1", "s s s~q.~q q"),
    ],
)
def test_long_and_short_notes_of_a_triplet_are_one_value_each(lengths: str, expected: str) -> None:
    assert values(line(lengths)) == expected


def beams(passage: Passage) -> list[str]:
    """`be` a beam over two notes, `bce` over three; a hook is `h`; only the eighth beam."""
    text = ""
    for note in root_of(passage).iter("note"):
        first = note.find("beam[@number='1']")
        text += "." if first is None else first.text[0]
    return [run for run in text.replace(".", " ").replace("e", "e ").split() if run]


@pytest.mark.parametrize(
    ("meter", "lengths", "expected"),
    [
        ((4, 4), "1/2 " * 8, ["bcce", "bcce"]),
        ((4, 4), "1/2 1/2 1/4 1/4 1/2 2", ["be", "bce"]),
        ((4, 4), "1/4 " * 16, ["bcce"] * 4),
        ((3, 4), "1/2 " * 6, ["be", "be", "be"]),
        ((6, 8), "1/2 " * 6, ["bce", "bce"]),
        ((4, 4), "1/2 1 1/2 2", []),
        ((4, 4), "1/2 -1/4 1/4 3", []),
    ],
)
def test_beams_show_the_beats(meter: tuple[int, int], lengths: str, expected: list[str]) -> None:
    assert beams(line(lengths, meter=meter)) == expected


def test_second_beams_and_hooks() -> None:
    second = [
        beam.text
        for note in root_of(line("3/4 1/4 1/4 3/4 1/4 1/2 1/4 1")).iter("note")
        for beam in note.iterfind("beam[@number='2']")
    ]
    assert second == ["backward hook", "forward hook", "forward hook", "backward hook"]


def accidentals(pitches: Sequence[Pitch], lengths: str, fifths: int = 0) -> list[str]:
    root = root_of(line(lengths, pitches=pitches, fifths=fifths))
    return [
        (note.findtext("accidental") or "-") + ("?" if note.find("accidental[@cautionary]") is not None else "")
        for note in root.iter("note")
    ]


def test_accidentals_hold_for_their_bar_and_octave() -> None:
    f_sharp, f, high_f = Pitch("F", 1, 4), Pitch("F", 0, 4), Pitch("F", 0, 5)
    assert accidentals([f_sharp, f_sharp, f, high_f], "1 1 1 1") == ["sharp", "-", "natural", "-"]
    assert accidentals([f_sharp, f_sharp, f, f], "1 1 1 1", fifths=1) == ["-", "-", "natural", "-"]
    assert accidentals([Pitch("B", -2, 4), Pitch("F", 2, 4)], "2 2") == ["flat-flat", "double-sharp"]


def test_courtesy_accidental_in_the_next_bar() -> None:
    f_sharp, f = Pitch("F", 1, 4), Pitch("F", 0, 4)
    assert accidentals([f_sharp, f, f], "4 2 2") == ["sharp", "natural?", "-"]


def test_tie_carries_the_accidental_over_the_bar_line() -> None:
    f_sharp, g = Pitch("F", 1, 4), Pitch("G", 0, 4)
    assert accidentals([g, f_sharp, f_sharp], "3 2 3") == ["-", "sharp", "-", "sharp"]


def test_marks_on_notes(tmp_path: Path) -> None:
    passage = line("1 1 1 5", fifths=-1)
    upper = Trill(Pitch("E", -1, 5)), Trill(Pitch("F", 0, 5))
    notes = (
        replace(passage.notes[0], articulations=frozenset({"staccato", "accent"}), fingering_mark="bis"),
        replace(passage.notes[1], trill=upper[0]),
        replace(passage.notes[2], trill=upper[1], ornaments=frozenset({"trill-mark", "mordent"})),
        replace(passage.notes[3], fermata=True),
    )
    root = root_of(replace(passage, notes=notes))
    first, second, third, *held = root.iter("note")
    assert [e.tag for e in first.find("notations/articulations")] == ["accent", "staccato"]
    assert first.findtext("notations/technical/fingering") == "bis"
    assert [e.tag for e in second.find("notations/ornaments")] == ["trill-mark", "accidental-mark"]
    assert [e.tag for e in third.find("notations/ornaments")] == ["trill-mark", "mordent"]
    assert [note.find("notations/fermata") is not None for note in held] == [False, True]
    file = tmp_path / "marks.musicxml"
    file.write_bytes(to_musicxml(replace(passage, notes=notes)))
    back = read(file).notes
    assert [note.trill for note in back] == [None, *upper, None]
    assert back[0].fingering_mark == "bis"
    assert back[3].fermata


def test_ids_of_tied_notes() -> None:
    passage = line("3 2 3")
    tied = replace(passage.notes[1], source=20, tied_sources=(31,))
    root = root_of(replace(passage, notes=(passage.notes[0], tied, passage.notes[2])))
    assert [note.get("id") for note in root.iter("note")] == ["n0", "n20", "n31", "n2"]
    untold = root_of(passage)
    assert [note.get("id") for note in untold.iter("note")] == ["n0", "n1", "n1t1", "n2"]


@pytest.mark.parametrize("semitones", [-2, -9, -14, -21, 3, None])
def test_transposition_comes_back(semitones: int | None, tmp_path: Path) -> None:
    file = tmp_path / "horn.musicxml"
    file.write_bytes(to_musicxml(replace(line("4"), transposition=semitones)))
    assert read(file).transposition == semitones


@pytest.mark.parametrize(
    ("text", "words", "unit", "dots"),
    [("♩ = 96", None, "quarter", 0), ("Allegro ♩. = 60", "Allegro", "quarter", 1), ("Andante", "Andante", None, 0)],
)
def test_tempo_text(text: str, words: str | None, unit: str | None, dots: int) -> None:
    root = root_of(replace(line("4"), tempos=(TempoMark(F(0), 90.0, text),)))
    assert root.findtext(".//words") == words
    assert root.findtext(".//metronome/beat-unit") == unit
    assert len(root.findall(".//beat-unit-dot")) == dots
    assert root.find(".//sound").get("tempo") == "90"


def test_silent_tempo_within_a_note_keeps_its_place(tmp_path: Path) -> None:
    marks = (TempoMark(F(0), 90.0, "♩ = 90"), TempoMark(F(3, 2), 80.0), TempoMark(F(7, 3), 70.0))
    file = tmp_path / "rit.musicxml"
    file.write_bytes(to_musicxml(replace(line("4"), tempos=marks)))
    assert [(m.start, m.quarter_bpm) for m in read(file).tempos] == [(m.start, m.quarter_bpm) for m in marks]


def test_odd_text_is_written(tmp_path: Path) -> None:
    file = tmp_path / "odd.musicxml"
    file.write_bytes(to_musicxml(replace(line("4"), title="<Étude> & \x00\x1b\ud800 “B♭”", composer="&amp;")))
    assert read(file).title == "<Étude> & “B♭”"


def test_bar_longer_than_its_signature() -> None:
    passage = line("5 -1", meter=(6, 4))
    long = replace(passage, bars=(replace(passage.bars[0], beats=4),))
    assert values(long) == "h.~h r:q"


def test_refusals() -> None:
    passage = line("1 1 2")
    with pytest.raises(ScoreError, match="no bars"):
        to_musicxml(replace(passage, bars=(), notes=()))
    overlapping = replace(passage.notes[1], start=F(1, 2))
    with pytest.raises(ScoreError, match="bar 1: notes 1 and 2 sound at the same time"):
        to_musicxml(replace(passage, notes=(passage.notes[0], overlapping)))
    with pytest.raises(ScoreError, match="does not lie within the bars"):
        to_musicxml(replace(passage, notes=(replace(passage.notes[0], length=F(9)),)))
    with pytest.raises(ScoreError, match="bar 1: no tuplet writes"):
        to_musicxml(replace(passage, notes=(replace(passage.notes[0], length=F(1, 23)),)))


def in_order(order: Sequence[int], changed: int | None = None) -> Passage:
    """Bars of four quarters, each with sources of its own, played in `order`; the note at `changed` is altered."""
    notes: list[Note] = []
    bars: list[Bar] = []
    for index, written in enumerate(order):
        time_pass = list(order[: index + 1]).count(written)
        bars.append(Bar(index, str(written + 1), written, F(4 * index), F(4), 4, 4, time_pass=time_pass))
        for k in range(4):
            pitch = Pitch("CDEFGAB"[(written + k) % 7], int(len(notes) == changed), 5)
            notes.append(Note(len(notes), pitch, F(4 * index + k), F(1), index, F(k + 1), 4 * written + k))
    return Passage("Order", tuple(notes), tuple(bars))


@pytest.mark.parametrize(
    "order",
    [
        "0101", "010123", "0012", "0123012345", "01212", "0120134", "01201201345", "01010202", "01201345645678",
        "012301234", "0011223", "01201201345", "0123401256", "0123012345675678",
    ],
)  # fmt: skip
def test_repeats_are_folded(order: str, tmp_path: Path) -> None:
    played = [int(c) for c in order]
    file = tmp_path / "folded.musicxml"
    file.write_bytes(to_musicxml(in_order(played)))
    assert len(etree.parse(file).findall(".//measure")) == max(played) + 1
    back = read(file)
    assert [bar.written_index for bar in back.bars] == played
    assert [(n.start, n.written) for n in back.notes] == [(n.start, n.written) for n in in_order(played).notes]


@pytest.mark.parametrize(("passage", "why"), [
    (in_order([0, 1, 2, 1, 0]), "an order no sign tells"),
    (in_order([0, 1, 0, 1], changed=9), "another note the second time"),
    (replace(in_order([0, 1, 0, 1]), slurs=(Slur(7, 8),)), "a slur over the jump"),
])  # fmt: skip
def test_other_orders_are_written_out(passage: Passage, why: str, tmp_path: Path) -> None:
    file = tmp_path / "out.musicxml"
    file.write_bytes(to_musicxml(passage))
    root = etree.parse(file)
    assert len(root.findall(".//measure")) == len(passage.bars), why
    assert not root.findall(".//repeat")
    ids = [e.get("id") for e in root.iter("note", "measure")]
    assert len(set(ids)) == len(ids)
    assert [n.written for n in read(file).notes] == [n.written for n in passage.notes]


def test_excerpt_keeps_ids_and_numbers() -> None:
    root = root_of(in_order([0, 1, 2, 3]).excerpt(1, 2))
    assert [(m.get("id"), m.get("number")) for m in root.iter("measure")] == [("m1", "2"), ("m2", "3")]
    assert [n.get("id") for n in root.iter("note")] == [f"n{i}" for i in range(4, 12)]


def test_final_bar_line_and_double_bar_at_a_key_change() -> None:
    passage = in_order([0, 1, 2])
    passage = replace(passage, bars=tuple(replace(bar, fifths=bar.index // 2) for bar in passage.bars))
    styles = [m.findtext("barline/bar-style") for m in root_of(passage).iter("measure")]
    assert styles == [None, "light-light", "light-heavy"]
    assert all(a.start < b.start for a, b in pairwise(passage.bars))
