"""The page of the day in a window: what to play now and why; one key starts the next thing."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pygame

from companion.errors import CompanionError
from companion.practice.day_plan import CARE, DayPlan
from companion.practice.today import LONGEST_MIN, SHORTEST_MIN, Entry
from companion.units import ns_from_s
from companion.window.display import fitted, open_window, scale_of
from companion.window.paper import draw_keys, draw_said, foot_in, lay_sheet, sheet_in
from companion.window.shots import Shots
from companion.window.theme import Ink, Style, Type, wrap

__all__ = ["TodayApp", "show_looking"]

LOOKS_PER_S = 30
STEP_MIN = 5.0
#: What leads to the week's page, where the student reads.
THE_WEEK = ("week", "--window", "--student")
_CAPTION = "Today – companion"
#: Of the sheet, at 1280x720.
_WIDTH = 980
#: Looking at a long record takes a moment: what was played elsewhere is looked up when somebody comes back so late.
LOOK_AGAIN_NS = ns_from_s(60)
#: Of the teacher's word so many lines are shown; all of it stands on the week's page.
WORD_LINES = 2


def show_looking(size: tuple[int, int], *, hidden: bool = False) -> None:
    """The page while sheet and record are looked at. Raises `NoScreen` as `open_window` does."""
    target = open_window(_CAPTION, size, hidden=hidden)
    u = scale_of(target.get_size())
    target.fill(Ink.DESK)
    sheet = sheet_in(target.get_size(), _WIDTH)
    lay_sheet(target, sheet, u)
    Type(u).draw(target, "Looking at the week and the record …", sheet.center, 17, "italic", Ink.QUIET, "center")
    pygame.display.update()
    pygame.event.pump()


class TodayApp:
    """Shows a sitting until something is chosen or the window is left.

    Parameters
    ----------
    sitting
        What is shown first.
    look
        Plans it anew for so many minutes, in turns or not.
    said
        What is to be said first, in place of the keys.
    today, clock
        The present day; nanoseconds.
    """

    def __init__(
        self,
        sitting: DayPlan,
        look: Callable[[float, bool], DayPlan],
        *,
        size: tuple[int, int] = (1280, 720),
        hidden: bool = False,
        shots: Path | None = None,
        said: str = "",
        today: Callable[[], date] = date.today,
        clock: Callable[[], int] = time.perf_counter_ns,
    ) -> None:
        self.sitting, self._look, self._today, self._clock = sitting, look, today, clock
        self._looked_on, self._looked_ns = today(), clock()
        self.shots = Shots(shots) if shots else None
        self.surface = open_window(_CAPTION, size, hidden=hidden, repeat_ms=80)
        self.size = self.surface.get_size()
        self.at = self._first()
        self.said = said
        self.chosen: tuple[str, ...] | None = None
        self.quit = False
        self._rows: list[tuple[pygame.Rect, int]] = []
        self._keys: list[tuple[pygame.Rect, str]] = []
        self._changed = True

    def _first(self) -> int:
        """The first turn that is no break; 0 where nothing is open."""
        entries = self.sitting.entries
        return next((i for i, entry in enumerate(entries) if entry.task is not None), 0)

    def loop(self) -> tuple[str, ...] | None:
        """The words of the command chosen, None where the page was left."""
        pace = pygame.time.Clock()
        try:
            while not self.quit:
                self.frame()
                if self.shots:
                    self.shots.take("today", self.surface)
                    break
                pace.tick(LOOKS_PER_S)
        finally:
            pygame.display.quit()
        return self.chosen

    def frame(self) -> None:
        """One look at keys and mouse."""
        for event in pygame.event.get():
            self._handle(event)
        if self._today() != self._looked_on:
            self._plan(self.sitting.minutes, self.sitting.interleaved)
        if self._changed:
            self._changed = False
            self._draw()
            pygame.display.update()

    def _handle(self, event: pygame.event.Event) -> None:
        self._changed = True
        if event.type == pygame.QUIT:
            self.quit = True
        elif event.type == pygame.VIDEORESIZE:
            self.surface = fitted((event.w, event.h))
            self.size = self.surface.get_size()
        elif event.type == pygame.WINDOWFOCUSGAINED and self._clock() - self._looked_ns >= LOOK_AGAIN_NS:
            self._plan(self.sitting.minutes, self.sitting.interleaved)
        elif event.type == pygame.KEYDOWN:
            self._key(event)
        elif event.type == pygame.MOUSEBUTTONDOWN and event.button == 1:
            self._click(event.pos)
        elif event.type == pygame.MOUSEWHEEL and event.y:
            self._move(-1 if event.y > 0 else 1)

    def _key(self, event: pygame.event.Event) -> None:
        self.said = ""
        if event.key in (pygame.K_DOWN, pygame.K_UP):
            self._move(1 if event.key == pygame.K_DOWN else -1)
            return
        named = {
            pygame.K_ESCAPE: "escape", pygame.K_SPACE: " ", pygame.K_RETURN: " ", pygame.K_KP_ENTER: " ",
            pygame.K_KP_PLUS: "+", pygame.K_KP_MINUS: "-",
        }  # fmt: skip
        self._do(named.get(event.key, event.unicode.lower().replace("=", "+")))

    def _click(self, pos: tuple[int, int]) -> None:
        self.said = ""
        for box, number in self._rows:
            if box.collidepoint(pos):
                self.at = number
                self._start()
                return
        self._do(next((what for box, what in self._keys if box.collidepoint(pos)), ""))

    def _do(self, what: str) -> None:
        if what == "escape":
            self.quit = True
        elif what == " ":
            self._start()
        elif what in ("+", "-"):
            self._plan(self.sitting.minutes + (STEP_MIN if what == "+" else -STEP_MIN), self.sitting.interleaved)
        elif what == "i":
            self._plan(self.sitting.minutes, not self.sitting.interleaved)
        elif what == "w":
            self.chosen, self.quit = THE_WEEK, True

    def _move(self, by: int) -> None:
        entries = self.sitting.entries
        at = self.at + by
        while 0 <= at < len(entries) and entries[at].task is None:
            at += by
        if 0 <= at < len(entries):
            self.at = at

    def _plan(self, minutes: float, interleaved: bool) -> None:
        self._looked_on, self._looked_ns, self._changed = self._today(), self._clock(), True
        try:
            self.sitting = self._look(min(max(minutes, SHORTEST_MIN), LONGEST_MIN), interleaved)
            self.said = ""
        except CompanionError as error:
            self.said = str(error)
        self.at = self._first()

    def _start(self) -> None:
        if self.at < len(self.sitting.entries):
            command = self.sitting.command_of(self.sitting.entries[self.at])
            if command:
                self.chosen, self.quit = command, True

    # -- drawing ------------------------------------------------------------------------------------------------------

    def _draw(self) -> None:
        target = self.surface
        width, height = target.get_size()
        u = scale_of((width, height))
        type_ = Type(u)
        target.fill(Ink.DESK)
        sheet = sheet_in((width, height), _WIDTH)
        lay_sheet(target, sheet, u)
        area = sheet.inflate(-round(88 * u), -round(40 * u))
        type_.draw(target, self.sitting.heading, area.topleft, 22, "italic", max_width_px=area.width)
        y = area.y + round(44 * u)
        pygame.draw.line(target, Ink.FAINT, (area.x, y), (area.right, y))
        y += round(10 * u)
        if self.sitting.enough:
            place = pygame.Rect(area.x, y, area.width, 2 * type_.line_height(15))
            y = type_.paragraph(target, self.sitting.enough, place, 15) + round(8 * u)
        below = self._draw_below(target, type_, area, u)
        self._draw_entries(target, type_, pygame.Rect(area.x, y, area.width, below - y - round(4 * u)), u)
        foot = foot_in((width, height))
        if self.said:
            self._keys = []
            draw_said(target, type_, foot, self.said)
            return
        order = "each in one go" if self.sitting.interleaved else "in turns"
        keys = [
            (" ", "space  start"), ("", "↑ ↓  choose"), ("+", "+  longer"), ("-", "−  shorter"), ("i", f"I  {order}"),
            ("w", "W  the week"), ("escape", "Esc  leave"),
        ]  # fmt: skip
        self._keys = draw_keys(target, type_, foot, keys)

    def _draw_below(self, target: pygame.Surface, type_: Type, area: pygame.Rect, u: float) -> int:
        """What is done, what is to be said and the cautions, from the bottom up; returns where it begins."""
        texts: list[tuple[str, Style]] = [
            (self.sitting.waiting, "regular"),
            (" ".join(text for text in (self.sitting.had, *self.sitting.day.closed) if text), "regular"),
            (" ".join(remark if remark.endswith(".") else f"{remark}." for remark in self.sitting.remarks), "italic"),
            (CARE, "italic"),
        ]
        if self.sitting.entries:
            texts.insert(0, (self.sitting.end, "regular"))
        bottom = area.bottom
        for text, style in reversed(texts):
            if not text:
                continue
            size = 13.5
            lines = min(3, len(wrap(text, type_.font(size, style), area.width)))
            high = lines * type_.line_height(size, style)
            place = pygame.Rect(area.x, bottom - high, area.width, high)
            type_.paragraph(target, text, place, size, style, Ink.QUIET)
            bottom -= high + round(6 * u)
        return bottom

    def _draw_entries(self, target: pygame.Surface, type_: Type, area: pygame.Rect, u: float) -> None:
        entries = self.sitting.entries
        self._rows = []
        if not entries:
            type_.paragraph(target, self.sitting.nothing, area, 17, "regular")
            return
        heights = [self._height(entry, type_, area.width, u) for entry in entries]
        # Where all of it is too long, the page begins a little above the turn looked at.
        first = 0
        while first < self.at and sum(heights[first : self.at + 2]) > area.height:
            first += 1
        y = area.y
        for number in range(first, len(entries)):
            if y + heights[number] > area.bottom:
                left = len(entries) - number
                type_.draw(target, f"and {left} more", (area.x, y), 14, "italic", Ink.QUIET)
                break
            self._draw_entry(target, type_, pygame.Rect(area.x, y, area.width, heights[number]), number, u)
            y += heights[number]

    def _indent(self, u: float) -> int:
        return round(86 * u)

    def _height(self, entry: Entry, type_: Type, width: int, u: float) -> int:
        high = type_.line_height(17, "bold") + round(8 * u)
        if entry.task is not None and not entry.again:
            for text, most in ((entry.task.why, None), (entry.task.word, WORD_LINES)):
                lines = wrap(text, type_.font(15), width - self._indent(u)) if text else []
                high += len(lines[:most]) * type_.line_height(15)
        return high + round(6 * u)

    def _draw_entry(self, target: pygame.Surface, type_: Type, box: pygame.Rect, number: int, u: float) -> None:
        entry = self.sitting.entries[number]
        here = number == self.at and entry.task is not None
        if here:
            frame = box.inflate(round(20 * u), 0)
            pygame.draw.rect(target, Ink.PAPER_SHADE, frame, border_radius=4)
            pygame.draw.rect(target, Ink.BLUE, (frame.x, frame.y, max(3, round(3 * u)), frame.height))
        top = box.y + round(5 * u)
        quiet = entry.task is None or entry.again
        minutes = f"{entry.minutes:.0f} min"
        type_.draw(target, minutes, (box.x, top + round(2 * u)), 15, "italic", Ink.QUIET)
        x = box.x + self._indent(u)
        style: Style = "italic" if entry.task is None else "regular" if entry.again else "bold"
        colour = Ink.QUIET if quiet else Ink.PRINT
        words = self.sitting.words(entry)
        type_.draw(target, words, (x, top), 17, style, colour, max_width_px=box.right - x)
        if entry.task is not None and not entry.again:
            under = top + type_.line_height(17, "bold") + round(2 * u)
            place = pygame.Rect(x, under, box.right - x, box.bottom - under)
            place.y = type_.paragraph(target, entry.task.why, place, 15, "regular", Ink.PENCIL)
            if entry.task.word:
                type_.paragraph(target, entry.task.word, place, 15, "regular", Ink.BLUE, max_lines=WORD_LINES)
        if entry.task is not None:
            self._rows.append((box, number))
