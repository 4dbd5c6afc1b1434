"""Asking a note on the stand: its fingering, the runners-up, another choice that is kept, the hardest spots."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pygame
import pytest
from window.stand_tools import click, key, make_setup, open_stand, until

from companion.errors import UsageError
from companion.passage import Passage
from companion.paths import examples_dir
from companion.planning import plan
from companion.record.marks import Marked, load, resolve
from companion.scores import read
from companion.scores.write import to_musicxml
from companion.window.app import App
from companion.window.fingerings import Cost
from companion.window.horn import height_to_spare, label_size_px
from companion.window.note_leaf import NoteLeaf, cost_in_words

ETUDE = read(examples_dir() / "passages" / "etude-e-minor.musicxml")
MARKS = "etude.marks.toml"


def a_b_flat(app: App) -> int:
    """A note with several runners-up."""
    choices = app.run.rehearsal.plan.choices
    return next(c.note_index for c in choices if c.note_index and len(c.runners_up) > 2)


@pytest.fixture
def app(tmp_path: Path) -> Iterator[App]:
    made = open_stand(make_setup(ETUDE, tmp_path, marks_path=tmp_path / MARKS))
    yield made
    made.close()


def look(app: App, note_index: int) -> None:
    app.stand.page.follow(note_index, app.stand.place.music)
    head = app.stand.page.head(note_index, app.stand.place.music)
    assert head is not None
    click(app, head.center)
    app.frame()
    assert app.stand.looked_at == note_index


def test_a_click_shows_the_runners_up_and_a_digit_takes_one(app: App, tmp_path: Path) -> None:
    at = a_b_flat(app)
    look(app, at)
    choice = app.run.rehearsal.plan.choices[at]
    assert len(app.stand._runner_up_places) == 3
    key(app, "2")
    app.frame()
    now = app.run.rehearsal.plan.choices[at]
    assert now.fingering == choice.runners_up[1].fingering and now.fixed
    kept = resolve(load(tmp_path / MARKS), ETUDE)
    assert kept.fingerings == {n.index: now.fingering.name for n in ETUDE.notes if n.source == ETUDE.notes[at].source}
    assert app.run.rehearsal.plan == plan(ETUDE, app.run.chart, kept.fingerings)


def test_a_click_on_a_runner_up_takes_it_and_0_takes_the_mark_away(app: App, tmp_path: Path) -> None:
    at, before = a_b_flat(app), app.run.rehearsal.plan
    look(app, at)
    box, number = app.stand._runner_up_places[0]
    click(app, box.center)
    app.frame()
    assert app.run.rehearsal.plan.choices[at].fingering == before.choices[at].runners_up[number].fingering
    key(app, "0")
    assert app.run.rehearsal.plan == before
    assert not resolve(load(tmp_path / MARKS), ETUDE).fingerings


def test_the_page_stays_readable_while_its_marks_change(app: App) -> None:
    at = a_b_flat(app)
    look(app, at)
    systems, top = len(app.stand.page.systems), app.stand.page.top
    source = f"n{ETUDE.notes[at].source}"
    here = app.stand.page.system_of(at)
    assert here is not None
    box = app.stand.page.systems[here].marks.get(source)
    key(app, "2")
    for _ in range(2000):
        app.frame()
        assert len(app.stand.page.systems) == systems and app.stand.page.top == top
        if app.stand.page.systems[here].marks.get(source) != box:
            break
        pygame.time.wait(2)
    assert app.stand.page.systems[here].marks[source].width > 0 and app.stand.page.done


def test_a_page_engraved_before_is_drawn_again(app: App) -> None:
    """The engraver keeps what it made: the second time, the new page is there within the same frame."""
    at = a_b_flat(app)
    look(app, at)
    planned = app.run.rehearsal.plan.choices[at].fingering.name

    def marked(name: str) -> bytes:
        version = app.stand.page.version
        app.run.pick(at, name)
        app._sheets.engrave()
        until(app, lambda: app.stand.page.version > version)
        app.frame()
        return pygame.image.tobytes(app.screen.subsurface(app.stand.place.music), "RGB")

    other = app.run.rehearsal.plan.choices[at].runners_up[0].fingering.name
    first, second = marked(planned), marked(other)
    assert first != second
    for _ in range(4):
        assert marked(planned) == first
        assert marked(other) == second


def test_enter_shows_all_fingerings_of_the_note(app: App) -> None:
    at = a_b_flat(app)
    look(app, at)
    key(app, "return")
    leaf = app.leaf
    assert isinstance(leaf, NoteLeaf)
    app.frame()
    names = [column.fingering for column in leaf.columns]
    assert names == list(app.run.chart.for_note(ETUDE.notes[at].written_midi))
    assert [c.fingering for c in leaf.columns if c.chosen] == [app.run.rehearsal.plan.choices[at].fingering]
    other = next(i for i, c in enumerate(leaf.columns) if not c.chosen)
    while leaf.at != other:
        key(app, "left" if leaf.at > other else "right")
    key(app, "return")
    assert app.leaf is None
    assert app.run.rehearsal.plan.choices[at].fingering == names[other]
    # Opened again it can take the mark away.
    key(app, "return")
    assert isinstance(app.leaf, NoteLeaf) and app.leaf.unmark
    key(app, "0")
    assert app.leaf is None and not app.run.music.marks


def test_nothing_is_changed_during_a_take_or_without_a_note(app: App) -> None:
    before = app.run.rehearsal.plan
    key(app, "1")
    assert app.run.rehearsal.plan == before and "click a note" in app.run.notice
    key(app, "space")
    until(app, lambda: app.run.rehearsal.state == "playing")
    key(app, "1")
    key(app, "h")
    assert app.run.rehearsal.plan == before and not app.stand.spots_shown
    with pytest.raises(UsageError):
        app.run.pick(a_b_flat(app), "bis")


def test_a_mark_that_cannot_be_written_is_said_and_holds_for_now(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder", encoding="utf-8")
    app = open_stand(make_setup(ETUDE, tmp_path, marks_path=tmp_path / "file" / MARKS))
    at = a_b_flat(app)
    look(app, at)
    key(app, "1")
    assert "holds for this sitting" in app.run.notice and app.run.rehearsal.plan.choices[at].fixed
    app.close()
    app = open_stand(make_setup(ETUDE, tmp_path))
    look(app, at)
    key(app, "1")
    assert "no file" in app.run.notice and app.run.rehearsal.plan.choices[at].fixed
    app.close()


def test_a_physical_warning_is_said(app: App) -> None:
    """bis marked beside B: the index would have to slide (common practice, no source)."""
    notes = ETUDE.notes
    at = next(
        n.index for n in notes[1:-1]
        if n.written_midi == 70 and 71 in (notes[n.index - 1].written_midi, notes[n.index + 1].written_midi)
    )  # fmt: skip
    app.run.pick(at, "bis")
    assert "slide" in app.run.notice and f"bar {ETUDE.bars[notes[at].bar].number}" in app.run.notice


def test_what_was_said_makes_room_for_what_was_asked(app: App) -> None:
    key(app, "1")
    assert "click a note" in app.stand.advice()
    key(app, "h")
    assert app.stand.advice().startswith("Hardest:")
    app.run.say("something else")
    key(app, "right")
    assert "something else" not in app.stand.advice()


def test_the_pictures_of_a_run_show_a_note_and_the_hard_spots(tmp_path: Path) -> None:
    app = App(make_setup(ETUDE, tmp_path), lambda: to_musicxml(ETUDE), shots=tmp_path / "shots")
    until(app, lambda: app.stand.page.done)
    assert app.shots is not None
    app.shots.take_the_rest()
    pictures = {path.stem: pygame.image.load(path) for path in (tmp_path / "shots").glob("*.png")}
    assert {"note", "limits", "hard-spots", "chosen-bars"} <= set(pictures)
    assert app.stand.spots_shown and app.stand.tints()
    raw = {name: pygame.image.tobytes(picture, "RGB") for name, picture in pictures.items()}
    assert len({raw[name] for name in ("note", "limits", "hard-spots", "chosen-bars")}) == 4
    app.close()


def test_comments_and_fixed_fingerings_are_the_teachers_ink(tmp_path: Path) -> None:
    marked = Marked(ETUDE, {3: "standard"}, {}, {5: "breathe before this"}, {})
    setup = make_setup(ETUDE, tmp_path)
    setup = replace(setup, marked=marked, plan=plan(ETUDE, setup.chart, marked.fingerings))
    app = open_stand(setup)
    assert app.stand.penned().fixed == (3,) and app.stand.penned().commented == (5,)
    look(app, 5)
    assert "breathe before this" in app.stand.advice()
    app.close()


def test_another_horn_keeps_the_marks_it_knows(app: App) -> None:
    at = a_b_flat(app)
    look(app, at)
    key(app, "1")
    chosen = app.run.rehearsal.plan.choices[at].fingering.name
    app.run.use_instrument("tenor")
    assert app.run.rehearsal.plan.choices[at].fingering.name == chosen
    assert app.run.rehearsal.plan.choices[at].fixed


@pytest.mark.parametrize("size", [(1024, 640), (1280, 720), (1920, 1080)])
def test_everything_fits_at_every_size(tmp_path: Path, size: tuple[int, int]) -> None:
    app = open_stand(make_setup(ETUDE, tmp_path), size)
    at = a_b_flat(app)
    look(app, at)
    for box, _ in app.stand._runner_up_places:
        assert app.stand.place.horn.contains(box)
    key(app, "return")
    app.frame()
    assert isinstance(app.leaf, NoteLeaf)
    assert app.screen.get_rect().contains(app.leaf._box)
    assert all(app.leaf._box.contains(box) for box, _ in app.leaf._places) and len(app.leaf._places) >= 4
    app.close()


def test_costs_in_words() -> None:
    assert [cost_in_words(Cost(s)) for s in (0.0474, -0.0121, 0)] == ["+47 ms", "−12 ms", "+0 ms"]
    assert cost_in_words(Cost(-0.045, 3)) == "−45 ms; the rules speak against it"
    assert cost_in_words(Cost(0.045, -1)) == "+45 ms; the rules speak for it"


def test_the_horn_keeps_its_labels_beside_the_runners_up(app: App) -> None:
    rect = app.stand.place.horn_keys
    spare = height_to_spare(rect)
    assert label_size_px(pygame.Rect(0, 0, rect.width, rect.height - spare)) >= 12
    assert not label_size_px(pygame.Rect(0, 0, rect.width, rect.height - spare - 1))


def test_a_passage_without_alternates_says_so(tmp_path: Path) -> None:
    passage: Passage = ETUDE.excerpt(0, 0)
    app = open_stand(make_setup(passage, tmp_path))
    plain = next(c.note_index for c in app.run.rehearsal.plan.choices if not c.runners_up)
    look(app, plain)
    assert "no other fingering" in app.stand.advice() and not app.stand._runner_up_places
    app.close()
