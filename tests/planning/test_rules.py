"""Each rule of practice on a tiny passage made for it. The rules are common practice, no source."""

from __future__ import annotations

import pytest
from planning_passages import passage, spelled

from companion import charts
from companion.planning import RULES, plan

ALTO = charts.load("alto")

#: passage, index of the note asked about, fingering expected, words its reason must hold
CASES = [
    # 1. B♭ with no B♮ beside it: bis.
    ("A4 Bb4 A4", 1, "bis", "no B♮ beside it"),
    ("G4 Bb4 D5", 1, "bis", "one hand"),
    ("F5 Bb5 A5", 1, "bis", "no B♮ beside it"),
    ("F#4 A#4 F#4", 1, "bis", "no B♮ beside it"),
    ("Bb4", 0, "bis", "no B♮ beside it"),
    ("Bb4 A4 B4", 0, "bis", "no B♮ beside it"),
    ("Bb4 B3 Bb4", 0, "bis", "no B♮ beside it"),  # low B lies far from the index: nothing to slide
    # 2. Beside B♮: never slide; side, or 1-and-2 with F♯, or 1-and-1 with F.
    ("B4 A#4 B4", 1, "side", "B stands next to it"),
    ("C5 Bb4 B4", 1, "side", "must not slide"),
    ("A4 A#4 B4 C5", 1, "side", "B stands next to it"),
    ("Cb5 Bb4 Ab4", 1, "side", "C♭ stands next to it"),
    ("F#4 A#4 B4", 1, "1-and-2", "F♯"),
    ("B5 A#5 F#5", 1, "1-and-2", "F♯"),
    ("F4 Bb4 B4", 1, "1-and-1", "F"),
    ("Bb4 Bb4 B4", 0, "side", "B stands next to it"),  # a repeated note keeps its fingering
    ("Bb4 r:2 B4", 0, "bis", "no B♮ beside it"),  # a rest leaves time to slide
    ("gB4 Bb4:2 A4", 1, "side", "B stands next to it"),  # a grace note is a note
    # 3. B♭ as lower neighbour of C.
    ("C5 Bb4 C5", 1, "side", "flip"),
    ("C5 Bb4 A4", 1, "bis", "no B♮ beside it"),
    ("C5 Bb4:2 C5", 1, "bis", "no B♮ beside it"),  # held: for its tone
    # 4. C with the middle finger; side C only for a fast turn, never held.
    ("B4 C5 B4", 1, "side C", "quick turn"),
    ("B4 C5:2 B4", 1, "standard", "it is held"),
    ("B4 C5:1/2 B4", 1, "standard", "trills and quick turns"),
    ("B4 C5:1/3 B4", 1, "standard", "trills and quick turns"),  # 0.22 s: the middle finger has time
    ("B4 C5 D5", 1, "standard", "middle finger"),
    ("A4 C5 A4", 1, "standard", "the usual fingering"),
    # 5. F♯ beside F: chromatic, unless the ring finger is needed on its own key.
    ("F4 F#4", 1, "chromatic", "F stands next to it"),
    ("G5 Gb5 F5", 1, "chromatic", "F stands next to it"),
    ("F4 F#4 D4", 1, "standard", "D needs the ring finger"),
    ("Eb4 F#4 F4", 1, "standard", "E♭ needs the ring finger"),
    ("F4 Gb4 Eb4", 1, "standard", "the usual G♭, though F is beside it"),
    ("E4 F#4 G4", 1, "standard", "the usual fingering"),
    ("F4 F#4 E4", 1, "chromatic", "F stands next to it"),
    # 6. C♯5 beside D5: long C♯ with the right hand down.
    ("D5 C#5 D5", 1, "long C♯, right hand down", "D stands next to it"),
    ("C#5 D5", 0, "long C♯, right hand down", "right hand stays down"),
    ("D5:1/2 C#5:1/2 B4:1/2", 1, "long C♯, right hand down", "D stands next to it"),
    ("E5 C#5 D5", 1, "long C♯, right hand down", "D stands next to it"),
    # In a quick line the long C♯ would close the ring finger as B's or C's finger opens.
    ("D5 C#5 B4", 1, "standard", "in a quick line the long one would flip fingers against B"),
    ("C5 Db5 D5", 1, "standard", "the usual D♭: in a quick line"),
    ("D#5 C#5 E5", 1, "standard", "the usual fingering"),  # the covered C♯ is for the octave leap only
    ("B4 C#5 B4", 1, "standard", "the usual fingering"),
    # 7. C5–D5 and C♯5–D5 in a line: the usual D; palm D for trills.
    ("C5 D5 C5", 1, "standard", "the usual fingering"),
    ("C#5 D5 C#5", 1, "standard", "the usual fingering"),
    # 8. Front for leaps, palm for steps.
    ("D6 E6 D6", 1, "standard", "palm keys"),
    ("D6 E6 F6 E6 D6", 2, "standard", "palm keys"),
    ("A5 E6 A5", 1, "front", "leap"),
    ("A5 E6 F6 A5", 2, "front", "leap to or from A"),
    ("A5 E6 F6 E6 A5", 2, "front", "E beside it is a front fingering too"),
    ("A5 F6 E6 D6", 1, "standard", "palm keys: E beside it uses them too"),
    ("G5 F6 G5", 1, "front", "leap"),
    ("Eb6 F6 Eb6", 1, "standard", "palm keys"),
    # The little finger that is on the table already.
    ("G#4 B3 G#4", 0, "linked B", "little finger stays"),
    ("G#4 A4", 0, "standard", "the usual fingering"),
    ("C#4 G#5 C#4", 1, "linked C♯", "the little finger stays on its key for C♯"),
    ("B4 G#5 B4", 1, "standard", "the usual fingering"),  # the B above has nobody on the low B key
    ("E4 C#4 C#5 E5", 2, "covered low C♯", "an octave below only the thumb moves"),
]


@pytest.mark.parametrize(("text", "index", "name", "words"), CASES, ids=[f"{c[0]} [{c[1]}]" for c in CASES])
def test_a_rule_on_a_tiny_passage(text: str, index: int, name: str, words: str) -> None:
    choice = plan(passage(text), ALTO).choices[index]
    assert choice.name == name
    assert words in choice.reason


@pytest.mark.parametrize(
    ("text", "main", "other"),
    [
        ("C5~D5:2", "standard", "palm D over C"),
        ("C#5~D5:2", "standard", "palm D"),
        ("B4~C5:2", "standard", "side C"),
        ("C5~B4:2", "side C", "standard"),
        ("A#4~B4:2", "side", "standard"),
        ("B4~A#4:2", "standard", "side"),
        ("A4~Bb4:2", "standard", "side"),  # measured: side 7.36 trills a second, bis 5.88 (arXiv:2507.04963)
        ("Bb4~A4:2", "side", "standard"),
        ("Bb4~C5:2", "side", "standard"),
        ("D5~C5:2", "palm D over C", "standard"),
        ("F4~F#4:2", "standard", "chromatic"),
        ("F#4~G4:2", "standard", "standard"),
        ("C#4~D4:2", "standard", "C♯ key held"),
        ("Eb5~E5:2", "standard", "standard"),  # both fingers together: holding the E♭ key strains the hand
        ("C5~Eb5:2", "standard", "palm E♭"),
    ],
)
def test_trills(text: str, main: str, other: str) -> None:
    choice = plan(passage(text), ALTO).choices[0]
    assert choice.trill_fingering is not None
    assert (choice.name, choice.trill_fingering.name) == (main, other)
    assert "trill with" in choice.reason
    assert choice.reason.count("trill") == 1 and choice.reason.count(" ms ") == 0


WORDIEST = 18


def test_a_reason_is_one_short_sentence_wherever_the_note_stands() -> None:
    """Every note between every two neighbours up to a sixth away, quick and held."""
    for midi in range(58, 91):
        near = [m for m in range(midi - 9, midi + 10) if 58 <= m <= 90 and m != midi]
        words = " ".join(f"{spelled(a)} {spelled(midi)}:{length} {spelled(b)} r:2" for a in near for b in near[::3]
                         for length in ("1/4", "2"))  # fmt: skip
        for reason in {choice.reason for choice in plan(passage(words), ALTO).choices}:
            assert len(reason.split()) <= WORDIEST, reason
            assert "easiest way through" not in reason


def test_a_written_out_shake_keeps_one_fingering() -> None:
    for line in ("C5 B4 C5 B4 C5", "B4 C5 B4 C5", "C6 B5 C6 B5 G5"):
        quick = plan(passage(line), ALTO)
        assert {c.name for c in quick.choices if c.fingering.written_midi in (72, 84)} == {"side C"}, line
        slow = plan(passage(line, tempo_bpm=50), ALTO)
        assert "side C" not in {c.name for c in slow.choices}, line
    turn = plan(passage("C5 B4 C5"), ALTO)
    assert {c.name for c in turn.choices} == {"standard"}
    parted = plan(passage("C5 B4 r:2 C5 B4"), ALTO)
    assert {c.name for c in parted.choices} == {"standard"}


def test_slow_tempo_makes_a_turn_too_slow_for_side_c() -> None:
    quick, slow = passage("B4 C5 B4", tempo_bpm=100), passage("B4 C5 B4", tempo_bpm=40)
    assert plan(quick, ALTO).choices[1].name == "side C"
    assert plan(slow, ALTO).choices[1].name == "standard"
    assert plan(slow, ALTO, tempo_bpm=100).choices[1].name == "side C"


def test_the_table_of_rules_can_be_read() -> None:
    assert {rule.number for rule in RULES} == set(range(9))
    assert len({rule.name for rule in RULES}) == len(RULES)
    assert all(rule.weight_s > 0 and rule.sentence.endswith(".") for rule in RULES)


@pytest.mark.parametrize("name", charts.names())
def test_every_note_of_every_instrument_can_be_planned(name: str) -> None:
    chart = charts.load(name)
    line = passage(" ".join(spelled(m) for m in range(chart.lowest_midi, chart.highest_midi + 1)))
    planned = plan(line, chart)
    assert [chart.sound(c.keys) for c in planned.choices] == [n.written_midi for n in line.notes]
    assert all(c.reason and c.reason[0].isalnum() for c in planned.choices)
