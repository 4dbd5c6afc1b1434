"""What another fingering costs, and one that is fixed by hand, without a window."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from window.stand_tools import make_setup
from window.test_note import ETUDE

from companion.charts import load
from companion.errors import UsageError
from companion.planning import all_marks, change_seconds, plan
from companion.planning.model import Plan
from companion.record.marks import load as load_marks
from companion.record.marks import resolve
from companion.window.fingerings import cost_of, fix
from companion.window.music import Music
from companion.window.run import Run
from companion.window.stepped_clock import SteppedClock

ALTO = load("alto")


@pytest.fixture
def music(tmp_path: Path) -> Music:
    run = Run(make_setup(ETUDE, tmp_path, port="", marks_path=tmp_path / "etude.marks.toml"), SteppedClock())
    run.close()
    return run.music


def planned(marks: dict[int, str]) -> Plan:
    return plan(ETUDE, ALTO, all_marks(ETUDE, ALTO, marks))


def beside_b(plan: Plan) -> int:
    """A B flat fingered at the side, next to a B, that could be fingered bis."""
    notes = ETUDE.notes
    return next(
        c.note_index for c in plan.choices[1:-1]
        if c.name == "side" and any(r.fingering.name == "bis" for r in c.runners_up)
        and 71 in (notes[c.note_index - 1].written_midi, notes[c.note_index + 1].written_midi)
    )  # fmt: skip


def test_what_a_runner_up_costs_is_split_into_fingers_and_rules(music: Music) -> None:
    """bis beside B: a slide that no milliseconds show; the rule speaks (common practice, no source)."""
    made = music.rehearsal.plan
    at = beside_b(made)
    before, now, after = (made.choices[i].fingering for i in (at - 1, at, at + 1))
    bis = next(r for r in made.choices[at].runners_up if r.fingering.name == "bis")
    cost = cost_of(made, ALTO, at, bis)
    by_hand = change_seconds(ALTO, before, bis.fingering) + change_seconds(ALTO, bis.fingering, after)
    as_planned = change_seconds(ALTO, before, now) + change_seconds(ALTO, now, after)
    assert cost.changes_s == pytest.approx(by_hand - as_planned) and cost.rules > 0
    # Once bis is marked, the rules speak for what it pushed aside.
    fix(music, at, "bis", planned)
    marked = music.rehearsal.plan
    side = next(r for r in marked.choices[at].runners_up if r.fingering.name == "side")
    assert cost_of(marked, ALTO, at, side).rules < 0


def test_a_fingering_is_fixed_wherever_the_note_is_printed_once_and_kept(music: Music) -> None:
    at = beside_b(music.rehearsal.plan)
    same = {n.index for n in ETUDE.notes if n.source == ETUDE.notes[at].source}
    music.whys = {at: "for the old one", 0: "for another note"}
    fix(music, at, "bis", planned)
    assert music.marks == dict.fromkeys(same, "bis") and music.rehearsal.plan.choices[at].name == "bis"
    assert music.whys == {0: "for another note"}
    assert music.marks_path is not None
    assert resolve(load_marks(music.marks_path), ETUDE).fingerings == music.marks
    fix(music, at, None, planned)
    assert not music.marks and music.rehearsal.plan.choices[at].name == "side"
    assert not resolve(load_marks(music.marks_path), ETUDE).fingerings


def test_a_mark_that_nothing_keeps_holds_for_now_and_is_said(music: Music) -> None:
    music = replace(music, marks_path=None)
    at = beside_b(music.rehearsal.plan)
    said = fix(music, at, "bis", planned)
    assert said[-1] == "this passage has no file: the mark holds for this sitting"
    assert music.rehearsal.plan.choices[at].name == "bis"


def test_during_a_take_nothing_changes(music: Music) -> None:
    at, before = beside_b(music.rehearsal.plan), music.rehearsal.plan
    music.rehearsal.begin(0, 0)
    with pytest.raises(UsageError):
        fix(music, at, "bis", planned)
    assert music.rehearsal.plan is before and not music.marks
    assert music.marks_path is not None and not music.marks_path.exists()
