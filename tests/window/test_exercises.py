"""Exercises at the stand: offered, put in place of the piece, practised, and the piece again as it was left."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from threading import Event

import numpy as np
import pygame
import pytest
from window.stand_tools import click, key, make_setup, open_stand, playable, until
from window.test_own_trouble import Spot

from companion.engraving import Engraver, EngravingRequest
from companion.errors import UsageError
from companion.exercises.offers import Offer, offers
from companion.practice.climbs import ALTERNATE, CLIMBS, GROW, OVERSHOOT, STEADY
from companion.practice.ladder import Ladder, default_ladder
from companion.record import read_log
from companion.window.app import App
from companion.window.bindings import foot_line
from companion.window.leaves import ChoiceLeaf
from companion.window.music import ladder_for

PASSAGE = playable(bars=12)


@pytest.fixture
def app(tmp_path: Path) -> Iterator[App]:
    made = open_stand(make_setup(PASSAGE, tmp_path))
    yield made
    made.close()


def engraved(app: App) -> None:
    until(app, lambda: app.stand.page.done)


def open_leaf(app: App) -> None:
    assert app.run.repertoire.offers(wait_s=20.0) is not None
    key(app, "x")


def take(app: App, number: int = 0) -> None:
    """Open the leaf and choose a line."""
    open_leaf(app)
    for _ in range(number):
        key(app, "down")
    key(app, "return")
    engraved(app)


def first_offered(app: App) -> Offer:
    found = app.run.repertoire.offers(wait_s=20.0)
    assert found
    return found[0]


def rows(app: App) -> list[str]:
    assert isinstance(app.leaf, ChoiceLeaf)
    return [row.text for row in app.leaf.rows()]


def test_the_leaf_lists_what_is_offered_with_what_it_is_for(app: App) -> None:
    open_leaf(app)
    found = offers(PASSAGE, app.run.rehearsal.plan, app.run.chart)
    assert found and rows(app) == [offer.title for offer in found]
    assert isinstance(app.leaf, ChoiceLeaf)
    assert all(row.below.startswith(offer.purpose) for row, offer in zip(app.leaf.rows(), found, strict=True))


def test_a_long_passage_holds_up_no_frame(app: App, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is worth doing is found beside the loop; until then the leaf says that it is looked for."""
    go = Event()

    def slowly(*arguments: object) -> tuple[Offer, ...]:
        assert go.wait(20.0)
        return offers(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr("companion.exercises.offers.offers", slowly)
    began_s = time.monotonic()
    key(app, "x")
    assert rows(app) == ["looking through the bars …"] and time.monotonic() - began_s < 10.0
    key(app, "return")
    assert app.leaf is None and not app.run.repertoire.on_exercise
    key(app, "x")
    go.set()
    until(app, lambda: len(rows(app)) > 1)


def test_bars_chosen_are_what_exercises_are_made_of(app: App) -> None:
    app.run.rehearsal.choose_bars(4, 5)
    open_leaf(app)
    assert isinstance(app.leaf, ChoiceLeaf) and app.leaf.title.endswith("out of bars 5–6")
    assert any("bar 5" in text or "bar 6" in text or "bars 5 and 6" in text for text in rows(app))
    assert not any("bar 1)" in text or "bar 9" in text for text in rows(app))


def test_an_exercise_takes_the_place_of_the_piece_with_a_ladder_of_its_own(app: App) -> None:
    key(app, "+")
    take(app)
    rehearsal, piece = app.run.rehearsal, app.run.repertoire.piece.rehearsal
    made = first_offered(app).made
    assert app.run.repertoire.on_exercise and rehearsal.passage == made
    assert rehearsal.plan.choices and len(rehearsal.plan.choices) == len(made.notes)
    assert piece.ladder.rung == 1 and rehearsal.ladder.rung == 0
    assert rehearsal.ladder == default_ladder(made, piece.ladder.target_bpm, None, 4, piece.ladder.clean_needed)
    assert app.stand.page.passage == made and app.stand.page.head(0, app.stand.place.music) is not None
    assert made.purpose in app.stand.advice()
    assert "back to the piece" in [b.short for b in foot_line("ready", frozenset(), app.run.repertoire.on_exercise)]


def test_its_ladder_begins_no_higher_than_the_piece_s() -> None:
    slow = ladder_for(PASSAGE, Ladder(40, 4, 132, 2))
    assert (slow.start_bpm, slow.target_bpm, slow.step_bpm, slow.clean_needed, slow.rung) == (40, 132, 4, 2, 0)
    high = ladder_for(PASSAGE, Ladder(120, 4, 132))
    assert high.start_bpm == default_ladder(PASSAGE, 132).start_bpm == 80
    assert ladder_for(PASSAGE, Ladder(60, 4, 96, step_percent=5.0)).step_percent == 5.0
    climbs = {climb: ladder_for(PASSAGE, Ladder(60, 4, 96, climb=climb)).climb for climb in CLIMBS}
    assert climbs == {ALTERNATE: ALTERNATE, OVERSHOOT: OVERSHOOT, STEADY: STEADY, GROW: STEADY}


def test_its_takes_go_to_the_record_under_its_own_name(app: App, tmp_path: Path) -> None:
    take(app)
    made = app.run.rehearsal.passage
    key(app, "space", " ")
    until(app, lambda: app.run.rehearsal.state == "after")
    key(app, "g")
    assert app.stand.replaying is not None
    key(app, "escape")
    key(app, "e")
    assert app.leaf is not None and app.leaf.kind == "comment"
    key(app, "escape")
    record = read_log(tmp_path).takes[0]
    assert (record.title, record.sha256, record.origin) == (made.title, made.sha256, "")
    assert len(record.notes) == len(made.notes) and not read_log(tmp_path).remarks


def test_the_piece_comes_back_as_it_was_left(app: App) -> None:
    app.run.rehearsal.choose_bars(4, 7)
    key(app, "space", " ")
    until(app, lambda: app.run.rehearsal.state == "after")
    piece = app.run.rehearsal
    at = piece.section.first_note + 2
    app.stand.look_at(at, telling=False)
    app.frame()
    before = app.stand.page, app.stand.page.version, piece.section, piece.ladder, app.stand.marks()
    picture = pygame.image.tobytes(app.screen, "RGB")
    take(app)
    assert app.stand.looked_at is None and app.run.rehearsal is not piece
    key(app, "escape")
    assert not app.quit and app.run.rehearsal is piece and app.stand.looked_at == at
    assert (app.stand.page, app.stand.page.version, piece.section, piece.ladder, app.stand.marks()) == before
    app.frame()
    assert pygame.image.tobytes(app.screen, "RGB") == picture, "at once, without engraving it again"


def test_an_exercise_chosen_again_stands_as_it_was_left(app: App) -> None:
    take(app)
    key(app, "+")
    first = app.run.rehearsal
    key(app, "escape")
    take(app)
    assert app.run.rehearsal is first and first.ladder.rung == 1


def test_from_an_exercise_the_leaf_leads_to_another_and_back(app: App) -> None:
    take(app)
    first = app.run.rehearsal.passage
    open_leaf(app)
    assert rows(app)[0] == f"back to {PASSAGE.title}"
    assert isinstance(app.leaf, ChoiceLeaf) and app.leaf.rows()[1].right == "on the stand"
    key(app, "down")
    key(app, "down")
    key(app, "return")
    engraved(app)
    assert app.run.repertoire.on_exercise and app.run.rehearsal.passage != first
    take(app, 0)
    assert not app.run.repertoire.on_exercise


def test_at_the_target_of_an_exercise_the_piece_is_named(tmp_path: Path) -> None:
    app = open_stand(make_setup(PASSAGE, tmp_path, port="sim:clean:1", ladder=Ladder(60, 4, 60, 1)))
    try:
        take(app)
        app.run.rehearsal.choose_bars(0, 0)
        app.run.rehearsal.choose_tempo(60)
        key(app, "space", " ")
        until(app, lambda: app.run.rehearsal.state == "after")
        last = app.run.rehearsal.last_take
        assert last is not None and last.step is not None
        while last.step.kind != "target reached":
            key(app, "+")
            key(app, "space", " ")
            until(app, lambda: app.run.rehearsal.state == "after")
            last = app.run.rehearsal.last_take
            assert last is not None and last.step is not None and len(app.run.rehearsal.takes) < 20
        app.run.say("")
        assert f"Esc leads back to {PASSAGE.title}: try it there." in app.stand.advice()
    finally:
        app.close()


def test_pages_that_lie_below_keep_no_drawn_pictures(app: App) -> None:
    app.frame()
    page = app.stand.page
    assert page._pictures
    take(app)
    assert not page._pictures and page.systems


def test_esc_takes_off_the_exercise_before_it_ends_the_program(app: App) -> None:
    take(app)
    key(app, "escape")
    assert not app.quit and not app.run.repertoire.on_exercise
    key(app, "escape")
    assert app.quit


def test_a_sheet_left_half_engraved_is_there_in_full_when_it_is_shown_again(app: App) -> None:
    app.run.repertoire.take_exercise("scales", {"kind": "major"})
    app.show_music()
    assert not app.stand.page.done
    app.run.repertoire.back_to_piece()
    app.show_music()
    assert app.stand.page.done and app.stand.page.passage == PASSAGE
    heads = [app.stand.page.system_of(note.index) for note in PASSAGE.notes]
    app.run.repertoire.take_exercise("scales", {"kind": "major"})
    app.show_music()
    engraved(app)
    made = app.run.rehearsal.passage
    assert all(app.stand.page.system_of(note.index) is not None for note in made.notes)
    app.run.repertoire.back_to_piece()
    app.show_music()
    assert [app.stand.page.system_of(note.index) for note in PASSAGE.notes] == heads


def test_marks_changed_while_an_exercise_waits_are_engraved(app: App) -> None:
    """The engraving of the piece's new marks is cut off by the exercise's: it is asked for again."""
    at = next(c.note_index for c in app.run.rehearsal.plan.choices if c.runners_up and not c.fingering.mark)
    name = next(r.fingering.name for r in app.run.rehearsal.plan.choices[at].runners_up if r.fingering.mark)
    app.run.pick(at, name)
    app._sheets.engrave()
    take(app)
    key(app, "escape")
    source = f"n{PASSAGE.notes[at].source}"
    system = app.stand.page.system_of(at)
    assert system is not None
    until(app, lambda: source in app.stand.page.systems[system].marks)


def test_the_window_made_larger_under_an_exercise_suits_the_piece_too(app: App) -> None:
    take(app)
    pygame.event.post(pygame.event.Event(pygame.VIDEORESIZE, w=1600, h=900, size=(1600, 900)))
    app.frame()
    engraved(app)
    key(app, "escape")
    engraved(app)
    width = app.stand.place.music.width
    assert max(system.staff.width for system in app.stand.page.systems) > 0.9 * width


def test_another_horn_under_an_exercise_makes_it_anew(app: App) -> None:
    app.run.repertoire.take_exercise("scales", {"kind": "chromatic"})
    app.show_music()
    assert min(n.written_midi for n in app.run.rehearsal.passage.notes) == 58
    app.run.use_instrument("baritone")
    app.show_music()
    engraved(app)
    # Written A3 is a baritone's lowest note (with its low A key).
    assert min(n.written_midi for n in app.run.rehearsal.passage.notes) == 57
    assert app.run.repertoire.piece.rehearsal.plan.chart_name == "baritone" == app.run.rehearsal.plan.chart_name


def test_nothing_changes_places_during_a_take(app: App) -> None:
    key(app, "space", " ")
    until(app, lambda: app.run.rehearsal.state == "playing")
    key(app, "x")
    assert app.leaf is None
    with pytest.raises(UsageError, match="stop the take first"):
        app.run.repertoire.take_exercise("scales", {})
    with pytest.raises(UsageError, match="stop the take first"):
        app.run.repertoire.back_to_piece()
    key(app, "space", " ")


def test_the_controller_set_under_an_exercise_is_the_piece_s_too(app: App) -> None:
    take(app)
    app.run.rehearsal.delay_ms, app.run.rehearsal.shift_semitones = 12.0, 9
    key(app, "escape")
    assert (app.run.rehearsal.delay_ms, app.run.rehearsal.shift_semitones) == (12.0, 9)


def test_own_trouble_leads_to_links_of_that_change(app: App, monkeypatch: pytest.MonkeyPatch) -> None:
    first = next(n.index for n in PASSAGE.notes if n.bar == 5)
    monkeypatch.setattr("companion.record.trouble.troubles", lambda *_: (Spot(first - 1, first),))
    until(app, lambda: bool(app.run.music.trouble.spots))
    key(app, "o")
    key(app, "x")
    engraved(app)
    made = app.run.rehearsal.passage
    pair = [PASSAGE.notes[i].written_midi for i in (first - 1, first)]
    assert (
        app.run.repertoire.on_exercise
        and made.title.startswith("Links")
        and [n.written_midi for n in made.notes[:2]] == pair
    )
    key(app, "escape")
    key(app, "o")
    app.frame()
    assert isinstance(app.leaf, ChoiceLeaf)
    click(app, app.leaf._also_places[0][0].center)
    assert app.run.rehearsal.passage == made, "the mouse does the same"


def test_in_an_exercise_own_trouble_offers_no_exercise_of_the_exercise(
    app: App, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("companion.record.trouble.troubles", lambda *_: (Spot(1, 2),))
    take(app)
    until(app, lambda: bool(app.run.music.trouble.spots))
    key(app, "o")
    assert isinstance(app.leaf, ChoiceLeaf) and app.leaf.also is None


def test_the_usual_fingering_that_an_exercise_asks_for_is_no_word_on_its_page(
    app: App, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[EngravingRequest] = []
    real = Engraver.request

    def noted(self: Engraver, request: EngravingRequest) -> int:
        asked.append(request)
        return real(self, request)

    monkeypatch.setattr(Engraver, "request", noted)
    take(app)
    passage, plan = app.run.music.passage, app.run.rehearsal.plan
    marks = dict(asked[-1].marks)
    assert set(marks) == {f"n{note.source}" for note in passage.notes}
    assert {mark for mark in marks.values() if mark} <= {choice.fingering.mark for choice in plan.choices}


def test_the_caret_keeps_clear_of_the_words_over_the_first_note(app: App) -> None:
    take(app)
    page, area = app.stand.page, app.stand.place.music
    first = app.run.rehearsal.section.passage.notes[0].index
    staff_top = round(page.origin(0, area)[1] + page.systems[0].staff.y)

    def over_the_staff(caret: int | None) -> np.ndarray:
        target = pygame.Surface(app.screen.get_size())
        page.draw(target, area, (0, 99), [], caret)
        grey = np.asarray(pygame.surfarray.array3d(target).mean(axis=2))
        return grey[area.left : area.right, area.top : staff_top - 1]

    plain, marked = over_the_staff(None), over_the_staff(first)
    ink = plain < 128
    assert ink.sum() > 100 and (abs(plain - marked)[ink] < 1).all()
