"""The window of a mock performance: what its keys do, and that nothing is told before the end."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
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
from companion.window.display import scale_of
from companion.window.mock_app import MockApp
from companion.window.mock_run import MockPiece, MockSetup
from companion.window.mock_view import SMALLER, places, title_within
from companion.window.theme import Type

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
    assert not app.quit and "once more leaves" in app.run.said
    key(app, pygame.K_ESCAPE)
    assert app.quit and not app.run.judged
    app.close()
    (judged,) = app.run.judged
    assert judged.going.broken_off and not app.run.over
    (take,) = read_log(tmp_path / "s").takes
    assert take.performance and not take.clean and "not reached" in take.because and take.events


def test_who_pressed_escape_by_mistake_plays_on(app: MockApp) -> None:
    until(app, PLAYING)
    assert app.stepped is not None
    key(app, pygame.K_ESCAPE)
    for _ in range(400):
        app.frame()
        app._step(app.stepped)
    assert not app.run.said and not app.quit
    key(app, pygame.K_ESCAPE)
    assert not app.quit


def test_of_a_long_title_the_bars_are_still_told() -> None:
    long = replace(piece("waltz-in-f.musicxml", "5-8"), title="A Study for the Little Fingers, " * 6)
    for size in ((1024, 640), (1920, 1080)):
        type_ = Type(scale_of(size))
        width = places(*size).head.width * 0.72
        title = title_within(type_, long, 19, width, "2 of 6: ")
        assert type_.width(title, 19, "bold") <= width and title.startswith("2 of 6: A Study for the Little Fingers, A")
        assert title.endswith("…, bars 5–8")
    assert title_within(type_, piece("waltz-in-f.musicxml", "5-8"), 19, 900) == "Waltz in F, bars 5–8"


def test_space_pressed_twice_announces_and_takes_no_piece_away(app: MockApp) -> None:
    app.frame()
    key(app, pygame.K_SPACE)
    app.frame()
    key(app, pygame.K_SPACE)
    app.frame()
    assert app.run.mock.phase == ANNOUNCED and app.run.mock.place == 0
    until(app, PLAYING)
    assert app.run.mock.place == 0


def test_a_piece_is_on_the_disk_while_the_next_one_is_waited_for(app: MockApp, tmp_path: Path) -> None:
    until(app, PLAYING)
    until(app, SILENCE)
    app.frame()
    (take,) = read_log(tmp_path / "s").takes
    assert take.performance and take.tempo_bpm == round(take.tempo_bpm, 1)
    assert app.run.judged[0].judged is not None and app.run.mock.phase == SILENCE
    # And nothing of it is on the screen.
    assert app._piece_to_show() is None and app.view._keys()[0] == ("go on", "space  announce it now")


def test_the_words_in_the_foot_can_be_clicked(app: MockApp) -> None:
    app.frame()
    place = next(place for place, what in app.view._keys_at if what == "go on")
    app._handle(pygame.event.Event(pygame.MOUSEBUTTONDOWN, button=1, pos=place.center))
    app.frame()
    assert app.run.mock.phase == ANNOUNCED
    place = next(place for place, what in app.view._keys_at if what == "leave")
    app._handle(pygame.event.Event(pygame.MOUSEBUTTONDOWN, button=1, pos=place.center))
    assert "once more leaves" in app.run.said


def test_a_page_cut_off_in_its_engraving_is_engraved_when_it_is_shown_again(app: MockApp) -> None:
    for _ in range(2):
        until(app, PLAYING)
        until(app, OVER if app.run.mock.place else SILENCE)
    while not app.run.over:
        app.frame()
    app._resize()
    key(app, pygame.K_m)
    app.frame()
    key(app, pygame.K_RIGHT)
    app.frame()
    key(app, pygame.K_LEFT)
    deadline = time.monotonic() + 30
    while not (app._page is not None and app._page.done):
        assert time.monotonic() < deadline, "engraving for ever"
        app.frame()
        time.sleep(0.005)


def test_very_much_to_write_stays_above_the_foot_of_the_sheet(app: MockApp, monkeypatch: pytest.MonkeyPatch) -> None:
    until(app, PLAYING)
    until(app, SILENCE)
    app.frame()
    long = "; ".join(f"{n} of 180 notes wrong, in bars 1, 2, 3, 4 and 10 more" for n in range(9)) + "."
    monkeypatch.setattr(app.run, "sentences", lambda _: [("Heard first", long)] + 4 * [("Notes", long)])
    for size in ((1024, 640), (1280, 720), (1920, 1080)):
        at, type_ = places(*size), Type(scale_of(size))
        top = at.head.bottom + 64 * at.scale
        ends = [app.view._write_sentences(None, type_, at, top, share) for share in SMALLER]
        assert ends == sorted(ends, reverse=True) and ends[-1] <= at.sheet.bottom - 66 * at.scale
