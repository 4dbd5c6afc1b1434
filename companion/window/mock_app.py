"""The window of a mock performance: the loop, the pages' engraving, the keys, the pictures for `--shots`."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pygame

from companion.engraving import Engraver, EngravingRequest
from companion.planning import page_marks
from companion.ports import is_sim
from companion.practice.mock import ANNOUNCED, OVER, PLAYING
from companion.scores import for_engraving
from companion.units import NS_PER_S
from companion.window.display import fitted, open_window, scale_of, turn_full_screen
from companion.window.horn_hands import HornHands
from companion.window.layout import layout, staff_px_for
from companion.window.mock_run import MockPiece, MockRun, MockSetup
from companion.window.mock_view import MockView, places
from companion.window.page import PageView
from companion.window.shots import Shots
from companion.window.sound import Sound
from companion.window.stepped_clock import SteppedClock
from companion.window.theme import Type

__all__ = ["MockApp"]

LOOKS_PER_S = 60
#: On the stepped clock a frame stands for this much time.
STEP_NS = NS_PER_S // 50
#: There is one go only: leaving is asked for twice within this time.
LEAVE, LEAVE_NS = "Esc once more leaves the performance; what was played is kept", 6 * NS_PER_S


class MockApp:
    """A mock performance in a window. A hidden one with the simulated player runs on a stepped clock and ends by
    itself."""

    def __init__(
        self, setup: MockSetup, engraver: Engraver, *, size: tuple[int, int] = (1280, 720), shots: Path | None = None
    ) -> None:
        self.setup, self.engraver = setup, engraver
        self.shots = Shots(shots) if shots else None
        self.stepped = SteppedClock() if setup.hidden and is_sim(setup.port) else None
        self.run = MockRun(setup, self.stepped or time.perf_counter_ns)
        self.surface = open_window("A mock performance – companion", size, hidden=setup.hidden)
        self.type = self._type()
        self.view = MockView(self.run)
        self.quit = False
        self._pages: dict[int, PageView] = {}
        self._asked: MockPiece | None = None
        self._fault = ""
        self._asked_ns: int | None = None
        self._hands = HornHands()
        self._sound = Sound(setup.settings, lambda: setup.chart.transposition, silent=setup.hidden)

    def _type(self) -> Type:
        return Type(scale_of(self.surface.get_size()))

    def loop(self) -> None:
        """Run until the window is left, or by itself to the end where nobody sits there."""
        pace = pygame.time.Clock()
        try:
            while not self.quit:
                self.frame()
                if self.stepped is None:
                    pace.tick(LOOKS_PER_S)
                else:
                    self._step(self.stepped)
                if self.run.over and self.setup.hidden:
                    self._show_the_end()
                    self.quit = True
        finally:
            self.close()

    def _step(self, clock: SteppedClock) -> None:
        """Time stands still until the page is there, so that pictures show it."""
        page = self._page
        if self._piece_to_show() is None or (page is not None and page.done) or self._fault:
            clock.step(STEP_NS)
        else:
            time.sleep(0.005)

    def frame(self) -> None:
        """One look at window and controller."""
        for event in pygame.event.get():
            self._handle(event)
        self._forget_leaving()
        plays = self.run.mock.phase in (ANNOUNCED, PLAYING)
        self._hands.playing(self.run.controller.keys, plays)
        heard = self.run.update()
        if self.run.controller.keys is not None:
            self._sound.hear(heard)
        self._engrave()
        self._collect()
        page = self._page
        if page is not None and self.run.caret is not None:
            page.follow(self.run.caret, self._music)
        if self.view.draw_changed(self.surface, self.type, page, self._fault):
            pygame.display.update()
        if self.shots and (page is None or page.done):
            self.shots.take(f"mock-{self.run.mock.phase}", self.surface)

    # -- pages --------------------------------------------------------------------------------------------------------

    @property
    def _music(self) -> pygame.Rect:
        return places(*self.surface.get_size()).music

    def _piece_to_show(self) -> MockPiece | None:
        if self.run.mock.phase == OVER:
            return self.run.judged[self.view.shown].piece if self.view.page_shown and self.run.over else None
        return self.run.piece

    @property
    def _page(self) -> PageView | None:
        piece = self._piece_to_show()
        return self._pages.get(id(piece)) if piece is not None else None

    def _engrave(self) -> None:
        """Ask for the page that is shown, or in a silence for the one to come."""
        mock = self.run.mock
        piece = self._piece_to_show()
        if piece is None and mock.phase != OVER:
            piece = self.setup.pieces[mock.place]
        if piece is None:
            return
        begun = self._pages.get(id(piece))
        # Asking for another page cut this one's engraving off.
        if begun is not None and (begun.done or piece is self._asked):
            return
        page = PageView(piece.passage)
        self._pages[id(piece)], self._asked, self._fault = page, piece, ""
        marks = page_marks(piece.passage, piece.plan)
        staff_px = staff_px_for(layout(*self.surface.get_size()), piece.section.passage)
        self.engraver.request(EngravingRequest(for_engraving(piece.passage), self._music.width, staff_px, marks))

    def _collect(self) -> None:
        while (progress := self.engraver.poll()) is not None:
            page = self._pages.get(id(self._asked))
            if page is None:
                continue
            for system in progress.systems:
                page.add(system)
            if progress.done:
                page.finish()
                self._to_the_beginning(page)
            if progress.error is not None:
                self._fault = str(progress.error)

    def _to_the_beginning(self, page: PageView) -> None:
        """Open the page where the piece begins."""
        piece = self._piece_to_show()
        page.top = 0
        if piece is not None:
            page.follow(piece.section.first_note, self._music)
        page.fill(self._music)

    def _resize(self) -> None:
        self.surface = fitted(pygame.display.get_window_size())
        self.type = self._type()
        self._pages.clear()
        self.view.forget()

    # -- keys ---------------------------------------------------------------------------------------------------------

    def _handle(self, event: pygame.event.Event) -> None:
        if self._hands.take(event, self.run.controller.keys, self.run.mock.phase in (ANNOUNCED, PLAYING)):
            return
        if event.type == pygame.QUIT:
            self.quit = True
        elif event.type == pygame.VIDEORESIZE:
            self._resize()
        elif event.type in (pygame.WINDOWEXPOSED, pygame.WINDOWRESTORED):
            self.view.forget()
        elif event.type == pygame.MOUSEWHEEL and self._page is not None:
            self._page.turn(-event.y)
        elif event.type == pygame.MOUSEBUTTONDOWN and event.button == 1:
            self._press(event.pos)
        elif event.type == pygame.KEYDOWN:
            self._key(event)

    def _press(self, pos: tuple[int, int]) -> None:
        acts: dict[str, Callable[[], object]] = {
            "leave": self._leave, "go on": self._go_on, "turn": lambda: self._turn(1),
            "other": lambda: self._show_other(1), "page": self._turn_over,
        }  # fmt: skip
        acts.get(self.view.key_at(pos), lambda: None)()

    def _key(self, event: pygame.event.Event) -> None:
        acts: dict[int, Callable[[], object]] = {
            pygame.K_ESCAPE: self._leave,
            pygame.K_SPACE: self._go_on,
            pygame.K_RETURN: self._go_on,
            pygame.K_PAGEDOWN: lambda: self._turn(1),
            pygame.K_PAGEUP: lambda: self._turn(-1),
            pygame.K_DOWN: lambda: self._turn(1),
            pygame.K_UP: lambda: self._turn(-1),
            pygame.K_RIGHT: lambda: self._show_other(1),
            pygame.K_LEFT: lambda: self._show_other(-1),
            pygame.K_m: self._turn_over,
            pygame.K_F11: self._full_screen,
        }
        acts.get(event.key, lambda: None)()

    def _leave(self) -> None:
        if self.view.page_shown:
            self.view.page_shown = False
        elif self.run.over or not self.run.mock.goings or self._asked_ns is not None:
            self.quit = True
        else:
            self.run.said, self._asked_ns = LEAVE, self.run.clock()

    def _forget_leaving(self) -> None:
        """Who did not mean it goes on."""
        if self._asked_ns is not None and self.run.clock() > self._asked_ns + LEAVE_NS:
            self._asked_ns = None
            self.run.said = "" if self.run.said == LEAVE else self.run.said

    def _go_on(self) -> None:
        if not self.run.over:
            self.run.go_on()
        else:
            self._show_other(1)

    def _turn(self, systems: int) -> None:
        page = self._page
        if page is not None:
            shown = page.last_visible(self._music) + 1 - page.top
            page.turn(systems * max(1, shown - 1))

    def _show_other(self, by: int) -> None:
        if self.run.over:
            self.view.shown = (self.view.shown + by) % len(self.run.judged)
            # A piece that was not played has no page.
            self.view.page_shown &= self.run.judged[self.view.shown].take is not None

    def _turn_over(self) -> None:
        if self.run.over and self.run.judged[self.view.shown].take is not None:
            self.view.page_shown = not self.view.page_shown
            if self._page is not None:
                self._to_the_beginning(self._page)

    def _full_screen(self) -> None:
        if said := turn_full_screen():
            self.run.said = said
            return
        self._resize()

    def ask_to_end(self) -> None:
        """Leave the loop after this frame."""
        self.quit = True

    def _show_the_end(self) -> None:
        """Each judge's sheet, and each page with its marks, for the pictures."""
        if self.shots is None:
            return
        for number in range(len(self.run.judged)):
            self.view.shown, self.view.page_shown = number, False
            self.frame()
            self.shots.take(f"mock-sheet-{number + 1}", self.surface)
            self._turn_over()
            while self.view.page_shown and not self._fault and not (self._page and self._page.done):
                self.frame()
                time.sleep(0.005)
            self.frame()
            self.shots.take(f"mock-marks-{number + 1}", self.surface)

    def close(self) -> None:
        """Give everything back; what was played is kept."""
        self.run.leave()
        self.run.close()
        self._sound.close()
        self.engraver.close()
        pygame.display.quit()
