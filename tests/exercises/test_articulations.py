"""Articulation patterns laid over scales: the scale and the slurs by music21, every one written and read back."""

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
from companion.exercises.articulation_patterns import patterns_of
from companion.exercises.keys_of import Key, own_key
from companion.passage import Note, Passage
from companion.planning import plan
from companion.scores import read
from companion.scores.write import to_musicxml

HORNS = ("alto", "baritone", "soprano", "tenor")
UP, DOWN = music21.scale.Direction.ASCENDING, music21.scale.Direction.DESCENDING
PASSAGES = Path(__file__).parents[2] / "shared" / "passages"
TUNES = {name: read(PASSAGES / f"{name}.musicxml") for name in ("etude-e-minor", "first-steps", "waltz-in-f")}


def _made(tune: Passage, horn: str = "alto", **options: str | int) -> Passage:
    chart = charts.load(horn)
    return REGISTRY["articulations"](tune, plan(tune, chart), chart, **options)


@pytest.mark.parametrize("horn", HORNS)
@pytest.mark.parametrize("name", TUNES)
def test_every_pattern_in_the_passages_own_key(name: str, horn: str, tmp_path: Path) -> None:
    tune = TUNES[name]
    for number, pattern in enumerate(patterns_of(tune), start=1):
        made = _made(tune, horn, pattern=number)
        assert_sound(made, charts.load(horn))
        assert pattern.strokes_words in made.title
        assert (made.bars[0].beats, made.bars[0].beat_type) == pattern.metre
        assert {bar.fifths for bar in made.bars} == {tune.bars[0].fifths}
        assert music21_names(made, tmp_path) == our_names(made)


@pytest.mark.parametrize("horn", HORNS)
@pytest.mark.parametrize("name", TUNES)
def test_all_keys_are_spelled_as_music21_spells_them(name: str, horn: str, tmp_path: Path) -> None:
    tune = TUNES[name]
    made = _made(tune, horn, key="all")
    assert_sound(made, charts.load(horn))
    assert music21_names(made, tmp_path) == our_names(made)
    sections: dict[int, list[str]] = {}
    for note in made.notes:
        sections.setdefault(made.bars[note.bar].fifths, []).append(music21_pitch(note.written).name)
    assert len(sections) == 12
    for fifths, names in sections.items():
        key = music21.key.KeySignature(fifths).asKey(own_key(tune).mode)
        scale = music21.scale.MajorScale(key.tonic)
        if key.mode == "minor":
            scale = music21.scale.MelodicMinorScale(key.tonic)
        theirs = {p.name for direction in (UP, DOWN) for p in scale.getPitches(direction=direction)}
        assert set(names) == theirs
        assert names[0] == names[-1] == key.tonic.name


def test_the_pattern_is_on_every_beat_and_the_tonic_ends_a_full_bar(tmp_path: Path) -> None:
    tune = scored(tmp_path, "G4:1/4>( A4) B4. C5. " * 4, fifths=1)
    made = _made(tune, key="G")
    body = made.notes[:-1]
    assert len(body) % 4 == 0
    for note in body:
        place = note.index % 4
        assert note.start % 1 == Fraction(place, 4)
        assert note.tongued == (place != 1)
        assert note.articulations == ({"accent"} if place == 0 else set() if place == 1 else {"staccato"})
    last = made.notes[-1]
    assert last.written_midi == made.notes[0].written_midi and last.start % 1 == 0 and last.end == made.end
    assert made.title == "Articulation, G major: slur two, staccato two, accent on the beat, in sixteenths"


def test_music21_finds_the_slurs_and_dots(tmp_path: Path) -> None:
    made = _made(scored(tmp_path, "G4:1/2( A4) B4. C5. D5:1/2( C5) B4. A4."), octaves=1, key="F")
    file = tmp_path / "laid.musicxml"
    file.write_bytes(to_musicxml(made))
    part = music21.converter.parse(file).parts[0]
    part.stripTies(inPlace=True)
    notes = list(part.recurse().notes)
    places = {n.id: i for i, n in enumerate(notes)}
    slurs = [(places[s.getFirst().id], places[s.getLast().id]) for s in part.recurse().getElementsByClass("Slur")]
    assert slurs == [(i, i + 1) for i in range(0, len(notes) - 1, 4)]
    dots = [i for i, n in enumerate(notes) if any(type(a).__name__ == "Staccato" for a in n.articulations)]
    assert dots == [i for i in range(len(notes) - 1) if i % 4 > 1]


def test_what_leads_over_the_bar_line_is_slurred_on(tmp_path: Path) -> None:
    tune = scored(tmp_path, "C5:1 D5 E5( F5 G5) A5 B5( C6 G5)")
    number = next(i for i, pattern in enumerate(patterns_of(tune), 1) if pattern.leads_on and pattern.unit == "bar")
    made = _made(tune, pattern=number, key="C")
    firsts = [note for note in made.notes if note.count == 1]
    assert firsts[0].tongued and not any(note.tongued for note in firsts[1:])
    assert [note.tongued for note in made.notes[:4]] == [True, True, True, False]


def test_where_nothing_is_tongued_a_slur_is_two_bars_long(tmp_path: Path) -> None:
    tune = scored(tmp_path, "C5:1( D5 E5 F5 G5 A5 B5 C6 B5 A5 G5 F5)")
    number = next(i for i, pattern in enumerate(patterns_of(tune), 1) if "inside a slur" in pattern.words)
    made = _made(tune, pattern=number, key="C")
    assert [note.bar for note in made.notes if note.tongued] == list(range(0, len(made.bars), 2))


@pytest.mark.parametrize("kind", ["chromatic", "harmonic-minor", "arpeggio-dominant"])
def test_other_scales_can_be_asked_for(kind: str, tmp_path: Path) -> None:
    made = _made(TUNES["etude-e-minor"], kind=kind)
    assert_sound(made, charts.load("alto"))
    assert music21_names(made, tmp_path) == our_names(made)


@pytest.mark.parametrize(
    "options, said",
    [
        ({"pattern": 0}, "this passage has .* patterns, from 1, the most frequent"),
        ({"pattern": 99}, "pattern 99"),
        ({"key": "H"}, "is no key"),
        ({"kind": "thirds"}, "no scale 'thirds' to lay it over"),
        ({"kind": "major", "key": "E minor"}, "takes a major key"),
        ({"octaves": -1}, "octaves"),
        ({"lowest": 70, "highest": 71}, "wider range"),
    ],
)
def test_what_makes_no_sense_is_said(options: dict[str, str | int], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        _made(TUNES["etude-e-minor"], **options)


def test_music_without_patterns_says_so() -> None:
    with pytest.raises(UsageError, match="no articulation to carry over"):
        _made(passage("G4:4 A4:4"))


@pytest.mark.parametrize(
    "text, fifths, key",
    [
        ("E4:1 F#4:1 G4:1 A4:1 B4:1 C5:1 D#5:1 E5:1", 1, Key(1, "minor")),
        ("G4:1 A4:1 B4:1 C5:1 D5:1 E5:1 F#5:1 G5:1", 1, Key(1, "major")),
        ("D4:1 F4:1 A4:1 D5:1 C#5:1 A4:1 F4:1 D4:1", -1, Key(-1, "minor")),
    ],
)
def test_the_passages_own_key_where_the_score_does_not_name_it(text: str, fifths: int, key: Key) -> None:
    assert own_key(passage(text, fifths=fifths)) == key


def _articulated(note: Note, slurred: bool, mark: str) -> Note:
    return replace(note, tongued=not slurred, articulations=frozenset({mark} - {""}))


@st.composite
def tunes(draw: st.DrawFn) -> Passage:
    """Bars of any metre with random beats, slurs and dots, on the middle of the horn."""
    beats, beat_type = draw(st.sampled_from([(4, 4), (3, 4), (2, 4), (6, 8), (2, 2), (5, 8), (9, 8)]))
    words = []
    full = Fraction(4 * beats, beat_type)
    for _ in range(draw(st.integers(1, 3))):
        left = full
        while left:
            length = draw(st.sampled_from([Fraction(1, 4), Fraction(1, 2), Fraction(1)]))
            length = min(length, left)
            triplet = length == Fraction(1, 2) and draw(st.booleans())
            for part in [length / 3] * 3 if triplet else [length]:
                name = draw(st.sampled_from(["r", "G4", "A4", "B4", "C5", "D5"]))
                words.append(f"{name}:{part}")
            left -= length
    music = passage(" ".join(words), (beats, beat_type), fifths=draw(st.integers(-7, 7)))
    slurred = draw(st.lists(st.booleans(), min_size=len(music.notes), max_size=len(music.notes)))
    marks = draw(st.lists(st.sampled_from(["", "staccato", "accent"]), min_size=len(slurred), max_size=len(slurred)))
    notes = [
        _articulated(note, slur and note.index > 0, mark)
        for note, slur, mark in zip(music.notes, slurred, marks, strict=True)
    ]
    return Passage(music.title, tuple(notes), music.bars)


@settings(max_examples=40)
@given(tune=tunes(), horn=st.sampled_from(HORNS), data=st.data())
def test_any_pattern_of_any_music_fills_its_bars(tune: Passage, horn: str, data: st.DataObject) -> None:
    found = patterns_of(tune)
    if not found:
        return
    number = data.draw(st.integers(1, len(found)))
    key = data.draw(st.sampled_from(["", "A major", "B-flat", "F-sharp minor", "D-flat major", "E-flat minor"]))
    octaves = data.draw(st.integers(0, 3))
    made = _made(tune, horn, pattern=number, octaves=octaves, key=key)
    assert_sound(made, charts.load(horn))
    strokes = found[number - 1].strokes
    assert len(made.notes) % len(strokes) == 1 % len(strokes)
    for note in made.notes[:-1]:
        assert note.length == strokes[note.index % len(strokes)].length
        assert note.articulations == strokes[note.index % len(strokes)].marks
