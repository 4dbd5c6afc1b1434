"""A monkey at the stand: thousands of keys, clicks, drags, resizes and pulled cables, from a seed.

Whatever is pressed, in whatever state, nothing raises, the state is one that can be, and every take that ended is in
the record."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pygame
import pytest
from window.stand_tools import make_setup, open_stand, playable

from companion.ports import PortName, SimulatedPort, open_input
from companion.practice.model import RawEvent
from companion.practice.rehearsal import FinishedTake
from companion.record import read_log
from companion.window.app import App
from companion.window.bindings import BINDINGS
from companion.window.leaves import ChoiceLeaf

PASSAGE = playable(bars=3)
STATES = {"ready", "count-in", "playing", "paused", "after"}
#: What is pressed: all that means something, a few that don't, and what leaves take.
KEYS = [name for binding in BINDINGS for name in binding.keys] + [
    *"0123456789.qxyzäß", "return", "backspace", "home", "end", "tab", "f5", "left shift", "delete",
]  # fmt: skip
SIZES = [(1024, 640), (1280, 720), (1100, 900), (300, 200), (1600, 650)]


class Reed:
    """A controller that sends rubbish: breath and bend in floods, stuck and doubled notes, octaves off, all at once."""

    def __init__(self, chance: random.Random, now_ns: Callable[[], int]) -> None:
        self.name = "Reed"
        self.alive = True
        self.chance = chance
        self.now_ns = now_ns

    def drain(self) -> list[RawEvent]:
        """As a device's queue."""
        chance, now_ns = self.chance, self.now_ns()
        if not self.alive or chance.random() < 0.5:
            return []
        flood = [
            bytes((chance.choice((0xB0, 0xE0, 0xD0)), 2, chance.randrange(128))) for _ in range(chance.choice((0, 30)))
        ]
        notes = [
            bytes((chance.choice((0x90, 0x90, 0x80)), chance.choice((pitch, 67, 69)), chance.choice((0, 1, 127))))
            for pitch in chance.choices(range(128), k=chance.choice((0, 0, 1, 2, 9)))
        ]  # fmt: skip
        return [RawEvent(now_ns + chance.randrange(-(10**9), 1), message) for message in flood + notes]

    def reopen(self) -> None:
        """As a device's."""
        self.alive = True

    def close(self) -> None:
        """As a device's."""


class Bench:
    """A bench of devices that come and go."""

    def __init__(self) -> None:
        self.there = True
        self._appeared: tuple[PortName, ...] = ()

    def flip(self) -> None:
        """The cable is pulled or put in."""
        self.there = not self.there
        self._appeared = (PortName("Reed", "bench"),) if self.there else ()

    def ports(self) -> tuple[PortName, ...]:
        """As `PortWatch`."""
        return (PortName("Reed", "bench"),) if self.there else ()

    def changes(self) -> tuple[tuple[PortName, ...], tuple[PortName, ...]]:
        """As `PortWatch`."""
        appeared, self._appeared = self._appeared, ()
        return appeared, ()

    def close(self) -> None:
        """As `PortWatch`."""


def _press(app: App, name: str) -> None:
    char = name if len(name) == 1 else ""
    try:
        code = pygame.key.key_code(name)
    except ValueError:
        code = ord(char)
    _post(app, pygame.KEYDOWN, key=code, unicode=" " if name == "space" else char)
    _post(app, pygame.KEYUP, key=code)


def _post(app: App, kind: int, **what: object) -> None:
    pygame.event.post(pygame.event.Event(kind, **what))


def _somewhere(app: App, chance: random.Random) -> tuple[int, int]:
    place = app.stand.place
    area = chance.choice((place.music, place.music, place.ladder, place.foot, app.screen.get_rect().inflate(60, 60)))
    return (area.x + chance.randrange(max(1, area.width)), area.y + chance.randrange(max(1, area.height)))


def _poke(app: App, chance: random.Random, bench: Bench) -> str:
    """One thing done to the stand; says what."""
    if app.leaf is not None and chance.random() < 0.25:
        _press(app, chance.choice(("return", "escape")))
        return "leaf away"
    what = chance.choices(
        ("key", "start", "press", "move", "release", "wheel", "size", "cable", "time", "expose", "exercise"),
        (30, 4, 8, 8, 8, 2, 0.6, 2, 8, 1, 1),
    )[0]
    if what == "key":
        name = chance.choice(KEYS)
        _press(app, name)
        return f"key {name}"
    if what == "start":
        _press(app, "space")
    elif what == "press":
        _post(app, pygame.MOUSEBUTTONDOWN, button=chance.choice((1, 1, 1, 2, 3)), pos=_somewhere(app, chance))
    elif what == "move":
        _post(app, pygame.MOUSEMOTION, pos=_somewhere(app, chance), rel=(1, 1), buttons=(1, 0, 0))
    elif what == "release":
        _post(app, pygame.MOUSEBUTTONUP, button=1, pos=_somewhere(app, chance))
    elif what == "wheel":
        _post(app, pygame.MOUSEWHEEL, x=0, y=chance.choice((-50, -1, 1, 50)))
    elif what == "size":
        w, h = chance.choice(SIZES)
        _post(app, pygame.VIDEORESIZE, w=w, h=h, size=(w, h))
    elif what == "cable":
        bench.flip()
        port = app.run.controller.port
        if isinstance(port, Reed):
            port.alive = bench.there
        elif isinstance(port, SimulatedPort):
            (port.plug_in if bench.there else port.unplug)()
    elif what == "exercise":
        app.run.repertoire.offers(wait_s=10.0)
        for name in ("x", *["down"] * chance.randrange(6), "return"):
            _press(app, name)
    elif what == "expose":
        _post(app, pygame.WINDOWEXPOSED)
    else:
        for _ in range(chance.choice((1, 10, 150))):
            app.frame()
            app._step()
    return what


def _takes(app: App) -> list[FinishedTake]:
    """All of the sitting, of the piece and of the exercises made of it, in the order they ended."""
    rehearsals = [music.rehearsal for music in (app.run.repertoire.piece, *app.run.repertoire._exercises.values())]
    return sorted((take for rehearsal in rehearsals for take in rehearsal.takes), key=lambda take: take.end_ns)


def _sane(app: App) -> None:
    rehearsal = app.run.rehearsal
    section = rehearsal.section
    assert rehearsal.state in STATES
    assert 0 <= section.first_bar <= section.last_bar < len(rehearsal.passage.bars)
    assert 0 <= rehearsal.caret <= len(section.passage.notes)
    assert 0 <= rehearsal.ladder.rung < len(rehearsal.ladder.rungs)
    assert len(app.run.results) == len(_takes(app))
    assert not (rehearsal.state == "playing" and app.run.controller.port is None)
    shown = app.stand.shown_note()
    assert shown is None or 0 <= shown < len(rehearsal.passage.notes)
    assert app.screen.get_width() >= 1024 and app.screen.get_height() >= 640
    if isinstance(app.leaf, ChoiceLeaf) and app.leaf.rows():
        assert app.leaf.at >= 0


@pytest.mark.parametrize("seed", range(3))
def test_a_monkey_breaks_nothing(seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    chance, bench = random.Random(seed), Bench()
    app = open_stand(make_setup(PASSAGE, tmp_path))

    def opened(name: str, **how: object) -> object:
        return Reed(random.Random(seed), app.run.clock) if name == "Reed" else open_input(name, **how)  # type: ignore[arg-type]

    monkeypatch.setattr("companion.window.controller.open_input", opened)
    monkeypatch.setattr(app.run.controller, "watch", bench)
    done: list[str] = []
    seen: set[str] = set()
    on_exercise = 0
    try:
        for _ in range(1000):
            done.append(_poke(app, chance, bench))
            app.frame()
            app._step()
            _sane(app)
            seen.add(app.run.rehearsal.state)
            on_exercise += app.run.repertoire.on_exercise
            app.quit = False
    except Exception as error:
        error.add_note(f"seed {seed}, after {len(done)} things: {', '.join(done[-25:])}")
        raise
    finally:
        app.close()
    assert seen >= STATES - {"paused"} and "start" in done and on_exercise
    log = read_log(tmp_path)
    assert not log.remarks
    takes = _takes(app)
    # By number: a take stopped in its count-in is dated by a first beat that never came.
    for kept, take in zip(sorted(log.takes, key=lambda kept: kept.id), takes, strict=True):
        assert kept.tempo_bpm == take.tempo_bpm
        assert len(kept.events) == len(take.events) and len(kept.notes) == len(take.assessment.notes)
