"""The hardest changes on the page and in their list."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pygame
import pytest
from window.stand_tools import key, make_setup, open_stand
from window.test_note import ETUDE

from companion.planning import plan
from companion.planning.limits import speed_limits
from companion.practice.ladder import Ladder
from companion.window.app import App
from companion.window.hard_spots import tints_of
from companion.window.leaves import ChoiceLeaf
from companion.window.page import Tint
from companion.window.run import Run


@pytest.fixture
def app(tmp_path: Path) -> Iterator[App]:
    made = open_stand(make_setup(ETUDE, tmp_path))
    yield made
    made.close()


def test_the_hardest_spots_are_tinted_on_request(app: App) -> None:
    plain = app.screen.copy()
    key(app, "h")
    app.frame()
    tints = app.stand.tints()
    assert tints and all(isinstance(tint, Tint) and 1 <= tint.density <= 3 for tint in tints)
    hardest = max(app.run.limits().changes, key=lambda change: change.load)
    assert (tints[0].first, tints[0].last, tints[0].density) == (hardest.from_index, hardest.note_index, 3)
    assert app.run.limits().spots[0].sentence in app.stand.advice()
    difference = pygame.mask.from_threshold(app.screen, (0, 0, 0), (1, 1, 1), plain)
    assert difference.count() > 0
    key(app, "h")
    app.frame()
    assert not app.stand.tints()


def test_only_the_chosen_bars_have_hard_spots(app: App) -> None:
    app.run.rehearsal.choose_tempo(72)
    app.run.rehearsal.choose_bars(9, 11)
    key(app, "h")
    tints = app.stand.tints()
    assert tints and all(9 <= ETUDE.notes[i].bar <= 11 for tint in tints for i in (tint.first, tint.last))
    alone = ETUDE.excerpt(9, 11)
    first = app.run.rehearsal.section.first_note
    part = app.run.rehearsal.plan.part(first, len(alone.notes))
    expected = speed_limits(alone, part, app.run.chart, 72)
    assert [(c.note_index - first, c.limit_bpm) for c in app.run.limits().changes] == [
        (c.note_index, c.limit_bpm) for c in expected.changes
    ]
    assert {r.note_index - first for r in app.run.limits().reliefs} == {r.note_index for r in expected.reliefs}


def test_tints_in_a_row_meet_at_the_note_between_them(app: App) -> None:
    page, area = app.stand.page, app.stand.place.music
    (alone,), (other,) = (page.tint_boxes(Tint(i, i + 1, 1, ""), (False, False), area) for i in (4, 5))
    (before,), (after,) = (
        page.tint_boxes(Tint(4, 5, 1, ""), (False, True), area), page.tint_boxes(Tint(5, 6, 1, ""), (True, False), area)
    )  # fmt: skip
    middle = page.head(5, area)
    assert middle and before.right == after.left == middle.centerx
    assert alone.contains(before) and other.contains(after) and alone.colliderect(other)


def test_a_change_over_a_line_or_a_repeat_is_tinted_at_its_two_notes(app: App) -> None:
    page, area = app.stand.page, app.stand.place.music
    over = next(i for i in range(len(ETUDE.notes)) if page.system_of(i) != page.system_of(i + 1))
    for first, last in ((over, over + 1), (6, 4)):
        boxes = page.tint_boxes(Tint(first, last, 1, ""), (True, True), area)
        heads = [page.head(i, area) for i in (first, last)]
        assert all(head and box.contains(head) for box, head in zip(boxes, heads, strict=True))
        assert all(head and box.width <= 3 * head.width for box, head in zip(boxes, heads, strict=True))


def test_what_is_played_twice_is_tinted_once(tmp_path: Path) -> None:
    twice = ETUDE.excerpt(4, 4)
    length = twice.bars[0].end
    again = tuple(replace(n, index=n.index + len(twice.notes), start=n.start + length, bar=1) for n in twice.notes)
    bars = (*twice.bars, replace(twice.bars[0], index=1, start=length, time_pass=2))
    passage = replace(twice, notes=twice.notes + again, bars=bars)
    setup = make_setup(twice, tmp_path)
    run = Run(replace(setup, passage=passage, plan=plan(passage, setup.chart), ladder=Ladder(100, 4, 104, 2)))
    tints = tints_of(run.limits(), passage)
    printed = [(passage.notes[t.first].source, passage.notes[t.last].source) for t in tints]
    assert printed and len(printed) == len(set(printed))
    assert len(run.limits().changes) > 2 * len(printed)
    run.close()


def test_the_hardest_spots_are_listed_and_lead_to_their_notes(app: App) -> None:
    app.run.rehearsal.choose_tempo(72)
    key(app, "l")
    leaf = app.leaf
    assert isinstance(leaf, ChoiceLeaf) and leaf.kind == "limits"
    app.frame()
    limits, rows = app.run.limits(), leaf.rows()
    sentences = [f"{row.text}: {row.below}" for row in rows]
    assert sentences[0] == limits.spots[0].sentence and [r.right for r in rows].index("another fingering") <= 8
    assert limits.reliefs[0].sentence in sentences
    at = sentences.index(limits.reliefs[0].sentence)
    for _ in range(at):
        key(app, "down")
    key(app, "return")
    assert app.leaf is None and app.stand.looked_at == limits.reliefs[0].note_index
    assert app.stand.page.head(app.stand.looked_at, app.stand.place.music) is not None


def test_the_page_is_turned_to_the_hardest_spot_and_stays_full(app: App) -> None:
    app.run.rehearsal.choose_tempo(72)
    key(app, "h")
    page, area, hardest = app.stand.page, app.stand.place.music, app.run.limits().spots[0]
    assert page.head(hardest.first_note, area) is not None and page.head(hardest.last_note, area) is not None
    assert page.top > 0 and page.last_visible(area) == len(page.systems) - 1
    page.turn(-1)
    assert page.last_visible(area) < len(page.systems) - 1


def test_slower_there_is_less_to_tint(app: App) -> None:
    key(app, "h")
    at_60 = {(t.first, t.last): t.density for t in app.stand.tints()}
    app.run.rehearsal.choose_tempo(72)
    at_72 = {(t.first, t.last): t.density for t in app.stand.tints()}
    assert sum(at_72.values()) > sum(at_60.values())


def test_a_tempo_is_told_in_the_note_that_the_metre_counts_and_never_beyond_the_limit(tmp_path: Path) -> None:
    """In 6/8 a dotted quarter is one and a half quarters (common practice, no source)."""
    setup = make_setup(ETUDE, tmp_path)
    limits = speed_limits(ETUDE, setup.plan, setup.chart, 96)
    compound = replace(ETUDE, bars=tuple(replace(bar, beats=6, beat_type=8, mark_unit=None) for bar in ETUDE.bars))
    limit_bpm = {(c.from_index, c.note_index): c.limit_bpm for c in limits.changes}
    for passage, quarters in ((ETUDE, 1.0), (compound, 1.5)):
        labelled = [tint for tint in tints_of(limits, passage) if tint.label]
        assert labelled
        for tint in labelled:
            assert 0 <= limit_bpm[tint.first, tint.last] / quarters - int(tint.label) < 1
