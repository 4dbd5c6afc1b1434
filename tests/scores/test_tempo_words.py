"""Words about tempo, and metronome marks of every kind, as scores have them. What they mean is common practice, no
source; the elements are those of MusicXML 4.0."""

from __future__ import annotations

from fractions import Fraction as F
from pathlib import Path

import pytest
from scores.musicxml_making import direction, note, read_made, words

from companion.passage import Passage
from companion.practice.swing import asks_swing
from companion.scores import read, tempo_words
from companion.scores.tempo_words import MarkInWords, mark_in_words
from companion.scores.write import to_musicxml

WHOLE = note("C5", 4)
PRINTED = direction("<metronome><beat-unit>quarter</beat-unit><per-minute>90</per-minute></metronome>")


def tempos(passage: Passage) -> list[tuple[F, float]]:
    return [(mark.start, mark.quarter_bpm) for mark in passage.tempos]


@pytest.mark.parametrize(("text", "found"), [
    ("♩ = 96", MarkInWords(F(1), 96.0)),
    ("Allegro (♩ = c. 120)", MarkInWords(F(1), 120.0)),
    ("Andante ♩.=60", MarkInWords(F(3, 2), 60.0)),
    ("[♪ = ca. 104.5]", MarkInWords(F(1, 2), 104.5)),
    ("𝅗𝅥 = 72", MarkInWords(F(2), 72.0)),
    ("\ueca5\uecb7 = 56", MarkInWords(F(3, 2), 56.0)),
    ("Lento \ueca7 = 80", MarkInWords(F(1, 2), 80.0)),
    ("q = 132", MarkInWords(F(1), 132.0)),
    ("Presto (h. = 66)", MarkInWords(F(3), 66.0)),
    ("(♩ = ♩.)", MarkInWords(F(3, 2), old_beats=F(1))),
    ("Allegro", None), ("the = 96", None), ("M.M. = 96", None), ("♩ = 1", None), ("♩ 96", None), ("♩ = 12345", None),
    ("♫ = swing", None),
])  # fmt: skip
def test_metronome_marks_written_as_text(text: str, found: MarkInWords | None) -> None:
    assert mark_in_words(tempo_words.in_plain_signs(text)) == found


def test_a_mark_in_words_is_a_tempo_with_its_note(tmp_path: Path) -> None:
    found = read_made(
        tmp_path, words("Allegro (\ueca5 = 132)") + WHOLE, words("h = 60") + WHOLE, words("♩ = ♪") + WHOLE
    )
    assert tempos(found) == [(0, 132.0), (4, 120.0), (8, 60.0)]
    assert found.tempos[0].text == "Allegro (♩ = 132)" and not found.tempo_words
    assert [bar.mark_unit for bar in found.bars] == [1, 2, F(1, 2)]


def test_it_is_printed_and_so_counts_before_what_is_only_heard(tmp_path: Path) -> None:
    found = read_made(tmp_path, words("♩ = 96", "<sound tempo='100'/>") + WHOLE)
    assert tempos(found) == [(0, 96.0)]


def test_it_is_written_as_a_mark_again(tmp_path: Path) -> None:
    made = read_made(tmp_path, words("Allegro (♩. = 80)") + WHOLE)
    (tmp_path / "again.musicxml").write_bytes(to_musicxml(made))
    again = read(tmp_path / "again.musicxml")
    assert tempos(again) == [(0, 120.0)] and again.tempos[0].text == "Allegro ♩. = 80"


@pytest.mark.parametrize(("text", "said", "bent"), [
    ("Animato", True, False), ("animando", True, True), ("Vivo", True, False), ("Grave", True, False),
    ("affrettando", True, True), ("poco trattenuto", True, True), ("più mosso", True, False), ("TRIO", False, False),
    ("dolce", False, False), ("gravely", False, False), ("poco rit.", True, True), ("ritmico", False, False),
    ("straight mute", False, False), ("Straight 8ths", True, False),
    ("Modéré", True, False), ("Cédez un peu", True, True), ("retenu", True, True), ("en élargissant", True, True),
    ("plus vite", True, False), ("Lent", True, False), ("lentille", False, False), ("au Mouvt", True, False),
    ("Langsam", True, False), ("langsamer werden", True, True), ("Lebhaft", True, False), ("mäßig", True, False),
    ("céleste", False, False), ("pressentir", False, False), ("freilich", False, False), ("animé", True, False),
])  # fmt: skip
def test_words_that_speak_of_tempo(text: str, said: bool, bent: bool) -> None:
    assert (tempo_words.speaks_of_tempo(text), tempo_words.bends(text)) == (said, bent)


@pytest.mark.parametrize(("text", "goal"), [
    ("Tempo I", "first"), ("Tempo I.", "first"), ("TEMPO 1", "first"), ("Tempo primo", "first"), ("Tempo 1°", "first"),
    ("Tempo Iº", "first"), ("1st tempo", "first"), ("a tempo", "before"), ("in tempo", "before"), ("Tempo", "before"),
    ("1er mouvement", "first"), ("au Mouvt", "before"), ("Erstes Zeitmaß", "first"), ("Im Zeitmaß", "before"),
    ("rit. e poi a tempo", ""), ("Tempo di valse", ""), ("L'istesso tempo", ""), ("Tempo 120", ""), ("Allegro", ""),
    ("tempo rubato", ""), ("Tempo in 3", ""),
])  # fmt: skip
def test_words_that_lead_back(text: str, goal: str) -> None:
    assert tempo_words.back_to(text) == goal


def test_tempo_primo_leads_back_to_the_first_one(tmp_path: Path) -> None:
    slower = words("poco meno", "<sound tempo='70'/>")
    found = read_made(tmp_path, PRINTED + WHOLE, slower + WHOLE, words("Tempo I") + WHOLE, WHOLE)
    assert tempos(found) == [(0, 90.0), (4, 70.0), (8, 90.0)] and found.tempos[2].text == "Tempo I"
    assert not found.tempo_words
    unnumbered = read_made(tmp_path, WHOLE, words("Tempo I") + WHOLE)
    assert not unnumbered.tempos and [each.text for each in unnumbered.tempo_words] == ["Tempo I"]


def test_a_tempo_leads_back_to_where_the_playback_of_a_rit_came_from(tmp_path: Path) -> None:
    rit = words("rit.", "<sound tempo='80'/>") + note("C5", 2) + "<sound tempo='70'/>" + note("C5", 2)
    found = read_made(tmp_path, PRINTED + WHOLE, rit, words("a tempo") + WHOLE)
    assert tempos(found) == [(0, 90.0), (4, 80.0), (6, 70.0), (8, 90.0)]
    by_number = read_made(tmp_path, PRINTED + WHOLE, rit, words("a tempo", "<sound tempo='88'/>") + WHOLE)
    assert tempos(by_number)[-1] == (8, 88.0)


def test_a_tempo_after_a_rit_without_numbers_sets_none(tmp_path: Path) -> None:
    found = read_made(tmp_path, PRINTED + WHOLE, words("rit.") + WHOLE, words("a tempo") + WHOLE)
    assert tempos(found) == [(0, 90.0)] and [each.text for each in found.tempo_words] == ["rit.", "a tempo"]


def test_doppio_movimento_is_twice_as_fast(tmp_path: Path) -> None:
    found = read_made(tmp_path, PRINTED + WHOLE, words("Doppio movimento") + WHOLE)
    assert tempos(found) == [(0, 90.0), (4, 180.0)]


# -- metronome marks of other makes -----------------------------------------------------------------------------------


def equation(*sides: str) -> str:
    return direction(f"<metronome>{'<metronome-relation>equals</metronome-relation>'.join(sides)}</metronome>")


def metronome_note(kind: str, more: str = "") -> str:
    return f"<metronome-note><metronome-type>{kind}</metronome-type>{more}</metronome-note>"


def test_one_note_that_equals_another_relates_two_tempos(tmp_path: Path) -> None:
    dotted = equation(metronome_note("quarter"), metronome_note("quarter", "<metronome-dot/>"))
    found = read_made(tmp_path, PRINTED + WHOLE, dotted + WHOLE)
    assert tempos(found) == [(0, 90.0), (4, 135.0)]
    assert (found.tempos[1].text, found.bars[1].mark_unit) == ("♩ = ♩.", F(3, 2))


def test_a_unit_of_two_tied_notes_is_as_long_as_both(tmp_path: Path) -> None:
    tied = "<beat-unit-tied><beat-unit>eighth</beat-unit></beat-unit-tied>"
    five = f"<metronome><beat-unit>half</beat-unit>{tied}<per-minute>40</per-minute></metronome>"
    found = read_made(tmp_path, direction(five) + WHOLE)
    assert tempos(found) == [(0, 100.0)] and found.tempos[0].text == "𝅗𝅥+♪ = 40"


SWUNG = equation(
    metronome_note("eighth") * 2,
    metronome_note("quarter", "<metronome-tuplet type='start'/>")
    + metronome_note("eighth", "<metronome-tuplet type='stop'/>"),
)


@pytest.mark.parametrize(("sign", "swung"), [
    (SWUNG, True), (words("Swing"), True), (words("Medium shuffle"), True), (words("♩ = 120 swung"), True),
    (words("Medium", "<sound><swing><first>2</first><second>1</second></swing></sound>"), True),
    ("<sound tempo='120'><swing><first>3</first><second>2</second></swing></sound>", True),
    (words("Even", "<sound><swing><straight/></swing></sound>"), False),
    (words("Even", "<sound><swing><first>1</first><second>1</second></swing></sound>"), False),
    (words("Straight eighths, no swing"), False), (PRINTED, False), ("", False),
    (equation(metronome_note("eighth") * 2, metronome_note("eighth") * 2), False),
])  # fmt: skip
def test_swing_is_asked_for_in_words_in_notes_and_for_playback(tmp_path: Path, sign: str, swung: bool) -> None:
    found = read_made(tmp_path, sign + WHOLE, WHOLE)
    assert asks_swing(found) is swung


# -- several marks at one place ----------------------------------------------------------------------------------------


def test_the_printed_mark_counts_before_playback_wherever_that_stands(tmp_path: Path) -> None:
    heard = "<sound tempo='70'/>"
    for first in (PRINTED + heard, words("TRIO", heard) + PRINTED, words("Allegro", heard) + PRINTED):
        found = read_made(tmp_path, first + WHOLE, heard + WHOLE)
        assert tempos(found) == [(0, 90.0), (4, 70.0)]
    assert [each.text for each in found.tempo_words] == ["Allegro"]


def test_of_two_printed_marks_the_first_counts(tmp_path: Path) -> None:
    half = direction("<metronome><beat-unit>half</beat-unit><per-minute>72</per-minute></metronome>")
    found = read_made(tmp_path, PRINTED + half + WHOLE)
    assert tempos(found) == [(0, 90.0)] and found.bars[0].mark_unit == 1
