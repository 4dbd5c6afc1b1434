"""The horn's panel after a take: a slip caught between two notes, a fingering that was not the planned one, a replay's
planned shape beside the note heard."""

from __future__ import annotations

from dataclasses import dataclass

import pygame

from companion.charts.model import Chart, note_name
from companion.engraving import fonts
from companion.errors import CompanionError
from companion.passage import Note
from companion.planning.model import Choice
from companion.practice.model import FingeringUsed, Slip
from companion.practice.words import with_stop
from companion.window.horn import caught_conditions, draw_horn, draw_horn_caught, draw_horn_small
from companion.window.keycap import Condition, HornInk, keycap
from companion.window.layout import Layout
from companion.window.theme import Ink, Type, wrap

__all__ = [
    "HornView", "draw_view", "fingering_in_words", "fingers_in_words", "shape_of", "slip_view", "small_beside",
    "used_view",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class HornView:
    """What the panel shows: `title` and `words` over the horn, its state `keys` on the way from `before` to `after`,
    below it either the fingers of a `slip` or a small second shape.

    Where nothing is caught in between, `before` and `after` are the shape itself.
    """

    title: str
    words: str
    keys: frozenset[str]
    before: frozenset[str]
    after: frozenset[str]
    slip: Slip | None = None
    below: str = ""
    below_title: str = ""
    below_keys: frozenset[str] | None = None


def slip_view(slip: Slip, before: frozenset[str], after: frozenset[str]) -> HornView:
    """A slip: the state of the horn that sounded it; where there is none, the change it came in."""
    caught = slip.states > 0
    return HornView(
        f"{note_name(slip.heard_midi)} slipped in",
        with_stop(slip.sentence),
        slip.keys if caught else after,
        before,
        after,
        slip,
    )


def used_view(used: FingeringUsed, note: str, planned: frozenset[str]) -> HornView:
    """The keys that were held, and below them the planned ones."""
    return HornView(
        f"{note}: {used.name or 'another shape'}",
        used.sentence,
        used.keys,
        used.keys,
        used.keys,
        below="planned",
        below_title=used.planned or "the usual one",
        below_keys=planned,
    )


def shape_of(chart: Chart, written_midi: int) -> frozenset[str] | None:
    """The usual shape of a note that was heard; None where the horn has none."""
    try:
        return chart.standard(written_midi).keys
    except CompanionError:
        return None


def fingering_in_words(note: Note, choice: Choice) -> str:
    """`A♯4 side`; the note alone where its fingering is the usual one."""
    usual = choice.fingering.standard and not choice.fingering.mark
    return str(note.written) if usual else f"{note.written} {choice.fingering.name}"


def fingers_in_words(fingers: tuple[str, ...]) -> str:
    """`left index`, `left index and right ring`."""
    return " and ".join((", ".join(fingers[:-1]), fingers[-1])) if len(fingers) > 1 else "".join(fingers)


def draw_view(target: pygame.Surface, place: Layout, type_: Type, chart: Chart, view: HornView) -> None:
    """Draw a view into the horn's panel."""
    pygame.draw.rect(target, Ink.PAPER, place.horn, border_radius=3)
    type_.draw(
        target, view.title, place.horn_name.midtop, 21, "bold", anchor="midtop", max_width_px=place.horn_name.width
    )
    words, keys = _split(place, type_, view.words)
    type_.paragraph(target, view.words, words, 13.5, "italic", Ink.QUIET, "center")
    font = str(fonts.TEXT_REGULAR)
    if view.slip is not None and view.slip.states > 0:
        draw_horn_caught(target, keys, chart, view.keys, view.before, view.after, font)
    else:
        draw_horn(target, keys, chart, view.before, view.after, font)
    below = place.horn_then
    pygame.draw.line(target, Ink.FAINT, below.topleft, below.topright, 1)
    if view.slip is not None:
        _draw_fingers(target, below, type_, view)
    else:
        _draw_below(target, below, type_, chart, view)


def _split(place: Layout, type_: Type, words: str) -> tuple[pygame.Rect, pygame.Rect]:
    """Room for the words, which may take some of the horn's, and what is left for the horn."""
    lines = len(wrap(words, type_.font(13.5, "italic"), place.horn_reason.width))
    height = max(place.horn_reason.height, min(lines, 6) * type_.line_height(13.5, "italic"))
    text = pygame.Rect(place.horn_reason.topleft, (place.horn_reason.width, height))
    return text, pygame.Rect(
        place.horn_keys.x, text.bottom, place.horn_keys.width, place.horn_keys.bottom - text.bottom
    )


def _draw_fingers(target: pygame.Surface, box: pygame.Rect, type_: Type, view: HornView) -> None:
    """Which finger was early, which late, by how much; said by the same rings as the keys have."""
    u, slip = type_.scale, view.slip
    y = box.y + round(9 * u)
    if slip is None or not slip.told:
        words = "Which finger it was can't be told from the note alone."
        type_.paragraph(target, words, pygame.Rect(box.x, y, box.width, box.bottom - y), 14, "italic", Ink.QUIET)
        return
    size = max(14, round(17 * u))
    seen = sorted(set(caught_conditions(view.keys, view.before, view.after).values()))
    early: Condition = next((what for what in seen if what.startswith("early")), "early_down")
    late: Condition = next((what for what in seen if what.startswith("late")), "late_up")
    rows: tuple[tuple[Condition, str, tuple[str, ...]], ...] = ((early, "early", slip.early), (late, "late", slip.late))
    for what, word, fingers in rows:
        if not fingers:
            continue
        cap = keycap(size, size, "round", what, u * 2.0, HornInk())
        target.blit(cap, cap.get_rect(center=(box.x + size, y + type_.line_height(15) // 2)))
        x = box.x + round(size * 2.2)
        text = pygame.Rect(x, y, box.right - x, 2 * type_.line_height(15))
        y = type_.paragraph(target, f"{word}: {fingers_in_words(fingers)}", text, 15) + round(6 * u)
    if slip.by_ms is not None:
        rest = pygame.Rect(box.x, y, box.width, box.bottom - y)
        type_.paragraph(target, f"apart by {slip.by_ms:.0f} ms at least", rest, 14, "italic", Ink.QUIET)


def small_beside(box: pygame.Rect, scale: float) -> tuple[pygame.Rect, pygame.Rect]:
    """Places of a small second horn at the right of a box, and of the words beside it."""
    width = round(box.width * 0.42)
    small = pygame.Rect(box.right - width, box.y + 4, width, box.height - 6)
    return small, pygame.Rect(box.x, box.y + round(10 * scale), box.width - width - 6, box.height)


def _draw_below(target: pygame.Surface, box: pygame.Rect, type_: Type, chart: Chart, view: HornView) -> None:
    small, words = small_beside(box, type_.scale)
    if view.below_keys is not None:
        draw_horn_small(target, small, chart, view.below_keys)
    type_.draw(target, view.below, words.topleft, 13.5, "italic", Ink.QUIET, max_width_px=words.width)
    y = words.y + type_.line_height(13.5)
    type_.paragraph(target, view.below_title, pygame.Rect(words.x, y, words.width, box.bottom - y), 18, "bold")
