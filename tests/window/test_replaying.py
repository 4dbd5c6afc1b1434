"""A take gone through again at the stand: keys, mouse, carets, sound, and what the page and the horn show."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pygame
import pytest
from window.stand_tools import click, key, make_setup, open_stand, playable, until

from companion.ports.tone import Tone, render_tones
from companion.practice.clock import note_onsets_s
from companion.practice.model import PLAYED, Slip
from companion.practice.replay import SPEEDS
from companion.window.app import App
from companion.window.bindings import foot_line
from companion.window.carets import Carets
from companion.window.replaying import SOUNDS, Replaying
from companion.window.stepped_clock import SteppedClock

PASSAGE = playable(bars=12)


@pytest.fixture
def app(tmp_path: Path) -> Iterator[App]:
    made = open_stand(make_setup(PASSAGE, tmp_path))
    yield made
    made.close()


def _take(app: App) -> None:
    key(app, "space", " ")
    until(app, lambda: app.run.rehearsal.state == "after")


def _replaying(app: App) -> Replaying:
    assert app.stand.replaying is not None
    return app.stand.replaying


def _known(app: App) -> None:
    """Put a known take in the place of the one played: on the click but the third note, which was left out."""
    take = app.run.rehearsal.takes[-1]
    due_s = np.delete(note_onsets_s(PASSAGE, take.tempo_bpm), 2)
    midi = np.delete([note.written_midi for note in PASSAGE.notes], 2)
    played = np.zeros(len(due_s), PLAYED)
    played["onset_s"], played["offset_s"], played["written_midi"] = due_s, due_s + 0.1, midi
    realised = tuple(i for i in range(len(PASSAGE.notes)) if i != 2)
    judged = replace(take.assessment, realised=realised, slips=())
    app.run.rehearsal.takes[-1] = replace(take, played=played, assessment=judged)


def test_g_begins_and_escape_ends_it(app: App) -> None:
    _take(app)
    key(app, "g")
    assert app.stand.state == "replay"
    assert {b.action for b in foot_line("replay")} >= {"replay_toggle", "replay_back", "replay_on", "replay_faster"}
    key(app, "escape")
    assert app.stand.replaying is None and app.stand.state == "after" and not app.quit


def test_steps_go_note_by_note_and_a_note_left_out_shows_two_carets_apart(app: App) -> None:
    _take(app)
    _known(app)
    key(app, "g")
    seen = []
    for _ in range(4):
        key(app, "right")
        carets = _replaying(app).carets()
        seen.append((carets.sounded, carets.written))
        assert app.stand.page.head(carets.written or 0, app.stand.place.music) is not None
    assert seen == [(0, 0), (1, 1), (1, 2), (3, 3)]
    key(app, "left")
    assert _replaying(app).carets().sounded == 1
    assert "not played" in app.stand.advice()


def test_the_two_carets_differ_in_form(app: App) -> None:
    """Drawn alone at the same note, in greyscale, one is not the other."""
    _take(app)
    page, area = app.stand.page, app.stand.place.music
    at = app.stand.page.systems and next(n.index for n in PASSAGE.notes if page.head(n.index, area))

    def drawn(carets: Carets) -> np.ndarray:
        target = pygame.Surface(app.screen.get_size())
        page.draw(target, area, (0, 99), [], None, carets=carets)
        return pygame.surfarray.array3d(target).mean(axis=2)

    plain, sounded, written = drawn(Carets()), drawn(Carets(sounded=at)), drawn(Carets(written=at))
    assert (plain != sounded).sum() > 30 and (plain != written).sum() > 30
    assert (abs(sounded - written) > 60).sum() > 40


def test_it_plays_in_time_slower_and_faster(app: App) -> None:
    _take(app)
    _known(app)
    key(app, "g")
    key(app, "-", "-")
    assert _replaying(app).replay.speed_percent == 90
    for _ in range(12):
        key(app, "-", "-")
    assert _replaying(app).replay.speed_percent == SPEEDS[0] == 25
    for _ in range(12):
        key(app, "=", "+")
    assert _replaying(app).replay.speed_percent == SPEEDS[-1] == 200
    assert isinstance(app.run.clock, SteppedClock)
    key(app, "space", " ")
    begun_s = _replaying(app).replay.position_s
    for _ in range(30):
        app.frame()
        app._step()
    app.frame()
    assert _replaying(app).replay.position_s == pytest.approx(begun_s + 2.0, abs=0.08)
    key(app, "space", " ")
    assert not _replaying(app).replay.playing


def test_the_page_follows_to_the_end(app: App) -> None:
    _take(app)
    key(app, "g")
    key(app, "=", "+")
    key(app, "space", " ")
    seen: set[int] = set()

    def watch() -> bool:
        replaying = _replaying(app)
        carets = replaying.carets()
        if carets.sounded is not None:
            assert app.stand.page.head(carets.sounded, app.stand.place.music) is not None
            seen.add(carets.sounded)
        return not replaying.replay.playing

    until(app, watch)
    assert len(seen) > 0.8 * len(PASSAGE.notes)
    assert app.stand.page.last_visible(app.stand.place.music) == len(app.stand.page.systems) - 1


def test_a_click_on_a_note_goes_there(app: App) -> None:
    _take(app)
    _known(app)
    key(app, "g")
    head = app.stand.page.head(7, app.stand.place.music)
    assert head is not None
    click(app, head.center)
    assert _replaying(app).carets().sounded == 7 and app.stand.looked_at is None
    click(app, head.center, (head.centerx + 200, head.centery))
    assert app.run.rehearsal.section.label == "", "drawing across bars is for between takes"


def test_a_replay_begins_at_the_note_looked_at(app: App) -> None:
    _take(app)
    _known(app)
    key(app, "escape")
    app.quit = False
    app.stand.look_at(9, telling=False)
    key(app, "g")
    assert _replaying(app).carets().sounded == 9


def test_the_horn_shows_what_is_written_beside_what_is_heard_and_a_slip_in_between(app: App) -> None:
    _take(app)
    _known(app)
    take = app.run.rehearsal.takes[-1]
    slip = Slip(5, 4, 61, float(take.played["onset_s"][5]), 30.0, told=False, sentence="It slipped.")
    app.run.rehearsal.takes[-1] = replace(take, assessment=replace(take.assessment, slips=(slip,)))
    key(app, "g")
    key(app, "right")
    view = _replaying(app).horn_view()
    choice = app.run.rehearsal.plan.choices[0]
    assert view.after == choice.keys == view.below_keys and view.below_title in str(PASSAGE.notes[0].written)
    _replaying(app).replay.position_s = slip.time_s
    assert _replaying(app).horn_view().slip == slip and "Bar 1: it slipped." in app.stand.advice()


def test_an_earlier_take_is_chosen(app: App) -> None:
    _take(app)
    key(app, "space", " ")
    until(app, lambda: app.run.rehearsal.caret >= 8)
    key(app, "space", " ")
    key(app, "g")
    first, last = app.run.rehearsal.takes
    assert _replaying(app).take is last
    key(app, "t")
    assert app.leaf is not None and app.leaf.kind == "takes"
    key(app, "down")
    key(app, "return")
    assert _replaying(app).take is first and app.stand.take_shown() is first


def test_a_take_that_begins_ends_the_replay(app: App) -> None:
    _take(app)
    key(app, "g")
    app.run.start()
    app.frame()
    assert app.stand.replaying is None and app.stand.state == "count-in"


def test_nothing_moves_so_nothing_is_drawn(app: App) -> None:
    _take(app)
    key(app, "g")
    key(app, "right")
    app.frame()
    assert app.stand.draw(app.screen) == []


def test_a_frame_of_a_replay_is_drawn_in_time(app: App) -> None:
    """The page with all its marks is kept, so that a moving caret costs little: a sixtieth of a second at most."""
    _take(app)
    key(app, "g")
    costs_s = []
    for _ in range(40):
        _replaying(app).step(1)
        began_s = time.thread_time()
        app.frame()
        costs_s.append(time.thread_time() - began_s)
    assert sorted(costs_s)[len(costs_s) // 2] < 1 / 60


def test_the_sound_is_the_take_or_the_passage_at_its_speed(app: App) -> None:
    _take(app)
    _known(app)
    key(app, "g")
    replaying = _replaying(app)
    played, shift = replaying.replay.played_tones(), app.run.chart.transposition
    from_s = played[3].time_s
    tones = replaying._tones(from_s, from_s + 1e9, 0.5)
    assert len(tones) == len(played) - 3
    assert tones[1].time_s == pytest.approx((played[4].time_s - from_s) / 0.5)
    assert tones[0].life_s == pytest.approx(0.2) and tones[0].sounding_midi == played[3].written_midi + shift
    heard = [replaying.sound]
    counts = []
    for _ in SOUNDS:
        counts.append(len(replaying._tones(-10.0, 1e9, 1.0)))
        key(app, "v")
        heard.append(replaying.sound)
    assert heard == [*SOUNDS, SOUNDS[0]]
    assert counts == [len(played), len(PASSAGE.notes), len(played) + len(PASSAGE.notes), 0]


def test_the_sound_really_starts_and_stops(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Through SDL's own dummy device, in real time."""
    app = open_stand(make_setup(PASSAGE, tmp_path))
    _take(app)
    app.stepped = None
    app.run.clock = time.perf_counter_ns
    monkeypatch.setattr(Replaying, "_heard", True)
    key(app, "g")
    key(app, "space", " ")
    assert pygame.mixer.get_busy() and _replaying(app)._player._sound.get_num_channels() == 1
    wait_until = time.monotonic() + 3.0
    begun_s = _replaying(app).replay.start_s
    while time.monotonic() < wait_until and _replaying(app).replay.position_s <= begun_s + 0.2:
        app.frame()
    assert _replaying(app).replay.position_s > begun_s + 0.2
    key(app, "m")
    assert app.run.sound.levels.now.click_muted and _replaying(app)._player._sound.get_volume() == 1.0
    key(app, "right")
    assert not _replaying(app).replay.playing and pygame.mixer.get_busy(), "a step lets its note be heard"
    key(app, "escape")
    assert not pygame.mixer.get_busy()
    app.close()


def test_the_bars_chosen_are_heard_as_they_are_written(tmp_path: Path) -> None:
    app = open_stand(make_setup(PASSAGE, tmp_path))
    try:
        app.run.rehearsal.choose_bars(2, 3)
        section = app.run.rehearsal.section
        key(app, "v")
        example = _replaying(app)
        assert example.take is None and example.replay.playing and app.stand.take_shown() is None
        assert app.stand.advice().startswith("As written, at 60.")
        seen: list[int] = []

        def watch() -> bool:
            if app.stand.replaying is None:
                return True
            carets = app.stand.replaying.carets()
            if carets.sounded is not None:
                # What is due is shown a little before it sounds.
                assert carets.written is not None and 0 <= carets.written - carets.sounded <= 1
                seen.append(carets.sounded)
            return False

        until(app, watch)
        first = section.first_note
        assert list(dict.fromkeys(seen)) == list(range(first, first + len(section.passage.notes)))
        key(app, "space", " ")
        assert app.run.rehearsal.state == "count-in", "after it the space bar starts a take, as before"
    finally:
        app.close()


def test_an_example_sounds_at_the_horns_pitch_and_ends_with_v(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_stand(make_setup(PASSAGE, tmp_path))
    rendered: list[list[Tone]] = []
    monkeypatch.setattr(Replaying, "_heard", True)
    monkeypatch.setattr(
        "companion.window.replaying.render_tones", lambda tones: rendered.append(list(tones)) or render_tones([])
    )
    try:
        key(app, "v")
        written = [note.written_midi for note in PASSAGE.notes]
        # An alto sounds a major sixth lower than written (music21.instrument.AltoSaxophone().transposition).
        assert [tone.sounding_midi for tone in rendered[0]] == [midi - 9 for midi in written]
        key(app, "v")
        assert app.stand.replaying is None
    finally:
        app.close()


def test_marks_of_the_last_take_do_not_stand_over_an_example(tmp_path: Path) -> None:
    app = open_stand(make_setup(PASSAGE, tmp_path, port="sim:beginner:3"))
    try:
        _take(app)
        before = app.stand.marks()
        key(app, "v")
        assert before and not app.stand.marks() and app.stand.strip() is None
        key(app, "escape")
        assert app.stand.marks() == before
    finally:
        app.close()


def test_pictures_of_a_run_show_the_result_a_slip_and_the_replay(tmp_path: Path) -> None:
    from companion.cli import main
    from companion.cli.demo import DEMO_PASSAGE
    from companion.paths import shared_dir

    shots, result = tmp_path / "shots", tmp_path / "r.json"
    arguments = ["play", str(shared_dir() / DEMO_PASSAGE), "--port", "sim:student:3", "--hidden", "--takes", "1",
                 "--shots", str(shots), "--json", str(result), "--size", "1024x640"]  # fmt: skip
    assert main(arguments) == 0
    assert {"after.png", "comment.png", "replay.png", "takes.png", "trouble.png"} <= {p.name for p in shots.iterdir()}
    assert json.loads(result.read_text(encoding="utf-8"))["takes"]
