"""What every made passage has: tuplets as the page writes them, and a hash that stays the same from run to run."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from fractions import Fraction

import pytest

from companion import charts
from companion.errors import NoFingering, UsageError
from companion.exercises.build import MOST_BARS, Section, Tone, finished, make
from companion.passage import Pitch, TempoWords, Trill, Tuplet

CHART = charts.load("alto")
G4, A4 = Pitch("G", 0, 4), Pitch("A", 0, 4)

_HASH = """
from fractions import Fraction
from companion import charts
from companion.exercises.build import Section, Tone, make
from companion.passage import Pitch
marks = frozenset({"accent", "staccato", "tenuto", "strong-accent"})
tone = Tone(Pitch("G", 0, 4), Fraction(1), articulations=marks, ornaments=frozenset({"turn", "mordent", "shake"}))
print(make("Marks", "for the hash", [Section((tone,))], charts.load("alto"), 92).sha256)
"""


def test_the_same_content_has_the_same_hash_in_every_run() -> None:
    """Sets of words have another order where Python's hash seed is another."""
    found = {
        subprocess.run(
            [sys.executable, "-c", _HASH],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            check=True,
            text=True,
        ).stdout
        for seed in ("1", "2", "3")
    }
    assert len(found) == 1 and len(found.pop().strip()) == 64


def test_triplets_know_that_they_are() -> None:
    tones = [Tone(G4, Fraction(1)), *[Tone(A4, Fraction(1, 3))] * 3, Tone(G4, Fraction(2, 3)), Tone(A4, Fraction(1, 3))]
    made = make("Triplets", "for the test", [Section(tuple(tones))], CHART, 92)
    assert [note.tuplet for note in made.notes] == [None, *[Tuplet(3, 2)] * 5]


def test_what_differs_in_its_marks_only_is_another_exercise() -> None:
    plain, marked = (
        make("One", "for the test", [Section((Tone(G4, Fraction(1), articulations=frozenset(marks)),))], CHART, 92)
        for marks in ((), ("staccato",))
    )
    assert plain.sha256 != marked.sha256
    assert finished(plain, CHART) == plain


def test_what_can_not_be_played_is_said() -> None:
    for tone in (
        Tone(Pitch("G", 0, 3), Fraction(1)),
        Tone(Pitch("F", 1, 6), Fraction(1), trill=Trill(Pitch("G", 0, 6))),
    ):
        with pytest.raises(NoFingering, match="is not on the"):
            make("Out", "of range", [Section((tone,))], CHART, 92)
    with pytest.raises(UsageError, match="nothing is left to play"):
        make("None", "at all", [Section((Tone(None, Fraction(4)),))], CHART, 92)
    with pytest.raises(UsageError, match=f"{MOST_BARS + 1} bars are too long"):
        make("Long", "too long", [Section((Tone(G4, Fraction(4)),) * (MOST_BARS + 1))], CHART, 92)


def test_what_a_passage_comes_to_know_besides_changes_no_hash() -> None:
    """Takes in the record are found by it. The figure is what an earlier program wrote into them."""
    third = Fraction(1, 3)
    tones = (
        Tone(G4, third, slurred=True), Tone(A4, third, slurred=True), Tone(G4, third),
        Tone(A4, Fraction(1), trill=Trill(Pitch("B", -1, 4))), Tone(None, Fraction(1)),
        Tone(G4, Fraction(0), grace="slash"),
        Tone(A4, Fraction(1), articulations=frozenset({"accent", "tenuto"}), fingering_mark="bis", fermata=True),
    )  # fmt: skip
    section = Section(tones, fifths=-1, mode="minor", heading="Here", times=2)
    made = make("All", "one of each", [section], CHART, 92)
    assert made.sha256 == "512fb22773f6bdc4f6d6978bd9853b1c97b7de16a30fe2c10c67ca887722f5b7"
    bent = replace(made, tempo_words=(TempoWords(Fraction(1), "rit."),))
    assert finished(bent, CHART).sha256 == made.sha256
    unlike = replace(made, notes=(replace(made.notes[0], fermata=True), *made.notes[1:]))
    for other in (replace(made, title="Other"), replace(made, slurs=()), unlike):
        assert finished(other, CHART).sha256 != made.sha256
