"""Where each pencil mark goes on the engraved page: beside its note, clear of what is printed and of other marks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Protocol

import pygame

from companion.engraving.model import System
from companion.practice.model import ADDED, EARLY, LATE, LEFT_OUT, WRONG_NOTE
from companion.window import pencil
from companion.window.theme import Ink, Type

__all__ = ["CUT", "LONGER", "SHORTER", "SLIP", "SLUR", "SPOT", "TIMES_SIZE", "USED", "Mark", "Pencilled", "staff_steps"]

#: What is pencilled besides the verdicts on notes: join these two, tongue here, shorter, longer, a slip on the way to
#: the note, another fingering than planned was used, a spot that keeps failing.
SLUR, CUT, SHORTER, LONGER, SLIP, USED, SPOT = "slur", "cut", "shorter", "longer", "slip", "used", "spot"
#: A mark moves away from its note by at most so many staff spaces in search of clear paper.
FARTHEST_SPACES = 5.0
#: Lying over another mark or the strip of early and late, or partly off the page, counts like so many pixels of print.
TAKEN_PX, OUTSIDE_PX = 200, 2000
#: Size of the small number that says how often.
TIMES_SIZE = 13.5
#: From this share of print on a mark can't be read where it would stand.
CROWDED_SHARE = 0.04
#: What is bound to its place is drawn first, then what looks for clear paper, the nearest to the note first.
_ORDER = {SLIP: 1, EARLY: 2, LATE: 2, SHORTER: 3, LONGER: 3, CUT: 3, SLUR: 4, USED: 5, SPOT: 6}
_STEPS_SHARP = (0, 0, 1, 1, 2, 3, 3, 4, 4, 5, 5, 6)
_STEPS_FLAT = (0, 1, 1, 2, 2, 3, 4, 4, 5, 5, 6, 6)


@dataclass(frozen=True, slots=True)
class Mark:
    """What is pencilled at note `note_index` of the whole passage. `amount_ms` is how early (negative) or late it
    was; `from_index` is the note before, where two belong together; `steps` how many places of the staff the heard
    note of a slip lies above the written one; `text` what is written out; `times` how often it was so, where what is
    printed once is played again and again."""

    note_index: int
    kind: str
    amount_ms: float = 0.0
    from_index: int = -1
    steps: int = 0
    text: str = ""
    times: int = 1


class Paper(Protocol):
    """What has to be known of the page (`page.PageView`)."""

    systems: list[System]

    def head(self, note_index: int, area: pygame.Rect) -> pygame.Rect | None:
        """Where a head is."""

    def system_of(self, note_index: int) -> int | None:
        """In which system."""

    def origin(self, number: int, area: pygame.Rect) -> tuple[int, int]:
        """Where a system's picture begins."""

    def print_in(self, number: int, box: pygame.Rect) -> int:
        """How much is printed in a box of the system's picture."""

    def strip_box(self, number: int, area: pygame.Rect) -> pygame.Rect:
        """Where its strip of early and late stands, of no height where none is shown."""


def staff_steps(written_midi: int, heard_midi: int, fifths: int) -> int:
    """How many staff places a heard note lies above a written one, spelled with sharps or flats as the key has it."""
    steps = _STEPS_FLAT if fifths < 0 else _STEPS_SHARP
    place = {midi: 7 * (midi // 12) + steps[midi % 12] for midi in (written_midi, heard_midi)}
    return place[heard_midi] - place[written_midi]


class Pencilled:
    """Draws the marks of one picture of the page, and remembers where slips and fingerings stand to be clicked."""

    def __init__(self, paper: Paper, area: pygame.Rect, type_: Type | None) -> None:
        self.paper = paper
        self.area = area
        self.type = type_
        self.places: list[tuple[pygame.Rect, Mark]] = []
        self._taken: list[pygame.Rect] = []
        self._origins: dict[int, tuple[int, int]] = {}

    def draw(self, target: pygame.Surface, marks: Iterable[Mark]) -> None:
        """Draw all: those bound to one place first, then those that look for clear paper."""
        ordered = sorted(marks, key=lambda mark: _ORDER.get(mark.kind, 0))
        for mark in ordered:
            head = self.paper.head(mark.note_index, self.area)
            if head is not None:
                self._draw_one(target, mark, head)

    def _draw_one(self, target: pygame.Surface, mark: Mark, head: pygame.Rect) -> None:
        if mark.kind in (WRONG_NOTE, LEFT_OUT, ADDED):
            picture, middle = _verdict(mark, head)
            box = picture.get_rect(center=middle)
        elif mark.kind == SLUR:
            picture, box = self._slur(mark, head)
        elif mark.kind == SLIP:
            picture, box = self._slip(mark, head)
        else:
            found = self._picture_of(mark, head)
            if found is None:
                return
            picture, box = found, self._near(mark, head, found)
        target.blit(picture, box)
        self._taken.append(box)
        if mark.times > 1:
            self._draw_times(target, mark, box)
        if mark.kind in (SLIP, USED):
            self.places.append((box, mark))

    def _draw_times(self, target: pygame.Surface, mark: Mark, beside: pygame.Rect) -> None:
        """How often, small, close to the mark: where there is room."""
        if self.type is None:
            return
        words = self.type.surface(f"{mark.times}×", TIMES_SIZE, "italic", Ink.PENCIL)
        box, close = words.get_rect(), beside.inflate(2, 2)
        middle = box.move(beside.centerx - box.width // 2, beside.centery - box.height // 2)
        left, right = close.left - box.width, close.right
        above, below = close.top - box.height, close.bottom
        places = [
            *(pygame.Rect(x, middle.y, *box.size) for x in (right, left)),
            *(pygame.Rect(middle.x, y, *box.size) for y in (below, above)),
            *(pygame.Rect(x, y, *box.size) for y in (below, above) for x in (right, left)),
        ]
        box = self._first_clear(self.paper.system_of(mark.note_index) or 0, places)
        target.blit(words, box)
        self._taken.append(box)

    def _picture_of(self, mark: Mark, head: pygame.Rect) -> pygame.Surface | None:
        if mark.kind in (EARLY, LATE):
            return _arrow(mark, head)
        if mark.kind == CUT:
            return pencil.cut(head.width)
        if mark.kind == SHORTER:
            return pencil.dot(head.width)
        if mark.kind == LONGER:
            return pencil.dash(head.width)
        if mark.kind == SPOT:
            return pencil.spectacles(head.width)
        return self.type.surface(mark.text, 13, "italic", Ink.PENCIL) if self.type and mark.text else None

    # -- places ------------------------------------------------------------------------------------------------------

    def _near(self, mark: Mark, head: pygame.Rect, picture: pygame.Surface) -> pygame.Rect:
        """The nearest clear place: on the side away from the stem first; words and spectacles over the staff."""
        number = self.paper.system_of(mark.note_index) or 0
        x = head.centerx
        before = self._before(mark, head)
        if mark.kind == CUT and before is not None:
            x = (before.centerx + head.centerx) // 2
        if mark.kind in (EARLY, LATE):
            x += round(head.width * 0.25) * (1 if mark.kind == LATE else -1)
        box = picture.get_rect(center=(x, head.centery))
        above_only = mark.kind in (USED, SPOT)
        sides = (-1,) if above_only else (1, -1) if self._stem_up(number, head) else (-1, 1)
        start = self._over_staff(number, head) if above_only else head
        places = self._columns(box, start, sides, head)
        if above_only:  # over the page's first line there may be no room
            places = chain(places, self._columns(box, head, (1,), head))
        return self._first_clear(number, places)

    def _columns(
        self, box: pygame.Rect, start: pygame.Rect, sides: tuple[int, ...], head: pygame.Rect
    ) -> Iterator[pygame.Rect]:
        """Boxes further and further away from the note, both sides in turn."""
        step = max(2, head.height // 4)
        for i in range(round(FARTHEST_SPACES * 4)):
            for side in sides:
                moved = box.copy()
                gap = max(2, head.height // 4) + i * step
                if side < 0:
                    moved.bottom = start.top - gap
                else:
                    moved.top = start.bottom + gap
                yield moved

    def _first_clear(self, number: int, boxes: Iterable[pygame.Rect]) -> pygame.Rect:
        """The first box with nothing in it; else the one with the least."""
        best: tuple[int, pygame.Rect] | None = None
        strip = self.paper.strip_box(number, self.area)
        for wanted in boxes:
            # Beside the first or last note of a line a mark may lean out of the page.
            box = wanted.clamp(pygame.Rect(self.area.x, wanted.y, self.area.width, wanted.height))
            full = self.print_in(number, box.inflate(2, 2))
            full += TAKEN_PX * (len(box.collidelistall(self._taken)) + strip.colliderect(box))
            full += 0 if self.area.contains(box) else OUTSIDE_PX
            if not full:
                return box
            if best is None or full < best[0]:
                best = full, box
        assert best is not None, "a mark has at least one place"
        return best[1].clamp(self.area)

    def _over_staff(self, number: int, head: pygame.Rect) -> pygame.Rect:
        staff, (_, y) = self.paper.systems[number].staff, self.paper.origin(number, self.area)
        return pygame.Rect(head.x, min(head.top, round(y + staff.y)), head.width, head.height)

    def print_in(self, number: int, box: pygame.Rect) -> int:
        """How many pixels are printed in a box of the window, staff lines aside."""
        if number not in self._origins:
            self._origins[number] = self.paper.origin(number, self.area)
        left, top = self._origins[number]
        return self.paper.print_in(number, box.move(-left, -top))

    def _stem_up(self, number: int, head: pygame.Rect) -> bool:
        """Whether the note's stem rises: what is printed right over the head's right edge tells."""
        reach = round(head.height * 1.6)
        over = pygame.Rect(head.right - 2, head.top - reach, 3, reach)
        under = pygame.Rect(head.left - 1, head.bottom, 3, reach)
        return self.print_in(number, over) >= self.print_in(number, under)

    def _before(self, mark: Mark, head: pygame.Rect) -> pygame.Rect | None:
        """The head of the note before, where it stands to the left in the same system."""
        if mark.from_index < 0 or self.paper.system_of(mark.from_index) != self.paper.system_of(mark.note_index):
            return None
        before = self.paper.head(mark.from_index, self.area)
        return before if before is not None and before.centerx < head.centerx else None

    def _slur(self, mark: Mark, head: pygame.Rect) -> tuple[pygame.Surface, pygame.Rect]:
        number = self.paper.system_of(mark.note_index) or 0
        before = self._before(mark, head) or head.move(-round(head.width * 2), 0)
        width = max(head.width + 4, head.centerx - before.centerx)
        height = max(6, min(round(head.height * 1.3), round(width * 0.24)))
        box = pygame.Rect(before.centerx, 0, width, height)
        sides = (1, -1) if self._stem_up(number, head) else (-1, 1)
        box = self._first_clear(number, self._columns(box, before.union(head), sides, head))
        upward = box.centery < before.union(head).centery
        return pencil.slur(box.width, box.height, upward), box

    def _slip(self, mark: Mark, head: pygame.Rect) -> tuple[pygame.Surface, pygame.Rect]:
        """On the staff where it sounded, between the two notes."""
        number = self.paper.system_of(mark.note_index) or 0
        before = self._before(mark, head)
        picture = pencil.slip(head.width)
        x = (before.right + head.left) / 2 if before is not None else head.left - head.width * 0.9
        y = head.centery - mark.steps * self.paper.systems[number].staff.height / 8
        box = picture.get_rect(center=(round(x), round(y)))
        if self.print_in(number, box) > box.width * box.height * CROWDED_SHARE:
            # Notes, beams or accidentals stand there: over or under them.
            sides = (-1, 1) if mark.steps >= 0 else (1, -1)
            heads = head if before is None else head.union(before)
            box = self._first_clear(number, self._columns(box, heads, sides, head))
        return picture, box.clamp(self.area)


def _verdict(mark: Mark, head: pygame.Rect) -> tuple[pygame.Surface, tuple[int, int]]:
    """The mark of a verdict on a note, and where its middle goes."""
    if mark.kind == WRONG_NOTE:
        return pencil.ring(head.width, mark.note_index % 5), head.center
    if mark.kind == LEFT_OUT:
        return pencil.brackets(head.width), head.center
    picture = pencil.insert_mark(head.width)
    return picture, (head.left - round(head.width * 0.25), head.top - picture.get_height())


def _arrow(mark: Mark, head: pygame.Rect) -> pygame.Surface:
    """Forward for late, back for early; the longer, the more."""
    reach = min(1.0, abs(mark.amount_ms) / 120)
    return pencil.arrow(head.width, round(head.width * (1.2 + 0.8 * reach)), mark.kind == LATE)
