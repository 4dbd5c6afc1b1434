"""Key messages, and the fingerings really used."""

from __future__ import annotations

import mido
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from practice.made import exact, passage

from companion import charts
from companion.errors import UsageError
from companion.planning import plan
from companion.practice import RawEvent, align, to_played
from companion.practice.hearing import Ear
from companion.practice.model import PLAYED, Pressed
from companion.practice.pressed import (
    LONGEST_BYTES,
    fingerings_used,
    is_key_message,
    key_message,
    key_times,
    pressed_of,
)

ALTO = charts.load("alto")
MS = 1_000_000


# -- messages --------------------------------------------------------------------------------------------------------


def test_a_key_message_is_system_exclusive_with_the_number_for_non_commercial_use() -> None:
    message = key_message({"octave", "l1"})
    assert message == b"\xf0\x7dkeys l1 octave\xf7"
    # A reader of MIDI that is not ours takes it for one whole message.
    parsed = mido.Message.from_bytes(message)
    assert parsed.type == "sysex"
    assert bytes(parsed.data) == b"\x7dkeys l1 octave"
    assert key_message(()) == b"\xf0\x7dkeys\xf7"


@pytest.mark.parametrize("name", charts.names())
def test_every_state_of_every_horn_fits_into_a_message_and_comes_back(name: str) -> None:
    chart = charts.load(name)
    everything = frozenset(key.name for key in chart.keys)
    states = [fingering.keys for fingering in chart.fingerings] + [everything]
    events = [RawEvent(i * MS, key_message(keys)) for i, keys in enumerate(states)]
    assert all(is_key_message(event.message) and max(event.message[1:-1]) < 0x80 for event in events)
    found = pressed_of(events, 0, chart)
    kept = [keys for i, keys in enumerate(states) if not i or states[i - 1] != keys]
    assert [state.keys for state in found] == kept


def test_times_are_seconds_from_the_first_bar_and_the_same_state_again_is_left_out() -> None:
    events = [
        RawEvent(1_000 * MS, key_message({"l1"})),
        RawEvent(1_500 * MS, key_message({"l1"})),
        RawEvent(2_250 * MS, key_message(())),
    ]
    assert pressed_of(events, 2_000 * MS, ALTO) == (Pressed(-1.0, frozenset({"l1"})), Pressed(0.25, frozenset()))


def test_keys_of_another_horn_and_other_messages_are_passed_over() -> None:
    others = [
        b"\x90\x45\x40",
        b"\xf0\x7e\x7f\x06\x01\xf7",  # identity request (MIDI 1.0)
        b"\xf0\x7dkeysl1\xf7",
        b"\xf0\x7dnotes l1\xf7",
        b"\xf0\x7d\xf7",
        b"\xf0\x7dkeys l1",
        b"\xf0\x7dkeys " + b"x" * LONGEST_BYTES + b"\xf7",
        b"\xf7",
        b"",
    ]
    assert not any(is_key_message(message) for message in others)
    assert pressed_of([RawEvent(0, message) for message in others], 0, ALTO) == ()
    (state,) = pressed_of([RawEvent(0, key_message({"l1", "low_a"}))], 0, ALTO)
    assert state.keys == {"l1"}


@pytest.mark.parametrize("name", ["", "g sharp", "g♯", "g\x00"])
def test_a_name_that_does_not_fit_is_said(name: str) -> None:
    with pytest.raises(UsageError, match="is no name of a key that MIDI can carry: use plain letters, such as g_sharp"):
        key_message({name})


def test_too_many_keys_are_said() -> None:
    with pytest.raises(UsageError, match="100 keys are more than a key message holds"):
        key_message(f"key_{i:03}" for i in range(100))


@given(st.binary(max_size=40))
def test_any_bytes_are_harmless(junk: bytes) -> None:
    events = [RawEvent(0, b"\xf0\x7dkeys" + junk + b"\xf7"), RawEvent(1, junk)]
    for state in pressed_of(events, 0, ALTO):
        assert ALTO.sound(state.keys)


def test_key_messages_are_no_notes() -> None:
    """Who hears only notes hears the same with and without them."""
    notes = [RawEvent(i * 100 * MS, bytes((0x90, 60 + i, 80))) for i in range(4)]
    keys = [RawEvent(event.time_ns - MS, key_message({"l1"})) for event in notes]
    together = sorted(notes + keys, key=lambda event: event.time_ns)
    assert to_played(together, 0).tobytes() == to_played(notes, 0).tobytes()
    assert Ear().hear(keys[0]) is None


# -- times of fingers ------------------------------------------------------------------------------------------------


def states(*rows: tuple[float, str]) -> tuple[Pressed, ...]:
    return tuple(Pressed(time_s, frozenset(keys.split())) for time_s, keys in rows)


def two_notes() -> np.ndarray:
    return np.array([(0.0, 0.5, 67, 80), (0.5, 1.0, 70, 80)], dtype=PLAYED)


def test_each_finger_has_moved_when_it_stays() -> None:
    """The middle finger comes up, goes down again and comes up for good: the last time counts."""
    held = states(
        (0.0, "l1 l2 l3"), (0.45, "l1 l3"), (0.46, "l1 l2 l3"), (0.47, "l1 l2"), (0.49, "l1"), (0.51, "l1 bis")
    )
    times = key_times(ALTO, two_notes(), held, 0, 1)
    assert times is not None
    assert times.moved_s == {"left ring": 0.47, "left middle": 0.49, "left index": 0.51}
    assert times.split(0.48) == (("left ring",), ("left index", "left middle"))
    assert times.apart_ms(("left ring",), ("left index", "left middle")) == pytest.approx(20.0)
    assert times.held_at(0.46) == {"l1", "l2", "l3"}
    assert times.moved_in_words() == []


def test_without_keys_there_are_no_times() -> None:
    assert key_times(ALTO, two_notes(), (), 0, 1) is None
    assert key_times(ALTO, two_notes(), states((0.6, "l1 bis")), 0, 1) is None


# -- fingerings used -------------------------------------------------------------------------------------------------


def used(text: str, *keys: str, marks=None, heard: dict[int, int] | None = None):
    """One state a note, as it begins."""
    piece = passage(text)
    played = exact(piece, 100)
    for note, midi in (heard or {}).items():
        played["written_midi"][note] = midi
    held = states(*zip(played["onset_s"].tolist(), keys, strict=True))
    realised = np.arange(len(piece.notes))
    return fingerings_used(piece, played, realised, held, plan(piece, ALTO, marks), ALTO)


def test_the_planned_fingering_needs_no_sentence() -> None:
    first, second = used("G4:1 Bb4:1", "l1 l2 l3", "l1 bis")
    assert (first.note_index, first.name, first.planned, first.sentence) == (0, "standard", "standard", "")
    assert (second.name, second.planned, second.sentence) == ("bis", "bis", "")


def test_bis_where_side_was_planned_is_said() -> None:
    _, second = used("A4:1 Bb4:1", "l1 l2", "l1 bis", marks={1: "side"})
    assert second.keys == {"l1", "bis"}
    assert (second.name, second.planned) == ("bis", "side")
    assert second.sentence == "B♭4 was played with bis where side is planned"


def test_the_usual_fingering_in_place_of_the_chromatic_one() -> None:
    _, second = used("F4:1 F#4:1", "l1 l2 l3 r1", "l1 l2 l3 r2")
    assert second.sentence == "F♯4 was played with the usual fingering where chromatic is planned"


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        # Under F♯ the right middle finger shuts the G♯ pad (chart: the mechanism, from memory).
        ("l1 l2 l3 r2 g_sharp low_b", "sounds right, but the G♯ key and low B key were down"),
        (
            "l1 l2 l3 r3",
            "sounds right, but the right ring finger's key was down and the right middle finger's key was up",
        ),
    ],
)
def test_a_wrong_shape_that_still_sounds_right_is_said(keys: str, says: str) -> None:
    assert ALTO.sound(keys.split()) == 66
    _, second = used("D4:1 F#4:1", "l1 l2 l3 r1 r2 r3", keys, marks={1: "standard"})
    assert second.name == ""
    assert second.sentence == f"F♯4 was played and {says}"


def test_a_shape_near_another_fingering_names_that() -> None:
    _, second = used("A4:1 Bb4:1", "l1 l2", "l1 bis r3", marks={1: "side"})
    assert second.sentence == (
        "B♭4 was played with bis where side is planned and sounds right, but the right ring finger's key was down"
    )


def test_where_two_fingerings_are_equally_near_the_planned_one_is_named() -> None:
    """l1 r3 differs by two keys from 1-and-1, from 1-and-2 and from bis."""
    for planned, keys in (("1-and-1", "r1"), ("1-and-2", "r2")):
        _, second = used("F4:1 Bb4:1", "l1 l2 l3 r1", "l1 r3", marks={1: planned})
        finger = {"r1": "right index", "r2": "right middle finger"}[keys]
        assert second.sentence == (
            f"B♭4 was played and sounds right, but the right ring finger's key was down and the {finger}'s key was up"
        )


def test_a_wrong_note_is_told_by_its_fingers() -> None:
    _, second = used("G4:1 B4:1", "l1 l2 l3", "l1 l2", heard={1: 69})
    assert (second.name, second.planned) == ("standard", "standard")
    assert second.sentence == "B4 was fingered as A4: the left middle finger's key was down"


def test_keys_that_do_not_go_with_the_note_are_said() -> None:
    (first,) = used("G4:1", "l1 l2")
    assert first.sentence == "G4: the keys held would sound A4, and G4 came"


def test_the_state_held_longest_counts_and_notes_without_keys_have_none() -> None:
    piece = passage("G4:1 Bb4:1 A4:1")
    played, fingered = exact(piece, 60), plan(passage("G4:1 Bb4:1 A4:1"), ALTO, {1: "side"})
    held = states((1.0, "l1"), (1.03, "l1 bis"), (1.9, "l1 l2"))
    found = fingerings_used(piece, played, np.arange(3), held, fingered, ALTO)
    assert [(one.note_index, one.keys) for one in found] == [(1, {"l1", "bis"}), (2, {"l1", "l2"})]
    assert fingerings_used(piece, played, np.arange(3), (), fingered, ALTO) == ()


def test_the_first_of_several_notes_that_realise_one_counts() -> None:
    piece = passage("Bb4:1")
    played = np.array([(0.0, 0.2, 70, 80), (0.3, 0.6, 70, 80)], dtype=PLAYED)
    held = states((0.0, "l1 bis"), (0.3, "l1 l2 side_b_flat"))
    (one,) = fingerings_used(piece, played, np.array([0, 0]), held, plan(piece, ALTO), ALTO)
    assert one.name == "bis"


def test_a_plan_of_other_notes_is_refused() -> None:
    piece = passage("G4:1 Bb4:1")
    with pytest.raises(UsageError, match="plan these bars anew"):
        fingerings_used(piece, exact(piece, 100), np.arange(2), (), plan(passage("G4:1"), ALTO), ALTO)


def test_the_whole_way_from_messages_to_words() -> None:
    """Notes and key messages as a horn would send them: bis for side, heard, matched, told."""
    piece = passage("A4:1 Bb4:1 C5:1")
    fingered = plan(piece, ALTO, {1: "side"})
    events = []
    for i, (midi, keys) in enumerate([(69, "l1 l2"), (70, "l1 bis"), (72, "l2")]):
        at_ns = 5_000 * MS + i * 600 * MS
        events += [RawEvent(at_ns - MS, key_message(keys.split())), RawEvent(at_ns, bytes((0x90, midi, 80)))]
    played = to_played(events, 5_000 * MS)
    realised = align(piece, played, 100).pairs[: len(played), 0]
    found = fingerings_used(piece, played, realised, pressed_of(events, 5_000 * MS, ALTO), fingered, ALTO)
    assert [one.sentence for one in found] == ["", "B♭4 was played with bis where side is planned", ""]
