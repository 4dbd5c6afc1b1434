"""The horn's panel between takes and in one: the fingering of a note, why, and what comes after it; of a note that is
looked at the next best fingerings instead."""

from __future__ import annotations

import pygame

from companion.engraving import fonts
from companion.passage import Note
from companion.planning.model import Choice
from companion.window.fingerings import cost_of
from companion.window.horn import draw_horn, draw_horn_small, height_to_spare
from companion.window.horn_views import fingering_in_words, small_beside
from companion.window.layout import Layout
from companion.window.note_leaf import ms_in_words, rules_in_words
from companion.window.run import Run
from companion.window.theme import Ink, Type

__all__ = ["RUNNERS_UP_SHOWN", "draw_horn_column"]

#: So many runners-up have room under the horn.
RUNNERS_UP_SHOWN = 3


def draw_horn_column(
    target: pygame.Surface, place: Layout, type_: Type, run: Run, note_index: int | None, looked_at: bool
) -> list[tuple[pygame.Rect, int]]:
    """Draw the panel for a note of the whole passage, None once the last one is played.

    Returns
    -------
    list
        Where the runners-up stand, counted from 0.
    """
    pygame.draw.rect(target, Ink.PAPER, place.horn, border_radius=3)
    font = str(fonts.TEXT_REGULAR)
    if note_index is None:
        type_.draw(target, "the end", place.horn_name.midtop, 22, "bold", Ink.QUIET, "midtop")
        draw_horn(target, place.horn_keys, run.chart, frozenset(), frozenset(), font)
        return []
    note, choice = _choice(run, note_index)
    lead = "next: " if run.rehearsal.busy else ""
    type_.draw(
        target, lead + fingering_in_words(note, choice), place.horn_name.midtop, 23, "bold", anchor="midtop",
        max_width_px=place.horn_name.width,
    )  # fmt: skip
    type_.paragraph(target, run.music.reason(note_index), place.horn_reason, 13.5, "italic", Ink.QUIET, "center")
    asked = looked_at and bool(choice.runners_up)
    # The runners-up need more room than the note after the next.
    less = min(round(place.horn_keys.height * 0.2), height_to_spare(place.horn_keys)) if asked else 0
    keys = pygame.Rect(place.horn_keys.topleft, (place.horn_keys.width, place.horn_keys.height - less))
    draw_horn(target, keys, run.chart, _held_before(run, note_index), choice.keys, font)
    if not asked:
        _draw_then(target, place, type_, run, note_index)
        return []
    below = pygame.Rect(place.horn_then)
    below.y, below.height = below.y - less, below.height + less
    return _draw_runners_up(target, below, type_, run, note_index)


def _choice(run: Run, note_index: int) -> tuple[Note, Choice]:
    return run.rehearsal.passage.notes[note_index], run.rehearsal.plan.choices[note_index]


def _held_before(run: Run, note_index: int) -> frozenset[str]:
    first = run.rehearsal.section.first_note
    return _choice(run, note_index if note_index in (0, first) else note_index - 1)[1].keys


def _draw_runners_up(
    target: pygame.Surface, place: pygame.Rect, type_: Type, run: Run, note_index: int
) -> list[tuple[pygame.Rect, int]]:
    """The next best fingerings, small, with what their changes take more and which way the rules speak."""
    u, places = type_.scale, []
    pygame.draw.line(target, Ink.FAINT, place.topleft, place.topright, 1)
    others = _choice(run, note_index)[1].runners_up[:RUNNERS_UP_SHOWN]
    line = type_.line_height(12.5, "italic")
    width = place.width // max(len(others), 2)
    for i, other in enumerate(others):
        cell = pygame.Rect(place.x + i * width, place.y + round(4 * u), width, place.height - round(4 * u))
        places.append((cell, i))
        name = other.fingering.name
        if type_.width(f"{i + 1} {name}", 13, "bold") > cell.width - 4 and other.fingering.mark:
            name = other.fingering.mark
        type_.draw(target, f"{i + 1} {name}", cell.midtop, 13, "bold", anchor="midtop", max_width_px=cell.width - 4)
        cost = cost_of(run.rehearsal.plan, run.chart, note_index, other)
        top, bottom = cell.y + type_.line_height(13), cell.bottom - 2 * line
        for words, y in ((ms_in_words(cost), bottom), (rules_in_words(cost), bottom + line)):
            type_.draw(target, words, (cell.centerx, y), 12.5, "italic", Ink.QUIET, "midtop", cell.width)
        horn = pygame.Rect(cell.x + round(4 * u), top, cell.width - round(8 * u), bottom - top)
        draw_horn_small(target, horn, run.chart, other.fingering.keys)
    return places


def _draw_then(target: pygame.Surface, layout: Layout, type_: Type, run: Run, note_index: int) -> None:
    """The note after the next, small."""
    place, section = layout.horn_then, run.rehearsal.section
    pygame.draw.line(target, Ink.FAINT, place.topleft, place.topright, 1)
    if note_index + 1 >= section.first_note + len(section.passage.notes):
        type_.draw(target, "then: the end", place.center, 15, "italic", Ink.QUIET, "center")
        return
    note, choice = _choice(run, note_index + 1)
    small, words = small_beside(place, layout.scale)
    draw_horn_small(target, small, run.chart, choice.keys)
    type_.draw(target, "then", words.topleft, 13.5, "italic", Ink.QUIET)
    y = words.y + type_.line_height(13.5)
    type_.draw(target, str(note.written), (words.x, y), 19, "bold", max_width_px=words.width)
    if choice.fingering.mark or not choice.fingering.standard:
        y += type_.line_height(19)
        below = pygame.Rect(words.x, y, words.width, place.bottom - y)
        type_.paragraph(target, choice.fingering.name, below, 15, "italic", Ink.BLUE)
