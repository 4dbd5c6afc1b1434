"""A stand for tests: a made passage, the simulated player, a stepped clock, no display."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pygame
from practice.takes import melody

from companion.charts import load
from companion.passage import Passage
from companion.planning import plan
from companion.practice.finished import FinishedTake
from companion.practice.ladder import Ladder
from companion.scores.write import to_musicxml
from companion.window.app import App
from companion.window.run import Run
from companion.window.setup import Setup
from companion.window.stepped_clock import SteppedClock

__all__ = ["click", "key", "make_setup", "one_take", "open_stand", "playable", "until"]


def playable(bars: int) -> Passage:
    """The first made melody that an alto can play."""
    return next(
        m for m in map(lambda seed: melody(seed, bars), range(100)) if all(58 <= n.written_midi <= 90 for n in m.notes)
    )


def make_setup(passage: Passage, sessions: Path, **changes: object) -> Setup:
    """A hidden stand with the simulated student, the ladder from 60 to 72."""
    chart = load("alto")
    setup = Setup(
        passage=passage, chart=chart, plan=plan(passage, chart), ladder=Ladder(60, 4, 72, 2), port="sim:student:3",
        review_s=0.5, sessions=sessions, settings=sessions, hidden=True,
    )  # fmt: skip
    return replace(setup, **changes)  # type: ignore[arg-type]


def open_stand(setup: Setup, size: tuple[int, int] = (1280, 720)) -> App:
    """The app with its page engraved."""
    app = App(setup, lambda: to_musicxml(setup.passage), size=size)
    for _ in range(2000):
        app.frame()
        if app.stand.page.done or app.stand.engraving_fault:
            break
        pygame.time.wait(5)
    assert app.stand.page.done, app.stand.engraving_fault
    return app


def one_take(run: Run) -> FinishedTake:
    """The simulated player's next, without a window."""
    assert isinstance(run.clock, SteppedClock)
    run.start()
    while run.rehearsal.state != "after":
        run.clock.step(20_000_000)
        run.update()
    take = run.rehearsal.last_take
    assert take is not None
    return take


def until(app: App, reached: Callable[[], bool], frames: int = 20_000) -> None:
    """Let time pass, frame by frame, until something is so."""
    for _ in range(frames):
        if reached():
            return
        app.frame()
        app._step()
    raise AssertionError("never reached")


def key(app: App, name: str, unicode: str = "") -> None:
    """Press a key, and let the frame see it."""
    code = pygame.key.key_code(name)
    pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=code, unicode=unicode or (name if len(name) == 1 else "")))
    pygame.event.post(pygame.event.Event(pygame.KEYUP, key=code))
    app.frame()


def click(app: App, *points: tuple[int, int]) -> None:
    """Press the mouse at the first point, move through the others, let go at the last."""
    pygame.event.post(pygame.event.Event(pygame.MOUSEBUTTONDOWN, button=1, pos=points[0]))
    for point in points[1:]:
        pygame.event.post(pygame.event.Event(pygame.MOUSEMOTION, pos=point, rel=(1, 1), buttons=(1, 0, 0)))
    pygame.event.post(pygame.event.Event(pygame.MOUSEBUTTONUP, button=1, pos=points[-1]))
    app.frame()
