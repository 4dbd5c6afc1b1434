"""Note scores by onset and pitch.

`onset_scores.csv` holds what mir_eval 0.8.2 gives (`transcription.precision_recall_f1_overlap` with
`offset_ratio=None`) for the made notes of `onset_cases.py`; `python benchmarks/listening.py --onset-cases` prints it
anew.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import networkx as nx
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from practice.onset_cases import SEEDS, TOLERANCES_S, case

from companion.errors import UsageError
from companion.practice.onset_scores import OnsetScores, onset_scores

PUBLISHED = Path(__file__).with_name("onset_scores.csv")


def test_the_scores_are_those_of_mir_eval_to_the_last_digit():
    with PUBLISHED.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(SEEDS) * len(TOLERANCES_S)
    for row in rows:
        found = onset_scores(*case(int(row["seed"])), float(row["tolerance_s"]))
        expected = tuple(float(row[name]) for name in ("precision", "recall", "f_measure"))
        assert (found.precision, found.recall, found.f_measure) == expected, row


@pytest.mark.parametrize(("apart_s", "paired"), [(0.05, 1), (0.05004, 1), (0.05006, 0), (-0.05, 1), (-0.0501, 0)])
def test_both_ends_of_the_tolerance_count_after_rounding(apart_s, paired):
    assert onset_scores([1.0], [60], [1.0 + apart_s], [60]).matched == paired


def test_without_notes_all_is_nought():
    for reference, played in (([], [1.0]), ([1.0], []), ([], [])):
        pitches = [[60] * len(reference), [60] * len(played)]
        assert onset_scores(reference, pitches[0], played, pitches[1]) == OnsetScores(0.0, 0.0, 0.0, 0)


def test_a_wrong_pitch_is_paired_with_none():
    assert onset_scores([1.0, 2.0], [60, 62], [1.0, 2.0], [60, 74]) == OnsetScores(0.5, 0.5, 0.5, 1)


notes = st.lists(st.tuples(st.integers(0, 60), st.integers(60, 62)), max_size=14)


@given(notes, notes, st.sampled_from([0.0, 0.02, 0.05, 0.12]))
def test_as_many_notes_are_paired_as_can_be(reference, played, tolerance_s):
    """networkx's maximum matching (Hopcroft and Karp 1973) on the same bipartite graph."""
    graph = nx.Graph()
    left = [("reference", i) for i in range(len(reference))]
    graph.add_nodes_from(left)
    for i, (at, midi) in enumerate(reference):
        for j, (other_at, other) in enumerate(played):
            if midi == other and abs(at - other_at) * 0.01 <= tolerance_s + 1e-9:
                graph.add_edge(("reference", i), ("played", j))
    most = len(nx.bipartite.hopcroft_karp_matching(graph, left)) // 2
    sides = [[at * 0.01 for at, _ in side] for side in (reference, played)]
    pitches = [[midi for _, midi in side] for side in (reference, played)]
    found = onset_scores(sides[0], pitches[0], sides[1], pitches[1], tolerance_s)
    assert found.matched == most
    assert math.isclose(found.precision * len(played), most) and math.isclose(found.recall * len(reference), most)


@given(notes, notes, st.randoms(use_true_random=False))
def test_the_order_of_the_notes_is_of_no_account(reference, played, rng):
    def scores(one, other):
        return onset_scores(
            [a / 100 for a, _ in one], [m for _, m in one], [a / 100 for a, _ in other], [m for _, m in other]
        )

    mixed, other = rng.sample(reference, len(reference)), rng.sample(played, len(played))
    assert scores(mixed, other) == scores(reference, played)
    turned, straight = scores(played, reference), scores(reference, played)
    assert (turned.precision, turned.recall, turned.f_measure) == (
        straight.recall,
        straight.precision,
        straight.f_measure,
    )


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (([1.0], [60, 61], [1.0], [60]), "1 onsets and 2 pitches"),
        (([1.0], [60], [math.nan], [60]), "played note 0 has no onset"),
        (([1.0], [60.5], [1.0], [60]), "reference note 0 has pitch 60.5"),
        (([1.0], [60], [1.0], [60], -0.1), "-0.1 s makes no sense"),
        (([1.0], [60], [1.0], [60], math.nan), "nan s makes no sense"),
        (([0.0], [60], [0.0], [math.nan]), "played note 0 has pitch nan"),
    ],
)
def test_what_makes_no_sense_is_refused(arguments, text):
    with pytest.raises(UsageError, match=text):
        onset_scores(*arguments)


def test_arrays_are_taken_too():
    onsets_s = np.array([0.0, 1.0, 2.0])
    assert onset_scores(onsets_s, np.array([60, 61, 62]), onsets_s + 0.01, np.array([60, 61, 62])).matched == 3
