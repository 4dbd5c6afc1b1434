"""What scores print beside notes: it is read, or one line says that it isn't (elements of MusicXML 4.0)."""

from __future__ import annotations

from pathlib import Path

import pytest
from lxml import etree
from scores.musicxml_making import bar, direction, note, read_made, words

from companion.passage import Passage
from companion.scores import for_engraving

FOUR = "".join(note(pitch) for pitch in ("C5", "D5", "E5", "F5"))
OPENS = "<barline location='left'><repeat direction='forward'/></barline>"
CLOSES = "<barline location='right'><repeat direction='backward'/></barline>"


def order(passage: Passage) -> str:
    """The written bars, from 1, as they are played."""
    return " ".join(str(bar.written_index + 1) for bar in passage.bars)


# -- how often ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "times"), [
    ("4x", 4), ("(3x)", 3), ("x3", 3), ("×4", 4), ("Play 3 times", 3), ("three times", 3), ("Repeat 5x", 5), ("2x", 2),
    ("9x", 2), ("12x", 2), ("1x", 2), ("2x only", 2), ("4 x 4", 2), ("tempo 3", 2),
])  # fmt: skip
def test_words_say_how_often_a_repeat_is_played(tmp_path: Path, text: str, times: int) -> None:
    assert order(read_made(tmp_path, OPENS + FOUR + words(text) + CLOSES, FOUR)) == "1 " * times + "2"


def test_they_may_stand_anywhere_in_its_section_and_for_no_other(tmp_path: Path) -> None:
    found = read_made(tmp_path, OPENS + words("3x") + FOUR, FOUR + CLOSES, OPENS + FOUR + CLOSES, FOUR)
    assert order(found) == "1 2 1 2 1 2 3 3 4"
    lost = read_made(tmp_path, words("3x") + FOUR, OPENS + FOUR + CLOSES, FOUR)
    assert order(lost) == "1 2 2 3"


def test_the_repeat_signs_own_number_counts_before_words(tmp_path: Path) -> None:
    four = CLOSES.replace("'backward'", "'backward' times='4'")
    assert order(read_made(tmp_path, OPENS + FOUR + words("3x") + four, FOUR)) == "1 1 1 1 2"


# -- da capo -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "played"), [
    ("D.C. al Fine", "1 1 2 3 1 2"), ("D.C. al Fine senza rep.", "1 1 2 3 1 2"),
    ("D.C. al Fine con rep.", "1 1 2 3 1 1 2"), ("Da capo al Fine, with repeats", "1 1 2 3 1 1 2"),
    ("D.C. con ripetizione al Fine", "1 1 2 3 1 1 2"),
])  # fmt: skip
def test_repeats_are_taken_again_where_the_words_say_so(tmp_path: Path, text: str, played: str) -> None:
    assert order(read_made(tmp_path, OPENS + FOUR + CLOSES, FOUR + words("Fine"), FOUR + words(text))) == played


@pytest.mark.parametrize(("segno", "to_coda", "jump", "coda"), [
    ("\U0001d10b", "To \U0001d10c", "D.S. al \U0001d10c", "\U0001d10c"),
    ("\ue047", "To Coda \ue048", "D.\ue047 al \ue048", "\ue048"),
    ("\ue047", "To Coda", "D. Segno al Coda", "Coda"),
    ("\U0001d10b", "\U0001d10c", "Dal \U0001d10b al \U0001d10c", "\U0001d10c"),
])  # fmt: skip
def test_segno_and_coda_as_characters(tmp_path: Path, segno: str, to_coda: str, jump: str, coda: str) -> None:
    found = read_made(
        tmp_path, FOUR, words(segno) + FOUR, FOUR + words(to_coda), FOUR + words(jump), words(coda) + FOUR
    )
    assert order(found) == "1 2 3 4 2 3 5" and not found.remarks


# -- what is no note -----------------------------------------------------------------------------------------------


def test_slashes_are_a_rhythm_and_no_notes(tmp_path: Path) -> None:
    slash = note("B4", 2, inside="<notehead>slash</notehead>")
    found = read_made(tmp_path, FOUR, slash + slash, FOUR)
    assert [str(each.written) for each in found.notes] == ["C5", "D5", "E5", "F5"] * 2
    assert found.remarks == ("left out 2 slashes, which tell a rhythm and no notes",)
    assert len(etree.fromstring(for_engraving(found)).findall(".//note[rest]")) == 2
    ghosted = read_made(tmp_path, note("C5", 4, inside="<notehead>x</notehead>"))
    assert len(ghosted.notes) == 1 and not ghosted.remarks


def test_a_sign_for_the_bar_before_is_not_taken_for_silence_unsaid(tmp_path: Path) -> None:
    def sign(kind: str) -> str:
        style = f"<measure-style><measure-repeat type='{kind}'>1</measure-repeat></measure-style>"
        return f"<attributes>{style}</attributes>"

    said = "repeat signs for single bars are read as the rests they stand over: write those bars out"
    found = read_made(tmp_path, FOUR, sign("start") + note("r", 4), sign("stop") + FOUR)
    assert found.remarks == (said,)
    assert read_made(tmp_path, FOUR, sign("start") + FOUR, sign("stop") + note("r", 4)).remarks == ()


# -- concert pitch -----------------------------------------------------------------------------------------------------

CONCERT = "<defaults><concert-score/></defaults>"
ALTO = "<attributes><for-part><part-transpose><chromatic>-9</chromatic></part-transpose></for-part></attributes>"


@pytest.mark.parametrize(("head", "name", "first", "said"), [
    (CONCERT, "Alto Saxophone", "", True), (CONCERT, "Solo", ALTO, True), (CONCERT, "Flute", "", False),
    (CONCERT, "Bass", ALTO.replace("-9", "-12"), False), ("", "Alto Saxophone", "", False), ("", "Solo", ALTO, False),
])  # fmt: skip
def test_a_score_at_concert_pitch_is_told(tmp_path: Path, head: str, name: str, first: str, said: bool) -> None:
    found = read_made(tmp_path, FOUR + first, name=name, head=head)
    assert any("the score is at concert pitch" in remark for remark in found.remarks) is said


def test_signs_that_change_no_note_are_passed_over(tmp_path: Path) -> None:
    shift = direction("<octave-shift type='down' size='8'/>"), direction("<octave-shift type='stop' size='8'/>")
    found = read_made(
        tmp_path, shift[0] + note("C6", 2) + shift[1] + note("C5", 2, "<technical><up-bow/></technical>"),
        words("pizz.") + "<harmony><root><root-step>C</root-step></root><kind>major</kind></harmony>" + FOUR,
    )  # fmt: skip
    # The pitch is the one that sounds, whatever the octave line (MusicXML 4.0, `octave-shift`).
    assert [str(each.written) for each in found.notes][:2] == ["C6", "C5"] and not found.remarks


# -- voices that are one line ------------------------------------------------------------------------------------------

BACK = "<backup><duration>16</duration></backup>"
ONE_LINE = ("the voices 1, 2 never sound together: they are read as one line",)


def second(*pitches: str, quarters: float = 1) -> str:
    return "".join(note(pitch, quarters, voice=2) for pitch in pitches)


def heard(passage: Passage) -> list[tuple[str, int]]:
    return [(str(each.written), int(each.start)) for each in passage.notes]


@pytest.mark.parametrize("first", [
    second("C5", "D5", "E5", "F5"),
    note("r", 4) + BACK + second("C5", "D5", "E5", "F5"),
    note("C5") + note("r") + note("E5") + note("r") + BACK + second("r", "D5", "r", "F5"),
    note("C5") + note("D5") + note("r", 2) + BACK + second("r", quarters=2) + second("E5", "F5"),
])  # fmt: skip
def test_a_line_spread_over_voices_is_one(tmp_path: Path, first: str) -> None:
    found = read_made(tmp_path, first, FOUR)
    line = [("C5", 0), ("D5", 1), ("E5", 2), ("F5", 3)]
    assert heard(found) == line + [(name, at + 4) for name, at in line] and found.remarks == ONE_LINE
    drawn = etree.fromstring(for_engraving(found)).findall(".//note")
    assert [each.find("pitch") is not None for each in drawn] == [True] * 8
    assert len(etree.fromstring(for_engraving(found)).findall(".//backup")) == 0


def test_a_tie_and_a_slur_lead_from_voice_to_voice(tmp_path: Path) -> None:
    held = note("C5", 4, "<tied type='start'/>", "<tie type='start'/>")
    goes_on = "<tied type='stop'/><slur type='start' number='1'/>"
    second_bar = note("C5", 2, goes_on, voice=2) + note("D5", 2, "<slur type='stop' number='1'/>")
    found = read_made(tmp_path, held, second_bar)
    assert [(each.start, each.length) for each in found.notes] == [(0, 6), (6, 2)]
    assert [(each.first, each.last) for each in found.slurs] == [(0, 1)]


def test_a_rest_of_the_other_voice_is_drawn_where_nothing_sounds(tmp_path: Path) -> None:
    found = read_made(tmp_path, note("C5", 2) + BACK + second("r", quarters=2) + second("E5") + second("r"), FOUR)
    drawn = etree.fromstring(for_engraving(found)).findall(".//measure[1]/note")
    assert [each.find("rest") is not None for each in drawn] == [False, False, True]


def test_voices_that_sound_together_anywhere_stay_two(tmp_path: Path) -> None:
    both = FOUR + BACK + second("C4", quarters=4)
    found = read_made(tmp_path, both, second("C4", quarters=4), FOUR)
    assert [at for _, at in heard(found)] == [0, 1, 2, 3, 8, 9, 10, 11]
    assert found.remarks == ("left out voice 2 (2 notes); --part P1/2 takes another voice",)


# -- rests -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("metre", "length"), [("3/4", 3), ("6/8", 3), ("5/4", 5), ("4/4", 4), ("2/2", 4), ("6/4", 6)])
def test_a_whole_bar_rest_lasts_its_bar(tmp_path: Path, metre: str, length: int) -> None:
    rest = note("r", 4).replace("<rest/>", "<rest measure='yes'/>")
    found = read_made(tmp_path, bar(note("C5", length), metre=metre), rest, note("C5", length))
    assert [each.length for each in found.bars] == [length] * 3 and found.remarks == ()
    assert [each.start for each in found.notes] == [0, 2 * length]


# -- Fine in other languages -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("fine", "jump"), [
    ("Fine", "D.C. al Fine"), ("Fin", "D.C. al Fin"), ("FIN", "Da Capo à la Fin"), ("Ende", "D.C. bis Ende"),
    ("Schluss", "D.C. bis zum Schluss"), ("Fine.", "D. C. al Fine."),
])  # fmt: skip
def test_fine_by_other_names(tmp_path: Path, fine: str, jump: str) -> None:
    found = read_made(tmp_path, FOUR, FOUR + words(fine), FOUR + words(jump))
    assert order(found) == "1 2 3 1 2" and not found.remarks


def test_a_syllable_is_no_fine(tmp_path: Path) -> None:
    assert order(read_made(tmp_path, FOUR, FOUR + words("fin"), FOUR + words("D.C."))) == "1 2 3 1 2 3"


def test_a_fine_that_is_nowhere_is_told(tmp_path: Path) -> None:
    found = read_made(tmp_path, FOUR, FOUR + words("Finish"), FOUR + words("D.C. al Fine"))
    assert order(found) == "1 2 3 1 2 3"
    assert found.remarks == ("it is to be played again to the Fine, but no Fine is marked: played to the end",)


@pytest.mark.parametrize(("text", "said"), [
    ("simile", True), ("sim.", True), ("sempre staccato", True), ("Sempre legato", True), ("legato", True),
    ("stacc.", True), ("simply", False), ("ben legato e cantabile", False), ("sempre più forte", False),
    ("dolce", False),
])  # fmt: skip
def test_words_for_an_articulation_that_goes_on_are_told(tmp_path: Path, text: str, said: bool) -> None:
    remarks = read_made(tmp_path, words(text) + FOUR, words(text) + FOUR).remarks
    assert remarks == ((f"{text!r} is not followed: slurs, dots and lines count where they are drawn",) if said else ())


def test_a_tremolo_between_two_notes_is_told(tmp_path: Path) -> None:
    def end(kind: str) -> str:
        return f"<ornaments><tremolo type='{kind}'>3</tremolo></ornaments>"

    found = read_made(tmp_path, note("C5", 2, end("start")) + note("E5", 2, end("stop")), FOUR)
    assert [each.length for each in found.notes][:2] == [2, 2]
    assert found.remarks == ("tremolos between two notes are read as those two notes, one after the other",)
    assert read_made(tmp_path, note("C5", 4, end("single")), FOUR).remarks == ()


# -- sections that end within a bar ------------------------------------------------------------------------------------


def within(style: str, repeat: str = "") -> str:
    sign = f"<repeat direction='{repeat}'/>" if repeat else ""
    return f"<barline location='middle'><bar-style>{style}</bar-style>{sign}</barline>"


def played(passage: Passage) -> list[str]:
    return [str(each.written) for each in passage.notes]


def test_a_fine_at_a_double_bar_line_within_a_bar_ends_there(tmp_path: Path) -> None:
    upbeat, last = note("G4"), note("C5", 3)
    fine = last + words("Fine") + within("light-heavy") + note("A4")
    found = read_made(tmp_path, upbeat, FOUR, fine, FOUR, last + words("D.C. al Fine"))
    assert played(found)[-6:] == ["G4", "C5", "D5", "E5", "F5", "C5"] and len(found.notes) == 18
    assert (found.bars[-1].length, found.bars[-1].written_index) == (3, 2)
    drawn = etree.fromstring(for_engraving(found)).findall(".//measure[3]/note")
    assert len(drawn) == 2


def test_so_does_a_repeat_and_a_da_capo(tmp_path: Path) -> None:
    last = note("C5", 3) + words("Fine") + within("light-heavy", "backward") + note("A4")
    found = read_made(tmp_path, note("G4"), FOUR, last, FOUR, note("C5", 3) + words("D.C. al Fine"))
    half = ["G4", "C5", "D5", "E5", "F5", "C5"]
    assert played(found) == [*half, *half, "A4", "C5", "D5", "E5", "F5", "C5", *half]
    jump = note("C5", 3) + words("D.C.") + within("light-light") + note("A4")
    assert played(read_made(tmp_path, FOUR, jump))[-6:] == ["C5", "D5", "E5", "F5", "C5", "A4"]


def test_a_thin_line_within_a_bar_cuts_nothing(tmp_path: Path) -> None:
    found = read_made(tmp_path, note("C5", 2) + words("Fine") + within("dashed") + note("D5", 2), FOUR + words("D.C."))
    assert [bar.length for bar in found.bars] == [4, 4, 4]
    assert len(read_made(tmp_path, note("C5", 2) + within("light-light") + note("D5", 2)).bars) == 1


def test_of_many_voices_some_are_named(tmp_path: Path) -> None:
    found = read_made(tmp_path, "".join(note("C5", 0.25, voice=i) for i in range(1, 17)))
    assert len(found.notes) == 16
    assert found.remarks == (
        "the voices 1, 10, 11, 12, 13, 14, 15, 16, … never sound together: they are read as one line",
    )


@pytest.mark.parametrize(("bar", "together"), [
    (note("C5", 4) + BACK + second("C4"), True),
    (second("C4") + BACK + note("C5", 4), True),
    (note("C5", 2) + note("r", 2) + BACK + second("r") + second("C4"), True),
    (note("C5") + note("r", 3) + BACK + second("r") + second("C4") + BACK.replace("16", "8")
     + "<forward><duration>8</duration></forward>" + note("E4", 2, voice=3), False),
    # Three voices: the first and the last sound together, the middle one with neither.
    (note("C5", 2) + BACK.replace("16", "8") + note("r", 3, voice=2) + note("D5", 1, voice=2) + BACK
     + "<forward><duration>4</duration></forward>" + note("E4", 1, voice=3), True),
])  # fmt: skip
def test_whether_voices_sound_together(tmp_path: Path, bar: str, together: bool) -> None:
    found = read_made(tmp_path, bar, FOUR)
    assert any("left out" in remark for remark in found.remarks) is together
