"""At the stand: what keeps failing in the practice log holds the rung, K takes its bars, + climbs all the same."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from window.stand_tools import make_setup, playable

from companion.practice.climbs import CLIMBS
from companion.practice.clock import note_onsets_s
from companion.practice.ladder import Ladder
from companion.practice.model import RawEvent
from companion.practice.rehearsal import FinishedTake, Rehearsal
from companion.record import Sitting, finished_take_record, read_log
from companion.units import NS_PER_S, ns_from_s
from companion.window.leaves import ChoiceLeaf
from companion.window.lists import _tempo
from companion.window.run import Run
from companion.window.setup import Setup
from companion.window.stepped_clock import SteppedClock

PASSAGE = playable(bars=4)


def setup_at(sessions: Path) -> Setup:
    return make_setup(PASSAGE, sessions, port="", ladder=Ladder(60, 4, 72, clean_needed=1))


def play(rehearsal: Rehearsal, begin_ns: int, wrong: int = -1) -> FinishedTake:
    """One take on the click; note `wrong` is a semitone too high."""
    section = rehearsal.section.passage
    rehearsal.begin(begin_ns, begin_ns - 1)
    onsets_s = note_onsets_s(section, rehearsal.tempo_bpm).tolist()
    for note, onset_s in zip(section.notes, onsets_s, strict=True):
        at_ns = begin_ns + ns_from_s(onset_s)
        rehearsal.hear([RawEvent(at_ns, bytes((0x90, note.written_midi + (note.index == wrong), 80)))], at_ns)
    take = rehearsal.finish(begin_ns + ns_from_s(onsets_s[-1] + 1))
    assert take is not None
    return take


def failing_change(setup: Setup) -> int:
    """A note in the second bar that is arrived at with another fingering, its change the only such one in its bar."""
    choices = setup.plan.choices
    return next(
        n.index
        for n in PASSAGE.notes
        if n.bar == 1 and PASSAGE.notes[n.index - 1].bar == 1 and choices[n.index - 1].keys != choices[n.index].keys
    )


@pytest.fixture
def sessions(tmp_path: Path) -> Path:
    """A log in which one change failed in four takes at 64 on two days."""
    setup = setup_at(tmp_path)
    for days in (3, 1):
        rehearsal = Rehearsal(PASSAGE, setup.plan, setup.ladder.at(64), chart=setup.chart)
        sitting = Sitting.begin(tmp_path, datetime.now(UTC) - timedelta(days=days))
        for i in (1, 2):
            take = play(rehearsal, 30 * i * NS_PER_S, failing_change(setup))
            sitting.append(finished_take_record(take, setup.plan, setup.chart, run_ns=0, port="wind"))
    return tmp_path


def run_with_log(sessions: Path) -> Run:
    run = Run(setup_at(sessions), SteppedClock())
    run.music.trouble.ask(run.chart, run.rehearsal.plan, 0)
    assert run.music.trouble.wait(10) and run.music.trouble.spots, run.music.trouble.fault
    return run


def test_the_rung_is_held_before_what_kept_failing_and_its_bars_are_offered(sessions: Path) -> None:
    run = run_with_log(sessions)
    try:
        take = play(run.rehearsal, run.clock() + NS_PER_S)
        run._finished(take)
        assert take.step is not None and take.step.kind == "hold" and take.step.hurdle is not None
        assert run.rehearsal.tempo_bpm == 60
        assert "failed in 4 of 4 takes from 64 on" in take.step.sentence
        assert run.notice == f"press K to take {take.step.hurdle.alone} alone, + for the next rung all the same"
        assert run.rehearsal.spot_section() == (1, 1)
        run.step_tempo(1)
        assert run.rehearsal.tempo_bpm == 64
    finally:
        run.close()


def test_where_nothing_failed_it_climbs(tmp_path: Path) -> None:
    run = Run(setup_at(tmp_path), SteppedClock())
    try:
        take = play(run.rehearsal, run.clock() + NS_PER_S)
        assert take.step is not None and take.step.kind == "climb" and run.rehearsal.tempo_bpm == 64
    finally:
        run.close()


def test_what_the_stand_finds_is_kept_in_the_record(sessions: Path) -> None:
    run = run_with_log(sessions)
    try:
        run._finished(play(run.rehearsal, run.clock() + NS_PER_S, wrong=failing_change(run.setup)))
    finally:
        run.close()
    newest = read_log(sessions).takes[-1]
    assert newest.comment and newest.realised == tuple(range(len(PASSAGE.notes)))
    assert newest.notes[failing_change(run.setup)].misread
    assert len([note for note in newest.notes if note.available_ms]) == len(PASSAGE.notes) - 1


def test_who_stays_at_the_stand_is_told_when_a_break_is_due(tmp_path: Path) -> None:
    run = Run(setup_at(tmp_path), SteppedClock())
    try:
        begin_ns, told = run.clock(), []
        for minute in range(0, 30, 3):
            run._finished(play(run.rehearsal, begin_ns + minute * 60 * NS_PER_S))
            told.append("without a break" in run.notice)
        assert told == [False] * 9 + [True]
        run._notice = ""
        run._finished(play(run.rehearsal, begin_ns + 35 * 60 * NS_PER_S))
        assert not run.notice
    finally:
        run.close()


def test_t_offers_the_ways_to_climb_with_their_reasons(tmp_path: Path) -> None:
    run = Run(setup_at(tmp_path), SteppedClock())
    try:
        run._finished(play(run.rehearsal, run.clock() + NS_PER_S))
        assert run.rehearsal.tempo_bpm == 64
        leaf = _tempo(run, None)  # type: ignore[arg-type]
        assert isinstance(leaf, ChoiceLeaf) and leaf.choose is not None
        tempos, ways = leaf.rows()[:4], leaf.rows()[4:]
        assert [row.text for row in tempos] == ["60", "64", "68", "72"]
        assert [(row.text, row.below) for row in ways] == [(each.title, each.reason) for each in CLIMBS.values()]
        assert ways[0].right == "you climb so"
        leaf.choose(4 + list(CLIMBS).index("grow"))
        # From the rung that was reached, with fewer bars first.
        ladder = run.rehearsal.ladder
        assert (ladder.climb, ladder.tempo_bpm, run.rehearsal.section.last_bar) == ("grow", 64, 1)
        assert run.rehearsal.state == "ready"
        leaf.choose(2)
        assert run.rehearsal.ladder.tempo_bpm == 68
        take = play(run.rehearsal, run.clock() + 60 * NS_PER_S)
        run._finished(take)
        assert read_log(tmp_path).takes[-1].ladder["climb"] == "grow"
    finally:
        run.close()


def test_before_bars_are_added_theirs_are_looked_at(tmp_path: Path) -> None:
    growing = Ladder(60, 4, 400, clean_needed=1, climb="grow")
    run = Run(make_setup(PASSAGE, tmp_path, port="", ladder=growing), SteppedClock())
    try:
        rehearsal = run.rehearsal
        assert (rehearsal.section.last_bar, rehearsal.chosen.last_bar) == (1, 3)
        assert {PASSAGE.notes[h.note_index].bar for h in run._hurdles_at(rehearsal.section, 400)} <= {0, 1}
        assert {PASSAGE.notes[h.note_index].bar for h in run._hurdles_at(rehearsal.chosen, 400)} & {2, 3}
    finally:
        run.close()
