"""What points at notes of the page: the caret of a take, the two of a replay with the strip's cursor, the frame round a
note that is looked at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import pygame

from companion.window.pencilled import Paper
from companion.window.theme import Ink

__all__ = ["CaretPaper", "Carets", "draw_caret", "draw_carets", "draw_looked_at"]


@dataclass(frozen=True, slots=True)
class Carets:
    """The two carets of a replay: the note that sounded last, the one the click has, and where the cursor of the strip
    stands (a note, the next one, and how far between them)."""

    sounded: int | None = None
    written: int | None = None
    cursor: tuple[int, int, float] | None = None


class CaretPaper(Paper, Protocol):
    """What more has to be known of the page (`page.PageView`)."""

    strip_shown: bool

    def printed(self, number: int, box: pygame.Rect) -> bool:
        """Whether anything is printed in a box of the system's picture."""


def draw_looked_at(target: pygame.Surface, page: CaretPaper, area: pygame.Rect, note_index: int) -> None:
    """A frame round a note that was clicked."""
    head = page.head(note_index, area)
    if head:
        wide = head.inflate(round(head.width * 0.9), round(head.height * 1.1))
        pygame.draw.rect(target, Ink.BLUE, wide, max(1, head.width // 9), border_radius=max(3, head.width // 3))


def draw_caret(target: pygame.Surface, page: CaretPaper, area: pygame.Rect, note_index: int) -> None:
    """A line before the note to play next, with a flag where there is room for one; print stays to be read."""
    head, number = page.head(note_index, area), page.system_of(note_index)
    if head is None or number is None:
        return
    staff = page.systems[number].staff
    left, y = page.origin(number, area)
    width, flag = max(2, round(staff.height / 14)), max(6, round(staff.height * 0.24))
    x = head.left - max(2, round(head.width * 0.3))
    top = min(round(y + staff.y - staff.height * 0.3), head.top - round(head.height * 0.6))
    bottom = max(round(y + staff.y + staff.height * 1.3), head.bottom + round(head.height * 0.6))
    # The line ends at the staff where words stand over it.
    low = min(round(y + staff.y), head.top)
    over = pygame.Rect(x, top, head.right - x + width * 2, low - top - 1)
    top = low if page.printed(number, over.move(-left, -y)) else top
    middle = x + width // 2
    above = pygame.Rect(middle - flag, top - flag, 2 * flag, flag)
    under = pygame.Rect(middle - flag, bottom, 2 * flag, flag)
    # Between a tempo mark above and a dynamic below there is no room: then the line alone has to do.
    place = next((box for box in (above, under) if not page.printed(number, box.move(-left, -y))), None)
    veil = pygame.Surface((head.right - x + width * 2, bottom - top), pygame.SRCALPHA)
    veil.fill((*Ink.BLUE, 34))
    target.blit(veil, (x, top))
    pygame.draw.rect(target, Ink.BLUE, (x, top, width, bottom - top))
    if place is above:
        corners = [place.topleft, place.topright, (place.centerx, place.bottom + flag // 3)]
        pygame.draw.polygon(target, Ink.BLUE, corners)
    elif place is under:
        pygame.draw.polygon(target, Ink.BLUE, [place.bottomleft, place.bottomright, place.midtop])


def draw_carets(target: pygame.Surface, page: CaretPaper, area: pygame.Rect, carets: Carets) -> None:
    """What is written stands under the caret as in a take; what sounded stands between two strokes
    of the pencil."""
    if carets.written is not None:
        draw_caret(target, page, area, carets.written)
    head = page.head(carets.sounded, area) if carets.sounded is not None else None
    if head is not None:
        _draw_sounded(target, head)
    if carets.cursor is not None and page.strip_shown:
        _draw_cursor(target, page, area, carets.cursor)


def _draw_sounded(target: pygame.Surface, head: pygame.Rect) -> None:
    """A roof over the head and a floor under it: to the left and right its neighbours stand close."""
    line = max(2, round(head.width * 0.18))
    box = head.inflate(round(head.width * 0.5), 2 * round(head.height * 0.75))
    foot = line + max(2, round(head.height * 0.25))
    for y, foot_y in ((box.top, box.top), (box.bottom - line, box.bottom - foot)):
        pygame.draw.rect(target, Ink.PENCIL, (box.left, y, box.width, line))
        for x in (box.left, box.right - line):
            pygame.draw.rect(target, Ink.PENCIL, (x, foot_y, line, foot))


def _cursor_x(page: CaretPaper, cursor: tuple[int, int, float], area: pygame.Rect) -> tuple[int, int] | None:
    """(system, x) of the strip's cursor: between two notes of a line by the time gone, at the end of a line it
    runs on to the staff's end."""
    at, following, share = cursor
    number, head = page.system_of(at), page.head(at, area)
    if number is None or head is None:
        return None
    after = page.head(following, area) if page.system_of(following) == number else None
    end = page.strip_box(number, area).right
    if after is not None and after.centerx > head.centerx:
        end = after.centerx
    return number, round(head.centerx + (end - head.centerx) * min(1.0, max(0.0, share)))


def _draw_cursor(target: pygame.Surface, page: CaretPaper, area: pygame.Rect, cursor: tuple[int, int, float]) -> None:
    place = _cursor_x(page, cursor, area)
    if place is None:
        return
    box = page.strip_box(place[0], area)
    width = max(2, round(box.height / 22))
    pygame.draw.rect(target, Ink.BLUE, (place[1] - width // 2, box.top, width, box.height))
