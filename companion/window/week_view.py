"""The page of the week drawn: all items as a table over the days, and below it the one that is looked at."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

import pygame

from companion.practice.climbs import CLIMBS
from companion.practice.words import capital
from companion.record.text import LEGEND, day_cells
from companion.record.week import WEEKDAYS, WeekItem, WeekSheet
from companion.window.paper import draw_keys, draw_said, foot_in, lay_sheet, sheet_in
from companion.window.theme import Ink, Style, Type, wrap
from companion.window.week_data import ItemAbout
from companion.window.week_words import fields_of, heading_of, title_of

if TYPE_CHECKING:
    from companion.window.week_app import WeekApp

__all__ = ["WeekView"]

#: (what a click on it does, the key, what the key does)
_Key = tuple[str, str, str]
_TEACHER: tuple[_Key, ...] = (
    ("", "↑ ↓", "choose"), ("i", "I", "another item"), ("x", "X", "take out"), ("u", "U", "take back"),
    ("m", "M", "next week"), ("p", "P", "progress"), (" ", "space", "play"), ("escape", "Esc", "leave"),
)  # fmt: skip
_STUDENT: tuple[_Key, ...] = (
    ("", "↑ ↓", "choose"), (" ", "space", "put it on the stand"), ("p", "P", "progress"), ("escape", "Esc", "leave"),
)  # fmt: skip
_FLAGS = " A flag: out of reach as yet. Underlined: a day to play it; framed: the day it is due."
#: Of the paper's height the table takes no more than this, so that the item below has room.
_TABLE_SHARE = 0.46
_ROW, _SMALL = 17.5, 14.0
#: Air around a row of the table and a field, in pixels at 1280x720; less of it where there are more items.
_ROW_AIR, _TIGHT_AIR, _FIELD_AIR, _ROOMY_ITEMS = 14, 8, 9, 5


class WeekView:
    """Draws a `WeekApp`, and knows what stands where for the mouse."""

    def __init__(self, app: WeekApp) -> None:
        self.app = app
        self._places: list[tuple[pygame.Rect, int | str]] = []

    def at(self, pos: tuple[int, int]) -> int | str | None:
        """What stands there: an item's number, a field's letter, `+` or `-`."""
        return next((what for box, what in reversed(self._places) if box.collidepoint(pos)), None)

    def draw(self, target: pygame.Surface, type_: Type) -> None:
        """All of the page."""
        self._places = []
        width, height = target.get_size()
        u = type_.scale
        target.fill(Ink.DESK)
        sheet = sheet_in((width, height), 1200)
        lay_sheet(target, sheet, u)
        area = sheet.inflate(-round(72 * u), -round(36 * u))
        week = self.app.shown.sheet
        type_.draw(target, heading_of(week), area.topleft, 22, "italic", max_width_px=area.width)
        y = area.y + type_.line_height(22, "italic") + round(6 * u)
        bottom = self._draw_remarks(target, type_, area)
        if week.items:
            most = area.y + round(area.height * _TABLE_SHARE)
            y = self._draw_table(target, type_, pygame.Rect(area.x, y, area.width, most - y))
            self._draw_item(target, type_, pygame.Rect(area.x, y, area.width, bottom - y))
        else:
            said = "Nothing is set yet." if self.app.student else "Nothing is set yet: I adds the first item."
            type_.draw(target, said, (area.x, y + round(16 * u)), 17)
        self._draw_foot(target, type_)

    def _draw_foot(self, target: pygame.Surface, type_: Type) -> None:
        """What is to be said; where there is nothing, the keys, which can be clicked."""
        area = foot_in(target.get_size())
        words = self.app.fault and f"{self.app.fault} — what is shown is the last that could be read"
        if words or self.app.said:
            draw_said(target, type_, area, words or self.app.said)
            return
        keys = [(what, f"{key}  {words}") for what, key, words in (_STUDENT if self.app.student else _TEACHER)]
        self._places += draw_keys(target, type_, area, keys)

    def _draw_remarks(self, target: pygame.Surface, type_: Type, area: pygame.Rect) -> int:
        """What is to be said of the sheet, from the bottom up; returns where it begins."""
        bottom = area.bottom
        for text in reversed(self.app.shown.remarks[:2]):
            lines = wrap(text, type_.font(_SMALL, "italic"), area.width)[:2]
            high = len(lines) * type_.line_height(_SMALL, "italic")
            box = pygame.Rect(area.x, bottom - high, area.width, high)
            type_.paragraph(target, text, box, _SMALL, "italic", Ink.QUIET, max_lines=2)
            bottom -= high
        return bottom - round(4 * type_.scale)

    # -- the table ----------------------------------------------------------------------------------------------------

    def _columns(self, type_: Type, area: pygame.Rect) -> tuple[int, int, list[int], int]:
        """Where target and day due end, where the seven days stand (their middles), where `At target` begins."""
        day = type_.width("120×12", 15) + round(12 * type_.scale)
        reached = area.right - type_.width("12 of 12, reached", 15)
        first = reached - round(14 * type_.scale) - 7 * day
        by = first - round(14 * type_.scale)
        target = by - type_.width("28 Nov", 15) - round(16 * type_.scale)
        return target, by, [first + i * day + day // 2 for i in range(7)], reached

    def _row_px(self, type_: Type) -> int:
        air = _ROW_AIR if len(self.app.items) <= _ROOMY_ITEMS else _TIGHT_AIR
        return type_.line_height(_ROW, "bold") + round(air * type_.scale)

    def _draw_table(self, target: pygame.Surface, type_: Type, area: pygame.Rect) -> int:
        u, app = type_.scale, self.app
        target_x, by_x, days, reached_x = self._columns(type_, area)
        legend = LEGEND + _FLAGS
        small, row_px = type_.line_height(13, "italic"), self._row_px(type_)
        legend_px = small * len(wrap(legend, type_.font(13, "italic"), area.width))
        head_px = type_.line_height(_SMALL) + round(6 * u)
        items = app.items
        room = max(1, (area.height - head_px - legend_px - round(8 * u)) // row_px)
        first = max(0, min(app.at - room // 2, len(items) - room))
        shown = items[first : first + room]
        table = pygame.Rect(area.x, area.y + head_px, area.width, row_px * len(shown))
        week, today = app.shown.sheet, app.shown.today
        if today in week.days:
            x = days[(today - week.week).days]
            half = (days[1] - days[0]) // 2
            pygame.draw.rect(target, Ink.PAPER_SHADE, (x - half, area.y, 2 * half, head_px + table.height))
        y = area.y + round(2 * u)
        type_.draw(target, "Target", (target_x, y), _SMALL, "italic", Ink.QUIET, "topright")
        type_.draw(target, "By", (by_x, y), _SMALL, "italic", Ink.QUIET, "topright")
        type_.draw(target, "At target", (reached_x, y), _SMALL, "italic", Ink.QUIET)
        for i, x in enumerate(days):
            now = week.days[i] == today
            style: Style = "bold" if now else "italic"
            type_.draw(target, WEEKDAYS[i], (x, y), _SMALL, style, Ink.PRINT if now else Ink.QUIET, "midtop")
        pygame.draw.line(target, Ink.FAINT, (area.x, table.y), (area.right, table.y))
        for place, item in enumerate(shown):
            row = pygame.Rect(area.x, table.y + place * row_px, area.width, row_px)
            self._draw_row(target, type_, row, first + place, item)
        pygame.draw.line(target, Ink.FAINT, (area.x, table.bottom), (area.right, table.bottom))
        y = table.bottom + round(4 * u)
        if len(shown) < len(items):
            more = f"{first + 1}–{first + len(shown)} of {len(items)} items"
            type_.draw(target, more, (area.x, area.y + round(2 * u)), _SMALL, "italic", Ink.QUIET)
        box = pygame.Rect(area.x, y, area.width, legend_px)
        return type_.paragraph(target, legend, box, 13, "italic", Ink.QUIET) + round(16 * u)

    def _draw_row(self, target: pygame.Surface, type_: Type, row: pygame.Rect, number: int, item: WeekItem) -> None:
        u, app = type_.scale, self.app
        target_x, by_x, days, reached_x = self._columns(type_, row)
        here = number == app.at
        if here:
            pygame.draw.rect(target, Ink.BLUE, (row.x - round(12 * u), row.y + 2, max(3, round(3 * u)), row.height - 4))
        self._places.append((row.inflate(round(24 * u), 0), number))
        about = app.about(app.shown.sheet.items[number])
        y = row.y + (row.height - type_.line_height(_ROW, "bold")) // 2
        style: Style = "bold" if here else "regular"
        flag_x = target_x - type_.width("400.5", _ROW, "bold") - round(16 * u)
        type_.draw(target, f"{number + 1}", (row.x, y), _ROW, "regular", Ink.QUIET)
        x = row.x + round(26 * u)
        type_.draw(
            target, title_of(item, about, begins=True), (x, y), _ROW, style, max_width_px=flag_x - x - round(10 * u)
        )
        turned = app.pending is not None and item not in app.shown.sheet.items
        if about is not None and about.reach is not None and about.reach.measured and not turned:
            _draw_flag(target, (flag_x, row.centery), u)
        type_.draw(
            target, f"{item.target_bpm:g}", (target_x, y), _ROW, "italic" if turned else style, anchor="topright"
        )
        if item.by is not None:
            type_.draw(target, _short_day(item.by, app.shown.sheet), (by_x, y + u), 15, style, anchor="topright")
        if about is None:
            type_.draw(target, "…", (reached_x, y + u), 15, "italic", Ink.QUIET)
            return
        sheet, what = app.shown.sheet, about.reached
        for i, (x, text) in enumerate(zip(days, day_cells(what), strict=True)):
            played: Style = "regular" if what.best_by_day[i][2] else "italic"
            place = type_.draw(target, text, (x, y + u), 15, played, anchor="midtop")
            if sheet.days[i] in item.days:
                half = max(place.width // 2, round(8 * u))
                under = row.bottom - round(4 * u)
                pygame.draw.line(target, Ink.PRINT, (x - half, under), (x + half, under), max(1, round(u)))
            if sheet.days[i] == item.by:
                frame = pygame.Rect(0, 0, (days[1] - days[0]) - round(4 * u), row.height - round(4 * u))
                frame.center = (x, row.centery)
                pygame.draw.rect(target, Ink.QUIET, frame, max(1, round(u)), border_radius=2)
        so_far = f"{what.at_target} of {what.wanted}{', reached' if what.done else ''}"
        type_.draw(target, so_far, (reached_x, y + u), 15, "bold" if what.done else "regular")

    # -- the item looked at -------------------------------------------------------------------------------------------

    def _draw_item(self, target: pygame.Surface, type_: Type, area: pygame.Rect) -> None:
        app, u = self.app, type_.scale
        item = app.items[min(app.at, len(app.items) - 1)]
        about = app.about(app.shown.sheet.items[min(app.at, len(app.items) - 1)])
        middle = area.x + round(area.width * 0.47)
        left = pygame.Rect(area.x, area.y, middle - area.x - round(24 * u), area.height)
        right = pygame.Rect(middle, area.y, area.right - middle, area.height)
        type_.draw(target, title_of(item, about, begins=True), left.topleft, 20, "bold", max_width_px=area.width)
        down = type_.line_height(20, "bold") + round(10 * u)
        for box in (left, right):
            box.y, box.height = box.y + down, box.height - down
        self._draw_fields(target, type_, left, item)
        self._draw_words(target, type_, right, item, about)

    def _draw_fields(self, target: pygame.Surface, type_: Type, area: pygame.Rect, item: WeekItem) -> None:
        u, teacher = type_.scale, not self.app.student
        fields = fields_of(item, self.app.shown.sheet)
        if not teacher:
            fields = [field for field in fields if field[3] or field[0] in "DN"]
        step = min(type_.line_height(17) + round(_FIELD_AIR * u), area.height // max(1, len(fields)))
        label_x = area.x + (round(26 * u) if teacher else 0)
        text_x = label_x + type_.width("Articulation", 16, "italic") + round(18 * u)
        for number, (letter, label, text, said) in enumerate(fields):
            y = area.y + number * step
            if teacher and letter:
                type_.draw(target, letter, (area.x, y), 17, "bold", Ink.BLUE)
                self._places.append((pygame.Rect(area.x, y, area.width, step), letter.lower()))
            type_.draw(target, label, (label_x, y + u), 16, "italic", Ink.QUIET)
            room = area.right - text_x
            if teacher and letter == "T":
                room -= self._draw_turns(target, type_, pygame.Rect(area.x, y, area.width, step))
            type_.draw(target, text, (text_x, y), 17, "regular", Ink.PRINT if said else Ink.QUIET, max_width_px=room)

    def _draw_turns(self, target: pygame.Surface, type_: Type, line: pygame.Rect) -> int:
        """Minus and plus beside the target, for the mouse; returns how wide they are."""
        x = line.right
        for sign, what in (("+", "+"), ("−", "-")):
            place = type_.draw(target, sign, (x, line.y), 19, "bold", Ink.BLUE, "topright")
            self._places.append((place.inflate(round(16 * type_.scale), 4), what))
            x = place.x - round(20 * type_.scale)
        return line.right - x

    def _draw_words(
        self, target: pygame.Surface, type_: Type, area: pygame.Rect, item: WeekItem, about: ItemAbout | None
    ) -> None:
        """The comment, what was reached, the flag and what else is to be said."""
        u, teacher = type_.scale, not self.app.student
        y = area.y
        comment = item.comment or ("no word to the student yet" if teacher else "")
        if comment:
            x = area.x
            if teacher:
                type_.draw(target, "C", (x, y), 17, "bold", Ink.BLUE)
                x += round(26 * u)
            room = area.height // type_.line_height(17)
            # The teacher reads all of it with C, the student here.
            lines = max(2, min(5, room // 2) if teacher else room - 4)
            box = pygame.Rect(x, y, area.right - x, area.height)
            style: Style = "regular" if item.comment else "italic"
            colour = Ink.BLUE if item.comment else Ink.QUIET
            below = type_.paragraph(target, comment, box, 17, style, colour, max_lines=lines)
            if teacher:
                self._places.append((pygame.Rect(area.x, y, area.width, below - y), "c"))
            y = below + round(8 * u)
        for text, style, flagged in self._sentences(item, about):
            high = type_.line_height(16.5, style)
            if y + high > area.bottom:
                break
            x = area.x + (round(26 * u) if teacher or flagged else 0)
            if flagged:
                _draw_flag(target, (area.x + round(2 * u), y + high // 2), u)
            box = pygame.Rect(x, y, area.right - x, area.bottom - y)
            y = type_.paragraph(target, text, box, 16.5, style, Ink.PRINT if flagged else Ink.PENCIL) + round(8 * u)

    def _sentences(self, item: WeekItem, about: ItemAbout | None) -> Sequence[tuple[str, Style, bool]]:
        if about is None:
            return [("looking it up …", "italic", False)]
        what = about.reached
        found: list[tuple[str, Style, bool]] = []
        if about.reach is not None and (about.reach.measured or not self.app.student):
            found.append((f"{about.reach.sentence}.", "regular", about.reach.measured))
        best = "No clean take yet this week" if what.best_clean_bpm is None else f"Clean up to {what.best_clean_bpm:g}"
        done = "the target is reached" if what.done else f"{what.at_target} of {what.wanted} clean takes at the target"
        found.append((f"{best}; {done}.", "regular", False))
        found += [(text, "regular", False) for text in about.said if text]
        if item.climb:
            found.append((CLIMBS[item.climb].sentence, "italic", False))
        found += [(f"{capital(remark)}.", "italic", False) for remark in what.remarks if remark]
        return found


def _short_day(day: date, sheet: WeekSheet) -> str:
    return WEEKDAYS[day.weekday()] if day in sheet.days else f"{day.day} {day:%b}"


def _draw_flag(target: pygame.Surface, at: tuple[int, int], scale: float) -> None:
    """A pennant on its pole, by its shape no letter and no note."""
    high, wide = max(12, round(15 * scale)), max(8, round(10 * scale))
    x, top = at[0], at[1] - high // 2
    pygame.draw.line(target, Ink.PRINT, (x, top), (x, top + high), max(1, round(1.5 * scale)))
    pygame.draw.polygon(target, Ink.PRINT, [(x, top), (x + wide, top + high // 4), (x, top + high // 2)])
