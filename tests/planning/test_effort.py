"""The effort of a change: its terms one by one, and in the order that players showed."""

from __future__ import annotations

import pytest

from companion import charts
from companion.charts.model import Fingering
from companion.planning import TERMS, change_seconds
from companion.planning.effort import BASE_S, change_between

TENOR = charts.load("tenor")


def fingering(text: str) -> Fingering:
    keys = frozenset() if text == "open" else frozenset(text.split())
    return Fingering("made", TENOR.sound(keys), keys)


def seconds(a: str, b: str) -> float:
    return change_seconds(TENOR, fingering(a), fingering(b))


def terms(a: str, b: str) -> dict[str, int]:
    change = change_between(TENOR, fingering(a), fingering(b))
    return {term.name: term.count(change) for term in TERMS if term.count(change)}


@pytest.mark.parametrize(
    ("a", "b", "named"),
    [
        ("l1 l2 l3", "l1 l2", {}),
        ("l1 l2 l3", "l1", {"each further finger of the left hand": 1}),
        (
            "l1",
            "l2",
            {"each further finger of the left hand": 1, "one finger opens while another of the hand closes": 1},
        ),
        ("l1 bis", "l1", {"the index rolls between its pearl and bis": 1}),
        ("l1 bis", "l1 l2", {}),  # the index may stay on both keys
        ("l1 l2", "octave l1 l2", {"the octave key moves": 1}),
        ("l1 l2 side_b_flat", "l1", {"both hands move": 1}),
        (
            "l1 l2 l3 g_sharp",
            "l1 l2 l3 low_b",
            {"a little finger slides from key to key": 1, "a little finger moves": 1},
        ),
        ("l1 l2 l3 r3", "l1 l2 l3 chromatic_f_sharp", {"another finger moves from key to key": 1}),
        ("palm_d", "palm_d palm_e_flat", {"palm keys": 1}),
        ("l1 l2 l3 r1 r2 r3", "l1 l2 l3", {"each further finger of the right hand": 2}),
    ],
)
def test_terms(a: str, b: str, named: dict[str, int]) -> None:
    assert terms(a, b) == named
    assert terms(b, a) == named


def test_no_change_takes_no_time_and_every_other_takes_the_base_at_least() -> None:
    fingerings = TENOR.fingerings
    for a in fingerings:
        for b in fingerings:
            cost = change_seconds(TENOR, a, b)
            if a.keys == b.keys:
                assert cost == 0.0
            else:
                assert BASE_S <= cost < 1.2
            assert cost == pytest.approx(change_seconds(TENOR, b, a))


#: Trills per second measured by Libřický and Hajič 2025, arXiv:2507.04963, two ways from one note, by one player each.
SIDE, BIS = "l1 l2 side_b_flat", "l1 bis"
MEASURED_PAIRS = [
    ("l1 l2 l3", BIS, 5.299, "l1 l2 l3", SIDE, 3.559),  # G–B♭
    ("l1 l2 l3 r1 r2 r3", BIS, 3.607, "l1 l2 l3 r1 r2 r3", SIDE, 2.353),  # D–B♭
    ("l2", SIDE, 4.590, "l2", BIS, 3.422),  # C–B♭
    ("l1 l2 l3 r1", "l1 l2 l3 r1 chromatic_f_sharp", 6.934, "l1 l2 l3 r1", "l1 l2 l3 r2", 3.692),  # F–F♯
]


@pytest.mark.parametrize("pair", MEASURED_PAIRS)
def test_the_quicker_trill_is_the_easier_change(pair: tuple[str, str, float, str, str, float]) -> None:
    a, b, quicker_per_s, c, d, slower_per_s = pair
    assert quicker_per_s > slower_per_s
    assert seconds(a, b) < seconds(c, d)


def test_the_time_is_of_the_measured_size() -> None:
    """Half a period of the trills above: within 40 % of each single reading, players differing by as much."""
    for a, b, quicker_per_s, c, d, slower_per_s in MEASURED_PAIRS:
        assert seconds(a, b) == pytest.approx(1 / (2 * quicker_per_s), rel=0.6)
        assert seconds(c, d) == pytest.approx(1 / (2 * slower_per_s), rel=0.4)
