"""How loud: turned within its limits, kept for the next run, and said."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.ports.memory import SoundLevels, recall_sound
from companion.window.levels import Levels


def test_what_is_turned_is_kept_at_once(tmp_path: Path) -> None:
    levels = Levels(tmp_path)
    assert levels.now == SoundLevels()
    assert levels.turn_click(-0.3) == "click at 70 of 100"
    assert levels.mute_tone() == "the tone is off"
    assert Levels(tmp_path).now == levels.now == recall_sound(tmp_path) == SoundLevels(0.7, False, 1.0, True)
    assert levels.mute_tone() == "the tone is on" and not recall_sound(tmp_path).tone_muted


@pytest.mark.parametrize("turn", [Levels.turn_click, Levels.turn_tone])
def test_a_level_turned_down_is_still_one_and_none_is_louder_than_full(tmp_path: Path, turn: object) -> None:
    levels = Levels(tmp_path)
    assert turn(levels, 1.0).endswith("at 100 of 100")  # type: ignore[operator]
    assert turn(levels, -3.0).endswith("at 5 of 100")  # type: ignore[operator]


def test_it_begins_muted_where_that_is_asked_and_that_is_no_choice_to_be_kept(tmp_path: Path) -> None:
    assert Levels(tmp_path, click_muted=True).now.click_muted
    assert not Levels(tmp_path).now.click_muted


def test_where_it_cannot_be_kept_that_is_said_and_it_holds_for_now(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    levels = Levels(tmp_path / "file")
    assert "can't be remembered" in levels.mute_click()
    assert levels.now.click_muted
