"""All fingerings of one note side by side, to compare and to choose from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pygame

from companion.charts.model import Chart, Fingering
from companion.units import ms_from_s
from companion.window.fingerings import Cost
from companion.window.horn import draw_horn_small
from companion.window.layout import Layout
from companion.window.leaves import lay_paper, leaf_box
from companion.window.theme import Ink, Type

__all__ = ["FingeringShown", "NoteLeaf", "cost_in_words", "ms_in_words", "rules_in_words"]

#: Narrower than this at 1280x720 a diagram's keys run together.
_COLUMN, _MOST_COLUMNS = 168, 6


def cost_in_words(cost: Cost) -> str:
    """`+47 ms`: what the changes into and out of the note take more; `−12 ms; the rules speak against it`."""
    rules = rules_in_words(cost)
    return ms_in_words(cost) + (f"; the rules speak {'against' if cost.rules > 0 else 'for'} it" if rules else "")


def ms_in_words(cost: Cost) -> str:
    """`+47 ms`, `−12 ms`."""
    ms = round(ms_from_s(cost.changes_s))
    return f"−{-ms} ms" if ms < 0 else f"+{ms} ms"


def rules_in_words(cost: Cost) -> str:
    """Which way the rules of practice speak, in the room under a small diagram."""
    return "" if not cost.rules else "against rules" if cost.rules > 0 else "rules for it"


@dataclass(frozen=True, slots=True)
class FingeringShown:
    """One column: the fingering, whether it is the one chosen, and what it costs here in words."""

    fingering: Fingering
    chosen: bool
    cost: str


class NoteLeaf:
    """Lies over the stand; arrows and Enter or the mouse take another fingering, 0 takes the mark away."""

    kind = "note"

    def __init__(
        self,
        chart: Chart,
        title: str,
        words: str,
        columns: list[FingeringShown],
        take: Callable[[Fingering], None],
        unmark: Callable[[], None] | None,
    ) -> None:
        self.chart = chart
        self.title = title
        self.words = words
        self.columns = columns
        self.take = take
        self.unmark = unmark
        self.at = next((i for i, column in enumerate(columns) if column.chosen), 0)
        self._first = 0
        self._places: list[tuple[pygame.Rect, int]] = []
        self._box = pygame.Rect(0, 0, 0, 0)

    def draw(self, target: pygame.Surface, place: Layout, type_: Type) -> None:
        """See `Leaf`."""
        u = place.scale
        shown = self._shown(place)
        box = self._box = leaf_box(place, max(560, 52 + _COLUMN * len(shown)), 560)
        lay_paper(target, box, u)
        pad = round(26 * u)
        inner = box.inflate(-2 * pad, -2 * pad)
        type_.draw(target, self.title, inner.topleft, 22, "bold", max_width_px=inner.width)
        words = pygame.Rect(inner.x, inner.y + type_.line_height(22) + round(4 * u), inner.width, round(66 * u))
        type_.paragraph(target, self.words, words, 15, "italic", Ink.PENCIL)
        hint = self._hint(len(shown))
        hint_top = inner.bottom - type_.line_height(13.5)
        type_.draw(target, hint, (inner.x, hint_top), 13.5, "italic", Ink.QUIET, max_width_px=inner.width)
        area = pygame.Rect(inner.x, words.bottom, inner.width, hint_top - round(8 * u) - words.bottom)
        self._places = []
        width = area.width // len(shown)
        for i, column in enumerate(shown):
            cell = pygame.Rect(area.x + i * width, area.y, width - round(6 * u), area.height)
            self._places.append((cell, self._first + i))
            self._draw_column(target, type_, cell, column, self._first + i == self.at, u)

    def _shown(self, place: Layout) -> list[FingeringShown]:
        fit = max(2, min(_MOST_COLUMNS, int((place.width_px - 92) / (_COLUMN * place.scale))))
        self._first = max(0, min(self._first, self.at, len(self.columns) - fit))
        self._first = max(self._first, self.at - fit + 1)
        return self.columns[self._first : self._first + fit]

    def _hint(self, shown: int) -> str:
        more = f"; {len(self.columns)} in all, ← → for more" if shown < len(self.columns) else ""
        off = "; 0 takes the mark away" if self.unmark else ""
        return f"← → and Enter, or the mouse, plan the passage around another one{off}{more}; Esc leaves it"

    def _draw_column(
        self, target: pygame.Surface, type_: Type, cell: pygame.Rect, shown: FingeringShown, at: bool, u: float
    ) -> None:
        if at:
            pygame.draw.rect(target, Ink.BLUE_WASH, cell, border_radius=4)
        if shown.chosen:
            pygame.draw.rect(target, Ink.BLUE, cell, max(2, round(2 * u)), border_radius=4)
        fingering, pad = shown.fingering, round(8 * u)
        inner = cell.inflate(-2 * pad, -2 * pad)
        type_.draw(target, fingering.name, inner.midtop, 16, "bold", anchor="midtop", max_width_px=inner.width)
        y = inner.y + type_.line_height(16)
        cost_height = 2 * type_.line_height(13.5, "italic")
        type_.paragraph(
            target, "chosen here" if shown.chosen else shown.cost, pygame.Rect(inner.x, y, inner.width, cost_height),
            13.5, "italic", Ink.BLUE if shown.chosen else Ink.QUIET, "center",
        )  # fmt: skip
        y += cost_height + round(4 * u)
        words_height = 4 * type_.line_height(12.5)
        horn = pygame.Rect(inner.x, y, inner.width, inner.bottom - words_height - round(6 * u) - y)
        draw_horn_small(target, horn, self.chart, fingering.keys)
        use = fingering.use or "the usual fingering"
        type_.paragraph(
            target, use, pygame.Rect(inner.x, inner.bottom - words_height, inner.width, words_height), 12.5, "regular",
            Ink.PENCIL, "center",
        )  # fmt: skip

    def key(self, event: pygame.event.Event) -> bool:
        """See `Leaf`."""
        name = pygame.key.name(event.key)
        if name in ("left", "right", "up", "down"):
            step = -1 if name in ("left", "up") else 1
            self.at = max(0, min(len(self.columns) - 1, self.at + step))
            return False
        if name in ("return", "enter", "keypad enter", "space"):
            self.take(self.columns[self.at].fingering)
            return True
        if name in ("0", "delete", "backspace") and self.unmark:
            self.unmark()
            return True
        return name == "escape"

    def click(self, pos: tuple[int, int]) -> bool:
        """See `Leaf`."""
        for box, index in self._places:
            if box.collidepoint(pos):
                self.take(self.columns[index].fingering)
                return True
        return not self._box.collidepoint(pos)
