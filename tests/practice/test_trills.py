"""Rate and evenness of trills. What is noticed is Friberg and Sundberg's (see `practice.tolerance`)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from practice.made import passage, pitch

from companion import charts
from companion.passage import Passage, Trill
from companion.planning import plan
from companion.practice.matching import align
from companion.practice.model import PLAYED, PlayedArray, Tolerances
from companion.practice.reading import read_take
from companion.practice.trills import LEAST_NOTES, trill_timings

ALTO = charts.load("alto")


def trilled(text: str, other: str, at: int = 0) -> Passage:
    piece = passage(text)
    notes = list(piece.notes)
    notes[at] = replace(notes[at], trill=Trill(pitch(other)))
    return replace(piece, notes=tuple(notes))


def take(main_ms: float, other_ms: float, count: int, *, first_ms: float = 0.0, faster: float = 0.0, jitter_ms=0.0):
    """B and C in turn, from 0 s on; each pair shorter than the one before by a share of `faster`."""
    rng = np.random.default_rng(4)
    lasts_ms = np.where(np.arange(count) % 2 == 0, main_ms, other_ms) * (1 - faster) ** (np.arange(count) // 2)
    lasts_ms = lasts_ms + rng.normal(0, jitter_ms, count) if jitter_ms else lasts_ms
    lasts_ms[0] += first_ms
    played = np.zeros(count, dtype=PLAYED)
    played["onset_s"] = np.concatenate([[0.0], np.cumsum(lasts_ms[:-1])]) / 1000
    played["offset_s"] = played["onset_s"] + lasts_ms / 1000
    played["written_midi"] = np.where(np.arange(count) % 2 == 0, 71, 72)
    return played


def only(played: PlayedArray, **more):
    piece = trilled("B4:4 A4:1", "C5")
    (timing,) = trill_timings(piece, played, np.zeros(len(played), dtype=np.int64), **more)
    return timing


def test_an_even_trill() -> None:
    timing = only(take(100, 100, 12))
    assert timing.note_index == 0
    assert timing.notes_per_s == pytest.approx(10.0)
    assert timing.main_longer_ms == pytest.approx(0.0, abs=1e-6)
    assert timing.spread_ms == pytest.approx(0.0, abs=1e-6)
    assert timing.sentence == "The trill on B in bar 1 has 10.0 notes a second, both of them equally long"


def test_how_much_longer_the_written_note_lasts_is_measured_also_where_the_trill_gathers_speed() -> None:
    assert only(take(112, 88, 15)).main_longer_ms == pytest.approx(24.0)
    assert only(take(88, 112, 15)).main_longer_ms == pytest.approx(-24.0)
    gathering = only(take(112, 88, 16, faster=0.03))
    assert gathering.main_longer_ms == pytest.approx(24.0 * 0.9, rel=0.1)


def test_a_first_note_that_is_held_tells_nothing_of_evenness() -> None:
    assert only(take(100, 100, 12, first_ms=400)).main_longer_ms == pytest.approx(0.0, abs=1e-6)


def test_the_spread_is_what_evenness_does_not_explain() -> None:
    timing = only(take(110, 90, 200, jitter_ms=8.0))
    # The onsets are fitted, so the spread is that of single notes.
    assert timing.spread_ms == pytest.approx(8.0, rel=0.15)
    assert timing.main_longer_ms == pytest.approx(20.0, abs=3.0)


@pytest.mark.parametrize(("longer_ms", "said"), [(10.0, False), (14.0, True), (-14.0, True)])
def test_what_nobody_hears_is_not_said(longer_ms: float, said: bool) -> None:
    """A displacement of 6 ms is noticed: one note lasts 12 ms longer then."""
    timing = only(take(100 + longer_ms / 2, 100 - longer_ms / 2, 15))
    assert ("lasts" in timing.sentence) == said


def test_an_unevenness_within_the_spread_is_not_said() -> None:
    timing = only(take(110, 90, LEAST_NOTES, jitter_ms=25.0))
    assert "lasts" not in timing.sentence


def test_the_slower_way_names_the_finger_where_a_single_one_trills() -> None:
    piece = trilled("B4:4 A4:1", "C5")
    fingered = plan(piece, ALTO)
    choice = fingered.choices[0]
    assert choice.trill_fingering.name == "side C"
    timing = only(take(112, 88, 15), plan=fingered, chart=ALTO)
    assert timing.sentence == (
        "The trill on B in bar 1 has 10.0 notes a second; the B lasts 24 ms longer than the C: your right side key goes"
        " down more slowly than it comes up"
    )
    other_way = only(take(88, 112, 15), plan=fingered, chart=ALTO)
    assert other_way.sentence.endswith(
        "the C lasts 24 ms longer than the B: your right side key comes up more slowly than it goes down"
    )


def test_without_a_plan_the_slower_change_is_named() -> None:
    assert only(take(112, 88, 15)).sentence.endswith("the change to C comes later than the change back")
    assert only(take(88, 112, 15)).sentence.endswith("the change to B comes later than the change back")


def test_a_finger_that_comes_up_for_the_neighbour_is_named_the_other_way_round() -> None:
    """A trilled with B: the middle finger lifts for the neighbour."""
    piece = trilled("A4:4", "B4")
    played = take(112, 88, 15)
    played["written_midi"] -= 2
    played["written_midi"][1::2] = 71
    (timing,) = trill_timings(piece, played, np.zeros(15, dtype=np.int64), plan(piece, ALTO), ALTO)
    assert timing.sentence.endswith("your left middle finger comes up more slowly than it goes down")


def test_short_trills_and_plain_notes_have_no_timing() -> None:
    piece = trilled("B4:4 A4:1", "C5")
    few = take(100, 100, LEAST_NOTES - 1)
    assert trill_timings(piece, few, np.zeros(len(few), dtype=np.int64)) == ()
    many = take(100, 100, 20)
    assert trill_timings(passage("B4:4"), many, np.zeros(20, dtype=np.int64)) == ()
    assert trill_timings(piece, many[:0], np.zeros(0, dtype=np.int64)) == ()


def test_a_trill_that_is_broken_off_is_measured_over_its_longest_stretch() -> None:
    piece = trilled("B4:4 A4:1", "C5")
    first, again = take(120, 120, 4), take(100, 100, 10)
    again["onset_s"] += 2.0
    away = np.array([(1.0, 1.1, 69, 80)], dtype=PLAYED)
    played = np.concatenate([first, away, again])
    realised = np.array([*[0] * 4, 1, *[0] * 10])
    (timing,) = trill_timings(piece, played, realised)
    assert timing.notes_per_s == pytest.approx(10.0)


def test_a_note_of_the_trill_struck_twice_ends_a_stretch() -> None:
    piece = trilled("B4:4 A4:1", "C5")
    before, after = take(100, 100, 4), take(100, 100, 9)
    after["onset_s"] += float(before["onset_s"][-1]) + 0.3
    after["written_midi"] = np.where(np.arange(9) % 2 == 0, 72, 71)
    played = np.concatenate([before, after])
    (timing,) = trill_timings(piece, played, np.zeros(len(played), dtype=np.int64))
    assert timing.notes_per_s == pytest.approx(10.0)


def test_a_blip_in_between_belongs_to_the_note_before_it() -> None:
    piece = trilled("B4:4 A4:1", "C5")
    played = take(100, 100, 12)
    blip = np.array([(float(played["onset_s"][5]) - 0.02, float(played["onset_s"][5]), 69, 80)], dtype=PLAYED)
    with_blip = np.insert(played, 5, blip)
    realised = np.array([0] * 5 + [-1] + [0] * 7)
    (timing,) = trill_timings(piece, with_blip, realised)
    assert timing.notes_per_s == pytest.approx(10.0)
    assert timing.main_longer_ms == pytest.approx(0.0, abs=1e-6)


def test_notes_of_one_instant_are_no_trill() -> None:
    played = take(100, 100, 12)
    played["onset_s"] = 1.0
    assert trill_timings(trilled("B4:4 A4:1", "C5"), played, np.zeros(12, dtype=np.int64)) == ()


def test_a_wrong_note_in_a_trill_is_none_of_its_notes() -> None:
    piece = trilled("B4:4 A4:1", "C5")
    played = take(112, 88, 16)
    played["written_midi"][9] = 74
    (timing,) = trill_timings(piece, played, np.zeros(16, dtype=np.int64))
    # Of the stretches before and after it the longer one counts.
    assert timing == only(take(112, 88, 16)[:9])
    # Wrong notes alone, though they take turns.
    played["written_midi"] = np.where(np.arange(16) % 2 == 0, 74, 76)
    assert trill_timings(piece, played, np.zeros(16, dtype=np.int64)) == ()


def test_notes_all_at_once_are_no_trill() -> None:
    piece, played = trilled("B4:4 A4:1", "C5"), take(100, 100, 12)
    played["onset_s"] = 0.0
    assert trill_timings(piece, played, np.zeros(12, dtype=np.int64)) == ()


def with_turn(*midi: int) -> PlayedArray:
    """A trill from C5 to D5 over four beats that ends with these notes, then C5 D5 E5 F5 as written."""
    trill = [72, 74] * 8 + list(midi)
    played = np.zeros(len(trill) + 4, dtype=PLAYED)
    played["velocity"] = 80
    played["onset_s"] = [*(4.0 * i / len(trill) for i in range(len(trill))), 4.0, 5.0, 6.0, 7.0]
    played["offset_s"] = played["onset_s"] + np.append(np.diff(played["onset_s"]), 1.0) * 0.8
    played["written_midi"] = [*trill, 72, 74, 76, 77]
    return played


@pytest.mark.parametrize(("turn", "extra"), [
    ((71, 72), 0), ((70, 72), 0), ((71,), 0), ((), 0),
    # A note further down, one from above, and one in the middle of the trill are no turn.
    ((69, 72), 1), ((75, 72), 1), ((71, 72, 74, 72), 1),
])  # fmt: skip
def test_a_turn_from_below_ends_a_trill_without_being_an_added_note(turn: tuple[int, ...], extra: int) -> None:
    piece = trilled("C5:4 C5:1 D5:1 E5:1 F5:1", "D5")
    played = with_turn(*turn)
    reading = read_take(piece, played, 60, Tolerances(), align(piece, played, 60))
    assert (len(reading.extras), reading.right) == (extra, 5)
