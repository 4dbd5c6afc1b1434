"""Signs over silences: a fermata, a breath or a caesura at a rest or a bar line (MusicXML 4.0: `<fermata>` in
`<notations>` of a rest and in `<barline>`)."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path

import pytest
from lxml import etree
from scores.musicxml_making import bar, note, read_made, words

from companion.passage import Passage, Wait
from companion.scores import for_engraving, read
from companion.scores.write import to_musicxml

FERMATA = "<fermata type='upright'/>"
FOUR = "".join(note(pitch) for pitch in ("C5", "D5", "E5", "F5"))
END_OF_BAR = f"<barline location='right'><bar-style>light-light</bar-style>{FERMATA}</barline>"


def waits(passage: Passage) -> list[tuple[F, str]]:
    return [(wait.start, wait.sign) for wait in passage.waits]


def test_a_fermata_over_a_rest(tmp_path: Path) -> None:
    found = read_made(tmp_path, note("C5") + note("r", 3, FERMATA), FOUR)
    assert waits(found) == [(1, "fermata")] and not any(note.fermata for note in found.notes)


def test_a_breath_and_a_caesura_at_a_rest(tmp_path: Path) -> None:
    breath, caesura = (f"<articulations><{sign}/></articulations>" for sign in ("breath-mark", "caesura"))
    found = read_made(tmp_path, note("C5", 2) + note("r", 2, breath), note("r", 1, caesura) + note("C5", 3))
    assert waits(found) == [(2, "breath-mark"), (4, "caesura")]


def test_a_fermata_over_a_bar_line_wherever_it_stands(tmp_path: Path) -> None:
    assert waits(read_made(tmp_path, FOUR + END_OF_BAR, FOUR)) == [(4, "fermata")]
    left = f"<barline location='left'>{FERMATA}</barline>"
    assert waits(read_made(tmp_path, FOUR, left + FOUR)) == [(4, "fermata")]
    middle = f"<barline location='middle'>{FERMATA}</barline>"
    assert waits(read_made(tmp_path, note("C5") + middle + note("C5", 3))) == [(1, "fermata")]
    without_place = f"<barline>{FERMATA}</barline>"
    assert waits(read_made(tmp_path, FOUR + without_place, FOUR)) == [(4, "fermata")]


def test_it_comes_each_time_the_bar_is_played(tmp_path: Path) -> None:
    again = "<barline location='right'><repeat direction='backward'/></barline>"
    found = read_made(tmp_path, note("C5", 2) + note("r", 2, FERMATA), FOUR + again)
    assert waits(found) == [(2, "fermata"), (10, "fermata")]


def test_in_a_bar_cut_by_a_repeat_sign_it_keeps_its_place(tmp_path: Path) -> None:
    cut = f"<barline location='middle'>{FERMATA}<repeat direction='backward'/></barline>"
    found = read_made(tmp_path, note("C5", 3) + cut + note("r", 1, FERMATA), FOUR)
    assert waits(found) == [(3, "fermata"), (6, "fermata")]
    assert [(each.start, each.length) for each in found.bars] == [(0, 3), (3, 3), (6, 1), (7, 4)]


def test_another_staff_says_nothing_of_this_one(tmp_path: Path) -> None:
    below = note("r", 4, FERMATA, voice=2).replace("</voice>", "</voice><staff>2</staff>")
    assert waits(read_made(tmp_path, f"{FOUR}<backup><duration>16</duration></backup>{below}")) == []
    beside = note("C4", 2, voice=2) + note("r", 2, FERMATA, voice=2)
    assert waits(read_made(tmp_path, f"{FOUR}<backup><duration>16</duration></backup>{beside}")) == [(2, "fermata")]


def test_some_of_the_bars_take_theirs_along(tmp_path: Path) -> None:
    found = read_made(tmp_path, FOUR + END_OF_BAR, note("C5", 2) + note("r", 2, FERMATA), FOUR)
    assert waits(found.excerpt(1, 2)) == [(0, "fermata"), (2, "fermata")]
    assert waits(found.excerpt(2, 2)) == []


def test_the_page_shows_it(tmp_path: Path) -> None:
    found = read_made(tmp_path, note("C5") + note("r", 3, FERMATA), FOUR + END_OF_BAR, FOUR)
    root = etree.fromstring(for_engraving(found))
    assert [sign.getparent().getparent().tag for sign in root.iter("fermata")] == ["note", "measure"]


def test_over_a_cue_that_is_drawn_as_a_rest_it_stays(tmp_path: Path) -> None:
    cue = note("G4", 2, f"<slur type='start'/>{FERMATA}").replace("<note>", "<note><cue/>")
    found = read_made(tmp_path, note("C5", 2) + cue, FOUR)
    assert waits(found) == [(2, "fermata")]
    root = etree.fromstring(for_engraving(found))
    assert [sign.tag for sign in root.iterfind(".//note[rest]/notations/*")] == ["fermata"]


@pytest.mark.parametrize("place", [
    (Wait(F(2)),), (Wait(F(4)),), (Wait(F(2), "breath-mark"), Wait(F(6), "caesura")),
    (Wait(F(2), "caesura"), Wait(F(2))),
])  # fmt: skip
def test_written_and_read_back(tmp_path: Path, place: tuple[Wait, ...]) -> None:
    bars = (note("C5", 2) + note("r", 2), note("C5", 2) + note("r", 2), FOUR)
    made = replace(read_made(tmp_path, *bars), waits=place)
    (tmp_path / "again.musicxml").write_bytes(to_musicxml(made))
    assert waits(read(tmp_path / "again.musicxml")) == [(wait.start, wait.sign) for wait in place]


def test_a_repeat_with_a_fermata_only_the_second_time_is_written_out(tmp_path: Path) -> None:
    again = "<barline location='right'><repeat direction='backward'/></barline>"
    found = read_made(tmp_path, bar(note("C5", 2), note("r", 2), again), FOUR)
    made = replace(found, waits=(Wait(F(6)),))
    (tmp_path / "again.musicxml").write_bytes(to_musicxml(made))
    assert waits(read(tmp_path / "again.musicxml")) == [(6, "fermata")]


@pytest.mark.parametrize(("text", "sign"), [(",", "breath-mark"), ("’", "breath-mark"), ("//", "caesura")])
def test_a_breath_and_a_caesura_typed_as_text(tmp_path: Path, text: str, sign: str) -> None:
    found = read_made(tmp_path, note("C5", 2) + words(text) + note("D5", 2), FOUR + words(text), FOUR + words("/"))
    assert waits(found) == [(2, sign), (8, sign)]
