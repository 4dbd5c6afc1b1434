"""The effort of a change: its terms one by one, its reckoning, and what real players' trills say."""

from __future__ import annotations

import csv
import itertools
from pathlib import Path

import numpy as np
import pytest

from companion import charts
from companion.charts.effort_table import effort_table
from companion.charts.model import Fingering
from companion.errors import ChartError
from companion.planning import TERMS, change_seconds, reckoning
from companion.planning.motion import terms_of

TENOR = charts.load("tenor")
READINGS = Path(__file__).resolve().parents[2] / "benchmarks" / "trill_rates.csv"


def fingering(text: str, written_midi: int | None = None) -> Fingering:
    keys = frozenset() if text == "open" else frozenset(text.split())
    return Fingering("made", TENOR.sound(keys) if written_midi is None else written_midi, keys)


def seconds(a: str, b: str) -> float:
    return change_seconds(TENOR, fingering(a), fingering(b))


def terms(a: str, b: str) -> dict[str, float]:
    found = terms_of(TENOR, [fingering(a)], [fingering(b)])[0]
    return {term.name: value for term, value in zip(TERMS, found.tolist(), strict=True) if value}


@pytest.mark.parametrize(
    ("a", "b", "on", "off"),
    [
        ("l1 l2 l3", "l1 l2", {"one finger alone": 1, "left ring finger": 1}, {"hands combined"}),
        ("l1 l2 l3", "l1", {"fingers of the left hand": 2, "all fingers one way": 1}, {"opening against closing"}),
        ("l1", "l2", {"index-middle flip": 1, "opening against closing, left hand": 1}, {"bis key"}),
        ("l1 bis", "l1", {"bis roll": 1, "bis key": 1}, {"left index"}),
        ("l1 bis", "l1 l2", {"bis key": 1, "left middle finger": 1}, {"bis roll"}),  # the index may stay on both
        ("l1 l2", "octave l1 l2", {"octave key alone": 1, "an octave or more": 1}, {"hands combined"}),
        ("l1 l2 side_b_flat", "l1", {"hands combined": 1, "side B♭ key": 1}, {"palm key"}),
        ("l1 l2 l3 g_sharp", "l1 l2 l3 low_b", {"little-finger slide": 1, "slide from or to G♯": 1}, {"bis roll"}),
        ("l1 l2 l3 low_b", "l1 l2 l3 low_b_flat", {"slide between B and B♭": 1}, {"slide between C♯ and B♭"}),
        ("l1 l2 l3 r3", "l1 l2 l3 chromatic_f_sharp", {"right finger from key to key": 1}, {"right index"}),
        ("octave palm_d", "octave palm_d palm_e_flat", {"palm keys, each": 1, "palm key stays": 1}, {"left index"}),
        ("l1 l2 l3 r1 r2 r3", "l1 l2 l3", {"fingers of the right hand": 3, "pearls that stay down": 3}, {"side key"}),
        ("l1 l2 l3 r1", "l1 l2 l3 r2", {"index-middle flip, right": 1}, {"index-middle flip"}),
        ("octave l1 l2", "octave l1 l2 l3", {"octave vent changes": 1}, {"octave key"}),
        ("open", "octave l1 l2 l3 r1 r2 r3", {"over the break": 1, "thumb with the fingers": 1}, {"one finger alone"}),
        ("octave l1 l2", "octave front_f l2", {"index from pearl to front key": 1}, {"palm key"}),
    ],
)
def test_terms(a: str, b: str, on: dict[str, float], off: set[str]) -> None:
    found = terms(a, b)
    assert found.items() >= on.items()
    assert not off & set(found)
    assert terms(b, a) == found


@pytest.mark.parametrize("name", charts.names())
def test_every_change_of_every_horn_takes_a_possible_time_the_same_both_ways(name: str) -> None:
    """The fastest published trill of two changes is under 8 a second, the slowest above 0.5 (arXiv:2507.04963)."""
    chart = charts.load(name)
    for a, b in itertools.product(chart.fingerings, repeat=2):
        cost = change_seconds(chart, a, b)
        assert cost == change_seconds(chart, b, a)
        if a.keys == b.keys:
            assert cost == 0.0
        else:
            assert 1 / 16 < cost < 1.0


def test_a_fingering_that_is_in_no_chart_is_reckoned_too_and_an_unknown_key_is_named() -> None:
    assert 0.05 < seconds("l1 l2 l3 r1 r3", "l1 l3") < 1
    with pytest.raises(ChartError, match="thumb_hook"):
        change_seconds(TENOR, fingering("l1"), Fingering("made", 70, frozenset({"l1", "thumb_hook"})))


def test_a_reckoning_adds_up_and_says_so() -> None:
    for a, b in itertools.combinations(TENOR.fingerings, 2):
        taken_apart = reckoning(TENOR, a, b)
        assert taken_apart.seconds == change_seconds(TENOR, a, b)
        assert sum(s for _, s in taken_apart.parts) == pytest.approx(taken_apart.seconds)
        if a.keys == b.keys:
            assert taken_apart.sentence() == "0 ms: no key moves"
            continue
        total, _, words = taken_apart.sentence().partition(" ms = ")
        figures = [int(part.rsplit(" ", 1)[1].replace("−", "-")) for part in words.split(", ")]
        assert sum(figures) == int(total) == round(1000 * taken_apart.seconds)
        assert words.startswith("base ")


def test_a_reckoning_names_what_makes_a_change_hard() -> None:
    names = [name for name, _ in reckoning(TENOR, fingering("l1 bis"), fingering("l1")).parts]
    assert "bis roll" in names and "palm keys" not in names
    slide = dict(reckoning(TENOR, TENOR.standard(61), TENOR.standard(58)).parts)
    assert slide["little-finger slide"] > 0.02


# -- against the published readings: Libřický and Hajič, Modeling the Difficulty of Saxophone Music, 2025,
# -- arXiv:2507.04963. Trills a second; one trill is two changes.

G, F, D, C, B, A = "l1 l2 l3", "l1 l2 l3 r1", "l1 l2 l3 r1 r2 r3", "l2", "l1", "l1 l2"
SIDE, BIS = "l1 l2 side_b_flat", "l1 bis"
MEASURED = [
    (G, BIS, 5.30, SIDE, 3.56),
    (F, BIS, 4.80, SIDE, 2.72),
    (D, BIS, 3.61, SIDE, 2.35),
    (C, SIDE, 4.59, BIS, 3.42),
    (B, SIDE, 5.18, BIS, 3.20),
    (A, SIDE, 7.36, BIS, 5.88),
    (F, "l1 l2 l3 r1 chromatic_f_sharp", 6.93, "l1 l2 l3 r2", 3.69),
]


@pytest.mark.parametrize(("note", "quicker", "quicker_per_s", "slower", "slower_per_s"), MEASURED)
def test_alternates_rank_as_players_measured_them(
    note: str, quicker: str, quicker_per_s: float, slower: str, slower_per_s: float
) -> None:
    quick_s, slow_s = seconds(note, quicker), seconds(note, slower)
    assert quick_s < 0.9 * slow_s
    assert 0.5 / quick_s == pytest.approx(quicker_per_s, rel=0.2)
    assert 0.5 / slow_s == pytest.approx(slower_per_s, rel=0.2)


def test_g_to_g_sharp_is_within_the_players_readings() -> None:
    assert 4.7 < 0.5 / seconds(G, "l1 l2 l3 g_sharp") < 6.8


def _readings() -> list[tuple[Fingering, Fingering, str, float]]:
    with READINGS.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return [
        (
            fingering(row["low_keys"], int(row["low_written_midi"])),
            fingering(row["high_keys"], int(row["high_written_midi"])),
            row["player"],
            float(row["trills_per_s"]),
        )
        for row in rows
    ]


def test_the_table_names_its_source_and_its_error_is_what_it_says() -> None:
    table = effort_table()
    assert "arXiv:2507.04963" in table.source and table.fitted and len(table.version) == 10
    fit = [r for r in _readings() if r[3] > 0 and r[0].keys != r[1].keys and not {"bis", "l2"} <= r[1].keys]
    assert len(fit) == 525
    rates = np.array([0.5 / change_seconds(TENOR, a, b) for a, b, _, _ in fit])
    measured = np.array([rate for *_, rate in fit])
    error = float(np.mean(np.abs(rates - measured) / measured))
    assert error == pytest.approx(table.report["all_readings_without_pace"][0], abs=2e-3)
    with_pace = rates / np.array([table.paces[player] for _, _, player, _ in fit])
    assert float(np.mean(np.abs(with_pace - measured) / measured)) < error
    # What was judged on unseen pairs; the paper's best network reaches 0.181 and 0.867.
    assert (
        table.report["unseen_pairs_without_pace"][0] <= 0.17 and table.report["unseen_pairs_without_pace"][1] >= 0.885
    )
    assert table.report["unseen_pairs_with_pace"][0] <= 0.155 and table.report["unseen_pairs_with_pace"][1] >= 0.91


def test_the_terms_of_the_table_are_those_of_the_program() -> None:
    assert effort_table().terms == tuple(term.name for term in TERMS)
    assert len({term.name for term in TERMS}) == len(TERMS)


def test_the_terms_alone_predict_unseen_pairs() -> None:
    """Without the smoothers of the fit: a ridge on the terms and their pairs, ten folds by pair. It can't reach the
    table's error, but far from it the terms themselves would be wrong."""
    fit = [r for r in _readings() if r[3] > 0 and r[0].keys != r[1].keys and not {"bis", "l2"} <= r[1].keys]
    x = terms_of(TENOR, [a for a, *_ in fit], [b for _, b, *_ in fit])
    x = (x - x.mean(axis=0)) / np.maximum(x.std(axis=0), 0.35)
    linear = x @ x.T / x.shape[1]
    kernel = 0.3 * (linear + linear**2 / 4)
    players = np.array([player for *_, player, _ in fit])
    kernel += 0.01 * (players[:, None] == players[None])
    log_s = np.log([0.5 / rate for *_, rate in fit])
    ids: dict[frozenset[frozenset[str]], int] = {}
    pair = np.array([ids.setdefault(frozenset((a.keys, b.keys)), len(ids)) for a, b, *_ in fit])
    fold = np.empty(len(ids), dtype=int)
    fold[np.random.default_rng(1).permutation(len(ids))] = np.arange(len(ids)) % 10
    predicted = np.zeros(len(fit))
    for number in range(10):
        test, train = fold[pair] == number, fold[pair] != number
        middle = log_s[train].mean()
        solved = np.linalg.solve(kernel[np.ix_(train, train)] + 0.03 * np.eye(train.sum()), log_s[train] - middle)
        predicted[test] = middle + kernel[np.ix_(test, train)] @ solved
    rates, measured = 0.5 / np.exp(predicted), 0.5 / np.exp(log_s)
    assert np.mean(np.abs(rates - measured) / measured) < 0.185
