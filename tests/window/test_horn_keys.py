"""The computer's keys as a horn in the window, by key events as SDL makes them (scancodes are those of USB HID), and by
real ones of an X server where `xdotool` is there to press them."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pygame
import pytest
from planning_passages import passage
from window.stand_tools import make_setup

from companion.charts import load
from companion.passage import Passage
from companion.planning import plan
from companion.ports.keys_file import load_layout
from companion.ports.keys_layout import BREATH, PLACES, RESERVED, USUAL
from companion.practice.ladder import Ladder
from companion.scores.write import to_musicxml
from companion.units import NS_PER_MS
from companion.window.app import App
from companion.window.bindings import foot_line
from companion.window.horn_hands import cap_of, key_names
from companion.window.horn_keys_leaf import HornKeysLeaf

ALTO = load("alto")
#: What a US keyboard calls the places that are not called by their letter.
CODES = {"Space": pygame.K_SPACE, "Semicolon": pygame.K_SEMICOLON, "Slash": pygame.K_SLASH, "Period": pygame.K_PERIOD,
         "LeftShift": pygame.K_LSHIFT, "LeftCtrl": pygame.K_LCTRL, "Escape": pygame.K_ESCAPE}  # fmt: skip


def post(app: App, down: bool, *places: str) -> None:
    for place in places:
        code = CODES[place] if place in CODES else pygame.key.key_code(place.lower())
        kind = pygame.KEYDOWN if down else pygame.KEYUP
        pygame.event.post(pygame.event.Event(kind, key=code, unicode="", scancode=PLACES[place], mod=0))
    app.frame()


def tap(app: App, name: str) -> None:
    code = pygame.key.key_code(name)
    unicode = name if len(name) == 1 else ""
    pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=code, unicode=unicode, scancode=0))
    pygame.event.post(pygame.event.Event(pygame.KEYUP, key=code, scancode=0))
    app.frame()


class Bench:
    """The stand on a clock that the test moves, with the computer's keys as its port."""

    def __init__(self, app: App) -> None:
        self.app = app

    @property
    def clock(self) -> Moved:
        clock = self.app.run.clock
        assert isinstance(clock, Moved)
        return clock

    def wait(self, ms: float) -> None:
        """Let time pass, a frame every 5 ms."""
        for _ in range(max(1, round(ms / 5))):
            self.clock.ns += 5 * NS_PER_MS
            self.app.frame()

    def until_ns(self, time_ns: int) -> None:
        self.wait((time_ns - self.clock.ns) / NS_PER_MS)

    def hold(self, keys: frozenset[str]) -> None:
        """Move the fingers to a shape, all within a frame."""
        port = self.app.run.controller.keys
        assert port is not None
        held = port.held
        post(self.app, False, *(USUAL[key] for key in sorted(held - keys)))
        post(self.app, True, *(USUAL[key] for key in sorted(keys - held)))

    def play(self, passage: Passage, shapes: list[frozenset[str]]) -> None:
        """A whole take: each note on its beat, tongued or slurred as written."""
        rehearsal = self.app.run.rehearsal
        post(self.app, True, "Space")
        post(self.app, False, "Space")
        assert rehearsal.state == "count-in"
        zero_ns = self.clock.ns + round(-rehearsal.time_s(self.clock.ns) * 1e9)
        for note, shape in zip(passage.notes, shapes, strict=True):
            at_ns = zero_ns + round(float(note.start) * 60 / rehearsal.tempo_bpm * 1e9)
            if note.tongued and note.index:
                self.until_ns(at_ns - 60 * NS_PER_MS)
                post(self.app, False, USUAL[BREATH])
            self.until_ns(at_ns)
            self.hold(shape)
            post(self.app, True, USUAL[BREATH])
        self.wait(float(passage.notes[-1].length) * 60_000 / rehearsal.tempo_bpm * 0.9)
        post(self.app, False, USUAL[BREATH])
        self.hold(frozenset())
        for _ in range(400):
            if not rehearsal.busy:
                return
            self.wait(20)
        raise AssertionError("the take never ended")


class Moved:
    """A clock that the test moves."""

    def __init__(self) -> None:
        self.ns = 10**9

    def __call__(self) -> int:
        return self.ns


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[Passage], Bench]]:
    clock = Moved()
    monkeypatch.setattr("companion.window.app.time", SimpleNamespace(perf_counter_ns=clock, sleep=time.sleep))
    opened: list[App] = []

    def begin(passage: Passage) -> Bench:
        setup = replace(make_setup(passage, tmp_path), port="keys", ladder=Ladder(60, 4, 72, 2))
        app = App(setup, lambda: to_musicxml(passage))
        opened.append(app)
        for _ in range(2000):
            app.frame()
            if app.stand.page.done:
                return Bench(app)
            pygame.time.wait(5)
        raise AssertionError(app.stand.engraving_fault)

    yield begin
    for app in opened:
        app.close()


#: B flat between B's: side, for bis would slide the index finger (rule 2 of `companion.planning.rules`).
TURN = passage("G4:1 A4:1 B4:1 Bb4:1 _B4:1 _A4:1 _G4:1 F4:1")


def shapes_of(app: App) -> list[frozenset[str]]:
    return [choice.keys for choice in app.run.rehearsal.plan.choices]


def test_a_passage_fingered_as_planned_is_heard_right_and_every_key_is_known(
    bench: Callable[[Passage], Bench],
) -> None:
    at = bench(TURN)
    assert plan(TURN, ALTO).choices[3].fingering.name == "side"
    at.play(TURN, shapes_of(at.app))
    take = at.app.run.rehearsal.last_take
    assert take is not None
    assert [int(n) for n in take.played["written_midi"]] == [n.written_midi for n in TURN.notes]
    assert take.assessment.clean, take.assessment.because
    assert len(take.assessment.fingerings) == 8  # the keys are known for every note
    assert not any(used.sentence for used in take.assessment.fingerings) and take.assessment.slips == ()
    assert at.app.run.controller.name == "keys"
    assert at.app.stand.told_notes() == []  # nothing is pencilled over notes that were fingered as planned


def test_bis_where_side_is_planned_is_told_and_drawn(bench: Callable[[Passage], Bench]) -> None:
    at = bench(TURN)
    shapes = shapes_of(at.app)
    shapes[3] = frozenset({"l1", "bis"})
    at.play(TURN, shapes)
    take = at.app.run.rehearsal.last_take
    assert take is not None
    used = [used for used in take.assessment.fingerings if used.sentence]
    assert [(u.note_index, u.keys, u.name, u.planned) for u in used] == [(3, shapes[3], "bis", "side")]
    assert "bis" in used[0].sentence and "side" in used[0].sentence
    assert at.app.stand.told_notes() == [3]
    at.wait(1000)  # the hands leave the keys: then N is a key of the stand again
    tap(at.app, "n")
    view = at.app.stand.told_view()
    assert view is not None and view.keys == shapes[3] and view.below_title == "side"


def test_during_a_take_the_keys_are_the_horns_and_escape_ends_it(bench: Callable[[Passage], Bench]) -> None:
    at = bench(TURN)
    run = at.app.run
    post(at.app, True, "Space")
    post(at.app, False, "Space")
    assert run.rehearsal.state == "count-in"
    post(at.app, True, "Space", "L", "K")  # between takes: stop, the limits, the offered spot
    at.wait(50)
    assert run.controller.keys is not None and run.controller.keys.held == {"r2", "r3"} and at.app.leaf is None
    assert run.rehearsal.busy
    post(at.app, True, "Escape")
    assert not run.rehearsal.busy and run.controller.keys.held == frozenset()
    post(at.app, False, "Space", "L", "K", "Escape")
    tap(at.app, "l")
    assert at.app.leaf is not None and at.app.leaf.kind == "limits"


def test_the_breath_of_the_last_note_starts_no_take(bench: Callable[[Passage], Bench]) -> None:
    at = bench(passage("G4:1 A4:1 G4:2"))
    notes = at.app.setup.passage
    at.play(notes, shapes_of(at.app))
    assert at.app.run.rehearsal.state == "after"
    post(at.app, True, "Space")
    assert at.app.run.rehearsal.state == "after"
    post(at.app, False, "Space")
    at.wait(1000)
    post(at.app, True, "Space")
    assert at.app.run.rehearsal.state == "count-in"


def test_a_window_that_loses_the_keyboard_lets_go(bench: Callable[[Passage], Bench]) -> None:
    at = bench(TURN)
    post(at.app, True, "Space")
    post(at.app, False, "Space")
    post(at.app, True, "F", "Space")
    at.wait(50)
    port = at.app.run.controller.keys
    assert port is not None and port.sounding == 71
    pygame.event.post(pygame.event.Event(pygame.WINDOWFOCUSLOST))
    at.wait(20)
    assert port.sounding is None and port.held == frozenset()


def test_the_leaf_lets_the_horn_be_tried_and_goes_away(bench: Callable[[Passage], Bench]) -> None:
    at = bench(TURN)
    tap(at.app, "j")
    leaf = at.app.leaf
    assert isinstance(leaf, HornKeysLeaf)
    post(at.app, True, "F", "D", "Space")
    at.wait(50)
    assert at.app.run.controller.keys is not None and at.app.run.controller.keys.sounding == 69
    post(at.app, False, "F", "D", "Space")
    tap(at.app, "escape")
    assert at.app.leaf is None and not at.app.quit


def test_keys_are_chosen_anew_one_after_the_other(bench: Callable[[Passage], Bench], tmp_path: Path) -> None:
    at = bench(TURN)
    tap(at.app, "j")
    leaf = at.app.leaf
    assert isinstance(leaf, HornKeysLeaf)
    tap(at.app, "return")
    post(at.app, True, "X")  # breath
    post(at.app, True, "X")  # taken
    assert "X is the breath already" in leaf.said and leaf.asked == "tongue"
    tap(at.app, "f1")
    assert "needed elsewhere" in leaf.said
    while leaf.mode == "choose":
        tap(at.app, "return")
    assert load_layout(tmp_path).places == {**USUAL, BREATH: "X"}
    post(at.app, True, "X")
    at.wait(30)
    assert at.app.run.controller.keys is not None and at.app.run.controller.keys.sounding == 73  # the open horn
    post(at.app, False, "X")
    tap(at.app, "backspace")
    assert load_layout(tmp_path).places == USUAL


def test_a_keyboard_that_leaves_keys_out_is_told(bench: Callable[[Passage], Bench]) -> None:
    at = bench(TURN)
    tap(at.app, "j")
    leaf = at.app.leaf
    assert isinstance(leaf, HornKeysLeaf)
    tap(at.app, "tab")
    assert leaf.mode == "hold"
    first = sorted(leaf.wanted)
    post(at.app, True, *(USUAL[f] for f in first if f != "r3"))  # the ring finger's key never comes
    at.wait(2000)
    assert leaf.missing == {0: frozenset({"r3"})}
    tap(at.app, "return")
    post(at.app, False, *(USUAL[f] for f in first if f != "r3"))
    while leaf.mode == "hold":
        wanted = sorted(leaf.wanted)
        post(at.app, True, *(USUAL[f] for f in wanted))
        at.wait(800)
        post(at.app, False, *(USUAL[f] for f in wanted))
    assert leaf.said.startswith("Not all keys arrived for B♭3: missing was L.") and "rollover" in leaf.said


def test_a_faulty_layout_is_said_and_the_stand_stays(bench: Callable[[Passage], Bench], tmp_path: Path) -> None:
    at = bench(TURN)
    (tmp_path / "keys.toml").write_text('format = 1\n[keys]\nl1 = "Escape"\n', encoding="utf-8")
    at.app._guarded(lambda: at.app.run.use_port("keys"))
    assert "line 3: l1: Escape is never part of the horn" in at.app.run.notice
    assert at.app.run.controller.keys is not None  # the port before is still there


def test_the_line_at_the_foot_says_what_is_left(bench: Callable[[Passage], Bench]) -> None:
    at = bench(TURN)
    names = key_names(at.app.run.controller.keys.layout) if at.app.run.controller.keys else frozenset()
    assert {"space", "left shift", "f", ";"} <= names
    assert foot_line("playing", names)[0].label == "Esc"
    assert not any(set(b.keys) <= names for b in foot_line("playing", names))
    assert foot_line("ready", names) == foot_line("ready")
    assert cap_of("LeftShift") == "Shift left" and not RESERVED & set(USUAL.values())


@pytest.mark.parametrize("seed", range(2))
def test_whatever_is_pressed_in_whatever_order_nothing_raises(bench: Callable[[Passage], Bench], seed: int) -> None:
    chance, at = random.Random(seed), bench(TURN)
    places = [*USUAL.values(), "Escape", "Q", "X", "M", "1"]
    for _ in range(200):
        kind = chance.random()
        if kind < 0.8:
            post(at.app, chance.random() < 0.6, chance.choice(places))
        elif kind < 0.88:
            tap(at.app, chance.choice(["j", "return", "tab", "backspace", "f1", "u", ".", ",", "space"]))
        elif kind < 0.9:
            pygame.event.post(pygame.event.Event(pygame.WINDOWFOCUSLOST))
        at.wait(chance.choice([5, 5, 20, 300]))
        at.app.quit = False
    port = at.app.run.controller.keys
    assert port is not None
    port.release_all(at.clock.ns)
    at.wait(50)
    assert port.sounding is None and at.app.run.sound.horn.sounding is None
