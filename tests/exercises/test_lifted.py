"""Exercises lifted out of a passage, over random passages and options, and over the etudes; written and read back by
our reader and by music21."""

from __future__ import annotations

from pathlib import Path

import pytest
from exercises.exercise_checks import assert_sound, planned
from hypothesis import HealthCheck, given, reject, settings
from hypothesis import strategies as st
from scores.writer_making import passages

from companion import charts
from companion.errors import UsageError
from companion.exercises import REGISTRY
from companion.exercises.links import LINK_KINDS
from companion.exercises.rhythms import RHYTHM_KINDS
from companion.passage import Passage
from companion.planning import plan
from companion.scores import read

HORNS = ("alto", "baritone", "soprano", "tenor")
PASSAGES = Path(__file__).parents[2] / "shared" / "passages"
OPTIONS = {
    "links": {
        "change": st.integers(1, 2), "count": st.integers(1, 3), "kind": st.sampled_from(LINK_KINDS),
        "times": st.integers(1, 8), "length": st.integers(2, 12),
    },
    "rhythms": {
        "bars": st.sampled_from(("", "1", "2")), "kind": st.sampled_from(RHYTHM_KINDS), "times": st.integers(1, 8),
    },
    "alternates": {"bars": st.sampled_from(("", "1", "1.2", "2.-1")), "times": st.integers(1, 8)},
}  # fmt: skip


@pytest.mark.parametrize("name", OPTIONS)
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])
@given(tune=passages(), horn=st.sampled_from(HORNS), data=st.data())
def test_of_any_passage(name: str, tune: Passage, horn: str, data: st.DataObject) -> None:
    chart = charts.load(horn)
    music = plan(tune, chart)
    options = data.draw(st.fixed_dictionaries({}, optional=OPTIONS[name]))
    try:
        made = REGISTRY[name](tune, music, chart, **options)
    except UsageError:
        reject()
    assert_sound(made, chart)
    assert {note.written for note in made.notes} <= {note.written for note in tune.notes}
    if name != "alternates":
        ours = {(choice.fingering.written_midi, choice.name) for choice in music.choices}
        assert {(c.fingering.written_midi, c.name) for c in planned(made, chart).choices} <= ours


@pytest.mark.parametrize(
    "file, horn",
    [("etude-e-minor.musicxml", "alto"), ("etude-e-minor.musicxml", "baritone"), ("waltz-in-f.musicxml", "tenor"),
     ("first-steps.musicxml", "soprano"), ("march-in-g.mid", "alto")],
)  # fmt: skip
@pytest.mark.parametrize("name", OPTIONS)
def test_of_the_etudes(name: str, file: str, horn: str) -> None:
    tune, chart = read(PASSAGES / file), charts.load(horn)
    made = REGISTRY[name](tune, plan(tune, chart), chart)
    assert_sound(made, chart)
    assert made.sha256 == REGISTRY[name](tune, plan(tune, chart), chart).sha256
