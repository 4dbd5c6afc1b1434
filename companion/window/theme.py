"""Paper, ink and type: every colour and text size of the window, and text drawing with a bounded cache.

Everything is told apart by shape and weight as well as by colour, so it survives greyscale.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import pygame

from companion.engraving import fonts
from companion.practice.words import shortened

__all__ = ["Ink", "Style", "Type", "can_write", "wrap"]

Style = Literal["regular", "italic", "bold", "music"]
Anchor = Literal[
    "topleft", "midtop", "topright", "midleft", "center", "midright", "bottomleft", "midbottom", "bottomright"
]


class Ink:
    """The colours. Paper is warm, print nearly black, pencil graphite; ink blue is the teacher's pen."""

    DESK = (57, 52, 47)
    DESK_TEXT = (222, 214, 198)
    DESK_FAINT = (164, 155, 140)
    PAPER = (250, 246, 234)
    PAPER_EDGE = (38, 34, 30)
    PAPER_SHADE = (240, 234, 217)
    PRINT = (24, 22, 20)
    QUIET = (104, 98, 90)
    FAINT = (196, 187, 170)
    PENCIL = (58, 58, 66)
    BLUE = (35, 71, 122)
    BLUE_WASH = (214, 222, 232)


@dataclass(frozen=True, slots=True)
class _TextKey:
    text: str
    size_px: int
    style: Style
    colour: tuple[int, int, int]


class Type:
    """Text at the window's scale. Sizes are given for 1280x720 and never fall under 12 px."""

    CACHE = 400

    def __init__(self, scale: float) -> None:
        self.scale = scale
        self._fonts: dict[tuple[int, Style], pygame.font.Font] = {}
        self._drawn: OrderedDict[_TextKey, pygame.Surface] = OrderedDict()

    def px(self, size: float) -> int:
        """Text size in pixels for a size given at 1280x720."""
        return max(12, round(size * self.scale))

    def font(self, size: float, style: Style = "regular") -> pygame.font.Font:
        """The font at a size given at 1280x720."""
        key = (self.px(size), style)
        if key not in self._fonts:
            path = {
                "regular": fonts.TEXT_REGULAR,
                "italic": fonts.TEXT_ITALIC,
                "bold": fonts.TEXT_BOLD,
                "music": fonts.MUSIC,
            }[style]
            self._fonts[key] = pygame.font.Font(str(path), key[0])
        return self._fonts[key]

    def surface(
        self, text: str, size: float, style: Style = "regular", colour: tuple[int, int, int] = Ink.PRINT
    ) -> pygame.Surface:
        """The text as a picture, from the cache where it was drawn before."""
        key = _TextKey(text, self.px(size), style, colour)
        if key in self._drawn:
            self._drawn.move_to_end(key)
            return self._drawn[key]
        picture = self.font(size, style).render(text, True, colour)
        self._drawn[key] = picture
        if len(self._drawn) > self.CACHE:
            self._drawn.popitem(last=False)
        return picture

    def draw(
        self,
        target: pygame.Surface,
        text: str,
        at: tuple[float, float],
        size: float = 15,
        style: Style = "regular",
        colour: tuple[int, int, int] = Ink.PRINT,
        anchor: Anchor = "topleft",
        max_width_px: float | None = None,
    ) -> pygame.Rect:
        """Draw one line; a line wider than `max_width_px` is shortened with an ellipsis. Returns where it stands."""
        if max_width_px is not None:
            text = self.shorten(text, size, style, max_width_px)
        picture = self.surface(text, size, style, colour)
        place = picture.get_rect(**{anchor: (round(at[0]), round(at[1]))})
        target.blit(picture, place)
        return place

    def width(self, text: str, size: float, style: Style = "regular") -> int:
        """Width in pixels."""
        return self.font(size, style).size(text)[0]

    def line_height(self, size: float, style: Style = "regular") -> int:
        """Height of a line in pixels."""
        return self.font(size, style).get_linesize()

    def shorten(self, text: str, size: float, style: Style, max_width_px: float) -> str:
        """The text, cut with an ellipsis where it would be wider; bars at the end of a title stay."""
        return shortened(text, lambda cut: self.width(cut, size, style) <= max_width_px)

    def paragraph(
        self,
        target: pygame.Surface,
        text: str,
        box: pygame.Rect,
        size: float = 15,
        style: Style = "regular",
        colour: tuple[int, int, int] = Ink.PRINT,
        align: Literal["left", "center"] = "left",
        max_lines: int | None = None,
    ) -> int:
        """Draw text wrapped into `box`; returns the y under its last line. What doesn't fit ends in an ellipsis."""
        font, height = self.font(size, style), self.line_height(size, style)
        lines = wrap(text, font, box.width)
        limit = max(1, box.height // height) if max_lines is None else max_lines
        if len(lines) > limit:
            lines = [*lines[: limit - 1], self.shorten(" ".join(lines[limit - 1 :]), size, style, box.width)]
        y = box.y
        for line in lines:
            x = box.x if align == "left" else box.centerx
            self.draw(target, line, (x, y), size, style, colour, "topleft" if align == "left" else "midtop")
            y += height
        return y


@lru_cache(maxsize=256)
def _picture(letter: str) -> bytes:
    if not pygame.font.get_init():
        pygame.font.init()
    return pygame.image.tobytes(pygame.font.Font(str(fonts.TEXT_BOLD), 24).render(letter, True, Ink.PRINT), "RGBA")


def can_write(text: str) -> bool:
    """Whether the text fonts have all letters of a text: what they lack is drawn as a box."""
    box = _picture("\U0010ffff")  # no character, in no font
    return all(_picture(letter) != box for letter in text)


def wrap(text: str, font: pygame.font.Font, width_px: float) -> list[str]:
    """Break text into lines of at most `width_px` at spaces (a single long word is broken where it must)."""
    lines: list[str] = []
    for paragraph in text.split("\n"):
        line = ""
        for word in paragraph.split():
            while font.size(word)[0] > width_px and len(word) > 1:
                cut = next(i for i in range(len(word) - 1, 0, -1) if i == 1 or font.size(word[:i])[0] <= width_px)
                if line:
                    lines.append(line)
                    line = ""
                lines.append(word[:cut])
                word = word[cut:]
            longer = f"{line} {word}" if line else word
            if font.size(longer)[0] <= width_px:
                line = longer
            else:
                lines.append(line)
                line = word
        lines.append(line)
    return lines
