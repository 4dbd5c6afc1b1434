"""A performance without a click is seen, and moves nothing that the click measures."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from companion.charts import load
from companion.plain import plain_ascii
from companion.planning import plan
from companion.practice.judges_sheet import judge_performance
from companion.practice.simulation import simulate
from companion.record import Sitting, TakeRecord, take_record
from companion.record.cold import count_cold
from companion.record.index import survey
from companion.record.limiting import near_limit
from companion.record.model import TakeSummary
from companion.record.outlook import forecast_of, outlook
from companion.record.own_takes import OwnTake
from companion.record.progress import best_clean_bpm, by_day, fastest_clean_by_day, performance_in_words, reached
from companion.record.studio import _stuck
from companion.record.text import LEGEND, day_cells, progress_lines, student_lines, week_lines
from companion.record.tries import STOPPED
from companion.record.trouble import troubles_in
from companion.record.week import WeekItem, WeekSheet
from companion.reports.progress_marks import MOST_SINGLE_TAKES, progress_marks
from companion.scores import read
from tests.record_logs import summary

ETUDE = Path(__file__).parents[2] / "shared" / "passages" / "etude-e-minor.musicxml"
MONDAY = datetime(2026, 11, 23, 17, tzinfo=UTC)
SHEET = WeekSheet(Path("week.toml"), MONDAY.date(), "Robin", ())
WEEK = [day.isoformat() for day in SHEET.days]
ITEM = WeekItem("a.mxl", Path("a.mxl"), 96, bars="5-8", clean_takes=1)


def take(tempo_bpm: float, clean: bool, day: int = 0, **more: object) -> TakeSummary:
    return summary(MONDAY + timedelta(days=day), tempo_bpm, clean, **{"bars": "5-8", **more})


def performed(tempo_bpm: float = 101.3, clean: bool = True, day: int = 1, **more: object) -> TakeSummary:
    heard = {"advice": "Nothing that interrupts: the music goes through from beginning to end."}
    return take(tempo_bpm, clean, day, performance=1, **{**heard, **more})


def test_it_reaches_no_target_and_is_told_beside_what_did() -> None:
    takes = [take(84, True), performed()]
    what = reached(ITEM, WEEK, takes, "1")
    assert not what.done and (what.at_target, what.best_clean_bpm) == (0, 84)
    assert what.best_by_day[:2] == ((84, 0, 1), (None, 0, 1))
    assert what.performed_by_day == (0, 1, 0, 0, 0, 0, 0) and day_cells(what)[:3] == ("84", "◇", "·")
    assert what.remarks == ("performed on Tue at about 101, clean",)
    sheet = WeekSheet(Path("week.toml"), MONDAY.date(), "Robin", (ITEM,))
    assert "1  Performed on Tue at about 101, clean." in week_lines(sheet, [what])
    assert any("Performed on Tue" in line for line in student_lines(sheet, [what], ["companion play a.mxl"]))
    assert best_clean_bpm(takes) == 84 and fastest_clean_by_day(takes) == (("2026-11-23", 84),)
    assert [(day.day, day.takes, day.clean) for day in by_day(takes)] == [("2026-11-23", 1, 1)]


def test_a_day_of_the_week_shows_that_it_was_performed_on_alone_or_beside_practice() -> None:
    takes = [
        performed(day=0), take(60, False, 1), performed(clean=False, day=1), take(96, True, 2), performed(day=2),
        take(60, False, 3),
    ]  # fmt: skip
    what = reached(ITEM, WEEK, takes, "1")
    assert day_cells(what) == ("◇", "–◇", "96×1◇", "–", "·", "·", "·")
    assert "◇: performed without the click" in LEGEND
    lines = week_lines(WeekSheet(Path("week.toml"), MONDAY.date(), "Robin", (ITEM,)), [what])
    assert next(line for line in lines if line.startswith("1 ")).split()[4:8] == ["◇", "–◇", "96×1◇", "–"]
    # A terminal that has no such sign shows the letter, in the legend too.
    assert plain_ascii("–◇") == "-P" and "P: performed without the click" in plain_ascii(LEGEND)


def test_progress_names_the_newest_performances_with_what_was_heard_first() -> None:
    stopped = performed(92.4, False, 2, because="1 stop, in bar 6", advice="The stop in bar 6: 1.0 s.")
    because = "4 of 9 notes not reached, in bar 8"
    broken = performed(96, False, 3, because=because, advice="The music broke off in bar 8.")
    lines = progress_lines([take(84, True), performed(), stopped, broken], {"5-8": 96})
    assert lines[0] == "Bars 5–8: 1 take on 1 day, 1 clean; best clean tempo 84, target 96."
    assert lines[-4:] == [
        # What was broken off has no tempo that could be told.
        "Performed on Thu 26 Nov, not clean. Heard first: The music broke off in bar 8.",
        "Performed on Wed 25 Nov at about 92, not clean. Heard first: The stop in bar 6: 1.0 s.",
        "Performed on Tue 24 Nov at about 101, clean. Heard first: Nothing that interrupts: the music goes",
        "    through from beginning to end.",
    ]
    alone = progress_lines([performed()], {})
    assert alone[0] == "Bars 5–8: played without the click only." and "Performed" in alone[2]
    assert performance_in_words(performed(interrupted="Reed vanished"), "Tue") == "performed on Tue, clean"


def test_neither_the_forecast_nor_what_holds_back_nor_being_stuck_knows_it() -> None:
    practised = [take(70 + 2 * day + k, k < 2, day) for day in range(5) for k in range(4)]
    extra = [performed(140, True, day) for day in range(5)]
    today = date(2026, 11, 28)
    assert outlook([*practised, *extra], 96, today=today).sentences == outlook(practised, 96, today=today).sentences
    assert forecast_of(extra, today).too_early == forecast_of([], today).too_early
    level = [take(70, True, day) for day in range(6)]
    assert _stuck([*level, performed(95, True, 5)], 96, today) == _stuck(level, 96, today) != ""
    records = [TakeRecord("T", 80.0), TakeRecord("T", 95.5, performance=True)]
    assert near_limit(records, None) == (records[0],)


def test_as_a_first_take_it_counts_for_that_is_what_it_is() -> None:
    assert (count_cold([performed(95.1)], 96).clean, count_cold([performed(95.1)], 96).total) == (1, 1)
    assert count_cold([performed(80.0)], 96).slower == 1


def test_in_the_plot_it_stands_apart() -> None:
    marks = progress_marks([take(84, True), take(88, False), performed()])
    assert [tempo for _, tempo in (*marks.clean, *marks.not_clean)] == [84, 88]
    assert [tempo for _, tempo in marks.performed] == [101.3] and {tempo for _, tempo in marks.best} == {84}
    many = progress_marks([performed(day=i // 9) for i in range(MOST_SINGLE_TAKES + 1)])
    assert not many.spans and not many.best and many.performed


def test_the_log_keeps_it_apart_too(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path, MONDAY)
    sitting.append(TakeRecord("T", 92.4, performance=True, clean=True))
    (found,) = survey(tmp_path, tmp_path / "cache").takes
    assert found.performance == 1 and best_clean_bpm([found]) is None


@pytest.mark.parametrize("because", ["nothing was played", "little of what was heard belongs to this piece"])
def test_what_was_not_this_piece_has_no_tempo(because: str) -> None:
    assert performance_in_words(performed(92, False, because=because), "Tue") == "performed on Tue, not clean"


def test_a_change_stopped_at_in_performances_is_a_trouble_spot() -> None:
    """As the mock performance keeps it: late by the beat before, and on from there."""
    music, chart = read(ETUDE), load("alto")
    planned = plan(music, chart)
    keys = [choice.keys for choice in planned.choices]
    at = next(i for i in range(40, 80) if keys[i] != keys[i - 1])
    own = []
    for day in range(4):
        played = simulate(music, 84, "clean", day, kinds=[]).played.copy()
        for name in ("onset_s", "offset_s"):
            played[name][at:] += 1.2
        record = take_record(
            music, planned, chart, judge_performance(music, played, plan=planned).assessment, (),
            take_ns=0, beat_0_ns=0, end_ns=10**9, run_ns=0, performance=True,
        )  # fmt: skip
        own.append(OwnTake(record, f"2026-11-{20 + day}", "etude", record.tempo_bpm))
    (spot,) = troubles_in(own, music, planned, today=date(2026, 11, 26))
    assert spot.note_index == at and spot.kinds == ((STOPPED, 4),)
