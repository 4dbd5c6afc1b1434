"""The line under the stand: the keys that matter now, each to be clicked, and who plays."""

from __future__ import annotations

from dataclasses import dataclass

import pygame

from companion.window.bindings import foot_line
from companion.window.controller import Controller
from companion.window.horn_hands import key_names
from companion.window.layout import Layout
from companion.window.run import Run
from companion.window.theme import Ink, Type

__all__ = ["FootPlaces", "FootShown", "draw_foot", "foot_of"]


@dataclass(frozen=True, slots=True)
class FootShown:
    """What the line shows; equal values look the same. `state` is the one that keys are read in, `horn_keys` are those
    that the computer's horn has taken."""

    state: str
    port: str
    click_muted: bool
    horn_keys: frozenset[str]
    on_exercise: bool


@dataclass(frozen=True, slots=True)
class FootPlaces:
    """What of it can be clicked: the actions of the keys shown, and the controller."""

    actions: tuple[tuple[pygame.Rect, str], ...]
    port: pygame.Rect


def foot_of(run: Run, state: str) -> FootShown:
    """What the line shows now."""
    keys = run.controller.keys
    return FootShown(
        state,
        _port_in_words(run.controller),
        run.sound.levels.now.click_muted,
        key_names(keys.layout) if keys is not None else frozenset(),
        run.repertoire.on_exercise,
    )


def _port_in_words(controller: Controller) -> str:
    if not controller.name:
        return "no controller: P"
    if controller.keys is not None:
        return "the computer's keys"
    if controller.missing:
        return f"{controller.name}: not there"
    if controller.simulated:
        return "simulated player, " + " ".join(controller.name.split(":")[1:2])
    return controller.name


def draw_foot(target: pygame.Surface, place: Layout, type_: Type, shown: FootShown) -> FootPlaces:
    """Draw the line on the desk; keys that have no room are left out."""
    box, u = place.foot, place.scale
    target.fill(Ink.DESK, box)
    port = type_.draw(
        target, shown.port, box.midright, 14, "italic", Ink.DESK_TEXT, "midright", round(box.width * 0.22)
    )
    x, actions = box.x + round(4 * u), []
    for binding in foot_line(shown.state, shown.horn_keys, shown.on_exercise):
        words = binding.short
        if binding.action == "mute":
            words = "click is off" if shown.click_muted else "click is on"
        width = type_.width(binding.label, 14, "bold") + type_.width(words, 14) + round(8 * u)
        if x + width > port.left - round(16 * u):
            break
        label = type_.draw(target, binding.label, (x, box.centery), 14, "bold", Ink.DESK_TEXT, "midleft")
        beside = (label.right + round(6 * u), box.centery)
        text = type_.draw(target, words, beside, 14, "regular", Ink.DESK_FAINT, "midleft")
        actions.append((label.union(text), binding.action))
        x = text.right + round(18 * u)
    return FootPlaces(tuple(actions), port)
