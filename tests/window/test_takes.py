"""What the stand says of a finished take, from takes played by hand: late by one amount, or at another pitch."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from window.stand_tools import make_setup, playable

from companion.practice.clock import note_onsets_s
from companion.practice.hurdle import Hurdle
from companion.practice.ladder import Step
from companion.practice.model import RawEvent
from companion.practice.rehearsal import FinishedTake, Rehearsal
from companion.units import NS_PER_S, ns_from_s
from companion.window.takes import said_after

PASSAGE = playable(bars=4)


def play(folder: Path, late_s: float = 0.0, shift: int = 0) -> FinishedTake:
    """One take, every note late by the same and off by so many semitones."""
    setup = make_setup(PASSAGE, folder)
    rehearsal = Rehearsal(PASSAGE, setup.plan, setup.ladder, chart=setup.chart)
    rehearsal.begin(NS_PER_S, 0)
    for note, onset_s in zip(PASSAGE.notes, note_onsets_s(PASSAGE, rehearsal.tempo_bpm).tolist(), strict=True):
        at_ns = NS_PER_S + ns_from_s(onset_s + late_s)
        rehearsal.hear([RawEvent(at_ns, bytes((0x90, note.written_midi + shift, 80)))], at_ns)
    take = rehearsal.finish(at_ns + NS_PER_S)
    assert take is not None
    return take


def test_a_take_as_written_needs_no_word(tmp_path: Path) -> None:
    assert said_after(play(tmp_path), simulated=False) == ""


def test_a_steady_delay_may_be_the_set_ups(tmp_path: Path) -> None:
    take = play(tmp_path, late_s=0.06)
    assert said_after(take, simulated=False).startswith("all notes come +60 ms off the click: press D")
    assert said_after(take, simulated=True) == "", "the simulated player has no set-up"


@pytest.mark.parametrize(
    ("shift", "words"),
    [(12, "an octave higher"), (-12, "an octave lower"), (-9, "9 semitones lower"), (1, "a semitone higher")],
)
def test_another_pitch_is_told_by_how_much(tmp_path: Path, shift: int, words: str) -> None:
    take = play(tmp_path, shift=shift)
    assert said_after(take, simulated=False) == (
        f"all notes come {words} than written: press C to check what the controller sends"
    )


def test_a_rung_that_is_held_offers_its_spot_to_the_simulated_player_too(tmp_path: Path) -> None:
    take = play(tmp_path)
    hurdle = Hurdle(5, 4, 90.0, True, "G to B♭ side", "bar 2", 1, 1, "bar 2", "")
    held = replace(take, step=Step("hold", "", hurdle))
    words = "press K to take bar 2 alone, + for the next rung all the same"
    assert said_after(held, simulated=True) == said_after(held, simulated=False) == words
    assert not said_after(replace(take, step=Step("climb", "", hurdle)), simulated=False)
