"""The stand: the horn with its next shape, the page, the ladder, the line of keys.

Each part is drawn again only when what it shows has changed: `_part` compares a plain value and skips the rest. So a
frame in which nothing moves costs nothing, and one in which the caret moves costs one page."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Hashable
from math import floor

import pygame

from companion.charts.model import note_name
from companion.engraving import fonts
from companion.passage import Note
from companion.planning.limits import ChangeLimit, Limits
from companion.planning.model import Choice
from companion.practice.metronome import beat_unit, metronome_number
from companion.practice.model import NOT_REACHED, ON_TIME
from companion.practice.rehearsal import FinishedTake
from companion.window.bindings import foot_line
from companion.window.fingerings import cost_of
from companion.window.horn import draw_horn, draw_horn_small, height_to_spare
from companion.window.horn_hands import key_names
from companion.window.horn_views import HornView, draw_view, shape_of, slip_view, used_view
from companion.window.ladder_view import LadderShown, draw_ladder, rung_at
from companion.window.layout import Layout, layout
from companion.window.note_leaf import ms_in_words, rules_in_words
from companion.window.page import Mark, PageView, Penned, Tint
from companion.window.pencilled import SLIP, SPOT, USED
from companion.window.replaying import Replaying
from companion.window.result import marks_of, slip_at, strip_of_take, worth_pencilling
from companion.window.run import Run
from companion.window.strip import Strip
from companion.window.theme import Ink, Type

__all__ = ["Stand"]

#: So many runners-up have room under the horn, and so many spots are tinted.
RUNNERS_UP_SHOWN, CHANGES_TINTED = 3, 24
#: From these shares of the time there is on, a change is tinted lightly, more, most: beyond 1 it can't be played.
LOADS_TINTED = (0.7, 0.85, 1.0)
NO_HARD_SPOT = "No change of these bars comes near its limit at this tempo. L lists the hardest all the same."
#: The usual cautions, in common words (from memory).
CARE = (
    "Rest some minutes every half hour; stop at pain, numbness or tingling; keep the click moderate. Your teacher and"
    " licensed health professionals know you: ask them."
)


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
        self._of_take: tuple[FinishedTake | None, list[Mark], Strip | None] = (None, [], None)
        self._tints: tuple[Limits | None, tuple[Tint, ...]] = (None, ())
        self._runner_up_places: list[tuple[pygame.Rect, int]] = []
        self._foot_places: list[tuple[pygame.Rect, str]] = []
        self._instrument_place = pygame.Rect(0, 0, 0, 0)
        self._tempo_place = pygame.Rect(0, 0, 0, 0)
        self._port_place = pygame.Rect(0, 0, 0, 0)
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

    def _written_on(self, take: FinishedTake) -> tuple[list[Mark], Strip]:
        if self._of_take[0] is not take or self._of_take[2] is None:
            tolerances = self.run.rehearsal.tolerances
            strip = strip_of_take(take, tolerances)
            self._of_take = take, marks_of(take, tolerances), strip
        return self._of_take[1], self._of_take[2] or strip

    def marks(self) -> list[Mark]:
        """What is pencilled: live during a take, the final word after it; own trouble spots between takes."""
        rehearsal = self.run.rehearsal
        take = self.take_shown()
        if take is not None:
            return [*self._written_on(take)[0], *self._spot_marks()]
        if self.replaying is not None:
            return self._spot_marks()
        first, notes = rehearsal.section.first_note, rehearsal.passage.notes
        marks = [Mark(first + i, v.kind, v.deviation_ms or 0.0) for i, v in rehearsal.live.items() if not v.provisional]
        marks = worth_pencilling(marks, lambda index: notes[index].bar) if not rehearsal.busy else marks
        marks = [mark for mark in marks if mark.kind not in (ON_TIME, NOT_REACHED)]
        return marks if rehearsal.busy else [*marks, *self._spot_marks()]

    def _spot_marks(self) -> list[Mark]:
        """A pair of spectacles over each printed place that keeps failing."""
        notes = self.run.rehearsal.passage.notes
        spots = reversed(self.run.music.trouble.spots)
        printed = {notes[spot.note_index].source: spot.note_index for spot in spots}
        return [Mark(index, SPOT) for index in printed.values()]

    def strip(self) -> Strip | None:
        """How far each note of the take shown was off; None where it is not wanted."""
        take = self.take_shown()
        return self._written_on(take)[1] if take is not None and self.strip_wanted else None

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
        if take is None:
            return []
        told = {m.note_index for m in self._written_on(take)[0] if m.kind in (SLIP, USED)}
        return sorted(told)

    def told_view(self) -> HornView | None:
        """The horn's panel for the note looked at, where the take has something to tell of it."""
        take, at = self.take_shown(), self.looked_at
        if take is None or at is None or not self.telling or self.replaying is not None:
            return None
        choices, first = self.run.rehearsal.plan.choices, take.section.first_note
        slip = slip_at(take, at)
        if slip is not None:
            return slip_view(slip, choices[max(0, slip.from_index + first)].keys, choices[at].keys)
        told = (u for u in take.assessment.fingerings if u.sentence)
        used = next((u for u in told if u.note_index + first == at), None)
        return used_view(used, str(self.run.rehearsal.passage.notes[at].written), choices[at].keys) if used else None

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

    def end_replay(self) -> None:
        """Back to the page of the last take, at the note the replay stood at."""
        if self.replaying is not None:
            self.replaying.close()
            self.replaying = None

    def look_at(self, note_index: int | None, telling: bool) -> None:
        """Look at a note; `telling` shows what the take tells of it, where it does."""
        self.looked_at, self.telling = note_index, telling

    def beat(self) -> tuple[int, int, bool] | None:
        """(beat in the bar, of how many, count-in?) that the click stands at; None between takes."""
        rehearsal = self.run.rehearsal
        if rehearsal.state not in ("count-in", "playing"):
            return None
        if rehearsal.state == "count-in":
            return self._count_in_beat()
        clicks = rehearsal.clock().clicks
        at = bisect_right([click.time_s for click in clicks], rehearsal.time_s(self.run.clock()) + 1e-6) - 1
        if at < 0:
            return (0, clicks[0].of_beats, True) if clicks else None
        return clicks[at].beat_in_bar, clicks[at].of_beats, clicks[at].count_in

    def _count_in_beat(self) -> tuple[int, int, bool] | None:
        clicks = self.run.count_in
        at = bisect_right([time_ns for time_ns, _ in clicks], self.run.clock()) - 1
        if not clicks:
            return None
        return (clicks[at][1].beat_in_bar if at >= 0 else 0), clicks[0][1].of_beats, True

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
        part("head", place.page_head, self._head_value(), self._draw_head)
        part("music", place.music, self._music_value(), self._draw_music)
        part("advice", place.advice, self._advice(), self._draw_advice)
        part("ladder", place.ladder, self._ladder_shown(), self._draw_ladder)
        part("foot", place.foot, self._foot_value(), self._draw_foot)
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

    def _blank(self, target: pygame.Surface, box: pygame.Rect) -> None:
        target.fill(Ink.PAPER, box)

    # the horn

    def _horn_value(self) -> Hashable:
        rehearsal = self.run.rehearsal
        if self.replaying is not None:
            return self._replay_view(), self.run.chart.name
        seen = self.shown_note(), self.run.chart.name, rehearsal.plan.version, rehearsal.busy, self.looked_at
        return *seen, self.told_view()

    def _replay_view(self) -> HornView:
        """The shape planned for the note that is written now, and what is heard."""
        assert self.replaying is not None
        moment, chart = self.replaying.moment(), self.run.chart
        choices, notes = self.run.rehearsal.plan.choices, self.run.rehearsal.passage.notes
        if moment.slip is not None:
            first = self.replaying.section.first_note
            slip = moment.slip
            return slip_view(slip, choices[max(0, slip.from_index + first)].keys, choices[slip.note_index + first].keys)
        at = self.replaying.in_whole(moment.written)
        heard = "silence" if moment.heard_midi is None else note_name(moment.heard_midi)
        keys = shape_of(chart, moment.heard_midi) if moment.heard_midi is not None else None
        if at is None:
            return HornView("the count-in", "", frozenset(), frozenset(), frozenset(), None, "heard", heard, keys)
        sounded = self.replaying.in_whole(moment.sounded)
        if sounded is not None and moment.heard_midi == notes[sounded].written_midi:
            keys = choices[sounded].keys
        shape = choices[at].keys
        before = choices[at - 1].keys if at else shape
        title = f"written: {self._named(notes[at], choices[at])}"
        return HornView(title, self.run.music.reason(at), shape, before, shape, None, "heard", heard, keys)

    def _choice(self, note_index: int) -> tuple[Note, Choice]:
        rehearsal = self.run.rehearsal
        return rehearsal.passage.notes[note_index], rehearsal.plan.choices[note_index]

    def _held_before(self, note_index: int, coming: frozenset[str]) -> frozenset[str]:
        first = self.run.rehearsal.section.first_note
        return coming if note_index in (0, first) else self._choice(note_index - 1)[1].keys

    def _draw_horn(self, target: pygame.Surface) -> None:
        place, run, type_ = self.place, self.run, self.type
        self._runner_up_places = []
        view = self._replay_view() if self.replaying is not None else self.told_view()
        if view is not None:
            draw_view(target, place, type_, run.chart, view)
            return
        pygame.draw.rect(target, Ink.PAPER, place.horn, border_radius=3)
        shown = self.shown_note()
        if shown is None:
            type_.draw(target, "the end", place.horn_name.midtop, 22, "bold", Ink.QUIET, "midtop")
            draw_horn(target, place.horn_keys, run.chart, frozenset(), frozenset(), str(fonts.TEXT_REGULAR))
            return
        note, choice = self._choice(shown)
        lead = "next: " if run.rehearsal.busy else ""
        type_.draw(
            target, lead + self._named(note, choice), place.horn_name.midtop, 23, "bold", anchor="midtop",
            max_width_px=place.horn_name.width,
        )  # fmt: skip
        type_.paragraph(target, run.music.reason(shown), place.horn_reason, 13.5, "italic", Ink.QUIET, "center")
        held = self._held_before(shown, choice.keys)
        asked = shown == self.looked_at and not run.rehearsal.busy and bool(choice.runners_up)
        # The runners-up need more room than the note after the next.
        less = min(round(place.horn_keys.height * 0.2), height_to_spare(place.horn_keys)) if asked else 0
        keys = pygame.Rect(place.horn_keys.topleft, (place.horn_keys.width, place.horn_keys.height - less))
        draw_horn(target, keys, run.chart, held, choice.keys, str(fonts.TEXT_REGULAR))
        if asked:
            below = pygame.Rect(place.horn_then)
            below.y, below.height = below.y - less, below.height + less
            self._draw_runners_up(target, below, shown)
        else:
            self._draw_then(target, shown)

    def _draw_runners_up(self, target: pygame.Surface, place: pygame.Rect, note_index: int) -> None:
        """The next best fingerings, small, with what their changes take more and which way the rules speak."""
        type_, u = self.type, self.place.scale
        pygame.draw.line(target, Ink.FAINT, place.topleft, place.topright, 1)
        others = self._choice(note_index)[1].runners_up[:RUNNERS_UP_SHOWN]
        line = type_.line_height(12.5, "italic")
        width = place.width // max(len(others), 2)
        for i, other in enumerate(others):
            cell = pygame.Rect(place.x + i * width, place.y + round(4 * u), width, place.height - round(4 * u))
            self._runner_up_places.append((cell, i))
            name = other.fingering.name
            if type_.width(f"{i + 1} {name}", 13, "bold") > cell.width - 4 and other.fingering.mark:
                name = other.fingering.mark
            type_.draw(target, f"{i + 1} {name}", cell.midtop, 13, "bold", anchor="midtop", max_width_px=cell.width - 4)
            cost = cost_of(self.run.rehearsal.plan, self.run.chart, note_index, other)
            top, bottom = cell.y + type_.line_height(13), cell.bottom - 2 * line
            for words, y in ((ms_in_words(cost), bottom), (rules_in_words(cost), bottom + line)):
                type_.draw(target, words, (cell.centerx, y), 12.5, "italic", Ink.QUIET, "midtop", cell.width)
            horn = pygame.Rect(cell.x + round(4 * u), top, cell.width - round(8 * u), bottom - top)
            draw_horn_small(target, horn, self.run.chart, other.fingering.keys)

    @staticmethod
    def _named(note: Note, choice: Choice) -> str:
        name = str(note.written)
        if choice.fingering.standard and not choice.fingering.mark:
            return name
        return f"{name} {choice.fingering.name}"

    def _draw_then(self, target: pygame.Surface, shown: int) -> None:
        place, type_ = self.place.horn_then, self.type
        pygame.draw.line(target, Ink.FAINT, place.topleft, place.topright, 1)
        section = self.run.rehearsal.section
        if shown + 1 >= section.first_note + len(section.passage.notes):
            type_.draw(target, "then: the end", place.center, 15, "italic", Ink.QUIET, "center")
            return
        note, choice = self._choice(shown + 1)
        small = pygame.Rect(
            place.right - round(place.width * 0.42), place.y + 4, round(place.width * 0.42), place.height - 6
        )
        draw_horn_small(target, small, self.run.chart, choice.keys)
        words = pygame.Rect(
            place.x, place.y + round(10 * self.place.scale), place.width - small.width - 6, place.height
        )
        type_.draw(target, "then", words.topleft, 13.5, "italic", Ink.QUIET)
        y = words.y + type_.line_height(13.5)
        type_.draw(target, str(note.written), (words.x, y), 19, "bold", max_width_px=words.width)
        if choice.fingering.mark or not choice.fingering.standard:
            y += type_.line_height(19)
            type_.paragraph(
                target,
                choice.fingering.name,
                pygame.Rect(words.x, y, words.width, place.bottom - y),
                15,
                "italic",
                Ink.BLUE,
            )

    # the page

    def _head_value(self) -> Hashable:
        rehearsal = self.run.rehearsal
        return (
            self.beat(), rehearsal.section.label, rehearsal.tempo_bpm, self.run.chart.name, len(self.run.results),
            rehearsal.state, self.run.sound.levels.now.click_muted,
        )  # fmt: skip

    def _draw_head(self, target: pygame.Surface) -> None:
        box, type_, rehearsal = self.place.page_head, self.type, self.run.rehearsal
        self._blank(target, box)
        bar = rehearsal.section.passage.bars[0]
        number = metronome_number(rehearsal.tempo_bpm, bar)
        unit = beat_unit(bar)[0]
        tempo = type_.draw(target, f" = {number}", box.midright, 18, "regular", anchor="midright")
        tempo = self._draw_note_value(target, tempo.midleft, unit).union(tempo)
        self._tempo_place = tempo
        right = tempo.left - round(18 * self.place.scale)
        self._instrument_place = type_.draw(
            target, self.run.chart.title.lower(), (right, box.centery), 15, "italic", Ink.QUIET, "midright"
        )
        title = rehearsal.passage.title + (
            f", bars {rehearsal.section.label}" if "–" in rehearsal.section.label else ""
        )
        if rehearsal.section.label and "–" not in rehearsal.section.label:
            title += f", bar {rehearsal.section.label}"
        beats_width = round(150 * self.place.scale)
        space = self._instrument_place.left - box.left - beats_width - round(20 * self.place.scale)
        size = next((s for s in (20, 17.5, 15) if type_.width(title, s, "bold") <= space), 15)
        type_.draw(target, title, box.midleft, size, "bold", anchor="midleft", max_width_px=space)
        self._draw_beat(
            target, self._instrument_place.left - beats_width // 2 - round(10 * self.place.scale), box.centery
        )

    def _draw_note_value(self, target: pygame.Surface, right: tuple[int, int], unit: str) -> pygame.Rect:
        """The note of the metronome mark, drawn: a head, and what it has of a stem, flags and a dot."""
        height = self.type.px(17)
        head = pygame.Rect(0, 0, round(height * 0.42), round(height * 0.32))
        dotted = unit.endswith(".")
        beside = 0.3 if dotted or unit in ("♪", "16th") else 0.0
        head.bottomright = (right[0] - (round(height * beside) or 2), right[1] + round(height * 0.42))
        pygame.draw.ellipse(target, Ink.PRINT, head, 2 if unit.startswith(("half", "whole")) else 0)
        stem, top = max(1, round(height * 0.07)), head.centery - height + head.height
        if unit != "whole":
            pygame.draw.rect(target, Ink.PRINT, (head.right - stem, top, stem, height - head.height))
        for flag in range({"♪": 1, "♪.": 1, "16th": 2}.get(unit, 0)):
            y, reach = top + round(flag * height * 0.2), round(height * 0.22)
            pygame.draw.line(target, Ink.PRINT, (head.right - 1, y), (head.right - 1 + reach, y + reach), 2 * stem)
        if dotted:
            pygame.draw.circle(
                target, Ink.PRINT, (head.right + round(height * 0.14), head.centery), max(1.5, height * 0.07)
            )
        return head.inflate(0, height)

    def _draw_beat(self, target: pygame.Surface, middle_x: int, y: int) -> None:
        beat = self.beat()
        if beat is None or beat[1] < 1:
            return
        at, of_beats, counting = beat
        gap = min(round(22 * self.place.scale), round(146 * self.place.scale / of_beats))
        for i in range(1, of_beats + 1):
            x = round(middle_x + (i - (of_beats + 1) / 2) * gap)
            if counting:
                here = i == at
                self.type.draw(
                    target, str(i), (x, y), 24 if here else 15, "bold" if here else "regular",
                    Ink.BLUE if here else Ink.FAINT, "center",
                )  # fmt: skip
            elif i == at:
                pygame.draw.aacircle(target, Ink.PRINT, (x, y), round((8 if i == 1 else 6) * self.place.scale))
            else:
                pygame.draw.aacircle(target, Ink.FAINT, (x, y), max(3, round(4 * self.place.scale)))

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

    def penned(self) -> Penned:
        """What the teacher wrote on the page."""
        comments = self.run.music.comments
        choices = self.run.rehearsal.plan.choices
        # Another horn may lack a marked fingering.
        return Penned(tuple(sorted(i for i in self.run.music.marks if choices[i].fixed)), tuple(sorted(comments)))

    def tints(self) -> tuple[Tint, ...]:
        """The hardest spots of the bars chosen, where they are wanted; never during a take."""
        run = self.run
        if not self.spots_shown or run.rehearsal.busy:
            return ()
        limits = run.limits()
        if self._tints[0] is not limits:
            self._tints = limits, self._tints_of(limits)
        return self._tints[1]

    def _tints_of(self, limits: Limits) -> tuple[Tint, ...]:
        hard = sorted((c for c in limits.changes if c.load >= LOADS_TINTED[0]), key=lambda c: -c.load)
        notes = self.run.rehearsal.passage.notes
        labelled: set[int] = set()
        # What is played several times is printed, and tinted, once: as hard as the hardest time.
        printed: dict[tuple[int, int], ChangeLimit] = {}
        for change in hard:
            printed.setdefault((notes[change.from_index].source, notes[change.note_index].source), change)
        tints = []
        for change in list(printed.values())[:CHANGES_TINTED]:
            spot = next((i for i, s in enumerate(limits.spots) if s.first_note <= change.from_index <= s.last_note), -1)
            # One tempo a spot: that of its hardest change.
            label = "" if spot in labelled else self._tempo_text(change.limit_bpm, change.note_index)
            labelled.add(spot)
            density = sum(change.load >= load for load in LOADS_TINTED)
            tints.append(Tint(change.from_index, change.note_index, density, label))
        return tuple(tints)

    def _tempo_text(self, quarter_bpm: float, note_index: int) -> str:
        """Rounded down: at the next whole number the limit would be passed."""
        passage = self.run.rehearsal.passage
        return metronome_number(float(floor(quarter_bpm)), passage.bars[passage.notes[note_index].bar])

    def _draw_music(self, target: pygame.Surface) -> None:
        area = self.place.music
        self._blank(target, area)
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

    def _advice(self) -> str:
        run, rehearsal, piece = self.run, self.run.rehearsal, self.run.repertoire.piece.passage
        if run.notice:
            return run.notice
        if self.replaying is not None:
            return self.replaying.sentence()
        if self.looked_at is not None and not rehearsal.busy:
            return self._about_note(self.looked_at)
        if self.spots_shown and not rehearsal.busy:
            spots = run.limits().spots
            return f"Hardest: {spots[0].sentence}. L lists them." if self.tints() else NO_HARD_SPOT
        if rehearsal.state == "after" and rehearsal.last_take:
            take = rehearsal.last_take
            step = take.step.sentence if take.step else take.stopped[:1].upper() + take.stopped[1:] + "."
            if run.repertoire.on_exercise and take.step is not None and take.step.kind == "target reached":
                step += f" Esc leads back to {piece.title}: try it there."
            return f"{take.assessment.advice} {step}"
        if rehearsal.state == "ready":
            if not run.controller.name:
                return (
                    "No controller is chosen: plug one in, or press P; the computer's keys can be a horn, and there is"
                    " a simulated player to watch."
                )
            if run.repertoire.on_exercise:
                return f"{rehearsal.passage.purpose}. Esc leads back to {piece.title}, as you left it."
            if run.controller.keys is not None:
                return "J shows which key of the computer is which of the horn, and lets you try them. Esc ends a take."
            return CARE
        return ""

    def _about_note(self, note_index: int) -> str:
        if self.told_view() is not None:
            return (
                "N goes to the next such place, G through the take from here; a click on the note shows its fingerings."
            )
        comment = self.run.music.comment(note_index)
        if comment:
            return f"Written here: {comment}"
        choice = self._choice(note_index)[1]
        if not choice.runners_up:
            return "There is no other fingering worth having here. Enter shows all of this note."
        off = "; 0 takes the mark away" if note_index in self.run.music.marks else ""
        return (
            "A number or a click takes another one, with the rest planned around it; ms: what its changes take more."
            f" Enter shows all{off}."
        )

    def _draw_advice(self, target: pygame.Surface) -> None:
        self._blank(target, self.place.advice)
        quiet = self._advice() == CARE
        size = 13.5 if quiet else 16
        self.type.paragraph(
            target, self._advice(), self.place.advice, size, "italic", Ink.QUIET if quiet else Ink.PENCIL
        )

    # the ladder

    def _ladder_shown(self) -> LadderShown:
        rehearsal, allowed = self.run.rehearsal, self.run.rehearsal.tolerances
        articulated = f", {allowed.articulation_share:.0%} articulated" if allowed.articulation_share else ""
        return LadderShown(
            rehearsal.ladder, rehearsal.section.passage.bars[0], self.run.music.target_label,
            f"{rehearsal.ladder.rule} Clean: no wrong note, {allowed.clean_share_on_time:.0%} within"
            f" {allowed.on_time_ms:g} ms{articulated}.",
        )  # fmt: skip

    def _draw_ladder(self, target: pygame.Surface) -> None:
        pygame.draw.rect(target, Ink.PAPER, self.place.ladder, border_radius=3)
        draw_ladder(target, self.place, self.type, self._ladder_shown())

    # the foot

    def _port_words(self) -> str:
        controller = self.run.controller
        if not controller.name:
            return "no controller: P"
        if controller.keys is not None:
            return "the computer's keys"
        if controller.missing:
            return f"{controller.name}: not there"
        if controller.simulated:
            return "simulated player, " + " ".join(controller.name.split(":")[1:2])
        return controller.name

    def _foot_value(self) -> Hashable:
        return (
            self.state,
            self._port_words(),
            self.run.sound.levels.now.click_muted,
            self._horn_keys(),
            self.run.repertoire.on_exercise,
        )

    def _horn_keys(self) -> frozenset[str]:
        port = self.run.controller.keys
        return key_names(port.layout) if port is not None else frozenset()

    def _draw_foot(self, target: pygame.Surface) -> None:
        box, type_, u = self.place.foot, self.type, self.place.scale
        target.fill(Ink.DESK, box)
        port = type_.draw(
            target, self._port_words(), box.midright, 14, "italic", Ink.DESK_TEXT, "midright", round(box.width * 0.22)
        )
        self._port_place = port
        x, self._foot_places = box.x + round(4 * u), []
        for binding in foot_line(self.state, self._horn_keys(), self.run.repertoire.on_exercise):
            words = binding.short
            if binding.action == "mute":
                words = "click is off" if self.run.sound.levels.now.click_muted else "click is on"
            width = type_.width(binding.label, 14, "bold") + type_.width(words, 14) + round(8 * u)
            if x + width > port.left - round(16 * u):
                break
            label = type_.draw(target, binding.label, (x, box.centery), 14, "bold", Ink.DESK_TEXT, "midleft")
            text = type_.draw(
                target, words, (label.right + round(6 * u), box.centery), 14, "regular", Ink.DESK_FAINT, "midleft"
            )
            self._foot_places.append((label.union(text), binding.action))
            x = text.right + round(18 * u)

    # -- the mouse ---------------------------------------------------------------------------------------------------

    def action_at(self, pos: tuple[int, int]) -> str | None:
        """The action under a point: a word at the foot, the instrument, the tempo, the controller."""
        for box, action in self._foot_places:
            if box.inflate(8, 14).collidepoint(pos):
                return action
        for box, action in (
            (self._instrument_place, "instrument"), (self._tempo_place, "tempo"), (self._port_place, "port"),
        ):  # fmt: skip
            if box.inflate(8, 10).collidepoint(pos):
                return action
        return None

    def runner_up_at(self, pos: tuple[int, int]) -> int | None:
        """The runner-up under a point, counted from 0."""
        return next((i for box, i in self._runner_up_places if box.collidepoint(pos)), None)

    def rung_at(self, pos: tuple[int, int]) -> int | None:
        """The rung under a point."""
        return rung_at(pos, self.run.rehearsal.ladder, self.place)
