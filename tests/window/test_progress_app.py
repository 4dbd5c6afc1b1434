"""Pages of progress in the window: its keys, what is drawn, and what the command puts there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from io import BytesIO
from pathlib import Path

import pygame
import pytest

from companion.cli import main
from companion.cli.progress_page import pages_of_week
from companion.cli.week_items import ItemReader
from companion.cli.week_page import WeekDesk
from companion.errors import CompanionError, RecordError
from companion.record import Sitting, TakeRecord
from companion.record.week import load
from companion.record.week_edit import set_target
from companion.reports.lesson import LessonItem
from companion.reports.progress_png import progress_png
from companion.scores import read
from companion.window.paper import foot_in
from companion.window.progress_app import ProgressApp

PASSAGES = Path(__file__).parents[2] / "shared" / "passages"
SENTENCE = "Every second take comes out clean there, which is no promise but what such records say. "


def item(number: int, sentences: int = 1) -> LessonItem:
    words = (("", ("Not played yet.",)), ("What to expect", (SENTENCE * 2,) * sentences), ("First takes", ("None.",)))
    return LessonItem(f"Étude {number}", f"target {80 + number}", (), words, target_bpm=80.0 + number)


@pytest.fixture
def app() -> Iterator[ProgressApp]:
    made = ProgressApp(3, item, at=1, hidden=True, back=True)
    yield made
    made.close()


def press(app: ProgressApp, code: int) -> None:
    app._handle(pygame.event.Event(pygame.KEYDOWN, key=code, unicode="", mod=0))


def settle(app: ProgressApp) -> None:
    while app.look_up_next():
        pass


def test_keys_go_round_the_pages_and_back(app: ProgressApp) -> None:
    seen = []
    for code in (pygame.K_RIGHT, pygame.K_RIGHT, pygame.K_LEFT, pygame.K_END, pygame.K_HOME, pygame.K_LEFT):
        press(app, code)
        seen.append(app.at)
    assert seen == [2, 0, 2, 2, 0, 2]
    press(app, pygame.K_ESCAPE)
    assert app.quit and not app.closed


def test_the_mouse_turns_and_leaves(app: ProgressApp) -> None:
    width, height = app.size
    for x, at in ((width - 100, 2), (100, 1)):
        app._handle(pygame.event.Event(pygame.MOUSEBUTTONDOWN, button=1, pos=(x, 300)))
        assert app.at == at and not app.quit
    # In the foot, each key where it is written, and nothing beside them.
    app.draw()
    keys = {what: box.center for box, what in app._keys}
    for where, at in ((keys["right"], 2), (keys["left"], 1), ((5, height - 10), 1), ((width - 5, height - 10), 1)):
        app._handle(pygame.event.Event(pygame.MOUSEBUTTONDOWN, button=1, pos=where))
        assert app.at == at and not app.quit
    app._handle(pygame.event.Event(pygame.MOUSEBUTTONDOWN, button=1, pos=keys["escape"]))
    assert app.quit and not app.closed


def test_the_foot_is_that_of_the_other_pages(app: ProgressApp) -> None:
    app.draw()
    foot = foot_in(app.size)
    assert [what for _, what in app._keys] == ["left", "right", "escape"]
    assert all(foot.collidepoint(box.center) for box, _ in app._keys)
    alone = ProgressApp(1, item, hidden=True)
    alone.draw()
    assert [what for _, what in alone._keys] == ["escape"]
    alone.close()


def test_closing_the_window_is_told_from_going_back(app: ProgressApp) -> None:
    app._handle(pygame.event.Event(pygame.QUIT))
    assert app.quit and app.closed


def test_a_page_is_looked_up_once_and_its_plot_is_drawn_as_large_as_it_is_shown(app: ProgressApp) -> None:
    asked = []
    app._page = lambda number: (asked.append(number), item(number))[1]  # type: ignore[func-returns-value]
    app.frame()
    assert asked == [1] and not app._plots
    for _ in range(4):
        app.frame()
    assert asked == [1]
    page = app._pages[1]
    assert isinstance(page, LessonItem)
    box = app._plot_box(page)
    assert box is not None and [plot.get_size() for plot in app._plots.values()] == [box.size]


def test_what_can_not_be_looked_up_is_said_in_its_place(app: ProgressApp) -> None:
    def broken(number: int) -> LessonItem:
        raise RecordError("the log can't be read: give its folder with --sessions")

    app._page = broken
    settle(app)
    app.draw()
    assert app._pages[1] == "the log can't be read: give its folder with --sessions"
    press(app, pygame.K_RIGHT)
    assert app.at == 2


@pytest.mark.parametrize("size", [(1024, 640), (1280, 720), (1920, 1080)])
def test_the_plot_keeps_its_share_and_stays_on_the_paper(size: tuple[int, int]) -> None:
    app = ProgressApp(1, lambda _: replace(item(1, 9), title="Étude " * 80), hidden=True, size=size)
    settle(app)
    app.draw()
    page = app._pages[0]
    box = app._plot_box(page)
    sheet, area = app._sheet()
    assert box is not None and sheet.contains(box) and box.height >= 0.42 * area.height
    # Nothing is written beyond the paper's lower edge.
    below = app.surface.subsurface(pygame.Rect(sheet.x, sheet.bottom - 6, sheet.width, 4))
    assert len({below.get_at((x, y))[:3] for x in range(8, below.get_width() - 8) for y in range(4)}) == 1
    app.close()


def test_the_picture_has_the_size_asked_for() -> None:
    for size in ((801, 333), (1840, 700)):
        picture = pygame.image.load(BytesIO(progress_png((), size, scale=1.5, target_bpm=90.0)), "plot.png")
        assert picture.get_size() == size


@pytest.fixture
def played(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A score with takes of two choices of bars, in the days before today."""
    for name in ("SHARED", "SESSIONS"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / name.lower()))
    score = tmp_path / "shared" / "passages" / "etude-e-minor.musicxml"
    score.parent.mkdir(parents=True)
    score.write_bytes((PASSAGES / score.name).read_bytes())
    sha256 = read(score).sha256
    for ago in range(5, 0, -1):
        begun = datetime.combine(date.today() - timedelta(days=ago), datetime.min.time(), UTC) + timedelta(hours=12)
        sitting = Sitting.begin(tmp_path / "sessions", begun)
        for i, bars in enumerate(("1-4", "5-8", "5-8")):
            told = {"origin": str(score), "sha256": sha256, "bars": bars, "instrument": "alto", "target_bpm": 96.0}
            bpm = 80.0 - 2 * ago + 2 * i
            sitting.append(TakeRecord("Étude", bpm, since_run_ns=i * 10**11, clean=i < 2, **told))  # type: ignore[arg-type]
    return score


def test_the_command_has_a_page_for_each_choice_of_bars(
    played: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["progress", str(played), "--hidden", "--shots", str(tmp_path / "shots"), "--size", "1024x640"]) == 0
    shots = sorted((tmp_path / "shots").iterdir())
    assert [path.name for path in shots] == ["progress-2.png", "progress.png"]
    assert pygame.image.load(shots[0]).get_size() == (1024, 640)
    assert main(["progress", str(played), "--hidden"]) == 1
    assert main(["progress", str(played), "--window", "--plot", "out.png"]) == 1
    said = capsys.readouterr().err
    assert "add --shots DIR" in said and "leave one of them out" in said


def test_the_weeks_pages_say_what_the_command_says(
    played: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = played.parents[1] / "week.toml"
    set_target(path, "passages/etude-e-minor.musicxml", "1-4", 76, clean_takes=2)
    set_target(path, "passages/etude-e-minor.musicxml", "3", 80)
    page = pages_of_week(load(path), tmp_path / "sessions", ItemReader(path, tmp_path / "sessions"))
    first, second = page(0), page(1)
    assert (first.title, first.aim, len(first.takes)) == (f"{read(played).title}, bars 1–4", "target 76", 5)
    assert second.takes == () and second.words[0][1][0] == "Not played yet."
    main(["progress", str(played), "--bars", "1-4"])
    out = " ".join(capsys.readouterr().out.split())
    told = dict(first.words)
    sentences = [*told["What to expect"], *told["First takes"], *told["What holds it back"]]
    assert len(sentences) == 3
    for sentence in sentences:
        assert sentence in out


def test_a_sheet_without_items_has_no_progress(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text("format = 1\nweek = 2026-11-23\n")
    assert WeekDesk(path, tmp_path / "sessions").progress()[0] == 0
    path.write_text("format = ")
    with pytest.raises(CompanionError, match="not valid TOML"):
        WeekDesk(path, tmp_path / "sessions").progress()


def test_a_passage_that_is_not_there_has_a_page_that_says_so(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    set_target(path, "passages/lost.musicxml", "", 90)
    found = pages_of_week(load(path), tmp_path / "sessions", ItemReader(path, tmp_path / "sessions"))(0)
    assert found.title == "lost" and "lost.musicxml" in dict(found.words)["Notes"][0]
    assert "First takes" not in dict(found.words)
