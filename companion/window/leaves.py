"""Leaves of paper laid over the stand: lists to choose from, and the list of keys.

A leaf draws itself from what it is given, answers keys and mouse, and says when it is done by returning True.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import pygame

from companion.practice.model import RawEvent
from companion.window.bindings import BINDINGS, Binding
from companion.window.layout import Layout
from companion.window.theme import Ink, Type, wrap

__all__ = ["Also", "ChoiceLeaf", "KeysLeaf", "Leaf", "NoteCheckLeaf", "Row", "ScreenLeaf", "lay_paper", "leaf_box"]


class Leaf(Protocol):
    """What every leaf can do. `key` and `click` return True once the leaf is to be taken away."""

    kind: str

    def draw(self, target: pygame.Surface, place: Layout, type_: Type) -> None:
        """Draw the leaf over the stand."""

    def key(self, event: pygame.event.Event) -> bool:
        """A key was pressed."""

    def click(self, pos: tuple[int, int]) -> bool:
        """The mouse was pressed."""


@runtime_checkable
class ScreenLeaf(Protocol):
    """A leaf that covers the whole window, hears the controller and has something to give back."""

    def draw_changed(self, target: pygame.Surface, type_: Type) -> bool:
        """Draw where anything has changed; whether it has."""

    def forget(self) -> None:
        """Draw all of it the next time."""

    def hear(self, events: Sequence[RawEvent]) -> None:
        """What the controller sent."""

    def key(self, event: pygame.event.Event, held: bool = False) -> bool:
        """As a leaf's; `held` where the key repeats by itself."""

    def close(self) -> None:
        """It is taken away."""


def lay_paper(target: pygame.Surface, box: pygame.Rect, scale: float) -> None:
    """A leaf of paper with its shadow, the stand darkened behind it."""
    shadow = pygame.Surface(target.get_size(), pygame.SRCALPHA)
    shadow.fill((20, 17, 14, 120))
    target.blit(shadow, (0, 0))
    pygame.draw.rect(target, Ink.PAPER_EDGE, box.move(round(5 * scale), round(5 * scale)), border_radius=4)
    pygame.draw.rect(target, Ink.PAPER, box, border_radius=4)


def leaf_box(place: Layout, width: float, height: float) -> pygame.Rect:
    """A rectangle in the middle, `width` by `height` at 1280x720, within the window."""
    u = place.scale
    box = pygame.Rect(0, 0, min(place.width_px - 40, round(width * u)), min(place.height_px - 30, round(height * u)))
    box.center = (place.width_px // 2, place.height_px // 2)
    return box


@dataclass(frozen=True, slots=True)
class Row:
    """One line to choose: `text`, what stands at its right end, a second line that explains it."""

    text: str
    right: str = ""
    below: str = ""


@dataclass(frozen=True, slots=True)
class Also:
    """What else can be done with a line of a list: by which key, what it says, and what happens with a line's
    number."""

    key: str
    words: str
    act: Callable[[int], None]


class ChoiceLeaf:
    """A list; arrows and Enter or the mouse choose. `rows` is asked anew for each drawing, so a list may change while
    open.

    `typed` is called with a number that was typed and confirmed, where that makes sense (a tempo).
    """

    def __init__(
        self,
        kind: str,
        title: str,
        rows: Callable[[], Sequence[Row]],
        choose: Callable[[int], None] | None,
        *,
        chosen: int = 0,
        hint: str = "",
        typed: Callable[[float], None] | None = None,
        width: float = 560,
        also: Also | None = None,
    ) -> None:
        self.kind = kind
        self.title = title
        self.rows = rows
        self.choose = choose
        self.at = chosen
        self.hint = hint
        self.typed = typed
        self.width = width
        self.also = also
        self.number = ""
        self._also_places: list[tuple[pygame.Rect, int]] = []
        self._places: list[tuple[pygame.Rect, int]] = []
        self._box = pygame.Rect(0, 0, 0, 0)
        self._page = 1

    def draw(self, target: pygame.Surface, place: Layout, type_: Type) -> None:
        """See `Leaf`."""
        u, rows = place.scale, self.rows()
        self.at = max(0, min(self.at, len(rows) - 1))
        pad, gaps = round(26 * u), round(22 * u)
        width = leaf_box(place, self.width, 100).width - 2 * pad
        hint_height = type_.line_height(13.5, "italic") * len(wrap(self._hint(), type_.font(13.5, "italic"), width))
        heights = sum(self._row_height(row, type_, width, u) for row in rows)
        needed = heights + hint_height + type_.line_height(22) + gaps + 2 * pad
        box = self._box = leaf_box(place, self.width, min(600, max(260, needed / u + 2)))
        lay_paper(target, box, u)
        inner = box.inflate(-2 * pad, -2 * pad)
        type_.draw(target, self.title, inner.topleft, 22, "bold", max_width_px=inner.width)
        type_.paragraph(
            target, self._hint(), pygame.Rect(inner.x, inner.bottom - hint_height, inner.width, hint_height),
            13.5, "italic", Ink.QUIET,
        )  # fmt: skip
        top = inner.y + type_.line_height(22) + round(10 * u)
        area = pygame.Rect(inner.x, top, inner.width, inner.bottom - hint_height - round(12 * u) - top)
        self._draw_rows(target, area, type_, u, rows)

    def _hint(self) -> str:
        if self.number:
            return f"{self.number}  —  Enter takes this number, Esc puts the leaf away"
        keys = (
            "↑ ↓ and Enter, or the mouse; Esc puts the leaf away"
            if self.choose
            else "↑ ↓ to read on; Esc puts the leaf away"
        )
        return f"{self.hint}\n{keys}" if self.hint else keys

    def _draw_rows(self, target: pygame.Surface, area: pygame.Rect, type_: Type, u: float, rows: Sequence[Row]) -> None:
        heights = [self._row_height(row, type_, area.width, u) for row in rows]
        first = self.at
        used = heights[self.at] if rows else 0
        while first > 0 and used + heights[first - 1] <= area.height * (0.5 if self.at < len(rows) - 1 else 1):
            first -= 1
            used += heights[first]
        while first > 0 and sum(heights[first - 1 :]) <= area.height:  # no room is left over below
            first -= 1
        if first:
            above = (area.right - round(10 * u), area.y - round(4 * u))
            type_.draw(target, f"… {first} more above", above, 13, "italic", Ink.QUIET, "bottomright")
        y, self._places, self._also_places = area.y, [], []
        for i in range(first, len(rows)):
            if y + heights[i] > area.bottom:
                type_.draw(
                    target, f"… {len(rows) - i} more below", (area.x + round(10 * u), y), 13, "italic", Ink.QUIET
                )
                break
            line = pygame.Rect(area.x, y, area.width, heights[i])
            self._places.append((line, i))
            self._draw_row(target, line, type_, u, rows[i], i == self.at)
            if self.also:
                self._also_places.append((self._draw_also(target, line, type_, u, self.also), i))
            y += heights[i]
        self._page = max(1, len(self._places) - 1)

    def _draw_also(self, target: pygame.Surface, line: pygame.Rect, type_: Type, u: float, also: Also) -> pygame.Rect:
        right = line.right - round(10 * u)
        words = type_.draw(target, also.words, (right, line.y + round(6 * u)), 15, "regular", Ink.BLUE, "topright")
        return words.union(
            type_.draw(target, also.key, (words.x - round(8 * u), words.y), 15, "bold", Ink.BLUE, "topright")
        )

    def _row_height(self, row: Row, type_: Type, width: int, u: float) -> int:
        height = type_.line_height(17) + round(8 * u)
        if row.below:
            lines = wrap(row.below, type_.font(13.5, "italic"), width - round(24 * u))
            height += type_.line_height(13.5, "italic") * len(lines)
        return height

    def _draw_row(self, target: pygame.Surface, line: pygame.Rect, type_: Type, u: float, row: Row, here: bool) -> None:
        if here:
            pygame.draw.rect(target, Ink.PAPER_SHADE, line, border_radius=3)
            pygame.draw.rect(target, Ink.BLUE, (line.x, line.y, max(3, round(4 * u)), line.height))
        x, y = line.x + round(12 * u), line.y + round(4 * u)
        right = type_.width(row.right, 15) if row.right else 0
        if self.also:
            right += type_.width(f"{self.also.key}  {self.also.words}", 15, "bold")
        type_.draw(
            target, row.text, (x, y), 17, "bold" if here else "regular",
            max_width_px=line.width - right - round(36 * u),
        )  # fmt: skip
        if row.right:
            type_.draw(
                target, row.right, (line.right - round(10 * u), y + round(2 * u)), 15, "regular", Ink.QUIET, "topright"
            )
        if row.below:
            below = pygame.Rect(x, y + type_.line_height(17), line.width - round(24 * u), line.height)
            type_.paragraph(target, row.below, below, 13.5, "italic", Ink.QUIET)

    def key(self, event: pygame.event.Event) -> bool:
        """See `Leaf`."""
        name = pygame.key.name(event.key)
        if name == "escape":
            return True
        if name in ("return", "enter", "keypad enter"):
            return self._take()
        if self.also and self.rows() and name == self.also.key.lower():
            self.also.act(self.at)
            return True
        moves = {"up": -1, "down": 1, "page up": -self._page, "page down": self._page, "home": -(10**6), "end": 10**6}
        if name in moves:
            self.at = max(0, min(len(self.rows()) - 1, self.at + moves[name]))
            self.number = ""
        elif self.typed and (event.unicode.isdigit() or (event.unicode == "." and "." not in self.number)):
            self.number = (self.number + event.unicode)[:6]
        elif self.typed and name == "backspace":
            self.number = self.number[:-1]
        return False

    def _take(self) -> bool:
        if self.number and self.typed:
            self.typed(float(self.number) if self.number != "." else 0.0)
        elif self.choose and self.rows():
            self.choose(self.at)
        return True

    def click(self, pos: tuple[int, int]) -> bool:
        """See `Leaf`."""
        if not self._box.collidepoint(pos):
            return True
        for words, i in self._also_places:
            if self.also and words.inflate(8, 10).collidepoint(pos):
                self.also.act(i)
                return True
        for line, i in self._places:
            if line.collidepoint(pos):
                self.at = i
                if self.choose:
                    self.choose(i)
                    return True
        return False


class KeysLeaf:
    """All keys and what they do, made from the table of bindings; on its second page what the pencilled marks mean."""

    kind = "keys"

    def __init__(self, marks: Sequence[tuple[pygame.Surface, str]], care: str) -> None:
        self.marks = marks
        self.care = care
        self.page = 0
        self._turn_place = pygame.Rect(0, 0, 0, 0)

    def draw(self, target: pygame.Surface, place: Layout, type_: Type) -> None:
        """See `Leaf`."""
        u, pad = place.scale, round(28 * place.scale)
        step = type_.line_height(15) + round(3 * u)
        half, mark_lines = (len(BINDINGS) + 1) // 2, (len(self.marks) + 1) // 2
        height = 2 * pad + half * step + type_.line_height(22) + type_.line_height(13.5) + round(20 * u)
        box = leaf_box(place, 960, height / u)
        lay_paper(target, box, u)
        inner = box.inflate(-2 * pad, -2 * pad)
        type_.draw(target, ("Keys", "Pencil on the page")[self.page], inner.topleft, 22, "bold")
        top = inner.y + type_.line_height(22) + round(6 * u)
        column = inner.width // 2
        if self.page == 0:
            for i, binding in enumerate(BINDINGS):
                x, y = inner.x + (i // half) * column, top + (i % half) * step
                self._draw_binding(target, type_, binding, x, y, column - round(16 * u), u)
        else:
            line = min(round(step * 1.7), (inner.height * 3 // 5) // mark_lines)
            self._draw_marks(target, type_, pygame.Rect(inner.x, top, column, line), mark_lines, u)
            y = top + mark_lines * line + round(10 * u)
            rest = pygame.Rect(inner.x, y, inner.width, inner.bottom - type_.line_height(13.5) - y)
            type_.paragraph(target, self.care, rest, 13.5, "italic", Ink.QUIET)
        words = ("→ shows what the pencil means", "← shows the keys")[self.page] + "; any other key puts the leaf away"
        self._turn_place = type_.draw(target, words, inner.bottomleft, 13.5, "italic", Ink.QUIET, "bottomleft")

    def _draw_marks(self, target: pygame.Surface, type_: Type, cell: pygame.Rect, lines: int, u: float) -> None:
        """Each mark with its meaning, in two columns of cells."""
        for i, (picture, words) in enumerate(self.marks):
            x, y = cell.x + (i // lines) * cell.width, cell.y + (i % lines) * cell.height + cell.height // 2
            target.blit(picture, picture.get_rect(center=(x + round(24 * u), y)))
            type_.draw(target, words, (x + round(58 * u), y), 15, anchor="midleft", max_width_px=cell.width - 66 * u)

    def _draw_binding(
        self, target: pygame.Surface, type_: Type, binding: Binding, x: int, y: int, width: int, u: float
    ) -> None:
        type_.draw(target, binding.label, (x, y), 15, "bold", Ink.BLUE)
        type_.draw(target, binding.what, (x + round(58 * u), y), 15, max_width_px=width - 58 * u)

    def key(self, event: pygame.event.Event) -> bool:
        """See `Leaf`."""
        pages = {"right": 1, "page down": 1, "left": 0, "page up": 0}
        name = pygame.key.name(event.key)
        if name not in pages:
            return True
        self.page = pages[name]
        return False

    def click(self, pos: tuple[int, int]) -> bool:
        """See `Leaf`."""
        if not self._turn_place.inflate(8, 10).collidepoint(pos):
            return True
        self.page = 1 - self.page
        return False


class NoteCheckLeaf:
    """The one-note check: asks for a written note and says what came."""

    kind = "note-check"
    #: The computer's keys are the horn while it asks.
    plays_horn = True

    def __init__(self, asked: str, answer: Callable[[], str], cancel: Callable[[], None]) -> None:
        self.asked = asked
        self.answer = answer
        self.cancel = cancel

    def draw(self, target: pygame.Surface, place: Layout, type_: Type) -> None:
        """See `Leaf`."""
        u = place.scale
        box = leaf_box(place, 560, 250)
        lay_paper(target, box, u)
        inner = box.inflate(-round(56 * u), -round(52 * u))
        type_.draw(target, "One-note check", inner.topleft, 22, "bold")
        text = (
            f"Play a written {self.asked} on the controller, as you finger it on your horn."
            " The shift is worked out from it."
        )
        bottom = type_.paragraph(
            target, text, pygame.Rect(inner.x, inner.y + round(44 * u), inner.width, inner.height), 17
        )
        answer = self.answer()
        if answer:
            type_.paragraph(
                target,
                answer,
                pygame.Rect(inner.x, bottom + round(10 * u), inner.width, inner.height),
                17,
                "italic",
                Ink.BLUE,
            )
        type_.draw(
            target, "Enter keeps it; Esc leaves it as it was", inner.bottomleft, 13.5, "italic", Ink.QUIET, "bottomleft"
        )

    def key(self, event: pygame.event.Event) -> bool:
        """See `Leaf`."""
        name = pygame.key.name(event.key)
        if name == "escape":
            self.cancel()
        return name in ("escape", "return", "enter", "keypad enter", "space")

    def click(self, pos: tuple[int, int]) -> bool:
        """See `Leaf`."""
        return True
