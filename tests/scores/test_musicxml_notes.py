"""What is read at each note: a file for every case, every value given."""

from __future__ import annotations

from fractions import Fraction as F
from pathlib import Path

import pytest

from companion.passage import Passage, Pitch, Slur, Tuplet
from companion.scores import read

FILES = Path(__file__).parent / "files"


def passage(case: str, part: str | None = None) -> Passage:
    return read(FILES / f"{case}.musicxml", part)


def line(found: Passage) -> str:
    """Pitch, start and length of every note, such as `C♯4@0+1/2`."""
    return " ".join(f"{note.written}@{note.start}+{note.length}" for note in found.notes)


LINES = {
    "pitch_spelling": "C♯4@0+1 D♭4@1+1 B♯3@2+1 C♭5@3+1 F♯♯4@4+1 E♭♭5@5+1 B4@6+1 B♭4@7+1",
    "divisions_change_and_decimals": "C4@0+1/2 D4@1/2+1/2 E4@1+1 F4@2+1/2 G4@5/2+3/2 A4@4+2/3 B4@14/3+1/3 C5@5+3",
    "tie_across_bars": "C4@0+2 D4@2+7 D4@9+3",
    "tie_only_started": "C4@0+6 C4@6+1 D4@7+1",
    "tie_only_stopped": "C4@0+2 C4@2+2",
    "tie_enharmonic": "C♯4@0+4",
    "ties_of_two_voices_on_one_pitch": "C5@0+2 G4@2+3 A4@5+3",
    "grace_notes": "D5@0+0 C5@0+1 E5@1+0 F5@1+0 E5@1+1 C5@2+2 G4@4+4 A4@8+0 B4@8+0 C5@8+4",
    "grace_tied_to_its_note": "C5@0+4",
    "tuplets_rounded": "C4@0+1/3 D4@1/3+1/3 E4@2/3+1/3 F4@1+1/3 G4@4/3+1/3 A4@5/3+1/3 B4@2+2/3 C5@8/3+1/3 D5@3+1"
    " E5@4+1/2 F5@9/2+7/2",
    "tuplets_rounded_with_two_voices": "C4@0+1/3 D4@1/3+1/3 E4@2/3+1/3 F4@1+1 C4@2+2",
    "tuplets_nested": "C4@0+2/15 D4@2/15+2/15 E4@4/15+2/15 F4@2/5+2/15 G4@8/15+2/15 A4@2/3+2/3 B4@4/3+2/3",
    "tremolo_is_no_tuplet": "C4@0+1 E4@1+1",
    "voices_and_staves": "C5@0+1 D5@1+1 E5@2+1 F5@3+1 G5@4+4",
    "voice_without_rests": "C5@0+4 D5@4+4 E5@8+4",
    "no_voice_elements": "C5@0+4 D5@4+4",
    "chords": "E5@0+2 D5@2+2",
    "cue_unpitched_and_hidden": "D4@1+1 F4@4+4",
    "overlap_in_one_voice": "C4@0+1 E4@1+3",
    "one_part_with_notes": "C4@0+4",
    "microtones": "C4@0+2 B♭4@2+2",
}


@pytest.mark.parametrize("case", LINES)
def test_pitches_and_times(case: str) -> None:
    assert line(passage(case)) == LINES[case]


def test_indices_and_sources() -> None:
    found = passage("tie_across_bars")
    assert [(note.index, note.bar, note.source, note.tied_sources) for note in found.notes] == [
        (0, 0, 0, ()),
        (1, 0, 1, (2, 3)),
        (2, 2, 4, ()),
    ]


def test_sources_count_all_notes_of_the_document() -> None:
    """Part one has two notes, part two a rest, G, then E with a chord note above it, then A."""
    found = passage("two_parts", "2")
    assert line(found) == "G4@2+2 G4@4+2 A4@6+2"
    assert [note.source for note in found.notes] == [3, 5, 6]


def test_slurs() -> None:
    found = passage("slurs")
    assert found.slurs == (Slur(0, 2), Slur(2, 3))
    assert [note.tongued for note in found.notes] == [True, False, False, False]


def test_an_unclosed_slur_does_not_run_on() -> None:
    found = passage("slur_unclosed")
    assert found.slurs == (Slur(4, 5),)
    assert [note.index for note in found.notes if not note.tongued] == [5]


def test_nested_slurs_and_a_stray_stop() -> None:
    assert passage("slurs_nested_and_stray_stop").slurs == (Slur(0, 3), Slur(1, 2))


def test_slur_into_both_endings() -> None:
    found = passage("slur_into_both_endings")
    assert line(found) == "C4@0+3 D4@3+1 E4@4+4 C4@8+3 D4@11+1 F4@12+4"
    assert found.slurs == (Slur(1, 2), Slur(4, 5))


def test_slur_from_a_grace_note_to_its_note() -> None:
    found = passage("grace_notes")
    assert found.slurs == (Slur(2, 4),)
    assert [(note.grace, note.bar) for note in found.notes if note.grace] == [
        ("acciaccatura", 0),
        ("appoggiatura", 0),
        ("appoggiatura", 0),
        ("acciaccatura", 1),
        ("acciaccatura", 1),
    ]


def test_articulations_ornaments_and_fermata() -> None:
    notes = passage("articulations_and_ornaments").notes
    assert [sorted(note.articulations) for note in notes] == [
        ["staccato"],
        ["accent", "tenuto"],
        ["strong-accent"],
        [],
        [],
        [],
        [],
        ["staccatissimo"],
    ]
    assert [sorted(note.ornaments) for note in notes[3:6]] == [["mordent"], ["inverted-mordent"], ["turn"]]
    assert [note.fermata for note in notes] == [False] * 6 + [True, False]


def test_the_other_note_of_a_trill() -> None:
    """Three flats: by key, after a natural in the bar, by accidental mark, by key again, by accidental mark, by the
    trill's own step, over the octave."""
    notes = passage("trill_other_note").notes
    others = [str(note.trill.other) if note.trill else "" for note in notes]
    assert others == ["A♭4", "", "A4", "E5", "A♭4", "C♯5", "G♭4", "C4"]


def test_a_wavy_line_carries_the_trill() -> None:
    """The first line covers a tied C and the D where it stops; the second is never stopped and covers its own note."""
    notes = passage("trill_wavy_line").notes
    assert [str(note.trill.other) if note.trill else "" for note in notes] == ["D5", "E5", "", "F5", ""]
    assert all(not note.ornaments for note in notes)


def test_tuplets() -> None:
    assert {note.tuplet for note in passage("tuplets_rounded").notes[:8]} == {Tuplet(3, 2)}
    assert [note.tuplet for note in passage("tuplets_nested").notes] == [Tuplet(15, 8)] * 5 + [Tuplet(3, 2)] * 2
    assert [note.tuplet for note in passage("tremolo_is_no_tuplet").notes] == [None, None]


def test_rounded_tuplets_do_not_shift_the_next_bar() -> None:
    found = passage("tuplets_rounded_with_two_voices", "P1/2")
    assert line(found) == "A3@0+1 B3@1+1 C3@2+2"
    assert [bar.length for bar in found.bars] == [2, 2]


def test_fingerings() -> None:
    assert [note.fingering_mark for note in passage("fingerings").notes] == ["bis", "", "1 / 2", ""]


def test_chords_keep_the_top_note_with_its_own_ties_and_all_signs() -> None:
    found = passage("chords")
    assert [(note.source, note.tied_sources) for note in found.notes] == [(1, (3,)), (6, ())]
    assert found.notes[0].articulations == {"accent"}
    assert found.notes[1].fingering_mark == "x"
    assert found.slurs == (Slur(0, 1),)
    assert found.remarks == ("of 3 chords only the top note is kept",)


def test_voices_are_chosen_with_a_slash() -> None:
    assert line(passage("voices_and_staves", "P1/5")) == "C3@0+4 D3@4+2 E3@6+2"
    assert line(passage("voices_and_staves", "line/2")) == "A4@0+2 B4@4+4"
    assert line(passage("voices_and_staves", "/2")) == "A4@0+2 B4@4+4"
    assert passage("voices_and_staves").remarks == (
        "left out voice 2 of staff 1 (2 notes), voice 5 of staff 2 (3 notes); --part P1/2 takes another voice",
    )


def test_a_voice_that_leaves_gaps_stands_where_it_is_written() -> None:
    assert line(passage("voice_without_rests", "1/2")) == "G4@6+1"


def test_what_is_left_out_is_said() -> None:
    assert passage("cue_unpitched_and_hidden").remarks == (
        "left out 1 cue note",
        "left out 1 unpitched note",
        "left out 1 hidden note",
    )
    assert passage("overlap_in_one_voice").remarks == (
        "1 overlap in the voice: the earlier note is shortened, or the higher kept",
    )
    assert passage("microtones").remarks == ("microtones are read as the semitone towards the natural note",)


@pytest.mark.parametrize("wanted", ["Sax", "sax", "alto saxophone", "2", " 2 ", "alto"])
def test_a_part_by_id_name_number_or_piece_of_its_name(wanted: str) -> None:
    found = passage("two_parts", wanted)
    assert (found.part_id, found.part_name, found.transposition) == ("Sax", "Alto Saxophone", -9)


def test_timewise() -> None:
    assert line(passage("timewise", "High")) == "C5@0+4 D5@4+2 E5@6+2"
    low = passage("timewise", "Low")
    assert line(low) == "E4@0+2 F4@2+2 G4@4+4"
    assert [note.source for note in low.notes] == [1, 2, 5]


def test_titles_and_composer() -> None:
    assert passage("title_from_work").title == "Study in Blue"
    assert (passage("title_from_credit").title, passage("title_from_credit").composer) == (
        "Evening Walk",
        "Ada Quillmark",
    )
    assert passage("slurs").title == "slurs"


@pytest.mark.parametrize(
    ("case", "semitones"), [("transposition", -14), ("transposition_changes", -9), ("slurs", None)]
)
def test_transposition(case: str, semitones: int | None) -> None:
    """Tenor saxophone sounds an octave and a second lower, alto a major sixth (common practice, no source)."""
    found = passage(case)
    assert found.transposition == semitones
    assert ("the part changes its transposition: the first one is taken" in found.remarks) == (
        case == "transposition_changes"
    )


def test_pitch_is_written_not_sounding() -> None:
    assert passage("transposition").notes[0].written == Pitch("D", 0, 5)


def test_lengths_are_exact() -> None:
    assert all(isinstance(n.start, F) and isinstance(n.length, F) for n in passage("tuplets_rounded").notes)
