"""Scales over the whole horn: spelling and intervals against music21, every one written and read back."""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from pathlib import Path

import music21
import pytest
from exercises.exercise_checks import assert_sound
from exercises.scored import music21_names, music21_pitch, our_names
from hypothesis import given, settings
from hypothesis import strategies as st
from practice.made import passage

from companion import charts
from companion.charts.model import Chart
from companion.errors import UsageError
from companion.exercises import REGISTRY
from companion.exercises.keys_of import Key, key_named, keys_for, keys_from
from companion.exercises.scales import KINDS
from companion.passage import Passage
from companion.planning import Plan, plan
from companion.scores import read

HORNS = ("alto", "baritone", "soprano", "tenor")
MAJORS = ("D-flat", "A-flat", "E-flat", "B-flat", "F", "C", "G", "D", "A", "E", "B", "F-sharp")
MINORS = ("E-flat", "B-flat", "F", "C", "G", "D", "A", "E", "B", "F-sharp", "C-sharp", "G-sharp")
MUSIC21 = {
    "major": music21.scale.MajorScale,
    "thirds": music21.scale.MajorScale,
    "natural-minor": music21.scale.MinorScale,
    "harmonic-minor": music21.scale.HarmonicMinorScale,
}
ARPEGGIOS = {
    "arpeggio-major": "isMajorTriad",
    "arpeggio-minor": "isMinorTriad",
    "arpeggio-dominant": "isDominantSeventh",
    "arpeggio-diminished": "isDiminishedSeventh",
}


@pytest.fixture(scope="module")
def tune() -> Passage:
    return _tune()


@cache
def _tune() -> Passage:
    return read(Path(__file__).parents[2] / "shared" / "passages" / "etude-e-minor.musicxml")


@cache
def _horn(name: str) -> tuple[Chart, Plan]:
    chart = charts.load(name)
    return chart, plan(_tune(), chart)


def _scale(tune: Passage, horn: str, **options: str | int) -> Passage:
    chart, planned = _horn(horn)
    return REGISTRY["scales"](tune, planned, chart, **options)


def _names(passage: Passage) -> set[str]:
    return {note.written.name for note in passage.notes}


def _music21_name(name: str) -> str:
    return name.replace("-sharp", "#").replace("-flat", "-")


def _ours(name: str) -> str:
    return name.replace("-", "♭").replace("##", "♯♯").replace("#", "♯")


@pytest.mark.parametrize("horn", HORNS)
@pytest.mark.parametrize("kind", MUSIC21)
def test_spelled_as_music21_spells_the_scale(tune: Passage, kind: str, horn: str) -> None:
    for key in MAJORS if KINDS[kind][0] == "major" else MINORS:
        theirs = MUSIC21[kind](_music21_name(key)).getPitches()
        assert _names(_scale(tune, horn, kind=kind, key=key)) == {_ours(pitch.name) for pitch in theirs}


@pytest.mark.parametrize("kind", ["major", "natural-minor", "harmonic-minor", "melodic-minor"])
@pytest.mark.parametrize("horn", HORNS)
def test_a_scale_goes_by_seconds(tune: Passage, kind: str, horn: str) -> None:
    """By music21's intervals: letter to letter, a half or a whole tone; three halves in the harmonic minor only."""
    sizes = {1, 2, 3} if kind == "harmonic-minor" else {1, 2}
    for key in MAJORS if kind == "major" else MINORS:
        made = [music21_pitch(note.written) for note in _scale(tune, horn, kind=kind, key=key).notes]
        steps = [music21.interval.Interval(a, b) for a, b in pairwise(made)]
        assert {step.generic.undirected for step in steps} == {2}
        assert {abs(step.semitones) for step in steps} == sizes


@pytest.mark.parametrize("horn", HORNS)
def test_the_chromatic_scale_rises_in_sharps_and_falls_in_flats(tune: Passage, horn: str) -> None:
    for key in MAJORS:
        made = [music21_pitch(note.written) for note in _scale(tune, horn, kind="chromatic", key=key).notes]
        assert {abs(b.midi - a.midi) for a, b in pairwise(made)} == {1}
        for a, b in pairwise(made):
            assert b.accidental is None or b.alter == 0 or (b.alter > 0) == (b.midi > a.midi)


@pytest.mark.parametrize("horn", HORNS)
def test_melodic_minor_rises_and_falls_as_music21_has_it(tune: Passage, horn: str) -> None:
    for key in MINORS:
        scale = music21.scale.MelodicMinorScale(_music21_name(key))
        made = [note.written for note in _scale(tune, horn, kind="melodic-minor", key=key).notes]
        top = max(range(len(made)), key=lambda i: made[i].midi)
        bottom = min(range(top, len(made)), key=lambda i: made[i].midi)
        rising = {_ours(pitch.name) for pitch in scale.getPitches(direction=music21.scale.Direction.ASCENDING)}
        falling = {_ours(pitch.name) for pitch in scale.getPitches(direction=music21.scale.Direction.DESCENDING)}
        assert {pitch.name for pitch in made[: top + 1]} == rising
        # A turn on the raised sixth or seventh goes down over the raised ones to the fifth.
        turned = next(i for i in range(top, len(made)) if made[i].name in falling)
        assert {pitch.name for pitch in made[top:turned]} <= rising and turned <= top + 2
        assert {pitch.name for pitch in made[turned : bottom + 1]} == falling


@pytest.mark.parametrize("horn", HORNS)
@pytest.mark.parametrize("kind", ARPEGGIOS)
def test_music21_names_the_chord_of_every_arpeggio(tune: Passage, kind: str, horn: str) -> None:
    for key in MAJORS if KINDS[kind][0] == "major" else MINORS:
        names = _names(_scale(tune, horn, kind=kind, key=key))
        chord = music21.chord.Chord([name.replace("♭", "-").replace("♯", "#") for name in sorted(names)])
        assert getattr(chord, ARPEGGIOS[kind])()


@pytest.mark.parametrize("horn", HORNS)
@pytest.mark.parametrize("octaves", [0, 1, 2])
def test_thirds_are_thirds_in_every_key(tune: Passage, horn: str, octaves: int) -> None:
    """By music21's intervals, which go by letters and semitones: a diminished fourth is none."""
    for key in MAJORS:
        made = [note.written for note in _scale(tune, horn, kind="thirds", key=key, octaves=octaves).notes]
        line = made[: len(made) - len(made) % 2]
        for low, high in zip(line[::2], line[1::2], strict=True):
            between = music21.interval.Interval(music21_pitch(low), music21_pitch(high))
            assert between.generic.undirected == 3 and between.semitones in (3, 4, -3, -4)
        assert all(a.midi != b.midi for a, b in pairwise(made))
        assert made[-1] == made[0]


@pytest.mark.parametrize("horn", HORNS)
@pytest.mark.parametrize("kind", ARPEGGIOS)
def test_arpeggios_go_by_thirds_and_one_other_interval(tune: Passage, kind: str, horn: str) -> None:
    """By music21: stacked thirds, closed to the octave by a fourth (triads), a second (sevenths)."""
    closing = 4 if kind in ("arpeggio-major", "arpeggio-minor") else 2
    for key in MAJORS if KINDS[kind][0] == "major" else MINORS:
        made = [music21_pitch(note.written) for note in _scale(tune, horn, kind=kind, key=key).notes]
        sizes = {music21.interval.Interval(a, b).generic.undirected for a, b in pairwise(made)}
        assert sizes == {3, closing}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("octaves", [1, 2])
def test_octaves_go_from_the_lowest_tonic_as_far_as_asked(tune: Passage, kind: str, octaves: int) -> None:
    chart, _ = _horn("tenor")
    for key in MAJORS if KINDS[kind][0] == "major" else MINORS:
        midis = [note.written_midi for note in _scale(tune, "tenor", kind=kind, key=key, octaves=octaves).notes]
        assert midis[0] == midis[-1] == min(midis) < chart.lowest_midi + 12
        if midis[0] + 12 * octaves <= chart.highest_midi:
            assert max(midis) == midis[0] + 12 * octaves
        else:
            assert chart.highest_midi - 5 < max(midis) <= chart.highest_midi


@pytest.mark.parametrize("horn", HORNS)
@pytest.mark.parametrize("kind", KINDS)
def test_full_range_planned_written_and_read_back(tune: Passage, kind: str, horn: str, tmp_path: Path) -> None:
    chart, _ = _horn(horn)
    made = _scale(tune, horn, kind=kind)
    midis = [note.written_midi for note in made.notes]
    if kind in ("major", "chromatic", "thirds"):
        assert (min(midis), max(midis)) == (chart.lowest_midi, chart.highest_midi)
    assert made.notes[-1].end == made.end
    assert all(before.end == after.start for before, after in pairwise(made.notes))
    assert_sound(made, chart)
    assert music21_names(made, tmp_path) == our_names(made)
    keys = [mark.text.partition(" ♩")[0] for mark in made.tempos]
    assert len(set(keys)) == (1 if kind == "chromatic" else 12)


@settings(max_examples=60)
@given(
    kind=st.sampled_from(list(KINDS)),
    horn=st.sampled_from(HORNS),
    fifths=st.integers(-7, 7),
    octaves=st.integers(0, 4),
    lowest=st.integers(0, 80),
    highest=st.integers(60, 127),
)
def test_any_range_gives_a_playable_scale_or_a_reason(
    kind: str, horn: str, fifths: int, octaves: int, lowest: int, highest: int
) -> None:
    chart, _ = _horn(horn)
    name = Key(fifths, KINDS[kind][0]).name
    options = {"kind": kind, "key": name, "octaves": octaves, "lowest": lowest, "highest": highest}
    try:
        made = _scale(_tune(), horn, **options)
    except UsageError as error:
        low, high = max(lowest, chart.lowest_midi), min(highest, chart.highest_midi)
        assert "wider range" in str(error) and high - low < 24
        return
    midis = [note.written_midi for note in made.notes]
    assert lowest <= min(midis) <= max(midis) <= highest
    assert midis[0] == midis[-1] and all(a != b for a, b in pairwise(midis))
    assert_sound(made, chart)


def test_starts_in_the_passages_own_key(tune: Passage) -> None:
    made = _scale(tune, "alto", kind="natural-minor")
    assert tune.bars[0].fifths == 1
    assert (made.bars[0].fifths, made.notes[0].written.name) == (1, "E")
    assert len({bar.fifths for bar in made.bars}) == 12


def test_known_again_by_its_content(tune: Passage) -> None:
    assert _scale(tune, "alto").sha256 == _scale(tune, "alto").sha256
    assert _scale(tune, "alto").sha256 != _scale(tune, "alto", kind="thirds").sha256


def test_a_range_can_be_set(tune: Passage) -> None:
    made = _scale(tune, "alto", key="G", lowest=67, highest=79)
    midis = [note.written_midi for note in made.notes]
    assert (midis[0], max(midis), min(midis), midis[-1]) == (67, 79, 67, 67)


@pytest.mark.parametrize(
    "options, said",
    [
        ({"kind": "dorian"}, "no scale 'dorian'"),
        ({"key": "H"}, "is no key"),
        ({"key": "F-flat"}, "seven signs"),
        ({"key": "F-sharp minor"}, "takes a major key"),
        ({"lowest": 70, "highest": 71}, "wider range"),
        ({"octaves": 9}, "give 1 to 4"),
        ({"tempo": 60}, "no option 'tempo'"),
        ({"kind": 3}, "such as 'major'"),
    ],
)
def test_what_makes_no_sense_is_said(tune: Passage, options: dict[str, str | int], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        _scale(tune, "alto", **options)


@pytest.mark.parametrize(
    "text, key",
    [("G", Key(1, "major")), ("B♭", Key(-2, "major")), ("Bb", Key(-2, "major")), ("F# minor", Key(3, "minor")),
     ("F-sharp minor", Key(3, "minor")), ("b-flat", Key(-2, "major")), ("b", Key(5, "major"))],
)  # fmt: skip
def test_keys_as_players_name_them(text: str, key: Key) -> None:
    assert key_named(text, "major") == key


def test_a_key_that_is_never_written_in_one_mode_is_meant_in_the_other() -> None:
    own = Key(1, "minor")
    assert keys_for("D-flat", own, "", "a scale") == (Key(-5, "major"),)
    assert keys_for("G-sharp", Key(0, "major"), "", "a scale") == (Key(5, "minor"),)
    assert keys_for("", own, "", "a scale") == (own,)
    assert keys_for("", Key(8, "major"), "", "a scale") == (Key(-4, "major"),)  # G sharp major is written as A flat
    assert keys_for("ALL", own, "", "a scale") == keys_from(1, "minor")
    with pytest.raises(UsageError, match="seven signs"):
        keys_for("D-flat", own, "minor", "harmonic-minor")


@pytest.mark.parametrize(
    ("options", "title"),
    [
        ({"key": "F"}, "F major scale"),
        ({"key": "E", "kind": "melodic-minor"}, "E melodic minor scale"),
        ({"key": "B-flat", "octaves": 2}, "B♭ major scale, two octaves"),
        ({"key": "G", "kind": "thirds"}, "G major scale in thirds"),
        ({"key": "A", "kind": "arpeggio-minor"}, "A minor arpeggio"),
        ({"key": "C", "kind": "arpeggio-dominant"}, "Dominant seventh of C major"),
        ({"key": "F", "kind": "chromatic", "octaves": 1}, "Chromatic scale from F, one octave"),
        ({"kind": "harmonic-minor"}, "Harmonic minor scales: all keys from A minor on"),
    ],
)
def test_it_is_called_as_players_call_it(options: dict[str, str | int], title: str) -> None:
    chart = charts.load("alto")
    tune = passage("C5:1 D5:1 E5:1 C5:1")
    assert REGISTRY["scales"](tune, plan(tune, chart), chart, **options).title == title
