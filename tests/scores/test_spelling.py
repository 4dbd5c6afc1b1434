"""Note names: against published figures, a reference library and the rules that follow from a key."""

from __future__ import annotations

import random
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from companion.passage import Pitch
from companion.scores.spelling import likely_key, line_of_fifths, spell


def names(pitches: Sequence[Pitch]) -> str:
    return " ".join(str(pitch) for pitch in pitches)


@pytest.mark.parametrize(
    ("midi", "fifths", "expected"),
    [
        ([71, 70, 71, 73, 75, 76], 1, "B4 A♯4 B4 C♯5 D♯5 E5"),
        ([72, 70, 72, 69, 65], -1, "C5 B♭4 C5 A4 F4"),
        ([64, 66, 68, 69, 68, 64], 0, "E4 F♯4 G♯4 A4 G♯4 E4"),
        ([59, 60, 58], 0, "B3 C4 B♭3"),
        ([71, 72], -7, "C♭5 C5"),
        ([60, 72, 61], 7, "B♯3 B♯4 C♯4"),
    ],
)
def test_names_in_a_key(midi: list[int], fifths: int, expected: str) -> None:
    assert names(spell(midi, [fifths] * len(midi))) == expected


@given(st.lists(st.integers(0, 127), max_size=60), st.integers(-7, 7))
def test_names_sound_their_number(midi: list[int], fifths: int) -> None:
    for pitches in (spell(midi), spell(midi, [fifths] * len(midi)), spell(midi, [fifths] * len(midi), "minor")):
        assert [pitch.midi for pitch in pitches] == midi
        assert all(abs(pitch.alter) <= 2 for pitch in pitches)


@given(st.lists(st.integers(40, 90), min_size=1, max_size=60), st.integers(-6, 6), st.integers(1, 11))
@example([60, 63, 65, 59, 90], 3, 1)
def test_names_move_with_the_key(midi: list[int], fifths: int, semitones: int) -> None:
    """In another key of no more accidentals the same line has the same names, moved along the line of fifths."""
    other = (fifths + 7 * semitones + 5) % 12 - 5
    here = [line_of_fifths(p) - fifths for p in spell(midi, [fifths] * len(midi))]
    there = [line_of_fifths(p) - other for p in spell([m + semitones for m in midi], [other] * len(midi))]
    # From F flat to B sharp: where either key would need a double accidental, a plainer name may stand.
    assume(all(-8 <= place + key <= 12 for places, key in ((here, other), (there, fifths)) for place in places))
    assert here == there


@pytest.mark.filterwarnings("ignore")
def test_without_a_key_names_are_those_of_partitura() -> None:
    """partitura's ps13s1 (Meredith 2006) with the same context, up to one enharmonic step of the whole line."""
    from partitura.musicanalysis import estimate_spelling

    rng = random.Random(6)
    for _ in range(12):
        midi, at = [], 66
        for _ in range(rng.randrange(2, 150)):
            at = min(88, max(58, at + rng.choice((-7, -4, -3, -2, -2, -1, -1, 1, 1, 2, 2, 3, 4, 5))))
            midi.append(at)
        notes = np.zeros(len(midi), dtype=[("onset_beat", "f4"), ("duration_beat", "f4"), ("pitch", "i4")])
        notes["onset_beat"], notes["duration_beat"], notes["pitch"] = np.arange(len(midi)), 1, midi
        theirs = estimate_spelling(notes, K_pre=10, K_post=42)
        places = [line_of_fifths(Pitch(str(s), int(a), int(o))) for s, a, o in theirs]
        steps = {ours - place for ours, place in zip(map(line_of_fifths, spell(midi)), places, strict=True)}
        assert len(steps) == 1
        assert steps.pop() % 12 == 0


@pytest.mark.parametrize("fifths", range(-5, 7))
def test_key_of_a_scale_with_its_tonic_chord(fifths: int) -> None:
    tonic = 60 + 7 * fifths % 12
    midi = [tonic + i for i in (0, 2, 4, 5, 7, 9, 11, 12, 0, 4, 7)]
    weights = [2.0 if i in (0, 8, 9, 10) else 1.0 for i in range(len(midi))]
    assert likely_key(midi, weights) == (fifths, "major")


def test_key_by_the_published_profiles() -> None:
    """Krumhansl and Kessler (1982): the minor profile played as lengths is C minor, the major one C major."""
    major = (6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88)
    minor = (6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17)
    assert likely_key(range(60, 72), major) == (0, "major")
    assert likely_key(range(60, 72), minor) == (-3, "minor")


@pytest.mark.corpus
@pytest.mark.filterwarnings("ignore")
def test_printed_names_of_the_corpus() -> None:
    """At least 99.5 % of the notes of 60 four-part chorales and fiddle tunes get the name they are printed with."""
    from music21 import corpus, key, note

    same = total = 0
    for name in [*corpus.getComposer("bach")[40:160:6], *corpus.getComposer("ryansMammoth")[:200:10]]:
        score = corpus.parse(name)
        for part in score.parts:
            fifths, printed, signatures = 0, [], []
            for element in part.recurse():
                if isinstance(element, key.KeySignature):
                    fifths = element.sharps
                elif isinstance(element, note.Note):
                    printed.append(element.pitch)
                    signatures.append(fifths)
            spelled = spell([pitch.midi for pitch in printed], signatures)
            same += sum((s.step, s.alter) == (p.step, int(p.alter)) for s, p in zip(spelled, printed, strict=True))
            total += len(printed)
    assert total > 5_000
    assert same / total > 0.995
