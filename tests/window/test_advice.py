"""The sentence under the music: the nearest matter first."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from window.stand_tools import make_setup, one_take, playable

from companion.window.advice import CARE, NO_HARD_SPOT, advice
from companion.window.run import Run
from companion.window.stepped_clock import SteppedClock

PASSAGE = playable(bars=4)


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Run]:
    made = Run(make_setup(PASSAGE, tmp_path), SteppedClock())
    yield made
    made.close()


def said(run: Run, **what: object) -> str:
    usual = {"replaying": None, "looked_at": None, "told": False, "spots_shown": False, "tinted": False}
    return advice(run, **(usual | what))  # type: ignore[arg-type]


def test_before_the_first_take_it_is_the_usual_cautions(run: Run) -> None:
    assert said(run) == CARE
    for word in ("pain", "moderate", "half hour", "health professionals"):
        assert word in CARE


def test_who_has_no_controller_is_told_how_to_get_one(tmp_path: Path) -> None:
    run = Run(make_setup(PASSAGE, tmp_path, port=""), SteppedClock())
    assert "press P" in said(run)
    run.use_port("keys")
    assert said(run).startswith("J shows which key")
    run.close()


def test_what_was_just_said_stands_before_all_else_and_goes(run: Run) -> None:
    run.say("the click is off")
    assert said(run, looked_at=3, spots_shown=True) == "the click is off"
    assert isinstance(run.clock, SteppedClock)
    run.clock.step(60 * 10**9)
    assert said(run) == CARE


def test_a_note_looked_at_tells_what_can_be_done_with_it(run: Run) -> None:
    choices = run.rehearsal.plan.choices
    plain = next(c.note_index for c in choices if not c.runners_up)
    rich = next(c.note_index for c in choices if c.runners_up)
    assert "no other fingering" in said(run, looked_at=plain)
    assert said(run, looked_at=rich).endswith("Enter shows all.")
    run.pick(rich, choices[rich].runners_up[0].fingering.name)
    run.say("")
    assert said(run, looked_at=rich).endswith("0 takes the mark away.")
    run.music.comments = {rich: "lightly"}
    assert said(run, looked_at=rich) == "Written here: lightly"
    assert said(run, looked_at=rich, told=True).startswith("N goes to the next such place")


def test_the_hardest_spot_is_named_where_there_is_one(run: Run) -> None:
    assert said(run, spots_shown=True) == NO_HARD_SPOT
    hardest = run.limits().spots[0].sentence
    assert said(run, spots_shown=True, tinted=True) == f"Hardest: {hardest}. L lists them."


def test_a_take_is_followed_by_what_to_do_next_and_none_is_disturbed(run: Run) -> None:
    assert isinstance(run.clock, SteppedClock)
    run.start()
    while run.rehearsal.caret < 3:
        assert said(run, looked_at=3, spots_shown=True) == ""
        run.clock.step(20_000_000)
        run.update()
    run.stop()
    run.say("")
    assert said(run).endswith("Stopped by the player.")
    one_take(run)
    run.say("")
    take = run.rehearsal.last_take
    assert take is not None and take.step is not None
    assert said(run) == f"{take.assessment.advice} {take.step.sentence}"


def test_an_exercise_says_what_it_is_for_and_where_esc_leads(run: Run) -> None:
    run.repertoire.take_exercise("scales", {"kind": "major"})
    assert said(run) == f"{run.music.passage.purpose}. Esc leads back to {PASSAGE.title}, as you left it."
