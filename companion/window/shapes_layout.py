"""Where everything of the shapes' screen stands, as data, and what every key does there. Nothing is drawn here."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import pygame

__all__ = ["KEYS", "Mode", "Places", "ShapeKey", "action_of", "columns_in", "foot_of", "places", "repeats"]

Mode = Literal["browse", "asked", "answered", "end"]
_ALL: tuple[Mode, ...] = ("browse", "asked", "answered", "end")
_PRACTICE: tuple[Mode, ...] = ("asked", "answered")
#: A column of a shape is no wider than this at 1280x720: beyond, the keys of a hand lie too far apart.
_WIDEST_COLUMN = 236


@dataclass(frozen=True, slots=True)
class ShapeKey:
    """As a binding of the stand: key names or typed characters, how it is printed, what it does and in which modes;
    `short` are its words at the foot, empty for a key that isn't named there. `beside` is how the key is printed that
    does the same while the computer's letters are the horn."""

    keys: tuple[str, ...]
    label: str
    action: str
    short: str
    modes: tuple[Mode, ...]
    beside: str = ""


#: In the order of the foot, the most wanted first.
KEYS = (
    ShapeKey(("return", "enter", "keypad enter"), "Enter", "go_on", "next", ("answered",)),
    ShapeKey(("1", "2", "3", "4"), "1–4", "choose", "choose", ("asked",)),
    ShapeKey(("p",), "P", "practise", "practise", ("browse",)),
    ShapeKey(("return", "enter", "keypad enter"), "Enter", "practise", "practise on", ("end",)),
    ShapeKey(("up",), "↑", "note_up", "note up", ("browse",)),
    ShapeKey(("down",), "↓", "note_down", "note down", ("browse",)),
    ShapeKey(("page up",), "PgUp", "octave_up", "", ("browse",)),
    ShapeKey(("page down",), "PgDn", "octave_down", "", ("browse",)),
    ShapeKey(("right",), "→", "shape_on", "next shape", ("browse",)),
    ShapeKey(("left",), "←", "shape_back", "", ("browse",)),
    ShapeKey(("l", "f2"), "L", "listen", "listen", ("browse", "asked", "answered"), "F2"),
    ShapeKey(("space",), "space", "play", "movement", ("browse", "answered")),
    ShapeKey((".",), ".", "step_on", "step", ("browse", "answered")),
    ShapeKey((",",), ",", "step_back", "", ("browse", "answered")),
    ShapeKey(("b",), "B", "browse", "browse", (*_PRACTICE, "end")),
    ShapeKey(("m", "f3", "u"), "M", "mute", "tone on/off", _ALL, "F3"),
    ShapeKey(("+", "=", "f5"), "+", "louder", "louder", _ALL, "F5"),
    ShapeKey(("-", "f4"), "−", "softer", "softer", _ALL, "F4"),
    ShapeKey(("escape",), "Esc", "leave", "leave", _ALL),
)


def action_of(event: pygame.event.Event, mode: Mode) -> str | None:
    """The action a key press means; `choose` comes with its number, as `choose 2`."""
    typed, name = event.unicode, pygame.key.name(event.key)
    for entry in KEYS:
        if mode not in entry.modes:
            continue
        hit = name if name in entry.keys else typed.lower() if typed and typed.lower() in entry.keys else ""
        if hit:
            return f"choose {hit}" if entry.action == "choose" else entry.action
    # The digits beside a keyboard, and those of one that needs Shift for them.
    digit = next((text for text in (typed, name.strip("[]")) if text and text in "1234"), "")
    return f"choose {digit}" if digit and mode == "asked" else None


#: Actions that go on while the key is held.
_REPEATED = frozenset(
    {
        "note_up",
        "note_down",
        "octave_up",
        "octave_down",
        "shape_on",
        "shape_back",
        "step_on",
        "step_back",
        "louder",
        "softer",
    }
)


def repeats(action: str) -> bool:
    """Whether an action goes on while its key is held: a held Enter must not run through the questions."""
    return action in _REPEATED


def foot_of(mode: Mode, letters_play: bool = False) -> tuple[ShapeKey, ...]:
    """What the foot of the window names in this mode. Where the computer's letters are the horn, keys beside them do
    what letters do else; what has none is left to Esc and the mouse."""
    named = (entry for entry in KEYS if entry.short and mode in entry.modes)
    if not letters_play:
        return tuple(named)
    return tuple(
        replace(entry, label=entry.beside or entry.label)
        for entry in named
        if entry.beside or entry.action in ("choose", "leave")
    )


@dataclass(frozen=True, slots=True)
class Places:
    """All places in pixels. `scale` is 1 at 1280x720. `title`, `staff` and `words` are the head of the sheet, `shapes`
    the columns, `move` the panel of what changes with its `horn` and buttons, `strip` the notes of the horn."""

    scale: float
    sheet: pygame.Rect
    title: pygame.Rect
    staff: pygame.Rect
    words: pygame.Rect
    shapes: pygame.Rect
    move: pygame.Rect
    move_title: pygame.Rect
    move_horn: pygame.Rect
    move_words: pygame.Rect
    buttons: tuple[pygame.Rect, pygame.Rect, pygame.Rect]
    strip: pygame.Rect
    foot: pygame.Rect


def places(width_px: int, height_px: int) -> Places:
    """Lay out the screen for a window of this size."""
    u = min(width_px / 1280, height_px / 720)
    margin, pad, gap = round(14 * u), round(18 * u), round(14 * u)
    foot_height = max(34, round(46 * u))
    sheet = pygame.Rect(margin, margin, width_px - 2 * margin, height_px - foot_height - margin - margin // 2)
    inner = sheet.inflate(-2 * pad, -2 * pad)
    strip_height = max(26, round(32 * u))
    strip = pygame.Rect(inner.x, inner.bottom - strip_height, inner.width, strip_height)
    head_height = max(112, round(140 * u))
    move_width = max(220, round(inner.width * 0.22))
    top = strip.top - gap // 2
    move = pygame.Rect(inner.right - move_width, inner.y, move_width, top - inner.y)
    head_width = move.x - gap - inner.x
    title = pygame.Rect(inner.x, inner.y, round(head_width * 0.23), head_height)
    staff = pygame.Rect(title.right + gap, inner.y, round(head_width * 0.37), head_height)
    words = pygame.Rect(staff.right + gap, inner.y, inner.x + head_width - staff.right - gap, head_height)
    under = title.bottom + gap // 2
    shapes = pygame.Rect(inner.x, under, head_width, top - under)
    edge = round(10 * u)
    within = move.inflate(-2 * edge, -2 * edge)
    title_height, words_height, button_height = max(40, round(46 * u)), max(80, round(88 * u)), max(24, round(28 * u))
    move_title = pygame.Rect(within.x, within.y, within.width, title_height)
    each = within.width // 3
    button_top = within.bottom - button_height
    first, second, third = (
        pygame.Rect(within.x + i * each, button_top, each - round(4 * u), button_height) for i in range(3)
    )
    move_words = pygame.Rect(within.x, button_top - words_height - edge // 2, within.width, words_height)
    horn = pygame.Rect(within.x, move_title.bottom, within.width, move_words.top - move_title.bottom - edge // 2)
    foot = pygame.Rect(margin, height_px - foot_height, width_px - 2 * margin, foot_height)
    return Places(
        u, sheet, title, staff, words, shapes, move, move_title, horn, move_words, (first, second, third), strip, foot
    )


def columns_in(area: pygame.Rect, count: int, scale: float) -> list[pygame.Rect]:
    """So many columns side by side, in the middle of the area where they don't need all of it."""
    width = min(area.width // max(1, count), round(_WIDEST_COLUMN * scale))
    left = area.x + (area.width - width * count) // 2
    gap = round(6 * scale)
    return [pygame.Rect(left + i * width, area.y, width - gap, area.height) for i in range(count)]
