"""The shapes' screen: browsing, movement, practice by choice and by held keys, what is remembered, and a monkey."""

from __future__ import annotations

import os
import random
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pygame
import pytest
from window.stand_tools import key as stand_key
from window.stand_tools import make_setup, open_stand, playable

from companion.arrays import Samples
from companion.charts import load
from companion.ports import PortName
from companion.ports.click import CLICK_RATE_HZ
from companion.ports.keys_layout import BREATH, PLACES, USUAL
from companion.ports.memory import recall_sound
from companion.practice.model import RawEvent
from companion.practice.pressed import key_message
from companion.practice.shape_ear import SETTLED_S, STUCK_S, ShapeEar
from companion.practice.shapes import SESSION_LENGTH, catalogue
from companion.record.shapes import Remembered, read_answers, shapes_file
from companion.units import NS_PER_S, ns_from_s
from companion.window.shapes import ShapesScreen
from companion.window.shapes_app import ShapesApp, ShapesSetup
from companion.window.shapes_horn import ROUNDS, STEPS, Movement
from companion.window.shapes_layout import KEYS, Places, action_of, columns_in, foot_of, places
from companion.window.theme import Type

ALTO = load("alto")
SIZES = [(1024, 640), (1280, 720), (1920, 1080), (1024, 1000), (2560, 640), (3840, 2160)]


class Silent:
    """A tone that only counts."""

    def __init__(self) -> None:
        self.started: list[Samples] = []
        self.muted = False
        self.volume = 1.0

    def start(self, buffer: Samples) -> bool:
        self.started.append(buffer)
        return True

    def stop(self) -> None:
        """As `TonePlayer`."""

    def set_muted(self, muted: bool) -> None:
        self.muted = muted

    def set_volume(self, volume: float) -> None:
        self.volume = volume


class Clocks:
    """Time that moves when told: the live clock and the date."""

    def __init__(self) -> None:
        self.ns = NS_PER_S
        self.date = datetime(2026, 3, 2, 17, 0, tzinfo=UTC)

    def now_ns(self) -> int:
        return self.ns

    def today(self) -> datetime:
        return self.date

    def step(self, seconds: float) -> None:
        self.ns += ns_from_s(seconds)


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


@pytest.fixture
def screen(tmp_path: Path, clocks: Clocks) -> Iterator[ShapesScreen]:
    os.environ["SDL_VIDEODRIVER"] = os.environ["SDL_AUDIODRIVER"] = "dummy"
    pygame.display.init()
    pygame.display.set_mode((1280, 720))
    pygame.font.init()
    made = _screen(tmp_path, clocks)
    yield made
    made.close()
    pygame.display.quit()


def _screen(folder: Path, clocks: Clocks, **changes: object) -> ShapesScreen:
    return ShapesScreen(
        ALTO, catalogue(ALTO), read_answers(folder, "alto"), sessions=folder, tone=Silent(),  # type: ignore[arg-type]
        clock=clocks.now_ns, today=clocks.today, **changes,  # type: ignore[arg-type]
    )  # fmt: skip


def press(screen: ShapesScreen, name: str, held: bool = False) -> bool:
    code = pygame.key.key_code(name)
    return screen.key(pygame.event.Event(pygame.KEYDOWN, key=code, unicode=name if len(name) == 1 else ""), held)


def play(screen: ShapesScreen, clocks: Clocks, keys: frozenset[str], seconds: float) -> None:
    """Finger and blow for a while, as a horn that knows its keys."""
    sounds = ALTO.sound(keys)
    screen.hear([RawEvent(clocks.ns, key_message(keys)), RawEvent(clocks.ns, bytes((0x90, sounds, 90)))])
    screen.tick()
    clocks.step(seconds)
    screen.tick()
    screen.hear([RawEvent(clocks.ns, bytes((0x80, sounds, 0)))])


# -- browsing --------------------------------------------------------------------------------------------------------


def test_every_note_can_be_reached_and_its_shapes_sound_it(screen: ShapesScreen) -> None:
    press(screen, "page down"), press(screen, "page down")
    seen = []
    for _ in range(40):
        seen.append(screen.midi)
        assert all(ALTO.sound(shape.keys) == screen.midi for shape in screen.shapes)
        press(screen, "up")
    assert sorted(set(seen)) == list(range(ALTO.lowest_midi, ALTO.highest_midi + 1))


def test_the_movement_goes_from_the_shape_before(screen: ShapesScreen) -> None:
    assert screen.midi == 70 and screen.shape.name == "bis"
    press(screen, "right")
    assert (screen.movement.before_name, screen.movement.after_name) == ("B♭4 bis", "B♭4 side")
    assert screen.movement_words() == "Down: left middle finger, side B♭ key. Up: bis key. Stays: left index."
    press(screen, "down")
    assert (screen.movement.before_name, screen.movement.after_name) == ("B♭4 side", "A4")
    assert screen.movement.before == ALTO.called(70, "side")[0].keys


def test_a_movement_plays_rests_and_is_stepped(screen: ShapesScreen, clocks: Clocks) -> None:
    press(screen, "right")
    assert screen.movement.progress(clocks.ns) == 0
    clocks.step(1.15)
    assert 0.4 < screen.movement.progress(clocks.ns) < 0.6
    press(screen, "space")
    assert screen.movement.stood == STEPS // 2, "space stands still where it is"
    press(screen, ".")
    assert screen.movement.progress(clocks.ns) == (STEPS // 2 + 1) / STEPS
    press(screen, ","), press(screen, ","), press(screen, ",")
    assert screen.movement.progress(clocks.ns) == 0
    press(screen, "space")
    clocks.step(60)
    assert not screen.movement.playing(clocks.ns) and screen.movement.progress(clocks.ns) == 1


def test_a_movement_plays_so_many_rounds() -> None:
    moving = Movement("a", frozenset(), "b", frozenset({"l1"}), 0)
    turns, before = 0, 0.0
    for ms in range(0, 20_000, 10):
        now = moving.progress(ms * 1_000_000)
        turns += now < before
        before = now
    assert turns == ROUNDS - 1 and before == 1


@pytest.mark.parametrize(
    ("name", "hertz"), [("soprano", 391.995), ("alto", 261.626), ("tenor", 195.998), ("baritone", 130.813)]
)
def test_listening_sounds_the_horns_pitch(screen: ShapesScreen, name: str, hertz: float) -> None:
    """A written A4: G4, C4, G3, C3, in equal temperament on A4 = 440 Hz (ISO 16:1975)."""
    screen.chart = load(name)
    screen.do("note 69")
    press(screen, "l")
    assert isinstance(screen.tone, Silent)
    wave = screen.tone.started[-1].astype(float)
    # The tone repeats itself after so many samples: the highest peak of its correlation with itself.
    part = wave[4000:24000]
    spectrum = np.abs(np.fft.rfft(part, 1 << 18)) ** 2
    correlation = np.fft.irfft(spectrum)
    low, high = int(CLICK_RATE_HZ / 600), int(CLICK_RATE_HZ / 100)
    period = low + int(np.argmax(correlation[low:high] * (1 - np.arange(low, high) / 20000)))
    assert CLICK_RATE_HZ / period == pytest.approx(hertz, rel=0.006)


def test_listening_and_mute(screen: ShapesScreen) -> None:
    press(screen, "l")
    press(screen, "m")
    press(screen, "l")
    tone = screen.tone
    assert isinstance(tone, Silent) and len(tone.started) == 1 and tone.muted
    assert "M" in screen.said


def test_the_tone_s_level_is_turned_here_and_kept_for_every_screen(screen: ShapesScreen) -> None:
    press(screen, "-")
    press(screen, "-")
    press(screen, "l")
    tone = screen.tone
    assert isinstance(tone, Silent) and tone.volume == pytest.approx(0.8) and screen.levels.now.click == 1.0
    assert recall_sound().tone == pytest.approx(0.8)
    press(screen, "m")
    assert recall_sound().tone_muted and not recall_sound().click_muted
    press(screen, "+")
    assert screen.said == "tone at 90 of 100"


def test_the_level_chosen_at_the_stand_holds_in_shapes_and_the_other_way(tmp_path: Path) -> None:
    app = open_stand(make_setup(playable(bars=2), tmp_path))
    try:
        stand_key(app, ",")
        stand_key(app, "a")
        leaf = app.leaf
        assert isinstance(leaf, ShapesScreen) and leaf.levels.now.tone == pytest.approx(0.9)
        leaf._set_level()
        assert leaf.tone._volume == pytest.approx(0.9)
        stand_key(app, "m")
        stand_key(app, "escape")
        assert app.run.sound.levels.now.tone_muted and not app.run.sound.levels.now.click_muted
    finally:
        app.close()


# -- practice --------------------------------------------------------------------------------------------------------


def _wrong(screen: ShapesScreen) -> str:
    question = screen.question
    assert question is not None
    return str(next(i for i, shape in enumerate(question.shapes, start=1) if shape != question.better))


def _right(screen: ShapesScreen) -> str:
    question = screen.question
    assert question is not None
    return str(question.shapes.index(question.better) + 1)


def test_a_session_from_the_keyboard(screen: ShapesScreen, tmp_path: Path) -> None:
    press(screen, "p")
    assert screen.mode == "asked" and screen.movement.after_name == "A4"
    missed = screen.question
    press(screen, _wrong(screen))
    assert screen.mode == "answered" and screen.explanation()[1].startswith("Better here: bis.")
    assert screen.movement.after == missed.better.keys and screen.movement.before != missed.better.keys
    press(screen, "return", held=True)
    assert screen.mode == "answered", "a held Enter doesn't run on"
    count = 0
    while screen.mode != "end":
        press(screen, "return") if screen.mode == "answered" else press(screen, _right(screen))
        count += 1
        assert count < 60
    assert screen.session is not None and len(screen.session.answers) == SESSION_LENGTH + 1
    assert [question.id for question, _ in screen.shaky(9)] == [missed.id]
    kept = read_answers(tmp_path, "alto").cards
    assert len(kept) == SESSION_LENGTH and kept[missed.id].stability_days == pytest.approx(
        screen.cards[missed.id].stability_days, abs=1e-5
    )


def test_a_note_keeps_its_spelling(screen: ShapesScreen) -> None:
    from companion.practice.shapes import Session

    question = next(question for question in screen.questions.values() if str(question.pitch) == "A♯4")
    screen.session, screen.browsing = Session([question]), False
    screen.choose(int(_wrong(screen)) - 1)
    assert screen.movement.after_name.startswith("A♯4 ") and screen.movement.before_name.startswith("A♯4 ")


def test_what_was_missed_comes_first_another_day(screen: ShapesScreen, tmp_path: Path, clocks: Clocks) -> None:
    press(screen, "p")
    ids = []
    for i in range(4):
        assert screen.question is not None
        ids.append(screen.question.id)
        press(screen, _wrong(screen) if i == 2 else _right(screen))
        press(screen, "return")
    clocks.date += timedelta(days=1)
    later = _screen(tmp_path, clocks)
    later.practise()
    assert later.session is not None
    order = [question.id for question in later.session.questions]
    assert order[0] == ids[2] and set(order[:4]) == set(ids) and order[4] not in ids
    later.close()


def test_held_keys_answer(screen: ShapesScreen, clocks: Clocks) -> None:
    screen.has_port = True
    press(screen, "p")
    play(screen, clocks, ALTO.standard(69).keys, 2.0)
    assert screen.mode == "asked", "the note before is no answer, however long it is held"
    play(screen, clocks, ALTO.called(70, "side")[0].keys, SETTLED_S / 2)
    assert screen.mode == "asked", "a moment is none either"
    play(screen, clocks, ALTO.called(70, "side")[0].keys, SETTLED_S * 1.5)
    assert screen.mode == "answered" and screen.answer is not None and not screen.answer.right
    assert screen.answer.fingering is not None and screen.answer.fingering.name == "side"


def test_a_note_that_is_still_held_answers_no_further_question(screen: ShapesScreen, clocks: Clocks) -> None:
    press(screen, "p")
    bis = ALTO.called(70, "bis")[0].keys
    screen.hear([RawEvent(clocks.ns, key_message(bis)), RawEvent(clocks.ns, bytes((0x90, 70, 90)))])
    clocks.step(SETTLED_S * 1.5)
    screen.tick()
    assert screen.mode == "answered"
    press(screen, "return")
    assert screen.question is not None and screen.question.pitch.midi == 70
    clocks.step(3)
    screen.tick()
    assert screen.mode == "asked"
    play(screen, clocks, screen.question.better.keys, SETTLED_S * 1.5)
    assert screen.answer is not None and screen.answer.right


def test_keys_that_sound_another_note_are_an_answer_once_they_stick(screen: ShapesScreen, clocks: Clocks) -> None:
    press(screen, "p")
    play(screen, clocks, frozenset({"l1", "l2", "l3"}), STUCK_S / 2)
    assert screen.mode == "asked"
    play(screen, clocks, frozenset({"l1", "l2", "l3"}), STUCK_S * 1.1)
    assert screen.mode == "answered" and screen.explanation()[0] == "These keys sound G4, not B♭4."
    assert screen.movement.before == {"l1", "l2", "l3"} and screen.movement.before_name == "these keys"


def test_a_controller_without_keys_is_heard_but_does_not_choose(screen: ShapesScreen, clocks: Clocks) -> None:
    press(screen, "p")
    screen.hear([RawEvent(clocks.ns, bytes((0x90, 70, 90)))])
    clocks.step(3)
    screen.tick()
    assert screen.mode == "asked" and screen.heard == "B♭4"


def test_a_bar_that_was_played_is_said(screen: ShapesScreen, clocks: Clocks) -> None:
    press(screen, "p")
    press(screen, "1")
    for midi in (67, 69, 70):
        screen.hear([RawEvent(clocks.ns, bytes((0x90, midi, 90)))])
        clocks.step(0.2)
        assert not screen.bar_played
    screen.hear([RawEvent(clocks.ns, bytes((0x90, 69, 90)))])
    assert screen.bar_played
    press(screen, "return")
    assert not screen.bar_played, "the next question begins anew"


def test_the_shift_of_a_controller_is_followed() -> None:
    ear = ShapeEar(ALTO, 9)
    ear.hear([RawEvent(0, bytes((0x90, 61, 90)))])
    held = ear.held()
    assert held is not None and held.written_midi == 70 and held.keys is None


def test_nothing_is_remembered_of_a_simulated_player(tmp_path: Path, clocks: Clocks) -> None:
    made = _screen(tmp_path, clocks, keep=False, why_not="the simulated player plays")
    made.practise()
    made.choose(0)
    assert made.mode == "answered" and not shapes_file(tmp_path, "alto").exists()
    made.close()


def test_a_disk_that_refuses_is_said_and_the_practice_goes_on(screen: ShapesScreen, tmp_path: Path) -> None:
    (tmp_path / "shapes").write_text("a file in its place")
    press(screen, "p")
    press(screen, "1")
    assert screen.mode == "answered" and "COMPANION_SESSIONS" in screen.said
    assert press(screen, "return") is False and screen.mode == "asked"


def test_escape_leads_out_step_by_step(screen: ShapesScreen) -> None:
    press(screen, "p")
    at = screen.question
    assert not press(screen, "escape") and screen.mode == "browse" and screen.midi == 70
    press(screen, "p")
    assert screen.question is at, "the session goes on where it was left"
    press(screen, "b")
    assert press(screen, "escape")


# -- what is drawn ---------------------------------------------------------------------------------------------------


def _all_places(at: Places) -> list[pygame.Rect]:
    return [at.title, at.staff, at.words, at.shapes, at.move, at.strip, at.foot]


@pytest.mark.parametrize("size", SIZES)
def test_nothing_overlaps_or_leaves_the_window(size: tuple[int, int]) -> None:
    at = places(*size)
    window = pygame.Rect((0, 0), size)
    boxes = _all_places(at)
    assert all(window.contains(box) for box in boxes)
    assert all(at.sheet.contains(box) for box in boxes if box is not at.foot)
    assert all(not a.colliderect(b) for i, a in enumerate(boxes) for b in boxes[i + 1 :])
    inside = [at.move_title, at.move_horn, at.move_words, *at.buttons]
    assert all(at.move.contains(box) for box in inside)
    assert all(not a.colliderect(b) for i, a in enumerate(inside) for b in inside[i + 1 :])
    columns = columns_in(at.shapes, 4, at.scale)
    assert all(at.shapes.contains(cell) for cell in columns)
    assert all(not a.colliderect(b) for a, b in pairwise(columns))
    assert min(columns[0].width, at.move_horn.width) >= 160 and at.move_horn.height >= 320


@pytest.mark.parametrize("size", SIZES[:3])
def test_every_word_of_an_answer_has_room(screen: ShapesScreen, size: tuple[int, int]) -> None:
    type_ = Type(min(size[0] / 1280, size[1] / 720))
    at = places(*size)
    for question in screen.questions.values():
        screen.session, screen.browsing = None, True
        from companion.practice.shapes import Session

        screen.session, screen.browsing = Session([question]), False
        screen.choose(int(_wrong(screen)) - 1)
        lines = screen.explanation()
        needed = screen.view._height(type_, " ".join(lines[:-1]), lines[-1], 12, at.words.width)
        assert needed <= at.words.height, question.words


@pytest.mark.parametrize("size", SIZES[:3])
def test_every_change_has_room_for_its_words(size: tuple[int, int]) -> None:
    from companion.practice.shapes import change_of
    from companion.window.theme import wrap

    pygame.font.init()
    type_, at = Type(min(size[0] / 1280, size[1] / 720)), places(*size)
    room = at.move_words.height // type_.line_height(12)
    changes = {change_of(ALTO, a.keys, b.keys).sentence() for a in ALTO.fingerings for b in ALTO.fingerings[::3]}
    for words in sorted(changes, key=len)[-40:]:
        assert len(wrap(words, type_.font(12), at.move_words.width)) <= room, words


def test_a_picture_is_drawn_only_where_something_changed(screen: ShapesScreen, clocks: Clocks) -> None:
    surface, type_ = pygame.display.get_surface(), Type(1.0)
    assert surface is not None
    screen.draw_changed(surface, type_)
    for _ in range(400):
        changed = screen.draw_changed(surface, type_)
        if screen.staff.ready and not changed:
            break
        pygame.time.wait(10)
    assert screen.staff.ready and not screen.staff.fault
    assert not screen.draw_changed(surface, type_)
    press(screen, "right")
    assert screen.draw_changed(surface, type_)
    clocks.step(1.1)
    assert screen.draw_changed(surface, type_)


def test_what_the_mouse_can_reach_is_all_there_is(screen: ShapesScreen) -> None:
    surface, type_ = pygame.display.get_surface(), Type(1.0)
    assert surface is not None

    def reached() -> set[str]:
        screen.view.draw(surface, type_)
        return {action for box, action in screen.view._hits if screen.view.action_at(box.center) == action}

    press(screen, "right")
    found = reached()
    assert {f"note {midi}" for midi in screen.notes} <= found
    assert {"shape 0", "shape 3", "play", "step_on", "step_back", "practise", "listen", "mute", "leave"} <= found
    press(screen, "p")
    found = reached()
    assert {"choose 1", "choose 4", "listen", "browse", "leave"} <= found
    screen.do("choose 2")
    assert {"go_on", "play", "step_on", "step_back"} <= reached()


def test_every_key_has_one_meaning_in_a_mode() -> None:
    for mode in ("browse", "asked", "answered", "end"):
        names = [name for entry in KEYS if mode in entry.modes for name in entry.keys]
        assert len(names) == len(set(names))
        assert foot_of(mode)  # type: ignore[arg-type]
    digit = pygame.event.Event(pygame.KEYDOWN, key=pygame.K_KP3, unicode="3")
    assert action_of(digit, "asked") == "choose 3"


# -- windows of its own, and over the stand --------------------------------------------------------------------------


def _app(folder: Path, size: tuple[int, int] = (1280, 720), shots: Path | None = None) -> ShapesApp:
    setup = ShapesSetup(ALTO, catalogue(ALTO), Remembered({}), folder, hidden=True, settings=folder)
    return ShapesApp(setup, size=size, shots=shots)


def test_pictures_of_every_screen(tmp_path: Path) -> None:
    _app(tmp_path, (1024, 640), tmp_path / "shots").loop()
    saved = {path.stem for path in (tmp_path / "shots").glob("*.png")}
    assert saved == {
        "shapes-note", "shapes-movement", "shapes-question", "shapes-wrong", "shapes-right", "shapes-end",
    }  # fmt: skip
    assert not shapes_file(tmp_path, "alto").exists(), "pictures are no practice"


def test_the_stand_opens_it_at_the_note_looked_at(tmp_path: Path) -> None:
    passage = playable(bars=2)
    app = open_stand(make_setup(passage, tmp_path))
    try:
        stand_key(app, "right"), stand_key(app, "right")
        at = app.stand.shown_note()
        stand_key(app, "a")
        leaf = app.leaf
        assert isinstance(leaf, ShapesScreen) and at is not None
        assert leaf.midi == passage.notes[at].written_midi and not leaf.keep
        stand_key(app, "escape")
        assert app.leaf is None and leaf.staff._engraver is None
    finally:
        app.close()


class Device:
    """Stands for a controller on the bench."""

    def __init__(self, name: str) -> None:
        self.name, self.alive, self.waiting = name, True, [RawEvent(0, bytes((0x90, 70, 90)))]

    def drain(self) -> list[RawEvent]:
        drained, self.waiting = self.waiting, []
        return drained

    def close(self) -> None:
        """As a device's."""


class Bench:
    """Tells of devices that come."""

    def __init__(self) -> None:
        self.appeared: tuple[PortName, ...] = ()

    def changes(self) -> tuple[tuple[PortName, ...], tuple[PortName, ...]]:
        appeared, self.appeared = self.appeared, ()
        return appeared, ()

    def close(self) -> None:
        """As `PortWatch`."""


def test_a_controller_that_comes_is_taken_and_one_that_goes_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("companion.window.controller.open_input", lambda name, **how: Device(name))
    app = _app(tmp_path)
    try:
        bench = Bench()
        monkeypatch.setattr(app.controller, "watch", bench)
        app.frame()
        assert not app.screen.has_port
        bench.appeared = (PortName("Reed", "bench"),)
        app.frame()
        assert app.screen.has_port and app.screen.heard == "B♭4" and "Reed is here" in app.screen.said
        monkeypatch.setattr(app.controller.port, "alive", False)
        app.frame()
        assert "Reed vanished" in app.screen.said
    finally:
        app.close()


def test_a_staff_that_takes_long_says_so(screen: ShapesScreen, monkeypatch: pytest.MonkeyPatch) -> None:
    pygame.font.init()
    target, type_ = pygame.Surface((1280, 720)), Type(1.0)
    written: list[str] = []
    usual = Type.surface
    monkeypatch.setattr(Type, "surface", lambda self, text, *rest: written.append(text) or usual(self, text, *rest))
    monkeypatch.setattr(screen.staff, "poll", lambda: False)
    screen.draw_changed(target, type_)
    assert "B♭4" in written and "engraving the bar …" not in written, "not at once"
    monkeypatch.setattr(screen.staff, "_asked_s", time.monotonic() - 1.0)
    assert screen.draw_changed(target, type_), "the picture is drawn anew by itself"
    assert "engraving the bar …" in written


def test_letters_that_play_leave_keys_beside_them(screen: ShapesScreen) -> None:
    screen.letters = lambda keys: " ".join(sorted(keys))
    screen.hear_another(0)
    assert screen.ear.keys == frozenset(), "the computer's keys always tell what is held"
    labels = {entry.label for entry in foot_of("asked", letters_play=True)}
    assert labels == {"1–4", "F2", "F3", "F4", "F5", "Esc"}
    press(screen, "p"), press(screen, "f2"), press(screen, "f3")
    assert isinstance(screen.tone, Silent) and len(screen.tone.started) == 1
    assert screen.muted and screen.mode == "asked"


def test_at_the_stand_the_computers_keys_answer_too(tmp_path: Path) -> None:
    app = open_stand(make_setup(playable(bars=2), tmp_path, port="keys", settings=tmp_path))
    try:
        stand_key(app, "a")
        leaf = app.leaf
        assert isinstance(leaf, ShapesScreen) and leaf.keep
        stand_key(app, "p")
        question = leaf.question
        assert question is not None and leaf.letters is not None
        wanted = [USUAL[key] for key in question.better.keys] + [USUAL[BREATH]]
        for place in wanted:
            _letter(place, True)
        deadline = time.perf_counter() + 5
        while leaf.answer is None and time.perf_counter() < deadline:
            app.frame()
            pygame.time.wait(5)
        assert leaf.answer is not None and leaf.answer.right and leaf.answer.exact
        assert app.run.rehearsal.state == "ready", "the breath on the space bar starts no take"
        assert read_answers(tmp_path, "alto").cards.keys() == {question.id}
    finally:
        app.close()


def _letter(place: str, down: bool) -> None:
    """A key of the computer at a place, as the window tells it."""
    kind = pygame.KEYDOWN if down else pygame.KEYUP
    names = {"LeftShift": "left shift", "LeftCtrl": "left ctrl", "Semicolon": ";", "Period": ".", "Slash": "/"}
    code = pygame.key.key_code(names.get(place, place.lower()))
    char = " " if place == "Space" else place.lower() if len(place) == 1 else ""
    pygame.event.post(pygame.event.Event(kind, key=code, scancode=PLACES[place], unicode=char, mod=0))


def test_the_computers_keys_answer_and_mean_their_own_things_else(tmp_path: Path) -> None:
    setup = ShapesSetup(ALTO, catalogue(ALTO), Remembered({}), tmp_path, port="keys", hidden=True, settings=tmp_path)
    app = ShapesApp(setup)
    screen = app.screen
    try:
        for place in ("F", "P"):
            assert screen.mode == "browse", "while browsing letters are letters"
            _letter(place, True)
            app.frame()
            _letter(place, False)
            app.frame()
        assert screen.mode == "asked" and screen.question is not None and screen.question.better.name == "bis"
        assert screen.letters is not None and screen.letters(screen.question.better.keys) == "F G"
        # Side B flat, held and blown: left index and middle finger on F and D, the side key on H, breath on space.
        for place in ("F", "D", "H", "Space"):
            _letter(place, True)
        for _ in range(60):
            app.frame()
            pygame.time.wait(10)
        assert screen.mode == "answered" and screen.answer is not None and not screen.answer.right
        assert screen.answer.fingering is not None and screen.answer.fingering.name == "side"
        assert read_answers(tmp_path, "alto").cards.keys() == {screen.question.id}
        for place in ("F", "D", "H", "Space"):
            _letter(place, False)
        for _ in range(100):
            app.frame()
            pygame.time.wait(10)
        moving = screen.movement
        _letter("Space", True)
        app.frame()
        assert screen.movement != moving, "with the hands off the horn, space shows the movement again"
    finally:
        app.close()


KEYBOARD = [name for entry in KEYS for name in entry.keys] + [*"123456789axyz0", "tab", "home", "f5", "f11"]


@pytest.mark.parametrize("seed", range(3))
def test_a_monkey_breaks_nothing(seed: int, tmp_path: Path) -> None:
    """Keys, clicks, resizes and rubbish from a controller, from a seed."""
    chance = random.Random(seed)
    app = _app(tmp_path)
    screen = app.screen
    done: list[str] = []
    modes: set[str] = set()
    try:
        for _ in range(500):
            what = chance.choices(("key", "click", "size", "play", "wheel", "focus"), (10, 6, 0.3, 3, 1, 0.3))[0]
            done.append(what)
            if what == "key":
                name = chance.choice(KEYBOARD)
                done[-1] = f"key {name}"
                code = pygame.key.key_code(name)
                char = name if len(name) == 1 else ""
                pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=code, unicode=char))
                pygame.event.post(pygame.event.Event(pygame.KEYUP, key=code))
            elif what == "click":
                width, height = app.surface.get_size()
                pos = (chance.randrange(-9, width + 9), chance.randrange(-9, height + 9))
                pygame.event.post(pygame.event.Event(pygame.MOUSEBUTTONDOWN, button=1, pos=pos))
            elif what == "size":
                w, h = chance.choice([*SIZES[:3], (300, 200)])
                pygame.event.post(pygame.event.Event(pygame.VIDEORESIZE, w=w, h=h, size=(w, h)))
            elif what == "play":
                keys = frozenset(chance.sample([key.name for key in ALTO.keys], chance.randrange(6)))
                message = chance.choice((key_message(keys), b"\xf0\x7dkeys nothing\xf7", b"\xf0\x7dkeys"))
                note = bytes((chance.choice((0x90, 0x80)), chance.randrange(128), 90))
                screen.hear([RawEvent(app.screen.clock() - NS_PER_S * chance.randrange(2), m) for m in (message, note)])
            elif what == "wheel":
                pygame.event.post(pygame.event.Event(pygame.MOUSEWHEEL, x=0, y=chance.choice((-3, 1))))
            else:
                pygame.event.post(pygame.event.Event(pygame.WINDOWEXPOSED))
            app.frame()
            app.quit = False
            modes.add(screen.mode)
            assert 0 <= screen.at < len(screen.notes)
            assert screen.shape_at >= 0
            assert app.surface.get_width() >= 1024 and app.surface.get_height() >= 640
            assert screen.session is None or len(screen.session.answers) - screen.session.at in (0, 1)
    except Exception as error:
        error.add_note(f"seed {seed}, after {len(done)} things: {', '.join(done[-20:])}")
        raise
    finally:
        app.close()
    assert modes >= {"browse", "asked", "answered"}
    found = read_answers(tmp_path, "alto")
    assert not found.remarks and found.cards.keys() == screen.cards.keys()
