"""The line over the music: title and bars, the beat that the click stands at, the horn, the tempo."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

import pygame

from companion.passage import Bar
from companion.practice.metronome import beat_unit, metronome_number
from companion.practice.words import piece_in_words
from companion.window.layout import Layout
from companion.window.run import Run
from companion.window.theme import Ink, Type

__all__ = ["Beat", "HeadPlaces", "HeadShown", "beat_now", "draw_head", "head_of"]


@dataclass(frozen=True, slots=True)
class Beat:
    """Beat `at` of `of_beats` in the bar, counted from 1, 0 before the first; whether it is one of the count-in."""

    at: int
    of_beats: int
    count_in: bool


@dataclass(frozen=True, slots=True)
class HeadShown:
    """What the line shows; equal values look the same. The tempo is told in the note that `bar` counts."""

    title: str
    horn: str
    bar: Bar
    tempo_bpm: float
    beat: Beat | None


@dataclass(frozen=True, slots=True)
class HeadPlaces:
    """What of it can be clicked."""

    horn: pygame.Rect
    tempo: pygame.Rect


def beat_now(run: Run) -> Beat | None:
    """The beat that the click stands at; None between takes."""
    rehearsal = run.rehearsal
    if rehearsal.state == "count-in":
        return _count_in_beat(run)
    if rehearsal.state != "playing":
        return None
    clicks = rehearsal.clock().clicks
    at = bisect_right([click.time_s for click in clicks], rehearsal.time_s(run.clock()) + 1e-6) - 1
    if at < 0:
        return Beat(0, clicks[0].of_beats, True) if clicks else None
    return Beat(clicks[at].beat_in_bar, clicks[at].of_beats, clicks[at].count_in)


def _count_in_beat(run: Run) -> Beat | None:
    clicks = run.count_in
    if not clicks:
        return None
    at = bisect_right([time_ns for time_ns, _ in clicks], run.clock()) - 1
    return Beat(clicks[at][1].beat_in_bar if at >= 0 else 0, clicks[0][1].of_beats, True)


def head_of(run: Run) -> HeadShown:
    """What the line shows now."""
    rehearsal = run.rehearsal
    bar = rehearsal.section.passage.bars[0]
    title = piece_in_words(rehearsal.passage.title, rehearsal.section.label)
    return HeadShown(title, run.chart.title.lower(), bar, rehearsal.tempo_bpm, beat_now(run))


def draw_head(target: pygame.Surface, place: Layout, type_: Type, shown: HeadShown) -> HeadPlaces:
    """Draw the line on its paper."""
    box, u = place.page_head, place.scale
    target.fill(Ink.PAPER, box)
    number = metronome_number(shown.tempo_bpm, shown.bar)
    tempo = type_.draw(target, f" = {number}", box.midright, 18, "regular", anchor="midright")
    tempo = _draw_note_value(target, type_, tempo.midleft, beat_unit(shown.bar)[0]).union(tempo)
    right = tempo.left - round(18 * u)
    horn = type_.draw(target, shown.horn, (right, box.centery), 15, "italic", Ink.QUIET, "midright")
    beats_width = round(150 * u)
    space = horn.left - box.left - beats_width - round(20 * u)
    size = next((s for s in (20, 17.5, 15) if type_.width(shown.title, s, "bold") <= space), 15)
    type_.draw(target, shown.title, box.midleft, size, "bold", anchor="midleft", max_width_px=space)
    if shown.beat is not None and shown.beat.of_beats:
        _draw_beat(target, type_, shown.beat, (horn.left - beats_width // 2 - round(10 * u), box.centery), u)
    return HeadPlaces(horn, tempo)


def _draw_note_value(target: pygame.Surface, type_: Type, right: tuple[int, int], unit: str) -> pygame.Rect:
    """The note of the metronome mark, drawn: a head, and what it has of a stem, flags and a dot."""
    height = type_.px(17)
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


def _draw_beat(target: pygame.Surface, type_: Type, beat: Beat, middle: tuple[int, int], u: float) -> None:
    """The count-in's numbers, then a dot a beat, the one that sounds filled."""
    gap = min(round(22 * u), round(146 * u / beat.of_beats))
    for i in range(1, beat.of_beats + 1):
        x, y = round(middle[0] + (i - (beat.of_beats + 1) / 2) * gap), middle[1]
        here = i == beat.at
        if beat.count_in:
            ink = Ink.BLUE if here else Ink.FAINT
            type_.draw(target, str(i), (x, y), 24 if here else 15, "bold" if here else "regular", ink, "center")
        elif here:
            pygame.draw.aacircle(target, Ink.PRINT, (x, y), round((8 if i == 1 else 6) * u))
        else:
            pygame.draw.aacircle(target, Ink.FAINT, (x, y), max(3, round(4 * u)))
