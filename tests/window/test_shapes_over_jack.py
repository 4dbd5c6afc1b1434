"""A question of the shapes answered on real MIDI: another process fingers and plays through JACK."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from ports.jack_tools import Event, jack_missing, jack_server, sender_process

from companion.charts import load
from companion.practice.pressed import key_message
from companion.practice.shapes import catalogue
from companion.record.shapes import Remembered, read_answers
from companion.window.shapes_app import ShapesApp, ShapesSetup

pytestmark = [pytest.mark.jack, pytest.mark.skipif(bool(jack_missing()), reason=jack_missing() or "-")]
ALTO = load("alto")


@pytest.fixture
def server() -> Iterator[str]:
    # A longer period: on a busy machine a short one loses messages.
    with jack_server(period=2048) as name:
        yield name


def _fingered(name: str) -> list[Event]:
    """A, B flat with the shape of this name, A: slurred, half a second each, keys told before each note."""
    events: list[Event] = []
    notes = [(69, ALTO.standard(69)), (70, ALTO.called(70, name)[0]), (69, ALTO.standard(69))]
    for i, (midi, shape) in enumerate(notes):
        at = 0.5 * i
        events.append((at, list(key_message(shape.keys))))
        events.append((at + 0.002, [0x90, midi, 90]))
        if i:
            events.append((at + 0.004, [0x80, notes[i - 1][0], 0]))
    events.append((1.5, [0x80, 69, 0]))
    return events


@pytest.mark.parametrize(("name", "right"), [("bis", True), ("side", False)])
def test_a_shape_held_on_a_controller_is_the_answer(server: str, tmp_path: Path, name: str, right: bool) -> None:
    with sender_process("Reed Shapes", _fingered(name)) as sender:
        setup = ShapesSetup(
            ALTO, catalogue(ALTO), Remembered({}), tmp_path, port="Reed Shapes", hidden=True, settings=tmp_path
        )
        app = ShapesApp(setup)
        screen = app.screen
        try:
            screen.practise()
            asked = screen.question
            assert asked is not None and asked.words == "B♭4 between two A4s" and asked.better.name == "bis"
            sender.go()
            deadline = time.monotonic() + 20
            while not (screen.answer is not None and screen.bar_played):
                assert time.monotonic() < deadline, (screen.heard, screen.ear.keys)
                app.frame()
                time.sleep(1 / 120)
            assert screen.answer.right is right
            assert screen.answer.fingering is not None and screen.answer.fingering.name == name
        finally:
            app.close()
    assert read_answers(tmp_path, "alto").cards.keys() == {asked.id}
