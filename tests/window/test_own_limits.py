"""How fast the music on the stand goes by the player's own pace, and how long one waits for that."""

from __future__ import annotations

from pathlib import Path
from threading import Event

import pytest
from window.stand_tools import key, make_setup, open_stand, until
from window.test_note import ETUDE

from companion.charts import load
from companion.charts.model import Chart
from companion.errors import RecordError
from companion.planning import plan
from companion.planning.limits import speed_limits
from companion.planning.pace import Pace
from companion.practice.ladder import Ladder
from companion.practice.rehearsal import Rehearsal
from companion.window import own_pace
from companion.window.own_limits import OwnLimits

ALTO = load("alto")


def test_limits_of_some_bars_count_the_notes_of_the_whole(tmp_path: Path) -> None:
    """As `speed_limits` has them of the bars alone, moved."""
    rehearsal = Rehearsal(ETUDE, plan(ETUDE, ALTO), Ladder(60, 4, 96), chart=ALTO)
    rehearsal.choose_bars(4, 7)
    section, limits = rehearsal.section, OwnLimits(tmp_path, lambda: ALTO).of(rehearsal)
    alone = speed_limits(section.passage, plan(section.passage, ALTO), ALTO, rehearsal.tempo_bpm)
    assert section.first_note > 0 and limits.changes
    notes = range(section.first_note, section.first_note + len(section.passage.notes))
    assert {c.note_index for c in limits.changes} | {s.first_note for s in limits.spots} <= set(notes)
    assert [c.note_index - section.first_note for c in limits.changes] == [c.note_index for c in alone.changes]


def test_they_are_worked_out_once_until_something_changes(tmp_path: Path) -> None:
    rehearsal = Rehearsal(ETUDE, plan(ETUDE, ALTO), Ladder(60, 4, 96), chart=ALTO)
    own = OwnLimits(tmp_path, lambda: ALTO)
    first = own.of(rehearsal)
    assert own.of(rehearsal) is first
    rehearsal.choose_tempo(96)
    assert own.of(rehearsal) is not first and own.of(rehearsal).tempo_bpm == 96


def test_another_horn_is_read_for_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def read(folder: Path, chart: Chart) -> Pace:
        asked.append(chart.name)
        return Pace()

    monkeypatch.setattr(own_pace, "pace_of", read)
    horns = [ALTO]
    own = OwnLimits(tmp_path, lambda: horns[-1])
    for _ in range(2):
        assert own.pace == Pace()
    horns.append(load("tenor"))
    own.forget()
    assert own.words and asked == ["alto", "tenor"]


def test_a_log_that_cannot_be_read_leaves_the_average_pace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def unreadable(folder: Path, chart: Chart) -> Pace:
        raise RecordError(f"{folder}: can't be read")

    monkeypatch.setattr(own_pace, "pace_of", unreadable)
    app = open_stand(make_setup(ETUDE, tmp_path))
    key(app, "h")
    assert app.run.own_limits.pace == Pace() and "can't be read" in app.run.own_limits.words and app.stand.tints()
    app.close()


def test_a_long_log_holds_up_no_frame(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read_on, own = Event(), Pace(factor=2.0, words="by 60 takes of your own")

    def slow(folder: Path, chart: Chart) -> Pace:
        assert read_on.wait(20)
        return own

    monkeypatch.setattr(own_pace, "pace_of", slow)
    app = open_stand(make_setup(ETUDE, tmp_path))
    key(app, "h")
    at_average = app.run.limits().limit_bpm
    read_on.set()
    until(app, lambda: app.run.own_limits.pace == own)
    assert app.run.limits().limit_bpm == pytest.approx(at_average / 2)
    app.close()
