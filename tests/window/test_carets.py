"""What points at notes: where it stands, and what it leaves to be read."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pygame
import pytest
from window.stand_tools import make_setup, open_stand, playable

from companion.window.app import App
from companion.window.carets import Carets, draw_caret, draw_carets, draw_looked_at
from companion.window.theme import Ink

PASSAGE = playable(bars=12)


@pytest.fixture(params=[(1024, 640), (1920, 1080)])
def app(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[App]:
    made = open_stand(make_setup(PASSAGE, tmp_path), request.param)
    made.stand.page.strip_shown = True
    yield made
    made.close()


def paper(app: App) -> pygame.Surface:
    target = pygame.Surface(app.screen.get_size())
    target.fill(Ink.PAPER)
    return target


def drawn(target: pygame.Surface) -> pygame.Rect:
    """All that is not paper."""
    mask = pygame.mask.from_threshold(target, Ink.PAPER, (1, 1, 1, 255))
    mask.invert()
    boxes = mask.get_bounding_rects()
    return boxes[0].unionall(boxes[1:]) if boxes else pygame.Rect(0, 0, 0, 0)


def visible(app: App) -> list[int]:
    page, area = app.stand.page, app.stand.place.music
    return [n.index for n in PASSAGE.notes if page.head(n.index, area) is not None]


def test_the_caret_stands_before_its_note_over_the_whole_staff(app: App) -> None:
    page, area = app.stand.page, app.stand.place.music
    for index in visible(app):
        target = paper(app)
        draw_caret(target, page, area, index)
        head, number = page.head(index, area), page.system_of(index)
        assert head is not None and number is not None
        staff, top = page.systems[number].staff, page.origin(number, area)[1]
        box = drawn(target)
        assert box.left < head.left < head.right <= box.right
        assert box.top <= top + staff.y + 1 and box.bottom >= top + staff.y + staff.height - 1


def test_a_frame_holds_its_head_and_a_note_off_the_page_has_none(app: App) -> None:
    page, area = app.stand.page, app.stand.place.music
    there = visible(app)
    for index in (note.index for note in PASSAGE.notes):
        target = paper(app)
        draw_looked_at(target, page, area, index)
        head = page.head(index, area)
        assert (head is not None) == (index in there) == bool(drawn(target))
        assert head is None or drawn(target).contains(head)


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_the_cursor_of_the_strip_runs_from_note_to_note(app: App, share: float) -> None:
    page, area = app.stand.page, app.stand.place.music
    at, after = (page.head(index, area) for index in (2, 3))
    assert at is not None and after is not None and page.system_of(2) == page.system_of(3) == 0
    target = paper(app)
    draw_carets(target, page, area, Carets(cursor=(2, 3, share)))
    box = drawn(target)
    assert abs(box.centerx - (at.centerx + share * (after.centerx - at.centerx))) <= 2
    assert page.strip_box(0, area).contains(box)


def test_at_the_end_of_a_line_it_runs_on_to_the_staffs_end(app: App) -> None:
    page, area = app.stand.page, app.stand.place.music
    last = max(index for index in visible(app) if page.system_of(index) == 0)
    target = paper(app)
    draw_carets(target, page, area, Carets(cursor=(last, last + 1, 1.0)))
    assert abs(drawn(target).centerx - page.strip_box(0, area).right) <= 3


def test_without_a_strip_there_is_no_cursor(app: App) -> None:
    page, area = app.stand.page, app.stand.place.music
    page.strip_shown = False
    target = paper(app)
    draw_carets(target, page, area, Carets(cursor=(2, 3, 0.5)))
    assert not drawn(target)
