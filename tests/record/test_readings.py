"""The log gives back the very times that were played, and only those of the player's own takes on this horn."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion import charts, scores
from companion.charts.model import Chart
from companion.errors import RecordError
from companion.passage import Passage
from companion.planning import Plan, change_seconds, plan
from companion.planning.pace import PACE_SPREAD, pace_from
from companion.practice import PLAYED, RawEvent, Tolerances, judge
from companion.practice.clock import note_onsets_s
from companion.practice.model import ON_TIME
from companion.record import NoteRecord, Sitting, TakeRecord, read_log, take_record
from companion.record import readings as readings_module
from companion.record.readings import pace_of, readings_of
from companion.units import ns_from_s

ETUDE = Path(__file__).parents[2] / "shared" / "passages" / "etude-e-minor.musicxml"
NOW = datetime(2026, 11, 23, 17, tzinfo=UTC)


@cache
def alto() -> Chart:
    return charts.load("alto")


@cache
def etude() -> tuple[Passage, Plan]:
    """An etude that comes along, in sixteenths, and its plan."""
    whole = scores.read(ETUDE)
    return whole, plan(whole, alto())


def record_of(
    times_s: list[float],
    midis: list[int],
    tempo_bpm: float,
    *,
    shift: int = 0,
    pauses: tuple[tuple[int, int], ...] = (),
) -> TakeRecord:
    """A take of these notes, judged and recorded as the stand does it. `pauses` are (ns, ns late from there on)."""
    passage, planned = etude()
    played = np.array(
        [(t, n, m, 80) for t, n, m in zip(times_s, [*times_s[1:], times_s[-1] + 0.1], midis, strict=True)], PLAYED
    )
    late_ns = [sum(late for at, late in pauses if ns_from_s(t) >= at) for t in times_s]
    events = [
        RawEvent(ns_from_s(t) + late, bytes((0x90, m - shift, 80)))
        for t, m, late in zip(times_s, midis, late_ns, strict=True)
    ]
    return take_record(
        passage, planned, alto(), judge(passage, played, tempo_bpm), events, take_ns=0, beat_0_ns=0,
        end_ns=events[-1].time_ns + 10**9, run_ns=0, port="controller", shift_semitones=shift,
        pauses=[(at, 0, late) for at, late in pauses],
    )  # fmt: skip


def due(tempo_bpm: float) -> tuple[list[float], list[int]]:
    passage, _ = etude()
    return note_onsets_s(passage, tempo_bpm).tolist(), [note.written_midi for note in passage.notes]


def moving() -> list[int]:
    """Notes that are arrived at with another fingering and have, as the one before, a due time."""
    passage, planned = etude()
    keys = [choice.keys for choice in planned.choices]
    plain = [not note.grace for note in passage.notes]
    return [i for i in range(1, len(keys)) if keys[i] != keys[i - 1] and plain[i] and plain[i - 1]]


def test_a_performance_tells_nothing_of_the_fingers_pace() -> None:
    take = record_of(*due(60), 60)
    assert readings_of(take) and not readings_of(replace(take, performance=True))


def test_every_change_of_an_even_take_with_the_time_there_was_and_the_time_taken() -> None:
    times_s, midis = due(60)
    rng = np.random.default_rng(1)
    played_s = [t + float(rng.uniform(-0.012, 0.012)) for t in times_s]
    found = readings_of(record_of(played_s, midis, 60, shift=12))
    assert len(found) == len(moving())
    planned = etude()[1]
    for reading, i in zip(found, moving(), strict=True):
        assert (reading.before, reading.after) == (planned.choices[i - 1].keys, planned.choices[i].keys)
        assert reading.taken_s == pytest.approx(played_s[i] - played_s[i - 1], abs=1e-5)
        # The tempo played is measured, and off by what such small deviations make of it.
        assert reading.available_s == pytest.approx(times_s[i] - times_s[i - 1], rel=5e-3, abs=1e-5)
        assert not reading.late


def test_late_is_what_falls_behind_the_note_before_by_more_than_the_tolerance() -> None:
    times_s, midis = due(60)
    at = moving()[7]
    behind_s = [t + (0.2 if i >= at else 0.0) for i, t in enumerate(times_s)]
    late = [reading for reading in readings_of(record_of(behind_s, midis, 60)) if reading.late]
    assert len(late) == 1, "the notes after it are as late, but each has all its time"
    assert late[0].after == etude()[1].choices[at].keys
    assert late[0].taken_s - late[0].available_s == pytest.approx(0.2, abs=2e-3)
    generous = replace(record_of(behind_s, midis, 60), tolerances=Tolerances(on_time_ms=250.0))
    assert not any(reading.late for reading in readings_of(generous))


def test_who_plays_the_whole_passage_slower_than_the_click_is_not_late_at_every_note() -> None:
    times_s, midis = due(60)
    found = readings_of(record_of([t * 1.15 for t in times_s], midis, 60))
    assert found and not any(reading.late for reading in found)


def test_a_note_that_only_makes_up_for_an_early_one_says_nothing() -> None:
    times_s, midis = due(60)
    at = moving()[7]
    early_s = [t - (0.12 if i == at - 1 else 0.0) for i, t in enumerate(times_s)]
    full, found = readings_of(record_of(times_s, midis, 60)), readings_of(record_of(early_s, midis, 60))
    assert len(found) == len(full) - 1
    assert not any(reading.late for reading in found)


def test_a_wrong_note_and_a_note_left_out_cost_the_changes_around_them() -> None:
    times_s, midis = due(60)
    changes = moving()
    at = next(i for i in changes[5:] if i + 1 in changes)
    full = len(readings_of(record_of(times_s, midis, 60)))
    wrong = [midi + 1 if i == at else midi for i, midi in enumerate(midis)]
    assert len(readings_of(record_of(times_s, wrong, 60))) == full - 2
    without = (times_s[:at] + times_s[at + 1 :], midis[:at] + midis[at + 1 :])
    assert len(readings_of(record_of(*without, 60))) == full - 2


def test_an_added_note_costs_the_change_it_stands_in() -> None:
    times_s, midis = due(60)
    at = moving()[5]
    between = (times_s[at - 1] + times_s[at]) / 2
    more_s, more = [*times_s[:at], between, *times_s[at:]], [*midis[:at], midis[at] - 11, *midis[at:]]
    take = record_of(more_s, more, 60)
    assert take.added
    assert len(readings_of(take)) == len(moving()) - 1


def test_where_something_was_played_again_only_what_the_click_agrees_with_counts() -> None:
    times_s, midis = due(60)
    at = moving()[20]
    # A stumble of two notes, and on from there late.
    again_s = [*times_s[: at + 1], times_s[at] + 0.3137, times_s[at] + 0.5071, *(t + 0.7113 for t in times_s[at + 1 :])]
    again = [*midis[: at + 1], midis[at - 1], midis[at], *midis[at + 1 :]]
    take = record_of(again_s, again, 60)
    assert len(take.events) > sum(note.played_midi is not None for note in take.notes) + len(take.added)
    found = readings_of(take)
    assert 0.9 * len(moving()) <= len(found) < len(moving())
    even = readings_of(record_of(times_s, midis, 60))
    for reading in found:
        same = [r for r in even if (r.before, r.after) == (reading.before, reading.after)]
        assert min(abs(r.available_s - reading.available_s) for r in same) < 0.005


def test_the_change_in_which_the_take_was_paused_says_nothing() -> None:
    times_s, midis = due(60)
    at = moving()[9]
    pause = (ns_from_s(times_s[at] - 0.01), 5 * 10**9)
    found = readings_of(record_of(times_s, midis, 60, pauses=(pause,)))
    assert len(found) == len(moving()) - 1
    assert max(reading.taken_s for reading in found) < 5


#: G4 A4 B4 C5
MIDIS = (67, 69, 71, 72)
VALUES = [Fraction(1, n) for n in (1, 2, 3, 4, 5, 6, 8, 12, 16)] + [Fraction(3, 4), Fraction(7, 2)]


def made(deviations_ms: list[float], beats: list[Fraction] | None = None, tempo_bpm: float = 60.0) -> TakeRecord:
    """A take of eighths (or other `beats` between onsets) over G A B C, each that much off the click."""
    steps = beats or [Fraction(1, 2)] * (len(deviations_ms) - 1)
    at, notes, events = Fraction(0), [], []
    for i, deviation_ms in enumerate(deviations_ms):
        at += steps[i - 1] if i else 0
        midi = MIDIS[i % len(MIDIS)]
        keys = tuple(sorted(alto().standard(midi).keys))
        notes.append(NoteRecord("1", "1", midi, "standard", keys, ON_TIME, round(deviation_ms, 3), midi))
        time_ns = round(float(at) * 60e9 / tempo_bpm + deviation_ms * 1e6) + 5_000_000_000
        events.append(RawEvent(time_ns, bytes((0x90, midi - 9, 90))))
    return TakeRecord(
        "Made", tempo_bpm, instrument="alto", port="wind", shift_semitones=9, start_ns=5_000_000_000,
        notes=tuple(notes), events=tuple(events),
    )  # fmt: skip


@settings(max_examples=80, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.sampled_from(VALUES), st.floats(-4, 4)), min_size=1, max_size=30), st.floats(30, 220))
def test_every_note_value_at_every_tempo_comes_back(rows: list[tuple[Fraction, float]], tempo_bpm: float) -> None:
    beats = [value for value, _ in rows]
    take = made([0.0, *(ms for _, ms in rows)], beats, tempo_bpm)
    found = readings_of(take)
    assert [r.available_s for r in found] == pytest.approx([float(v) * 60 / tempo_bpm for v in beats], abs=1e-9)
    assert [r.taken_s for r in found] == pytest.approx(
        [(b.time_ns - a.time_ns) / 1e9 for a, b in pairwise(take.events)], abs=1e-9
    )


def test_a_time_that_no_note_value_has_is_a_note_matched_wrongly() -> None:
    odd = made([0.0, 0.0, 0.0], [Fraction(1, 2), Fraction(61, 120) + Fraction(1, 700)])
    assert [r.after for r in readings_of(odd)] == [alto().standard(69).keys]


def test_late_goes_by_the_larger_of_both_tolerances_of_the_take() -> None:
    behind = made([100.0, 120.0, 145.0])
    assert [r.late for r in readings_of(behind)] == [False, False]  # late on the click, but no change took longer
    strict = replace(behind, tolerances=Tolerances(on_time_ms=22.0, on_time_share=0.0))
    assert [r.late for r in readings_of(strict)] == [False, True]
    share = replace(behind, tolerances=Tolerances(on_time_ms=5.0, on_time_share=0.045))
    assert [r.late for r in readings_of(share)] == [False, True]  # 22.5 ms of 500


def test_notes_that_keep_their_keys_or_have_none_planned_are_no_change() -> None:
    take = made([0.0, 0.0, 0.0])
    same = replace(take, notes=(take.notes[0], replace(take.notes[1], keys=take.notes[0].keys), take.notes[2]))
    assert [r.after for r in readings_of(same)] == [alto().standard(71).keys]
    unplanned = replace(take, notes=(replace(take.notes[0], keys=(), fingering=""), *take.notes[1:]))
    assert [r.before for r in readings_of(unplanned)] == [alto().standard(69).keys]


def test_a_grace_note_and_the_note_after_it_are_passed_over() -> None:
    take = made([0.0] * 5)
    notes = (*take.notes[:2], replace(take.notes[2], deviation_ms=None), *take.notes[3:])
    assert [r.after for r in readings_of(replace(take, notes=notes))] == [
        alto().standard(69).keys,
        alto().standard(67).keys,
    ]


def test_the_example_takes_agree_with_the_click_of_their_passage() -> None:
    """The passage isn't looked at to read a take; so its own onsets are a second way to the same times."""
    examples = [t for t in read_log(ETUDE.parents[2] / "sessions").takes if t.id.startswith("example-")]
    assert len(examples) > 4
    for example in examples:
        part = etude()[0].excerpt(*etude()[0].bar_range(example.bars)) if example.bars else etude()[0]
        onsets_s = note_onsets_s(part, example.tempo_bpm)
        due_s: dict[tuple[frozenset[str], frozenset[str]], list[float]] = {}
        for i, (a, b) in enumerate(pairwise(example.notes)):
            if a.keys != b.keys:
                due_s.setdefault((frozenset(a.keys), frozenset(b.keys)), []).append(onsets_s[i + 1] - onsets_s[i])
        found = readings_of(replace(example, tempo_played_bpm=None))
        changes = sum(map(len, due_s.values()))
        assert 0.8 * changes < len(found) <= changes
        for reading in found:
            assert min(abs(s - reading.available_s) for s in due_s[reading.before, reading.after]) < 1e-4


def test_a_take_that_cant_be_read_any_more_is_passed_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sitting = Sitting(tmp_path / "s", NOW)
    sitting.append(made([0.0, 0.0]))
    summaries = readings_module.newest_takes_of(tmp_path / "s", "alto", 60, tmp_path / "c")
    sitting.path.write_bytes(sitting.path.read_bytes()[:-200])
    monkeypatch.setattr(readings_module, "newest_takes_of", lambda *_: summaries)
    assert len(summaries) == 1
    assert pace_of(tmp_path / "s", alto(), cache=tmp_path / "c").readings == 0


def test_takes_of_long_ago_count_where_there_are_no_newer_ones(tmp_path: Path) -> None:
    for day, tempo_bpm in ((-900, 50.0), (-100, 60.0), (-1, 70.0)):
        Sitting(tmp_path / "s", datetime.now(UTC) + timedelta(days=day)).append(made([0.0, 0.0], tempo_bpm=tempo_bpm))
    for most in range(4):
        found = readings_module.newest_takes_of(tmp_path / "s", "alto", most, tmp_path / "c")
        assert [take.tempo_bpm for take in found] == [50.0, 60.0, 70.0][3 - most :]


def a_takes_times(factor: float, tempo_bpm: float, rng: np.random.Generator) -> tuple[list[float], list[int]]:
    """A player whose every note waits for the fingers, `factor` times as long as expected."""
    times_s, midis = due(tempo_bpm)
    choices = etude()[1].choices
    played = [times_s[0]]
    for i in range(1, len(times_s)):
        needed = change_seconds(alto(), choices[i - 1].fingering, choices[i].fingering)
        there = played[-1] + needed * factor * float(np.exp(rng.normal(0, 0.1)))
        played.append(max(there, times_s[i] + float(rng.normal(0, 0.008))))
    return played, midis


def test_takes_of_a_known_pace_give_it_back(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    sitting = Sitting.begin(tmp_path, NOW)
    for tempo_bpm in (48, 56, 64, 72):
        sitting.append(record_of(*a_takes_times(1.3, tempo_bpm, rng), tempo_bpm))
    pace = pace_of(tmp_path, alto())
    assert pace.low is not None and pace.high is not None
    assert pace.low <= 1.3 <= pace.high
    assert 1.15 < pace.factor < 1.45
    assert "slower than the measured players" in pace.words


def test_the_interval_holds_for_takes_in_which_each_note_waits_for_the_one_before() -> None:
    """The players of `test_pace` play single changes; here one that was late shortens the time for the next. Of twenty
    intervals of 95 %, sixteen or fewer that hold would come by chance once in sixty times (binomial)."""
    held = told = 0
    for seed in range(20):
        rng = np.random.default_rng(100 + seed)
        factor = float(np.exp(rng.normal(0, PACE_SPREAD)))
        takes = [record_of(*a_takes_times(factor, tempo_bpm, rng), tempo_bpm) for tempo_bpm in (68, 80, 92)]
        pace = pace_from([reading for take in takes for reading in readings_of(take)], alto())
        if pace.low is not None and pace.high is not None:
            told += 1
            held += pace.low <= factor <= pace.high
    assert told >= 15
    assert held >= 0.85 * told


def test_only_the_players_own_takes_on_this_horn_count(tmp_path: Path) -> None:
    take = record_of(*a_takes_times(1.3, 84, np.random.default_rng(4)), 84)
    own = readings_of(take)
    for number, (port, instrument, example) in enumerate(
        (("sim:student:7", "alto", False), ("controller", "tenor", False), ("controller", "alto", True))
    ):
        sitting = Sitting(tmp_path, NOW + timedelta(days=number), example)
        sitting.append(replace(take, port=port, instrument=instrument))
    assert pace_of(tmp_path, alto()).readings == 0
    Sitting.begin(tmp_path, NOW - timedelta(days=9)).append(take)
    pace = pace_of(tmp_path, alto())
    assert 0 < pace.readings <= len(own)
    assert str(len(own)) in pace.words


def test_the_newest_takes_are_found_without_reading_the_others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    take = record_of(*due(60), 60)
    for day in range(12):
        Sitting.begin(tmp_path, NOW + timedelta(days=day)).append(replace(take, title=f"day {day}"))
    read: list[str] = []
    real = readings_module.read_take
    monkeypatch.setattr(
        readings_module,
        "read_take",
        lambda folder, summary, **how: (read.append(summary.title), real(folder, summary, **how))[1],
    )
    pace_of(tmp_path, alto(), newest_takes=3)
    assert read == ["day 9", "day 10", "day 11"]
    read.clear()
    assert pace_of(tmp_path, charts.load("tenor"), newest_takes=3).readings == 0
    assert read == []


def test_no_log_and_no_takes_are_the_average_player(tmp_path: Path) -> None:
    assert pace_of(tmp_path / "none", alto()) == pace_of(tmp_path, alto(), newest_takes=0)
    assert pace_of(tmp_path, alto()).factor == 1.0


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="everything may be read")
def test_a_log_that_cannot_be_read_is_one_line(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    folder.mkdir(0)
    with pytest.raises(RecordError, match="COMPANION_SESSIONS"):
        pace_of(folder, alto())


def test_a_file_in_place_of_the_folder_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "s").write_text("x")
    with pytest.raises(RecordError, match="COMPANION_SESSIONS"):
        pace_of(tmp_path / "s", alto())


def test_a_take_without_notes_events_or_tempo_says_nothing() -> None:
    take = record_of(*due(60), 60)
    assert readings_of(replace(take, tempo_bpm=0.0)) == []
    assert readings_of(replace(take, notes=())) == []
    assert readings_of(replace(take, events=())) == []


def test_a_device_an_octave_low_is_read_all_the_same() -> None:
    times_s, midis = due(60)
    low = record_of(times_s, [midi - 12 for midi in midis], 60)
    assert low.octave_shift_semitones == 12
    assert readings_of(low) == readings_of(record_of(times_s, midis, 60))


def test_notes_played_again_are_told_from_each_other() -> None:
    times_s, midis = due(60)
    at = moving()[20]
    # Back by three notes, then on, all in even time: by pitch alone the second time could be taken for the first.
    again_s = [*times_s[: at + 1], *(t + 1.0 for t in times_s[at - 2 :])]
    take = record_of(again_s, [*midis[: at + 1], *midis[at - 2 :]], 60)
    assert take.realised[at - 2 : at + 4] == (at - 2, at - 1, at, at - 2, at - 1, at)
    even = readings_of(record_of(times_s, midis, 60))
    found = readings_of(take)
    assert len(found) >= len(even) - 1
    there = {(reading.before, reading.after, round(reading.taken_s, 3)) for reading in even}
    assert {(reading.before, reading.after, round(reading.taken_s, 3)) for reading in found} <= there
