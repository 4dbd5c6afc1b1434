"""Speed limits: arithmetic that must hold whatever the model of effort says, and what a teacher is told."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from planning_passages import passage, spelled

from companion import charts, scores
from companion.errors import NoFingering, UsageError
from companion.passage import Bar, Passage, TempoMark
from companion.planning import change_seconds, plan
from companion.planning.limits import HARD_LOAD, WORTH_RELIEF, Limits, available_beats, speed_limits
from companion.planning.pace import Pace

ALTO = charts.load("alto")
PASSAGES = sorted((Path(__file__).resolve().parents[2] / "shared" / "passages").iterdir())

notes = st.integers(58, 90).map(spelled)
words = st.one_of(
    st.tuples(notes, st.sampled_from(("", ":1/2", ":1/3", ":2"))).map("".join),
    st.just("r:1"),
    notes.map("g{}".format),
    st.sampled_from(("B4~C5:2", "Bb4", "B4", "C5", "F#4", "F4")),
)
lines = st.lists(words, min_size=2, max_size=12).map(" ".join)


def limits(made: Passage, tempo_bpm: float | None = None, pace: Pace | None = None) -> Limits:
    tempo_bpm = tempo_bpm or made.marked_tempo_bpm()
    return speed_limits(made, plan(made, ALTO), ALTO, tempo_bpm, pace or Pace())


def stretched(made: Passage, factor: Fraction) -> Passage:
    return replace(
        made,
        notes=tuple(replace(n, start=n.start * factor, length=n.length * factor) for n in made.notes),
        bars=tuple(replace(b, start=b.start * factor, length=b.length * factor) for b in made.bars),
        tempos=tuple(replace(t, start=t.start * factor) for t in made.tempos),
    )


# -- what must hold -------------------------------------------------------------------------------------------------


@settings(max_examples=120, deadline=None, derandomize=True)
@given(lines, st.sampled_from((Fraction(1, 2), Fraction(3), Fraction(5, 7))))
def test_limits_follow_the_lengths(line: str, factor: Fraction) -> None:
    made = passage(line)
    planned = plan(made, ALTO)
    before = speed_limits(made, planned, ALTO, 92)
    after = speed_limits(stretched(made, factor), planned, ALTO, 92)
    found = [change.limit_bpm for change in after.changes]
    assert found == pytest.approx([change.limit_bpm * float(factor) for change in before.changes])


@settings(max_examples=120, deadline=None, derandomize=True)
@given(lines, st.floats(20, 400))
def test_the_load_is_one_at_the_limit_and_grows_with_the_tempo(line: str, tempo_bpm: float) -> None:
    made = passage(line)
    planned = plan(made, ALTO)
    for change in speed_limits(made, planned, ALTO, tempo_bpm).changes:
        assert change.load == pytest.approx(tempo_bpm / change.limit_bpm)
        there_s = change.available_beats * 60 / change.limit_bpm
        assert there_s == pytest.approx(change.change_s)
        at_limit = speed_limits(made, planned, ALTO, change.limit_bpm)
        assert next(c for c in at_limit.changes if c.note_index == change.note_index).load == pytest.approx(1.0)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(lines, st.floats(0.5, 2.5))
def test_a_slower_pace_lowers_all_limits_in_proportion(line: str, factor: float) -> None:
    made = passage(line)
    planned = plan(made, ALTO)
    average = speed_limits(made, planned, ALTO, 92)
    own = speed_limits(made, planned, ALTO, 92, Pace(factor))
    assert [c.limit_bpm * factor for c in own.changes] == pytest.approx([c.limit_bpm for c in average.changes])
    assert [t.trills_per_s * factor for t in own.trills] == pytest.approx([t.trills_per_s for t in average.trills])


@settings(max_examples=80, deadline=None, derandomize=True)
@given(lines, st.floats(60, 400))
def test_a_relief_keeps_its_word(line: str, tempo_bpm: float) -> None:
    """With the other fingering marked and all others as they were, the limits around the note are what was said."""
    made = passage(line)
    planned = plan(made, ALTO)
    found = speed_limits(made, planned, ALTO, tempo_bpm)
    for relief in found.reliefs:
        midi = made.notes[relief.note_index].written_midi
        assert relief.fingering in ALTO.for_note(midi)
        assert relief.with_limit_bpm >= relief.limit_bpm * (1 + WORTH_RELIEF)
        last = relief.note_index
        while (
            last + 1 < len(made.notes)
            and made.notes[last + 1].written_midi == midi
            and planned.choices[last + 1].keys == planned.choices[relief.note_index].keys
        ):
            last += 1
        exchanged = tuple(
            replace(choice, fingering=relief.fingering) if relief.note_index <= i <= last else choice
            for i, choice in enumerate(planned.choices)
        )
        touched = {relief.note_index, last + 1}
        for which, expected in (
            (planned, relief.limit_bpm),
            (replace(planned, choices=exchanged), relief.with_limit_bpm),
        ):
            now = speed_limits(made, which, ALTO, tempo_bpm)
            lowest = min((c.limit_bpm for c in now.changes if c.note_index in touched), default=math.inf)
            assert lowest == pytest.approx(expected)


@pytest.mark.parametrize("name", charts.names())
@pytest.mark.parametrize("path", PASSAGES, ids=lambda path: path.stem)
def test_every_passage_that_comes_along_on_every_horn(path: Path, name: str) -> None:
    chart, made = charts.load(name), scores.read(path)
    try:
        planned = plan(made, chart)
    except NoFingering:
        pytest.fail(f"{path.name} is not for {name}")
    tempo_bpm = made.marked_tempo_bpm()
    found = speed_limits(made, planned, chart, tempo_bpm)
    onsets_s = [made.seconds(note.start, tempo_bpm) for note in made.notes]
    graces = {note.index for note in made.notes if note.grace}
    for change in found.changes:
        i = change.note_index
        assert change.from_index == i - 1
        before, after = planned.choices[i - 1].fingering, planned.choices[i].fingering
        assert change.change_s == change_seconds(chart, before, after) > 0
        if not {i, i - 1} & graces:
            there_s = change.available_beats * 60 / tempo_bpm
            assert there_s == pytest.approx(onsets_s[i] - onsets_s[i - 1])
    moving = sum(a.keys != b.keys for a, b in zip(planned.choices, planned.choices[1:], strict=False))
    assert len(found.changes) == moving
    assert found.spots and found.limit_bpm == found.spots[0].limit_bpm == min(c.limit_bpm for c in found.changes)
    assert [s.limit_bpm for s in found.spots] == sorted(s.limit_bpm for s in found.spots)


# -- available time -------------------------------------------------------------------------------------------------


def test_a_rest_gives_its_time_to_the_change_after_it() -> None:
    assert available_beats(passage("G4 A4 r:2 B4")) == [math.inf, 0.25, 2.25]


def test_a_repeated_note_is_left_from_its_last_repetition_and_is_no_change() -> None:
    found = limits(passage("G4 G4 G4 A4"))
    assert [(c.from_index, c.note_index, c.available_beats) for c in found.changes] == [(2, 3, 0.25)]


def test_a_later_tempo_mark_counts_by_its_ratio_to_the_first() -> None:
    made = passage("G4:1 A4:1 B4:1", tempo_bpm=60)
    made = replace(made, tempos=(TempoMark(Fraction(0), 60.0), TempoMark(Fraction(1), 120.0)))
    assert available_beats(made) == [math.inf, 1.0, 0.5]
    slow = replace(made, tempos=(TempoMark(Fraction(0), 60.0), TempoMark(Fraction(3, 2), 40.0)))
    assert available_beats(slow) == [math.inf, 1.0, 0.5 + 0.5 * 60 / 40]


def test_grace_notes_share_half_of_the_time_before_their_main_note() -> None:
    assert available_beats(passage("G4:1 gA4 B4:1")) == [math.inf, 0.5, 0.5]
    assert available_beats(passage("G4:1 gA4 gB4 C5:1")) == [math.inf, 0.5, 0.25, 0.25]
    assert available_beats(passage("gA4 gB4 C5:1 D5:1")) == [math.inf, math.inf, math.inf, 1.0]


def test_a_tongue_gives_no_credit() -> None:
    made = passage("G4 A4 Bb4 C5")
    slurred = replace(made, notes=tuple(replace(note, tongued=False) for note in made.notes))
    planned = plan(made, ALTO)
    both = [speed_limits(each, planned, ALTO, 92).changes for each in (made, slurred)]
    assert both[0] == both[1]


# -- what is said ---------------------------------------------------------------------------------------------------


def bars_of(text: str, per_bar: int = 8) -> Passage:
    """Sixteenths in bars of `per_bar` of them."""
    made = passage(text)
    length = Fraction(per_bar, 4)
    bars = tuple(
        Bar(i, str(i + 1), i, i * length, length, per_bar // 4, 4) for i in range(-(-len(made.notes) // per_bar))
    )
    placed = tuple(replace(n, bar=n.index // per_bar, count=1 + Fraction(n.index % per_bar, 4)) for n in made.notes)
    return replace(made, notes=placed, bars=bars)


EASY = "G4 A4 G4 A4 G4 A4 G4 A4"


def test_a_sentence_names_place_change_times_and_limit() -> None:
    made = bars_of(f"{EASY} G4 A4 G4 C#5 D5 A4 G4 A4")
    planned = plan(made, ALTO, marks={11: "standard"})
    found = speed_limits(made, planned, ALTO, 40)
    hardest = max(found.changes, key=lambda change: change.load)
    needed_ms = 1000 * hardest.change_s
    places = {
        11: "the fourth sixteenth of beat 1: G to C♯",
        12: "the note on beat 2: C♯ to D",
        13: "the second sixteenth of beat 2: D to A",
    }
    place = places[hardest.note_index]
    assert found.spots[0].sentence.startswith(
        f"bar 2, {place} takes {needed_ms:.0f} of 375 ms at 40; the limit is {math.floor(hardest.limit_bpm)}"
    )
    faster = speed_limits(made, planned, ALTO, 400).spots[0].sentence
    assert f"takes {needed_ms:.0f} ms where there are 38 at 400" in faster


def test_hard_changes_of_a_bar_are_one_spot_and_spots_come_hardest_first() -> None:
    calm = "G4 A4 G4 A4 G4 A4 G4 A4"
    made = bars_of(f"G4 C#4 G4 A4 G4 C#4 G4 A4 {calm} {calm} G4 A4 G4 Eb6 G4 A4 G4 A4")
    found = limits(made, 84)
    hard = [c for c in found.changes if c.load >= HARD_LOAD]
    assert {made.notes[c.note_index].bar for c in hard} == {0, 3}
    assert len(found.spots) == 2
    loads = [max(c.load for c in hard if s.first_note < c.note_index <= s.last_note) for s in found.spots]
    assert loads == sorted(loads, reverse=True)
    assert "more hard change" in " ".join(s.sentence for s in found.spots)


def test_what_is_nearest_its_limit_in_an_easy_passage_is_not_called_hard() -> None:
    (spot,) = limits(bars_of("G4 A4 B4 A4 G4 A4 B4 A4"), 40).spots
    assert "more changes beside it" in spot.sentence


def test_a_spot_is_no_longer_than_a_loop_to_practise() -> None:
    made = bars_of(" ".join(["C#4 Eb6"] * 40))
    found = limits(made, 200)
    assert len(found.spots) == 5
    assert all(made.notes[s.last_note].bar - made.notes[s.first_note].bar <= 2 for s in found.spots)


def test_a_place_that_is_played_twice_is_named_once() -> None:
    once = bars_of("G4 C#4 G4 A4 G4 A4 G4 A4")
    again = tuple(replace(n, index=n.index + 8, start=n.start + 2, bar=1, source=n.source) for n in once.notes)
    second = replace(once.bars[0], index=1, start=Fraction(2), time_pass=2)
    twice = replace(once, notes=(*once.notes, *again), bars=(*once.bars, second))
    assert [s.sentence for s in limits(twice, 90).spots] == [s.sentence for s in limits(once, 90).spots]


def test_the_relief_says_what_it_gains_and_what_speaks_against_it() -> None:
    """On notes that are not fast the plan keeps the middle finger for C, which flips against the index (common
    practice, no source)."""
    found = limits(passage("B4:1/2 C5:1/2 B4:1/2"), 160)
    relief = next(r for r in found.reliefs if r.fingering.name == "side C")
    assert relief.note_index == 1
    assert relief.with_limit_bpm > 1.2 * relief.limit_bpm
    gain = f"raises the limit from {math.floor(relief.limit_bpm)} to {math.floor(relief.with_limit_bpm)}"
    assert f"side C instead of the usual C {gain}; against it: " in relief.sentence
    assert "ms more" in relief.sentence and "tone" in relief.sentence


def test_the_rule_that_speaks_against_it_is_named() -> None:
    made = passage("A4 Bb4 A4 Bb4 A4")
    planned = plan(made, ALTO)
    assert planned.choices[1].name == "bis" and planned.choices[1].rule
    found = speed_limits(made, planned, ALTO, 160)
    relief = next(r for r in found.reliefs if r.fingering.name == "side")
    assert f"against it: the rule “{planned.choices[relief.note_index].rule}”" in relief.sentence


def test_no_relief_asks_the_index_to_slide() -> None:
    """Common practice, no source: between B and bis the index would slide, whatever the milliseconds say."""
    planned = plan(passage("B4 A#4 B4"), ALTO)
    for tempo_bpm in (60, 120, 300):
        found = speed_limits(passage("B4 A#4 B4"), planned, ALTO, tempo_bpm)
        assert all("bis" not in r.fingering.keys for r in found.reliefs)


def test_a_relief_for_a_marked_note_says_that_it_is_marked() -> None:
    made = passage("G4 Bb4 G4")
    found = speed_limits(made, plan(made, ALTO, marks={1: "side"}), ALTO, 160)
    relief = next(r for r in found.reliefs if r.note_index == 1)
    assert relief.fingering.name == "bis"
    assert "the mark there decides otherwise" in relief.sentence


def test_the_rate_of_a_trill_is_that_of_two_changes() -> None:
    made = passage("G4 A4~B4:2 G4", tempo_bpm=60)
    planned = plan(made, ALTO)
    (trill,) = speed_limits(made, planned, ALTO, 60).trills
    other = planned.choices[1].trill_fingering
    assert other is not None
    both_s = 2 * change_seconds(ALTO, planned.choices[1].fingering, other)
    assert trill.trills_per_s == pytest.approx(1 / both_s)
    assert trill.fit == pytest.approx(2 / both_s)
    assert (
        f"A trilled with B reaches {1 / both_s:.1f} trills a second; {2 / both_s:.1f} fit into it at 60"
        in trill.sentence
    )


def test_nothing_to_change_has_no_limit() -> None:
    for text in ("", "G4", "G4 G4 G4", "r:1 G4"):
        found = limits(passage(text), 92)
        assert (found.changes, found.spots, found.reliefs, found.limit_bpm) == ((), (), (), math.inf)


def test_the_plan_of_an_excerpt_does_and_that_of_other_notes_is_refused() -> None:
    made = bars_of(f"{EASY} G4 C#4 G4 Bb4 G4 A4 G4 A4")
    planned = plan(made, ALTO)
    whole = speed_limits(made, planned, ALTO, 92)
    part = speed_limits(made.excerpt(1, 1), planned.part(8, 8), ALTO, 92)
    inside = [c.limit_bpm for c in whole.changes if c.from_index >= 8]
    assert [c.limit_bpm for c in part.changes] == pytest.approx(inside)
    with pytest.raises(UsageError, match="16 notes and the passage has 8"):
        speed_limits(made.excerpt(1, 1), planned, ALTO, 92)


@pytest.mark.parametrize("tempo_bpm", [0, -4, math.nan, math.inf])
def test_a_tempo_that_makes_no_sense_is_refused(tempo_bpm: float) -> None:
    made = passage("G4 A4")
    with pytest.raises(UsageError, match="such as 92"):
        speed_limits(made, plan(made, ALTO), ALTO, tempo_bpm)
