"""The window of a mock performance: what its keys do, and that nothing is told before the end."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pygame
import pytest

from companion.charts import load
from companion.engraving import Engraver
from companion.planning import all_marks, plan
from companion.practice.finished import Section
from companion.practice.ladder import default_ladder
from companion.practice.mock import ANNOUNCED, OVER, PLAYING, SILENCE
from companion.practice.rehearsal import Rehearsal
from companion.record import read_log
from companion.scores import read
from companion.window.mock_app import MockApp
from companion.window.mock_run import MockPiece, MockSetup

PASSAGES = Path(__file__).parents[2] / "shared" / "passages"


def piece(name: str, bars: str) -> MockPiece:
    chart = load("alto")
    passage = read(PASSAGES / name)
    planned = plan(passage, chart, all_marks(passage, chart, {}))
    rehearsal = Rehearsal(passage, planned, default_ladder(passage))
    rehearsal.choose_bars(*passage.bar_range(bars))
    assert isinstance(rehearsal.section, Section)
    return MockPiece(passage, rehearsal.section, planned, passage.title)


@pytest.fixture
def app(tmp_path: Path) -> Iterator[MockApp]:
    pieces = (piece("etude-e-minor.musicxml", "1-2"), piece("waltz-in-f.musicxml", "5-8"))
    setup = MockSetup(
        pieces, load("alto"), "sim:steady:3", silence_s=5.0, sessions=tmp_path / "s", settings=tmp_path, hidden=True
    )
    made = MockApp(setup, Engraver())
    yield made
    made.close()


def key(app: MockApp, code: int) -> None:
    app._handle(pygame.event.Event(pygame.KEYDOWN, key=code, unicode="", mod=0))


def until(app: MockApp, phase: str) -> None:
    assert app.stepped is not None
    for _ in range(200_000):
        app.frame()
        app._step(app.stepped)
        if app.run.mock.phase == phase:
            return
    raise AssertionError(f"{phase} never came: {app.run.mock.phase}")


def test_the_whole_course_by_keys(app: MockApp) -> None:
    app.frame()
    assert app.run.mock.phase == SILENCE and app._page is None
    key(app, pygame.K_SPACE)
    app.frame()
    assert app.run.mock.phase == ANNOUNCED
    key(app, pygame.K_m)
    assert not app.view.page_shown
    until(app, PLAYING)
    carets = set()
    while app.run.mock.phase == PLAYING:
        app.frame()
        carets.add(app.run.caret)
        assert app.stepped is not None
        app._step(app.stepped)
        assert not app.run.judged
    # The player's own tempo was followed to the last note, for the turn of the page.
    assert set(range(1, 30)) <= carets
    assert app.run.mock.phase == SILENCE
    until(app, ANNOUNCED)
    key(app, pygame.K_SPACE)
    until(app, OVER)
    for _ in range(3):
        app.frame()
    assert app.run.over and [judged.take is not None for judged in app.run.judged] == [True, False]
    assert app.run.sentences(app.run.judged[1]) == (("Heard first", "Nothing of this piece was played."),)
    key(app, pygame.K_m)
    assert app.view.page_shown
    key(app, pygame.K_ESCAPE)
    assert not app.view.page_shown and not app.quit
    key(app, pygame.K_RIGHT)
    key(app, pygame.K_m)
    assert app.view.shown == 1 and not app.view.page_shown
    key(app, pygame.K_ESCAPE)
    assert app.quit


def test_what_was_played_is_kept_when_one_leaves_in_the_middle(app: MockApp, tmp_path: Path) -> None:
    until(app, PLAYING)
    assert app.stepped is not None
    for _ in range(100):
        app.frame()
        app._step(app.stepped)
    key(app, pygame.K_ESCAPE)
    assert app.quit and not app.run.judged
    app.close()
    (judged,) = app.run.judged
    assert judged.going.broken_off and not app.run.over
    (take,) = read_log(tmp_path / "s").takes
    assert take.performance and not take.clean and "not reached" in take.because and take.events
