"""Pitches as people type them. Octaves: scientific pitch notation, middle C is C4; MIDI 1.0 numbers it 60."""

from __future__ import annotations

import pytest

from companion.errors import UsageError
from companion.passage import Pitch
from companion.scores.pitch_words import pitch_from


@pytest.mark.parametrize(
    ("text", "pitch", "midi"),
    [
        ("C4", Pitch("C", 0, 4), 60),
        ("B-flat4", Pitch("B", -1, 4), 70),
        ("Bb4", Pitch("B", -1, 4), 70),
        ("bb4", Pitch("B", -1, 4), 70),
        ("b4", Pitch("B", 0, 4), 71),
        ("B♭4", Pitch("B", -1, 4), 70),
        (" F#5 ", Pitch("F", 1, 5), 78),
        ("f sharp 5", Pitch("F", 1, 5), 78),
        ("F♯♯5", Pitch("F", 2, 5), 79),
        ("Fx5", Pitch("F", 2, 5), 79),
        ("Ebb5", Pitch("E", -2, 5), 74),
        ("A natural 4", Pitch("A", 0, 4), 69),
        ("C-1", Pitch("C", 0, -1), 0),
    ],
)
def test_pitches(text: str, pitch: Pitch, midi: int) -> None:
    assert pitch_from(text) == pitch
    assert pitch.midi == midi
    assert pitch_from(str(pitch)) == pitch


@pytest.mark.parametrize(
    "text", ["", "H4", "B", "4", "Bis4", "C44", "B--4", "Cb-1", "G#9", "B♭", "do", "A4\n\nB5", "💥"]
)
def test_what_is_none(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        pitch_from(text)
    assert "\n" not in str(caught.value)
