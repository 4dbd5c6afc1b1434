"""The instruments that come along, against the horn's own mechanics, published fingerings and a reference library."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from companion import charts
from companion.charts.check import fingers_overstretched
from companion.charts.model import Chart
from companion.errors import ChartError, NoFingering

#: What music21 calls it (None: it doesn't know it); lowest and highest written note of today's horns: common practice,
#: no source.
INSTRUMENTS = {
    "alto": ("AltoSaxophone", 58, 90),
    "baritone": ("BaritoneSaxophone", 57, 90),
    "soprano": ("SopranoSaxophone", 58, 90),
    "tenor": ("TenorSaxophone", 58, 90),
}
NAMES = tuple(INSTRUMENTS)
MEASURED = Path(__file__).with_name("measured_fingerings.csv")


@pytest.fixture(scope="module", params=NAMES)
def chart(request: pytest.FixtureRequest) -> Chart:
    return charts.load(request.param)


def keys_of(text: str) -> frozenset[str]:
    return frozenset() if text == "open" else frozenset(text.split())


def measured() -> list[tuple[int, frozenset[str]]]:
    lines = [line for line in MEASURED.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return [(int(row["written_midi"]), keys_of(row["keys"])) for row in csv.DictReader(lines)]


def test_these_come_along() -> None:
    assert charts.names() == tuple(sorted(NAMES))


def test_every_fingering_sounds_its_note(chart: Chart) -> None:
    wrong = [(f.written_midi, f.name) for f in chart.fingerings if chart.sound(f.keys) != f.written_midi]
    assert wrong == []
    assert len(chart.fingerings) >= 60


def test_every_note_of_the_range_has_one_standard_fingering(chart: Chart) -> None:
    for midi in range(chart.lowest_midi, chart.highest_midi + 1):
        found = chart.for_note(midi)
        assert [f.standard for f in found] == [True] + [False] * (len(found) - 1)
        assert chart.standard(midi) == found[0]
    assert chart.for_note(chart.lowest_midi - 1) == chart.for_note(chart.highest_midi + 1) == ()


def test_a_hand_can_hold_every_fingering(chart: Chart) -> None:
    assert [f.name for f in chart.fingerings if fingers_overstretched(chart, f.keys)] == []


@pytest.mark.parametrize(
    ("keys", "possible"),
    [
        ("l1 bis", True),  # one index covers both
        ("palm_d palm_e_flat palm_f side_e", True),  # a palm and the side of a hand hold several
        ("side_e side_c", True),
        ("r3 chromatic_f_sharp", False),
        ("r3 high_f_sharp", False),
        ("l1 front_f", False),
        ("g_sharp low_b", False),
        ("e_flat low_c", False),
    ],
)
def test_one_finger_presses_one_key(keys: str, possible: bool) -> None:
    assert (fingers_overstretched(charts.load("alto"), keys_of(keys)) == []) is possible


def test_the_measured_fingerings_sound_their_notes() -> None:
    """Libřický and Hajič 2025, arXiv:2507.04963: 39 fingerings of the tenor."""
    tenor, pairs = charts.load("tenor"), measured()
    assert len(pairs) == 39
    assert [(midi, sorted(keys)) for midi, keys in pairs if tenor.sound(keys) != midi] == []


def test_bis_with_the_middle_finger_down_is_a() -> None:
    """The slip in the published encoding of B♭: with `l2` the pad below decides."""
    assert charts.load("tenor").sound(keys_of("octave l1 bis l2")) == 81


#: Mechanics every player can check on the horn; common practice, no source.
MECHANICS = [
    ("open", 73), ("octave", 85), ("l1 l2 l3", 67), ("octave l1 l2 l3", 79),
    ("l1 l2 l3 r1 g_sharp", 65),  # a G♯ key left down does no harm under F, E, D
    ("l1 l2 l3 r1 r2 g_sharp", 64), ("l1 l2 l3 r1 r2 r3 g_sharp", 62), ("l1 l2 l3 r2 g_sharp", 66),
    ("l1 l2 g_sharp", 69),  # nor under A, which is open higher up
    ("l1 r1", 70), ("l1 r2", 70), ("l1 r3", 70),  # any right-hand stack key shuts the bis pad
    ("octave l3", 73), ("octave l3 r1", 73), ("octave l3 r1 r2 r3 low_c", 73),  # long C♯ stays where it is
    ("octave l2 l3", 72),  # with the ring finger down the upper vent is shut, so C stays
    ("l1 l2 l3 low_c_sharp low_b r1 r2 r3 low_c", 59),  # low B holds the C♯ pad shut
    ("l1 l2 l3 low_c_sharp r1 r2 r3", 62),
    ("octave front_f l2 l3", 88), ("octave front_f l2", 89), ("octave front_f l2 high_f_sharp", 90),
    ("palm_d l2", 74), ("palm_d palm_e_flat", 75), ("palm_d palm_e_flat side_e", 76),
]  # fmt: skip


@pytest.mark.parametrize(("keys", "written_midi"), MECHANICS)
def test_mechanics(keys: str, written_midi: int) -> None:
    assert charts.load("alto").sound(keys_of(keys)) == written_midi


def test_blips_of_f_to_f_sharp() -> None:
    """With the standard F♯ a G sounds if the old finger lifts first, an E if the new one closes first (teachers'
    handouts; common practice)."""
    alto = charts.load("alto")
    f, f_sharp = alto.standard(65).keys, alto.standard(66).keys
    assert alto.sound(f & f_sharp) == 67
    assert alto.sound(f | f_sharp) == 64


@pytest.mark.parametrize(
    ("midi", "names"),
    [
        (70, {"bis", "side", "1-and-2", "1-and-1"}),
        (82, {"bis", "side", "1-and-2", "1-and-1"}),
        (72, {"standard", "side C"}),
        (84, {"standard", "side C"}),
        (66, {"standard", "chromatic", "G♯ key held"}),
        (78, {"standard", "chromatic", "G♯ key held"}),
        (73, {"standard", "long C♯", "long C♯, right hand down", "covered low C♯"}),
        (74, {"standard", "palm D", "palm D over C"}),
        (75, {"standard", "palm E♭"}),
        (76, {"standard", "palm E", "E♭ key held"}),
        (88, {"standard", "front"}),
        (89, {"standard", "front"}),
        (90, {"standard", "front"}),
        (68, {"standard", "linked B", "linked B♭", "linked C♯"}),
        (80, {"standard", "linked B", "linked B♭", "linked C♯"}),
    ],
)
def test_the_names_of_the_alternates(chart: Chart, midi: int, names: set[str]) -> None:
    assert {f.name for f in chart.for_note(midi)} == names


def test_each_b_flat_has_its_mark_and_other_standard_fingerings_have_none(chart: Chart) -> None:
    assert {f.name: f.mark for f in chart.for_note(70)} == {
        "bis": "bis", "side": "side", "1-and-2": "1+2", "1-and-1": "1+1",
    }  # fmt: skip
    unmarked = sorted(f.written_midi for f in chart.fingerings if not f.mark)
    assert unmarked == [m for m in range(chart.lowest_midi, chart.highest_midi + 1) if m not in (70, 82)]


def test_transpositions_against_music21(chart: Chart) -> None:
    from music21 import instrument

    called, lowest, _ = INSTRUMENTS[chart.name]
    if called is None:
        pytest.skip("music21 has no such horn")
    reference = getattr(instrument, called)()
    assert reference.transposition is not None
    assert chart.transposition == round(reference.transposition.semitones)
    # music21 gives the written B♭ below the staff, for the baritone too: it knows no low A.
    assert reference.lowestNote.midi == 58
    assert lowest == 58 or chart.name == "baritone"


def test_ranges(chart: Chart) -> None:
    assert (chart.lowest_midi, chart.highest_midi) == INSTRUMENTS[chart.name][1:]


def test_low_a_of_the_baritone() -> None:
    baritone = charts.load("baritone")
    low_a = baritone.standard(57)
    assert "low_a" in low_a.keys and baritone.key("low_a").finger == "thumb"
    assert baritone.sound(low_a.keys - {"low_a"}) == 60
    assert baritone.sound(baritone.standard(58).keys | {"low_a"}) == 57


def test_an_unknown_key_is_named(chart: Chart) -> None:
    with pytest.raises(ChartError, match="no key 'l9'"):
        chart.sound({"l1", "l9"})
    with pytest.raises(ChartError, match="no key 'l9'"):
        chart.key("l9")
    with pytest.raises(NoFingering, match="C♯2"):
        chart.standard(37)


def test_versions_tell_instruments_apart_and_stay() -> None:
    versions = {charts.load(name).version for name in NAMES}
    assert len(versions) == len(NAMES) and all(len(version) == 10 for version in versions)
    assert charts.load("alto") is charts.load("alto")


@pytest.mark.parametrize("name", charts.names())
def test_a_mark_on_the_page_means_one_fingering(name: str) -> None:
    """Written into a score and read again it must be the same fingering."""
    chart = charts.load(name)
    for midi in range(chart.lowest_midi, chart.highest_midi + 1):
        marks = [f.mark for f in chart.for_note(midi) if f.mark]
        assert len(marks) == len(set(marks)), (midi, marks)
        for fingering in chart.for_note(midi):
            assert chart.called(midi, fingering.name) == (fingering,)
            assert not fingering.mark or chart.called(midi, fingering.mark.upper()) == (fingering,)
