"""Shapes of climb: each ends at the target, in bounded steps, within range, and before what can't go yet."""

from __future__ import annotations

from dataclasses import asdict, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from practice.takes import melody

from companion.errors import UsageError
from companion.practice.climbs import CLIMBS, RUNGS_BACK, bar_groups, climb_named
from companion.practice.hurdle import Hurdle
from companion.practice.ladder import HIGHEST_BPM, LOWEST_BPM, MOST_BEYOND, Ladder, default_ladder

GROUPS = (2, 4, 8)


def ladders() -> st.SearchStrategy[Ladder]:
    def made(low: float, more: float, step: float, percent: float, clean: int, trouble: int, climb: str) -> Ladder:
        high = min(low + more, HIGHEST_BPM)
        ladder = Ladder(low, step, high, clean, trouble, step_percent=percent, climb=climb)
        return ladder.in_groups(GROUPS)

    percents = st.one_of(st.just(0.0), st.floats(1, 50))
    numbers = st.integers(1, 4), st.integers(1, 4), st.sampled_from(sorted(CLIMBS))
    return st.builds(made, st.floats(10, 600), st.floats(0, 200), st.floats(2, 60), percents, *numbers)


def hurdle(limit_bpm: float, measured: bool = True) -> Hurdle:
    return Hurdle(5, 4, limit_bpm, measured, "G to B♭", "bar 5", 4, 4, "bar 5", f"G to B♭ goes up to {limit_bpm:g}")


def tempos(ladder: Ladder, takes: list[bool]) -> list[tuple[float, str]]:
    """The tempo of each take and what the ladder made of it."""
    found = []
    for clean in takes:
        tempo_bpm = ladder.tempo_bpm
        ladder, step = ladder.after(clean)
        found.append((tempo_bpm, step.kind))
    return found


@given(ladders())
def test_clean_takes_end_at_the_target_and_soon(ladder: Ladder) -> None:
    most = (ladder.clean_needed + 1) * (len(ladder.rungs) + len(GROUPS) * (RUNGS_BACK + 1))
    for _ in range(most):
        tempo_bpm = ladder.tempo_bpm
        ladder, step = ladder.after(True)
        if step.kind == "target reached":
            break
    assert step.kind == "target reached"
    assert tempo_bpm == ladder.tempo_bpm == ladder.target_bpm
    assert ladder.after(True)[1].kind == "target reached"
    assert not ladder.group_bars or ladder.group == len(GROUPS) - 1


@given(ladders(), st.lists(st.booleans(), max_size=60))
def test_whatever_is_played_steps_are_bounded_and_no_tempo_is_out_of_range(ladder: Ladder, takes: list[bool]) -> None:
    for clean in takes:
        before = ladder
        ladder, step = ladder.after(clean)
        assert before.rung - ladder.rung <= (RUNGS_BACK if step.kind == "grow" else 1)
        assert ladder.rung - before.rung <= 1 or step.kind == "target reached"
        highest = ladder.target_bpm * (1 + MOST_BEYOND) + 0.5 if ladder.trying else ladder.target_bpm
        assert LOWEST_BPM <= ladder.start_bpm <= ladder.tempo_bpm <= min(highest, HIGHEST_BPM)
        assert ladder.tempo_bpm > ladder.rungs[ladder.rung] if ladder.trying else True
        assert (step.kind == "step back") == (ladder.rung < before.rung and step.kind != "grow")
        assert 0 <= ladder.group - before.group <= 1
        assert "\n" not in step.sentence and step.sentence.endswith(".")


@given(ladders(), st.floats(10, 660), st.lists(st.booleans(), max_size=60))
def test_nothing_is_played_beyond_a_measured_limit_that_was_not_played_already(
    ladder: Ladder, limit_bpm: float, takes: list[bool]
) -> None:
    in_the_way = hurdle(max(limit_bpm, ladder.start_bpm))
    for clean in takes:
        ladder, step = ladder.after(clean, in_the_way)
        assert ladder.tempo_bpm <= in_the_way.limit_bpm
        assert step.kind != "hold" or (step.hurdle is in_the_way and ladder.next_bpm > in_the_way.limit_bpm)  # type: ignore[operator]


@given(ladders(), st.floats(10, 660), st.integers(1, 80))
def test_a_guess_is_said_and_not_obeyed(ladder: Ladder, limit_bpm: float, count: int) -> None:
    guess, free = hurdle(limit_bpm, measured=False), ladder
    for _ in range(count):
        ladder, step = ladder.after(True, guess)
        free, _ = free.after(True)
        assert ladder == free
        assert step.hurdle in (None, guess)


def test_slow_and_target_in_turn() -> None:
    ladder = Ladder(60, 20, 100, clean_needed=1, climb="alternate")
    # A try that isn't clean leads to the next slow rung; one that is stays at the target until the count is full.
    assert tempos(ladder, [True, False, True, True, True]) == [
        (60, "try"), (100, "settle"), (80, "climb"), (100, "target reached"), (100, "target reached"),
    ]  # fmt: skip
    twice = replace(ladder, clean_needed=2)
    assert tempos(twice, [True, True, True, False]) == [(60, "stay"), (60, "try"), (100, "stay"), (100, "settle")]
    assert tempos(twice, [True, True, True, True])[-1] == (100, "target reached")
    assert ladder.after(True)[1].sentence == "One clean take at 60: one try at 100, then 80."
    assert twice.after(True)[0].after(True)[0].after(True)[1].sentence == (
        "One clean take at the target, 100: once more as fast."
    )


def test_overshoot_and_settle() -> None:
    ladder = Ladder(60, 20, 100, clean_needed=1, climb="overshoot")
    # A step of 20 beyond 100 would be more than a tenth.
    assert tempos(ladder, [True, False, True, True, True]) == [
        (60, "try"), (100, "settle"), (80, "try"), (110, "settle"), (100, "target reached"),
    ]  # fmt: skip
    assert tempos(Ladder(60, 4, 64, 1, climb="overshoot"), [True] * 3) == [
        (60, "try"), (68, "settle"), (64, "target reached"),
    ]  # fmt: skip
    said = ladder.after(True)[0].after(False)[1].sentence
    assert said == "The try at 100: not clean, which counts for nothing. Now 80."
    # No tempo can be practised beyond 600.
    assert tempos(Ladder(590, 10, 600, 1, climb="overshoot"), [True] * 2) == [(590, "climb"), (600, "target reached")]


def test_bars_that_grow() -> None:
    ladder = Ladder(60, 10, 90, clean_needed=1, climb="grow").in_groups((2, 4))
    found = tempos(ladder, [True] * 7)
    assert found[3:] == [(90, "grow"), (70, "climb"), (80, "climb"), (90, "target reached")]
    for clean in (True, True, True):
        ladder, _ = ladder.after(clean)
    more, step = ladder.after(True)
    assert (more.group, step.sentence) == (1, "One clean take at 90: now all 4 bars, at 70.")
    # The bars that are added hold a change that goes up to 65 only.
    lower, step = ladder.after(True, hurdle(65))
    assert (lower.tempo_bpm, step.hurdle) == (60, hurdle(65))
    assert step.sentence == "One clean take at 90: now all 4 bars, at 60, since G to B♭ goes up to 65."
    assert Ladder(60, 10, 90).in_groups((2, 4)) == Ladder(60, 10, 90)


def test_a_try_over_a_measured_limit_is_left_out_and_the_next_rung_is_not() -> None:
    ladder = Ladder(60, 20, 100, clean_needed=1, climb="alternate")
    higher, step = ladder.after(True, hurdle(90))
    assert (higher.tempo_bpm, higher.trying, step.kind) == (80, False, "climb")
    assert step.sentence == "One clean take at 60: on to 80 without a try at 100, since G to B♭ goes up to 90."
    assert ladder.after(True, hurdle(70))[1].kind == "hold"


def test_rule_and_reason_say_the_climb() -> None:
    rules = {name: Ladder(60, 4, 96, climb=name).rule for name in CLIMBS}
    assert rules["alternate"].startswith("Three clean takes in a row: a try at 96, then up 4. Three takes")
    assert rules["overshoot"].startswith(
        "Three clean takes in a row: one take two rungs up, then settle one rung up (4)."
    )
    assert rules["grow"].startswith("Three clean takes in a row: up 4; at the target more bars, 2 rungs back. Three")
    assert Ladder(60, 4, 96, climb="grow").reason == (
        "Growing bar groups: a few bars at the target first, then more of the line joined on."
    )
    assert len({Ladder(60, 4, 96, climb=name).reason for name in CLIMBS}) == 4


def test_the_climb_is_in_the_numbers_that_the_record_keeps() -> None:
    numbers = asdict(default_ladder(melody(1, bars=4), climb="overshoot"))
    # In which note its sentences tell tempos is no number of it.
    assert numbers.pop("counted")["one"] == "quarter"
    assert (numbers["climb"], numbers["trying"]) == ("overshoot", False)
    assert Ladder(**numbers) == default_ladder(melody(1, bars=4), climb="overshoot")


def test_no_such_climb() -> None:
    with pytest.raises(UsageError, match="no climb is called 'spiral'; there are steady, alternate, overshoot, grow"):
        Ladder(60, 4, 96, climb="spiral")
    assert climb_named("grow") is CLIMBS["grow"]


@pytest.mark.parametrize(
    ("bars", "groups"), [(1, (1,)), (2, (2,)), (3, (2, 3)), (4, (2, 4)), (9, (2, 4, 8, 9)), (16, (2, 4, 8, 16))]
)
def test_groups_double(bars: int, groups: tuple[int, ...]) -> None:
    assert bar_groups(melody(1, bars=bars)) == groups


def test_an_upbeat_is_no_bar_and_silent_bars_are_no_group() -> None:
    music = melody(1, bars=9)
    upbeat = replace(music, bars=(replace(music.bars[0], upbeat=True), *music.bars[1:]))
    assert bar_groups(upbeat) == (3, 5, 9)
    silent = replace(music, notes=tuple(note for note in music.notes if note.bar in (2, 8)))
    assert bar_groups(silent) == (4, 9)
