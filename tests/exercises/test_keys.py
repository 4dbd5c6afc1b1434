"""A figure in other keys: intervals and signatures by music21, every one written and read back."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import music21
import pytest
from exercises.exercise_checks import assert_sound
from exercises.scored import music21_names, music21_pitch, our_names, scored
from hypothesis import given, settings
from hypothesis import strategies as st
from practice.made import passage

from companion import charts
from companion.errors import UsageError
from companion.exercises import REGISTRY
from companion.exercises.hard_bars import chosen_bars
from companion.exercises.keys import WAYS
from companion.passage import Note, Passage, Pitch, Slur, Trill
from companion.planning import plan
from companion.scores import read

HORNS = ("alto", "baritone", "soprano", "tenor")
PASSAGES = Path(__file__).parents[2] / "shared" / "passages"
TUNES = {name: read(PASSAGES / f"{name}.musicxml") for name in ("etude-e-minor", "first-steps", "waltz-in-f")}


def _made(tune: Passage, horn: str = "alto", **options: str | int) -> Passage:
    chart = charts.load(horn)
    return REGISTRY["keys"](tune, plan(tune, chart), chart, **options)


def _figures(made: Passage, bars: int) -> list[list[Note]]:
    count = len(made.bars) // bars
    return [[note for note in made.notes if note.bar // bars == place] for place in range(count)]


def _tonic(fifths: int, mode: str) -> music21.pitch.Pitch:
    return music21.key.KeySignature(fifths).asKey(mode).tonic


@pytest.mark.parametrize("horn", HORNS)
@pytest.mark.parametrize("by", WAYS)
@pytest.mark.parametrize("name", TUNES)
def test_every_figure_is_the_first_one_moved_by_an_interval(name: str, by: str, horn: str, tmp_path: Path) -> None:
    """The interval is that of the tonics, as music21 has it: letters and semitones."""
    tune, chart = TUNES[name], charts.load(horn)
    made = _made(tune, horn, by=by)
    assert_sound(made, chart)
    assert music21_names(made, tmp_path) == our_names(made)
    first, last = chosen_bars(tune, plan(tune, chart), chart, "")
    size = last - first + 1
    figures = _figures(made, size)
    assert len(figures) == 12
    assert len({made.bars[size * place].fifths % 12 for place in range(12)}) == 12
    mode = tune.bars[0].mode
    for place, figure in enumerate(figures):
        bar = made.bars[size * place]
        keys = _tonic(made.bars[0].fifths, mode), _tonic(bar.fifths, mode)
        wanted = music21.interval.Interval(*keys)
        for note, one in zip(figure, figures[0], strict=True):
            moved = music21_pitch(one.written).transpose(wanted)
            assert music21_pitch(note.written).name == moved.name
            assert (note.start - bar.start, note.length) == (one.start, one.length)
            assert (note.tongued, note.articulations) == (one.tongued, one.articulations)
        shifts = {note.written_midi - one.written_midi for note, one in zip(figure, figures[0], strict=True)}
        assert len(shifts) == 1


def test_the_ways_through_the_keys() -> None:
    tune = passage("C5:1 D5:1 E5:1 C5:1")
    ways = {by: [f[0].written_midi for f in _figures(_made(tune, by=by), 1)] for by in WAYS}
    assert ways["chromatic"] == list(range(72, 84))
    assert ways["step"] == [72, 74, 76, 78, 80, 82, 73, 75, 77, 79, 81, 83]
    assert [midi % 12 for midi in ways["fourths"]] == [0, 5, 10, 3, 8, 1, 6, 11, 4, 9, 2, 7]
    assert all(abs(midi - 72) <= 6 for midi in ways["fourths"])


def test_where_the_horn_ends_it_goes_on_an_octave_lower() -> None:
    tune = passage("C6:1 D6:1 E6:1 C6:1")
    firsts = [figure[0].written_midi for figure in _figures(_made(tune, by="chromatic"), 1)]
    assert firsts == [84, 85, 86, *range(75, 84)]


def test_a_figure_too_wide_for_the_horn_is_left_out_and_said() -> None:
    tune = passage("B-3:1 F#6:1 D5:1 C5:1".replace("B-3", "Bb3"))
    made = _made(tune, by="chromatic")
    assert [note.written for note in made.notes] == [note.written for note in tune.notes]
    assert made.purpose.endswith(
        "too wide for the horn in D♭ major, D major, E♭ major, E major, F major, F♯ major, G major, A♭ major, A major,"
        " B♭ major, B major"
    )
    # The baritone's low A is one semitone more.
    assert len(_made(tune, "baritone", by="chromatic").notes) == 2 * len(tune.notes)


@pytest.mark.parametrize("count", [1, 2, 7, 12])
def test_as_many_keys_as_asked(count: int) -> None:
    made = _made(TUNES["first-steps"], bars="3", count=count)
    assert len(made.bars) == count
    assert [mark.text for mark in made.tempos][:2] == ["G major ♩ = 72", "C major"][:count]
    assert made.title == "Bar 3 in other keys, by fourths"


def test_of_two_names_of_a_key_the_one_with_fewer_double_signs() -> None:
    """E minor with its raised leading note: G♯ minor would need F𝄪, and A♭ minor doesn't."""
    made = _made(passage("E5:1 D#5:1 E5:1 G5:1", fifths=1), by="chromatic")
    names = {mark.text.partition(" ♩")[0]: made.bars[i] for i, mark in enumerate(made.tempos)}
    assert "A♭ minor" in names and "E♭ minor" in names and "C♯ minor" in names
    assert all(abs(note.written.alter) < 2 for note in made.notes)
    plain = _made(passage("E5:1 D5:1 E5:1 G5:1 E5:4", fifths=1), by="chromatic", bars="1-2")
    assert 5 in {bar.fifths for bar in plain.bars} and -7 not in {bar.fifths for bar in plain.bars}


def test_slurs_ties_graces_trills_and_marks_go_along(tmp_path: Path) -> None:
    music = passage("C5:1 g:D5 E5:1 F5:3/2 G5:1/2 A5:3 B5:1")
    notes = list(music.notes)
    notes[0] = replace(notes[0], articulations=frozenset({"tenuto", "accent"}))
    notes[2] = replace(notes[2], trill=Trill(Pitch("F", 0, 5)))
    notes[4] = replace(notes[4], tongued=False)
    notes[5] = replace(notes[5], fermata=True, ornaments=frozenset({"mordent"}))
    tune = replace(music, notes=tuple(notes), slurs=(Slur(3, 4),))
    made = _made(tune, bars="1-2", by="step", count=2)
    assert_sound(made, charts.load("alto"))
    assert [str(note.written) for note in made.notes[7:]] == ["D5", "E5", "F♯5", "G5", "A5", "B5", "C♯6"]
    for note, one in zip(made.notes[7:], tune.notes, strict=True):
        assert (note.length, note.grace, note.articulations, note.ornaments, note.fermata, note.tongued) == (
            one.length, one.grace, one.articulations, one.ornaments, one.fermata, one.tongued,
        )  # fmt: skip
    assert made.notes[9].trill == Trill(Pitch("G", 0, 5))
    assert made.slurs == (Slur(3, 4), Slur(10, 11))


def test_fingerings_over_the_notes_stay_where_they_were_written() -> None:
    music = passage("A4:1 Bb4:1 A4:1 F4:1", fifths=-1)
    tune = replace(music, notes=tuple(replace(n, fingering_mark="side" * (n.index == 1)) for n in music.notes))
    made = _made(tune)
    assert [note.fingering_mark for note in made.notes] == ["", "side", "", "", *[""] * 44]


def test_an_upbeat_is_filled_with_a_rest_before_it() -> None:
    tune = passage("G4:1/2 A4:1/2 B4:4", upbeat=1)
    made = _made(tune, bars="0-1", count=2)
    assert [bar.length for bar in made.bars] == [4] * 4
    assert [note.start for note in made.notes] == [3, Fraction(7, 2), 4, 11, Fraction(23, 2), 12]


def test_a_key_without_a_mode_is_that_of_the_notes(tmp_path: Path) -> None:
    made = _made(scored(tmp_path, "E5:1 D#5 E5 B4 E5 G5 F#5 E5", fifths=1), bars="1", count=1)
    assert made.tempos[0].text.startswith("E minor")


@pytest.mark.parametrize(
    "options, said",
    [
        ({"by": "thirds"}, "there are fourths, step, chromatic"),
        ({"count": 13}, "give 1 to 12"),
        ({"count": -1}, "give 1 to 12"),
        ({"bars": "99"}, "no bar '99'"),
    ],
)
def test_what_makes_no_sense_is_said(options: dict[str, str | int], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        _made(TUNES["first-steps"], **options)


def test_bars_of_rests_are_nothing_to_move() -> None:
    with pytest.raises(UsageError, match="no note in bar 2"):
        _made(passage("G4:4 r:4 A4:4"), bars="2")


@st.composite
def music(draw: st.DrawFn) -> Passage:
    """Up to three bars over the whole horn, in any key and metre, with slurs and accidentals."""
    beats, beat_type = draw(st.sampled_from([(4, 4), (3, 4), (6, 8), (5, 8), (2, 2)]))
    full = Fraction(4 * beats, beat_type) * draw(st.integers(1, 3))
    words, at = [], Fraction(0)
    names = [f"{letter}{sign}{octave}" for letter in "CDEFGAB" for sign in ("", "#", "b") for octave in (4, 5)]
    while at < full:
        length = min(draw(st.sampled_from([Fraction(1, 4), Fraction(1, 2), Fraction(1), Fraction(3)])), full - at)
        words.append(f"{draw(st.sampled_from([*names, 'r', 'Bb3', 'F6', 'D6']))}:{length}")
        at += length
    made = passage(" ".join(words), (beats, beat_type), fifths=draw(st.integers(-7, 7)))
    first = draw(st.integers(0, max(len(made.notes) - 1, 0)))
    last = draw(st.integers(0, max(len(made.notes) - 1, 0)))
    if first >= last:
        return made
    notes = tuple(replace(note, tongued=not first < note.index <= last) for note in made.notes)
    return replace(made, notes=notes, slurs=(Slur(first, last),))


@settings(max_examples=40)
@given(tune=music(), horn=st.sampled_from(HORNS), by=st.sampled_from(list(WAYS)), count=st.integers(0, 12))
def test_any_figure_stays_playable_in_every_key(tune: Passage, horn: str, by: str, count: int) -> None:
    if not tune.notes:
        return
    bars = f"{tune.bars[tune.notes[0].bar].number}-{tune.bars[-1].number}"
    made = _made(tune, horn, bars=bars, by=by, count=count)
    assert_sound(made, charts.load(horn))
    assert max(abs(bar.fifths) for bar in made.bars) <= 7
    # Every key is there, or it is said why not.
    _, _, without = made.purpose.partition("too wide for the horn in ")
    left_out = without.split(", ") if without else []
    played = [mark.text.partition(" ♩")[0] for mark in made.tempos]
    assert len(played) + len(left_out) == len({*played, *left_out}) == (count or 12)
