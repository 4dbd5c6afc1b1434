"""The line under the stand: which keys it names, who plays, what of it is clicked."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pygame
import pytest
from window.stand_tools import make_setup, playable
from window.test_controller import Device

from companion.window.bindings import foot_line
from companion.window.foot import FootShown, draw_foot, foot_of
from companion.window.horn_hands import key_names
from companion.window.layout import layout
from companion.window.run import Run
from companion.window.stepped_clock import SteppedClock
from companion.window.theme import Type

SHOWN = FootShown("ready", "Reed", False, frozenset(), False)


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Run]:
    made = Run(make_setup(playable(bars=2), tmp_path, port=""), SteppedClock())
    yield made
    made.close()


def test_it_says_who_plays(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    pygame.init()
    assert foot_of(run, "ready").port == "no controller: P"
    run.use_port("sim:student:7")
    assert foot_of(run, "ready").port == "simulated player, student"
    run.use_port("keys")
    shown = foot_of(run, "ready")
    assert shown.port == "the computer's keys" and run.controller.keys is not None
    assert shown.horn_keys == key_names(run.controller.keys.layout) and "space" in shown.horn_keys
    monkeypatch.setattr("companion.window.controller.open_input", lambda name, **how: Device(name))
    monkeypatch.setattr("companion.window.controller.PortWatch", lambda: None)
    run.use_port("Reed")
    assert foot_of(run, "ready") == SHOWN
    assert isinstance(run.controller.port, Device)
    run.controller.port.alive = False
    assert foot_of(run, "ready").port == "Reed: not there"


def test_what_it_shows_follows_the_click_and_the_music(run: Run) -> None:
    run.sound.levels.mute_click()
    run.repertoire.take_exercise("scales", {"kind": "major"})
    shown = foot_of(run, "after")
    assert shown.click_muted and shown.on_exercise and shown.state == "after"


@pytest.mark.parametrize("size", [(1024, 640), (1280, 720), (3840, 2160)])
@pytest.mark.parametrize("port", ["Reed", "A controller whose maker has given it a very long name indeed, MIDI 1"])
def test_keys_are_named_as_far_as_there_is_room_and_can_be_clicked(size: tuple[int, int], port: str) -> None:
    pygame.init()
    place = layout(*size)
    target = pygame.Surface(size)
    places = draw_foot(target, place, Type(place.scale), replace(SHOWN, port=port))
    named = [action for _, action in places.actions]
    assert named == [binding.action for binding in foot_line("ready", frozenset(), False)][: len(named)]
    assert {"start", "keys"} <= set(named)
    boxes = [box for box, _ in places.actions] + [places.port]
    assert all(place.foot.contains(box) for box in boxes)
    assert all(a.right < b.left for a, b in pairwise(boxes))
