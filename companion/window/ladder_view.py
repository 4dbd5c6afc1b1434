"""The ladder: metronome marks as rungs, the one you stand on, the clean takes on it, the week's target. A try is
played where the filled pointer stands; the hollow one is where you come back to."""

from __future__ import annotations

from dataclasses import dataclass

import pygame

from companion.passage import Bar
from companion.practice.climbs import OVERSHOOT
from companion.practice.ladder import Ladder
from companion.practice.metronome import metronome_number, units_in_words
from companion.window import pencil
from companion.window.layout import Layout
from companion.window.music import Music
from companion.window.theme import Ink, Type

__all__ = ["LadderShown", "draw_ladder", "ladder_of", "rung_at", "rungs_shown"]


@dataclass(frozen=True, slots=True)
class LadderShown:
    """What the ladder panel shows; equal values look the same. `target_label` is the day or `target`."""

    ladder: Ladder
    bar: Bar
    target_label: str
    note: str


def ladder_of(music: Music) -> LadderShown:
    """What the panel shows of the music on the stand."""
    rehearsal, allowed = music.rehearsal, music.rehearsal.tolerances
    articulated = f", {allowed.articulation_share:.0%} articulated" if allowed.articulation_share else ""
    return LadderShown(
        rehearsal.ladder, rehearsal.section.passage.bars[0], music.target_label,
        f"{rehearsal.ladder.rule} Clean: no wrong note, {allowed.clean_share_on_time:.0%} within"
        f" {allowed.on_time_ms:g} ms{articulated}.",
    )  # fmt: skip


def rungs_shown(ladder: Ladder, height_px: int, step_px: int) -> range:
    """The rungs that fit, with the present one in the lower middle and the target in sight where it can be. Above the
    last one there is one more while a take beyond the target is to be tried."""
    fits = max(3, height_px // step_px)
    count = len(_tempos(ladder))
    if count <= fits:
        return range(count)
    first = max(0, min(ladder.rung - fits // 3, count - fits))
    # A try comes into sight where the rung to settle on stays there, too.
    lowest = _here(ladder) - fits + 1
    return range(max(first, lowest), max(first, lowest) + fits) if lowest <= ladder.rung else range(first, first + fits)


def _tempos(ladder: Ladder) -> tuple[float, ...]:
    beyond = ladder.trying and ladder.tempo_bpm > ladder.target_bpm
    return (*ladder.rungs, ladder.tempo_bpm) if beyond else ladder.rungs


def _here(ladder: Ladder) -> int:
    """Where the next take is played: on the present rung, or above it for a try."""
    return _tempos(ladder).index(ladder.tempo_bpm) if ladder.trying else ladder.rung


def _rung_places(ladder: Ladder, place: Layout) -> dict[int, int]:
    """y of each rung shown. The rung of a try far above stands in the place of the topmost."""
    step = round(54 * place.scale)
    shown = list(rungs_shown(ladder, place.rungs.height - round(30 * place.scale), step))
    shown[-1] = max(shown[-1], _here(ladder))
    bottom = place.rungs.bottom - round(22 * place.scale)
    return {rung: bottom - i * step for i, rung in enumerate(shown)}


def rung_at(pos: tuple[int, int], ladder: Ladder, place: Layout) -> int | None:
    """The rung under a point, for the mouse."""
    if not place.rungs.collidepoint(pos):
        return None
    step = round(54 * place.scale)
    for rung, y in _rung_places(ladder, place).items():
        if y - step + step // 4 < pos[1] <= y + step // 4 and rung < len(ladder.rungs):
            return rung
    return None


def draw_ladder(target: pygame.Surface, place: Layout, type_: Type, shown: LadderShown) -> None:
    """Draw the whole panel on its paper."""
    ladder, u = shown.ladder, place.scale
    pygame.draw.rect(target, Ink.PAPER, place.ladder, border_radius=3)
    title = type_.draw(
        target, "Ladder", (place.ladder.centerx, place.ladder.y + round(9 * u)), 18, "bold", anchor="midtop"
    )
    type_.draw(
        target,
        f"{units_in_words(shown.bar)} a minute",
        title.midbottom,
        12.5,
        "italic",
        Ink.QUIET,
        "midtop",
        place.ladder.width - 8,
    )
    left, right = place.rungs.x + round(34 * u), place.rungs.right - round(44 * u)
    places = _rung_places(ladder, place)
    highest = max(places)
    rail_top = place.rungs.y if highest < len(ladder.rungs) - 1 else places[len(ladder.rungs) - 1] - round(30 * u)
    for x in (left, right):
        pygame.draw.line(target, Ink.PRINT, (x, rail_top), (x, place.rungs.bottom), max(2, round(3 * u)))
    for rung, y in places.items():
        _draw_rung(target, type_, shown, rung, (left, right, y), u)
    if highest > 0 and highest - 1 not in places and len(places) > 1:
        _draw_gap(target, (left, right, places[highest] + round(25 * u)), u)
    if highest < len(ladder.rungs) - 1:
        more = f"↑ {shown.target_label} {metronome_number(ladder.rungs[-1], shown.bar)}"
        box = pygame.Rect(left + 3, place.rungs.y - round(2 * u), right - left - 6, type_.line_height(13) + 2)
        pygame.draw.rect(target, Ink.PAPER, box)
        type_.draw(target, more, box.center, 13, "italic", Ink.BLUE, "center", box.width)
    type_.paragraph(target, shown.note, place.ladder_rule, 13.5, "italic", Ink.QUIET, "center")


def _draw_rung(
    target: pygame.Surface, type_: Type, shown: LadderShown, rung: int, at: tuple[int, int, int], u: float
) -> None:
    ladder, (left, right, y) = shown.ladder, at
    here, below = rung == _here(ladder), rung < ladder.rung
    colour = Ink.PRINT if here or below else Ink.FAINT
    if rung < len(ladder.rungs):
        pygame.draw.line(target, colour, (left, y), (right, y), max(2, round((5 if here else 2.5) * u)))
    else:
        _draw_dashes(target, (left, right, y), u)
    number = metronome_number(_tempos(ladder)[rung], shown.bar)
    middle = (left + right) / 2
    ink = Ink.BLUE if here else Ink.PRINT if below else Ink.QUIET
    type_.draw(
        target, number, (middle, y - round(4 * u)), 21 if here else 15, "bold" if here else "regular", ink, "midbottom"
    )
    flag = round(9 * u)
    pointer = [(left - flag - 4, y - flag), (left - 4, y), (left - flag - 4, y + flag)]
    if here:
        _draw_clean_takes(target, ladder, middle, y + round(13 * u), u)
        pygame.draw.polygon(target, Ink.BLUE, pointer)
    elif rung == ladder.rung:  # to come back to after the try
        pygame.draw.polygon(target, Ink.BLUE, pointer, max(1, round(1.4 * u)))
    if rung == len(ladder.rungs) - 1:
        _draw_flag(target, type_, shown.target_label, (right, y), u)


def _draw_gap(target: pygame.Surface, at: tuple[int, int, int], u: float) -> None:
    """Rungs left out below the topmost."""
    left, right, y = at
    width = max(6, round(10 * u))
    for x in (left, right):
        box = pygame.Rect(0, 0, width, round(20 * u))
        box.center = x, y
        pygame.draw.rect(target, Ink.PAPER, box)
        for dot in (-1, 0, 1):
            pygame.draw.circle(target, Ink.PRINT, (x, y + dot * round(6 * u)), max(1, round(1.5 * u)))


def _draw_dashes(target: pygame.Surface, at: tuple[int, int, int], u: float) -> None:
    """A rung that is no part of the ladder: between the rails' ends, for one take."""
    left, right, y = at
    dash = max(4, round(9 * u))
    for x in range(left, right, 2 * dash):
        pygame.draw.line(target, Ink.PRINT, (x, y), (min(x + dash, right), y), max(2, round(3 * u)))


def _draw_clean_takes(target: pygame.Surface, ladder: Ladder, middle: float, y: int, u: float) -> None:
    """One small ring for each clean take wanted, ticked when done; for a take too fast none is wanted."""
    if ladder.trying and ladder.climb == OVERSHOOT:
        return
    wanted = ladder.clean_needed
    gap = min(round(18 * u), round(76 * u / max(1, wanted - 1)) if wanted > 1 else round(18 * u))
    radius = max(3, min(round(5 * u), gap // 2 - 1))
    for i in range(wanted):
        x = round(middle + (i - (wanted - 1) / 2) * gap)
        pygame.draw.aacircle(target, Ink.QUIET, (x, y), radius, max(1, round(1.2 * u)))
        if i < ladder.clean_in_a_row:
            mark = pencil.tick(radius * 3, Ink.PRINT)
            target.blit(mark, mark.get_rect(center=(x + radius // 2, y - radius // 2)))


def _draw_flag(target: pygame.Surface, type_: Type, label: str, at: tuple[int, int], u: float) -> None:
    """The week's target: a small paper flag at its rung."""
    x, y = at
    width = min(type_.width(label, 12.5, "bold") + round(10 * u), round(60 * u) + 20)
    box = pygame.Rect(0, 0, width, type_.line_height(12.5) + round(3 * u))
    box.midleft = (x - round(6 * u), y)
    box.right = min(box.right, target.get_clip().right - 4)
    pygame.draw.rect(target, Ink.BLUE_WASH, box, border_radius=3)
    pygame.draw.rect(target, Ink.BLUE, box, max(1, round(1.4 * u)), border_radius=3)
    type_.draw(target, label, box.center, 12.5, "bold", Ink.BLUE, "center", box.width - 4)
