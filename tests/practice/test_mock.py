"""The order of a mock performance: silence, announcement, one go, and no word before the end."""

from __future__ import annotations

import pytest

from companion.errors import UsageError
from companion.practice.mock import (
    ANNOUNCED,
    END_QUIET_S,
    GAVE_UP_S,
    OVER,
    PLAYING,
    SILENCE,
    Mock,
    Piece,
)
from companion.practice.model import RawEvent
from companion.practice.simulation import simulate
from companion.units import ns_from_s
from tests.practice.made import passage
from tests.practice.takes import melody, raw_events

FIRST, SECOND = Piece(melody(1, bars=4), "Study in C", "1-4"), Piece(melody(2, bars=4), "Waltz")


def key(at_s: float, midi: int, *, down: bool) -> RawEvent:
    return RawEvent(ns_from_s(at_s), bytes((0x90 if down else 0x80, midi, 80 if down else 0)))


def test_the_whole_course() -> None:
    mock = Mock([FIRST, SECOND], 0, silence_s=10.0)
    assert mock.phase == SILENCE and mock.place == 0 and mock.silence_left_s(ns_from_s(4)) == pytest.approx(6.0)
    mock.tick(ns_from_s(9.9))
    assert mock.phase == SILENCE
    mock.tick(ns_from_s(10))
    assert mock.phase == ANNOUNCED and mock.place == 0 and len(mock.goings) == 1
    # There is room for a breath, and for a long one.
    mock.tick(ns_from_s(100))
    assert mock.phase == ANNOUNCED
    take = simulate(FIRST.passage, 100, "clean", 1)
    for event in raw_events(take.played, ns_from_s(120)):
        mock.hear(event)
    assert mock.phase == PLAYING
    end_ns = raw_events(take.played, ns_from_s(120))[-1].time_ns
    mock.tick(end_ns + ns_from_s(END_QUIET_S) - 1)
    assert mock.phase == PLAYING
    mock.tick(end_ns + ns_from_s(END_QUIET_S + 1))
    assert mock.phase == SILENCE and mock.place == 1
    mock.go_on(end_ns + ns_from_s(5))
    assert mock.phase == ANNOUNCED and mock.place == 1 and len(mock.goings) == 2
    mock.go_on(end_ns + ns_from_s(6))
    assert mock.phase == OVER and mock.place == 2
    first, second = mock.goings
    assert first.begun_ns is not None and first.begun_ns >= ns_from_s(119.9) and not first.broken_off
    assert sum(e.message[0] & 0xF0 == 0x90 and e.message[2] > 0 for e in first.events) == len(FIRST.passage.notes)
    assert second.begun_ns is None and second.broken_off and not second.events
    mock.hear(key(999, 60, down=True))
    assert not second.events


def test_what_is_played_in_the_silence_belongs_to_nothing() -> None:
    mock = Mock([FIRST], 0, silence_s=5.0)
    mock.hear(key(1, 60, down=True))
    mock.hear(key(2, 60, down=False))
    mock.tick(ns_from_s(6))
    assert mock.in_silence == 1 and mock.phase == ANNOUNCED and not mock.goings[0].events


def test_silence_in_the_middle_is_waited_through_and_then_ends_the_piece() -> None:
    mock = Mock([FIRST], 0, silence_s=0.0)
    mock.tick(0)
    events = raw_events(simulate(FIRST.passage, 100, "clean", 1).played, ns_from_s(1))
    half = events[: len(events) // 3]
    for event in half:
        mock.hear(event)
    sounding = mock._ear.sounding_midi
    last_ns = half[-1].time_ns
    if sounding is not None:
        last_ns += 1
        mock.hear(RawEvent(last_ns, bytes((0x80, sounding, 0))))
    mock.tick(last_ns + ns_from_s(GAVE_UP_S) - 1)
    assert mock.phase == PLAYING
    mock.tick(last_ns + ns_from_s(GAVE_UP_S) + 1)
    assert mock.phase == OVER and mock.goings[0].broken_off


def test_a_long_rest_ends_nothing() -> None:
    rests = passage("C4:1 D4:1 E4:1 C4:1 r:16 D4:1 C4:1 D4:1 C4:1")
    mock = Mock([Piece(rests, "Rests")], 0, silence_s=0.0)
    mock.tick(0)
    for i, midi in enumerate((60, 62, 64, 60)):
        mock.hear(key(1 + i, midi, down=True))
        mock.hear(key(1.9 + i, midi, down=False))
    mock.tick(ns_from_s(4.9 + 16 * 60 / 92 + GAVE_UP_S))
    assert mock.phase == PLAYING


def test_a_note_held_long_is_no_silence() -> None:
    mock = Mock([FIRST], 0, silence_s=0.0)
    mock.tick(0)
    mock.hear(key(1, 60, down=True))
    mock.tick(ns_from_s(60))
    assert mock.phase == PLAYING


def test_a_key_pressed_twice_costs_no_piece() -> None:
    mock = Mock([FIRST, SECOND], 0)
    mock.go_on(ns_from_s(3))
    mock.go_on(ns_from_s(3.2))
    assert mock.phase == ANNOUNCED and mock.place == 0
    mock.go_on(ns_from_s(5))
    mock.go_on(ns_from_s(5.1))
    assert mock.phase == SILENCE and mock.place == 1


def played_to_the_end(mock: Mock, piece: Piece, from_s: float, shift: int = 0) -> float:
    """Plays a piece; returns when its last note ended."""
    events = raw_events(simulate(piece.passage, 100, "clean", 1).played, ns_from_s(from_s))
    for event in events:
        mock.hear(RawEvent(event.time_ns, bytes((event.message[0], event.message[1] + shift, event.message[2]))))
    return events[-1].time_ns / 1e9


def test_the_end_is_known_whatever_pitch_the_controller_sends() -> None:
    mock = Mock([FIRST], 0, silence_s=0.0)
    mock.tick(0)
    end_s = played_to_the_end(mock, FIRST, 1, shift=-9)
    mock.tick(ns_from_s(end_s + END_QUIET_S + 0.1))
    assert mock.phase == OVER and not mock.goings[0].broken_off


def test_a_stop_on_the_last_notes_name_is_not_the_end() -> None:
    tune = passage("C4:1 D4:1 E4:1 F4:1 G4:1 A4:1 G4:1 E4:1 C4:1 E4:1 D4:1 C4:1")
    mock = Mock([Piece(tune, "Tune")], 0, silence_s=0.0)
    mock.tick(0)
    for i, note in enumerate(tune.notes[:9]):
        mock.hear(key(1 + i, note.written_midi, down=True))
        mock.hear(key(1.9 + i, note.written_midi, down=False))
    mock.tick(ns_from_s(9.9 + END_QUIET_S + 1))
    assert mock.phase == PLAYING
    for i, note in enumerate(tune.notes[9:]):
        mock.hear(key(14 + i, note.written_midi, down=True))
        mock.hear(key(14.9 + i, note.written_midi, down=False))
    mock.tick(ns_from_s(16.9 + END_QUIET_S + 0.1))
    assert mock.phase == OVER and not mock.goings[0].broken_off


def test_a_long_rest_early_on_makes_nobody_wait_at_the_end() -> None:
    piece = Piece(passage("C4:1 D4:1 E4:1 r:32 " + "D4:1 E4:1 F4:1 G4:1 " * 3 + "C4:1"), "Rests")
    mock = Mock([piece], 0, silence_s=0.0)
    mock.tick(0)
    end_s = played_to_the_end(mock, piece, 1)
    mock.tick(ns_from_s(end_s + END_QUIET_S + 0.1))
    assert mock.phase == OVER
    # Where the last note comes before a rest too, the end is waited for.
    again = Piece(passage("C4:1 D4:1 E4:1 F4:1 G4:1 E4:1 C4:1 r:8 E4:1 C4:1"), "Rests")
    mock = Mock([again], 0, silence_s=0.0)
    mock.tick(0)
    end_s = played_to_the_end(mock, again, 1)
    mock.tick(ns_from_s(end_s + END_QUIET_S + 0.1))
    assert mock.phase == PLAYING


def test_a_piece_that_the_controller_left_is_announced_anew() -> None:
    mock = Mock([FIRST, SECOND], 0, silence_s=0.0)
    assert mock.begin_again(0) is None
    mock.tick(0)
    assert mock.begin_again(1) is None and mock.phase == ANNOUNCED
    mock.hear(key(1, 60, down=True))
    lost = mock.begin_again(ns_from_s(2))
    assert lost is not None and lost.broken_off and lost.ended_ns == ns_from_s(2) and len(lost.events) == 1
    assert mock.phase == ANNOUNCED and mock.place == 0 and len(mock.goings) == 1
    end_s = played_to_the_end(mock, FIRST, 5)
    mock.tick(ns_from_s(end_s + END_QUIET_S + 0.1))
    assert mock.place == 1 and len(mock.goings) == 1 and not mock.goings[0].broken_off


def test_a_performance_of_nothing_is_refused() -> None:
    with pytest.raises(UsageError, match="needs music"):
        Mock([], 0)
    with pytest.raises(UsageError, match="out of range"):
        Mock([FIRST], 0, silence_s=-1)
