"""Every state of the horn between two fingerings, held against brute force over its keys."""

from __future__ import annotations

import csv
from itertools import combinations
from pathlib import Path

import pytest

from companion import charts
from companion.errors import ChartError
from companion.practice.between import HALFWAY, MOVED, UNMOVED, change_between

ALTO = charts.load("alto")
MEASURED = Path(__file__).parents[1] / "charts" / "measured_fingerings.csv"


def measured() -> list[tuple[int, frozenset[str]]]:
    """Fingerings whose trills were measured (arXiv:2507.04963): their notes are known from outside."""
    lines = [line for line in MEASURED.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    rows = csv.DictReader(lines)
    return [(int(row["written_midi"]), frozenset(row["keys"].replace("open", "").split())) for row in rows]


def subsets_by_hand(before: frozenset[str], after: frozenset[str]) -> set[frozenset[str]]:
    """Keys held after any of the fingers have moved, worked out key by key."""
    finger = {key.name: (key.hand, key.finger) for key in ALTO.keys}
    moving = sorted({finger[name] for name in before ^ after})
    found = set()
    for count in range(1, len(moving)):
        for moved in combinations(moving, count):
            found.add(frozenset(n for n in before | after if n in (after if finger[n] in moved else before)))
    return found


def test_every_order_of_fingers_between_measured_neighbours_is_there() -> None:
    known, seen = measured(), 0
    for a_midi, a in known:
        for b_midi, b in known:
            if 1 <= b_midi - a_midi <= 2:
                change = change_between(ALTO, a, b)
                seen += 1
                states = {state.keys: sounds for state, sounds in change.states}
                assert subsets_by_hand(a, b) <= states.keys()
                assert all(ALTO.sound(keys) == sounds for keys, sounds in states.items())
                # Without a finger that goes from key to key there is nothing else.
                if not any(mover.slides for mover in change.movers):
                    assert states.keys() == subsets_by_hand(a, b)
    assert seen > 60


def test_a_change_and_its_way_back_pass_the_same_states() -> None:
    for a_midi, a in measured():
        for b in (keys for b_midi, keys in measured() if b_midi - a_midi in (1, 2)):
            forth, back = change_between(ALTO, a, b), change_between(ALTO, b, a)
            assert {state.keys for state, _ in forth.states} == {state.keys for state, _ in back.states}


def test_f_to_f_sharp_lets_g_or_e_sound() -> None:
    """A G if the old finger lifts first, an E if the new one closes first: common practice, no source."""
    change = change_between(ALTO, ALTO.standard(65).keys, ALTO.standard(66).keys)
    (g,), (e,) = change.sounding(67), change.sounding(64)
    assert change.early(g) == change.late(e) == {"right index"}
    assert change.late(g) == change.early(e) == {"right middle"}
    assert len(change.states) == 2


def test_a_finger_that_goes_from_key_to_key_may_be_on_neither_or_both() -> None:
    low_c_sharp, low_b = ALTO.standard(61).keys, ALTO.standard(59).keys
    change = change_between(ALTO, low_c_sharp, low_b)
    (only,) = change.movers
    assert only.slides
    assert {state.progress for state, _ in change.states} == {(HALFWAY,)}
    assert {state.keys - (low_c_sharp & low_b) for state, _ in change.states} == {
        frozenset(),
        frozenset({"low_c_sharp", "low_b"}),
    }


def test_the_index_presses_or_leaves_its_pearl_and_bis_together() -> None:
    change = change_between(ALTO, {"l1", "bis"}, set())
    assert [mover.finger for mover in change.movers] == ["left index"]
    assert change.states == ()


def test_notes_heard_one_after_another_leave_only_states_that_can_follow() -> None:
    # From C to D all fingers but one go down: A and then F♯ is left ring, then right middle, and the thumb is behind.
    change = change_between(ALTO, ALTO.standard(72).keys, ALTO.standard(74).keys)
    alone = change.sounding(66)
    _, after_a = change.possible([69, 66])
    assert 0 < len(after_a) <= len(alone)
    assert change.possible([66, 69]) == ((), ())


def test_the_widest_leap_is_still_worked_out() -> None:
    """From the lowest note of the baritone to the highest: some thousand states, two notes on the way."""
    horn = charts.load("baritone")
    (low, high) = horn.for_note(57)[-1], horn.standard(90)
    change = change_between(horn, low.keys, high.keys)
    heard = sorted({sounds for _, sounds in change.states}, key=lambda midi: -len(change.sounding(midi)))[:2]
    assert len(change.states) > 5_000
    assert change.possible(heard) == tuple(change.sounding(midi) for midi in heard)


def test_no_finger_goes_back() -> None:
    change = change_between(ALTO, ALTO.standard(72).keys, ALTO.standard(74).keys)
    for early, _ in change.states:
        for late, _ in change.states:
            if early.before(late):
                assert not late.before(early)
                assert all(p != MOVED or q == MOVED for p, q in zip(early.progress, late.progress, strict=True))
                assert any(p < q for p, q in zip(early.progress, late.progress, strict=True))
        assert UNMOVED in early.progress or HALFWAY in early.progress


def test_an_unknown_key_is_said() -> None:
    with pytest.raises(ChartError, match="no key 'l9'"):
        change_between(ALTO, {"l9"}, {"l1"})
