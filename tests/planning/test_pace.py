"""A player's pace, against players made by lot whose pace is known; prior figures against the published readings.

Source of the readings: Š. Libřický and J. Hajič jr., 2025, arXiv:2507.04963 (`benchmarks/trill_rates.csv`).
"""

from __future__ import annotations

import csv
import math
import statistics
from collections import defaultdict
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from planning_passages import passage

from companion import charts
from companion.charts.effort_table import effort_table
from companion.charts.model import Chart, Fingering
from companion.planning import Plan, change_seconds, plan
from companion.planning.pace import (
    CHANGE_SPREAD,
    MIN_READINGS_FOR_CHANGE,
    MIN_READINGS_FOR_PACE,
    PACE_SPREAD,
    Pace,
    Reading,
    pace_from,
)

READINGS = Path(__file__).resolve().parents[2] / "benchmarks" / "trill_rates.csv"
TOLERANCE_S, TOLERANCE_SHARE = 0.03, 0.1


@cache
def alto() -> Chart:
    return charts.load("alto")


@dataclass(frozen=True)
class Player:
    """One made by lot: logarithm of the pace, of each change beside it, spread from one time to the next, unevenness
    of the pulse in seconds, share of notes with a hesitation, and how much time there is beside the player's own."""

    log_pace: float
    scatter: float = 0.2
    uneven_s: float = 0.012
    hesitations: float = 0.02
    ample: tuple[float, float] = (0.0, 0.5)


def pairs(rng: np.random.Generator, count: int) -> list[tuple[Fingering, Fingering]]:
    standard = [fingering for fingering in alto().fingerings if fingering.standard]
    found: dict[frozenset[int], tuple[Fingering, Fingering]] = {}
    while len(found) < count:
        i, j = rng.choice(len(standard), 2, replace=False).tolist()
        if standard[i].keys != standard[j].keys:
            found[frozenset((i, j))] = (standard[i], standard[j])
    return list(found.values())


def reading(a: Fingering, b: Fingering, available_s: float, taken_s: float) -> Reading:
    late = taken_s - available_s > max(TOLERANCE_S, TOLERANCE_SHARE * available_s)
    return Reading(a.keys, b.keys, available_s, taken_s, late)


def played(
    player: Player,
    rng: np.random.Generator,
    changes: list[tuple[Fingering, Fingering]],
    of_changes: list[float],
    count: int,
) -> list[Reading]:
    """Each note comes when the fingers are there and the pulse says so, whichever is later; some after a hesitation."""
    found = []
    for which in rng.integers(len(changes), size=count).tolist():
        a, b = changes[which]
        mean_s = change_seconds(alto(), a, b)
        available_s = mean_s * math.exp(player.log_pace + rng.uniform(*player.ample))
        fingers_s = mean_s * math.exp(player.log_pace + of_changes[which] + rng.normal(0, player.scatter))
        taken_s = max(fingers_s, available_s + rng.normal(0, player.uneven_s), 0.02)
        if rng.random() < player.hesitations:
            taken_s = max(taken_s, available_s + rng.exponential(0.3))
        found.append(reading(a, b, available_s, taken_s))
    return found


def by_lot(
    seed: int, player: Player | None = None, changes: int = 15, count: int = 300, **kind: Any
) -> tuple[Player, list[tuple[Fingering, Fingering]], list[float], list[Reading]]:
    rng = np.random.default_rng(seed)
    player = player or Player(float(rng.normal(0, PACE_SPREAD)), **kind)
    of_changes = rng.normal(0, CHANGE_SPREAD, changes).tolist()
    two = pairs(rng, changes)
    return player, two, of_changes, played(player, rng, two, of_changes, count)


@pytest.mark.parametrize(
    "kind",
    [{}, {"scatter": 0.12}, {"scatter": 0.35}, {"uneven_s": 0.02}, {"hesitations": 0.06}, {"ample": (-0.4, 0.3)}],
    ids=lambda kind: " ".join(kind) or "plain",
)
def test_the_interval_holds_the_true_pace_as_often_as_it_says(kind: dict[str, float]) -> None:
    """95 % of 60 players are 57; 52 or fewer would come by chance in one of 60 such tests (binomial)."""
    held, errors, told = 0, [], 0
    for seed in range(60):
        player, _, _, readings = by_lot(seed, **kind)
        pace = pace_from(readings, alto())
        if pace.low is None or pace.high is None:
            continue
        told += 1
        held += math.log(pace.low) <= player.log_pace <= math.log(pace.high)
        errors.append(math.log(pace.factor) - player.log_pace)
    assert told >= 45
    assert held >= 0.88 * told
    assert abs(statistics.mean(errors)) < 0.05
    assert statistics.stdev(errors) < 0.5 * PACE_SPREAD


def test_a_single_change_is_drawn_towards_the_model_and_nearer_the_truth_than_the_model_alone() -> None:
    """Shrinkage shows as errors below those of saying 1, and as estimates that spread less than the truth."""
    truths, founds = [], []
    for seed in range(30):
        _, two, of_changes, readings = by_lot(100 + seed)
        pace = pace_from(readings, alto())
        for (a, b), truth in zip(two, of_changes, strict=True):
            if (a.keys, b.keys) in pace.changes:
                assert pace.changes[a.keys, b.keys] == pace.changes[b.keys, a.keys]
                truths.append(truth)
                founds.append(math.log(pace.changes[a.keys, b.keys]))
    assert len(truths) > 100
    error = np.sqrt(np.mean((np.array(founds) - np.array(truths)) ** 2))
    assert error < 0.7 * np.sqrt(np.mean(np.square(truths)))
    assert np.std(founds) < np.std(truths)
    # Unbiased in the mean: what is told is neither pulled to one side nor blown up.
    slope = np.polyfit(founds, truths, 1)[0]
    assert 0.7 < slope < 1.3


def test_a_slow_change_stands_out_from_the_others() -> None:
    rng = np.random.default_rng(5)
    two = pairs(rng, 10)
    readings = played(Player(0.0), rng, two, [0.5] + [0.0] * 9, 600)
    pace = pace_from(readings, alto())
    a, b = two[0]
    assert 1.2 < pace.changes[a.keys, b.keys] < math.exp(0.5) * 1.1
    assert pace.change_s(alto(), a, b) == pytest.approx(
        change_seconds(alto(), a, b) * pace.factor * pace.changes[a.keys, b.keys]
    )
    others = [pace.changes[c.keys, d.keys] for c, d in two[1:] if (c.keys, d.keys) in pace.changes]
    assert all(factor < pace.changes[a.keys, b.keys] for factor in others)


def test_notes_on_time_at_a_slow_tempo_say_next_to_nothing() -> None:
    rng = np.random.default_rng(6)
    two = pairs(rng, 15)
    easy = [reading(a, b, 4 * change_seconds(alto(), a, b), 4 * change_seconds(alto(), a, b)) for a, b in two] * 100
    alone = pace_from(easy, alto())
    assert (alone.factor, alone.low, dict(alone.changes)) == (1.0, None, {})
    readings = played(Player(0.25), rng, two, [0.0] * 15, 300)
    with_easy = pace_from([*readings, *easy], alto())
    assert with_easy.factor == pytest.approx(pace_from(readings, alto()).factor, rel=0.03)


def test_quick_notes_on_time_show_a_quick_player() -> None:
    """Nobody takes longer than the time there was and is on time: 0.6 of the average time says quicker than average."""
    rng = np.random.default_rng(7)
    two = pairs(rng, 15)
    quick = [reading(a, b, 0.6 * change_seconds(alto(), a, b), 0.6 * change_seconds(alto(), a, b)) for a, b in two] * 8
    pace = pace_from(quick, alto())
    assert pace.high is not None and pace.high < 1.0
    assert "quick changes" in pace.words and "quicker than the measured players" in pace.words


def test_lapses_of_memory_move_nothing_much() -> None:
    _, two, _, readings = by_lot(8, Player(0.1))
    before = pace_from(readings, alto())
    lapses = [
        reading(a, b, change_seconds(alto(), a, b) * 1.2, change_seconds(alto(), a, b) * factor)
        for a, b in two
        for factor in (4.0, 6.0, 12.0)
    ]
    after = pace_from([*readings, *lapses], alto())
    assert before.low is not None and before.high is not None
    assert before.low < after.factor < before.high
    assert after.factor == pytest.approx(before.factor, rel=0.06)  # one note in eight is a lapse
    assert after.readings == before.readings


def late_ones(count: int, factor: float = 1.5) -> list[Reading]:
    two = pairs(np.random.default_rng(9), count)
    return [reading(a, b, 0.1, 0.1 + factor * change_seconds(alto(), a, b)) for a, b in two]


def test_nothing_is_said_below_the_least_number_of_readings() -> None:
    few = pace_from(late_ones(MIN_READINGS_FOR_PACE - 1, 0.6), alto())
    assert (few.factor, few.low, few.readings) == (1.0, None, MIN_READINGS_FOR_PACE - 1)
    assert few.words == ("too few late or quick changes yet (19; 20 are needed): the average player's pace is assumed")
    enough = pace_from(late_ones(MIN_READINGS_FOR_PACE, 0.6), alto())
    assert enough.factor != 1.0
    assert not enough.changes, "each change was played once"


def test_a_change_of_its_own_needs_its_own_readings() -> None:
    many = late_ones(MIN_READINGS_FOR_PACE, 0.6)
    for times, told in ((MIN_READINGS_FOR_CHANGE - 1, 0), (MIN_READINGS_FOR_CHANGE, 2)):
        one = many[0]
        back = Reading(one.after, one.before, one.available_s, one.taken_s, one.late)
        # One of them is there already; the way back counts as the same change.
        pace = pace_from([*many, *[back] * (times - 1)], alto())
        assert len(pace.changes) == told


def test_what_says_nothing_is_passed_over() -> None:
    keys = alto().standard(67).keys
    nothing = [
        Reading(keys, keys, 0.2, 0.9, True),
        Reading(keys, frozenset({"no such key"}), 0.2, 0.4, True),
        Reading(keys, alto().standard(69).keys, 0.0, 0.4, True),
        Reading(keys, alto().standard(69).keys, 0.2, math.inf, True),
        Reading(keys, alto().standard(69).keys, 0.2, math.nan, True),
    ]
    assert pace_from(nothing * 30, alto()) == pace_from([], alto()) == Pace()
    readings = late_ones(30, 0.7)
    assert pace_from([*readings, *nothing], alto()).factor == pace_from(readings, alto()).factor


def test_the_words_hold_the_figures() -> None:
    _, _, _, readings = by_lot(11, Player(0.3))
    pace = pace_from(readings, alto())
    assert pace.low is not None and pace.high is not None
    assert (
        f"changes of {len(readings)}: about {round(100 * (pace.factor - 1))} % slower than the measured" in pace.words
    )
    assert f"± {round(50 * (pace.high - pace.low))} % (95 % interval)" in pace.words
    assert pace.low < pace.factor < pace.high


def test_a_pace_is_an_effort() -> None:
    made = passage("G4 Bb4 C5 Bb4 A4 F4 F#4 F4 B4 C5 B4 Bb4")
    average = plan(made, alto())
    assert plan(made, alto(), effort=Pace()).choices == average.choices
    slow = plan(made, alto(), effort=Pace(1.4))
    assert [c.change_s for c in slow.choices] == pytest.approx(
        [1.4 * _change_s(slow, i) for i in range(len(made.notes))]
    )


def _change_s(planned: Plan, i: int) -> float:
    return change_seconds(alto(), planned.choices[i - 1].fingering, planned.choices[i].fingering) if i else 0.0


def test_the_prior_spreads_are_those_of_the_published_readings() -> None:
    """Paces of the five players by the pairs that all of them played: standard deviation 0.075; with five players the
    true one lies between 0.045 and 0.217 (95 %; chi square of 4 degrees of freedom, 0.4844 and 11.143, from tables)."""
    logs: dict[tuple[str, ...], dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    with open(READINGS, encoding="utf-8", newline="") as file:
        for row in csv.DictReader(line for line in file if not line.startswith("#")):
            rate = float(row["trills_per_s"])
            if rate > 0:
                pair = tuple(row[name] for name in row if name not in ("player", "trills_per_s"))
                logs[pair][row["player"]].append(-math.log(2 * rate))
    players = sorted({player for of_pair in logs.values() for player in of_pair})
    common = [of_pair for of_pair in logs.values() if len(of_pair) == len(players)]
    assert (len(players), len(common)) == (5, 6)
    means = [{player: statistics.mean(of_pair[player]) for player in players} for of_pair in common]
    paces = [statistics.mean(of[p] - statistics.mean(of.values()) for of in means) for p in players]
    spread = statistics.stdev(paces)
    assert spread == pytest.approx(0.075, abs=0.002)
    assert (min(paces), max(paces)) == (pytest.approx(-0.089, abs=0.002), pytest.approx(0.098, abs=0.002))
    low, high = (spread * math.sqrt(4 / chi) for chi in (11.143, 0.4844))
    assert (low, high) == (pytest.approx(0.045, abs=0.002), pytest.approx(0.217, abs=0.003))
    assert pytest.approx(high, abs=0.01) == PACE_SPREAD
    assert pytest.approx(effort_table().spread, abs=0.03) == CHANGE_SPREAD
