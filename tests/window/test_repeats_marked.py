"""What is printed once and played again and again: marked once, with how often."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pygame
import pytest
from window.stand_tools import make_setup, open_stand, playable, until

from companion.passage import Passage
from companion.practice.model import EARLY, LATE, LEFT_OUT, ON_TIME, WRONG_NOTE
from companion.window.app import App
from companion.window.leaves import KeysLeaf
from companion.window.pencilled import Mark, Pencilled
from companion.window.result import ARROWS_A_BAR, marks_of, worth_pencilling
from companion.window.run import Run
from companion.window.stepped_clock import SteppedClock
from companion.window.theme import Ink, Type
from companion.window.written import Written

ONCE = playable(bars=1)
COUNT = len(ONCE.notes)


def again(passage: Passage, times: int) -> Passage:
    """One printed bar, played so many times."""
    length = passage.bars[0].end
    notes = tuple(
        replace(n, index=n.index + i * COUNT, start=n.start + i * length, bar=i)
        for i in range(times) for n in passage.notes
    )  # fmt: skip
    bars = tuple(replace(passage.bars[0], index=i, start=i * length, time_pass=i + 1) for i in range(times))
    return replace(passage, notes=notes, bars=bars)


def test_each_printed_note_has_one_mark_of_a_kind_with_how_often() -> None:
    passage = again(ONCE, 4)
    marks = [Mark(1 + i * COUNT, WRONG_NOTE) for i in (0, 2, 3)] + [Mark(1 + COUNT, LEFT_OUT), Mark(2, ON_TIME)]
    assert worth_pencilling(marks, passage) == [Mark(1 + 3 * COUNT, WRONG_NOTE, times=3), Mark(1 + COUNT, LEFT_OUT)]


def test_a_printed_bar_has_few_arrows_and_what_keeps_happening_comes_first() -> None:
    assert COUNT > 4 and ARROWS_A_BAR == 2
    passage = again(ONCE, 4)
    often = [Mark(3 + i * COUNT, EARLY, -60.0 - i) for i in range(4)]
    once = [Mark(i, LATE, 100.0 + i) for i in (0, 2, 4)]
    kept = worth_pencilling([*often, *once], passage)
    assert kept == [Mark(3 + 3 * COUNT, EARLY, -61.5, times=4), Mark(4, LATE, 104.0)]


def test_a_note_that_is_early_and_late_in_turn_has_both_arrows() -> None:
    passage = again(ONCE, 4)
    marks = [Mark(1 + i * COUNT, LATE if i % 2 else EARLY, 70.0 if i % 2 else -50.0) for i in range(4)]
    assert {(m.kind, m.times) for m in worth_pencilling(marks, passage)} == {(EARLY, 2), (LATE, 2)}


def test_during_a_take_the_last_time_holds(tmp_path: Path) -> None:
    from companion.planning import plan

    passage, setup = again(ONCE, 3), make_setup(ONCE, tmp_path)
    setup = replace(setup, passage=passage, plan=plan(passage, setup.chart), port="sim:beginner:5")
    run = Run(setup, SteppedClock())
    written, most = Written(run), 0
    run.start()
    while run.rehearsal.busy:
        assert isinstance(run.clock, SteppedClock)
        run.clock.step(20_000_000)
        run.update()
        live, marks = run.rehearsal.live, written.live_marks() if run.rehearsal.busy else []
        sources = [passage.notes[mark.note_index].source for mark in marks]
        assert len(sources) == len(set(sources))
        for mark in marks:
            later = range(mark.note_index + COUNT, len(passage.notes), COUNT)
            assert not [i for i in later if i in live and not live[i].provisional]
        most = max(most, len(marks))
    run.close()
    assert most > 0


@pytest.fixture(params=[(1024, 640), (1920, 1080)])
def exercise(request: pytest.FixtureRequest, tmp_path: Path) -> App:
    """A page whose every bar is played four times, after a take of the beginner."""
    app = open_stand(make_setup(playable(bars=12), tmp_path, port="sim:beginner:3"), request.param)
    app.run.repertoire.take_exercise("links", {"times": 4})
    app.show_music()
    until(app, lambda: app.stand.page.done)
    app.do("start")
    until(app, lambda: app.run.rehearsal.state == "after", 200_000)
    request.addfinalizer(app.close)
    return app


def test_arrows_of_an_exercise_can_be_read_each_by_its_note(exercise: App) -> None:
    app = exercise
    passage, page, area = app.run.rehearsal.passage, app.stand.page, app.stand.place.music
    marks = marks_of(app.run.rehearsal.takes[-1], app.run.rehearsal.tolerances)
    assert any(mark.times > 1 for mark in marks)
    page.top = 0
    arrows = [m for m in marks if m.kind in (EARLY, LATE) and page.head(m.note_index, area) is not None]
    assert arrows
    target = pygame.Surface(app.screen.get_size())
    pencilled = Pencilled(page, area, Type(app.stand.place.scale))
    pencilled.draw(target, arrows)
    boxes = pencilled._taken
    assert len(boxes) == len(arrows) + sum(mark.times > 1 for mark in arrows), "a number beside each that needs one"
    assert all(box.collidelist(boxes[i + 1 :]) < 0 for i, box in enumerate(boxes)), "nothing lies on anything else"
    strips = [page.strip_box(number, area) for number in range(page.top, page.last_visible(area) + 1)]
    assert strips[0].height > 0 and all(box.collidelist(strips) < 0 for box in boxes), "the strip has arrows of its own"
    printed = [(passage.notes[m.note_index].source, m.kind) for m in arrows]
    assert len(printed) == len(set(printed))
    by_bar = [passage.bars[passage.notes[m.note_index].bar].written_index for m in arrows]
    assert max(by_bar.count(bar) for bar in by_bar) <= ARROWS_A_BAR


def test_the_number_is_pencilled_and_readable(exercise: App) -> None:
    app = exercise
    page, area = app.stand.page, app.stand.place.music
    page.top = 0
    at = next(n.index for n in app.run.rehearsal.passage.notes if page.head(n.index, area) is not None)
    pictures = []
    for times in (1, 3):
        target = pygame.Surface(app.screen.get_size())
        target.fill(Ink.PAPER)
        Pencilled(page, area, Type(app.stand.place.scale)).draw(target, [Mark(at, LATE, 80.0, times=times)])
        pictures.append(target)
    added = pygame.mask.from_threshold(pictures[1], (0, 0, 0), (1, 1, 1), pictures[0])
    added.invert()
    (box,) = [box for box in [added.get_bounding_rects()] if box]
    assert box[0].unionall(box).height >= 6 and area.contains(box[0].unionall(box))


def test_the_legend_tells_what_the_number_means(exercise: App) -> None:
    exercise.do("keys")
    leaf = exercise.leaf
    assert isinstance(leaf, KeysLeaf)
    assert [words for _, words in leaf.marks if "so often" in words] == [
        "beside a mark: so often, where bars are repeated"
    ]
