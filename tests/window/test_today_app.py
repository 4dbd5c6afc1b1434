"""The page of the day: keys choose, plan anew and start."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pygame
import pytest

from companion.errors import UsageError
from companion.practice.day_plan import Day, DayPlan
from companion.practice.today import ITEM, Task, plan_sitting
from companion.window.today_app import TodayApp

TASKS = tuple(
    Task(f"{i}", ITEM, f"Étude {i}", "Target 96 by Fri. " * 3, 1.0 + i, ("play", f"e{i}.musicxml")) for i in range(3)
)


def sitting(minutes: float = 30, interleaved: bool = True, tasks: tuple[Task, ...] = TASKS) -> DayPlan:
    day = Day(date(2026, 11, 25), tasks, ("Waltz: not today.",), 12.0)
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
