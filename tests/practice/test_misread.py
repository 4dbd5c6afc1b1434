"""How a wrong pitch is wrong. Key signatures are held against music21's."""

from __future__ import annotations

from dataclasses import replace

import music21
import pytest
from hypothesis import given
from hypothesis import strategies as st
from practice.made import exact, passage, pitch
from practice.takes import melody

from companion.passage import Pitch
from companion.practice import judge
from companion.practice.misread import (
    ACCIDENTAL_FORGOTTEN,
    ACCIDENTAL_KEPT,
    KEY_SIGNATURE,
    MISREADINGS,
    NEIGHBOUR,
    NOT_IN_SIGNATURE,
    OCTAVE,
    OTHER,
    OTHER_WAY,
    SEMITONE,
    THIRD,
    heard_pitch,
    misread_in_words,
    misread_of,
    patterns,
    signature_alter,
)
from companion.practice.model import WRONG_NOTE, NoteResult


@pytest.mark.parametrize("fifths", range(-7, 8))
def test_key_signatures_are_music21s(fifths):
    signature = music21.key.KeySignature(fifths)
    for step in "CDEFGAB":
        accidental = signature.accidentalByStep(step)
        assert signature_alter(step, fifths) == (accidental.alter if accidental else 0)


# From six sharps on E♯ sounds as the F that is forgotten to be sharp: there the signature is the likelier reason.
@pytest.mark.parametrize("fifths", range(-5, 6))
def test_steps_and_thirds_are_those_of_music21s_scales(fifths):
    scale = music21.key.KeySignature(fifths).asKey("major")
    pitches = scale.getPitches("C3", "C6")
    for i in range(4, len(pitches) - 4):
        here = Pitch(pitches[i].step, int(pitches[i].alter), pitches[i].implicitOctave)
        piece = passage("C4:1", fifths=fifths)
        piece = replace(piece, notes=(replace(piece.notes[0], written=here),))
        for apart, kind in ((1, NEIGHBOUR), (-1, NEIGHBOUR), (2, THIRD), (-2, THIRD)):
            other = pitches[i + apart]
            assert misread_of(piece, 0, other.midi) == kind, (here, str(other))
            heard = heard_pitch(piece, 0, other.midi)
            assert (heard.step, heard.alter, heard.octave) == (other.step, other.alter, other.implicitOctave)


@pytest.mark.parametrize(
    ("text", "fifths", "played", "kind", "words"),
    [
        # What the signature has, and was played without.
        ("F#4:1", 1, "F4", KEY_SIGNATURE, "F natural for F♯: the key signature has F♯"),
        ("Bb4:1", -1, "B4", KEY_SIGNATURE, "B natural for B♭: the key signature has B♭"),
        ("Eb5:1", -3, "E5", KEY_SIGNATURE, "E natural for E♭: the key signature has E♭"),
        # One more than it has.
        ("C5:1", 1, "C#5", NOT_IN_SIGNATURE, "C♯ for C: the key signature has no C♯"),
        ("E4:1", -1, "Eb4", NOT_IN_SIGNATURE, "E♭ for E: the key signature has no E♭"),
        ("F4:1", 0, "F#4", NOT_IN_SIGNATURE, "F♯ for F: the key signature has no F♯"),
        # An accidental overlooked: before the note, or earlier in the bar.
        ("G#4:1", 0, "G4", ACCIDENTAL_FORGOTTEN, "G natural for G♯: the sharp before it was overlooked"),
        ("F4:1", 1, "F#4", ACCIDENTAL_FORGOTTEN, "F♯ for F: the natural before it was overlooked"),
        (
            "G#4:1 A4:1 G#4:1",
            0,
            "G4",
            ACCIDENTAL_FORGOTTEN,
            "G natural for G♯: the sharp earlier in the bar still holds",
        ),
        # One kept too long: past a natural, past the bar line, in another octave.
        ("G#4:1 A4:1 G4:1", 0, "G#4", ACCIDENTAL_KEPT, "G♯ for G: the sharp before it no longer holds"),
        ("G#4:4 G4:4", 0, "G#4", ACCIDENTAL_KEPT, "G♯ for G: the sharp before it no longer holds"),
        ("G#5:1 G4:1", 0, "G#4", ACCIDENTAL_KEPT, "G♯ for G: the sharp before it no longer holds"),
        ("G#4:1", 0, "Gb4", OTHER_WAY, "G♭ for G♯: the sharp was read as a flat"),
        ("Db5:1", 0, "D#5", OTHER_WAY, "D♯ for D♭: the flat was read as a sharp"),
        ("Bb4:1", -2, "C5", NEIGHBOUR, "C for B♭"),
        ("D5:1", 0, "D4", OCTAVE, "D4 for D5: an octave too low, mind the octave key"),
        ("D4:1", 0, "D6", OCTAVE, "D6 for D4: 2 octaves too high"),
        ("E4:1", 0, "G4", THIRD, "G for E: a third up, the next line"),
        ("F4:1", 1, "D4", THIRD, "D for F: a third down, the next space"),
        ("A4:1", -1, "Bb4", NEIGHBOUR, "B♭ for A"),
        ("D4:1", 0, "E4", NEIGHBOUR, "E for D"),
        ("A4:1", 0, "A#4", SEMITONE, "A♯ for A"),
        ("C4:1", 0, "A4", OTHER, "A for C"),
    ],
)
def test_each_way_to_misread(text, fifths, played, kind, words):
    piece = passage(text, fifths=fifths)
    last = len(piece.notes) - 1
    assert misread_of(piece, last, pitch(played).midi) == kind
    assert misread_in_words(piece, last, pitch(played).midi) == words


def test_a_right_note_is_not_misread():
    piece = passage("F#4:1", fifths=1)
    assert (misread_of(piece, 0, 66), misread_in_words(piece, 0, 66)) == ("", "")
    assert heard_pitch(piece, 0, 66) == piece.notes[0].written


def test_an_accidental_two_bars_ago_is_forgotten():
    piece = passage("G#4:4 A4:4 G4:4")
    assert misread_of(piece, 2, pitch("G#4").midi) == SEMITONE


def test_a_change_of_key_ends_the_old_signature():
    piece = passage("F#4:4 F4:4", fifths=1)
    piece = replace(piece, bars=(piece.bars[0], replace(piece.bars[1], fifths=0)))
    assert misread_of(piece, 1, pitch("F#4").midi) == ACCIDENTAL_KEPT


@given(st.integers(0, 200), st.integers(-7, 7), st.integers(30, 100))
def test_every_wrong_pitch_has_a_kind_and_sounds_as_spelled(seed, fifths, played_midi):
    piece = melody(seed, 2)
    piece = replace(piece, bars=tuple(replace(bar, fifths=fifths) for bar in piece.bars))
    note = piece.notes[seed % len(piece.notes)]
    kind, words = misread_of(piece, note.index, played_midi), misread_in_words(piece, note.index, played_midi)
    assert heard_pitch(piece, note.index, played_midi).midi == played_midi
    if played_midi == note.written_midi:
        assert (kind, words) == ("", "")
    else:
        assert kind in MISREADINGS
        assert words and "\n" not in words


def _wrong(piece, *pairs):
    return [NoteResult(i, WRONG_NOTE, 0.0, pitch(name).midi) for i, name in pairs]


def test_the_same_misreading_is_said_once():
    piece = passage("F#4:4 G4:4 F#5:4 F#4:4 A4:4", fifths=1)
    found = patterns(piece, _wrong(piece, (0, "F4"), (2, "F5"), (3, "F4"), (4, "B4")))
    assert [(pattern.kind, pattern.notes) for pattern in found] == [(KEY_SIGNATURE, (0, 2, 3))]
    assert found[0].sentence == (
        "F♯ was played F 3 times (bars 1, 3 and 4): the key signature has it; say its name before you start."
    )
    # Once is no pattern, and two different ones are none.
    assert patterns(piece, _wrong(piece, (0, "F4"), (1, "A4"))) == ()


def test_octaves_belong_together_whatever_the_note():
    piece = passage("D5:4 E5:4 F5:4")
    (found,) = patterns(piece, _wrong(piece, (0, "D4"), (2, "F4")))
    assert found.sentence.startswith("2 notes came an octave too low (bars 1 and 3); mind the octave key")
    (both,) = patterns(piece, _wrong(piece, (0, "D4"), (2, "F6")))
    assert "an octave too high or low" in both.sentence


@pytest.mark.parametrize(
    ("text", "fifths", "played", "says"),
    [
        (
            "G#4:4 A4:4 G#4:4",
            0,
            "G4",
            "G♯ was played G twice (bars 1 and 3): the sharp before it was overlooked; ring it",
        ),
        ("E4:4 A4:4 E4:4", 0, "G4", "E was played G twice (bars 1 and 3), the next line; write its name over it"),
        ("A4:4 C5:4 A4:4", 0, "A#4", "A was played A♯ twice (bars 1 and 3); say its name"),
    ],
)
def test_what_to_do_about_a_pattern(text, fifths, played, says):
    piece = passage(text, fifths=fifths)
    (found,) = patterns(piece, _wrong(piece, (0, played), (2, played)))
    assert found.sentence.startswith(says)


def test_the_judge_tells_it_for_each_note_and_once_in_the_comment():
    piece = passage("G4:1 F#4:1 E4:1 D4:1 " * 4, fifths=1)
    played = exact(piece, 60)
    for i in (1, 9, 13):
        played["written_midi"][i] -= 1
    assessment = judge(piece, played, 60)
    assert [note.misread for note in assessment.notes if note.misread] == [KEY_SIGNATURE] * 3
    assert assessment.advice.startswith("F♯ was played F 3 times (bars 1, 3 and 4): the key signature has it")
    assert sum("F♯" in sentence for sentence in assessment.comment) == 1
