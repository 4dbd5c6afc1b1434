"""A window for the shapes' screen alone: the loop, the controller, the pictures for `--shots`."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import pygame

from companion.charts.model import Chart
from companion.errors import PortError
from companion.ports import is_sim
from companion.ports.tone import TonePlayer
from companion.practice.shapes import ShapeQuestion
from companion.record.shapes import Remembered
from companion.window.controller import Controller
from companion.window.display import fitted, open_window, scale_of, turn_full_screen
from companion.window.horn_hands import HornHands
from companion.window.shapes import ShapesScreen
from companion.window.shapes_horn import letters_of
from companion.window.shots import Shots
from companion.window.sound import Sound
from companion.window.theme import Type

__all__ = ["ShapesApp", "ShapesSetup"]

LOOKS_PER_S = 60
#: So long a picture waits for its staff.
_STAFF_WAIT_S = 5.0


@dataclass(frozen=True, slots=True)
class ShapesSetup:
    """What the command line settled. `title` is the passage's whose questions come first, empty without one."""

    chart: Chart
    questions: tuple[ShapeQuestion, ...]
    remembered: Remembered
    sessions: Path
    port: str = ""
    muted: bool = False
    hidden: bool = False
    title: str = ""
    settings: Path | None = None


class ShapesApp:
    """The screen in a window. With `shots` it goes through its own screens, saves a picture of each and ends."""

    def __init__(self, setup: ShapesSetup, *, size: tuple[int, int] = (1280, 720), shots: Path | None = None) -> None:
        self.setup = setup
        self.shots = Shots(shots) if shots else None
        caption = f"Shapes, {setup.chart.title} – companion"
        self.surface = open_window(caption, size, hidden=setup.hidden, repeat_ms=60)
        self.sound = Sound(
            setup.settings, lambda: setup.chart.transposition, silent=setup.hidden, tone_muted=setup.muted
        )
        self.quit = False
        self._down: set[int] = set()
        self.controller = Controller(time.perf_counter_ns, lambda: setup.chart, setup.settings)
        try:
            if setup.port:
                self.controller.take(setup.port)
            elif not setup.hidden:
                self.controller.watch_ports()
        except BaseException:
            self.controller.close()
            pygame.display.quit()
            raise
        self.screen = ShapesScreen(
            setup.chart, setup.questions, setup.remembered, sessions=setup.sessions, tone=TonePlayer(self.sound.click),
            clock=time.perf_counter_ns, keep=not is_sim(setup.port),
            why_not="the simulated player plays: nothing is remembered" if is_sim(setup.port) else "",
            shift_semitones=self.controller.settings.shift_semitones,
            has_port=self.controller.port is not None, title=setup.title,
            levels=self.sound.levels,
            letters=partial(letters_of, self.controller.keys) if self.controller.keys is not None else None,
        )  # fmt: skip
        self.hands = HornHands()
        self.type = self._type()

    def _type(self) -> Type:
        return Type(scale_of(self.surface.get_size()))

    def loop(self) -> None:
        """Run until the window is closed or left."""
        pace = pygame.time.Clock()
        try:
            if self.shots:
                self._take_shots(self.shots)
                return
            while not self.quit:
                self.frame()
                pace.tick(LOOKS_PER_S)
        finally:
            self.close()

    def frame(self) -> None:
        """One look at window and controller."""
        for event in pygame.event.get():
            self._handle(event)
        self._look_at_ports()
        self.hands.playing(self.controller.keys, self.screen.letters_play)
        heard = self.controller.drain()
        self.screen.hear(heard)
        self.sound.turn()
        if self.controller.keys is not None:
            self.sound.hear(heard)
        if self.screen.draw_changed(self.surface, self.type):
            pygame.display.update()

    def _look_at_ports(self) -> None:
        """A controller that vanished is said and taken again when it is back; without one the first that comes is."""
        news = self.controller.look()
        if news.vanished:
            self.screen.said = f"{self.controller.name} vanished: it is taken again when it is back"
        try:
            if news.back:
                self.controller.reopen()
                self._hear_another()
            for other in news.others:
                if self.controller.port is None:
                    self.controller.take(other.name)
                    self.screen.has_port = True
                    self._hear_another()
        except PortError as error:
            self.screen.said = str(error)

    def _hear_another(self) -> None:
        self.screen.hear_another(self.controller.settings.shift_semitones)
        self.screen.said = f"{self.controller.name} is here and can be played"

    def ask_to_end(self) -> None:
        """Leave the loop after this frame."""
        self.quit = True

    def close(self) -> None:
        """Give everything back."""
        self.screen.close()
        self.sound.close()
        self.controller.close()
        pygame.display.quit()

    def _handle(self, event: pygame.event.Event) -> None:
        if self.hands.take(event, self.controller.keys, self.screen.letters_play):
            return
        if event.type == pygame.QUIT:
            self.quit = True
        elif event.type == pygame.VIDEORESIZE:
            self._resize((event.w, event.h))
        elif event.type in (pygame.WINDOWEXPOSED, pygame.WINDOWRESTORED):
            self.screen.forget()
        elif event.type == pygame.KEYDOWN:
            self.quit |= self._key(event)
        elif event.type == pygame.KEYUP:
            self._down.discard(event.key)
        elif event.type == pygame.MOUSEBUTTONDOWN and event.button == 1:
            self.quit |= self.screen.click(event.pos)
        elif event.type == pygame.MOUSEWHEEL and self.screen.mode == "browse" and event.y:
            self.screen.do("note_up" if event.y > 0 else "note_down")

    def _key(self, event: pygame.event.Event) -> bool:
        held = event.key in self._down
        self._down.add(event.key)
        if event.key == pygame.K_F11:
            self._full_screen()
            return False
        if event.key == pygame.K_ESCAPE:
            self.hands.let_go(self.controller.keys)
        return self.screen.key(event, held)

    def _full_screen(self) -> None:
        if said := turn_full_screen():
            self.screen.said = said
            return
        self._resize(pygame.display.get_window_size())

    def _resize(self, size: tuple[int, int]) -> None:
        self.surface = fitted(size)
        self.type = self._type()
        self.screen.forget()

    # -- pictures ----------------------------------------------------------------------------------------------------

    def _take_shots(self, shots: Shots) -> None:
        """Browsing with a movement in its middle, a question, both kinds of answer, the end."""
        screen = self.screen
        screen.keep = False
        self._shot(shots, "shapes-note")
        screen.go_to_shape(1)
        screen.movement = replace(screen.movement, stood=2)
        self._shot(shots, "shapes-movement")
        screen.practise()
        if screen.question is not None:
            self._shot(shots, "shapes-question")
        wrong = True
        while (question := screen.question) is not None:
            others = [i for i, shape in enumerate(question.shapes) if (shape != question.better) == wrong]
            screen.choose(others[0])
            self._shot(shots, "shapes-wrong" if wrong else "shapes-right")
            screen.go_on()
            wrong = screen.session is not None and screen.session.at == 2
        if screen.mode == "end":
            self._shot(shots, "shapes-end")

    def _shot(self, shots: Shots, name: str) -> None:
        if name in shots.saved:
            return
        until = time.perf_counter() + _STAFF_WAIT_S
        while True:
            self.screen.forget()
            self.screen.draw_changed(self.surface, self.type)
            if self.screen.staff.ready or time.perf_counter() > until:
                break
            time.sleep(0.01)
        pygame.display.update()
        shots.take(name, self.surface)
