"""Progress as pages on the stand: the plot of some bars or of an item, what to expect and what holds it back."""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import pygame

from companion.errors import CompanionError
from companion.reports.lesson import LessonItem
from companion.reports.progress_png import progress_png
from companion.window.display import fitted, open_window, scale_of
from companion.window.paper import draw_keys, foot_in, lay_sheet, sheet_in
from companion.window.shots import Shots
from companion.window.theme import Ink, Type, wrap

__all__ = ["ProgressApp"]

LOOKS_PER_S = 30
#: Of the paper the plot takes so much at least.
_PLOT_SHARE = 0.46
_TEXT = 16.0
_LEGEND = (
    "Each mark is a take, a diamond a performance without a click. Grey: where 80 of 100 students with such a record"
    " stand, each at the tempo at which every second take comes out clean; dotted: as it is expected to go on."
    " Dashed: the target and its day."
)


class ProgressApp:
    """Shows one page of progress after another until it is left.

    Parameters
    ----------
    count
        How many pages there are, 1 or more.
    page
        Looks one up, by its number; may take a moment. Its `CompanionError` is shown in the page's place.
    at
        The first to be shown.
    back
        Whether another page is gone back to.
    """

    def __init__(
        self,
        count: int,
        page: Callable[[int], LessonItem],
        *,
        at: int = 0,
        size: tuple[int, int] = (1280, 720),
        hidden: bool = False,
        shots: Path | None = None,
        back: bool = False,
    ) -> None:
        self.count, self._page, self.at, self.hidden, self.back = count, page, at, hidden, back
        self.shots = Shots(shots) if shots else None
        self.surface = open_window("Progress – companion", size, hidden=hidden, repeat_ms=120)
        self.quit = self.closed = False
        self.said = ""
        self._pages: dict[int, LessonItem | str] = {}
        self._plots: dict[tuple[int, tuple[int, int]], pygame.Surface] = {}
        self._keys: list[tuple[pygame.Rect, str]] = []
        self._changed = True

    @property
    def size(self) -> tuple[int, int]:
        """The window's."""
        return self.surface.get_size()

    def loop(self) -> None:
        """Until it is left; `closed` says whether the window was closed rather than the page."""
        pace = pygame.time.Clock()
        while not self.quit:
            self.frame()
            if self.hidden:
                self._show_all()
                self.quit = True
            else:
                pace.tick(LOOKS_PER_S)

    def close(self) -> None:
        """Give the window back."""
        pygame.display.quit()

    def frame(self) -> None:
        """One look at keys and mouse; what isn't known yet is looked up once it was said that it is."""
        for event in pygame.event.get():
            self._handle(event)
        if self._changed:
            self._changed = self.look_up_next(dry=True)
            self.draw()
            pygame.display.update()
            self.look_up_next()

    def look_up_next(self, *, dry: bool = False) -> bool:
        """Look the page shown up and draw its plot, one after the other; whether there was anything to do. `dry` only
        says so."""
        page = self._pages.get(self.at)
        if page is None:
            if not dry:
                try:
                    self._pages[self.at] = self._page(self.at)
                except CompanionError as error:
                    self._pages[self.at] = str(error)
            return True
        plot = self._plot_box(page)
        if plot is None or (self.at, plot.size) in self._plots:
            return False
        if not dry:
            assert not isinstance(page, str)
            png = progress_png(
                page.takes, plot.size, scale=self._scale, target_bpm=page.target_bpm, forecast=page.forecast,
                by=page.by, cold=page.cold,
            )  # fmt: skip
            self._plots[self.at, plot.size] = pygame.image.load(BytesIO(png), "plot.png").convert()
        return True

    def _handle(self, event: pygame.event.Event) -> None:
        if event.type == pygame.QUIT:
            self.quit = self.closed = True
        elif event.type == pygame.VIDEORESIZE:
            self.surface = fitted((event.w, event.h))
            self._plots.clear()
        elif event.type == pygame.KEYDOWN:
            self._key(event)
        elif event.type == pygame.MOUSEBUTTONDOWN and event.button == 1:
            self._click(event.pos)
        elif event.type == pygame.MOUSEWHEEL:
            self._turn(-event.y)
        elif event.type not in (pygame.WINDOWEXPOSED, pygame.WINDOWRESTORED):
            return
        self._changed = True

    def _key(self, event: pygame.event.Event) -> None:
        name = pygame.key.name(event.key)
        if name == "escape" or (self.back and name == "p"):
            self.quit = True
        elif name in ("right", "down", "page down", "space", "return"):
            self._turn(1)
        elif name in ("left", "up", "page up", "backspace"):
            self._turn(-1)
        elif name in ("home", "end"):
            self.at = 0 if name == "home" else self.count - 1

    def _click(self, pos: tuple[int, int]) -> None:
        """The keys in the foot do what they say, the paper turns the page."""
        sheet, _ = self._sheet()
        if pos[1] <= sheet.bottom:
            self._turn(-1 if pos[0] < sheet.centerx else 1)
            return
        what = next((what for box, what in self._keys if box.collidepoint(pos)), "")
        if what == "escape":
            self.quit = True
        elif what:
            self._turn(-1 if what == "left" else 1)

    def _turn(self, by: int) -> None:
        self.at = (self.at + by) % self.count

    # -- drawing ------------------------------------------------------------------------------------------------------

    @property
    def _scale(self) -> float:
        return scale_of(self.size)

    def _sheet(self) -> tuple[pygame.Rect, pygame.Rect]:
        """The paper, and what is written on of it."""
        u, sheet = self._scale, sheet_in(self.size, 1200)
        return sheet, sheet.inflate(-round(72 * u), -round(36 * u))

    def _plot_box(self, page: LessonItem | str) -> pygame.Rect | None:
        """The plot takes what the words leave."""
        if isinstance(page, str):
            return None
        _, area = self._sheet()
        type_ = Type(self._scale)
        top = area.y + type_.line_height(22, "bold") + round(10 * self._scale)
        room = area.bottom - top
        words = max((self._height(type_, column, area) for column in self._columns(page)), default=0)
        legend = self._legend_height(type_, page, area)
        high = max(room - words - legend - round(16 * self._scale), round(room * _PLOT_SHARE))
        return pygame.Rect(area.x, top, area.width, high)

    def _legend_height(self, type_: Type, page: LessonItem, area: pygame.Rect) -> int:
        lines = wrap(_LEGEND, type_.font(13, "italic"), area.width) if page.takes and page.forecast else []
        return len(lines) * type_.line_height(13, "italic") + round(10 * self._scale)

    def _columns(self, page: LessonItem) -> list[list[tuple[str, tuple[str, ...]]]]:
        """Two columns of headings with their sentences: how it stands and what to expect, then what holds it back."""
        told = [part for part in page.words if part[1]]
        split = 2 if len(told) > 2 else len(told)
        return [told[:split], told[split:]]

    def _column_width(self, area: pygame.Rect) -> int:
        return (area.width - round(40 * self._scale)) // 2

    def _height(self, type_: Type, column: list[tuple[str, tuple[str, ...]]], area: pygame.Rect) -> int:
        width, u = self._column_width(area), self._scale
        high = 0
        for heading, sentences in column:
            high += type_.line_height(15, "italic") if heading else 0
            for sentence in sentences:
                high += len(wrap(sentence, type_.font(_TEXT), width)) * type_.line_height(_TEXT) + round(3 * u)
            high += round(6 * u)
        return high

    def draw(self) -> None:
        """The page that is looked at."""
        target, u = self.surface, self._scale
        type_ = Type(u)
        sheet, area = self._sheet()
        target.fill(Ink.DESK)
        lay_sheet(target, sheet, u)
        page = self._pages.get(self.at)
        if page is None or isinstance(page, str):
            words = page or "looking it up …"
            type_.paragraph(target, words, area, 17, "regular" if page else "italic", Ink.PRINT if page else Ink.QUIET)
        else:
            self._draw_page(type_, area, page)
        self._draw_foot(type_)

    def _draw_page(self, type_: Type, area: pygame.Rect, page: LessonItem) -> None:
        target, u = self.surface, self._scale
        aim = type_.draw(target, page.aim, area.topright, 16, "italic", Ink.QUIET, "topright")
        room = area.width - aim.width - round(24 * u)
        type_.draw(target, page.title, area.topleft, 22, "bold", max_width_px=room)
        box = self._plot_box(page)
        assert box is not None
        plot = self._plots.get((self.at, box.size))
        if plot is not None:
            target.blit(plot, box)
        else:
            type_.draw(target, "drawing …", box.center, 15, "italic", Ink.QUIET, "center")
        y = box.bottom + round(4 * u)
        if page.takes and page.forecast:
            place = pygame.Rect(area.x, y, area.width, area.bottom - y)
            type_.paragraph(target, _LEGEND, place, 13, "italic", Ink.QUIET)
        y += self._legend_height(type_, page, area)
        width = self._column_width(area)
        for number, column in enumerate(self._columns(page)):
            x = area.x + number * (area.right - area.x - width)
            self._draw_column(type_, column, pygame.Rect(x, y, width, area.bottom - y))

    def _draw_column(self, type_: Type, column: list[tuple[str, tuple[str, ...]]], box: pygame.Rect) -> None:
        target, u, y = self.surface, self._scale, box.y
        line = type_.line_height(_TEXT)
        for heading, sentences in column:
            if heading and y + type_.line_height(15) + line <= box.bottom:
                type_.draw(target, heading, (box.x, y), 15, "italic", Ink.BLUE, max_width_px=box.width)
                y += type_.line_height(15, "italic")
            for sentence in sentences:
                if y + line > box.bottom:
                    return
                place = pygame.Rect(box.x, y, box.width, box.bottom - y)
                y = type_.paragraph(target, sentence, place, _TEXT) + round(3 * u)
            y += round(6 * u)

    def _draw_foot(self, type_: Type) -> None:
        keys = [("escape", "Esc  back to the week" if self.back else "Esc  leave")]
        if self.count > 1:
            keys = [("left", "←  before"), ("right", f"→  next ({self.at + 1} of {self.count})"), *keys]
        self._keys = draw_keys(self.surface, type_, foot_in(self.size), keys)

    def _show_all(self) -> None:
        """Each page, for the pictures."""
        for number in range(self.count):
            self.at = number
            while self.look_up_next():
                pass
            self.draw()
            if self.shots:
                self.shots.take("progress" if number == 0 else f"progress-{number + 1}", self.surface)
