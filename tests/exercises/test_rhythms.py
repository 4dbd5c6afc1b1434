"""Rhythm changes: the pitches in order, the lengths added up, the accents where they should be."""

from __future__ import annotations

from fractions import Fraction as F
from itertools import pairwise
from pathlib import Path

import pytest
from exercises.exercise_checks import assert_sound, planned
from practice.made import passage

from companion import charts
from companion.errors import UsageError
from companion.exercises import REGISTRY
from companion.exercises.rhythms import RHYTHM_KINDS
from companion.passage import Note, Passage, TempoMark
from companion.planning import plan
from companion.scores import read

CHART = charts.load("alto")
ETUDE = read(Path(__file__).parents[2] / "shared" / "passages" / "etude-e-minor.musicxml")
STEPS = ("C5", "D5", "E5", "F5", "G5", "A5", "B5", "C6", "B5", "A5", "G5", "F5", "E5", "D5", "C5", "B4")
SCALE = " ".join(f"{step}:1/4" for step in STEPS) + " C5:4"


def made_of(tune: Passage | str, **options: str | int) -> Passage:
    music = passage(tune) if isinstance(tune, str) else tune
    return REGISTRY["rhythms"](music, plan(music, CHART), CHART, **{"times": 1, **options})


def lengths(notes: tuple[Note, ...]) -> list[F]:
    return [note.length for note in notes]


def names(made: Passage) -> str:
    return " ".join(str(note.written) for note in made.notes)


def gaps(made: Passage) -> list[F]:
    return [after.start - before.start for before, after in pairwise(made.notes)]


@pytest.mark.parametrize(
    "kind, wanted",
    [
        ("long-short", [F(3, 4), F(1, 4)] * 8),
        ("short-long", [F(1, 4), F(3, 4)] * 8),
        ("long-two-short", [F(1, 2), F(1, 4), F(1, 4)] * 5 + [F(1, 2)]),
        ("two-short-long", [F(1, 4), F(1, 4), F(1, 2)] * 5 + [F(1, 4)]),
        ("triplets", [F(1, 3)] * 16),
        ("fours", [F(1, 4)] * 16),
        ("bursts-3", [F(1, 4), F(1, 4), F(3, 2)] * 5 + [F(1, 4)]),
        ("bursts-4", [F(1, 4), F(1, 4), F(1, 4), F(5, 4)] * 4),
        ("bursts-5", [F(1, 4)] * 4 + [F(1)] + [F(1, 4)] * 4 + [F(1)] + [F(1, 4)] * 4 + [F(1)] + [F(1, 4)]),
        ("accents-3", [F(1, 4)] * 16),
    ],
)
def test_when_each_note_of_a_run_of_sixteenths_comes(kind: str, wanted: list[F]) -> None:
    made = made_of(SCALE, bars="1", kind=kind)
    assert [note.written for note in made.notes] == [note.written for note in passage(SCALE).notes]
    assert gaps(made) == wanted
    assert_sound(made, CHART)


def test_every_change_is_at_full_speed_in_one_burst_or_another() -> None:
    made = made_of(SCALE, bars="1", kind="bursts")
    fast = {
        pair for pair, gap in zip(pairwise(n.written for n in made.notes), gaps(made), strict=True) if gap == F(1, 4)
    }
    assert fast >= set(pairwise(note.written for note in passage(SCALE).notes))


def test_accents_lie_beside_the_beat_and_begin_slurs() -> None:
    for place in (2, 3, 4):
        made = made_of(SCALE, bars="1", kind=f"accents-{place}")
        accented = [note for note in made.notes if note.articulations]
        assert [note.count % 1 for note in accented] == [F(place - 1, 4)] * 4
        assert all(note.tongued for note in accented) and {slur.first for slur in made.slurs} >= {
            n.index for n in accented
        }


def test_all_rhythms_stand_one_after_another_under_their_names() -> None:
    made = made_of(ETUDE)
    headings = [mark.text for mark in made.tempos]
    assert headings[:2] == ["Long, short ♩ = 96", "Short, long"] and len(headings) == 11
    assert "In triplets" in headings and "In fours" not in headings
    run = [note.written for note in made.notes[:17]]
    assert [note.written for note in made.notes] == run * 11
    assert made.notes[0].written in {note.written for note in ETUDE.notes if note.bar == 14}


def test_the_planned_fingerings_stay() -> None:
    music = plan(ETUDE, CHART)
    held_against = 0
    for index, bar in enumerate(ETUDE.bars):
        notes = [note.index for note in ETUDE.notes if note.bar == bar.index]
        try:
            made = REGISTRY["rhythms"](ETUDE, music, CHART, bars=bar.number, times=1)
        except UsageError:
            continue
        goal = [notes[-1] + 1] if index + 1 < len(ETUDE.bars) else []
        size = len(notes) + len(goal)
        if len(made.notes) % size or made.notes[size].written != made.notes[0].written:
            continue
        held_against += 1
        wanted = [music.choices[i].fingering for i in (*notes, *goal)]
        assert [choice.fingering for choice in planned(made, CHART).choices] == wanted * (len(made.notes) // size)
    assert held_against > 8


def test_triplets_are_as_fast_as_in_the_music_and_grouped_by_four() -> None:
    words = " ".join(f"{name}:1/3" for name in ("C5", "D5", "E5", "F5", "G5", "A5") * 2) + " C5:4"
    tune = passage(words, tempos=(TempoMark(F(0), 96, "♩ = 96"),))
    made = made_of(tune, bars="1", kind="fours")
    assert made.marked_tempo_bpm() == 72 and set(lengths(made.notes[:12])) == {F(1, 4)}
    assert F(1, 4) / 72 == F(1, 3) / 96
    headings = [mark.text for mark in made_of(tune, bars="1").tempos]
    assert "In fours" in headings and "In triplets" not in headings


def test_what_is_taken_of_mixed_music() -> None:
    """Uneven notes become even, a rest and a held note end a run, ties are one, grace notes are left out."""
    mixed = "C5:1/2 D5:1/4 g:C6 E5:1/4 F5:3/4 G5:1/4 r:1/2 A5:1/4 B5:1/4 C6:1/4 B5:1/4 A5:1/4 G5:1/4 C5:4"
    made = made_of(mixed, bars="1", kind="fours")
    assert names(made) == "C5 D5 E5 F5 G5 A5 B5 C6 B5 A5 G5 C5"
    assert next(note.start for note in made.notes if note.written.step == "A") == 4
    held = "C5:1/4 D5:1/4 E5:1/4 F5:2 G5:1/4 A5:1/4 B5:1/4 C6:1/4 r:1/2"
    assert names(made_of(held, kind="fours")) == "C5 D5 E5 F5 G5 A5 B5 C6"
    again = made_of("C5:1/4 C5:1/4 D5:1/4 D5:1/4 E5:1/4 E5:1/4 F5:5/2", kind="long-short")
    assert [note.tongued for note in again.notes[:6]] == [True, True, False, True, False, True]


def test_quarters_become_eighths() -> None:
    made = made_of("C5:1 D5:1 E5:1 F5:1 G5:4", bars="1", kind="long-short")
    assert lengths(made.notes[:4]) == [F(3, 2), F(1, 2)] * 2 and made.marked_tempo_bpm() == 92


def test_a_short_run_gets_no_rhythm_twice() -> None:
    made = made_of("C5:1/4 D5:1/4 E5:1/4 F5:1/4 G5:3", bars="1")
    headings = [mark.text for mark in made.tempos]
    assert "Five and a rest" not in headings and "Accent on 2" not in headings and "Four and a rest" in headings


@pytest.mark.parametrize(
    "tune, options, said",
    [
        (SCALE, {"kind": "waltz"}, f"no rhythm 'waltz'; there are {', '.join(RHYTHM_KINDS)}"),
        (SCALE, {"times": 9}, "1 to 8 times, not 9"),
        (SCALE, {"bars": "7"}, "no bar '7'"),
        (SCALE, {"bars": "2"}, "bar 2 has no run of 4 notes without a rest; there is one in bar 1"),
        ("C5:1 r:1 D5:1 r:1", {}, "this passage has no run of 4 notes"),
    ],
)
def test_what_makes_no_sense_is_said(tune: str, options: dict[str, str | int], said: str) -> None:
    with pytest.raises(UsageError, match=said.replace("(", r"\(")):
        made_of(tune, **options)


def test_the_title_names_the_bars_whose_notes_are_taken() -> None:
    assert made_of(ETUDE, bars="1-3", kind="fours").title == "Rhythms: bars 1, 2 and 3"
    assert made_of(SCALE, bars="1-2", kind="fours").title == "Rhythms: bar 1"


@pytest.mark.parametrize("text", ["3/4", "1/3", "1/6", "3/8"])
def test_another_value_has_a_tempo_that_a_metronome_has(text: str) -> None:
    tune = passage(" ".join(f"{name}:{text}" for name in ("G4", "A4", "B4", "C5", "D5", "C5")))
    made = made_of(tune, kind="bursts-3")
    tempo_bpm, short = made.marked_tempo_bpm(), made.notes[1].start
    assert tempo_bpm == int(tempo_bpm)
    # As fast as in the music, within half a beat of the metronome.
    assert float(short / F(text)) * tune.marked_tempo_bpm() == pytest.approx(tempo_bpm, abs=0.5)
