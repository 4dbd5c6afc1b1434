import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.practice.hearing import Ear, NoteEnd, NoteStart, find_shift, to_played
from companion.practice.model import PLAYED, RawEvent

MS = 1_000_000


def played(*timed, start_ms=0, shift=0):
    return to_played([RawEvent(ms * MS, bytes(message)) for ms, message in timed], start_ms * MS, shift)


def rows(array):
    return [(round(1e3 * r["onset_s"]), round(1e3 * r["offset_s"]), int(r["written_midi"])) for r in array]


def on(note, velocity=80, channel=0):
    return [0x90 | channel, note, velocity]


def off(note, channel=0):
    return [0x80 | channel, note, 64]


def test_tongued_notes():
    heard = played((1000, on(60)), (1200, off(60)), (1250, on(62, 33)), (1500, off(62)), start_ms=1000)
    assert rows(heard) == [(0, 200, 60), (250, 500, 62)]
    assert heard["velocity"].tolist() == [80, 33]
    assert heard.dtype == PLAYED
    assert not heard.flags.writeable


def test_slurred_notes_overlap_by_as_much_as_both_keys_were_down():
    assert rows(played((0, on(60)), (300, on(62)), (305, off(60)), (600, off(62)))) == [(0, 305, 60), (300, 600, 62)]


def test_a_key_held_on_under_the_next_note_tells_when_it_came_up():
    heard = played((0, on(60)), (300, on(62)), (500, off(62)), (900, off(60)), (1000, on(64)), (1200, off(64)))
    assert rows(heard) == [(0, 900, 60), (300, 500, 62), (1000, 1200, 64)]


def test_a_key_held_on_under_two_notes_is_a_stuck_one():
    heard = played((0, on(60)), (300, on(62)), (500, off(62)), (600, on(64)), (700, off(60)), (900, off(64)))
    assert rows(heard) == [(0, 300, 60), (300, 500, 62), (600, 900, 64)]


def test_velocity_zero_is_a_note_off():
    assert rows(played((0, on(60)), (100, on(60, 0)))) == [(0, 100, 60)]


def test_floods_and_clock_cost_nothing():
    noise = [(1, [0xF8]), (2, [0xFE]), (3, [0xB0, 2, 90]), (4, [0xE0, 1, 64]), (5, [0xD0, 70]), (6, [0xB0, 64, 127])]
    noise += [(7, [0xF0, 1, 2, 0xF7]), (8, [0xC0, 3]), (9, []), (10, [0x90, 61]), (11, [0xF3, 1])]
    assert rows(played((0, on(60)), *noise, (100, off(60)))) == [(0, 100, 60)]


@pytest.mark.parametrize("message", [[0xB0, 123, 0], [0xB3, 120, 0], [0xB0, 126, 1], [0xFF]])
def test_all_notes_off_ends_the_note(message):
    assert rows(played((0, on(60)), (100, message), (200, off(60)))) == [(0, 100, 60)]


def test_a_note_on_twice_is_two_notes_unless_it_is_one_message_doubled():
    assert rows(played((0, on(60)), (200, on(60)), (400, off(60)))) == [(0, 200, 60), (200, 400, 60)]
    assert rows(played((0, on(60)), (1, on(60, 80, 1)), (400, off(60)))) == [(0, 400, 60)]


def test_a_stuck_note_ends_with_the_next_and_a_held_one_never():
    heard = played((0, on(60)), (500, on(62)))
    assert rows(heard[:1]) == [(0, 500, 60)]
    assert np.isnan(heard["offset_s"][1])


def test_letting_go_of_another_key_changes_nothing():
    assert rows(played((0, on(60)), (100, off(72)), (300, off(60)), (310, off(60)))) == [(0, 300, 60)]


def test_notes_before_the_start_and_the_shift():
    assert rows(played((900, on(51)), (1100, off(51)), start_ms=1000, shift=9)) == [(-100, 100, 60)]


def test_nothing_heard():
    assert played().shape == (0,)


@given(st.lists(st.tuples(st.integers(0, 40 * MS), st.binary(max_size=4)), max_size=60))
def test_any_bytes_make_a_line_of_notes(timed):
    events = []
    now = 0
    for gap, message in timed:
        now += gap
        events.append(RawEvent(now, message))
    heard = to_played(events, 0)
    assert np.all(np.diff(heard["onset_s"]) >= 0)
    assert np.all(heard["offset_s"][:-1] >= heard["onset_s"][:-1])
    assert np.all(heard["offset_s"][:-2] <= np.maximum(heard["onset_s"][2:], heard["onset_s"][1:-1]))


def test_the_ear_says_what_sounds():
    ear = Ear(9)
    assert ear.hear(RawEvent(5, bytes(on(51)))) == NoteStart(5, 60, 80)
    assert ear.sounding_midi == 60
    assert ear.hear(RawEvent(9, bytes(off(51)))) == NoteEnd(9, 60)
    assert ear.sounding_midi is None


@pytest.mark.parametrize(
    ("heard", "semitones", "plausible", "words"),
    [
        (71, 0, True, "the controller sends written pitch, as it stands on the page"),
        (62, 9, True, "the controller sends sounding alto pitch: 9 semitones lower"),
        (59, 12, True, "the controller sends written pitch, one octave lower"),
        (95, -24, True, "the controller sends written pitch, two octaves higher"),
        (
            50,
            21,
            True,
            "the controller sends sounding alto pitch, one octave lower (together 21 semitones lower)",
        ),
    ],
)
def test_one_note_tells_what_the_controller_sends(heard, semitones, plausible, words):
    # Alto sounds 9 semitones below written; asked for B4 = 71.
    shift = find_shift(71, heard, -9, "alto")
    assert (shift.semitones, shift.plausible, shift.words) == (semitones, plausible, words)


def test_a_note_nothing_explains_is_not_plausible():
    shift = find_shift(71, 70, -9, "alto")
    assert not shift.plausible
    assert "1 semitone lower than the note asked for" in shift.words


@given(st.integers(58, 90), st.sampled_from([0, -2, -9, -14, -21]), st.integers(-2, 2))
def test_sounding_pitch_in_any_octave_is_found(asked, transposition, octaves):
    shift = find_shift(asked, asked + transposition + 12 * octaves, transposition)
    assert shift.plausible
    assert asked + transposition + 12 * octaves + shift.semitones == asked
