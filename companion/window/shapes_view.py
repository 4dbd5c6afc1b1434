"""The shapes' screen drawn: a sheet of paper with the note on a staff, its shapes side by side, and what changes.

Chosen and better are told by words and frames: a pencil frame round what was chosen, a pen's round what is better.
"""

from __future__ import annotations

from collections.abc import Hashable
from typing import TYPE_CHECKING

import pygame

from companion.charts.model import Fingering, note_name
from companion.ports.keys_layout import BREATH
from companion.practice.shapes import TEMPO_BPM, sounding_name
from companion.units import ms_from_s
from companion.window.advice import CARE
from companion.window.shapes_layout import Places, columns_in, foot_of, places
from companion.window.theme import Ink, Type, wrap

if TYPE_CHECKING:
    from companion.practice.shapes import ShapeQuestion
    from companion.window.shapes import ShapesScreen

__all__ = ["ShapesView"]

#: Frames of a movement that look different.
_PHASES = 24
#: So many horns stand side by side at the end.
_MOST_SHAKY = 5


class ShapesView:
    """Draws a `ShapesScreen` and knows what lies under the mouse."""

    def __init__(self, screen: ShapesScreen) -> None:
        self.screen = screen
        self._hits: list[tuple[pygame.Rect, str]] = []
        self._drawn: Hashable = None

    def action_at(self, pos: tuple[int, int]) -> str | None:
        """What a click there does, as `ShapesScreen.do` takes it."""
        return next((action for box, action in reversed(self._hits) if box.collidepoint(pos)), None)

    def _value(self, target: pygame.Surface) -> Hashable:
        """All that the picture depends on."""
        screen = self.screen
        session = screen.session
        moving = screen.movement
        return (
            target.get_size(), screen.mode, screen.at, screen.shape_at, session and (id(session), session.at),
            screen.answer, moving, round(moving.progress(screen.clock()) * _PHASES), moving.playing(screen.clock()),
            screen.said, screen.levels.now, screen.heard, screen.has_port, screen.ear.keys is None, screen.bar_played,
            screen.staff.fault, screen.staff.slow,
        )  # fmt: skip

    def draw_changed(self, target: pygame.Surface, type_: Type) -> bool:
        """Draw where the picture has changed."""
        value = self._value(target)
        if not self.screen.staff.poll() and value == self._drawn:
            return False
        self.draw(target, type_)
        self._drawn = value
        return True

    def forget(self) -> None:
        """Draw all of it the next time: the window was covered or has another size."""
        self._drawn = None

    def draw(self, target: pygame.Surface, type_: Type) -> None:
        """Draw all of it."""
        at = places(*target.get_size())
        self._hits = []
        target.fill(Ink.DESK)
        pygame.draw.rect(target, Ink.PAPER_EDGE, at.sheet.move(round(3 * at.scale), round(3 * at.scale)))
        pygame.draw.rect(target, Ink.PAPER, at.sheet, border_radius=3)
        if self.screen.mode == "end":
            self._draw_end(target, type_, at)
        else:
            self._draw_head(target, type_, at)
            self._draw_shapes(target, type_, at)
            self._draw_move(target, type_, at)
            if self.screen.mode == "browse":
                self._draw_strip(target, type_, at)
            else:
                self._draw_course(target, type_, at)
        self._draw_foot(target, type_, at)

    # -- the head ----------------------------------------------------------------------------------------------------

    def _draw_head(self, target: pygame.Surface, type_: Type, at: Places) -> None:
        screen = self.screen
        question = screen.question
        if question is None:
            self._draw_title(target, type_, at.title, note_name(screen.midi), self._about_note())
        else:
            self._draw_title(target, type_, at.title, f"{question.pitch}?", self._about_question())
        screen.staff.show(screen.passage, at.staff, screen.staff_mark())
        screen.staff.poll()
        ringed = question.passage.notes[question.asked].source if question is not None else None
        if screen.staff.fault:
            type_.paragraph(target, screen.staff.fault, at.staff, 13.5, "italic", Ink.QUIET)
        elif screen.staff.slow:
            type_.draw(target, "engraving the bar …", at.staff.center, 13.5, "italic", Ink.QUIET, "center")
        else:
            screen.staff.draw(target, at.staff, ringed)
        self._draw_words(target, type_, at.words)

    @staticmethod
    def _draw_title(target: pygame.Surface, type_: Type, box: pygame.Rect, title: str, below: str) -> None:
        type_.draw(target, title, box.topleft, 34, "bold")
        y = box.y + type_.line_height(34, "bold")
        type_.paragraph(target, below, pygame.Rect(box.x, y, box.width, box.bottom - y), 14.5, "italic", Ink.QUIET)

    def _about_note(self) -> str:
        screen = self.screen
        sounding = sounding_name(screen.chart, screen.passage.notes[0].written)
        count = len(screen.shapes)
        return (
            f"on the {screen.chart.title} it sounds {sounding}\n{count} shape{'' if count == 1 else 's'}"
            f"{'' if count == 1 else ' to choose from'}"
        )

    def _about_question(self) -> str:
        question = self.screen.question
        assert question is not None
        words = question.words.removeprefix(f"{question.pitch} ")
        where = f"; {question.where} of {self.screen.title}" if question.where else ""
        return f"Which shape is the better one {words}, slurred eighths at ♩={TEMPO_BPM:g}?{where}"

    def _draw_words(self, target: pygame.Surface, type_: Type, box: pygame.Rect) -> None:
        screen = self.screen
        if screen.said:
            type_.paragraph(target, screen.said, box, 15, "regular", Ink.BLUE)
            return
        if screen.mode == "answered":
            self._draw_explanation(target, type_, box)
            return
        words = self._browsing_words() if screen.mode == "browse" else self._asking_words()
        type_.paragraph(target, words, box, 15, "regular", Ink.PENCIL)

    def _draw_explanation(self, target: pygame.Surface, type_: Type, box: pygame.Rect) -> None:
        """The better one and why in print, the prices quiet; smaller where it is long."""
        lines = self.screen.explanation()
        answer = self.screen.answer
        first = "Yes. " if answer is not None and answer.right else ""
        main, prices = f"{first}{' '.join(lines[:-1])}", lines[-1]
        if not prices.startswith("Dearer"):
            main, prices = f"{first}{' '.join(lines)}", ""
        size = next(
            (s for s in (15.5, 14.0, 13.0) if self._height(type_, main, prices, s, box.width) <= box.height), 12
        )
        y = type_.paragraph(target, main, box, size, "regular", Ink.PRINT)
        if prices:
            rest = pygame.Rect(box.x, y + 3, box.width, max(1, box.bottom - y - 3))
            type_.paragraph(target, prices, rest, size - 1.5, "italic", Ink.QUIET)

    @staticmethod
    def _height(type_: Type, main: str, prices: str, size: float, width: int) -> int:
        first = len(wrap(main, type_.font(size), width)) * type_.line_height(size)
        second = len(wrap(prices, type_.font(size - 1.5, "italic"), width)) * type_.line_height(size - 1.5, "italic")
        return first + second + 3

    def _browsing_words(self) -> str:
        screen = self.screen
        shape = screen.shape
        mark = f" Over the note it is marked {shape.mark}." if shape.mark else ""
        use = shape.use or "the usual shape, in every method book"
        due = screen.due_count()
        new = len(screen.questions) - sum(name in screen.cards for name in screen.questions)
        left = f"{due} due again, {new} not asked yet" if due or new else "nothing is due before its day"
        return (
            f"{shape.name.capitalize()}: {use}.{mark}\nPractice (P): {left}.\nIn bold below: notes with several shapes."
        )

    def _asking_words(self) -> str:
        screen = self.screen
        digits = f"1–{len(screen.shapes)}"
        heard = f" Heard: {screen.heard}." if screen.heard else ""
        if screen.letters is not None:
            breath = screen.letters(frozenset({BREATH}))
            return f"Finger it, blow with {breath} and play the bar, or choose with {digits} or the mouse.{heard}"
        if screen.has_port and screen.ear.keys is not None:
            return f"Finger it and play the bar, or choose with {digits} or the mouse.{heard}"
        if screen.has_port:
            return f"Choose with {digits} or the mouse, then finger it and play the bar.{heard}"
        return f"Choose with {digits} or the mouse; then finger it on your own horn and play the bar."

    # -- the shapes --------------------------------------------------------------------------------------------------

    def _draw_shapes(self, target: pygame.Surface, type_: Type, at: Places) -> None:
        shapes = self.screen.shapes
        cells = columns_in(at.shapes, len(shapes), at.scale)
        below = self._height_below(type_, cells[0].width - round(8 * at.scale))
        for i, (shape, cell) in enumerate(zip(shapes, cells, strict=True)):
            self._frame(target, cell, shape, i, at.scale)
            self._draw_shape(target, type_, cell, shape, i, below)
            if self.screen.mode == "browse":
                self._hits.append((cell, f"shape {i}"))
            elif self.screen.mode == "asked":
                self._hits.append((cell, f"choose {i + 1}"))

    def _frame(self, target: pygame.Surface, cell: pygame.Rect, shape: Fingering, i: int, u: float) -> None:
        screen, answer = self.screen, self.screen.answer
        line = max(2, round(2 * u))
        if screen.mode == "browse":
            if i == screen.shape_at and len(screen.shapes) > 1:
                pygame.draw.rect(target, Ink.BLUE_WASH, cell, border_radius=4)
        elif answer is None:
            pygame.draw.rect(target, Ink.FAINT, cell, 1, border_radius=4)
        elif screen.question is not None and shape == screen.question.better:
            pygame.draw.rect(target, Ink.BLUE_WASH, cell, border_radius=4)
            pygame.draw.rect(target, Ink.BLUE, cell, line, border_radius=4)
        elif shape == answer.fingering:
            pygame.draw.rect(target, Ink.PENCIL, cell, line, border_radius=4)

    def _height_below(self, type_: Type, width: int) -> int:
        """What the words under the shapes need: the same for all, so that the horns stand in a row."""
        if self.screen.question is not None and not self.screen.letters_play:
            return type_.line_height(13.5, "bold")
        font = type_.font(12.5)
        return type_.line_height(12.5) * max(len(wrap(self._said_of(f), font, width)) for f in self.screen.shapes)

    def _draw_shape(
        self, target: pygame.Surface, type_: Type, cell: pygame.Rect, shape: Fingering, i: int, height: int
    ) -> None:
        u = type_.scale
        asking = self.screen.question is not None
        inner = cell.inflate(-round(8 * u), -round(12 * u))
        name = f"{i + 1}  {shape.name}" if asking else shape.name
        size = next((s for s in (17, 15, 13.5) if type_.width(name, s, "bold") <= inner.width), 12.5)
        type_.draw(target, name, inner.midtop, size, "bold", anchor="midtop", max_width_px=inner.width)
        top = inner.y + type_.line_height(17, "bold")
        below = self._said_of(shape)
        horn = pygame.Rect(inner.x, top, inner.width, inner.bottom - height - round(4 * u) - top)
        self.screen.horns.draw(target, horn, shape.keys, shape.keys)
        words = pygame.Rect(inner.x, inner.bottom - height, inner.width, height)
        bold = asking and below in ("your answer", "the better one", "yours, and the better one")
        type_.paragraph(
            target, below, words, 13.5 if bold else 12.5, "bold" if bold else "regular",
            Ink.BLUE if "better" in below else Ink.PENCIL, "center",
        )  # fmt: skip

    def _said_of(self, shape: Fingering) -> str:
        """Under a shape: while browsing what it is for, after an answer what became of it."""
        question, answer = self.screen.question, self.screen.answer
        if question is None:
            return shape.use or "the usual shape"
        if answer is None:
            return self._letters_of(shape.keys)
        if shape == question.better:
            return "yours, and the better one" if answer.right else "the better one"
        extra_s = next((o.extra_s for o in question.choice.runners_up if o.fingering == shape), None)
        price = f"{ms_from_s(extra_s):.0f} ms dearer" if extra_s is not None else "of no use beside these"
        return "your answer" if shape == answer.fingering else price

    def _letters_of(self, keys: frozenset[str]) -> str:
        """The computer's keys that finger it, where they are the horn."""
        if self.screen.letters is None:
            return ""
        # By themselves the letters would be read as notes.
        return f"on the keys {self.screen.letters(keys)}" if keys else "no finger"

    # -- what changes ------------------------------------------------------------------------------------------------

    def _draw_move(self, target: pygame.Surface, type_: Type, at: Places) -> None:
        screen, moving = self.screen, self.screen.movement
        pygame.draw.line(target, Ink.FAINT, at.move.topleft, at.move.bottomleft, 1)
        still = moving.before == moving.after and moving.before_name == moving.after_name
        asking = screen.mode == "asked"
        if still:
            title = f"you come from {moving.before_name}" if asking else moving.before_name
            words = "Go to another shape or note, and see which fingers move."
            words = self._letters_of(moving.after) if asking else words
        else:
            title, words = f"{moving.before_name} to {moving.after_name}", screen.movement_words()
        type_.paragraph(target, title, at.move_title, 16, "bold", Ink.PRINT, "center")
        now = screen.clock()
        screen.horns.draw_moving(target, at.move_horn, moving.before, moving.after, moving.progress(now))
        size = 13.5 if len(wrap(words, type_.font(13.5), at.move_words.width)) <= 4 else 12
        type_.paragraph(target, words, at.move_words, size, "regular", Ink.PENCIL, "center")
        if still or asking:
            return
        labels = ("‹ back", "stop" if moving.playing(now) else "play", "on ›")
        for box, label, action in zip(at.buttons, labels, ("step_back", "play", "step_on"), strict=True):
            pygame.draw.rect(target, Ink.PAPER_SHADE, box, border_radius=4)
            pygame.draw.rect(target, Ink.FAINT, box, 1, border_radius=4)
            type_.draw(target, label, box.center, 14, "bold", Ink.BLUE, "center")
            self._hits.append((box, action))

    # -- below -------------------------------------------------------------------------------------------------------

    def _draw_strip(self, target: pygame.Surface, type_: Type, at: Places) -> None:
        """All notes of the horn, low to high; those with several shapes in bold."""
        screen, count = self.screen, len(self.screen.notes)
        for i, midi in enumerate(screen.notes):
            left = at.strip.x + at.strip.width * i // count
            box = pygame.Rect(left, at.strip.y, at.strip.x + at.strip.width * (i + 1) // count - left, at.strip.height)
            if i == screen.at:
                pygame.draw.rect(target, Ink.BLUE_WASH, box, border_radius=3)
                pygame.draw.rect(target, Ink.BLUE, box, max(1, round(1.5 * at.scale)), border_radius=3)
            several = len(screen.chart.for_note(midi)) > 1
            type_.draw(
                target, note_name(midi), box.center, 12.5, "bold" if several else "regular",
                Ink.PRINT if several else Ink.QUIET, "center",
            )  # fmt: skip
            self._hits.append((box, f"note {midi}"))

    def _draw_course(self, target: pygame.Surface, type_: Type, at: Places) -> None:
        """Where in the session one is."""
        session = self.screen.session
        assert session is not None
        if session.at < session.first_count:
            words = f"Question {session.at + 1} of {session.first_count}"
            more = "what is answered wrong comes once more at the end"
        else:
            words = (
                f"Once more: {session.at - session.first_count + 1} of {len(session.questions) - session.first_count}"
            )
            more = "answered wrong before"
        if self.screen.bar_played:
            more = "the bar was played as it stands; Enter goes on" if self.screen.answer else "the bar was played"
        if self.screen.why_not:
            more += f"; {self.screen.why_not}"
        place = type_.draw(target, words, at.strip.midleft, 15, "bold", Ink.PRINT, "midleft")
        type_.draw(
            target, more, (place.right + round(14 * at.scale), at.strip.centery), 13.5, "italic", Ink.QUIET, "midleft",
            at.strip.right - place.right - round(14 * at.scale),
        )  # fmt: skip

    def _draw_end(self, target: pygame.Surface, type_: Type, at: Places) -> None:
        screen, session = self.screen, self.screen.session
        assert session is not None
        u, pad = at.scale, round(60 * at.scale)
        box = at.sheet.inflate(-2 * pad, -2 * round(36 * u))
        title = f"{session.first_count} questions, {session.right_at_once} right at once"
        type_.draw(target, title, box.topleft, 28, "bold")
        y = box.y + type_.line_height(28, "bold") + round(14 * u)
        shaky = screen.shaky(_MOST_SHAKY)
        words = "Shaky yet: the better shape, and when it is asked again." if shaky else "Nothing was shaky today."
        y = type_.paragraph(target, words, pygame.Rect(box.x, y, box.width, box.height), 16, "regular", Ink.PENCIL)
        left = len(screen.questions) - sum(name in screen.cards for name in screen.questions)
        more = f"{screen.due_count()} due now, {left} not asked yet. Enter practises on; B goes back to the horn."
        more += " The rest comes back on its day (schedule FSRS): a shape kept in mind is asked ever more rarely."
        rest = pygame.Rect(box.x, y + round(10 * u), round(box.width * 0.86), round(80 * u))
        y = type_.paragraph(target, more, rest, 15, "regular", Ink.PENCIL)
        if screen.said:
            told = pygame.Rect(box.x, y + round(8 * u), box.width, round(60 * u))
            type_.paragraph(target, screen.said, told, 15, "regular", Ink.BLUE)
        height = type_.line_height(14, "italic") * len(wrap(CARE, type_.font(14, "italic"), box.width))
        care = pygame.Rect(box.x, box.bottom - height, box.width, height)
        type_.paragraph(target, CARE, care, 14, "italic", Ink.QUIET)
        area = pygame.Rect(box.x, y + round(16 * u), box.width, care.y - y - round(32 * u))
        for (question, when), cell in zip(shaky, columns_in(area, len(shaky), u), strict=True):
            self._draw_shaky(target, type_, cell, question, when)

    def _draw_shaky(
        self, target: pygame.Surface, type_: Type, cell: pygame.Rect, question: ShapeQuestion, when: str
    ) -> None:
        """A shape to look at once more, with its context and when it is asked again."""
        title = f"{question.pitch} {'' if question.better.name == 'standard' else question.better.name}".strip()
        head = pygame.Rect(cell.x, cell.y, cell.width, 2 * type_.line_height(15, "bold"))
        y = type_.paragraph(target, title, head, 15, "bold", Ink.PRINT, "center")
        context = question.words.removeprefix(f"{question.pitch} ")
        below = f"{context}\nagain {when}"
        lines = wrap(below, type_.font(13, "italic"), cell.width)
        height = len(lines) * type_.line_height(13, "italic")
        horn = pygame.Rect(cell.x, y + 4, cell.width, cell.bottom - height - y - 8)
        self.screen.horns.draw(target, horn, question.better.keys, question.better.keys)
        rest = pygame.Rect(cell.x, horn.bottom + 4, cell.width, height)
        type_.paragraph(target, below, rest, 13, "italic", Ink.QUIET, "center")

    def _draw_foot(self, target: pygame.Surface, type_: Type, at: Places) -> None:
        """The keys that mean something now; each can be clicked."""
        x, y = at.foot.x, at.foot.centery - round(3 * at.scale)
        gap = round(18 * at.scale)
        for entry in foot_of(self.screen.mode, self.screen.letters_play):
            label = type_.width(entry.label, 14, "bold")
            words = type_.width(entry.short, 14)
            whole = label + round(6 * at.scale) + words
            if x + whole > at.foot.right:
                break
            type_.draw(target, entry.label, (x, y), 14, "bold", Ink.DESK_TEXT, "midleft")
            type_.draw(
                target, entry.short, (x + label + round(6 * at.scale), y), 14, "regular", Ink.DESK_FAINT, "midleft"
            )
            if entry.action != "choose":
                self._hits.append((pygame.Rect(x, at.foot.y, whole, at.foot.height), entry.action))
            x += whole + gap
