"""The mock performance drawn: an empty desk in the silences, the announced page and nothing else, then the judge's
sheet."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

import pygame

from companion.practice.mock import ANNOUNCED, OVER, SILENCE
from companion.practice.words import piece_in_words
from companion.window.display import scale_of
from companion.window.mock_run import Judged, MockPiece, MockRun
from companion.window.page import PageView
from companion.window.paper import draw_keys, draw_said, foot_in, lay_sheet, sheet_in
from companion.window.pencilled import Mark
from companion.window.theme import Ink, Type, wrap

__all__ = ["MockView", "Places", "places"]

CARE = "Breathe out once before you begin. Stop at pain, numbness or tingling; your teacher knows more than any sheet."
ORDER = (
    "Heard first is what breaks the music most: breaking off, going back, a stop; then wrong notes, the tempo,"
    " articulation, evenness. The time is judged against your own beat, for there was no click."
)
_LABEL_WIDTH = 124.0
#: What is written small where there is much of it, and the most lines of one sentence.
SMALLER, MOST_LINES = (1.0, 0.92, 0.84, 0.76, 0.7), 4


@dataclass(frozen=True, slots=True)
class Places:
    """Where everything stands, in pixels; `scale` is 1 at 1280x720."""

    scale: float
    sheet: pygame.Rect
    head: pygame.Rect
    music: pygame.Rect


def places(width_px: int, height_px: int) -> Places:
    """The sheet takes the window; no horn and no ladder stand beside it."""
    u = scale_of((width_px, height_px))
    sheet = sheet_in((width_px, height_px), 1120)
    side = round(40 * u)
    head = pygame.Rect(sheet.x + side, sheet.y + round(14 * u), sheet.width - 2 * side, max(40, round(46 * u)))
    music = pygame.Rect(head.x, head.bottom + round(6 * u), head.width, sheet.bottom - head.bottom - round(20 * u))
    return Places(u, sheet, head, music)


class MockView:
    """Draws a `MockRun`. `shown` is the piece of the judge's sheet that is looked at, `page_shown` whether its page
    with the marks lies on top of it."""

    def __init__(self, run: MockRun) -> None:
        self.run = run
        self.shown = 0
        self.page_shown = False
        self._drawn: Hashable = None
        self._keys_at: list[tuple[pygame.Rect, str]] = []

    def forget(self) -> None:
        """Draw all of it the next time."""
        self._drawn = None

    def draw_changed(self, target: pygame.Surface, type_: Type, page: PageView | None, fault: str) -> bool:
        """Draw where the picture has changed; `page` is the engraved page of the piece in question."""
        run = self.run
        left_s = -(-run.mock.silence_left_s(run.clock()) // 1)
        engraved = (id(page), page.version, len(page.systems), page.top, page.done) if page else None
        value = (
            target.get_size(), run.mock.phase, run.mock.place, left_s, engraved, fault, run.said, len(run.judged),
            self.shown, self.page_shown, bool(run.mock.in_silence),
        )  # fmt: skip
        if value == self._drawn:
            return False
        self._drawn = value
        self._draw(target, type_, page, fault, int(left_s))
        return True

    def _draw(self, target: pygame.Surface, type_: Type, page: PageView | None, fault: str, left_s: int) -> None:
        at = places(*target.get_size())
        target.fill(Ink.DESK)
        phase = self.run.mock.phase
        if phase == SILENCE:
            self._draw_silence(target, type_, at, left_s)
        elif phase == OVER and not self.run.over:
            type_.draw(target, "The judge writes …", target.get_rect().center, 20, "italic", Ink.DESK_TEXT, "center")
        else:
            lay_sheet(target, at.sheet, at.scale)
            if phase == OVER and not self.page_shown:
                self._draw_sheet(target, type_, at)
            else:
                self._draw_music(target, type_, at, page, fault)
        self._draw_foot(target, type_)

    def _draw_silence(self, target: pygame.Surface, type_: Type, at: Places, left_s: int) -> None:
        mock = self.run.mock
        middle = target.get_rect().center
        title = "Silence" if mock.place else "A mock performance"
        type_.draw(target, title, (middle[0], middle[1] - 60 * at.scale), 26, "italic", Ink.DESK_TEXT, "center")
        which = "The first piece" if not mock.place else "The next piece"
        if mock.place and mock.place == len(mock.pieces) - 1:
            which = "The last piece"
        soon = f"{which} is announced in {left_s} s."
        type_.draw(target, soon, middle, 17, "regular", Ink.DESK_TEXT, "center")
        if mock.in_silence:
            early = "What is played before the announcement does not count."
            type_.draw(target, early, (middle[0], middle[1] + 170 * at.scale), 15, "italic", Ink.DESK_TEXT, "center")
        if not mock.place:
            count = len(mock.pieces)
            what = "One piece, one go" if count == 1 else f"{count} pieces, one go each"
            rule = f"{what}, no click, and no word before the end."
            type_.draw(target, rule, (middle[0], middle[1] + 34 * at.scale), 15, "regular", Ink.DESK_FAINT, "center")
            box = pygame.Rect(0, 0, round(680 * at.scale), round(60 * at.scale))
            box.midtop = (middle[0], round(middle[1] + 70 * at.scale))
            type_.paragraph(target, CARE, box, 13.5, "italic", Ink.DESK_FAINT, "center")

    def _draw_music(self, target: pygame.Surface, type_: Type, at: Places, page: PageView | None, fault: str) -> None:
        run, mock = self.run, self.run.mock
        judged = run.judged[self.shown] if mock.phase == OVER else None
        piece = judged.piece if judged else run.piece
        assert piece is not None
        before = "" if judged else f"{mock.place + 1} of {len(mock.pieces)}: "
        title = title_within(type_, piece, 19, at.head.width * 0.72, before)
        type_.draw(target, title, at.head.midleft, 19, "bold", anchor="midleft")
        if mock.phase == ANNOUNCED:
            said = "begin when you are ready"
            type_.draw(target, said, at.head.midright, 15, "italic", Ink.QUIET, "midright")
        if page is None or not page.systems:
            words = fault or "engraving the page …"
            type_.paragraph(target, words, at.music, 14, "italic", Ink.QUIET, "center")
            return
        section = piece.section
        marks: list[Mark] = []
        if judged is not None and judged.take is not None:
            from companion.window.result import marks_of

            marks = marks_of(judged.take, piece.tolerances)
        page.draw(target, at.music, (section.first_bar, section.last_bar), marks, None, type_=type_)

    def _draw_sheet(self, target: pygame.Surface, type_: Type, at: Places) -> None:
        u = at.scale
        type_.draw(target, "The judge's sheet", at.head.midleft, 22, "italic", anchor="midleft")
        count = len(self.run.judged)
        if count > 1:
            place = f"{self.shown + 1} of {count}"
            type_.draw(target, place, at.head.midright, 15, "regular", Ink.QUIET, "midright")
        y = at.head.bottom + 4 * u
        pygame.draw.line(target, Ink.FAINT, (at.head.x, y), (at.head.right, y))
        judged = self.run.judged[self.shown]
        y += 18 * u
        type_.draw(target, title_within(type_, judged.piece, 21, at.head.width), (at.head.x, y), 21, "bold")
        y += 42 * u
        floor = at.sheet.bottom - round(70 * u)
        for share in SMALLER:
            if self._write_sentences(None, type_, at, y, share) <= floor or share == SMALLER[-1]:
                self._write_sentences(target, type_, at, y, share)
                break
        box = pygame.Rect(at.head.x, 0, at.head.width, round(52 * u))
        box.bottom = at.sheet.bottom - round(12 * u)
        type_.paragraph(target, ORDER, box, 13, "italic", Ink.QUIET)

    def _write_sentences(
        self, target: pygame.Surface | None, type_: Type, at: Places, top: float, share: float
    ) -> float:
        """The judge's sentences from `top` on, `share` of their usual size; measured only where there is no target.
        Returns where they end."""
        u, y = at.scale, top
        width = at.head.width - round(_LABEL_WIDTH * u)
        for label, sentence in self.run.sentences(self.run.judged[self.shown]):
            first = label == "Heard first"
            size = (21 if first else 17.5) * share
            lines = min(len(wrap(sentence, type_.font(size), width)), MOST_LINES)
            if target is not None:
                type_.draw(target, label, (at.head.x, y + (5 if first else 2) * u), 15, "italic", Ink.BLUE)
                box = pygame.Rect(at.head.right - width, round(y), width, at.sheet.height)
                type_.paragraph(target, sentence, box, size, max_lines=lines)
            y += lines * type_.line_height(size) + (20 if first else 14) * u * share
        return y

    def _draw_foot(self, target: pygame.Surface, type_: Type) -> None:
        area = foot_in(target.get_size())
        if self.run.said:
            draw_said(target, type_, area, self.run.said)
            self._keys_at = []
        else:
            self._keys_at = draw_keys(target, type_, area, self._keys())

    def key_at(self, pos: tuple[int, int]) -> str:
        """What a click in the foot asks for: one of the names in `_keys`; empty where nothing is."""
        return next((what for place, what in self._keys_at if place.collidepoint(pos)), "")

    def _keys(self) -> list[tuple[str, str]]:
        phase, leave = self.run.mock.phase, ("leave", "Esc  leave")
        if phase == SILENCE:
            return [("go on", "space  announce it now"), leave]
        if phase != OVER:
            over = "Enter" if self.run.controller.keys else "space"
            return [("turn", "PgDn  turn the page"), ("go on", f"{over}  this piece is over"), leave]
        if not self.run.over:
            return []
        others = [("other", "← →  the other pieces")] if len(self.run.judged) > 1 else []
        if self.run.judged[self.shown].take is None:
            return [*others, leave]
        page = "back to the sheet" if self.page_shown else "the page with its marks"
        return [*others, ("page", f"M  {page}"), leave]


def title_within(type_: Type, piece: MockPiece, size: float, width_px: float, before: str = "") -> str:
    """`before` and the piece's title with its bars; a long title is cut, the bars are not."""
    return type_.shorten(before + piece_in_words(piece.title, piece.section.label), size, "bold", width_px)


def judged_title(judged: Judged) -> str:
    """`Etude in E minor, bars 1–8`."""
    return piece_in_words(judged.piece.title, judged.piece.section.label)
