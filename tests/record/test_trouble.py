"""Changes that keep failing are found in logs made by hand; what is no trouble is not named."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from functools import cache
from pathlib import Path
from time import process_time

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from record_takes import TAKES

from companion import charts
from companion.charts.model import Chart
from companion.passage import Bar, Note, Passage, Pitch, TempoMark
from companion.planning import Plan, plan
from companion.practice.model import LATE, LEFT_OUT, NOT_REACHED, ON_TIME, WRONG_NOTE
from companion.record import NoteRecord, Sitting, TakeRecord
from companion.record.model import SlipRecord, TrillRecord, UsedRecord
from companion.record.own_takes import OwnTake, finger_lags, newest_own_takes, trill_lags_of
from companion.record.tries import BEHIND, GONE_BACK, KINDS, OMITTED, SLIPPED, STOPPED, WRONG
from companion.record.trouble import troubles, troubles_in, troubles_over_all
from companion.record.wilson import wilson_interval

TODAY = date(2026, 11, 25)
#: G A B♭ C, twice, in eighths: two bars of 2/4.
NAMES = [("G", 0, 4), ("A", 0, 4), ("B", -1, 4), ("C", 0, 5)] * 2
AT = 2
BPM = 60.0


@cache
def alto() -> Chart:
    return charts.load("alto")


@cache
def passage() -> Passage:
    notes = tuple(
        Note(i, Pitch(*name), Fraction(i, 2), Fraction(1, 2), i // 4, 1 + Fraction(i % 4, 2), i)
        for i, name in enumerate(NAMES)
    )
    bars = tuple(Bar(i, str(5 + i), i, Fraction(2 * i), Fraction(2), 2, 4) for i in range(2))
    return Passage("Two bars", notes, bars, sha256="ab", origin="two.mxl", part_id="P1")


@cache
def planned() -> Plan:
    return plan(passage(), alto())


def notes_of(failing: dict[int, str] | None = None) -> tuple[NoteRecord, ...]:
    """What became of the notes; those in `failing` fail so."""
    found, late_ms = [], 0.0
    for note, choice in zip(passage().notes, planned().choices, strict=True):
        kind = (failing or {}).get(note.index)
        late_ms += {BEHIND: 90.0, STOPPED: 900.0}.get(kind or "", 0.0)
        record = NoteRecord(
            str(5 + note.bar), str(note.count), note.written_midi, choice.name, tuple(sorted(choice.keys)),
            ON_TIME if late_ms < 30 else LATE, late_ms, note.written_midi,
            available_ms=500.0 if note.index else None, went_back=int(kind == GONE_BACK),
        )  # fmt: skip
        if kind == WRONG:
            record = replace(record, verdict=WRONG_NOTE, played_midi=60)
        if kind == OMITTED:
            record = replace(record, verdict=LEFT_OUT, played_midi=None, deviation_ms=None)
        if kind == NOT_REACHED:
            record = replace(record, verdict=NOT_REACHED, played_midi=None, deviation_ms=None)
        found.append(record)
    return tuple(found)


def take_of(failing: dict[int, str] | None = None, tempo_bpm: float = BPM) -> TakeRecord:
    slips = tuple(
        SlipRecord(i, i - 1, 71, 30.0, ("right side",), ("left middle",), 30.0)
        for i, kind in (failing or {}).items()
        if kind == SLIPPED
    )
    return TakeRecord(
        "Two bars", tempo_bpm, instrument="alto", port="wind", sha256="ab", origin="two.mxl", notes=notes_of(failing),
        slips=slips,
    )  # fmt: skip


def own(takes: Sequence[TakeRecord], per_day: int = 2, first: int = 16) -> list[OwnTake]:
    days = [date(2026, 11, first) + timedelta(days=i // per_day) for i in range(len(takes))]
    return [
        OwnTake(replace(t, id=str(i)), day.isoformat(), t.sha256 or t.title, t.tempo_bpm)
        for i, (t, day) in enumerate(zip(takes, days, strict=True))
    ]


def found(takes: Sequence[OwnTake]):
    return troubles_in(takes, passage(), planned(), today=TODAY)


@pytest.mark.parametrize("kind", KINDS)
def test_a_change_that_keeps_failing_is_found_with_its_evidence(kind: str) -> None:
    spots = found(own([take_of({AT: kind}), take_of(), take_of({AT: kind}), take_of({AT: kind})]))
    (spot,) = spots
    assert (spot.from_index, spot.note_index, spot.bar, spot.beat) == (1, 2, "5", "2")
    assert (spot.takes, spot.failed, spot.days, spot.last_day) == (4, 3, 2, "2026-11-17")
    assert spot.kinds == ((kind, 3),) and spot.rate == 0.75
    assert (spot.low, spot.high) == wilson_interval(3, 4)
    assert spot.to_keys == tuple(sorted(planned().choices[2].keys))
    assert not spot.solved and spot.fails_from_bpm == BPM
    assert (spot.failed_from_there, spot.takes_from_there) == (3, 4)


def test_the_sentence_says_it_all() -> None:
    kinds = [BEHIND, "", BEHIND, WRONG, BEHIND, "", "", BEHIND]
    (spot,) = found(own([take_of({AT: kind} if kind else None) for kind in kinds], first=18))
    name = planned().choices[2].name
    assert spot.sentence == f"A to B♭ {name} in bar 5: failed in 5 of 8 takes on 4 days, last on Saturday; mostly late"


@pytest.mark.parametrize(
    ("today", "said"),
    [
        (date(2026, 11, 17), "last today;"),
        (date(2026, 11, 23), "last on Tuesday;"),
        (date(2026, 11, 24), "last on 17 November;"),
        (date(2027, 1, 3), "last on 17 November 2026;"),
        # A take from a computer whose clock is ahead.
        (date(2026, 11, 16), "last on 17 November;"),
    ],
)
def test_when_it_was_last(today: date, said: str) -> None:
    (spot,) = troubles_in(own([take_of({AT: WRONG})] * 4), passage(), planned(), today=today)
    assert said in spot.sentence


def test_two_takes_or_one_day_are_no_habit() -> None:
    assert not found(own([take_of({AT: WRONG})] * 2, per_day=1))
    assert not found(own([take_of({AT: WRONG})] * 9, per_day=9))
    assert found(own([take_of({AT: WRONG})] * 3, per_day=1))


def test_what_fails_in_a_try_that_the_ladder_asked_for_is_no_trouble() -> None:
    failing, trying = take_of({AT: WRONG}), {"ladder": {"climb": "overshoot", "trying": True}}
    assert not found(own([replace(failing, **trying)] * 8))
    (spot,) = found(own([failing, replace(failing, **trying), failing, failing]))
    assert (spot.failed, spot.takes) == (3, 3)


def test_what_fails_now_and_then_is_none() -> None:
    # 3 of 30: the lower end of the interval is 3.5 %.
    takes = [take_of({AT: WRONG} if i % 10 == 0 else None) for i in range(30)]
    assert not found(own(takes))


def test_where_everything_fails_nothing_stands_out() -> None:
    every = dict.fromkeys(range(1, 8), BEHIND)
    assert not found(own([take_of(every)] * 8))
    assert [spot.note_index for spot in found(own([take_of({AT: BEHIND})] * 8))] == [AT]


def test_a_change_from_a_wrong_note_or_not_reached_was_not_tried() -> None:
    takes = own([take_of({AT: WRONG, AT + 1: LEFT_OUT})] * 4)
    assert [spot.note_index for spot in found(takes)] == [AT]
    stopped = own([take_of(dict.fromkeys(range(AT, 8), NOT_REACHED))] * 4)
    assert not found(stopped)


def test_notes_that_follow_a_late_one_are_not_behind_it() -> None:
    (spot,) = found(own([take_of({AT: STOPPED})] * 4))
    assert spot.note_index == AT and spot.kinds == ((STOPPED, 4),)


def test_who_goes_slower_than_the_click_throughout_is_not_behind_at_every_note() -> None:
    # At 50 instead of 60 an eighth is 600 ms instead of 500.
    slow = tuple(replace(n, deviation_ms=100.0 * i, verdict=LATE) for i, n in enumerate(notes_of()))
    assert not found(own([replace(take_of(), notes=slow, tempo_played_bpm=50.0)] * 4))
    lost = tuple(replace(n, deviation_ms=n.deviation_ms + 100 * (i >= AT)) for i, n in enumerate(slow))  # type: ignore[operator]
    (spot,) = found(own([replace(take_of(), notes=lost, tempo_played_bpm=50.0)] * 4))
    assert spot.note_index == AT


def test_a_note_that_makes_up_for_an_early_one_is_not_behind() -> None:
    early = tuple(replace(n, deviation_ms=-100.0 if i == AT - 1 else 0.0) for i, n in enumerate(notes_of()))
    assert not found(own([replace(take_of(), notes=early)] * 4))


def test_takes_of_earlier_programs_tell_wrong_notes_and_no_late_ones() -> None:
    def old(take: TakeRecord) -> TakeRecord:
        return replace(take, notes=tuple(replace(n, available_ms=None) for n in take.notes))

    assert not found(own([old(take_of({AT: BEHIND}))] * 4))
    assert found(own([old(take_of({AT: WRONG}))] * 4))


def test_a_take_counts_once_though_the_bar_is_played_twice() -> None:
    twice = [replace(take_of({AT: WRONG}), notes=notes_of({AT: WRONG}) + notes_of({AT: OMITTED}))] * 4
    (spot,) = found(own(twice))
    assert (spot.takes, spot.failed, dict(spot.kinds)) == (4, 4, {WRONG: 4, OMITTED: 4})


def test_another_fingering_is_another_change() -> None:
    def fingered(take: TakeRecord) -> TakeRecord:
        notes = [replace(n, fingering="1-and-1", keys=("l1", "r1")) if i == AT else n for i, n in enumerate(take.notes)]
        return replace(take, notes=tuple(notes))

    takes = own([fingered(take_of({AT: WRONG}))] * 4)
    assert not found(takes)
    (spot,) = troubles_in(takes, today=TODAY)
    assert spot.to_keys == ("l1", "r1") and spot.change == "A4 to B♭4 1-and-1" and spot.note_index == -1


def test_the_beat_is_said_where_the_bar_has_the_same_change_twice() -> None:
    notes = tuple(replace(n, bar=0, count=1 + Fraction(n.index, 2)) for n in passage().notes)
    one_bar = replace(passage(), notes=notes, bars=(replace(passage().bars[0], length=Fraction(4), beats=4),))
    records = tuple(replace(r, bar="5", beat=str(n.count)) for r, n in zip(notes_of({6: WRONG}), notes, strict=True))
    (spot,) = troubles_in(own([replace(take_of(), notes=records)] * 4), one_bar, planned(), today=TODAY)
    assert " in bar 5, beat 4: " in spot.sentence


def test_the_tempo_from_which_on_it_fails() -> None:
    takes = [take_of(tempo_bpm=60)] * 4 + [take_of({AT: WRONG} if i % 2 else None, 66) for i in range(2)]
    takes += [take_of({AT: WRONG}, 72)] * 3
    (spot,) = found(own(takes))
    assert (spot.fails_from_bpm, spot.failed_from_there, spot.takes_from_there) == (66, 4, 5)


# -- solved ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("failed", "of", "needed"),
    # 0.5 ** 5 = 0.031 and 0.5 ** 4 = 0.0625; 0.6 ** 6 = 0.047 and 0.6 ** 5 = 0.078; at least five.
    [(4, 4, 5), (4, 8, 5), (4, 10, 6)],
)
def test_so_many_clean_passes_solve_it(failed: int, of: int, needed: int) -> None:
    before = [take_of()] * (of - failed) + [take_of({AT: WRONG})] * failed
    (still,) = found(own(before + [take_of()] * (needed - 1), per_day=1, first=1))
    assert (still.solved, still.clean_since, still.clean_needed) == (False, needed - 1, needed)
    solved = found(own(before + [take_of()] * needed, per_day=1, first=1))
    assert all(spot.solved for spot in solved)


def test_slower_than_it_ever_failed_solves_nothing() -> None:
    (spot,) = found(own([take_of({AT: WRONG}, 80)] * 4 + [take_of(tempo_bpm=60)] * 6))
    assert (spot.clean_since, spot.solved) == (0, False)


def test_solved_ones_come_last() -> None:
    takes = [take_of({AT: WRONG})] * 6 + [take_of({6: WRONG})] * 5
    spots = found(own(takes))
    assert [(s.note_index, s.solved) for s in spots] == [(6, False), (AT, True)]


# -- the log ---------------------------------------------------------------------------------------------------------


def write(folder: Path, takes: Sequence[TakeRecord], day: int, example: bool = False) -> None:
    sitting = Sitting(folder, datetime(2026, 11, day, 17, tzinfo=UTC), example)
    for take in takes:
        sitting.append(take)


def test_in_the_log_only_own_takes_of_this_horn_passage_and_part_count(tmp_path: Path) -> None:
    bad = take_of({AT: WRONG})

    def look() -> int:
        spots = troubles(tmp_path, passage(), alto(), planned(), today=TODAY, cache=tmp_path / "cache")
        return sum(spot.takes for spot in spots)

    for day in (20, 21):
        write(tmp_path, [replace(bad, port="sim:student:3"), replace(bad, port="sim")] * 2, day)
        write(tmp_path, [bad] * 3, day, example=True)
        write(tmp_path, [replace(bad, instrument="tenor"), replace(bad, sha256="cd", origin="b.mxl")] * 2, day)
        write(tmp_path, [replace(bad, part="Flute")] * 2, day)
    assert look() == 0
    write(tmp_path, [bad], 20)
    write(tmp_path, [replace(bad, part="P1"), replace(bad, sha256="edited since")], 21)
    assert look() == 3


def test_over_all_passages_the_same_change_counts_together(tmp_path: Path) -> None:
    other = replace(take_of({AT: WRONG}), sha256="cd", origin="other.mxl")
    write(tmp_path, [take_of({AT: WRONG}), other], 20)
    write(tmp_path, [other], 21)
    (spot,) = troubles_over_all(tmp_path, alto(), today=TODAY, cache=tmp_path / "cache")
    name = planned().choices[2].name
    assert spot.sentence == f"A4 to B♭4 {name} in 2 passages: failed in 3 of 3 takes on 2 days, last on Saturday; wrong"
    assert (spot.passages, spot.bar, spot.note_index) == (2, "", -1)


def test_takes_of_single_bars_count_in_the_passages_first_tempo(tmp_path: Path) -> None:
    marked = replace(passage(), tempos=(TempoMark(Fraction(0), 60.0), TempoMark(Fraction(2), 120.0)))
    second_bar = replace(take_of(), bars="6", tempo_bpm=100.0, notes=notes_of({6: WRONG})[4:])
    write(tmp_path, [second_bar] * 2, 20)
    write(tmp_path, [replace(take_of({6: WRONG}), tempo_bpm=50.0)] * 2, 21)
    (spot,) = troubles(tmp_path, marked, alto(), planned(), today=TODAY, cache=tmp_path / "cache")
    assert spot.fails_from_bpm == pytest.approx(50.0) and spot.takes == 4


def test_an_empty_log_and_a_missing_folder_have_none(tmp_path: Path) -> None:
    assert troubles(tmp_path / "nothing", passage(), alto(), planned(), cache=tmp_path / "cache") == ()
    assert troubles_over_all(tmp_path, alto(), cache=tmp_path / "cache") == ()


def test_ten_years_of_takes_are_looked_through_in_a_moment(tmp_path: Path) -> None:
    # 3,000 takes of this passage, each with events as a breath controller sends them.
    take = take_of({AT: WRONG})
    line = TakeLine(take)
    for year in range(2016, 2026):
        started = datetime(year, 6, 1, 17, tzinfo=UTC)
        head = f'{{"kind":"sitting","format":1,"id":"{year}","started":"{started.isoformat()}"}}\n'
        lines = [line.at(started + timedelta(days=i // 3, minutes=i % 3)) for i in range(300)]
        (tmp_path / f"{year}.jsonl").write_text(head + "".join(lines), encoding="utf-8")
    troubles(tmp_path, passage(), alto(), planned(), cache=tmp_path / "cache")
    began_s = process_time()
    (spot,) = troubles(tmp_path, passage(), alto(), planned(), cache=tmp_path / "cache")
    took_s = process_time() - began_s
    assert spot.takes == 30
    # Of the processor, so that other work beside it counts little; 0.05 s were measured.
    assert took_s < 0.5


class TakeLine:
    """A line of the log, with another date each time."""

    def __init__(self, take: TakeRecord) -> None:
        from companion.record.codec import encode_take

        data = json.loads(encode_take(replace(take, id="ID", started="STARTED")))
        data["events"] = [[i * 10_000_000, "b0027f"] for i in range(200)]
        self.text = json.dumps(data, separators=(",", ":")) + "\n"

    def at(self, when: datetime) -> str:
        return self.text.replace('"ID"', f'"{when.isoformat()}"').replace("STARTED", when.isoformat())


# -- fingers ---------------------------------------------------------------------------------------------------------


def slipping(by_ms: float) -> TakeRecord:
    slip = SlipRecord(AT, AT - 1, 71, by_ms, ("right side",), ("left middle",), by_ms)
    # One whose fingers can't be told, and one that points nowhere.
    return replace(take_of(), slips=(slip, SlipRecord(AT, AT - 1, 66, 20.0), replace(slip, note_index=99)))


def test_finger_lags_come_from_the_slips_of_many_takes() -> None:
    by_ms = [36.0, 40.0, 38.0, 41.0, 35.0]
    (lag,) = finger_lags(own([slipping(ms) for ms in by_ms]))
    assert (lag.early, lag.late, lag.takes, lag.days) == ("right side", "left middle", 5, 3)
    assert lag.mean_ms == pytest.approx(sum(by_ms) / 5)
    assert lag.to_keys == planned().choices[AT].keys


def test_a_slip_with_other_keys_than_planned_counts_for_those() -> None:
    takes = [replace(slipping(ms), used=(UsedRecord(AT, ("bis", "l1"), "bis"),)) for ms in (36.0, 40.0, 38.0, 41.0)]
    (lag,) = finger_lags(own(takes))
    assert lag.to_keys == {"bis", "l1"}


def test_trills_are_told_over_many_takes() -> None:
    trill = TrillRecord(3, 74, ("palm_d",), 9.0, 12.0, 4.0)
    takes = [replace(take_of(), trills=(replace(trill, main_longer_ms=ms),)) for ms in (12.0, 14.0, 11.0, 13.0)]
    (lag,) = trill_lags_of(own(takes))
    assert (lag.main_midi, lag.other_midi, lag.takes) == (72, 74, 4)
    assert lag.mean_ms == pytest.approx(12.5)


def test_they_survive_the_log(tmp_path: Path) -> None:
    write(tmp_path, [slipping(ms) for ms in (36.0, 40.0)], 20)
    write(tmp_path, [slipping(ms) for ms in (38.0, 41.0)], 21)
    takes = newest_own_takes(tmp_path, alto(), cache=tmp_path / "cache")
    (lag,) = finger_lags(takes)
    assert (lag.takes, lag.days, lag.mean_ms) == (4, 2, pytest.approx(38.75))


# -- properties ------------------------------------------------------------------------------------------------------

KIND = st.sampled_from(["", *KINDS])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.dictionaries(st.integers(1, 7), KIND.filter(bool), max_size=3), max_size=24))
def test_whatever_was_played_the_figures_agree_with_each_other(failing: list[dict[int, str]]) -> None:
    takes = own([take_of(fails) for fails in failing])
    for spot in found(takes):
        assert 3 <= spot.failed <= spot.takes <= len(takes) and 2 <= spot.days <= spot.failed
        assert 0.10 < spot.low <= spot.rate <= spot.high <= 1
        assert spot.failed <= sum(count for _, count in spot.kinds)
        assert [count for _, count in spot.kinds] == sorted((count for _, count in spot.kinds), reverse=True)
        assert spot.failed == sum(1 for fails in failing if _fails(fails, spot.note_index))
    assert found(takes) == found(takes)


def _fails(fails: dict[int, str], note: int) -> bool:
    return note in fails and fails.get(note - 1) not in (WRONG, OMITTED)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.booleans(), min_size=3, max_size=30))
def test_one_more_failure_never_takes_an_open_spot_away(failed: list[bool]) -> None:
    takes = [take_of({AT: WRONG} if fails else None) for fails in failed]
    before = [spot.note_index for spot in found(own(takes)) if not spot.solved]
    after = [spot.note_index for spot in found(own([*takes, take_of({AT: WRONG})])) if not spot.solved]
    assert set(before) <= set(after)


# -- chance ----------------------------------------------------------------------------------------------------------

BARS, TAKES_PLAYED = 30, 24


def unsteady(seed: int, rate: float, spot_rate: float) -> list[OwnTake]:
    """Takes of 30 bars in which each of some 240 changes fails at `rate` by chance, and one at `spot_rate`."""
    rng = np.random.default_rng(seed)
    takes = []
    for _ in range(TAKES_PLAYED):
        notes: list[NoteRecord] = []
        for bar in range(BARS):
            failing = {i: GONE_BACK for i in range(8) if rng.random() < (spot_rate if (bar, i) == (9, 5) else rate)}
            notes += [replace(n, bar=str(bar), beat=str(i)) for i, n in enumerate(notes_of(failing))]
        takes.append(replace(take_of(), notes=tuple(notes)))
    return own(takes, per_day=4)


def test_among_hundreds_of_changes_chance_makes_no_spots_and_a_real_one_is_found() -> None:
    named, right = 0, 0
    for seed in range(15):
        named += len(_placed(unsteady(seed, 0.15, 0.15)))
        right += ("9", "5") in _placed(unsteady(seed, 0.15, 0.6))
    assert named <= 2 and right >= 14


def _placed(takes: list[OwnTake]) -> set[tuple[str, str]]:
    """(bar, beat) of the spots, by a passage of 30 bars."""
    notes = [
        replace(n, index=8 * bar + i, bar=bar, count=Fraction(i), source=8 * bar + i)
        for bar in range(BARS)
        for i, n in enumerate(passage().notes)
    ]
    bars = tuple(replace(passage().bars[0], index=bar, number=str(bar)) for bar in range(BARS))
    choices = tuple(replace(planned().choices[n.index % 8], note_index=n.index) for n in notes)
    long = replace(passage(), notes=tuple(notes), bars=bars)
    return {(s.bar, s.beat) for s in troubles_in(takes, long, replace(planned(), choices=choices), today=TODAY)}


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(TAKES, max_size=4))
def test_whatever_a_file_holds_is_looked_through(takes: list[TakeRecord]) -> None:
    repeated = [replace(take, tempo_bpm=take.tempo_bpm if i % 3 else 0.0) for i, take in enumerate(takes * 4)]
    logged = own(repeated)
    for spot in troubles_in(logged, today=TODAY):
        assert spot.failed >= 3 and spot.sentence.startswith(spot.change)
    finger_lags(logged)
    trill_lags_of(logged)
