"""The document for the engraver: what is drawn is what is played, and everything can be found again by its id."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from lxml import etree
from scores.musicxml_making import direction, note, read_made

from companion.errors import ScoreError
from companion.passage import Passage
from companion.scores import for_engraving, read

FILES = Path(__file__).parent / "files"
CASES = sorted(path.stem for path in FILES.glob("*.musicxml") if path.stem != "only_percussion")
MANY_PARTS = {"two_parts": "Sax", "timewise": "Low", "tempo_and_repeat_only_in_the_top_part": "Low"}


def passage(case: str, part: str | None = None) -> Passage:
    return read(FILES / f"{case}.musicxml", part or MANY_PARTS.get(case))


def drawn(case: str, part: str | None = None) -> etree._Element:
    return etree.fromstring(for_engraving(passage(case, part)))


@pytest.mark.parametrize("case", CASES)
def test_every_note_and_bar_has_its_id_once(case: str) -> None:
    found, root = passage(case), drawn(case)
    notes = [note.get("id") for note in root.iter("note")]
    assert len(set(notes)) == len(notes)
    played = {f"n{n.source}" for n in found.notes} | {f"n{s}" for n in found.notes for s in n.tied_sources}
    pitched = {note.get("id") for note in root.iter("note") if note.find("pitch") is not None}
    assert pitched == played
    assert [m.get("id") for m in root.iter("measure")] == [f"m{i}" for i in range(len(root.findall("part/measure")))]
    assert {f"m{bar.written_index}" for bar in found.bars} <= {m.get("id") for m in root.iter("measure")}


@pytest.mark.parametrize("case", CASES)
def test_the_copy_reads_as_the_same_music(case: str, tmp_path: Path) -> None:
    """Reading the copy gives the same notes, bars, slurs and tempos: nothing moved and nothing was lost."""
    found = passage(case)
    copy = tmp_path / "copy.musicxml"
    copy.write_bytes(for_engraving(found))
    again = read(copy)
    whole_bars = [(b.start, b.length, b.beats, b.beat_type, b.fifths, b.upbeat, b.time_pass) for b in found.bars]
    assert [
        (b.start, b.length, b.beats, b.beat_type, b.fifths, b.upbeat, b.time_pass) for b in again.bars
    ] == whole_bars
    assert [(n.written, n.start, n.length, n.grace, n.tongued, n.articulations, n.trill) for n in again.notes] == [
        (n.written, n.start, n.length, n.grace, n.tongued, n.articulations, n.trill) for n in found.notes
    ]
    assert (again.slurs, again.tempos) == (found.slurs, found.tempos)


def test_what_is_not_played_is_gone_and_what_tells_how_is_kept() -> None:
    root = drawn("engraving_everything")
    tags = {str(element.tag) for element in root.iter()}
    gone = "credit work lyric harmony print transpose staves staff chord"
    assert not tags & set(gone.split())
    assert {"metronome", "dynamics", "wedge", "slur", "tied"} <= tags
    assert [d.tag for d in root.iterfind(".//dynamics/*")] == ["mf"]
    assert root.findtext("part-list/score-part/part-name") == ""


def test_the_top_note_takes_over_the_slur_of_its_chord() -> None:
    first = next(drawn("engraving_everything").iter("note"))
    assert first.get("id") == "n1"
    assert first.findtext("pitch/step") == "B"
    assert [slur.get("type") for slur in first.iterfind("notations/slur")] == ["start"]


def test_a_tie_whose_end_is_not_written_is_drawn() -> None:
    notes = drawn("tie_only_started").findall(".//note")
    assert [[t.get("type") for t in n.iterfind("notations/tied")] for n in notes] == [["start"], ["stop"], [], []]


def test_loose_slurs_are_not_drawn() -> None:
    assert len(drawn("slur_unclosed").findall(".//slur")) == 2


def test_rounded_lengths_are_written_exactly() -> None:
    root = drawn("tuplets_rounded")
    divisions = Fraction(root.findtext(".//divisions") or "0")
    lengths = [Fraction(note.findtext("duration") or "0") / divisions for note in root.iter("note")]
    assert lengths[:3] == [Fraction(1, 3)] * 3


def test_gaps_of_a_voice_and_bars_without_it() -> None:
    root = drawn("voice_without_rests", "P1/2")
    first, second, third = root.findall("part/measure")
    assert first.find("note").get("id") == "r0"
    assert [child.tag for child in second] == ["forward", "note"]
    assert third.find("note/rest") is not None


def test_an_excerpt_is_drawn_with_all_its_bars() -> None:
    found = passage("key_and_time_changes").excerpt(2, 3)
    assert len(etree.fromstring(for_engraving(found)).findall("part/measure")) == 4


def test_a_changed_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "score.musicxml"
    path.write_bytes((FILES / "slurs.musicxml").read_bytes())
    found = read(path)
    path.write_bytes(path.read_bytes() + b"\n")
    with pytest.raises(ScoreError, match="has changed since it was read"):
        for_engraving(found)
    path.unlink()
    with pytest.raises(ScoreError, match="no such file"):
        for_engraving(found)


def test_a_made_passage_is_written_anew() -> None:
    made = replace(passage("slurs"), origin="", sha256="")
    root = etree.fromstring(for_engraving(made))
    assert [note.get("id") for note in root.iter("note")] == ["n0", "n1", "n2", "n3"]
    assert [measure.get("id") for measure in root.iter("measure")] == ["m0"]


@pytest.mark.parametrize("path", sorted(FILES.glob("*.musicxml")), ids=lambda path: path.stem)
def test_the_copy_is_the_same_right_after_reading_and_later(path: Path) -> None:
    """What reading found out is used once, by the copy made right after it."""
    with contextlib.suppress(ScoreError):
        passage = read(path)
        assert for_engraving(passage) == for_engraving(passage)


def test_a_note_without_its_type_gets_it(tmp_path: Path) -> None:
    found = read_made(tmp_path, note("C5", 1.5) + note("D5", 0.5) + note("r", 2), note("E5", 3.75) + note("F5", 0.25))
    notes = etree.fromstring(for_engraving(found)).findall(".//note")
    drawn = [(each.findtext("type"), len(each.findall("dot"))) for each in notes]
    # A length that takes more than two dots has no single value.
    assert drawn == [("quarter", 1), ("eighth", 0), ("half", 0), (None, 0), ("16th", 0)]
    order = [child.tag for child in notes[0]]
    assert order.index("voice") < order.index("type") < order.index("dot")


def test_marks_that_the_engraver_leaves_out_are_drawn_in_words(tmp_path: Path) -> None:
    equal = "<metronome-relation>equals</metronome-relation>"
    eighth = "<metronome-note><metronome-type>eighth</metronome-type></metronome-note>"
    quarter = eighth.replace("eighth", "quarter")
    tied = "<beat-unit>half</beat-unit><beat-unit-tied><beat-unit>eighth</beat-unit></beat-unit-tied>"
    marks = [
        f"{eighth}{eighth}{equal}{quarter}{eighth}",
        f"{eighth}{equal}{quarter}",
        f"{tied}<per-minute>40</per-minute>",
        "<beat-unit>quarter</beat-unit><per-minute>90</per-minute>",
    ]
    found = read_made(tmp_path, *(direction(f"<metronome>{mark}</metronome>") + note("C5", 4) for mark in marks))
    root = etree.fromstring(for_engraving(found))
    assert [words.text for words in root.iter("words")] == ["swing", "♪ = ♩", "𝅗𝅥+♪ = 40"]
    assert len(list(root.iter("metronome"))) == 1
