"""The page on the stand: engraved systems, the chosen bars, and on them what is written, tinted and pointed at.

`PageView` holds pictures and places; what to show comes in with each call. Systems are stacked top to bottom and the
page is turned by whole systems, always early enough that the system after the caret's can be read."""

from __future__ import annotations

import io
from collections import OrderedDict
from dataclasses import dataclass

import pygame

from companion.engraving.model import Box, System
from companion.passage import Passage
from companion.window import pencil
from companion.window.carets import Carets, draw_caret, draw_carets, draw_looked_at
from companion.window.pencilled import Mark, Pencilled
from companion.window.strip import Strip, StripShapes, draw_strip, strip_px, strip_shapes
from companion.window.theme import Ink, Type

__all__ = ["Mark", "PageView", "Penned", "Tint"]


@dataclass(frozen=True, slots=True)
class Penned:
    """What the teacher wrote: notes whose fingering is fixed, and notes with a comment, as indices of the passage."""

    fixed: tuple[int, ...] = ()
    commented: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Tint:
    """A hard spot: notes `first` to `last`, how hard (1 to 3, 3 the hardest) and the tempo it can reach, as text."""

    first: int
    last: int
    density: int
    label: str


class PageView:
    """The systems of one engraving, shown in a rectangle."""

    DECODED = 14

    def __init__(self, passage: Passage) -> None:
        self.passage = passage
        #: Another number for each engraving: what is drawn from one is drawn anew with the next.
        self.version: int = getattr(self, "version", 0) + 1
        self.systems: list[System] = []
        self.done = False
        self.top = 0
        self._tops_px: list[int] = [0]
        self._pictures: OrderedDict[int, pygame.Surface] = OrderedDict()
        self._heads: dict[str, tuple[int, Box]] = {}
        self._bars: dict[int, list[tuple[int, Box]]] = {}
        self._still: pygame.Surface | None = None
        self._still_key: object = None
        self._print: dict[tuple[int, int, int, int, int], int] = {}
        self._marked: pygame.Surface | None = None
        self._marked_key: object = None
        #: Where slips and other fingerings stand in the window, to be clicked.
        self.mark_places: list[tuple[pygame.Rect, Mark]] = []
        self._bar_to_show: int | None = None
        self._coming: list[System] | None = None
        self.strip_shown: bool = getattr(self, "strip_shown", False)

    # -- what is engraved -------------------------------------------------------------------------------------------

    def clear(self) -> None:
        """Forget the engraving (the window's size changed). The page stays open where it was, by bar: a system of the
        new engraving holds others than the old one of its number, and there may be fewer."""
        bar = self._bar_to_show
        if bar is None and self.top < len(self.systems):
            bar = min(self.systems[self.top].bars, default=None)
        self.__init__(self.passage)  # type: ignore[misc]
        self._bar_to_show = bar

    def put_away(self) -> None:
        """Another page lies on top: forget the drawn pictures, which are soon made again and take much room."""
        self._pictures.clear()
        self._still = self._marked = None
        self._still_key = self._marked_key = None

    def renew(self) -> None:
        """The same page is engraved again with other marks: the old one stays until the new one is whole."""
        self._coming = []

    def finish(self) -> None:
        """The engraving is whole."""
        if self._coming is not None:
            systems, top = self._coming, self.top
            self.__init__(self.passage)  # type: ignore[misc]
            for system in systems:
                self.add(system)
            self.top = min(top, max(0, len(systems) - 1))
        self.done = True

    def add(self, system: System) -> None:
        """Take in the next system from the engraver."""
        if self._coming is not None:
            self._coming.append(system)
            return
        number = len(self.systems)
        self.systems.append(system)
        self._tops_px.append(self._tops_px[-1] + system.height_px)
        for note_id, box in system.heads.items():
            self._heads.setdefault(note_id, (number, box))
        for written_index, box in system.bars.items():
            self._bars.setdefault(written_index, []).append((number, box))
        if self._bar_to_show in system.bars:
            self.top, self._bar_to_show = number, None

    def picture(self, number: int) -> pygame.Surface:
        if number not in self._pictures:
            self._pictures[number] = pygame.image.load(io.BytesIO(self.systems[number].png), "system.png")
            if len(self._pictures) > self.DECODED:
                self._pictures.popitem(last=False)
        self._pictures.move_to_end(number)
        return self._pictures[number]

    def prepare(self, area: pygame.Rect) -> None:
        """Decode one picture that the next turn of the page will need: called when there is nothing else to do."""
        if not self.systems:
            return
        shown = self.last_visible(area) + 1 - self.top
        wanted = range(self.top, min(len(self.systems), self.top + 2 * shown, self.top + self.DECODED))
        missing = next((number for number in wanted if number not in self._pictures), None)
        if missing is not None:
            self.picture(missing)

    def system_of(self, note_index: int) -> int | None:
        """Which system a note of the passage stands in; None while it is not engraved yet."""
        place = self._heads.get(f"n{self.passage.notes[note_index].source}")
        return place[0] if place else None

    def strip_px(self) -> int:
        """Room kept under every system for its strip; 0 where none is shown."""
        return strip_px(self.systems[0].staff.height) if self.strip_shown and self.systems else 0

    def _top_px(self, number: int) -> int:
        """Where a system begins, from the top of the first one."""
        return self._tops_px[number] + number * self.strip_px()

    def last_visible(self, area: pygame.Rect) -> int:
        """The last system that fits on the page whole."""
        last = self.top
        while last + 1 < len(self.systems) and self._top_px(last + 2) - self._top_px(self.top) <= area.height:
            last += 1
        return last

    def follow(self, note_index: int, area: pygame.Rect) -> None:
        """Turn the page so that the note's system and, where there is one, the next can be read."""
        number = self.system_of(note_index)
        if number is None:
            return
        last = self.last_visible(area)
        if number < self.top or number > last or (number == last and last > self.top and last + 1 < len(self.systems)):
            self.top, self._bar_to_show = number, None

    def fill(self, area: pygame.Rect) -> None:
        """Turn back as far as the last system stays in sight: the end of a passage needs no page to itself."""
        end = len(self.systems) - 1
        while self.top > 0 and self.last_visible(area) == end:
            self.top -= 1
            if self.last_visible(area) < end:
                self.top += 1
                return

    def turn(self, systems: int) -> None:
        """Turn by so many systems, forward or back."""
        self.top = max(0, min(len(self.systems) - 1, self.top + systems))
        self._bar_to_show = None

    # -- places -----------------------------------------------------------------------------------------------------

    def _gap(self, area: pygame.Rect) -> int:
        """Room left on the page, shared out between its systems, within reason."""
        shown = self._visible(area)
        free = area.height - (self._top_px(shown.stop) - self._top_px(shown.start))
        return max(0, min(free // max(1, len(shown)), round(self.systems[self.top].staff.height * 0.8)))

    def origin(self, number: int, area: pygame.Rect) -> tuple[int, int]:
        shift = self._top_px(number) - self._top_px(self.top) + (number - self.top) * self._gap(area)
        return area.x, area.y + shift

    def _visible(self, area: pygame.Rect) -> range:
        return range(self.top, self.last_visible(area) + 1) if self.systems else range(0)

    def head(self, note_index: int, area: pygame.Rect) -> pygame.Rect | None:
        """Where a note's head is in the window; None where it isn't on the visible page."""
        place = self._heads.get(f"n{self.passage.notes[note_index].source}")
        if place is None or place[0] not in self._visible(area):
            return None
        return self._in_window(place[0], place[1], area)

    def _in_window(self, number: int, box: Box, area: pygame.Rect) -> pygame.Rect:
        """A box of a system's picture, where it is in the window."""
        x, y = self.origin(number, area)
        return pygame.Rect(round(x + box.x), round(y + box.y), max(1, round(box.width)), max(1, round(box.height)))

    def note_at(self, pos: tuple[int, int], area: pygame.Rect) -> int | None:
        """The note whose head is under, or very near, a point."""
        best, best_distance = None, float("inf")
        for note in self.passage.notes:
            head = self.head(note.index, area)
            if head is None:
                continue
            distance = max(abs(pos[0] - head.centerx) - head.width / 2, abs(pos[1] - head.centery) - head.height / 2)
            if distance < best_distance and distance <= head.width * 0.5:
                best, best_distance = note.index, distance
        return best

    def bar_at(self, pos: tuple[int, int], area: pygame.Rect) -> int | None:
        """The bar under a point, as an index into the passage's bars (its first time through); the staff's
        surroundings count."""
        for written_index, places in self._bars.items():
            for number, box in places:
                if number not in self._visible(area):
                    continue
                x, y = self.origin(number, area)
                reach = box.height * 0.9
                if x + box.x <= pos[0] < x + box.x + box.width and abs(pos[1] - y - box.y - box.height / 2) <= (
                    box.height / 2 + reach
                ):
                    return next(b.index for b in self.passage.bars if b.written_index == written_index)
        return None

    # -- the strip --------------------------------------------------------------------------------------------------

    def strip_box(self, number: int, area: pygame.Rect) -> pygame.Rect:
        """Where the strip of a system stands: under all that is printed of it, as wide as its staff."""
        system, (x, y) = self.systems[number], self.origin(number, area)
        box = pygame.Rect(round(x + system.staff.x), y + system.height_px, round(system.staff.width), self.strip_px())
        return box.inflate(0, -round(self.strip_px() * 0.1))

    def strip_shapes(self, number: int, strip: Strip, area: pygame.Rect) -> StripShapes:
        """What the strip of a system shows."""
        notes = []
        for note in strip.notes:
            if self.system_of(note.note_index) == number:
                head = self.head(note.note_index, area)
                if head is not None:
                    notes.append((note, head))
        return strip_shapes(notes, self.strip_box(number, area), strip.reach_ms)

    def _draw_strips(self, target: pygame.Surface, area: pygame.Rect, strip: Strip, type_: Type) -> None:
        for number in self._visible(area):
            box, x = self.strip_box(number, area), self.origin(number, area)[0]
            first_x = x + min((head.x for head in self.systems[number].heads.values()), default=0)
            shapes = self.strip_shapes(number, strip, area)
            if shapes.strokes or shapes.bands:
                draw_strip(target, shapes, box, first_x, type_)

    # -- drawing ----------------------------------------------------------------------------------------------------

    def draw(
        self,
        target: pygame.Surface,
        area: pygame.Rect,
        chosen: tuple[int, int],
        marks: list[Mark],
        caret: int | None,
        looked_at: int | None = None,
        penned: Penned = Penned(),
        tints: tuple[Tint, ...] = (),
        type_: Type | None = None,
        strip: Strip | None = None,
        carets: Carets | None = None,
    ) -> None:
        """Draw the visible systems. `chosen` are the bars played (indices, both included); what lies outside is faint.
        `caret` is the note to play next, `looked_at` one that was clicked; `carets` are a replay's."""
        still = (self.top, len(self.systems), chosen, area.topleft, area.size, self.strip_shown)
        if still != self._still_key or self._still is None:
            self._still, self._still_key = self._draw_still(area, chosen), still
        key = (still, tuple(marks), penned, tints, strip, type_ is None)
        if key != self._marked_key or self._marked is None:
            self._marked, self._marked_key = self._draw_marked(target, area, marks, penned, tints, type_, strip), key
        target.blit(self._marked, area)
        if looked_at is not None:
            draw_looked_at(target, self, area, looked_at)
        if caret is not None:
            draw_caret(target, self, area, caret)
        if carets is not None:
            draw_carets(target, self, area, carets)

    def _draw_marked(
        self,
        target: pygame.Surface,
        area: pygame.Rect,
        marks: list[Mark],
        penned: Penned,
        tints: tuple[Tint, ...],
        type_: Type | None,
        strip: Strip | None,
    ) -> pygame.Surface:
        """The page with all that is written on it; kept, since a caret moves more often than a mark is made."""
        assert self._still is not None
        target.blit(self._still, area)
        arrived, left = {tint.last for tint in tints}, {tint.first for tint in tints}
        for tint in tints:
            self._draw_tint(target, area, tint, (tint.first in arrived, tint.last in left), type_)
        if strip is not None and type_ is not None and self.strip_shown:
            self._draw_strips(target, area, strip, type_)
        self._draw_penned(target, area, penned)
        pencilled = Pencilled(self, area, type_)
        pencilled.draw(target, marks)
        self.mark_places = pencilled.places
        return target.subsurface(area).copy()

    def mark_at(self, pos: tuple[int, int]) -> Mark | None:
        """The slip or fingering whose mark is under a point."""
        return next((mark for box, mark in self.mark_places if box.inflate(6, 6).collidepoint(pos)), None)

    def _draw_still(self, area: pygame.Rect, chosen: tuple[int, int]) -> pygame.Surface:
        still = pygame.Surface(area.size)
        still.fill(Ink.PAPER)
        inside = {bar.written_index for bar in self.passage.bars[chosen[0] : chosen[1] + 1]}
        everything = len(inside) == len({bar.written_index for bar in self.passage.bars})
        origin = pygame.Rect(0, 0, *area.size)
        for number in self._visible(area):
            x, y = self.origin(number, origin)
            still.blit(self.picture(number), (x, y))
            if not everything:
                self._wash_out(still, number, (x, y), inside)
        return still

    def _wash_out(self, still: pygame.Surface, number: int, at: tuple[int, int], inside: set[int]) -> None:
        system = self.systems[number]
        leftmost = min(box.x for box in system.bars.values())
        for written_index, box in system.bars.items():
            # The clef and the bar number go with the first bar of the line.
            left = at[0] if box.x == leftmost else round(at[0] + box.x)
            if written_index not in inside:
                veil = pygame.Surface((round(at[0] + box.x + box.width) + 2 - left, system.height_px), pygame.SRCALPHA)
                veil.fill((*Ink.PAPER, 176))
                still.blit(veil, (left, at[1]))
        for written_index, box in system.bars.items():
            if written_index == min(inside):
                self._draw_bracket(still, round(at[0] + box.x) - round(box.height * 0.15), at[1] + box.y, box.height, 1)
            if written_index == max(inside):
                end = min(round(at[0] + box.x + box.width + box.height * 0.1), still.get_width() - 3)
                self._draw_bracket(still, end, at[1] + box.y, box.height, -1)

    @staticmethod
    def _draw_bracket(still: pygame.Surface, x: int, y: float, height: float, side: int) -> None:
        line, foot = max(2, round(height * 0.08)), round(height * 0.2)
        top, bottom = round(y - height * 0.12), round(y + height * 1.12)
        x = max(0, x)
        pygame.draw.line(still, Ink.BLUE, (x, top), (x, bottom), line)
        for end in (top, bottom):
            pygame.draw.line(still, Ink.BLUE, (x, end), (x + side * foot, end), line)

    def _draw_tint(
        self, target: pygame.Surface, area: pygame.Rect, tint: Tint, joined: tuple[bool, bool], type_: Type | None
    ) -> None:
        """Soft pencil laid over the notes, denser where it is harder, with the tempo under it."""
        boxes = self.tint_boxes(tint, joined, area)
        for box in boxes:
            target.blit(pencil.hatching(box.size, tint.density), box)
        if tint.label and type_ is not None and boxes:
            text = type_.surface(tint.label, 12.5, "bold", Ink.PENCIL)
            at = text.get_rect(midtop=(boxes[-1].centerx, boxes[-1].bottom + 1)).clamp(area)
            # On a little paper of its own: beams and hairpins may stand there.
            target.fill(Ink.PAPER, at.inflate(4, -2))
            target.blit(text, at)

    def tint_boxes(self, tint: Tint, joined: tuple[bool, bool], area: pygame.Rect) -> list[pygame.Rect]:
        """Where a tint is laid: one box, or one a note where a line or a repeat lies between them. Where it is `joined`
        to the tint before or after, each covers half of the note between them."""
        heads = [(self.system_of(index), self.head(index, area)) for index in (tint.first, tint.last)]
        seen = [(number, head) for number, head in heads if number is not None and head is not None]
        if len(seen) == 2 and seen[0][0] == seen[1][0] and seen[0][1].centerx < seen[1][1].centerx:
            number, (first, last) = seen[0][0], (seen[0][1], seen[1][1])
            reach = first.width // 2
            left = first.centerx if joined[0] else first.left - reach
            right = last.centerx if joined[1] else last.right + reach
            return [self._over_staff(number, area, left, right, first.union(last))]
        return [
            self._over_staff(number, area, head.left - head.width // 2, head.right + head.width // 2, head)
            for number, head in seen
        ]

    def _over_staff(self, number: int, area: pygame.Rect, left: int, right: int, heads: pygame.Rect) -> pygame.Rect:
        """A box from `left` to `right` that covers the staff of a system, and the heads above or below it."""
        staff, (_, y) = self.systems[number].staff, self.origin(number, area)
        top = min(round(y + staff.y - staff.height * 0.12), heads.top)
        bottom = max(round(y + staff.y + staff.height * 1.12), heads.bottom)
        return pygame.Rect(left, top, max(4, right - left), bottom - top)

    def _draw_penned(self, target: pygame.Surface, area: pygame.Rect, penned: Penned) -> None:
        """The teacher's ink: a stroke under a fixed fingering, a small cross beside a note with a comment."""
        for index in penned.fixed:
            place, head = self._mark_box(index, area), self.head(index, area)
            if place is None and head is not None:
                place = head.move(0, -round(head.height * 0.9))
            if place is not None:
                width = max(2, round(place.height * 0.15))
                line = pygame.Rect(place.left, place.bottom + width // 2, place.width, width)
                pygame.draw.rect(target, Ink.BLUE, line)
        for index in penned.commented:
            head, number = self.head(index, area), self.system_of(index)
            if head is not None and number is not None:
                staff = self.systems[number].staff
                top = min(round(self.origin(number, area)[1] + staff.y - staff.height * 0.12), head.top)
                cross = pencil.cross(max(9, round(head.width * 0.9)), Ink.BLUE)
                target.blit(cross, cross.get_rect(midbottom=(head.centerx, top)))

    def _mark_box(self, note_index: int, area: pygame.Rect) -> pygame.Rect | None:
        note_id, number = f"n{self.passage.notes[note_index].source}", self.system_of(note_index)
        if number is None or number not in self._visible(area) or note_id not in self.systems[number].marks:
            return None
        return self._in_window(number, self.systems[number].marks[note_id], area)

    def print_in(self, number: int, box: pygame.Rect) -> int:
        """How many pixels are printed in a box of a picture, staff lines aside. Kept, since marks that look for
        clear paper look at the same places again with every note."""
        key = (number, *box)
        if key not in self._print:
            self._print[key] = self._count_print(number, box)
        return self._print[key]

    def _count_print(self, number: int, box: pygame.Rect) -> int:
        picture = self.picture(number)
        inside = box.clip(picture.get_rect())
        if inside.width < 1 or inside.height < 1:
            return 0
        alpha = pygame.surfarray.array_alpha(picture.subsurface(inside)) > 60
        staff = self.systems[number].staff
        reach = max(1.0, staff.height / 24)
        for i in range(5):
            line = staff.y + staff.height * i / 4 - inside.top
            low, high = round(line - reach), round(line + reach) + 1
            if high > 0 and low < inside.height:
                alpha[:, max(0, low) : high] = False
        return int(alpha.sum())

    def printed(self, number: int, box: pygame.Rect) -> bool:
        """Whether anything is printed in a box of a system's picture, so that the caret doesn't hide it."""
        picture = self.picture(number)
        inside = box.clip(picture.get_rect())
        if inside.width < 1 or inside.height < 1:
            return False
        return pygame.mask.from_surface(picture.subsurface(inside), 40).count() > 0
