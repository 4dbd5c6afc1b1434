"""The page of the day: keys choose, plan anew and start."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pygame
import pytest

from companion.errors import UsageError
from companion.practice.day_plan import Day, DayPlan
from companion.practice.today import ITEM, Task, plan_sitting
from companion.window.theme import Type
from companion.window.today_app import LOOK_AGAIN_NS, TodayApp, show_looking

TASKS = tuple(
    Task(f"{i}", ITEM, f"Étude {i}", "Target 96 by Fri. " * 3, 1.0 + i, ("play", f"e{i}.musicxml")) for i in range(3)
)


def sitting(
    minutes: float = 30, interleaved: bool = True, tasks: tuple[Task, ...] = TASKS, gone_min: float = 0.0
) -> DayPlan:
    day = Day(date(2026, 11, 25), tasks, ("Waltz: reached.",), 12.0, sitting_min=gone_min)
    entries = plan_sitting(tasks, minutes, interleaved=interleaved)
    return DayPlan(day, minutes, interleaved, entries, ("a remark",), ("--sheet", "s.toml"))


@pytest.fixture
def app() -> Iterator[TodayApp]:
    made = TodayApp(sitting(), sitting, hidden=True)
    made.frame()
    yield made
    pygame.display.quit()


def key(app: TodayApp, code: int, typed: str = "") -> None:
    app._handle(pygame.event.Event(pygame.KEYDOWN, key=code, unicode=typed, mod=0))
    app.frame()


def test_space_starts_the_first_thing_with_its_sheet(app: TodayApp) -> None:
    key(app, pygame.K_SPACE)
    assert app.quit and app.chosen == ("play", "e2.musicxml", "--sheet", "s.toml")


def test_arrows_pass_over_breaks(app: TodayApp) -> None:
    seen = [app.at]
    for _ in range(10):
        key(app, pygame.K_DOWN)
        seen.append(app.at)
    entries = app.sitting.entries
    assert all(entries[i].task is not None for i in seen) and seen[-1] == len(entries) - 1
    assert any(entry.task is None for entry in entries)
    key(app, pygame.K_UP)
    key(app, pygame.K_RETURN)
    assert app.chosen is not None and app.chosen[1] == entries[app.at].task.command[1]  # type: ignore[union-attr]


def test_a_quick_wheel_goes_to_the_end_and_no_further(app: TodayApp) -> None:
    for y in (-3, -3, -3, -3, -3, -3, 0):
        app._handle(pygame.event.Event(pygame.MOUSEWHEEL, y=y))
        app.frame()
    assert app.at == len(app.sitting.entries) - 1
    app._handle(pygame.event.Event(pygame.MOUSEWHEEL, y=5))
    assert app.at < len(app.sitting.entries) - 1


def test_minutes_and_order_are_planned_anew(app: TodayApp) -> None:
    key(app, pygame.K_PLUS, "+")
    assert app.sitting.minutes == 35
    key(app, pygame.K_MINUS, "-")
    key(app, pygame.K_MINUS, "-")
    assert app.sitting.minutes == 25
    key(app, pygame.K_i, "i")
    assert not app.sitting.interleaved and len([e for e in app.sitting.entries if e.task]) == 3
    for _ in range(60):
        key(app, pygame.K_MINUS, "-")
    assert app.sitting.minutes == 5


def test_what_cant_be_planned_is_said(app: TodayApp) -> None:
    def fail(minutes: float, interleaved: bool) -> DayPlan:
        raise UsageError("the settings can't be written")

    app._look = fail
    key(app, pygame.K_PLUS, "+")
    assert app.said == "the settings can't be written" and app.sitting.minutes == 30


def test_w_leads_to_the_week(app: TodayApp) -> None:
    key(app, pygame.K_w, "w")
    assert app.quit and app.chosen == ("week", "--window", "--student")


def test_a_click_starts_that_line(app: TodayApp) -> None:
    box, number = app._rows[1]
    app._handle(pygame.event.Event(pygame.MOUSEBUTTONDOWN, button=1, pos=box.center))
    assert app.chosen == app.sitting.command_of(app.sitting.entries[number])


def test_nothing_open_and_esc(tmp_path: Path) -> None:
    app = TodayApp(sitting(tasks=()), sitting, hidden=True)
    app.frame()
    key(app, pygame.K_SPACE)
    key(app, pygame.K_DOWN)
    assert app.chosen is None and not app.quit
    key(app, pygame.K_ESCAPE)
    assert app.quit
    assert TodayApp(sitting(), sitting, hidden=True, shots=tmp_path).loop() is None
    assert (tmp_path / "today.png").stat().st_size > 5000


def test_keys_in_the_foot_can_be_clicked(app: TodayApp) -> None:
    def click(what: str) -> None:
        box = next(box for box, name in app._keys if name == what)
        app._handle(pygame.event.Event(pygame.MOUSEBUTTONDOWN, button=1, pos=box.center))
        app.frame()

    assert {name for _, name in app._keys} == {" ", "+", "-", "i", "w", "escape"}
    click("+")
    click("i")
    assert app.sitting.minutes == 35 and not app.sitting.interleaved
    click(" ")
    assert app.chosen is not None and app.chosen[0] == "play"


def test_what_was_said_makes_room_for_the_keys_again() -> None:
    words = "something went wrong: a long word of what was wrong, where, and what to try instead of it. " * 4
    app = TodayApp(sitting(), sitting, hidden=True, said=words)
    app.frame()
    assert app.said == words and not app._keys
    key(app, pygame.K_DOWN)
    assert not app.said and app._keys
    pygame.display.quit()


def test_another_day_and_somebody_who_comes_back_late_see_it_anew() -> None:
    """Midnight, and a record that was synchronised meanwhile."""
    days, now_ns, looked = [date(2026, 11, 25)], [0], []

    def look(minutes: float, interleaved: bool) -> DayPlan:
        looked.append((minutes, interleaved))
        return sitting(minutes, interleaved)

    app = TodayApp(sitting(), look, hidden=True, today=lambda: days[0], clock=lambda: now_ns[0])
    back = pygame.event.Event(pygame.WINDOWFOCUSGAINED)
    app._handle(back)
    app.frame()
    assert not looked
    days[0] = date(2026, 11, 26)
    app.frame()
    app.frame()
    assert looked == [(30, True)]
    now_ns[0] += LOOK_AGAIN_NS
    app._handle(back)
    assert len(looked) == 2
    pygame.display.quit()


@pytest.mark.parametrize("size", [(1024, 640), (1920, 1080)])
def test_the_teachers_word_and_the_end_stand_on_the_page(
    size: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[str] = []
    real = Type.draw

    def draw(self: Type, target: pygame.Surface, text: str, *args: object, **more: object) -> pygame.Rect:
        place = real(self, target, text, *args, **more)  # type: ignore[arg-type]
        assert target.get_rect().contains(place), text
        drawn.append(text)
        return place

    monkeypatch.setattr(Type, "draw", draw)
    tasks = tuple(replace(task, word="Sing it first, then slur it in twos. " * 50) for task in TASKS)
    many = tuple(Task(f"m{i}", ITEM, f"March {i}", "Target 96.", 0.5) for i in range(47))
    app = TodayApp(sitting(tasks=(*tasks, *many), gone_min=31), sitting, size=size, hidden=True)
    app.frame()
    told = " ".join(drawn)
    assert "Sing it first" in told and "The 30 minutes are over: enough for this sitting." in told
    assert "a remark." in told
    assert "which are over" in told and "No turn in 30 minutes: March 3; March 4; March 5; and 41 more." in told
    pygame.display.quit()


def test_while_it_is_looked_at_the_page_is_there_already() -> None:
    show_looking((1024, 640), hidden=True)
    screen = pygame.display.get_surface()
    assert screen is not None and screen.get_size() == (1024, 640)
    assert len({tuple(screen.get_at((x, 304))) for x in range(1024)}) > 3, "desk, paper and words"
    app = TodayApp(sitting(), sitting, size=(1024, 640), hidden=True)
    app.frame()
    pygame.display.quit()
