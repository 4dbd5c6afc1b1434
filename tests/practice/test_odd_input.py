"""What real set-ups send besides tidy notes: heard alike live and afterwards, and all of it kept.

What devices do is common practice, no source, but for the meaning of the messages: MIDI 1.0 (1996), tables I to III.
"""

from random import Random
from time import process_time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from practice.made import passage

from companion.charts import load
from companion.planning import plan
from companion.practice.follower import Follower
from companion.practice.hearing import Ear, NoteStart, breath_of, to_played
from companion.practice.judging import judge
from companion.practice.ladder import Ladder
from companion.practice.matching import align
from companion.practice.model import (
    BREATH,
    NOT_SLURRED,
    NOT_TONGUED,
    ON_TIME,
    TOO_LONG,
    TOO_SHORT,
    WRONG_NOTE,
    RawEvent,
)
from companion.practice.rehearsal import Rehearsal
from companion.units import NS_PER_MS, NS_PER_S

TEMPO_BPM = 120.0
PIECE = passage("C4:1 D4:1 E4:1 F4:1 G4:1 A4:1 G4:1 F4:1 E4:2 C4:2")
PITCHES = [note.written_midi for note in PIECE.notes]
#: Beginnings and ends in ms of the piece played tongued and even.
DUE_MS = [500 * i for i in range(8)] + [4000, 5000]
UNTIL_MS = [500 * i + 465 for i in range(8)] + [4965, 5965]


def on(midi, velocity=80, channel=0):
    return (0x90 | channel, midi, velocity)


def off(midi, channel=0):
    return (0x80 | channel, midi, 64)


def events_of(*timed):
    """Events from (ms, bytes), in the order given where times are equal."""
    return [RawEvent(round(ms * NS_PER_MS), bytes(message)) for ms, message in sorted(timed, key=lambda t: t[0])]


def tidy(skip=()):
    """The piece as (ms, message), without what is in `skip`: ("on" or "off", index)."""
    timed = []
    for i, midi in enumerate(PITCHES):
        timed += [] if ("on", i) in skip else [(DUE_MS[i], on(midi))]
        timed += [] if ("off", i) in skip else [(UNTIL_MS[i], off(midi))]
    return timed


def live(events):
    """Score index and pitch of each note as the follower heard it, and its caret."""
    follower = Follower(PIECE, TEMPO_BPM, 0)
    for event in events:
        follower.hear(event)
    return follower.realised, follower.caret


def offline(events):
    played = to_played(events, 0)
    pairs = align(PIECE, played, TEMPO_BPM).pairs
    return tuple(int(note) for note, i in pairs if i >= 0)


def both(events):
    """Which score note each played note realises: live and afterwards must say the same."""
    realised, caret = live(events)
    assert caret == len(PITCHES)
    assert realised == offline(events)
    return list(realised)


def verdicts(events):
    return [n.verdict for n in judge(PIECE, to_played(events, 0), TEMPO_BPM, breath=breath_of(events, 0)).notes]


ALL = list(range(len(PITCHES)))


# -- notes


def test_a_stuck_note_ends_with_the_next_and_one_held_at_the_end_has_no_end():
    events = events_of(*tidy(skip=[("off", 3), ("off", 9)]))
    played = to_played(events, 0)
    assert both(events) == ALL
    assert played["offset_s"][3] == played["onset_s"][4]
    assert np.isnan(played["offset_s"][9])
    assert verdicts(events) == [ON_TIME] * 10


def test_a_stuck_note_let_go_much_later_changes_nothing():
    events = events_of(*tidy(skip=[("off", 3)]), (3200, off(PITCHES[3])))
    assert both(events) == ALL
    assert to_played(events, 0)["offset_s"][3] == to_played(events, 0)["onset_s"][4]


@pytest.mark.parametrize("late_ms", [5, -5, 20, -20])
@pytest.mark.parametrize("held_ms", [40, 400])
@pytest.mark.parametrize("interval", [1, -3, 12])
def test_of_two_keys_at_once_the_written_one_is_the_note(late_ms, held_ms, interval):
    other, at_ms = PITCHES[5] + interval, DUE_MS[5] + late_ms
    events = events_of(*tidy(), (at_ms, on(other, 50)), (at_ms + held_ms, off(other)))
    realised = both(events)
    extra = 5 if late_ms < 0 else 6
    assert realised == [*ALL[:extra], -1, *ALL[extra:]]
    assert verdicts(events) == [ON_TIME] * 10


def test_a_chord_in_one_instant_is_two_notes_in_order_of_arrival():
    events = events_of((0, on(60)), (0, on(64)), (400, off(60)), (400, off(64)))
    assert to_played(events, 0)["written_midi"].tolist() == [60, 64]
    assert to_played(events, 0)["offset_s"].tolist() == [0.4, 0.4]


def test_letting_go_of_the_newer_key_does_not_bring_the_older_one_back():
    events = events_of((0, on(60)), (200, on(64)), (300, off(64)), (500, off(60)))
    assert to_played(events, 0)["written_midi"].tolist() == [60, 64]


def test_a_note_on_of_velocity_0_ends_a_note():
    timed = [(ms, (0x90, message[1], 0) if message[0] == 0x80 else message) for ms, message in tidy()]
    assert np.array_equal(to_played(events_of(*timed), 0), to_played(events_of(*tidy()), 0))


def test_another_channel_for_every_note_is_one_line():
    timed = []
    for i, midi in enumerate(PITCHES):
        timed += [(DUE_MS[i], on(midi, channel=i % 16)), (UNTIL_MS[i], off(midi, channel=(i + 3) % 16))]
    assert np.array_equal(to_played(events_of(*timed), 0), to_played(events_of(*tidy()), 0))


def test_every_message_twice_is_every_note_once():
    # A controller that reaches the computer by two ways, or sends on two channels.
    twice = [(ms + delay, message) for ms, message in tidy() for delay in (0, 1.5)]
    assert both(events_of(*twice)) == ALL


def test_a_key_that_bounces_is_one_note():
    bounce = [(DUE_MS[4] + 4, off(PITCHES[4])), (DUE_MS[4] + 8, on(PITCHES[4]))]
    events = events_of(*tidy(), *bounce)
    assert both(events) == ALL
    assert np.array_equal(to_played(events, 0), to_played(events_of(*tidy()), 0))
    slurred = events_of((0, on(60)), (4, off(60)), (8, on(60)), (500, on(62)), (506, off(60)), (900, off(62)))
    assert to_played(slurred, 0)["offset_s"].tolist() == [0.506, 0.9]


@pytest.mark.parametrize("message", [(0xB0, 123, 0), (0xB0, 120, 0), (0xFF,)])
def test_all_notes_off_ends_what_sounds_and_no_more(message):
    events = events_of(*tidy(skip=[("off", 4)]), (2300, message), (2301, message))
    assert both(events) == ALL
    assert to_played(events, 0)["offset_s"][4] == 2.3


@pytest.mark.parametrize("octaves", [-2, -1, 1])
def test_all_notes_octaves_off_are_right_notes(octaves):
    timed = [(ms, (m[0], m[1] + 12 * octaves, m[2])) for ms, m in tidy()]
    events = events_of(*timed)
    assert align(PIECE, to_played(events, 0), TEMPO_BPM).octave_shift == -12 * octaves
    assert both(events) == ALL
    assert WRONG_NOTE not in verdicts(events)


# -- what is no note


def flood(seed=1, until_ms=6000):
    """A thousand messages a second: breath, bite as pitch bend, pressure, clock, active sensing."""
    rng = Random(seed)
    for ms in range(until_ms):
        kind = rng.randrange(5)
        value = rng.randrange(1, 128)
        yield ms + 0.5, ((0xB0, 2, value), (0xE0, 0, value), (0xD0, value), (0xF8,), (0xFE,))[kind]


def test_a_thousand_messages_a_second_change_no_note_and_take_little_time():
    events = events_of(*tidy(), *flood())
    began_s = process_time()
    realised, caret = live(events)
    took_s = process_time() - began_s
    assert (list(realised), caret) == (ALL, len(PITCHES))
    assert np.array_equal(to_played(events, 0), to_played(events_of(*tidy()), 0))
    # Six seconds of music; a frame of the window is a sixtieth of a second.
    assert took_s < 0.6


@pytest.mark.parametrize("bend", [0, 64, 127])
def test_pitch_bend_bends_no_written_note(bend):
    # Held for the whole take, to the end of its range: what it means is the sound module's affair.
    events = events_of((-10, (0xE0, 0, bend)), *tidy())
    assert both(events) == ALL
    assert verdicts(events) == [ON_TIME] * 10


def test_the_sustain_pedal_holds_no_note():
    events = events_of((-10, (0xB0, 64, 127)), *tidy(), (7000, (0xB0, 64, 0)))
    assert np.array_equal(to_played(events, 0), to_played(events_of(*tidy()), 0))


@pytest.mark.parametrize(
    "message", [(), (0x90,), (0x90, 60), (60, 80), (0x3C,), (0xF0, 1, 0xF7), (0xC0, 5), (0xA0, 60, 9)]
)
def test_torn_and_foreign_messages_are_no_notes(message):
    events = events_of(*tidy(), *((100 * i + 3, message) for i in range(60)))
    assert np.array_equal(to_played(events, 0), to_played(events_of(*tidy()), 0))


# -- breath


def test_breath_comes_by_any_controller_that_wind_controllers_use():
    for status in ((0xB0, 2), (0xB0, 11), (0xB0, 7), (0xD0,)):
        events = [RawEvent(ms * NS_PER_MS, bytes((*status, value))) for ms, value in ((0, 0), (10, 70), (20, 90))]
        breath = breath_of(events, 10 * NS_PER_MS)
        assert breath.dtype == BREATH
        assert breath["time_s"].tolist() == [-0.01, 0.0, 0.01]
        assert breath["value"].tolist() == [0, 70, 90]
        assert not breath.flags.writeable


def test_a_setting_is_no_breath_and_of_two_sources_the_breath_controller_counts():
    volume = [(0, (0xB0, 7, 100)), (5, (0xB0, 7, 127))]
    assert len(breath_of(events_of(*volume), 0)) == 0
    both_sources = [(ms, (0xB0, number, ms + number)) for ms in range(1, 6) for number in (11, 2)]
    assert breath_of(events_of(*both_sources, *volume), 0)["value"].tolist() == [ms + 2 for ms in range(1, 6)]
    assert len(breath_of([], 0)) == 0


def faltering(at=8, low=0, breath=True):
    """The half note `at` gives out for 120 ms and comes back."""
    timed = tidy()
    stop_ms, back_ms = DUE_MS[at] + 420, DUE_MS[at] + 540
    timed += [(stop_ms, off(PITCHES[at])), (back_ms, on(PITCHES[at]))]
    if breath:
        timed += [(-30, (0xB0, 2, 50)), (-20, (0xB0, 2, 85))]
        timed += [(stop_ms, (0xB0, 2, low)), (back_ms, (0xB0, 2, 80))]
    return events_of(*timed)


def test_a_breath_dropout_is_heard_as_it_was_and_taken_for_one_note():
    events = faltering()
    assert len(to_played(events, 0)) == 11
    assert both(events) == [*ALL[:9], 8, 9]
    found = judge(PIECE, to_played(events, 0), TEMPO_BPM, breath=breath_of(events, 0))
    assert found.notes[8].verdict == ON_TIME
    assert found.because == "the breath gave out once, in bar 3"
    assert found.advice.startswith("Bar 3: the breath gave out")
    assert judge(PIECE, to_played(faltering(breath=False), 0), TEMPO_BPM).because == "went back once, in bar 3"
    assert found.articulation[8].held_share == pytest.approx(0.965)
    assert {TOO_SHORT, TOO_LONG, NOT_SLURRED, NOT_TONGUED} & set(found.articulation[8].verdicts) == set()


def test_a_note_written_twice_and_played_with_a_breath_between_is_two_notes():
    piece = passage("C4:1 D4:1 D4:1 E4:1")
    timed = [
        (0, on(60)),
        (465, off(60)),
        (500, on(62)),
        (880, off(62)),
        (1000, on(62)),
        (1465, off(62)),
        (1500, on(64)),
    ]
    events = events_of(*timed, (-5, (0xB0, 2, 80)), (0, (0xB0, 2, 90)), (880, (0xB0, 2, 0)), (1000, (0xB0, 2, 85)))
    found = judge(piece, to_played(events, 0), TEMPO_BPM, breath=breath_of(events, 0))
    assert found.realised == (0, 1, 2, 3)
    assert [n.verdict for n in found.notes] == [ON_TIME] * 4


# -- time


def test_messages_out_of_order_in_time_dont_turn_time_back():
    # Drivers stamp: the note-off of 465 arrives after the note-on of 500.
    events = [
        RawEvent(ms * NS_PER_MS, bytes(m)) for ms, m in ((0, on(60)), (500, on(62)), (465, off(60)), (430, on(64)))
    ]
    played = to_played(events, 0)
    assert played["onset_s"].tolist() == [0.0, 0.5, 0.5]
    assert played["offset_s"][0] == 0.5
    ear, starts_ns = Ear(), []
    for event in events:
        heard = ear.hear(event)
        if isinstance(heard, NoteStart):
            starts_ns.append(heard.time_ns)
    assert [ns / NS_PER_S for ns in starts_ns] == played["onset_s"].tolist()


message = st.one_of(
    st.tuples(st.sampled_from([0x80, 0x90, 0x93]), st.integers(55, 75), st.integers(0, 127)),
    st.tuples(st.sampled_from([0xB0, 0xE0]), st.sampled_from([2, 7, 11, 64, 120, 123]), st.integers(0, 127)),
    st.tuples(st.sampled_from([0xD0, 0xC0]), st.integers(0, 127)),
    st.binary(max_size=4),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(-30, 300), message), max_size=40))
def test_whatever_is_sent_is_heard_alike_live_and_afterwards_and_can_be_judged(timed):
    now_ms, events = 0, []
    for step_ms, sent in timed:
        now_ms += step_ms
        events.append(RawEvent(now_ms * NS_PER_MS, bytes(sent)))
    played, ear, starts = to_played(events, 0), Ear(), []
    for event in events:
        heard = ear.hear(event)
        if isinstance(heard, NoteStart):
            starts.append((heard.time_ns / NS_PER_S, heard.written_midi))
    assert [(float(p["onset_s"]), int(p["written_midi"])) for p in played] == starts
    assert np.all(np.diff(played["onset_s"]) >= 0)
    assert not np.any(played["offset_s"] < played["onset_s"])
    assert not np.isnan(played["offset_s"][:-1]).any()
    live(events)
    found = judge(PIECE, played, TEMPO_BPM, breath=breath_of(events, 0))
    assert len(found.articulation) == len(found.notes) == len(PIECE.notes)


# -- nothing is thrown away


def test_a_take_keeps_every_message_as_it_came():
    piece = PIECE
    rehearsal = Rehearsal(piece, plan(piece, load("alto")), Ladder(60, 4, 72, 2))
    start_ns = 5 * NS_PER_S
    rehearsal.begin(start_ns, 0)
    odd = [(5, (0xF0, 0x7D, 1, 0xF7)), (6, (0xE0, 0, 9)), (7, (60, 80)), (8, ()), (9, (0xB0, 64, 127)), (9, on(99))]
    events = [RawEvent(start_ns + 2 * e.time_ns, e.message) for e in events_of(*tidy(), *odd, *flood(until_ms=900))]
    for event in events:
        rehearsal.hear([event], event.time_ns)
    take = rehearsal.finish(start_ns + 20 * NS_PER_S)
    assert take is not None
    assert take.events == tuple(events)
