"""A bar or a single note engraved for the shapes' screen, in the background as the stand's page is."""

from __future__ import annotations

import io
import time

import pygame

from companion.engraving import Engraver, EngravingRequest
from companion.engraving.model import System
from companion.errors import EngravingError
from companion.passage import Passage
from companion.scores.write import to_musicxml
from companion.window.theme import Ink

__all__ = ["Staff"]

#: A wait of less is no wait.
SLOW_S = 0.2


class Staff:
    """Shows one small passage at a time. `fault` says why there is none. The engraver starts with the first one."""

    def __init__(self) -> None:
        self.fault = ""
        self._engraver: Engraver | None = None
        self._passage: Passage | None = None
        self._document = b""
        self._wanted: EngravingRequest | None = None
        self._system: System | None = None
        self._picture: pygame.Surface | None = None
        self._shown = False
        self._asked_s = 0.0

    def show(self, passage: Passage, area: pygame.Rect, mark: tuple[int, str] | None = None) -> None:
        """Ask for a passage in an area; `mark` is a note's index with the fingering to be printed over it."""
        staff_px = max(18.0, area.height / 3.4)
        # Clef and meter take some two staff heights; a quick note needs room for its accidental and the frame round it.
        width = min(area.width, round(staff_px * (3.0 + 1.5 * len(passage.notes))))
        marks = ((f"n{passage.notes[mark[0]].source}", mark[1]),) if mark is not None and mark[1] else ()
        if passage is not self._passage:
            self._passage, self._document = passage, to_musicxml(passage)
        wanted = EngravingRequest(self._document, max(width, round(6.5 * staff_px)), staff_px, marks)
        if wanted == self._wanted:
            return
        self._wanted, self.fault, self._shown, self._asked_s = wanted, "", False, time.perf_counter()
        try:
            self._engraver = self._engraver or Engraver()
            self._engraver.request(wanted)
        except EngravingError as error:
            self.fault = str(error)

    def poll(self) -> bool:
        """Take what the engraver has finished; whether anything is new."""
        new = False
        while self._engraver is not None and (progress := self._engraver.poll()) is not None:
            if progress.systems:
                self._system = progress.systems[0]
                self._picture = pygame.image.load(io.BytesIO(self._system.png)).convert_alpha()
                new = self._shown = True
            if progress.error is not None:
                self.fault, new = str(progress.error), True
        return new

    @property
    def ready(self) -> bool:
        """Whether the picture of what was asked for is there (or never comes)."""
        return bool(self.fault) or self._shown

    @property
    def slow(self) -> bool:
        """Whether what was asked for has not come in the time in which a wait is not noticed."""
        return self._wanted is not None and not self.ready and time.perf_counter() - self._asked_s > SLOW_S

    def draw(self, target: pygame.Surface, area: pygame.Rect, ringed: int | None) -> None:
        """Draw what is there into the area, an arrow at the note of that source."""
        if self._picture is None or self._system is None:
            return
        place = self._picture.get_rect(center=area.center)
        # The staff keeps its height from note to note: ledger lines, slurs and marks move nothing while there is room.
        staff = self._system.staff
        place.y = round(area.y + area.height * 0.58 - staff.y - staff.height / 2)
        place.y = max(area.y, min(place.y, area.bottom - place.height))
        target.blit(self._picture, place)
        head = self._system.heads.get(f"n{ringed}") if ringed is not None else None
        if head is not None:
            box = pygame.Rect(round(place.x + head.x), round(place.y + head.y), round(head.width), round(head.height))
            _point_at(target, box, pygame.Rect(place.x, round(place.y + staff.y), place.width, round(staff.height)))

    def close(self) -> None:
        """End the engraver."""
        if self._engraver is not None:
            self._engraver.close()
            self._engraver = None


def _point_at(target: pygame.Surface, head: pygame.Rect, staff: pygame.Rect) -> None:
    """An arrow from below: beside the head an accidental may stand, above it a beam or a mark."""
    size = max(5, round(head.width * 0.5))
    tip = (head.centerx, max(head.bottom, staff.bottom) + size)
    line = max(2, size // 4)
    pygame.draw.polygon(target, Ink.BLUE, [tip, (tip[0] - size, tip[1] + size), (tip[0] + size, tip[1] + size)])
    pygame.draw.rect(target, Ink.BLUE, (tip[0] - line // 2, tip[1] + size - 1, line, size))
