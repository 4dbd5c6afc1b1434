"""Scales and arpeggios over the whole horn: the notes are music21's, the fingers can play what is planned.

music21's scales and chords are the outside source for pitch and spelling, its instruments for what sounds. What no
finger can do is common practice, no source: the index doesn't slide between its pearl and bis, and the right ring
finger doesn't jump between keys that have no rollers.
"""

from __future__ import annotations

import warnings
from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import Any

import pytest
from planning_passages import passage

from companion import charts
from companion.charts.check import fingers_overstretched
from companion.charts.model import Chart
from companion.passage import Passage
from companion.planning import plan
from companion.planning.hands import slides_bis
from companion.planning.model import Plan

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import music21

CHARTS = {name: charts.load(name) for name in ("soprano", "alto", "tenor", "baritone")}

MAJORS = ("C", "G", "D", "A", "E", "B", "F#", "G-", "D-", "A-", "E-", "B-", "F")
MINORS = ("A", "E", "B", "F#", "C#", "G#", "D#", "E-", "B-", "F", "C", "G", "D")
ROOTS = ("C", "C#", "D-", "D", "E-", "E", "F", "F#", "G-", "G", "A-", "A", "B-", "B")
#: Intervals above the root, and what music21 calls the chord.
ARPEGGIOS = {
    "major triad": ("P1", "M3", "P5"),
    "minor triad": ("P1", "m3", "P5"),
    "dominant seventh chord": ("P1", "M3", "P5", "m7"),
    "diminished seventh chord": ("P1", "m3", "d5", "d7"),
}
KINDS = ("major", "harmonic minor", "melodic minor", "chromatic", *ARPEGGIOS)
#: Slurred or tongued, quarters a minute: fast, and slow enough for a rule to let the hands flip.
WAYS = ((True, 132.0), (False, 132.0), (True, 60.0), (False, 60.0))


def _scale(scale: Any, chart: Chart) -> list[Any]:
    """music21's pitches of a scale over the whole range, up and down."""
    low, high = music21.pitch.Pitch(chart.lowest_midi), music21.pitch.Pitch(chart.highest_midi)
    way = music21.scale.Direction
    up = scale.getPitches(low, high, direction=way.ASCENDING)
    down = scale.getPitches(low, high, direction=way.DESCENDING)
    # On the way down it may begin with one above the top, the seventh degree of a harmonic minor scale.
    down = [pitch for pitch in down if chart.lowest_midi <= pitch.midi <= chart.highest_midi]
    return [*up, *(down[1:] if up[-1].midi == down[0].midi else down)]


def _arpeggio(root: str, kind: str, chart: Chart) -> list[Any]:
    """Every note of the horn that is in the chord, spelled as music21 spells the chord, up and down."""
    tones = [music21.pitch.Pitch(f"{root}4").transpose(interval) for interval in ARPEGGIOS[kind]]
    assert music21.chord.Chord(tones).commonName == kind
    found = [music21.pitch.Pitch(tone.name, octave=octave) for tone in tones for octave in range(2, 8)]
    up = sorted((p for p in found if chart.lowest_midi <= p.midi <= chart.highest_midi), key=lambda p: p.midi)
    return [*up, *up[-2::-1]]


@cache
def lines(name: str) -> dict[tuple[str, str], list[Any]]:
    """(kind, tonic) -> music21's pitches."""
    chart = CHARTS[name]
    found = {("major", tonic): _scale(music21.scale.MajorScale(tonic), chart) for tonic in MAJORS}
    for tonic in MINORS:
        found["harmonic minor", tonic] = _scale(music21.scale.HarmonicMinorScale(tonic), chart)
        found["melodic minor", tonic] = _scale(music21.scale.MelodicMinorScale(tonic), chart)
    found["chromatic", "C"] = _scale(music21.scale.ChromaticScale("C"), chart)
    for kind in ARPEGGIOS:
        found |= {(kind, root): _arpeggio(root, kind, chart) for root in ROOTS}
    return found


def _word(pitch: Any) -> str:
    return str(pitch.nameWithOctave).replace("-", "b")


def _made(pitches: list[Any], slurred: bool) -> Passage:
    made = passage(" ".join(map(_word, pitches)))
    return replace(made, notes=tuple(replace(n, tongued=n.index == 0 or not slurred) for n in made.notes))


def _ring_keys(chart: Chart) -> set[str]:
    return {key.name for key in chart.keys if (key.hand, key.finger) == ("right", "ring")}


def _impossible(chart: Chart, planned: Plan, pitches: list[Any]) -> list[str]:
    """What a hand couldn't do, note for note."""
    ring, found = _ring_keys(chart), []
    for choice, pitch in zip(planned.choices, pitches, strict=True):
        found += [f"{pitch} {choice.name}: {why}" for why in fingers_overstretched(chart, choice.keys)]
        if chart.sound(choice.keys) != pitch.midi:
            found.append(f"{pitch} {choice.name}: sounds {chart.sound(choice.keys)}")
    for (one, a), (other, b) in pairwise(zip(planned.choices, pitches, strict=True)):
        where = f"{a} {one.name} to {b} {other.name}"
        if slides_bis(one.keys, other.keys):
            found.append(f"{where}: the index slides")
        if one.keys & ring and other.keys & ring and not one.keys & other.keys & ring:
            found.append(f"{where}: the ring finger jumps")
    return found


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", sorted(CHARTS))
def test_scales_and_arpeggios_can_be_played(name: str, kind: str) -> None:
    chart, found = CHARTS[name], []
    mine = {tonic: pitches for (of, tonic), pitches in lines(name).items() if of == kind}
    assert len(mine) >= (1 if kind == "chromatic" else 12)
    for tonic, pitches in mine.items():
        for slurred, tempo_bpm in WAYS:
            planned = plan(_made(pitches, slurred), chart, tempo_bpm=tempo_bpm)
            assert planned.remarks == ()
            how = f"{tonic} {kind}, {'slurred' if slurred else 'tongued'} at {tempo_bpm:g}: "
            found += [how + fault for fault in _impossible(chart, planned, pitches)]
    assert found == []


@pytest.mark.parametrize("name", sorted(CHARTS))
def test_pitch_and_spelling_are_those_of_music21(name: str) -> None:
    chart = CHARTS[name]
    instrument = getattr(music21.instrument, f"{name.capitalize()}Saxophone")()
    semitones = instrument.transposition.semitones
    for pitches in lines(name).values():
        made = _made(pitches, slurred=True)
        planned = plan(made, chart)
        for note, choice, pitch in zip(made.notes, planned.choices, pitches, strict=True):
            assert (note.written.step, note.written.alter, note.written.octave) == (
                pitch.step, pitch.alter, pitch.octave,
            )  # fmt: skip
            assert choice.fingering.written_midi == pitch.midi
            assert choice.fingering.written_midi + chart.transposition == pitch.midi + semitones


@pytest.mark.parametrize("name", sorted(CHARTS))
def test_they_go_over_the_whole_horn(name: str) -> None:
    """From within a fourth of the lowest note to within a fourth of the highest and back; the chromatic one has all."""
    chart = CHARTS[name]
    for (kind, tonic), pitches in lines(name).items():
        midis = [pitch.midi for pitch in pitches]
        assert min(midis) - chart.lowest_midi < 6 and chart.highest_midi - max(midis) < 6, (kind, tonic)
        top = midis.index(max(midis))
        assert midis[: top + 1] == sorted(midis[: top + 1]) and midis[top:] == sorted(midis[top:], reverse=True)
    semitones = [pitch.midi for pitch in lines(name)["chromatic", "C"]]
    assert semitones[: len(semitones) // 2 + 1] == list(range(chart.lowest_midi, chart.highest_midi + 1))


def _names(kind: str, tonic: str, midis: tuple[int, ...]) -> set[str]:
    """Fingerings of these notes in one slurred line of sixteenths on the alto."""
    pitches = lines("alto")[kind, tonic]
    planned = plan(_made(pitches, slurred=True), CHARTS["alto"], tempo_bpm=120.0)
    return {c.name for c, pitch in zip(planned.choices, pitches, strict=True) if pitch.midi in midis}


@pytest.mark.parametrize("tonic", ["F", "B-", "E-", "A-", "D-"])
def test_flat_scales_go_with_bis(tonic: str) -> None:
    """Common practice, no source."""
    assert _names("major", tonic, (70, 82)) == {"bis"}


@pytest.mark.parametrize(
    ("kind", "tonic"), [("major", "G-"), ("major", "F#"), ("major", "B"), ("harmonic minor", "B"), ("chromatic", "C")]
)
def test_scales_with_both_b_flat_and_b_go_with_side(kind: str, tonic: str) -> None:
    """Common practice, no source."""
    assert _names(kind, tonic, (70, 82)) == {"side"}


def test_the_chromatic_scale_as_it_is_taught() -> None:
    """Chromatic F♯ both ways, C with the middle finger (common practice, no source)."""
    assert _names("chromatic", "C", (66, 78)) == {"chromatic"}
    assert _names("chromatic", "C", (72, 84)) == {"standard"}


def test_f_sharp_beside_f_in_a_scale() -> None:
    """F♯ and E♯ stand side by side in F♯ major: chromatic, unless the ring finger is needed (common practice, no
    source)."""
    assert _names("major", "F#", (66, 78)) == {"chromatic"}
    assert _names("major", "G", (66, 78)) == {"standard"}


@pytest.mark.parametrize(("root", "name"), [("C", "front"), ("F", "front"), ("D-", "front"), ("B-", "standard")])
def test_arpeggios_reach_the_top_from_the_stack_by_front(root: str, name: str) -> None:
    """E and F: front where C or C♯ leads to them, palm keys where D does (common practice, no source)."""
    assert _names("major triad", root, (88, 89)) == {name}
