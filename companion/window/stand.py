"""The stand: the horn with its next shape, the page, the ladder, the line of keys.

Each part is drawn again only when what it shows has changed: `draw` compares a plain value and skips the rest. So a
frame in which nothing moves costs nothing, and one in which the caret moves costs one page."""

from __future__ import annotations

from collections.abc import Callable, Hashable

import pygame

from companion.planning.limits import Limits
from companion.practice.rehearsal import FinishedTake
from companion.window.advice import CARE, advice
from companion.window.foot import FootPlaces, FootShown, draw_foot, foot_of
from companion.window.hard_spots import tints_of
from companion.window.head import HeadPlaces, HeadShown, draw_head, head_of
from companion.window.horn_column import draw_horn_column
from companion.window.horn_views import HornView, draw_view
from companion.window.ladder_view import draw_ladder, ladder_of, rung_at
from companion.window.layout import Layout, layout
from companion.window.page import Mark, PageView, Penned, Tint
from companion.window.replaying import Replaying
from companion.window.run import Run
from companion.window.strip import Strip
from companion.window.theme import Ink, Type
from companion.window.written import Written

__all__ = ["Stand"]


class Stand:
    """Draws a `Run` and finds what the mouse points at."""

    def __init__(self, run: Run, page: PageView, size: tuple[int, int]) -> None:
        self.run = run
        self.page = page
        self.looked_at: int | None = None
        self.drag_from: int | None = None
        self.drag_to: int | None = None
        self.engraving_fault = ""
        self.spots_shown = False
        #: Whether the strips of time are wanted under the staves of a finished take.
        self.strip_wanted = True
        #: Whether the horn shows how the note looked at was reached (a slip, another fingering), not its choices.
        self.telling = False
        self.replaying: Replaying | None = None
        self._replayed_at: int | None = None
        self._written = Written(run)
        self._tints: tuple[Limits | None, tuple[Tint, ...]] = (None, ())
        self._runner_up_places: list[tuple[pygame.Rect, int]] = []
        nowhere = pygame.Rect(0, 0, 0, 0)
        self._head_places, self._foot_places = HeadPlaces(nowhere, nowhere), FootPlaces((), nowhere)
        self.resize(size)

    def resize(self, size: tuple[int, int]) -> None:
        """Lay out anew for another window."""
        self.place: Layout = layout(*size)
        self.type = Type(self.place.scale)
        self.refresh()

    def refresh(self) -> None:
        """Draw everything at the next call (something lay over the stand)."""
        self._seen: dict[str, Hashable] = {}

    def show_sheet(self, page: PageView, fault: str) -> None:
        """Another sheet lies on the stand; `fault` says why it can't be read, where it can't."""
        self.end_replay()
        self.page, self.engraving_fault, self.spots_shown = page, fault, False
        self.drag_from = self.drag_to = None
        self.refresh()

    # -- what is shown -----------------------------------------------------------------------------------------------

    def shown_note(self) -> int | None:
        """Index in the passage of the note whose fingering is shown; None once the last one is played."""
        rehearsal = self.run.rehearsal
        if not rehearsal.busy and self.looked_at is not None:
            return self.looked_at
        section = rehearsal.section
        at = rehearsal.caret if rehearsal.busy else 0
        return section.first_note + at if at < len(section.passage.notes) else None

    def take_shown(self) -> FinishedTake | None:
        """The take whose marks are on the page: the one being replayed, else the one just played; none while an
        example is heard."""
        if self.replaying is not None:
            return self.replaying.take
        rehearsal = self.run.rehearsal
        return rehearsal.last_take if rehearsal.state == "after" else None

    def marks(self) -> list[Mark]:
        """What is pencilled: live during a take, the final word after it; own trouble spots between takes."""
        take, written = self.take_shown(), self._written
        if take is not None:
            return [*written.marks_of_take(take), *written.spot_marks()]
        if self.replaying is not None:
            return written.spot_marks()
        return written.live_marks() if self.run.rehearsal.busy else [*written.live_marks(), *written.spot_marks()]

    def strip(self) -> Strip | None:
        """How far each note of the take shown was off; None where it is not wanted."""
        take = self.take_shown()
        return self._written.strip(take) if take is not None and self.strip_wanted else None

    @property
    def state(self) -> str:
        """The state that keys are read in: the rehearsal's, `replay`, or `example`."""
        if self.replaying is not None:
            return "replay" if self.replaying.take is not None else "example"
        return self.run.rehearsal.state

    # -- what a take tells of a note ----------------------------------------------------------------------------------

    def told_notes(self) -> list[int]:
        """Notes of the whole passage that a slip led to or that were fingered otherwise, in playing order."""
        take = self.take_shown()
        return self._written.told_notes(take) if take is not None else []

    def told_view(self) -> HornView | None:
        """The horn's panel for the note looked at, where the take has something to tell of it."""
        take, at = self.take_shown(), self.looked_at
        if take is None or at is None or not self.telling or self.replaying is not None:
            return None
        return self._written.told_view(take, at)

    def penned(self) -> Penned:
        """What the teacher wrote on the page."""
        return self._written.penned()

    def tints(self) -> tuple[Tint, ...]:
        """The hardest spots of the bars chosen, where they are wanted; never during a take."""
        if not self.spots_shown or self.run.rehearsal.busy:
            return ()
        limits = self.run.limits()
        if self._tints[0] is not limits:
            self._tints = limits, tints_of(limits, self.run.music.passage)
        return self._tints[1]

    def advice(self) -> str:
        """The sentence under the music."""
        return advice(
            self.run, replaying=self.replaying, looked_at=self.looked_at, told=self.told_view() is not None,
            spots_shown=self.spots_shown, tinted=bool(self.tints()),
        )  # fmt: skip

    def replay(self, take: FinishedTake | None) -> None:
        """Begin to go through a take, or through the bars chosen as they are written; from the note looked at, where
        there is one."""
        if self.replaying is not None:
            self.replaying.close()
        begins_at = self.looked_at
        self.replaying = Replaying(self.run, take)
        self.run.say("")
        if begins_at is not None:
            self.replaying.go_to(begins_at)
        carets = self.replaying.carets()
        shown = carets.sounded if carets.sounded is not None else self.replaying.section.first_note
        self.page.strip_shown = self.strip() is not None
        self.page.follow(shown, self.place.music)

    def go_on_replaying(self) -> None:
        """Let the replay's time pass and turn the page with it; a take that has begun, and an example that is over, end
        it."""
        if self.replaying is None:
            return
        if self.run.rehearsal.busy:
            self.replaying = None
            return
        if self.replaying.tick() and self.replaying.take is None:
            self.end_replay()
            return
        carets = self.replaying.carets()
        at = carets.sounded if carets.sounded is not None else carets.written
        if at is not None and at != self._replayed_at:
            self.page.follow(at, self.place.music)
            self.page.fill(self.place.music)
        self._replayed_at = at

    def end_replay(self) -> None:
        """Back to the page of the last take, at the note the replay stood at."""
        if self.replaying is not None:
            self.replaying.close()
            self.replaying = None

    def look_at(self, note_index: int | None, telling: bool) -> None:
        """Look at a note; `telling` shows what the take tells of it, where it does."""
        self.looked_at, self.telling = note_index, telling

    # -- drawing -----------------------------------------------------------------------------------------------------

    def draw(self, target: pygame.Surface) -> list[pygame.Rect]:
        """Draw what changed; returns the rectangles that did."""
        changed: list[pygame.Rect] = []
        place = self.place

        def part(name: str, box: pygame.Rect, value: Hashable, paint: Callable[[pygame.Surface], None]) -> None:
            if self._seen.get(name) == value and name in self._seen:
                return
            self._seen[name] = value
            clip = target.get_clip()
            target.set_clip(box)
            paint(target)
            target.set_clip(clip)
            changed.append(box)

        part("desk", target.get_rect(), target.get_size(), self._draw_desk)
        if changed:
            self._seen = {"desk": target.get_size()}
        part("horn", place.horn, self._horn_value(), self._draw_horn)
        head = head_of(self.run)
        part("head", place.page_head, head, lambda target: self._draw_head(target, head))
        part("music", place.music, self._music_value(), self._draw_music)
        words = self.advice()
        part("advice", place.advice, words, lambda target: self._draw_advice(target, words))
        ladder = ladder_of(self.run.music)
        part("ladder", place.ladder, ladder, lambda target: draw_ladder(target, place, self.type, ladder))
        foot = foot_of(self.run, self.state)
        part("foot", place.foot, foot, lambda target: self._draw_foot(target, foot))
        return changed

    def _draw_desk(self, target: pygame.Surface) -> None:
        target.fill(Ink.DESK)
        for panel in (self.place.horn, self.place.page, self.place.ladder):
            pygame.draw.rect(
                target,
                Ink.PAPER_EDGE,
                panel.move(round(4 * self.place.scale), round(4 * self.place.scale)),
                border_radius=3,
            )
            pygame.draw.rect(target, Ink.PAPER, panel, border_radius=3)

    # the horn

    def _horn_value(self) -> Hashable:
        rehearsal = self.run.rehearsal
        if self.replaying is not None:
            return self.replaying.horn_view(), self.run.chart.name
        seen = self.shown_note(), self.run.chart.name, rehearsal.plan.version, rehearsal.busy, self.looked_at
        return *seen, self.told_view()

    def _draw_horn(self, target: pygame.Surface) -> None:
        view = self.replaying.horn_view() if self.replaying is not None else self.told_view()
        if view is not None:
            self._runner_up_places = []
            draw_view(target, self.place, self.type, self.run.chart, view)
            return
        shown = self.shown_note()
        looked_at = shown == self.looked_at and not self.run.rehearsal.busy
        self._runner_up_places = draw_horn_column(target, self.place, self.type, self.run, shown, looked_at)

    # the page

    def _draw_head(self, target: pygame.Surface, shown: HeadShown) -> None:
        self._head_places = draw_head(target, self.place, self.type, shown)

    def chosen_bars(self) -> tuple[int, int]:
        """The bars to show as chosen: those being drawn across with the mouse, else the section's."""
        if self.drag_from is not None and self.drag_to is not None:
            return min(self.drag_from, self.drag_to), max(self.drag_from, self.drag_to)
        section = self.run.rehearsal.section
        return section.first_bar, section.last_bar

    def _caret(self) -> int | None:
        if self.replaying is not None:
            return None
        return self.shown_note() if self.run.rehearsal.busy or self.looked_at is None else None

    def _music_value(self) -> Hashable:
        rehearsal, page = self.run.rehearsal, self.page
        caret = self._caret()
        page.strip_shown = self.strip() is not None
        if caret is not None and rehearsal.busy:
            page.follow(caret, self.place.music)
        replay = self.replaying.seen() if self.replaying is not None else None
        looked_at = self._framed()
        return (
            len(page.systems), page.top, self.chosen_bars(), rehearsal.version, rehearsal.state, caret, looked_at,
            len(self.run.results), self.engraving_fault, rehearsal.paused_because, self.tints(), self.penned(),
            page.version, page.strip_shown, replay, self.run.music.trouble.spots,
        )  # fmt: skip

    def _framed(self) -> int | None:
        return None if self.run.rehearsal.busy or self.replaying is not None else self.looked_at

    def _draw_music(self, target: pygame.Surface) -> None:
        area = self.place.music
        target.fill(Ink.PAPER, area)
        if not self.page.systems:
            words = self.engraving_fault or "engraving the page …"
            self.type.paragraph(target, words, area.inflate(-40, -area.height // 2), 17, "italic", Ink.QUIET, "center")
            return
        self.page.draw(
            target,
            area,
            self.chosen_bars(),
            self.marks(),
            self._caret(),
            self._framed(),
            self.penned(),
            self.tints(),
            self.type,
            self.strip(),
            self.replaying.carets() if self.replaying is not None else None,
        )
        if self.run.rehearsal.state == "paused":
            self._draw_paused(target, area)

    def _draw_paused(self, target: pygame.Surface, area: pygame.Rect) -> None:
        rehearsal, u = self.run.rehearsal, self.place.scale
        note = pygame.Rect(0, 0, min(area.width - 40, round(560 * u)), round(112 * u))
        caret = self._caret()
        head = self.page.head(caret, area) if caret is not None else None
        # Where it doesn't hide the place in the music.
        note.midbottom = (area.centerx, area.bottom - round(8 * u))
        if head is not None and head.centery > area.centery:
            note.midtop = (area.centerx, area.top + round(8 * u))
        pygame.draw.rect(target, Ink.PAPER_EDGE, note.move(round(4 * u), round(4 * u)), border_radius=4)
        pygame.draw.rect(target, Ink.PAPER_SHADE, note, border_radius=4)
        pygame.draw.rect(target, Ink.PENCIL, note, max(1, round(1.5 * u)), border_radius=4)
        inner = note.inflate(-round(36 * u), -round(28 * u))
        self.type.draw(
            target, f"Paused: {rehearsal.paused_because}", inner.topleft, 18, "bold", max_width_px=inner.width
        )
        text = (
            "What was played is kept. Plug it in again, or choose another controller with P; then the space bar goes"
            f" on from bar {rehearsal.bar_to_go_on}, after a count-in. Esc ends the take."
        )
        below = pygame.Rect(inner.x, inner.y + self.type.line_height(18), inner.width, inner.height)
        self.type.paragraph(target, text, below, 15, max_lines=4)

    def show_result(self) -> None:
        """Turn to where the take went wrong, else back to its beginning."""
        take = self.run.rehearsal.last_take
        if take is None:
            return
        self.page.strip_shown = self.strip() is not None
        section = take.section
        bar = take.assessment.trouble_bars[0] if take.assessment.trouble_bars else 0
        in_bar = [note.index for note in section.passage.notes if note.bar == bar] or [0]
        self.page.follow(section.first_note + in_bar[0], self.place.music)
        self.page.fill(self.place.music)

    # below the page

    def _draw_advice(self, target: pygame.Surface, words: str) -> None:
        box = self.place.advice
        target.fill(Ink.PAPER, box)
        size, ink = (13.5, Ink.QUIET) if words == CARE else (16, Ink.PENCIL)
        self.type.paragraph(target, words, box, size, "italic", ink)

    def _draw_foot(self, target: pygame.Surface, shown: FootShown) -> None:
        self._foot_places = draw_foot(target, self.place, self.type, shown)

    # -- the mouse ---------------------------------------------------------------------------------------------------

    def action_at(self, pos: tuple[int, int]) -> str | None:
        """The action under a point: a word at the foot, the instrument, the tempo, the controller."""
        for box, action in self._foot_places.actions:
            if box.inflate(8, 14).collidepoint(pos):
                return action
        head, port = self._head_places, self._foot_places.port
        for box, action in ((head.horn, "instrument"), (head.tempo, "tempo"), (port, "port")):
            if box.inflate(8, 10).collidepoint(pos):
                return action
        return None

    def runner_up_at(self, pos: tuple[int, int]) -> int | None:
        """The runner-up under a point, counted from 0."""
        return next((i for box, i in self._runner_up_places if box.collidepoint(pos)), None)

    def rung_at(self, pos: tuple[int, int]) -> int | None:
        """The rung under a point."""
        return rung_at(pos, self.run.rehearsal.ladder, self.place)
