"""The ladder at any size: where the next take is played can be seen, and a click finds the rung it is on."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pygame
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from window.stand_tools import key, make_setup, open_stand, playable

from companion.passage import Bar
from companion.practice.climbs import CLIMBS
from companion.practice.ladder import Ladder
from companion.practice.model import Tolerances
from companion.window import ladder_view
from companion.window.ladder_view import LadderShown, draw_ladder, ladder_of, rung_at
from companion.window.layout import layout
from companion.window.theme import Ink, Type

SIZES = [(1024, 640), (1280, 720), (3840, 2160)]
BAR = Bar(0, "1", 0, 0, 4, 4, 4)  # type: ignore[arg-type]


def climbed(climb: str, target_bpm: float, takes: list[bool]) -> Ladder:
    ladder = Ladder(50, 4, target_bpm, clean_needed=1, climb=climb).in_groups((2, 4))
    for clean in takes:
        ladder, _ = ladder.after(clean)
    return ladder


LADDERS = st.builds(
    climbed, st.sampled_from(sorted(CLIMBS)), st.floats(50, 200), st.lists(st.integers(0, 4).map(bool), max_size=40)
)


@given(LADDERS, st.sampled_from(SIZES))
def test_the_rung_of_the_next_take_and_the_one_to_come_back_to_are_in_sight(
    ladder: Ladder, size: tuple[int, int]
) -> None:
    place = layout(*size)
    places = ladder_view._rung_places(ladder, place)
    tempos = [*ladder.rungs, ladder.tempo_bpm]
    assert ladder.tempo_bpm in [tempos[rung] for rung in places]
    assert ladder.rung in places
    assert list(places) == sorted(places)
    assert all(place.rungs.y <= y <= place.rungs.bottom for y in places.values())
    for rung, y in places.items():
        # A take beyond the target stands on no rung, so that it can't be chosen.
        wanted = rung if rung < len(ladder.rungs) else None
        assert rung_at((place.rungs.centerx, y), ladder, place) == wanted


@pytest.mark.parametrize("size", SIZES)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=15)
@given(ladder=LADDERS)
def test_a_filled_pointer_stands_at_the_next_take_and_a_hollow_one_where_a_try_leads_back(
    size: tuple[int, int], ladder: Ladder
) -> None:
    pygame.init()
    place = layout(*size)
    target = pygame.Surface(size)
    target.fill(Ink.PAPER)
    draw_ladder(target, place, Type(place.scale), LadderShown(ladder, BAR, "Fri", ladder.rule))
    left, flag = place.rungs.x + round(34 * place.scale), round(9 * place.scale)
    tempos = [*ladder.rungs, ladder.tempo_bpm]
    for rung, y in ladder_view._rung_places(ladder, place).items():
        row = [target.get_at((x, y))[:3] == Ink.BLUE[:3] for x in range(left - flag - 4, left - 4)]
        if tempos[rung] == ladder.tempo_bpm:
            assert sum(row) > flag / 2, "filled"
        else:
            assert any(row) == (ladder.trying and rung == ladder.rung)
            assert sum(row) <= flag / 2, "hollow or nothing"


@pytest.mark.parametrize(("share", "said"), [(0.0, "95% within 30 ms."), (0.9, "95% within 30 ms, 90% articulated.")])
def test_what_is_clean_is_said_with_what_the_teacher_asks_for(tmp_path: Path, share: float, said: str) -> None:
    setup = make_setup(playable(2), tmp_path, tolerances=Tolerances(articulation_share=share))
    app = open_stand(setup)
    try:
        assert ladder_of(app.run.music).note == f"{setup.ladder.rule} Clean: no wrong note, {said}"
    finally:
        app.close()


def test_a_tempo_is_typed_in_the_note_that_the_ladder_counts(tmp_path: Path) -> None:
    music = playable(2)
    in_six = tuple(replace(bar, beats=8, beat_type=8, mark_unit=Fraction(3, 2)) for bar in music.bars)
    app = open_stand(make_setup(replace(music, bars=in_six), tmp_path))
    key(app, "t")
    assert "a number of dotted quarters a minute" in app.leaf.hint
    for letter in "45":
        key(app, letter)
    key(app, "return")
    assert app.run.rehearsal.tempo_bpm == 68  # the rung nearest to 45 dotted quarters, which are 67.5
