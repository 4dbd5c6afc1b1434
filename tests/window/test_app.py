"""The stand played by keys and mouse, with the simulated player on a stepped clock."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pygame
import pytest
from window.stand_tools import click, key, make_setup, open_stand, playable, until

from companion.ports import SimulatedPort
from companion.practice.model import EARLY, LATE, ON_TIME, RawEvent
from companion.record import read_log
from companion.units import NS_PER_S
from companion.window.app import App
from companion.window.bindings import BINDINGS, foot_line
from companion.window.controller import Controller
from companion.window.head import beat_now
from companion.window.leaves import ChoiceLeaf

PASSAGE = playable(bars=12)


@pytest.fixture
def app(tmp_path: Path) -> Iterator[App]:
    made = open_stand(make_setup(PASSAGE, tmp_path))
    yield made
    made.close()


def test_space_counts_in_plays_and_records_a_take(app: App, tmp_path: Path) -> None:
    key(app, "space", " ")
    assert app.run.rehearsal.state == "count-in"
    until(app, lambda: app.run.rehearsal.state == "playing")
    until(app, lambda: app.run.rehearsal.state == "after")
    take = app.run.rehearsal.last_take
    assert take is not None and len(take.assessment.notes) == len(PASSAGE.notes)
    log = read_log(tmp_path)
    assert len(log.takes) == 1 and not log.remarks
    assert [n.verdict for n in log.takes[0].notes] == [r.verdict for r in take.assessment.notes]
    assert len(log.takes[0].events) == len(take.events) > 2 * len(PASSAGE.notes) * 0.9


def test_the_horn_shows_the_note_at_the_caret_and_the_page_follows(app: App) -> None:
    key(app, "space", " ")
    seen: set[int] = set()

    def watch() -> bool:
        rehearsal = app.run.rehearsal
        shown = app.stand.shown_note()
        if rehearsal.busy and shown is not None:
            assert shown == rehearsal.caret
            assert app.stand.page.head(shown, app.stand.place.music) is not None, "the caret's note is off the page"
            seen.add(shown)
        return rehearsal.state == "after"

    until(app, watch)
    assert len(seen) > len(PASSAGE.notes) * 0.8


def test_space_stops_and_keeps_what_was_played(app: App) -> None:
    key(app, "space", " ")
    until(app, lambda: app.run.rehearsal.caret >= 6)
    key(app, "space", " ")
    assert app.run.rehearsal.state == "after"
    assert app.run.results[0]["stopped"] == "stopped by the player"
    assert app.run.rehearsal.ladder.clean_in_a_row == 0


def test_bars_are_chosen_by_key_and_by_mouse_and_w_takes_all_again(app: App) -> None:
    key(app, "b")
    assert isinstance(app.leaf, ChoiceLeaf) and app.leaf.kind == "bars"
    key(app, "down")
    key(app, "return")
    assert app.leaf is None
    assert app.run.rehearsal.section.label == "1–4"
    key(app, "w")
    assert app.run.rehearsal.section.label == ""
    area = app.stand.place.music
    middles = []
    for bar in (1, 2):
        heads = [app.stand.page.head(n.index, area) for n in PASSAGE.notes if n.bar == bar]
        assert heads[0]
        middles.append(heads[len(heads) // 2].center)  # type: ignore[union-attr]
    click(app, *middles)
    assert (app.run.rehearsal.section.first_bar, app.run.rehearsal.section.last_bar) == (1, 2)


def test_a_note_is_looked_at_by_mouse_and_by_keys(app: App) -> None:
    head = app.stand.page.head(5, app.stand.place.music)
    assert head is not None
    click(app, head.center)
    assert app.stand.looked_at == 5 == app.stand.shown_note()
    key(app, "right")
    assert app.stand.shown_note() == 6
    key(app, "escape")
    assert app.stand.looked_at is None and not app.quit


def test_tempo_by_key_number_and_mouse(app: App) -> None:
    key(app, "=", "+")
    assert app.run.rehearsal.tempo_bpm == 64
    key(app, "-", "-")
    assert app.run.rehearsal.tempo_bpm == 60
    key(app, "t")
    for digit in "68":
        key(app, digit)
    key(app, "return")
    assert app.run.rehearsal.tempo_bpm == 68
    rungs = [y for y in range(app.stand.place.rungs.top, app.stand.place.rungs.bottom, 4)]
    hit = [
        (app.stand.place.rungs.centerx, y) for y in rungs if app.stand.rung_at((app.stand.place.rungs.centerx, y)) == 0
    ]
    click(app, hit[0])
    assert app.run.rehearsal.tempo_bpm == 60


def test_another_horn_is_planned_and_the_click_on_its_name_opens_the_list(app: App) -> None:
    before = app.run.rehearsal.plan.version
    click(app, app.stand._head_places.horn.center)
    assert app.leaf is not None and app.leaf.kind == "instruments"
    for name in ("end", "return"):
        key(app, name)
    assert app.run.chart.name != "alto"
    assert app.run.rehearsal.plan.version != before


def test_the_list_of_keys_is_reachable_in_every_state(app: App) -> None:
    for state in ("ready", "count-in", "playing", "paused", "after"):
        assert any(b.action == "keys" for b in foot_line(state))
    key(app, "f1")
    assert app.leaf is not None and app.leaf.kind == "keys"
    key(app, "escape")
    assert app.leaf is None and not app.quit


def test_every_binding_has_an_action_that_runs(app: App) -> None:
    for binding in BINDINGS:
        if binding.action not in ("leave", "full_screen"):
            app.do(binding.action)
            app.frame()
            app.leaf = None
    assert not app.quit


def test_a_controller_that_vanishes_pauses_and_can_go_on(app: App, tmp_path: Path) -> None:
    key(app, "space", " ")
    until(app, lambda: app.run.rehearsal.caret >= 10)
    port = app.run.controller.port
    assert port is not None
    port.unplug()  # type: ignore[union-attr]
    until(app, lambda: app.run.rehearsal.state == "paused", 5)
    kept = len(app.run.rehearsal._events)
    key(app, "space", " ")
    assert app.run.rehearsal.state == "paused" and "not back" in app.run.notice
    port.plug_in()  # type: ignore[union-attr]
    bar = app.run.rehearsal.bar_to_go_on
    key(app, "space", " ")
    assert app.run.rehearsal.state == "count-in"
    assert beat_now(app.run) is not None
    until(app, lambda: app.run.rehearsal.state == "after")
    take = read_log(tmp_path).takes[0]
    assert len(take.events) > kept and take.interrupted and not take.clean
    after_the_bar = [note for note in take.notes if int(note.bar) >= int(bar)]
    on_time = sum(1 for note in after_the_bar if note.verdict == ON_TIME)
    assert on_time > 0.8 * len(after_the_bar), "what was played after the pause is not read against its own click"


@pytest.mark.parametrize(("sent", "shift"), [(67, 0), (58, 9), (79, -12), (46, 21)])
def test_one_note_finds_what_the_controller_sends(app: App, sent: int, shift: int) -> None:
    """Written pitch, sounding alto pitch, an octave high, sounding and an octave low."""
    key(app, "c")
    app.run.controller.port._kept.append(RawEvent(app.run.clock(), bytes((0x90, sent, 80))))  # type: ignore[union-attr]
    app.frame()
    assert app.run.check.answer and app.run.rehearsal.shift_semitones == shift
    key(app, "return")
    assert app.run.rehearsal.shift_semitones == shift and not app.run.check.asking


def test_a_note_that_fits_nothing_and_escape_leave_the_shift_as_it_was(app: App) -> None:
    key(app, "c")
    app.run.controller.port._kept.append(RawEvent(app.run.clock(), bytes((0x90, 61, 80))))  # type: ignore[union-attr]
    app.frame()
    assert "again" in app.run.check.answer and app.run.rehearsal.shift_semitones == 0
    app.run.controller.port._kept.append(RawEvent(app.run.clock(), bytes((0x90, 79, 80))))  # type: ignore[union-attr]
    app.frame()
    assert app.run.rehearsal.shift_semitones == -12
    key(app, "escape")
    assert app.run.rehearsal.shift_semitones == 0


def test_an_instrument_that_cannot_play_the_passage_is_refused_in_words(tmp_path: Path) -> None:
    app = open_stand(make_setup(PASSAGE, tmp_path))
    app._guarded(lambda: app.run.use_instrument("theremin"))
    assert "theremin" in app.run.notice and app.run.chart.name == "alto"
    app.close()


def test_result_has_what_was_promised(app: App) -> None:
    key(app, "space", " ")
    until(app, lambda: app.run.rehearsal.state == "after")
    result = app.run.results[0]
    assert {"tempo_bpm", "rung", "target_bpm", "clean", "notes"} <= result.keys()
    notes = result["notes"]
    assert isinstance(notes, list) and len(notes) == len(PASSAGE.notes)
    for shown, note in zip(notes, PASSAGE.notes, strict=True):
        assert shown["written_midi"] == note.written_midi
        assert shown["bar"] == PASSAGE.bars[note.bar].number
        assert app.run.chart.sound(frozenset(shown["keys"])) == note.written_midi
        assert (shown["deviation_ms"] is not None) or shown["verdict"] not in (ON_TIME, EARLY, LATE)


@pytest.mark.parametrize("size", [(1024, 640), (1280, 720), (1920, 1080), (3840, 2160)])
def test_the_stand_draws_at_every_size(tmp_path: Path, size: tuple[int, int]) -> None:
    app = open_stand(make_setup(PASSAGE, tmp_path), size)
    area = app.stand.place.music
    shown = app.screen.subsurface(area)
    ink = sum(
        1 for x in range(0, area.width, 7) for y in range(0, area.height, 7) if sum(shown.get_at((x, y))[:3]) < 200
    )
    assert ink > 50, "no music on the page"
    assert app.stand.page.head(0, area) is not None
    assert app.stand.draw(app.screen) == [], "nothing changed, so nothing should be drawn"
    pygame.event.clear()
    app.close()


def test_a_space_bar_held_down_starts_one_take_and_an_arrow_goes_on(app: App) -> None:
    for _ in range(3):
        pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=pygame.K_SPACE, unicode=" "))
    app.frame()
    assert app.run.rehearsal.state == "count-in"
    pygame.event.post(pygame.event.Event(pygame.KEYUP, key=pygame.K_SPACE))
    key(app, "space", " ")
    for _ in range(4):
        pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=pygame.K_RIGHT, unicode=""))
    app.frame()
    assert app.stand.looked_at == 3


def test_a_resize_keeps_the_page_open_at_the_same_bar(tmp_path: Path) -> None:
    """With the page turned on, and while the new engraving comes in system by system, also a shorter one."""
    app = open_stand(make_setup(playable(bars=40), tmp_path), (1024, 640))
    page = app.stand.page
    page.turn(3)
    shown = min(page.systems[page.top].bars)
    assert page.top == 3 and shown > 6
    for size in ((1280, 720), (1100, 1400)):
        app._resize(size)
        app.frame()
        while not page.done:
            app.frame()
            pygame.time.wait(2)
        assert shown in page.systems[page.top].bars
    app.close()


def test_a_screen_without_full_screen_says_so(app: App, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> int:
        raise pygame.error("That operation is not supported")

    monkeypatch.setattr(pygame.display, "toggle_fullscreen", refuse)
    key(app, "f11")
    assert "full screen" in app.run.notice and not app.quit


def test_what_came_just_before_the_cable_was_pulled_is_kept(app: App) -> None:
    key(app, "space", " ")
    until(app, lambda: app.run.rehearsal.caret >= 6)
    port, rehearsal = app.run.controller.port, app.run.rehearsal
    assert isinstance(port, SimulatedPort) and app.stepped is not None
    before = len(rehearsal._events)
    app.stepped.step(2 * NS_PER_S)
    port.unplug()
    waiting = len(port._kept)
    app.frame()
    assert rehearsal.state == "paused" and waiting > 2
    assert len(rehearsal._events) == before + waiting


def test_a_controller_at_another_pitch_is_told_what_to_press(app: App, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Controller, "simulated", False)
    app.run.rehearsal.shift_semitones = 12
    key(app, "space", " ")
    until(app, lambda: app.run.rehearsal.state == "after")
    assert "an octave higher" in app.run.notice and "press C" in app.run.notice
