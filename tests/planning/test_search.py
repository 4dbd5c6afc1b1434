"""The search against published fingerings, the charts, the horn model itself, and every subset of a small horn."""

from __future__ import annotations

import csv
import time
from itertools import chain, combinations, product
from pathlib import Path

import pytest

from companion import charts
from companion.charts.hands import fingers_overstretched, out_of_reach
from companion.charts.model import Chart, Fingering, Hole, Key, OctaveKey, ThirdRegister
from companion.errors import ChartError, NoFingering
from companion.planning import change_seconds
from companion.planning.search import idle_keys, search, sensible_combinations

MEASURED = Path(__file__).parents[1] / "charts" / "measured_fingerings.csv"
NAMES = ("alto", "baritone", "soprano", "tenor")


def keys_of(text: str) -> frozenset[str]:
    return frozenset() if text == "open" else frozenset(text.split())


def measured() -> list[tuple[int, frozenset[str]]]:
    lines = [line for line in MEASURED.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return [(int(row["written_midi"]), keys_of(row["keys"])) for row in csv.DictReader(lines)]


def key(name: str, hand: str, finger: str) -> Key:
    return Key(name, "", hand, finger, 0, 0, 1, 1, "round")


#: Ten keys with all that the model has: keys of one finger, keys of one palm, closers that share a hole, a linked
#: opener, an octave key with a lower vent, a third register.
SMALL = Chart(
    name="small", title="small horn", transposition=0, lowest_midi=58, highest_midi=90,
    keys=(
        key("thumb", "left", "thumb"), key("l1", "left", "index"), key("bis", "left", "index"),
        key("l2", "left", "middle"), key("palm_a", "left", "palm"), key("palm_b", "left", "palm"),
        key("table", "left", "little"), key("r1", "right", "index"), key("r2", "right", "middle"),
        key("low", "right", "little"),
    ),
    holes=(
        Hole("B", 75, False, frozenset(), frozenset({"palm_b"})),
        Hole("A", 74, False, frozenset(), frozenset({"palm_a", "palm_b"})),
        Hole("1", 72, True, frozenset({"l1"})),
        Hole("bis", 71, True, frozenset({"bis", "l2", "r1"})),
        Hole("2", 70, True, frozenset({"l2"})),
        Hole("table", 69, False, frozenset({"r1", "r2"}), frozenset({"table", "low"})),
        Hole("3", 67, True, frozenset({"r1"})),
        Hole("4", 65, True, frozenset({"r2"})),
        Hole("bell", 63, True),
    ),
    fingerings=tuple(Fingering("standard", midi, frozenset(), standard=True) for midi in range(58, 91)),
    octave=OctaveKey("thumb", 12, "r2", 71),
    third_register=(
        ThirdRegister(frozenset({"thumb", "l2"}), 88), ThirdRegister(frozenset({"thumb", "l2", "palm_a"}), 89),
    ),
)  # fmt: skip


def subsets(names: frozenset[str]) -> list[frozenset[str]]:
    ordered = sorted(names)
    return [frozenset(c) for c in chain.from_iterable(combinations(ordered, n) for n in range(len(ordered) + 1))]


def by_brute_force(chart: Chart, midi: int, held: frozenset[str]) -> set[frozenset[str]]:
    return {
        keys
        for keys in subsets(frozenset(k.name for k in chart.keys))
        if chart.sound(keys) == midi
        and not fingers_overstretched(chart, keys)
        and not out_of_reach(chart, keys)
        and all(name in held or chart.sound(keys - {name}) != midi for name in keys)
    }


@pytest.mark.parametrize(
    "held", ["open", "l1", "thumb l2 r1 r2 low", "l1 bis l2 table", "palm_a palm_b", "thumb l2 palm_a r2"]
)
def test_the_search_finds_what_trying_every_set_of_keys_finds(held: str) -> None:
    found_any = 0
    for midi in range(58, 91):
        expected = by_brute_force(SMALL, midi, keys_of(held))
        assert set(sensible_combinations(SMALL, midi, keys_of(held))) == expected, midi
        found_any += len(expected)
    assert found_any > 15


def held_by_a_finger(chart: Chart) -> list[list[frozenset[str]]]:
    """What each finger can press: none or one of its keys, the left index also `l1` with `bis`, a palm or side any."""
    of_finger: dict[tuple[str, str], list[str]] = {}
    for k in chart.keys:
        of_finger.setdefault((k.hand, k.finger), []).append(k.name)
    choices = []
    for (hand, finger), names in of_finger.items():
        several = subsets(frozenset(names)) if finger in ("palm", "side") else [frozenset[str]()]
        pair = [frozenset({"l1", "bis"})] if (hand, finger) == ("left", "index") else []
        choices.append(list({*several, *(frozenset({name}) for name in names), *pair}))
    return choices


def test_on_a_real_horn_the_search_finds_what_trying_everything_finds() -> None:
    """All 614,400 things the fingers of an alto player can hold."""
    chart = charts.load("alto")
    bit = {k.name: 1 << i for i, k in enumerate(chart.keys)}
    sounds: dict[int, int] = {}
    for chosen in product(*held_by_a_finger(chart)):
        keys = frozenset[str]().union(*chosen)
        sounds[sum(bit[name] for name in keys)] = chart.sound(keys)
    assert len(sounds) == 614_400
    for held in (frozenset[str](), chart.standard(61).keys):
        free = [b for name, b in bit.items() if name not in held]
        expected: dict[int, set[frozenset[str]]] = {}
        for mask, midi in sounds.items():
            if all(sounds[mask ^ b] != midi for b in free if mask & b):
                keys = frozenset(name for name, b in bit.items() if mask & b)
                if not out_of_reach(chart, keys):
                    expected.setdefault(midi, set()).add(keys)
        for midi in range(chart.lowest_midi, chart.highest_midi + 1):
            assert set(sensible_combinations(chart, midi, held)) == expected[midi], midi


@pytest.mark.parametrize("name", NAMES)
def test_every_fingering_of_the_chart_is_among_the_found_ones_or_has_keys_that_do_nothing(name: str) -> None:
    chart = charts.load(name)
    for fingering in chart.fingerings:
        (shown,) = [one for one in search(chart, fingering.written_midi) if one.keys == fingering.keys]
        assert shown.known is not None and shown.known.name == fingering.name
        computed = fingering.keys in sensible_combinations(chart, fingering.written_midi)
        assert computed is not bool(shown.extra), fingering


def test_the_published_fingerings_are_found_or_keep_keys_that_do_nothing() -> None:
    """Libřický and Hajič 2025, arXiv:2507.04963: 39 fingerings of the tenor. The palm notes are played with the keys
    below them open too, which the horn model alone wouldn't ask for."""
    tenor = charts.load("tenor")
    idle = {}
    for midi, keys in measured():
        assert keys in {one.keys for one in search(tenor, midi)}, (midi, sorted(keys))
        if keys not in sensible_combinations(tenor, midi):
            idle[midi, len(keys)] = idle_keys(tenor, keys)
    assert {midi for midi, _ in idle} <= {73, 87, 88, 89, 90}
    assert all(idle.values())


@pytest.mark.parametrize("beside", [None, 58, 61, 69, 74, 90])
def test_nothing_found_sounds_another_note_or_asks_too_much_of_a_hand(beside: int | None) -> None:
    chart = charts.load("alto")
    neighbour = chart.standard(beside) if beside else None
    held = neighbour.keys if neighbour else frozenset()
    for midi in range(chart.lowest_midi, chart.highest_midi + 1):
        for one in search(chart, midi, neighbour):
            assert chart.sound(one.keys) == midi
            assert fingers_overstretched(chart, one.keys) == out_of_reach(chart, one.keys) == []
            assert one.known is not None or one.extra <= held
            assert (one.change_s is None) is (neighbour is None)


def test_from_a_neighbour_the_easiest_comes_first_and_the_charts_own_are_never_left_out() -> None:
    chart = charts.load("alto")
    for beside in (58, 61, 67, 74, 88):
        neighbour = chart.standard(beside)
        for midi in range(58, 91):
            found = search(chart, midi, neighbour, most=5)
            times = [one.change_s for one in found]
            assert times == sorted(times)
            assert times == [change_seconds(chart, neighbour, Fingering("", midi, one.keys)) for one in found]
            assert {f.keys for f in chart.for_note(midi)} <= {one.keys for one in found}
            assert len(found) <= max(5, len(chart.for_note(midi)))


def test_side_b_flat_with_the_ring_finger_down_is_found_from_g() -> None:
    """Common practice, no source: from G to side B♭ the left hand stays where it is."""
    chart = charts.load("alto")
    first = search(chart, 70, chart.standard(67))[0]
    assert (first.keys, first.extra) == (keys_of("l1 l2 l3 side_b_flat"), keys_of("l3"))
    assert first.known is None


def test_without_a_neighbour_the_standard_fingering_comes_first() -> None:
    chart = charts.load("alto")
    assert all(search(chart, midi)[0].keys == chart.standard(midi).keys for midi in range(58, 91))


def test_one_and_three_is_found_beside_one_and_two() -> None:
    """Common practice, no source: any finger of the right stack shuts the bis pad."""
    found = search(charts.load("alto"), 70)
    assert [one.keys for one in found if one.known is None] == [keys_of("l1 r3")]


def test_hands_can_be_in_one_place_only() -> None:
    chart = charts.load("alto")
    assert out_of_reach(chart, keys_of("palm_d g_sharp")) == [
        "the left hand can't reach its palm keys and its little finger's keys at once"
    ]
    assert out_of_reach(chart, keys_of("bis l3")) == ["bis is pressed together with the index's own pearl"]
    assert out_of_reach(chart, keys_of("palm_d side_e e_flat")) == out_of_reach(chart, keys_of("l1 bis")) == []
    assert [f.name for f in chart.fingerings if out_of_reach(chart, f.keys)] == []


def test_one_note_takes_less_than_a_second_whatever_stands_beside_it() -> None:
    chart = charts.load("alto")
    for midi, beside in ((76, 61), (77, 61), (70, 90), (68, 90)):
        started_s = time.process_time()
        assert search(chart, midi, chart.standard(beside))
        assert time.process_time() - started_s < 1


def test_what_cannot_be_searched_is_said() -> None:
    chart = charts.load("alto")
    with pytest.raises(NoFingering, match="no fingering for G6"):
        search(chart, 91)
    with pytest.raises(ChartError, match="no key 'l9'"):
        search(chart, 70, Fingering("odd", 69, frozenset({"l9"})))
    many = tuple(key(f"k{i}", "left", f"finger{i}") for i in range(20))
    horn = Chart("many", "many", 0, 60, 60, many, (
        Hole("top", 61, True, frozenset(k.name for k in many)), Hole("bell", 60, True),
    ), (Fingering("standard", 60, frozenset({"k0"}), standard=True),))  # fmt: skip
    with pytest.raises(ChartError, match="more than 200000 key combinations"):
        search(horn, 60)
