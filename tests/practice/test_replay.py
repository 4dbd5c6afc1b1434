"""A take gone through again: where it stands at each time, step and speed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from practice.made import passage

from companion.practice.clock import note_onsets_s
from companion.practice.model import PLAYED, Slip
from companion.practice.replay import HELD_S, SPEEDS, Replay
from companion.units import NS_PER_S, ns_from_s

TEMPO_BPM = 60.0


def _played(*rows: tuple[float, float, int]) -> np.ndarray:
    return np.array([(onset, offset, midi, 80) for onset, offset, midi in rows], dtype=PLAYED)


PASSAGE = passage("C4:1 D4:1 E4:1 F4:1")
#: On time, a slip on the way to the second note, which is 40 ms late; the third left out; the fourth still held.
TAKE = _played((0.0, 1.0, 60), (1.01, 1.04, 61), (1.04, 2.0, 62), (2.95, float("nan"), 65))
SLIP = Slip(1, 0, 61, 1.01, 30.0)


def _replay() -> Replay:
    return Replay(PASSAGE, TAKE, (0, -1, 1, 3), TEMPO_BPM, (SLIP,))


def test_the_steps_are_what_was_played_and_what_was_left_out() -> None:
    assert list(note_onsets_s(PASSAGE, TEMPO_BPM)) == [0.0, 1.0, 2.0, 3.0]
    replay = _replay()
    seen = []
    for _ in range(8):
        replay.step(1)
        seen.append(replay.position_s)
    assert seen == [0.0, 1.01, 1.04, 2.0, 2.95, 2.95, 2.95, 2.95]
    replay.step(-1)
    assert replay.position_s == 2.0
    for _ in range(9):
        replay.step(-1)
    assert replay.position_s == 0.0 and not replay.playing


def test_each_step_says_what_sounded_and_what_was_written() -> None:
    replay = _replay()
    assert (replay.moment().sounded, replay.moment().written) == (None, None)
    replay.step(1)
    moment = replay.moment()
    assert (moment.heard_midi, moment.sounded, moment.written, moment.off_ms) == (60, 0, 0, 0.0)
    replay.step(1)
    moment = replay.moment()
    assert moment.extra and moment.slip == SLIP and moment.off_ms is None
    assert (moment.heard_midi, moment.sounded, moment.written) == (61, 0, 1)
    replay.step(1)
    moment = replay.moment()
    assert (moment.heard_midi, moment.sounded, moment.written) == (62, 1, 1)
    assert moment.slip is None and moment.off_ms == pytest.approx(40.0)
    replay.step(1)
    moment = replay.moment()
    assert (moment.heard_midi, moment.sounded, moment.written) == (None, 1, 2), "silence where a note was left out"
    replay.step(1)
    moment = replay.moment()
    assert (moment.heard_midi, moment.sounded, moment.written) == (65, 3, 2)
    assert moment.off_ms == pytest.approx(-50.0)


@pytest.mark.parametrize("percent", SPEEDS)
def test_time_runs_at_the_speed(percent: int) -> None:
    replay = _replay()
    replay.set_speed(percent, 0)
    replay.play(5 * NS_PER_S)
    replay.tick(6 * NS_PER_S)
    assert replay.position_s == pytest.approx(replay.start_s + percent / 100)
    replay.pause(6 * NS_PER_S)
    replay.tick(9 * NS_PER_S)
    assert replay.position_s == pytest.approx(replay.start_s + percent / 100)


def test_speed_changes_without_a_jump_and_within_bounds() -> None:
    replay = _replay()
    replay.play(0)
    replay.turn_speed(1, NS_PER_S)
    assert replay.speed_percent == 125 and replay.position_s == pytest.approx(replay.start_s + 1.0)
    replay.tick(2 * NS_PER_S)
    assert replay.position_s == pytest.approx(replay.start_s + 2.25)
    replay.turn_speed(99, 2 * NS_PER_S)
    assert replay.speed_percent == 200
    replay.turn_speed(-99, 2 * NS_PER_S)
    assert replay.speed_percent == 25


def test_it_ends_and_begins_again() -> None:
    replay = _replay()
    replay.play(0)
    assert not replay.tick(NS_PER_S)
    assert replay.tick(99 * NS_PER_S) and not replay.playing
    assert replay.position_s == replay.end_s
    assert not replay.tick(100 * NS_PER_S), "the end is told once"
    replay.play(100 * NS_PER_S)
    assert replay.position_s == replay.start_s


def test_it_goes_to_a_note_where_it_was_played_or_due() -> None:
    replay = _replay()
    replay.go_to(1)
    assert replay.position_s == 1.04
    replay.go_to(2)
    assert replay.position_s == 2.0
    replay.go_to(99)
    assert replay.position_s == 2.0


def test_the_tones_are_the_take_and_the_passage() -> None:
    replay = _replay()
    played = replay.played_tones()
    assert [(t.time_s, t.written_midi) for t in played] == [(0.0, 60), (1.01, 61), (1.04, 62), (2.95, 65)]
    assert played[0].life_s == 1.0 and played[-1].life_s == pytest.approx(HELD_S), "a note still held must end"
    assert [(t.time_s, t.life_s, t.written_midi) for t in replay.written_tones()] == [  # the one left out as well
        (0.0, 1.0, 60), (1.0, 1.0, 62), (2.0, 1.0, 64), (3.0, 1.0, 65),
    ]  # fmt: skip


def test_a_take_without_a_note_shows_the_passage() -> None:
    replay = Replay(PASSAGE, np.zeros(0, PLAYED), (), TEMPO_BPM)
    replay.step(1)
    assert replay.moment().written == 0 and replay.moment().heard_midi is None
    assert len(replay.steps_s) == 4


def test_a_note_left_out_by_someone_behind_is_still_within_the_replay() -> None:
    replay = Replay(PASSAGE, _played((3.0, 3.0, 64), (3.0, 3.0, 65)), [-1, 0], TEMPO_BPM)
    for _ in range(5):
        replay.step(1)
    assert replay.position_s == max(replay.left_out_s.values()) <= replay.end_s


@given(
    st.lists(st.tuples(st.floats(-1, 5), st.floats(0, 2), st.integers(0, 127)), max_size=25),
    st.lists(st.sampled_from(["step", "back", "play", "pause", "tick", "fast", "slow"]), max_size=30),
)
def test_whatever_was_played_and_pressed_it_stands_somewhere_in_the_take(
    notes: list[tuple[float, float, int]], pressed: list[str]
) -> None:
    rows = sorted((onset, onset + life, midi) for onset, life, midi in notes)
    replay = Replay(PASSAGE, _played(*rows), [i % 5 - 1 for i in range(len(rows))], TEMPO_BPM)
    now_ns = 0
    for name in pressed:
        now_ns += ns_from_s(0.3)
        acts = {
            "step": lambda: replay.step(1),
            "back": lambda: replay.step(-1),
            "play": lambda now=now_ns: replay.play(now),
            "pause": lambda now=now_ns: replay.pause(now),
            "tick": lambda now=now_ns: replay.tick(now),
            "fast": lambda now=now_ns: replay.turn_speed(1, now),
            "slow": lambda now=now_ns: replay.turn_speed(-1, now),
        }
        acts[name]()
        assert replay.start_s <= replay.position_s <= replay.end_s
        moment = replay.moment()
        assert moment.sounded is None or 0 <= moment.sounded < 4
        assert moment.played_index < len(rows)


def test_after_going_back_it_goes_by_the_players_own_beat() -> None:
    """Four notes at the click, then the same bar again, the whole of it half a beat off the click."""
    again_s = 4.5
    rows = [(float(i), i + 0.9, midi) for i, midi in enumerate((60, 62, 64, 65))]
    rows += [(again_s + i, again_s + i + 0.9, midi) for i, midi in enumerate((60, 62, 64, 65))]
    replay = Replay(PASSAGE, _played(*rows), (0, 1, 2, 3, 0, 1, 2, 3), TEMPO_BPM)
    seen = []
    for _ in range(8):
        replay.step(1)
        moment = replay.moment()
        assert moment.sounded == moment.written and moment.off_ms == pytest.approx(0.0)
        seen.append(moment.own_beat)
    assert seen == [False] * 4 + [True] * 4
    assert [t.time_s for t in replay.written_tones()] == pytest.approx([0, 1, 2, 3, 4.5, 5.5, 6.5, 7.5])
    assert moment.cursor_s == pytest.approx(3.0)


def test_a_note_just_early_stands_at_its_own_caret() -> None:
    replay = Replay(PASSAGE, _played((0.0, 0.9, 60), (0.98, 1.9, 62), (1.9, 2.5, 64)), (0, 1, 2), TEMPO_BPM)
    replay.go_to(1)
    assert replay.moment().written == 1 and replay.moment().off_ms == pytest.approx(-20.0)
    replay.go_to(2)
    assert replay.moment().written == 1, "a tenth of a second early is seen"
