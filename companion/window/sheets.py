"""The engraved sheets that lie on the stand: one for each music, engraved when it is first shown and kept.

There is one engraver, whose news belong to the sheet that asked last, also when another one lies on top by now."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from companion.engraving import Engraver, EngravingRequest
from companion.planning import page_marks
from companion.window.layout import staff_px_for
from companion.window.music import Music
from companion.window.page import PageView
from companion.window.stand import Stand

__all__ = ["Sheets"]


@dataclass(slots=True, eq=False)
class _Sheet:
    """`plan` and `layout` are what was asked for last, `whole` whether all of it has come; `looked_at` is the note one
    had been looking at."""

    music: Music
    page: PageView
    document: Callable[[], bytes]
    plan: str = ""
    layout: tuple[int, float] = (0, 0.0)
    whole: bool = False
    fault: str = ""
    looked_at: int | None = None


class Sheets:
    """Puts the sheet of the run's music on the stand. `musicxml` gives the document of the piece."""

    def __init__(self, stand: Stand, engraver: Engraver, musicxml: Callable[[], bytes]) -> None:
        self._stand, self._engraver = stand, engraver
        piece = stand.run.repertoire.piece
        self._sheets = {id(piece): _Sheet(piece, stand.page, _once(musicxml))}
        self._top = self._asked = self._sheets[id(piece)]
        self.turn()
        self.engrave()

    def turn(self) -> bool:
        """Lay the sheet of the run's music on top; whether another one lay there."""
        music, stand = self._stand.run.music, self._stand
        if music is self._top.music:
            return False
        self._top.looked_at = stand.looked_at
        self._top.page.put_away()
        if id(music) not in self._sheets:
            self._sheets[id(music)] = _Sheet(music, PageView(music.passage), _once(lambda: _written(music)))
        self._top = self._sheets[id(music)]
        stand.show_sheet(self._top.page, self._top.fault)
        stand.look_at(self._top.looked_at, telling=False)
        return True

    def engrave(self) -> None:
        """Ask for the sheet on top as it has to be now, unless it is there already."""
        sheet, place, stand = self._top, self._stand.place, self._stand
        plan, passage = sheet.music.rehearsal.plan, sheet.music.passage
        layout = (place.music.width, staff_px_for(place, passage))
        if layout == sheet.layout and plan.version == sheet.plan and (sheet.whole or self._asked is sheet):
            return
        if sheet.page.done and layout == sheet.layout:
            # Only marks differ, which move no note: the page stays to be read until the new one is whole.
            sheet.page.renew()
        else:
            sheet.page.clear()
        sheet.fault = stand.engraving_fault = ""
        sheet.plan, sheet.layout, sheet.whole, self._asked = plan.version, layout, False, sheet
        self._engraver.request(EngravingRequest(sheet.document(), *layout, page_marks(passage, plan)))

    def collect(self) -> None:
        """Take what the engraver has finished."""
        sheet = self._asked
        while (progress := self._engraver.poll()) is not None:
            for system in progress.systems:
                sheet.page.add(system)
            if progress.done:
                sheet.page.finish()
                sheet.whole = True
            if progress.error is not None:
                sheet.fault = str(progress.error)
        if sheet is self._top and sheet.fault != self._stand.engraving_fault:
            self._stand.engraving_fault = sheet.fault
            if sheet.page.systems:
                self._stand.run.say(f"the page still shows the old marks: {sheet.fault}")


def _once(document: Callable[[], bytes]) -> Callable[[], bytes]:
    """The document is made when it is first wanted, and kept."""
    made: list[bytes] = []

    def kept() -> bytes:
        if not made:
            made.append(document())
        return made[0]

    return kept


def _written(music: Music) -> bytes:
    from companion.scores import for_engraving

    return for_engraving(music.passage)
