"""A passage played as it stands: onsets by the score, lengths by its marks, and the judge finds nothing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from practice.made import passage
from practice.takes import melody

from companion.paths import shared_dir
from companion.practice import judge
from companion.practice.clock import note_onsets_s
from companion.practice.example import as_written
from companion.practice.model import AS_WRITTEN, ON_TIME, Tolerances
from companion.scores import read


def lengths(played: np.ndarray) -> list[float]:
    return [float(length) for length in played["offset_s"] - played["onset_s"]]


@given(st.integers(0, 60), st.sampled_from([40.0, 72.0, 120.0]))
def test_every_note_comes_on_time_and_ends_before_or_with_the_next(seed: int, tempo_bpm: float) -> None:
    music = melody(seed, bars=3)
    played = as_written(music, tempo_bpm)
    assert played["onset_s"].tolist() == note_onsets_s(music, tempo_bpm).tolist()
    assert played["written_midi"].tolist() == [note.written_midi for note in music.notes]
    assert (played["offset_s"][:-1] <= played["onset_s"][1:] + 1e-9).all() and min(lengths(played)) >= 0


@pytest.mark.parametrize("file", ["etude-e-minor.musicxml", "waltz-in-f.musicxml", "first-steps.musicxml"])
def test_the_judge_has_nothing_to_say_of_it(file: str) -> None:
    """As clean as a take can be: every note right, on the click, slurred, tongued and held as written."""
    music = read(shared_dir() / "passages" / file)
    tempo_bpm = music.marked_tempo_bpm()
    assessment = judge(music, as_written(music, tempo_bpm), tempo_bpm, Tolerances())
    assert assessment.clean and not assessment.slips and len(music.slurs) + len(music.notes) > 20
    assert {result.verdict for result in assessment.notes} == {ON_TIME}
    assert {verdict for entry in assessment.articulation for verdict in entry.verdicts} <= {AS_WRITTEN}


def test_the_tongue_takes_its_time_and_a_slur_takes_none() -> None:
    tongued = lengths(as_written(passage("C4:1 D4:1 E4:1"), 60.0))
    assert tongued[0] == pytest.approx(1 - 0.0345) and tongued[2] == pytest.approx(1.0)
    fast = lengths(as_written(passage("C4:1/8 D4:1/8 E4:1/8"), 120.0))
    assert fast[0] == pytest.approx(0.75 / 16)
