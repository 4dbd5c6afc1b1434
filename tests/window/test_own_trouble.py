"""Own trouble spots at the stand: read beside the loop, pencilled as spectacles, listed, taken as bars."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from window.stand_tools import key, make_setup, open_stand, playable, until

from companion.errors import RecordError
from companion.window.app import App
from companion.window.own_trouble import OwnTrouble
from companion.window.pencilled import SPOT

PASSAGE = playable(bars=12)


@dataclass(frozen=True)
class Spot:
    """As much of a trouble spot as the stand looks at."""

    from_index: int
    note_index: int
    sentence: str = "G to side B♭ in bar 5: failed in 9 of 14 takes on 4 days"
    solved: bool = False
    fails_from_bpm: float | None = None


@pytest.fixture
def app(tmp_path: Path) -> Iterator[App]:
    made = open_stand(make_setup(PASSAGE, tmp_path))
    yield made
    made.close()


def _found(monkeypatch: pytest.MonkeyPatch, *spots: Spot) -> list[object]:
    asked: list[object] = []

    def troubles(*arguments: object) -> tuple[Spot, ...]:
        asked.append(arguments)
        return spots

    monkeypatch.setattr("companion.record.trouble.troubles", troubles)
    return asked


def test_the_log_is_read_once_for_each_plan_and_take(app: App, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    asked = _found(monkeypatch, Spot(3, 4), Spot(5, 6, solved=True), Spot(-1, -1))
    own = OwnTrouble(tmp_path, PASSAGE)
    for takes in (0, 0, 1, 1):
        own.ask(app.run.chart, app.run.rehearsal.plan, takes)
        assert own.wait(5.0)
    assert len(asked) == 2
    assert own.spots == (Spot(3, 4),), "neither what is solved nor what is not in this passage"


def test_a_log_that_cannot_be_read_is_said(app: App, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def troubles(*arguments: object) -> None:
        raise RecordError("the folder can't be read")

    monkeypatch.setattr("companion.record.trouble.troubles", troubles)
    own = OwnTrouble(tmp_path, PASSAGE)
    own.ask(app.run.chart, app.run.rehearsal.plan, 0)
    assert own.wait(5.0)
    assert own.fault == "the folder can't be read" and own.spots == ()


def test_spots_are_pencilled_between_takes_and_not_during_one(app: App, monkeypatch: pytest.MonkeyPatch) -> None:
    _found(monkeypatch, Spot(3, 4), Spot(8, 9))
    until(app, lambda: bool(app.run.music.trouble.spots))
    assert [mark.note_index for mark in app.stand.marks() if mark.kind == SPOT] == [9, 4]
    key(app, "space", " ")
    assert not [mark for mark in app.stand.marks() if mark.kind == SPOT]


def test_choosing_one_takes_its_bars(app: App, monkeypatch: pytest.MonkeyPatch) -> None:
    first = next(n.index for n in PASSAGE.notes if n.bar == 5)
    _found(monkeypatch, Spot(first - 1, first))
    until(app, lambda: bool(app.run.music.trouble.spots))
    key(app, "o")
    assert app.leaf is not None and app.leaf.kind == "trouble"
    key(app, "return")
    section = app.run.rehearsal.section
    assert (section.first_bar, section.last_bar) == (PASSAGE.notes[first - 1].bar, 5)


def test_where_nothing_keeps_failing_that_is_said(app: App) -> None:
    key(app, "o")
    assert app.leaf is not None
    assert "nothing keeps failing" in app.leaf.rows()[0].text  # type: ignore[attr-defined]
    key(app, "return")
    assert app.leaf is None and app.run.rehearsal.section.label == ""


def test_k_says_when_the_ladder_offers_nothing(app: App) -> None:
    key(app, "k")
    assert "offers no spot" in app.run.notice
