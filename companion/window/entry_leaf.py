"""Leaves that are written on: a line of text, and a question to be answered before something goes."""

from __future__ import annotations

from collections.abc import Callable

import pygame

from companion.errors import CompanionError
from companion.window.layout import Layout
from companion.window.leaves import lay_paper, leaf_box
from companion.window.theme import Ink, Type, wrap

__all__ = ["AskLeaf", "EntryLeaf"]


#: Of a longer text the lines up to the cursor are shown.
_MOST_LINES = 10


class EntryLeaf:
    """A line that is typed. `keep` takes it; what it raises is shown, and the line stays as it was typed. `replaced`:
    the first letter takes the place of the whole text, as with a number."""

    def __init__(
        self,
        kind: str,
        title: str,
        keep: Callable[[str], None],
        *,
        text: str = "",
        hint: str = "",
        replaced: bool = False,
        most_letters: int = 200,
        width: float = 640,
    ) -> None:
        self.kind, self.title, self.hint = kind, title, hint
        self.text, self.at = text[:most_letters], len(text[:most_letters])
        self.fault = ""
        self.replaced = replaced and bool(text)
        self._keep, self._most, self._width = keep, most_letters, width
        self._box = pygame.Rect(0, 0, 0, 0)

    def type(self, text: str) -> None:
        """Letters were typed or put in."""
        if self.replaced:
            self.text, self.at, self.replaced = "", 0, False
        text = "".join(letter for letter in text if letter.isprintable())[: self._most - len(self.text)]
        self.text = self.text[: self.at] + text + self.text[self.at :]
        self.at += len(text)
        self.fault = ""

    def key(self, event: pygame.event.Event) -> bool:
        """See `Leaf`."""
        name = pygame.key.name(event.key)
        if name in ("return", "enter", "keypad enter"):
            return self._take()
        if name == "escape":
            return True
        if self.replaced and name in ("backspace", "delete"):
            self.text, self.at = "", 0
        if name in ("backspace", "delete", "left", "right", "home", "end"):
            self.replaced = False
        if name == "v" and event.mod & (pygame.KMOD_CTRL | pygame.KMOD_META):
            self.type(_copied())
        elif name == "backspace" and self.at:
            self.text, self.at = self.text[: self.at - 1] + self.text[self.at :], self.at - 1
        elif name == "delete":
            self.text = self.text[: self.at] + self.text[self.at + 1 :]
        moves = {"left": self.at - 1, "right": self.at + 1, "home": 0, "end": len(self.text)}
        self.at = max(0, min(moves.get(name, self.at), len(self.text)))
        return False

    def _take(self) -> bool:
        try:
            self._keep(self.text.strip())
        except CompanionError as error:
            self.fault = str(error)
            return False
        return True

    def click(self, pos: tuple[int, int]) -> bool:
        """See `Leaf`. What was typed is not lost to a slip of the mouse."""
        return not self._box.collidepoint(pos) and not self.text

    def draw(self, target: pygame.Surface, place: Layout, type_: Type) -> None:
        """See `Leaf`."""
        u = place.scale
        pad = round(28 * u)
        width = leaf_box(place, self._width, 100).width - 2 * pad
        # The cursor is a letter of its own, so that it stands where the line breaks as well.
        lines = wrap(f"{self.text[: self.at]}|{self.text[self.at :]}", type_.font(18), width - round(20 * u))
        words = self.fault or self.hint
        below = wrap(words, type_.font(14.5, "italic"), width)[:4] if words else []
        here = len(wrap(f"{self.text[: self.at]}|", type_.font(18), width - round(20 * u)))
        shown = lines[max(0, here - _MOST_LINES) :][:_MOST_LINES]
        line, small, head = type_.line_height(18), type_.line_height(14.5, "italic"), type_.line_height(22)
        field_px = len(shown) * line + round(16 * u)
        needed = 2 * pad + head + field_px + small * (len(below) + 1) + round(46 * u)
        box = self._box = leaf_box(place, self._width, needed / u)
        lay_paper(target, box, u)
        inner = box.inflate(-2 * pad, -2 * pad)
        type_.draw(target, self.title, inner.topleft, 22, "bold", max_width_px=inner.width)
        field = pygame.Rect(inner.x, inner.y + head + round(12 * u), inner.width, field_px)
        pygame.draw.rect(target, Ink.PAPER_SHADE, field, border_radius=3)
        pygame.draw.line(target, Ink.BLUE, (field.x, field.bottom), (field.right - 1, field.bottom), 2)
        for number, text in enumerate(shown):
            at = (field.x + round(10 * u), field.y + round(8 * u) + number * line)
            if self.replaced:
                pygame.draw.rect(target, Ink.BLUE_WASH, (*at, type_.width(text.rstrip("|"), 18), line))
            type_.draw(target, text, at, 18)
        y = field.bottom + round(12 * u)
        colour = Ink.PRINT if self.fault else Ink.QUIET
        for text in below:
            type_.draw(target, text, (inner.x, y), 14.5, "italic", colour)
            y += small
        keys = "Enter keeps it; Esc leaves it as it was"
        type_.draw(target, keys, inner.bottomleft, 13.5, "italic", Ink.QUIET, "bottomleft")


def _copied() -> str:
    """What was copied elsewhere; its line ends are spaces."""
    try:
        return " ".join((pygame.scrap.get_text() or "").split())
    except pygame.error:
        return ""


class AskLeaf:
    """A question before much changes: Y does it (`yes` says what), anything else leaves all as it is."""

    def __init__(self, kind: str, question: str, below: str, yes: str, act: Callable[[], None]) -> None:
        self.kind, self.question, self.below, self.yes = kind, question, below, yes
        self._act = act
        self._yes = pygame.Rect(0, 0, 0, 0)

    def key(self, event: pygame.event.Event) -> bool:
        """See `Leaf`."""
        if pygame.key.name(event.key) == "y":
            self._act()
        return True

    def click(self, pos: tuple[int, int]) -> bool:
        """See `Leaf`."""
        if self._yes.inflate(10, 10).collidepoint(pos):
            self._act()
        return True

    def draw(self, target: pygame.Surface, place: Layout, type_: Type) -> None:
        """See `Leaf`."""
        u = place.scale
        pad = round(28 * u)
        width = leaf_box(place, 600, 100).width - 2 * pad
        lines = wrap(self.question, type_.font(20, "bold"), width)[:3]
        below = wrap(self.below, type_.font(15), width)[:3]
        high = len(lines) * type_.line_height(20, "bold") + len(below) * type_.line_height(15)
        box = leaf_box(place, 600, (high + 2 * pad + 64 * u) / u)
        lay_paper(target, box, u)
        inner = box.inflate(-2 * pad, -2 * pad)
        y = inner.y
        for line in lines:
            type_.draw(target, line, (inner.x, y), 20, "bold")
            y += type_.line_height(20, "bold")
        y += round(6 * u)
        for line in below:
            type_.draw(target, line, (inner.x, y), 15, "regular", Ink.QUIET)
            y += type_.line_height(15)
        self._yes = type_.draw(target, f"Y  {self.yes}", inner.bottomleft, 16, "bold", Ink.BLUE, "bottomleft")
        at = (self._yes.right + round(30 * u), inner.bottom)
        type_.draw(target, "any other key leaves all as it is", at, 15, "italic", Ink.QUIET, "bottomleft")
