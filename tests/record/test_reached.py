"""What counts as reached, and how it is told."""

from __future__ import annotations

from datetime import date, datetime, timedelta, timezone
from pathlib import Path

import pytest

from companion.record.model import TakeSummary, normal_bars, plain_text
from companion.record.progress import Day, best_clean_bpm, by_day, longest_stretch_s, of_passage, reached, who_played
from companion.record.text import progress_lines, remark_lines, student_lines, table, week_lines
from companion.record.week import WeekItem, WeekSheet
from tests.record_logs import summary

MONDAY = datetime(2026, 11, 23, 17, tzinfo=timezone(timedelta(hours=1)))
SHEET = WeekSheet(Path("week.toml"), date(2026, 11, 23), "Student", ())


def take(tempo_bpm: float, clean: bool, day: int = 0, minute: float = 0, **more: object) -> TakeSummary:
    usual = {"origin": "music/a.mxl", "bars": "5-8"}
    return summary(MONDAY + timedelta(days=day, minutes=minute), tempo_bpm, clean, **{**usual, **more})


def item(target_bpm: float = 96, **more: object) -> WeekItem:
    return WeekItem("passages/a.mxl", Path("passages/a.mxl"), target_bpm, bars="5-8", **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("written", "normal"), [("5–8", "5-8"), (" 5 - 8 ", "5-8"), ("5-5", "5"), ("5", "5"), ("", ""), ("X1-X2", "X1-X2")]
)
def test_bars_have_one_spelling(written: str, normal: str) -> None:
    assert normal_bars(written) == normal


def test_takes_are_found_by_content_or_by_name() -> None:
    takes = [
        take(60, True, origin="elsewhere/b.mxl"),
        take(64, True, sha256="2"),
        take(68, True, sha256="2", origin="c.mxl"),
    ]
    found, remarks = of_passage(takes, "1", "/x/a.mxl")
    assert [t.tempo_bpm for t in found] == [60, 64]
    assert remarks == ("1 take of 2 played from another version of a.mxl (matched by file name)",)
    assert of_passage([take(60, True, sha256="2", origin=r"C:\music\a.mxl")], "1", "a.mxl")[0]
    assert not of_passage([take(60, True, sha256="2", origin="")], "1", "")[0]


def test_only_takes_of_exactly_these_bars() -> None:
    takes = [take(60, True), take(64, True, bars=""), take(68, True, bars="5")]
    tempos = {bars: [t.tempo_bpm for t in of_passage(takes, "1", "a.mxl", bars)[0]] for bars in ("5–8", "", "5", None)}
    assert tempos == {"5–8": [60], "": [64], "5": [68], None: [60, 64, 68]}


def test_a_simulated_or_invented_take_never_counts_beside_a_real_one() -> None:
    own, simulated, example = take(60, True), take(90, True, port="sim:steady:1"), take(96, True, example=1)
    assert who_played([own, simulated, example]) == ((own,), ("1 take by the simulated player left out",))
    assert who_played([own, example]) == ((own,), ())
    assert who_played([simulated, example])[0] == (simulated,)
    assert "not by you" in who_played([simulated])[1][0]
    assert "nobody's practice" in who_played([example])[1][0]
    assert who_played([]) == ((), ())


def test_days() -> None:
    takes = [
        take(72, True, day=1, trouble_bars="7"),
        take(60, False, minute=2, trouble_bars="6 7", advice="second"),
        take(64, True, minute=0, trouble_bars="7", advice="first"),
        take(60, True, minute=5, target_bpm=None, advice="third, about a clean take"),
    ]
    assert by_day(takes) == (
        Day("2026-11-23", 3, 2, 64, 96.0, (("7", 2), ("6", 1)), "second"),
        Day("2026-11-24", 1, 1, 72, 96.0, (("7", 1),), ""),
    )
    # Where all were clean, what was said of the bar that is named beside it.
    clean = [take(64, True, trouble_bars="7", advice="watch bar 7"), take(66, True, minute=1, advice="all right")]
    assert by_day(clean)[0].advice == "watch bar 7" and by_day(clean[1:])[0].advice == "all right"
    assert best_clean_bpm(takes) == 72
    assert best_clean_bpm([take(99, False)]) is None


def test_an_item_counts_the_weeks_clean_takes_at_the_target() -> None:
    takes = [
        take(100, True, day=-1),
        take(96, True),
        take(95.98, True, minute=1),
        take(95, True, minute=2),
        take(120, False, minute=3),
        take(100, True, day=4),
        take(100, True, day=4, bars=""),
        take(100, False, day=6),
        take(100, True, day=7),
    ]
    what = reached(item(), [day.isoformat() for day in SHEET.days], takes, "1")
    none = (None, 0, 0)
    assert what.best_by_day == ((96, 2, 4), none, none, none, (100, 1, 1), none, (None, 0, 1))
    assert (what.best_clean_bpm, what.at_target, what.wanted, what.done) == (100, 3, 3, True)
    assert not reached(item(clean_takes=4), [d.isoformat() for d in SHEET.days], takes, "1").done


def test_the_longest_stretch_ends_with_a_break() -> None:
    first = [take(60, True, minute=m, duration_s=60) for m in (0, 2, 4, 8)]
    after = [take(60, True, minute=m, duration_s=120) for m in (20, 22)]
    assert longest_stretch_s([*after, *first]) == 9 * 60
    assert longest_stretch_s([]) == 0
    other_zone = take(60, True)._replace(started="2026-11-23T17:01:00+05:00")
    assert longest_stretch_s([take(60, True), other_zone]) == 60


def week_of(*items: WeekItem, takes: tuple[TakeSummary, ...] = ()) -> tuple[WeekSheet, list]:
    sheet = WeekSheet(SHEET.path, SHEET.week, SHEET.student, items)
    return sheet, [reached(it, [d.isoformat() for d in sheet.days], takes, "1") for it in items]


def test_the_week_as_a_table() -> None:
    takes = (take(72, True), take(96, True, day=1), take(96, True, day=1, minute=1), take(60, False, day=2))
    lines = week_lines(*week_of(item(by=date(2026, 11, 27), comment="in twos"), takes=takes))
    assert lines[0] == "Week of Monday 23 November 2026, Student"
    assert " ".join(lines[2].split()) == "Passage Bars Target By Mon Tue Wed Thu Fri Sat Sun At target"
    assert " ".join(lines[3].split()) == "1 a 5–8 96 Fri 72 96×2 – · · · · 2 of 3"
    assert "1  in twos" in lines


def test_a_week_fits_a_terminal_and_an_empty_one_says_what_to_do() -> None:
    long = WeekItem("p", Path("p" * 60 + ".mxl"), 123.5, bars="112-118", by=date(2026, 12, 24), comment="word " * 60)
    takes = tuple(take(122.5, True, day=d, origin="p" * 60 + ".mxl", bars="112-118", sha256="1") for d in range(7))
    lines = week_lines(*week_of(*[long] * 3, takes=takes))
    assert max(map(len, lines)) <= 125
    assert "companion week set" in "\n".join(week_lines(*week_of()))


def test_the_week_for_the_student_says_what_is_left_and_the_command() -> None:
    lines = student_lines(*week_of(item(), takes=(take(72, True),)), ["companion play a.mxl --bars 5-8"])
    text = " ".join(" ".join(lines).split())
    assert "a, bars 5–8: best clean tempo 72, target 96; 0 of 3 clean takes at the target." in text
    assert lines[-1].strip() == "companion play a.mxl --bars 5-8"
    done = student_lines(*week_of(item(60), takes=tuple(take(72, True, minute=m) for m in range(3))), ["x"])
    assert "target 60 reached, with 3 clean takes; best clean tempo 72." in " ".join(" ".join(done).split())


def test_progress_day_by_day_and_bars_by_bars() -> None:
    takes = [
        take(72, True, trouble_bars="6 7"),
        take(76, False, minute=1, trouble_bars="7", advice="Bar 7: the ring finger is late."),
        take(60, False, bars=""),
    ]
    lines = progress_lines(takes, {"5-8": 96, "": None})
    assert lines[0] == "The whole passage: 1 take on 1 day, 0 clean; no clean take yet."
    at = lines.index("Bars 5–8: 2 takes on 1 day, 1 clean; best clean tempo 72, target 96.")
    assert " ".join(lines[at + 3].split()) == "Mon 23 Nov 2 1 72 96 7 (2 takes), 6"
    assert lines[at + 4] == "    Advice: Bar 7: the ring finger is late."


def test_of_a_day_without_trouble_nothing_is_advised() -> None:
    """Else each day of a month has a line that says only that it went well."""
    days = [take(72, True, advice="Clean."), take(72, True, day=1, advice="Clean; watch bar 5.", trouble_bars="5")]
    text = "\n".join(progress_lines(days, {"5-8": 96}))
    assert "Advice: Clean; watch bar 5." in text and "Advice: Clean.\n" not in text


def test_tables_line_up() -> None:
    assert table(("a", "bb"), [("ccc", "1"), ("d", "22")], right=(1,)) == ["a    bb", "ccc   1", "d    22"]


def test_many_remarks_are_cut_short() -> None:
    assert remark_lines([f"r{i}" for i in range(8)])[-2:] == ["note: r4", "note: and 3 more like these"]


def test_a_name_neither_commands_the_terminal_nor_turns_its_line() -> None:
    """ECMA-48: ESC begins a command. Unicode Standard Annex #9: U+202E turns what follows round."""
    assert plain_text("a\x1b[2J\u202egnp.exe\u2066b\udcff") == "a?[2J?gnp.exe?b?"
    assert plain_text("Übung № 3 שלום\u200f") == "Übung № 3 שלום\u200f"
