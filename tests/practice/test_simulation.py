"""Simulated takes: each kind of slip leaves its trace, the truth is true, rates are as stated, messages decode."""

from __future__ import annotations

import hashlib
import math
import os
import subprocess
import sys
import time
from collections import Counter
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import mido
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from planning_passages import passage as line
from ports.passages import etude
from practice.made import passage
from practice.takes import melody

from companion import charts
from companion.errors import UsageError
from companion.passage import Passage, Pitch, Trill, Tuplet
from companion.planning import plan as make_plan
from companion.planning.model import Choice, Plan
from companion.practice import to_played
from companion.practice.clock import note_onsets_s
from companion.practice.model import RawEvent
from companion.practice.sim_levels import RATE_ALONE
from companion.practice.sim_player import BLIP_S, BREAK_S, CLOSEST_S
from companion.practice.simulation import KINDS, LEVELS, SimulatedTake, simulate
from companion.units import ns_from_s

ETUDE = etude(208)
QUARTERS = passage("A4:1 B4:1 C5:1 D5:1 " * 40)
ALTO = charts.load("alto")


def alone(kind: str, piece: Passage = ETUDE, level: str = "student", seed: int = 1, **rest) -> SimulatedTake:
    """A take in which one kind happens, at least once; the seed is tried on until it does."""
    for tried in range(seed, seed + 50):
        take = simulate(piece, 72, level, tried, kinds={kind}, **rest)
        if take.happened:
            assert set(take.happened) == {kind}
            return take
    raise AssertionError(f"no {kind} in 50 takes")


def midis(piece: Passage) -> np.ndarray:
    return np.array([note.written_midi for note in piece.notes])


# Nothing but the timing


@pytest.mark.parametrize("style", ["wind", "keyboard"])
@pytest.mark.parametrize("level", LEVELS)
def test_with_no_kinds_every_note_is_played_once(level: str, style: str) -> None:
    piece = melody(3, 8)
    take = simulate(piece, 84, level, 5, style=style, kinds=())
    assert take.truth.tolist() == list(range(len(piece.notes)))
    assert take.played["written_midi"].tolist() == midis(piece).tolist()
    assert set(take.kinds) == {""} and not take.blips and not take.happened


def test_a_clean_take_is_clean() -> None:
    for seed in range(20):
        take = simulate(ETUDE, 92, "clean", seed)
        assert take.truth.tolist() == list(range(208)) and not take.happened


@pytest.mark.parametrize(("level", "spread_ms"), [("clean", 8), ("student", 18), ("messy", 30), ("chaos", 45)])
def test_the_spread_against_the_beat_is_the_stated_one(level: str, spread_ms: float) -> None:
    late_s = [
        simulate(ETUDE, 60, level, seed, kinds=()).played["onset_s"] - note_onsets_s(ETUDE, 60) for seed in range(12)
    ]
    assert 1e3 * np.std(late_s) == pytest.approx(spread_ms, rel=0.12)
    assert abs(np.mean(late_s)) < 0.15 * spread_ms / 1e3


def test_neighbouring_intervals_make_up_for_each_other() -> None:
    # Wing and Kristofferson (1973): correlation of neighbouring intervals between -0.5 and 0, nearer to -0.5 where the
    # finger's spread is large against the clock's.
    found = []
    for seed in range(12):
        intervals_s = np.diff(simulate(ETUDE, 60, "student", seed, kinds=()).played["onset_s"])
        found.append(np.corrcoef(intervals_s[:-1], intervals_s[1:])[0, 1])
    assert -0.5 < np.mean(found) < -0.3


# Each kind alone


def test_a_wrong_note_carries_the_index_of_its_place() -> None:
    take = alone("wrong note", level="chaos")
    wrong = [i for i, kind in enumerate(take.kinds) if kind]
    right = midis(ETUDE)[take.truth] == take.played["written_midi"]
    assert take.truth.min() == 0 and sorted(set(take.truth.tolist())) == list(range(208))
    assert take.happened["wrong note"] == np.sum(~right)
    assert all(take.kinds[i] == "wrong note" for i in np.flatnonzero(~right))
    # Some are put right at once: the same score note, now at pitch.
    again = [i for i in wrong if right[i]]
    assert again and all(take.truth[i] == take.truth[i - 1] and not right[i - 1] for i in again)


def test_a_wrong_note_put_right_makes_the_rest_later() -> None:
    take = alone("wrong note", level="chaos")
    late_s = take.played["onset_s"] - note_onsets_s(ETUDE, 72)[take.truth]
    put_right = np.flatnonzero(np.diff(take.truth) == 0) + 1
    assert late_s[-1] == pytest.approx(0.4 * len(put_right), rel=0.3)
    assert all(late_s[i] - late_s[i - 1] > 0.1 and late_s[i + 1] - late_s[i - 1] > 0.05 for i in put_right)


def test_wrong_notes_are_neighbours_or_a_note_from_close_by() -> None:
    far_apart = passage("C4:1/2 A5:1/2 " * 100)
    off = np.concatenate(
        [
            take.played["written_midi"] - midis(far_apart)[take.truth]
            for take in (simulate(far_apart, 72, "chaos", seed, kinds={"wrong note"}) for seed in range(20))
        ]
    )
    off = np.abs(off[off != 0])
    assert np.mean(off == 21) == pytest.approx(0.2, abs=0.07)
    assert np.mean(off[off != 21] <= 2) == pytest.approx(0.7 / 0.85, abs=0.07)
    assert set(off.tolist()) == {1, 2, 3, 5, 21}


def test_an_octave_slip_is_an_octave_off() -> None:
    take = alone("octave slip", level="chaos")
    off = take.played["written_midi"] - midis(ETUDE)[take.truth]
    assert set(off.tolist()) == {0, 12, -12}
    assert np.sum(off != 0) == take.happened["octave slip"]


def test_a_note_left_out_is_missing_and_the_rest_comes_in_time() -> None:
    take = alone("left out", level="chaos")
    missing = set(range(208)) - set(take.truth.tolist())
    assert len(missing) == take.happened["left out"] == 208 - len(take.truth)
    assert np.abs(take.played["onset_s"] - note_onsets_s(ETUDE, 72)[take.truth]).max() < 0.2


def test_an_added_note_realises_nothing() -> None:
    take = alone("added", level="chaos")
    extra = [i for i, kind in enumerate(take.kinds) if kind == "added"]
    assert np.flatnonzero(take.truth < 0).tolist() == extra
    assert len(extra) == take.happened["added"]
    assert take.truth[take.truth >= 0].tolist() == list(range(208))


def test_a_doubled_note_is_struck_twice_in_its_own_time() -> None:
    take = alone("doubled note", level="chaos")
    counts = Counter(take.truth.tolist())
    assert set(counts) == set(range(208)) and sum(n - 1 for n in counts.values()) == take.happened["doubled note"]
    for i in np.flatnonzero(np.diff(take.truth) == 0):
        assert take.kinds[i] == take.kinds[i + 1] == "doubled note"
        assert take.tongued[i + 1]
        assert take.played["written_midi"][i] == take.played["written_midi"][i + 1]
        assert take.played["onset_s"][i + 1] - take.played["onset_s"][i] < 60 / 72 / 4


def test_a_stutter_takes_the_last_one_to_four_notes_again() -> None:
    far = set()
    for seed in range(1, 9):
        take = alone("stutter", seed=50 * seed)
        steps = np.diff(take.truth)
        back = 1 - steps[steps != 1]
        assert len(back) == take.happened["stutter"]
        far |= set(back.tolist())
        onsets_s = take.played["onset_s"]
        waits_s = np.diff(onsets_s)[steps != 1]
        assert (waits_s > BREAK_S[0]).all()
        repeats = [i for i in range(1, len(take.truth)) if take.truth[i] <= max(take.truth[:i])]
        assert {take.kinds[i] for i in repeats} == {"stutter"}
        # All that follows is later: there is no catching up.
        late_s = onsets_s - note_onsets_s(ETUDE, 72)[take.truth]
        assert late_s[-1] > 0.9 * waits_s.min()
    assert far == {1, 2, 3, 4}


def test_a_restart_goes_back_to_the_first_note_of_a_bar() -> None:
    first_notes = {min(note.index for note in ETUDE.notes if note.bar == bar.index) for bar in ETUDE.bars}
    bars_back = set()
    for seed in range(1, 9):
        take = alone("restart", seed=50 * seed)
        for i in np.flatnonzero(np.diff(take.truth) != 1):
            left, to = int(take.truth[i]), int(take.truth[i + 1])
            assert to < left and to in first_notes
            assert take.kinds[i + 1] == "restart"
            bars_back.add(ETUDE.notes[left].bar - ETUDE.notes[to].bar)
    assert bars_back == {0, 1, 2}
    # From the first note of a bar there is no going back within it.
    pairs = passage("A4:1 B4:1 C5:1 D5:1 " * 20, metre=(2, 4))
    for seed in range(10):
        truth = simulate(pairs, 72, "chaos", seed, kinds={"restart"}).truth
        assert (np.diff(truth) != 0).all()


def test_a_skipped_bar_jumps_ahead_to_the_first_note_of_a_bar() -> None:
    for seed in range(1, 9):
        take = alone("skipped bar", seed=50 * seed)
        jumps = np.flatnonzero(np.diff(take.truth) != 1)
        assert len(jumps) == take.happened["skipped bar"]
        for i in jumps:
            to = int(take.truth[i + 1])
            assert to > take.truth[i] + 1
            assert ETUDE.notes[to].bar - ETUDE.notes[int(take.truth[i])].bar in (1, 2, 3)
            assert ETUDE.notes[to - 1].bar < ETUDE.notes[to].bar
            assert take.kinds[i + 1] == "skipped bar"


def test_a_late_entry_shifts_all_or_misses_the_first_notes() -> None:
    shifted = missed = 0
    for seed in range(30):
        take = simulate(ETUDE, 72, "student", seed, kinds={"late entry"})
        assert take.happened == {"late entry": 1} and take.kinds[0] == "late entry"
        late_s = take.played["onset_s"] - note_onsets_s(ETUDE, 72)[take.truth]
        assert take.truth.tolist() == list(range(take.truth[0], 208))
        if take.truth[0] == 0:
            shifted += 1
            assert late_s.min() > 0.3
        else:
            missed += 1
            assert np.abs(late_s).max() < 0.1
    assert shifted > 5 and missed > 5


def test_after_a_rest_an_entry_may_come_late_as_well() -> None:
    piece = passage("A4:1 B4:1 C5:1 r:1 " * 30)
    entries = {note.index for note in piece.notes if note.index % 3 == 0}
    late = Counter()
    for seed in range(40):
        take = simulate(piece, 72, "chaos", seed, kinds={"late entry"})
        missing = sorted(set(range(90)) - set(take.truth.tolist()))
        late.update(note for note in missing if note - 1 not in missing)
        late.update(int(take.truth[i]) for i, kind in enumerate(take.kinds) if kind and take.truth[i] in entries)
    assert len(set(late) - {0}) > 10
    assert set(late) <= entries


def test_a_hesitation_makes_all_that_follows_later() -> None:
    take = alone("hesitation", level="student", seed=3)
    late_s = take.played["onset_s"] - note_onsets_s(ETUDE, 72)
    thought = [i for i, kind in enumerate(take.kinds) if kind == "hesitation"]
    assert thought[0] > 0 and len(thought) == take.happened["hesitation"]
    for before, at in zip([0, *thought], [*thought, 208], strict=True):
        assert np.ptp(late_s[before:at]) < 0.15
    assert all(late_s[i] - late_s[i - 1] > 0.2 for i in thought)


def test_a_drifting_take_has_a_tempo_of_its_own() -> None:
    slopes = []
    for seed in range(40):
        take = simulate(ETUDE, 72, "messy", seed, kinds={"drift"})
        assert take.truth.tolist() == list(range(208))
        slopes.append(np.polyfit(note_onsets_s(ETUDE, 72), take.played["onset_s"], 1)[0])
    # 5 % from take to take and a random walk of 1 % a note within it.
    assert 0.04 < np.std(slopes) < 0.12
    assert abs(np.mean(slopes) - 1) < 0.05
    still = simulate(ETUDE, 72, "messy", 1, kinds=())
    assert np.polyfit(note_onsets_s(ETUDE, 72), still.played["onset_s"], 1)[0] == pytest.approx(1, abs=0.003)


@pytest.mark.parametrize("tempo_bpm", [60, 120, 240, 300])
def test_swung_quavers_come_late_and_the_beats_do_not(tempo_bpm: float) -> None:
    piece = passage("A4:1/2 B4:1/2 C5:1/2 D5:1/2 " * 20)
    shares = []
    for seed in range(20):
        take = simulate(piece, tempo_bpm, "clean", seed, kinds={"swing"})
        late_s = take.played["onset_s"] - note_onsets_s(piece, tempo_bpm)
        assert abs(np.mean(late_s[::2])) < 0.006
        shares.append(0.5 + np.mean(late_s[1::2]) * tempo_bpm / 60)
        assert [kind == "swing" for kind in take.kinds] == [i % 2 == 1 for i in range(80)]
    # Friberg and Sundström (2002): the short note keeps about 100 ms; at 300 quavers are even.
    shortest_share = 0.1 * tempo_bpm / 60
    assert max(shares) <= max(1 - shortest_share, 0.5) + 0.02
    assert min(shares) > 0.48
    if tempo_bpm <= 120:
        assert np.ptp(shares) > 0.05 and min(shares) > 0.55
    assert tempo_bpm < 300 or max(shares) < 0.52


def test_a_swung_slur_stays_a_slur_and_where_the_eighth_is_the_beat_nothing_swings() -> None:
    slurred = passage("A4:1/2 B4:1/2 C5:1/2 D5:1/2 " * 4)
    slurred = replace(slurred, notes=tuple(replace(n, tongued=n.index % 2 == 0) for n in slurred.notes))
    take = simulate(slurred, 80, "clean", 1, kinds={"swing"})
    assert take.tongued.tolist() == [n.tongued for n in slurred.notes]
    gigue = passage("A4:1/2 B4:1/2 C5:1/2 " * 8, metre=(6, 8))
    assert not simulate(gigue, 80, "clean", 1, kinds={"swing"}).happened
    thirds = passage("A4:1/3 B4:1/3 C5:1/3 " * 8)
    thirds = replace(thirds, notes=tuple(replace(note, tuplet=Tuplet(3, 2)) for note in thirds.notes))
    assert not simulate(thirds, 80, "clean", 1, kinds={"swing"}).happened


def test_a_trill_is_played_out_and_ends_on_its_note() -> None:
    held = replace(QUARTERS.notes[1], length=Fraction(2), trill=Trill(Pitch("C", 0, 5)))
    notes = (QUARTERS.notes[0], held, replace(QUARTERS.notes[3], index=2))
    piece = replace(QUARTERS, notes=notes)
    rates = []
    for seed in range(30):
        take = simulate(piece, 60, "student", seed, kinds={"trill"})
        inside = np.flatnonzero(take.truth == 1)
        heard = take.played["written_midi"][inside].tolist()
        assert take.truth.tolist() == [0, *[1] * len(inside), 2]
        assert heard == [71, 72] * (len(heard) // 2) + [71]
        assert {take.kinds[i] for i in inside} == {"trill"}
        assert not take.tongued[inside[1:]].any()
        rates.append(len(heard) / 2.0)
    # About ten notes a second: five whole trills, as fast as the usual pair of fingerings goes.
    assert 8 < np.mean(rates) < 11


def test_an_articulation_slip_turns_slur_into_tongue_and_tongue_into_slur() -> None:
    turned = Counter()
    for seed in range(10):
        take = alone("articulation", seed=50 * seed)
        asked = np.array([note.tongued for note in ETUDE.notes])
        other = np.flatnonzero(take.tongued != asked)
        assert len(other) == take.happened["articulation"]
        assert all(take.kinds[i] == "articulation" for i in other)
        turned.update(bool(asked[i]) for i in other)
    assert turned[True] and turned[False]


def test_a_forgotten_key_signature_misses_its_last_accidental_everywhere() -> None:
    piece = passage("F#4:1 G4:1 C#5:1 D5:1 " * 6, fifths=2)
    take = alone("key signature", piece)
    wrong = take.played["written_midi"] != midis(piece)
    assert [piece.notes[i].written.step for i in np.flatnonzero(wrong)] == ["C"] * 6
    assert set((take.played["written_midi"] - midis(piece))[wrong].tolist()) == {-1}
    assert take.truth.tolist() == list(range(24))
    flats = passage("Bb4:1 A4:1 Eb5:1 D5:1", fifths=-2)
    assert alone("key signature", flats).played["written_midi"].tolist() == [70, 69, 76, 74]
    assert not simulate(QUARTERS, 72, "student", 1, kinds={"key signature"}).happened


def test_where_the_breath_drops_out_the_note_comes_back_or_is_over() -> None:
    back = over = 0
    for seed in range(20):
        take = simulate(QUARTERS, 72, "chaos", seed, kinds={"breath dropout"})
        again = np.flatnonzero(np.diff(take.truth) == 0)
        gone = [i for i, kind in enumerate(take.kinds) if kind and i not in again and i - 1 not in again]
        back, over = back + len(again), over + len(gone)
        assert len(again) + len(gone) == take.happened.get("breath dropout", 0)
        breath = [(m.time_s, m.message[2]) for m in take.messages if m.message[:2] == b"\xb0\x02"]
        for i in [*again, *gone]:
            off_s = take.played["offset_s"][i]
            on_s = take.played["onset_s"][i + 1] if i + 1 < len(take.played) else off_s + 0.1
            assert on_s - off_s > 0.07
            assert 0 in [value for at_s, value in breath if off_s <= at_s <= on_s]
    assert back > 5 and over > 5
    short = etude(200, Fraction(1, 2))
    for seed in range(10):
        take = simulate(short, 105, "chaos", seed, kinds={"breath dropout"})
        silent_s = [m.time_s for m in take.messages if m.message == b"\xb0\x02\x00"]
        for i in np.flatnonzero(np.diff(take.truth) == 0):
            assert [s for s in silent_s if take.played["offset_s"][i] <= s <= take.played["onset_s"][i + 1]]
    assert not simulate(QUARTERS, 72, "chaos", 1, style="keyboard", kinds={"breath dropout"}).happened


# Blips and their fingers


def finger_keys(fingers: tuple[str, ...]) -> frozenset[str]:
    return frozenset(key.name for key in ALTO.keys if f"{key.hand} {key.finger}" in fingers)


@pytest.mark.parametrize("text", ["G4 Bb4", "C5 D5", "B4 C5", "A4 D5", "C#5 E5", "D6 G5", "G#4 C#4"])
def test_a_blip_is_what_the_horn_sounds_when_the_early_fingers_have_moved(text: str) -> None:
    piece = line(f"{text} " * 40, length="1")
    piece = replace(piece, notes=tuple(replace(note, tongued=note.index == 0) for note in piece.notes))
    plan = make_plan(piece, ALTO)
    told = untold = 0
    for seed in range(10):
        take = simulate(piece, 72, "chaos", seed, kinds={"blip"}, plan=plan, chart=ALTO)
        for blip in take.blips:
            i = blip.played_index
            assert take.truth[i] == -1 and take.kinds[i] == "blip"
            assert take.truth[i - 1] == blip.note_index - 1 and take.truth[i + 1] == blip.note_index
            apart_ms = 1e3 * (take.played["onset_s"][i + 1] - take.played["onset_s"][i])
            assert apart_ms == pytest.approx(blip.by_ms, abs=0.002)
            assert 1e3 * BLIP_S[0] <= blip.by_ms <= 1e3 * BLIP_S[1]
            if not blip.early:
                assert not blip.late
                untold += 1
                continue
            told += 1
            before, after = (plan.choices[blip.note_index - back].keys for back in (1, 0))
            early = finger_keys(blip.early)
            assert finger_keys(blip.early + blip.late) >= before ^ after
            assert not set(blip.early) & set(blip.late)
            between = (before - early) | (after & early)
            assert ALTO.sound(between) == take.played["written_midi"][i]
            assert take.played["written_midi"][i] not in midis(piece)[:2]
    assert 0 < untold < told
    assert told > 10


@pytest.mark.parametrize("text", ["F4 F#4", "E5 F#5", "C4 D4"])
def test_where_one_finger_moves_no_fingers_are_named(text: str) -> None:
    piece = line(f"{text} " * 40, length="1")
    plan = make_plan(piece, ALTO)
    blips = [
        blip
        for seed in range(10)
        for blip in simulate(piece, 72, "chaos", seed, kinds={"blip"}, plan=plan, chart=ALTO).blips
    ]
    assert blips and all(not blip.early and not blip.late for blip in blips)


def test_without_a_chart_a_blip_is_a_step_away_and_untold() -> None:
    take = alone("blip", level="chaos")
    assert len(take.blips) == take.happened["blip"]
    for blip in take.blips:
        heard = int(take.played["written_midi"][blip.played_index])
        assert abs(heard - ETUDE.notes[blip.note_index].written_midi) in (1, 2)
        assert (blip.early, blip.late) == ((), ())


# Rates


def _places(kind: str, piece: Passage, takes: list[SimulatedTake]) -> int:
    """How often the kind could have happened."""
    notes = piece.notes
    moves = sum(a.written_midi != b.written_midi for a, b in pairwise(notes))
    if kind in ("blip", "articulation"):
        return moves * len(takes)
    if kind in ("stutter", "restart", "skipped bar"):
        return sum(len(take.truth) for take in takes)
    return len(notes) * len(takes)


@pytest.mark.parametrize("level", ["student", "messy", "chaos"])
@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind not in ("trill", "drift", "swing", "key signature")])
def test_rates_over_many_takes_are_the_stated_ones(kind: str, level: str) -> None:
    piece = QUARTERS
    takes = [simulate(piece, 100, level, seed, kinds={kind}) for seed in range(40)]
    happened = sum(take.happened.get(kind, 0) for take in takes)
    if kind == "late entry":
        # Asked for by name the first entry is late; there is no rest after it.
        assert happened == len(takes)
        return
    rate = LEVELS[level].rates[kind] or RATE_ALONE[kind]
    places = _places(kind, piece, takes)
    # Four standard deviations of the binomial distribution; a skip needs bars ahead, breaks at one place are at most
    # three: some hundredths less.
    spread = 4 * math.sqrt(places * rate * (1 - rate))
    assert happened <= places * rate + spread
    assert happened >= (0.93 if kind in ("stutter", "restart", "skipped bar") else 1.0) * places * rate - spread
    assert happened > 10 or rate < 0.002


@pytest.mark.parametrize(
    ("kind", "piece"), [("swing", etude(32)), ("key signature", passage("F#4:1 G4:1 " * 4, fifths=1))]
)
def test_what_is_drawn_once_a_take_has_its_rate(kind: str, piece: Passage) -> None:
    takes = 600
    happened = sum(kind in simulate(piece, 100, "chaos", seed).happened for seed in range(takes))
    rate = LEVELS["chaos"].rates[kind]
    assert abs(happened - takes * rate) < 4 * math.sqrt(takes * rate * (1 - rate))


def test_several_kinds_asked_for_have_the_levels_rates() -> None:
    both = [simulate(etude(32), 100, "chaos", seed, kinds={"swing", "late entry"}).happened for seed in range(200)]
    # 5 and 10 % of takes, within four standard deviations.
    assert 1 <= sum("swing" in happened for happened in both) <= 22
    assert 4 <= sum("late entry" in happened for happened in both) <= 37
    assert not any(set(happened) - {"swing", "late entry"} for happened in both)


def test_levels_go_from_clean_to_chaos() -> None:
    names = list(LEVELS)
    assert names == ["clean", "student", "messy", "chaos"]
    for kind in KINDS:
        rates = [level.rates[kind] for level in LEVELS.values()]
        assert rates == sorted(rates), kind
        assert RATE_ALONE[kind] > 0
    assert all(rate == 0 for kind, rate in LEVELS["clean"].rates.items() if kind != "trill")
    assert all(rate > 0 for rate in LEVELS["messy"].rates.values())


# The truth, whatever happens


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 9999),
    level=st.sampled_from(list(LEVELS)),
    style=st.sampled_from(["wind", "keyboard"]),
    tempo_bpm=st.floats(30, 240),
    bars=st.integers(1, 12),
)
def test_the_truth_is_consistent(seed: int, level: str, style: str, tempo_bpm: float, bars: int) -> None:
    piece = melody(seed, bars, seed % 2 == 0)
    take = simulate(piece, tempo_bpm, level, seed, style=style)
    played, truth = take.played, take.truth
    assert len(played) == len(truth) == len(take.kinds) == len(take.tongued)
    assert set(take.kinds) <= {"", *KINDS} and set(take.happened) <= set(KINDS)
    assert (np.diff(played["onset_s"]) > CLOSEST_S - 2e-6).all()
    assert (played["offset_s"] > played["onset_s"]).all()
    assert truth.min(initial=0) >= -1 and truth.max(initial=0) < len(piece.notes)
    for i, kind in enumerate(take.kinds):
        if truth[i] < 0:
            assert kind in ("blip", "added")
        elif kind not in ("wrong note", "octave slip", "key signature"):
            assert played["written_midi"][i] == piece.notes[truth[i]].written_midi
    assert [blip.played_index for blip in take.blips] == [i for i, kind in enumerate(take.kinds) if kind == "blip"]
    repeated = played["written_midi"][1:] == played["written_midi"][:-1]
    assert take.tongued[1:][repeated].all()


def test_a_take_ends_even_where_one_bar_is_the_whole_piece() -> None:
    piece = etude(400)
    piece = replace(
        piece,
        notes=tuple(replace(note, bar=0) for note in piece.notes),
        bars=(replace(piece.bars[0], length=Fraction(100)),),
    )
    worst = []
    for seed in range(5):
        take = simulate(piece, 120, "chaos", seed)
        assert take.truth.max() >= 395  # the last ones may be left out
        # A player breaks off at one place three times at most, then it is got over.
        furthest, breaks = -1, Counter()
        for before, after in pairwise(take.truth[take.truth >= 0].tolist()):
            furthest = max(furthest, before)
            breaks[furthest] += after < before - 4
        worst.append(max(breaks.values()))
    assert max(worst) in (2, 3)


def test_at_the_edges_of_midi_wrong_notes_stay_within() -> None:
    edges = passage("G9:1 F#9:1 F9:1 G9:1 " * 20 + "C#0:1 E0:1 " * 20)
    low = tuple(replace(n, written=replace(n.written, octave=-1)) if n.written.octave == 0 else n for n in edges.notes)
    for seed in range(10):
        played = simulate(replace(edges, notes=low), 92, "chaos", seed).played
        assert played["written_midi"].min() >= 0 and played["written_midi"].max() <= 127


def test_an_empty_passage_and_one_note() -> None:
    empty = simulate(replace(ETUDE, notes=()), 92, "chaos", 1)
    assert len(empty.played) == 0 and empty.messages == () and empty.truth.dtype == np.int64
    one = simulate(passage("C4:1"), 92, "clean", 1)
    assert one.truth.tolist() == [0]


# The same everywhere

#: sha256 over messages, truth and kinds of the takes of `digest`; changed only where the simulator is meant to change.
DIGEST = "80fee32bb1c0f9fab78e9f164fc5c53eac4dfca910a4babc9ef435c658e636aa"

_DIGEST_CODE = """
import sys
sys.path[:0] = [{tests!r}]
from practice.test_simulation import digest
print(digest())
"""


def digest() -> str:
    found = hashlib.sha256()
    choices = tuple(Choice(note.index, ALTO.standard(note.written_midi), "") for note in ETUDE.notes)
    plan = Plan("alto", choices, "")
    for level in LEVELS:
        for style in ("wind", "keyboard"):
            take = simulate(ETUDE, 92.5, level, 11, style=style, plan=plan, chart=ALTO)
            for time_s, message in take.messages:
                found.update(f"{time_s:.6f} {message.hex()}\n".encode())
            found.update(f"{take.truth.tolist()} {take.kinds} {take.tongued.tolist()}\n".encode())
    return found.hexdigest()


def test_same_in_same_out_on_every_machine() -> None:
    assert digest() == DIGEST


def test_hash_seeds_do_not_matter() -> None:
    code = _DIGEST_CODE.format(tests=str(Path(__file__).resolve().parents[1]))
    environment = {**os.environ, "PYTHONHASHSEED": "4711"}
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == DIGEST


def test_another_seed_is_another_take() -> None:
    first = simulate(ETUDE, 92, "student", 1)
    for other in (simulate(ETUDE, 92, "student", 2), simulate(ETUDE, 93, "student", 1)):
        assert len(other.played) != len(first.played) or (other.played != first.played).any()
    assert first.messages == simulate(ETUDE, 92, "student", 1).messages


def test_what_is_returned_can_not_be_changed() -> None:
    take = simulate(ETUDE, 92, "student", 1)
    for array in (take.played, take.truth, take.tongued):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = array[1]
    with pytest.raises(TypeError):
        take.happened["added"] = 3  # type: ignore[index]


# What a controller sends


def decoded(take: SimulatedTake) -> list[tuple[float, float, int, int]]:
    """Notes paired by hand from what mido makes of the bytes."""
    notes: list[list] = []
    sounding: dict[int, list] = {}
    for time_s, data in take.messages:
        message = mido.Message.from_bytes(data)
        if message.type == "note_on" and message.velocity:
            assert message.note not in sounding
            sounding[message.note] = [time_s, math.nan, message.note, message.velocity]
            notes.append(sounding[message.note])
        elif message.type in ("note_on", "note_off"):
            sounding.pop(message.note)[1] = time_s
        else:
            assert message.is_cc(2)
    assert not sounding
    return [tuple(note) for note in notes]


@pytest.mark.parametrize("style", ["wind", "keyboard"])
@pytest.mark.parametrize("level", LEVELS)
def test_the_messages_are_the_notes(level: str, style: str) -> None:
    for seed in range(3):
        take = simulate(melody(seed, 12), 96, level, seed, style=style)
        times_s = [time_s for time_s, _ in take.messages]
        assert times_s == sorted(times_s)
        assert decoded(take) == [tuple(row) for row in take.played.tolist()]


@pytest.mark.parametrize("style", ["wind", "keyboard"])
def test_the_messages_are_heard_as_they_were_played(style: str) -> None:
    kinds = [kind for kind in KINDS if kind != "breath dropout"]
    for seed in range(3):
        take = simulate(melody(seed, 12), 96, "messy", seed, style=style, kinds=kinds)
        start_ns = 5 * 10**9
        heard = to_played([RawEvent(start_ns + ns_from_s(t), message) for t, message in take.messages], start_ns)
        assert heard["written_midi"].tolist() == take.played["written_midi"].tolist()
        assert heard["velocity"].tolist() == take.played["velocity"].tolist()
        np.testing.assert_allclose(heard["onset_s"], take.played["onset_s"], atol=2e-9)


def test_a_wind_controller_leaves_the_tongues_gap_and_slurs_by_its_habit() -> None:
    habits = set()
    gaps_ms = []
    for seed in range(24):
        take = simulate(ETUDE, 60, "clean", seed, kinds=())
        gap_ms = 1e3 * (take.played["onset_s"][1:] - take.played["offset_s"][:-1])
        gaps_ms += gap_ms[take.tongued[1:]].tolist()
        slurred = gap_ms[~take.tongued[1:]]
        assert np.ptp(slurred) < 14
        habits.add("overlap" if np.mean(slurred) < -1 else "before" if np.mean(slurred) > 0.5 else "same instant")
    assert habits == {"overlap", "before", "same instant"}
    # A. Hofmann and others, ICMPC-ESCOM 2012, 442-445: the tongue touches the reed for 34.5 ms, SD 5.84.
    assert np.mean(gaps_ms) == pytest.approx(34.5, abs=1)
    assert np.std(gaps_ms) == pytest.approx(5.84, abs=0.5)


def test_on_a_keyboard_legato_overlaps_and_detached_notes_end_early() -> None:
    for seed in range(6):
        take = simulate(ETUDE, 60, "clean", seed, style="keyboard", kinds=())
        gap_ms = 1e3 * (take.played["onset_s"][1:] - take.played["offset_s"][:-1])
        slurred = ~take.tongued[1:]
        assert ((gap_ms[slurred] >= -80.001) & (gap_ms[slurred] <= -9.999)).all()
        share = gap_ms[~slurred] / (1e3 * np.diff(take.played["onset_s"])[~slurred])
        assert ((share > 0.099) & (share < 0.401)).all()
        assert not [m for m in take.messages if m.message[0] == 0xB0]
        assert np.std(take.played["velocity"]) > 7


def test_breath_is_a_flood_that_falls_to_nothing_in_rests() -> None:
    piece = passage("A4:1 B4:1 r:2 C5:1 D5:1 r:2")
    take = simulate(piece, 60, "clean", 2)
    breath = [(m.time_s, m.message[2]) for m in take.messages if m.message[:2] == b"\xb0\x02"]
    silent_s = [time_s for time_s, value in breath if value == 0]
    assert len(silent_s) == 2 and 1.9 < silent_s[0] < 2.1 and 5.9 < silent_s[1] < 6.1
    blown = [value for time_s, value in breath if 0.1 < time_s < 1.9]
    assert len(blown) > 60 and min(blown) > 50


def test_a_take_of_200_notes_is_made_in_no_time() -> None:
    taken_s = []
    for seed in range(5):
        began = time.thread_time()
        assert simulate(ETUDE, 92, "messy", seed).messages
        taken_s.append(time.thread_time() - began)
    # Measured: 6 ms, and 20 ms more for 5,000 messages.
    assert min(taken_s) < 0.05


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"level": "genius"}, "no level called 'genius': there is clean, student, messy, chaos"),
        ({"tempo_bpm": 0}, "a tempo of 0 can't be played"),
        ({"tempo_bpm": float("nan")}, "a tempo of nan can't be played"),
        ({"style": "theremin"}, "no style called 'theremin': there is wind and keyboard"),
        ({"kinds": {"yawn"}}, "no kind of slip called 'yawn': there is wrong note, octave slip"),
        ({"plan": make_plan(line("A4 B4"), ALTO)}, "the plan is for 2 notes, the passage has 208"),
    ],
)
def test_nonsense_is_refused(change: dict, message: str) -> None:
    arguments = {"passage": ETUDE, "tempo_bpm": 92, "level": "student", "seed": 1} | change
    with pytest.raises(UsageError, match=message):
        simulate(**arguments)
