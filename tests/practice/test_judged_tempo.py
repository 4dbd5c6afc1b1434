"""What is written of the tempo: its note, how it moved, and that a change in the score is not the player's."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from companion.passage import Passage, TempoMark, TempoWords
from companion.practice.judged_tempo import tempo_held
from companion.practice.model import PlayedArray
from companion.practice.own_time import OwnTime, find_own_time, new_tempos
from tests.practice.made import exact, passage
from tests.practice.takes import melody

MUSIC = melody(3, bars=12)


def marked(music: Passage, *tempos: tuple[int, float]) -> Passage:
    return replace(music, tempos=tuple(TempoMark(music.bars[bar].start, bpm, f"♩ = {bpm:g}") for bar, bpm in tempos))


def said(music: Passage, played: PlayedArray) -> str:
    return tempo_held(music, find_own_time(music, played)).sentence


def at_levels(music: Passage, *levels: tuple[int, float]) -> PlayedArray:
    """From each bar on in this tempo, whatever the score says."""
    beats = [float(music.bars[bar].start) for bar, _ in levels] + [float(music.end)]
    times_s = [0.0]
    for (_, bpm), begin, end in zip(levels, beats, beats[1:], strict=False):
        times_s.append(times_s[-1] + (end - begin) * 60 / bpm)
    played = exact(replace(music, tempos=()), 60)
    for name in ("onset_s", "offset_s"):
        played[name] = np.interp(played[name], beats, times_s)
    return played


@pytest.mark.parametrize(
    ("metre", "text", "printed_bpm", "says"),
    [
        # The note that the metre counts: common practice, no source.
        (
            (6, 8),
            "C5:3/2 D5:1/2 E5:1/2 D5:1/2 G4:1/2 A4:1/2 B4:1/2 C5:1 D5:1/2 ",
            90.0,
            "dotted quarter went at about 56",
        ),
        ((2, 2), "C5:2 E5:1 D5:1 G4:1 A4:1 B4:2 ", 100.0, "half note went at about 42"),
        ((5, 4), "C5:3/2 E5:1/2 D5:1 G4:1/2 A4:1/2 B4:1 ", 90.0, "quarter went at about 84"),
    ],
)
def test_the_note_that_the_metre_counts_is_named(
    metre: tuple[int, int], text: str, printed_bpm: float, says: str
) -> None:
    music = passage(text * 6, metre=metre, tempos=(TempoMark(Fraction(0), printed_bpm, "Andante"),))
    sentence = said(music, exact(music, 84))
    unit_bpm = {"dotted": 60, "half n": 50, "quarte": 90}[says[:6]]
    assert says in sentence and f"(printed {unit_bpm}) and held" in sentence


def test_a_new_tempo_in_the_score_is_not_the_players_doing_though_taken_otherwise() -> None:
    music = marked(MUSIC, (0, 96.0), (6, 72.0))
    # In proportion it would be 60; 64 is near enough to call it taken.
    for after_bpm in (60, 64, 56):
        assert said(music, at_levels(music, (0, 80), (6, after_bpm))) == (
            "The quarter went at about 80 (printed 96) and held: most bars within 1 % of it."
        )


def test_a_new_tempo_passed_over_is_told() -> None:
    music = marked(MUSIC, (0, 96.0), (6, 72.0))
    assert said(music, at_levels(music, (0, 80))) == (
        "The quarter went at about 80 (printed 96); it stayed the same from bar 7 on, though a new tempo is printed"
        " there (60 would follow)."
    )
    assert "from bar 7 on about 92, though" in said(music, at_levels(music, (0, 80), (6, 92)))


def test_a_tempo_that_grows_over_few_bars_is_no_step() -> None:
    music = melody(3, bars=8)
    own = OwnTime(80.0, 0.0, np.zeros(0), np.array([75, 75, 76, np.nan, 83, 83, 84, 60]))
    assert "it grew faster all the way" in tempo_held(music, own).sentence


def test_a_tempo_that_goes_over_at_once_did_not_grow_all_the_way() -> None:
    music = MUSIC
    assert said(music, at_levels(music, (0, 80), (6, 92))).endswith("; from bar 7 on it was faster, 92 after 80.")


def with_bars(*bar_bpm: float) -> OwnTime:
    return OwnTime(80.0, 0.0, np.zeros(0), np.array([*bar_bpm, 40.0]))


def test_a_few_bars_that_went_off_did_not_grow_all_the_way() -> None:
    """Eight bars, four of them in one tempo and the next three hurried after a slip: no number of a slope through them
    (here from 113 to 132) is a tempo that was played."""
    music = melody(3, bars=8)
    bar_bpm = np.array([116.6, 116.0, 117.0, 114.5, 153.2, 150.3, 132.0, np.nan])
    held = tempo_held(music, OwnTime(138.0, 0.0, np.zeros(0), bar_bpm))
    assert held.complaint == "faster in bars 5, 6 and 7, at about 145"
    assert "all the way" not in held.sentence


def test_a_tempo_that_moves_within_the_second_part_is_told_in_its_own_numbers() -> None:
    music = marked(MUSIC, (0, 96.0), (4, 72.0))
    sentence = tempo_held(music, with_bars(80, 81, 79, 80, 80, 80, 88, 88, 79, 80, 81)).sentence
    # 88 of the first tempo's 80 are 66 of the second one's 60.
    assert sentence.endswith("; faster in bars 7 and 8, at about 66.")


def test_bars_far_apart_in_tempo_held_on_the_whole_at_most() -> None:
    two_of_eleven = with_bars(80, 80, 87, 80, 80, 80, 88, 80, 80, 80, 80)
    assert "held on the whole: most bars within 9 %" in tempo_held(MUSIC, two_of_eleven).sentence


def test_the_last_bar_and_one_with_a_fermata_may_broaden() -> None:
    held = next(note.index for note in MUSIC.notes if note.bar == 5)
    music = replace(MUSIC, notes=tuple(replace(note, fermata=note.index == held) for note in MUSIC.notes))
    own = with_bars(80, 80, 80, 80, 80, 50, 80, 80, 80, 80, 80)
    assert "held: most bars within 1 %" in tempo_held(music, own).sentence
    assert "within 1 %" in tempo_held(MUSIC, with_bars(*[80] * 11)).sentence


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ({}, "slower in bars 6 and 7, at about 68"),
        ({5: "rit.", 7: "a tempo"}, "held: most bars within 1 %"),
        # Believed for four bars where nothing ends it.
        ({4: "molto ritardando"}, "held: most bars within 1 %"),
        ({1: "rit."}, "slower in bars 6 and 7, at about 68"),
    ],
)
def test_a_written_ritardando_is_nobodys_fault(words: dict[int, str], says: str) -> None:
    music = replace(MUSIC, tempo_words=tuple(TempoWords(MUSIC.bars[bar].start, text) for bar, text in words.items()))
    own = with_bars(80, 80, 80, 80, 80, 70, 66, 80, 80, 80, 80)
    assert says in tempo_held(music, own).sentence


def test_a_ritardando_with_a_number_is_no_new_tempo_to_be_taken() -> None:
    marks = ((0, 96.0, "Allegro"), (5, 60.0, "rall."), (7, 96.0, "a tempo"))
    music = replace(MUSIC, tempos=tuple(TempoMark(MUSIC.bars[bar].start, bpm, text) for bar, bpm, text in marks))
    # Hardly slower at all: as far as it goes is the player's to say.
    played = at_levels(music, (0, 80), (5, 76), (7, 80))
    assert "(printed 96) and held: most bars within" in said(music, played)


def test_a_tempo_that_only_playback_knows_is_not_asked_of_the_player() -> None:
    music = marked(MUSIC, (0, 96.0), (6, 72.0))
    unprinted = replace(music, tempos=(music.tempos[0], replace(music.tempos[1], text="")))
    assert said(unprinted, at_levels(unprinted, (0, 80))) == (
        "The quarter went at about 80 (printed 96) and held: most bars within 1 % of it."
    )
    nothing_printed = replace(music, tempos=tuple(replace(mark, text="") for mark in music.tempos))
    assert said(nothing_printed, at_levels(nothing_printed, (0, 48))).startswith(
        "The quarter went at about 48 and held"
    )


def test_the_steps_of_a_ritardando_in_playback_belong_to_it() -> None:
    marks = ((0, 96.0, "Allegro"), (5, 80.0, "rit."), (6, 60.0, ""), (7, 96.0, "a tempo"))
    music = replace(MUSIC, tempos=tuple(TempoMark(MUSIC.bars[bar].start, bpm, text) for bar, bpm, text in marks))
    assert new_tempos(music) == [MUSIC.bars[7].start]
    played = at_levels(music, (0, 80), (5, 74), (6, 66), (7, 80))
    assert "(printed 96) and held: most bars within" in said(music, played)
    alone = replace(music, tempos=(music.tempos[0], replace(music.tempos[2], text="")))
    assert new_tempos(alone) == [MUSIC.bars[6].start]


def test_words_for_a_new_tempo_part_what_is_judged() -> None:
    music = replace(MUSIC, tempo_words=(TempoWords(MUSIC.bars[6].start, "Meno mosso"),))
    played = at_levels(music, (0, 80), (6, 68))
    assert "at about 80 and held: most bars within 1 %" in said(music, played)
    assert "from bar 7 on it was slower, 68 after 80" in said(MUSIC, played)


@pytest.mark.parametrize(
    ("bpm", "says"), [(48, "far below the printed 96"), (130, "far above the"), (80, "(printed 96)")]
)
def test_a_tempo_far_from_the_printed_one_is_told_as_such(bpm: float, says: str) -> None:
    music = marked(MUSIC, (0, 96.0))
    assert says in said(music, exact(music, bpm))


def test_too_little_says_so() -> None:
    music = passage("C4:2 D4:2")
    assert tempo_held(music, None).sentence == "Too little was played to tell the tempo."
    few = passage("C4:1 D4:1 E4:1 F4:1 G4:4")
    assert said(few, exact(few, 80)).endswith("; too few bars to tell whether it held.")
