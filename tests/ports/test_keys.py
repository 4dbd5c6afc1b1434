"""The computer's keys as a horn, on a clock that the test moves.

Fingerings are those of the chart, which `tests/charts` holds against published ones; what slurred and tongued look like
in MIDI is said in `companion.practice.attacks`, whose judgement is asked here too.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.charts import load
from companion.charts.model import Fingering
from companion.cli.play import controller_there
from companion.cli.ports import _monitor, listing
from companion.errors import UsageError
from companion.ports.keys import SETTLE_NS, TONGUE_NS, KeysPort, is_keys
from companion.ports.keys_layout import BREATH, PLACES, RESERVED, USUAL, KeysLayout, functions_of, place_of_scancode
from companion.ports.memory import PortMemory, remember
from companion.ports.model import PortName
from companion.practice.attacks import tongued_probabilities
from companion.practice.hearing import to_played
from companion.practice.pressed import is_key_message, key_message, pressed_of
from companion.units import NS_PER_MS

ALTO = load("alto")
#: G major, one octave.
SCALE = (67, 69, 71, 72, 74, 76, 78, 79)


class Hands:
    """A player at the keyboard: a fingering at a time, one finger a millisecond."""

    def __init__(self, horn: str = "alto") -> None:
        self.now_ns = 0
        self.port = KeysPort(load(horn), now_ns=lambda: self.now_ns)
        self.events = []

    def wait(self, ms: float) -> None:
        self.now_ns += round(ms * NS_PER_MS)
        self.events += self.port.drain()

    def press(self, function: str) -> bool:
        return self.port.press(USUAL[function], self.now_ns)

    def release(self, function: str) -> bool:
        return self.port.release(USUAL[function], self.now_ns)

    def shape(self, fingering: Fingering, apart_ms: float = 1.0) -> None:
        for name in sorted(self.port.held ^ fingering.keys):
            (self.release if name in self.port.held else self.press)(name)
            self.wait(apart_ms)

    def notes(self) -> list[tuple[int, int, bool]]:
        """(time in ms, number, on?) of what was sent."""
        return [
            (e.time_ns // NS_PER_MS, e.message[1], e.message[0] == 0x90)
            for e in self.events
            if e.message[0] in (0x80, 0x90)
        ]

    def sounded(self) -> list[int]:
        return [number for _, number, on in self.notes() if on]


@pytest.mark.parametrize("horn", ["soprano", "alto", "tenor", "baritone"])
def test_every_fingering_of_every_horn_sounds_its_note_at_written_pitch(horn: str) -> None:
    hands = Hands(horn)
    for fingering in hands.port.chart.fingerings:
        hands.shape(fingering)
        hands.press(BREATH)
        hands.wait(30)
        assert hands.sounded()[-1] == fingering.written_midi, fingering
        assert hands.port.sounding == fingering.written_midi
        hands.release(BREATH)
        hands.wait(30)
        assert hands.port.sounding is None


def test_a_scale_under_one_breath_is_slurred_and_each_note_of_new_breath_is_tongued() -> None:
    slurred, tongued = Hands(), Hands()
    for number in SCALE:
        slurred.shape(ALTO.standard(number))
        slurred.press(BREATH)
        slurred.wait(300)
        tongued.shape(ALTO.standard(number))
        tongued.press(BREATH)
        tongued.wait(250)
        tongued.release(BREATH)
        tongued.wait(50)
    slurred.port.release_all(slurred.now_ns)
    slurred.wait(0)
    for hands, ways in ((slurred, slice(0, 1)), (tongued, slice(1, 2))):
        played = to_played(hands.events, 0)
        assert list(played["written_midi"]) == list(SCALE)
        low, high = ((0.0, 0.1), (0.9, 1.0))[ways.start]
        probabilities = tongued_probabilities(played)[1:]
        assert np.all((low <= probabilities) & (probabilities <= high)), probabilities


def test_in_a_slur_the_new_note_comes_before_the_end_of_the_old_one() -> None:
    hands = Hands()
    hands.shape(ALTO.standard(69))
    hands.press(BREATH)
    hands.wait(100)
    at_ms = hands.now_ns // NS_PER_MS
    hands.press("l3")
    hands.wait(50)
    assert hands.notes()[-2:] == [(at_ms, 67, True), (at_ms, 69, False)]


def test_the_tongue_interrupts_the_breath_for_its_stroke_and_the_note_returns() -> None:
    hands = Hands()
    hands.shape(ALTO.standard(67))
    hands.press(BREATH)
    hands.wait(100)
    at_ms = hands.now_ns // NS_PER_MS
    hands.press("tongue")
    hands.wait(100)
    hands.release("tongue")
    hands.wait(100)
    assert hands.notes()[1:] == [(at_ms, 67, False), (at_ms + TONGUE_NS // NS_PER_MS, 67, True)]
    assert tongued_probabilities(to_played(hands.events, 0))[1] > 0.9


def test_fingers_that_move_under_the_tongue_are_in_place_when_it_leaves() -> None:
    hands = Hands()
    hands.shape(ALTO.standard(67))
    hands.press(BREATH)
    hands.wait(100)
    hands.press("tongue")
    hands.shape(ALTO.standard(74), apart_ms=3)
    hands.wait(100)
    assert hands.sounded() == [67, 74]


@pytest.mark.parametrize(("apart_ms", "sounded"), [(4.0, [65, 67]), (14.0, [65, 66, 67])])
def test_fingers_that_are_apart_speak_only_where_a_key_had_time_to_open(apart_ms: float, sounded: list[int]) -> None:
    # From F to G by way of the middle finger, which sounds F sharp for so long as it is down.
    hands = Hands()
    hands.shape(ALTO.standard(65))
    hands.press(BREATH)
    hands.wait(100)
    hands.press("r2")
    hands.release("r1")
    hands.wait(apart_ms)
    hands.release("r2")
    hands.wait(100)
    assert hands.sounded() == sounded
    # The note that stays begins when the last finger moved, not when it was found to stay.
    on_ms = [time for time, _, on in hands.notes() if on][-1]
    assert on_ms * NS_PER_MS >= hands.now_ns - 101 * NS_PER_MS


def test_every_change_tells_the_keys_held_at_its_own_time() -> None:
    hands = Hands()
    hands.shape(ALTO.standard(69), apart_ms=3)
    hands.press(BREATH)
    hands.wait(50)
    states = [(p.time_s, p.keys) for p in pressed_of(hands.events, 0, ALTO)]
    assert states == [(0.0, frozenset({"l1"})), (0.003, frozenset({"l1", "l2"}))]
    assert [e.message for e in hands.events if is_key_message(e.message)][-1] == key_message({"l1", "l2"})


def test_without_breath_nothing_sounds_and_breath_is_told() -> None:
    hands = Hands()
    hands.shape(ALTO.standard(67))
    hands.wait(500)
    assert hands.sounded() == []
    hands.press(BREATH)
    hands.wait(SETTLE_NS / NS_PER_MS)
    hands.release(BREATH)
    hands.wait(0)
    assert [e.message[2] > 0 for e in hands.events if e.message[:2] == b"\xb0\x02"] == [True, False]
    assert [on for _, _, on in hands.notes()] == [True, False]


def test_what_the_system_repeats_is_no_press() -> None:
    hands = Hands()
    hands.shape(ALTO.standard(67))
    hands.press(BREATH)
    hands.wait(100)
    sent = len(hands.events)
    for _ in range(20):
        assert hands.press("l1") and hands.press(BREATH)
        hands.wait(30)
    assert len(hands.events) == sent


def test_a_window_that_loses_the_keyboard_lets_go_of_everything() -> None:
    hands = Hands()
    hands.shape(ALTO.standard(61))
    hands.press(BREATH)
    hands.wait(100)
    hands.port.release_all(hands.now_ns)
    hands.wait(100)
    assert hands.port.held == frozenset() and not hands.port.blowing and hands.port.sounding is None
    assert hands.sounded() == [61]  # no note on the way
    assert not hands.release("l1")  # the keyboard's own release comes later, or never
    assert pressed_of(hands.events, 0, ALTO)[-1].keys == frozenset()


def test_a_key_that_the_keyboard_swallows_leaves_the_note_it_really_makes() -> None:
    hands = Hands()
    for name in sorted(ALTO.standard(62).keys - {"r3"}):  # r3 never arrives
        hands.press(name)
    hands.press(BREATH)
    hands.wait(100)
    assert hands.sounded() == [ALTO.sound(ALTO.standard(62).keys - {"r3"})] == [64]


def test_keys_that_are_no_part_of_this_horn_are_refused() -> None:
    alto, baritone = Hands(), Hands("baritone")
    assert not alto.port.press("Escape", 0) and not alto.port.press("Q", 0)
    assert not alto.press("low_a")  # only the baritone has one
    assert baritone.press("low_a")


def test_another_horn_begins_with_no_finger_down() -> None:
    hands = Hands()
    hands.shape(ALTO.standard(67))
    hands.press(BREATH)
    hands.wait(50)
    hands.port.use(load("tenor"), KeysLayout())
    hands.wait(50)
    assert hands.port.held == frozenset() and hands.port.sounding is None
    hands.port.close()
    hands.port.close()
    assert not hands.port.alive and hands.port.drain() == []


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.sampled_from(sorted(USUAL)), st.booleans(), st.integers(0, 30)), max_size=60))
def test_whatever_is_pressed_notes_pair_up_and_time_runs_on(moves: list[tuple[str, bool, int]]) -> None:
    hands = Hands("baritone")
    for function, down, ms in moves:
        (hands.press if down else hands.release)(function)
        hands.wait(ms)
    hands.port.release_all(hands.now_ns)
    hands.wait(100)
    times = [event.time_ns for event in hands.events]
    assert times == sorted(times)
    on: list[int] = []
    for _, number, begins in hands.notes():
        if begins:
            assert number not in on
            on.append(number)
            assert len(on) <= 2
        else:
            on.remove(number)
    assert on == []


def test_the_usual_layout_serves_every_horn_and_leaves_the_keys_that_end_a_take() -> None:
    assert len(set(USUAL.values())) == len(USUAL)
    assert not RESERVED & set(USUAL.values())
    assert set(USUAL.values()) <= set(PLACES)
    for horn in ("soprano", "alto", "tenor", "baritone"):
        assert set(functions_of(load(horn))) <= set(USUAL)
    # HID Usage Tables, page 7: Keyboard a and A is 0x04, Spacebar 0x2C, Right GUI 0xE7.
    assert (PLACES["A"], PLACES["Space"], PLACES["RightGui"]) == (0x04, 0x2C, 0xE7)
    assert len(set(PLACES.values())) == len(PLACES)
    assert place_of_scancode(0x33) == "Semicolon" and place_of_scancode(500) is None
    assert is_keys(" Keys ") and not is_keys("keyboard")


def test_the_keys_are_listed_and_heard_in_the_window_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = listing((), PortMemory(last="keys"), "linux")
    assert any(line.startswith("Always there: keys, ") and line.endswith("(used last)") for line in lines)
    assert not any("is not there now" in line for line in lines)
    with pytest.raises(UsageError, match="companion play --port keys"):
        _monitor("keys", None)
    monkeypatch.setenv("COMPANION_SETTINGS", str(tmp_path))
    monkeypatch.setattr("companion.ports.list_inputs", lambda: ())
    assert controller_there() is None
    remember("keys", folder=tmp_path)
    assert controller_there() == "keys"
    monkeypatch.setattr("companion.ports.list_inputs", lambda: (PortName("Reed", "ALSA"),))
    assert controller_there() == "Reed"
