"""A bar or a single note engraved for the shapes' screen, in the background as the stand's page is."""

from __future__ import annotations

import io

import pygame

from companion.engraving import Engraver, EngravingRequest
from companion.engraving.model import System
from companion.errors import EngravingError
from companion.passage import Passage
from companion.scores.write import to_musicxml
from companion.window.theme import Ink

__all__ = ["Staff"]


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

    def show(self, passage: Passage, area: pygame.Rect, mark: tuple[int, str] | None = None) -> None:
        """Ask for a passage in an area; `mark` is a note's index with the fingering to be printed over it."""
        staff_px = max(16.0, area.height / 3.9)
        width = min(area.width, round(staff_px * (3.6 + 1.45 * len(passage.notes))))
        marks = ((f"n{passage.notes[mark[0]].source}", mark[1]),) if mark is not None and mark[1] else ()
        if passage is not self._passage:
            self._passage, self._document = passage, to_musicxml(passage)
        wanted = EngravingRequest(self._document, max(width, round(6.5 * staff_px)), staff_px, marks)
        if wanted == self._wanted:
            return
        self._wanted, self.fault, self._shown = wanted, "", False
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

    def draw(self, target: pygame.Surface, area: pygame.Rect, ringed: int | None) -> None:
        """Draw what is there into the area, the note of that source in a blue frame."""
        if self._picture is None or self._system is None:
            return
        place = self._picture.get_rect(center=area.center)
        # The staff keeps its height from note to note: ledger lines and slurs move nothing.
        staff = self._system.staff
        place.y = round(area.centery - staff.y - staff.height / 2)
        place.y = max(area.bottom - place.height, place.y) if place.bottom > area.bottom else place.y
        place.y = max(area.y, place.y)
        target.blit(self._picture, place)
        head = self._system.heads.get(f"n{ringed}") if ringed is not None else None
        if head is not None:
            box = pygame.Rect(round(place.x + head.x), round(place.y + head.y), round(head.width), round(head.height))
            wide = box.inflate(round(box.width * 0.9), round(box.height * 1.1))
            pygame.draw.rect(target, Ink.BLUE, wide, max(1, box.width // 9), border_radius=max(3, box.width // 3))

    def close(self) -> None:
        """End the engraver."""
        if self._engraver is not None:
            self._engraver.close()
            self._engraver = None
