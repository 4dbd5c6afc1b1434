"""Reading a week sheet: what it says, and every fault with its place."""

from __future__ import annotations

import os
from datetime import date
from pathlib import Path

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from companion.errors import WeekSheetError
from companion.record import week
from companion.record.teacher_file import MAX_BYTES
from companion.record.week import day_from, item_for, load, place_of

MONDAY = date(2026, 11, 23)
HEAD = 'format = 1\nstudent = "Student"\nweek = 2026-11-23\n'
ITEM = '[[item]]\npassage = "passages/a.musicxml"\ntarget_bpm = 96\n'


def sheet_in(folder: Path, text: str) -> Path:
    path = folder / "week.toml"
    path.write_text(text, encoding="utf-8")
    return path


def fault(folder: Path, text: str) -> str:
    with pytest.raises(WeekSheetError) as caught:
        load(sheet_in(folder, text))
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_everything_a_sheet_can_say(tmp_path: Path) -> None:
    text = (
        HEAD + ITEM + 'bars = "5–8"\nby = "Fri"\nclean_takes = 2\nstart_bpm = 60\nstep_bpm = 2.5\ncomment = "slowly"\n'
    )
    sheet = load(sheet_in(tmp_path, text))
    (item,) = sheet.items
    assert (sheet.week, sheet.student, sheet.days[-1]) == (MONDAY, "Student", date(2026, 11, 29))
    assert item.path == tmp_path / "passages" / "a.musicxml"
    assert (item.bars, item.target_bpm, item.by, item.clean_takes) == ("5-8", 96.0, date(2026, 11, 27), 2)
    assert (item.start_bpm, item.step_bpm, item.comment) == (60.0, 2.5, "slowly")


def test_what_is_to_be_practised_how_and_when(tmp_path: Path) -> None:
    text = (
        HEAD + ITEM + 'by = "Fri"\nclimb = "overshoot"\ndays = ["Wed", "mon", "Wednesday"]\n'
        'exercise = "links"\nexercise_options = { times = 4, kind = "pair" }\n'
        'fingerings = { "6.4" = "side", "3.-1" = "bis" }\n' + ITEM + '[item.fingerings]\n"2.1" = "side"\n'
    )  # fmt: skip
    sheet = load(sheet_in(tmp_path, text))
    first, second = sheet.items
    assert (first.climb, first.days) == ("overshoot", (date(2026, 11, 23), date(2026, 11, 25)))
    assert (first.exercise, first.exercise_options) == ("links", {"times": 4, "kind": "pair"})
    assert (first.fingerings, second.fingerings) == ({"6.4": "side", "3.-1": "bis"}, {"2.1": "side"})
    # The same bars once as they are, once as an exercise.
    assert (second.exercise, second.climb, second.days) == ("", "", ())
    assert sheet.days_of(first) == first.days
    assert sheet.days_of(second) == sheet.days
    passage = tmp_path / "passages" / "a.musicxml"
    assert item_for(sheet, passage) is second
    assert item_for(sheet, passage, exercise="links") is first
    assert item_for(sheet, passage, exercise="links", options={"times": 4, "kind": "pair"}) is first
    assert item_for(sheet, passage, exercise="links", options={"times": 2}) is None
    assert item_for(sheet, passage, exercise="scales") is None


def test_without_days_it_is_played_on_all_up_to_the_one_it_is_due(tmp_path: Path) -> None:
    due, later = load(sheet_in(tmp_path, HEAD + ITEM + 'by = "Wed"\n' + ITEM + 'bars = "2"\nby = 2026-12-20\n')).items
    sheet = load(tmp_path / "week.toml")
    assert [day.day for day in sheet.days_of(due)] == [23, 24, 25]
    assert sheet.days_of(later) == sheet.days


def test_a_comment_commands_no_terminal(tmp_path: Path) -> None:
    text = HEAD.replace('"Student"', '"A\\u001b[31m"') + ITEM + 'comment = "slowly\\u001b[2J\\nand softly"\n'
    sheet = load(sheet_in(tmp_path, text))
    assert (sheet.student, sheet.items[0].comment) == ("A [31m", "slowly [2J and softly")


def test_what_is_left_out_is_none_or_empty(tmp_path: Path) -> None:
    (item,) = load(sheet_in(tmp_path, 'format=1\nweek=2026-11-23\n[[item]]\npassage="a.mxl"\ntarget_bpm=72.5')).items
    assert (item.bars, item.by, item.clean_takes, item.start_bpm, item.step_bpm, item.comment) == ("", *[None] * 4, "")


def test_a_sheet_without_items_is_a_sheet(tmp_path: Path) -> None:
    assert load(sheet_in(tmp_path, HEAD)).items == ()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "format should be 1"),
        ("format = 2\nweek = 2026-11-23\n", "line 1: format 2 is not known here, only 1; a newer companion wrote it"),
        ("format = true\nweek = 2026-11-23\n", "line 1: format True is not known"),
        ("format = 1\n", "week should be a Monday's date"),
        ('format = 1\nweek = "2026-11-23"\n', "line 2: week should be a Monday's date without quotes"),
        ("format = 1\nweek = 2026-11-25\n", "line 2: week 2026-11-25 is a Wednesday; the Monday of that"),
        ("format = 1\nweek = 0001-01-01T10:00:00\n", "week should be a Monday's date"),
        (HEAD + 'studnt = "x"\n', "line 4: studnt is not known here; did you mean student?"),
        (HEAD + ITEM + 'targt_bpm = 80\n', "line 7: item 1, targt_bpm is not known here; did you mean target_bpm?"),
        (HEAD + ITEM + 'qqq = 80\n', "line 7: item 1, qqq is not known here; known are passage"),
        (HEAD + '[[item]]\npassage = "a"\n', "line 4: item 1, target_bpm is missing; write such as target_bpm = 96"),
        (HEAD + "[[item]]\ntarget_bpm = 96\n", "line 4: item 1, passage is missing"),
        (HEAD + ITEM.replace("96", '"96"'), "line 6: item 1, target_bpm should be a number from 10 to 400, not '96'"),
        (HEAD + ITEM.replace("96", "nan"), "line 6: item 1, target_bpm should be a number"),
        (HEAD + ITEM.replace("96", "0"), "line 6: item 1, target_bpm should be a number"),
        (HEAD + ITEM.replace("96", "true"), "line 6: item 1, target_bpm should be a number"),
        (HEAD + ITEM + "start_bpm = 100\n", "line 7: item 1, start_bpm 100 is above target_bpm 96"),
        (HEAD + ITEM + "step_bpm = -2\n", "line 7: item 1, step_bpm should be a number from 0.5"),
        (HEAD + ITEM + "articulation_share = 90\n", "line 7: item 1, articulation_share should be a number"),
        (HEAD + ITEM + "step_percent = 60\n", "line 7: item 1, step_percent should be a number from 1 to 50"),
        (HEAD + ITEM + "step_bpm = 4\nstep_percent = 5\n", "line 8: item 1, step_percent stands beside step_bpm"),
        (HEAD + ITEM + "clean_takes = 2.5\n", "line 7: item 1, clean_takes should be a whole number"),
        (HEAD + ITEM + 'by = "Fri."\n', 'line 7: item 1, by should be a weekday such as "Fri"'),
        (HEAD + ITEM + "by = 2026-11-20\n", "line 7: item 1, by is 2026-11-20, before the week of 2026-11-23"),
        (HEAD + ITEM + "by = 2026-11-27T10:00:00\n", "line 7: item 1, by should be a weekday"),
        (HEAD + ITEM + 'bars = "five"\n' + ITEM, None),
        (HEAD + ITEM + 'bars = "5 to 8"\n', "line 7: item 1, bars should be a text such as"),
        (HEAD + ITEM + "comment = 3\n", "line 7: item 1, comment should be a text in quotes"),
        (HEAD + ITEM + ITEM, "line 8: item 2, passage with these bars stands in item 1 already"),
        (HEAD + 'item = "x"\n', "line 4: item should be tables"),
        (HEAD + "[[item]\n", "not valid TOML"),
        (HEAD + "a = " + "[" * 50_000, "not valid TOML"),
    ],
)  # fmt: skip
def test_a_fault_is_named_with_its_place(tmp_path: Path, text: str, said: str | None) -> None:
    if said is None:
        assert load(sheet_in(tmp_path, text)).items[0].bars == "five"
    else:
        assert said in fault(tmp_path, text)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ('climb = "overshot"\n', "line 7: item 1, climb 'overshot' is not known here; did you mean overshoot?"),
        ('climb = 3\n', "line 7: item 1, climb should be a text in quotes"),
        ('days = "Mon"\n', 'line 7: item 1, days should be a list of weekdays such as ["Mon", "Wed"]'),
        ('days = []\n', "line 7: item 1, days should be a list"),
        ('days = ["Mon", "Noday"]\n', "line 7: item 1, days 'Noday' should be a weekday"),
        ('days = [3]\n', "line 7: item 1, days '3' should be a weekday"),
        ('days = [2026-12-01]\n', "item 1, days '2026-12-01' is 2026-12-01, after the week of 2026-11-23"),
        ('by = "Tue"\ndays = ["Wed"]\n', "line 8: item 1, days 'Wed' comes after the day it is due, Tue"),
        ('exercise = "link"\n', "line 7: item 1, exercise 'link' is not known here; did you mean links?"),
        ('exercise_options = { times = 4 }\n', "line 7: item 1, exercise_options needs an exercise"),
        ('exercise = "links"\nexercise_options = 4\n', "line 8: item 1, exercise_options should be a small"),
        ('exercise = "links"\nexercise_options = { time = 4 }\n', "time is not known here; did you mean times?"),
        ('exercise = "links"\nexercise_options = { times = "4" }\n', "times should be such as "),
        ('exercise = "links"\n' + ITEM + 'exercise = "links"\n', "passage with these bars and this exercise"),
        ('fingerings = { "6" = "side" }\n', "line 7: item 1, fingerings '6' is no place: write bar and note"),
        ('fingerings = { 6.4 = "side" }\n', "line 7: item 1, fingerings '6' is no place"),
        ('fingerings = { "6.0" = "side" }\n', "'6.0' is no place"),
        ('fingerings = { "6.4" = 2 }\n', 'line 7: item 1, fingerings 6.4 should name a fingering'),
        ('fingerings = "side"\n', "line 7: item 1, fingerings should be a table such as"),
    ],
)  # fmt: skip
def test_a_fault_in_what_is_to_be_practised_how_and_when(tmp_path: Path, lines: str, said: str) -> None:
    assert said in fault(tmp_path, HEAD + ITEM + lines)


def test_all_faults_at_once_in_the_order_of_lines(tmp_path: Path) -> None:
    text = 'format = 1\nstudnt = "x"\nweek = 2026-11-24\n[[item]]\npasage = "a"\ntarget_bpm = 5\n'
    with pytest.raises(WeekSheetError) as caught:
        load(sheet_in(tmp_path, text))
    assert [f.split(":")[0] for f in caught.value.faults] == ["line 2", "line 3", "line 4", "line 5", "line 6"]


@pytest.mark.parametrize(
    "passage", ["/etc/passwd", "../a.musicxml", "x/../../a", "..", "C:/a.musicxml", r"..\\a", "", ".", "a\\u0000b"]
)
def test_a_passage_outside_the_sheets_folder_is_refused(tmp_path: Path, passage: str) -> None:
    said = fault(tmp_path, HEAD + f'[[item]]\npassage = "{passage}"\ntarget_bpm = 96\n')
    assert "line 5: item 1, passage" in said


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="this system has no symbolic links")
def test_a_link_that_leads_out_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "shared"
    folder.mkdir()
    (folder / "out").symlink_to(tmp_path)
    assert "leads out" in fault(folder, HEAD + '[[item]]\npassage = "out/a.musicxml"\ntarget_bpm = 96\n')
    assert place_of(folder, "./in/a.mxl") == folder / "in" / "a.mxl"


def test_a_huge_sheet_is_refused_unread(tmp_path: Path) -> None:
    assert "hardly a week sheet" in fault(tmp_path, HEAD + "#" * MAX_BYTES)


def test_too_many_items_are_refused(tmp_path: Path) -> None:
    items = "".join(ITEM.replace("a.mus", f"{i}.mus") for i in range(201))
    assert "201 times" in fault(tmp_path, HEAD + items)


def test_no_sheet_no_text_and_a_folder_say_so(tmp_path: Path) -> None:
    with pytest.raises(WeekSheetError, match="no such week sheet"):
        load(tmp_path / "none.toml")
    with pytest.raises(WeekSheetError, match="can't be read"):
        load(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b'student = "Andr\xe9"')
    with pytest.raises(WeekSheetError, match="not UTF-8"):
        load(tmp_path / "latin.toml")


def test_a_sheet_saved_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_bytes(b"\xef\xbb\xbf" + HEAD.encode())
    assert load(path).student == "Student"


@pytest.mark.parametrize(("word", "day"), [("Mon", 23), ("fr", 27), ("FRIDAY", 27), (" sun ", 29), ("2026-12-01", 1)])
def test_days_in_words(word: str, day: int) -> None:
    assert day_from(word, MONDAY).day == day


@pytest.mark.parametrize("word", ["", "m", "Frx", "2026-13-01", 5, None, 1.5])
def test_no_days(word: object) -> None:
    with pytest.raises(ValueError):
        day_from(word, MONDAY)


def test_the_item_for_these_bars_else_the_whole_passage_else_none(tmp_path: Path) -> None:
    text = HEAD + ITEM + ITEM.replace("96", "80") + 'bars = "5-8"\n' + ITEM.replace("/a.", "/b.") + 'bars = "1"\n'
    sheet = load(sheet_in(tmp_path, text))
    a, b = tmp_path / "passages" / "a.musicxml", tmp_path / "passages" / "b.musicxml"
    assert [item_for(sheet, a, bars).target_bpm for bars in ("5-8", "5 – 8", "", "1-2")] == [80, 80, 96, 96]  # type: ignore[union-attr]
    assert item_for(sheet, b, "1-1").target_bpm == 96  # type: ignore[union-attr]
    assert item_for(sheet, b, "") is None
    assert item_for(sheet, tmp_path / "a.musicxml") is None


def test_a_copy_elsewhere_is_the_same_passage(tmp_path: Path) -> None:
    sheet = load(sheet_in(tmp_path, HEAD + ITEM))
    for folder, content in (("passages", "one"), ("copy", "one"), ("other", "two")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "a.musicxml").write_text(content)
    assert item_for(sheet, tmp_path / "copy" / "a.musicxml") is sheet.items[0]
    assert item_for(sheet, tmp_path / "other" / "a.musicxml") is None


VALUES = st.recursive(
    st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.sampled_from(["links", "grow", "Mon", "5-8"])
    | st.dates().map(str),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)  # fmt: skip


@given(st.dictionaries(st.sampled_from(week._ITEM_KEYS), VALUES, max_size=6), VALUES, VALUES)
def test_whatever_stands_there_the_sheet_is_read_or_its_faults_are_said_on_a_line_that_can_be_shown(
    item: dict[str, object], format_: object, student: object
) -> None:
    for values in (item, {"passage": "a.mxl", "target_bpm": 96} | item):
        for first, name in ((format_, student), (1, "Student")):
            content = tomlkit.dumps({"format": first, "student": name, "week": MONDAY, "item": [values]}).encode()
            try:
                sheet = week.parse(content, Path("week.toml"))
            except WeekSheetError as error:
                assert str(error).isprintable() and len(str(error)) < 4_000
            else:
                assert all(each.comment.isprintable() and each.passage.isprintable() for each in sheet.items)
                assert all("".join(each.fingerings.values()).isprintable() for each in sheet.items)


def test_a_week_at_the_end_of_all_dates_is_none(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text("format = 1\nweek = 9999-12-27\n")
    with pytest.raises(WeekSheetError, match="line 2: week 9999-12-27 is the end of all dates"):
        load(path)
    path.write_text("format = 1\nweek = 9999-12-13\n")
    assert load(path).days[-1] == date(9999, 12, 19)


@pytest.mark.parametrize(
    ("written", "part"), [("2", "2"), ('"2"', "2"), ('"P1/2"', "P1/2"), ('"Saxophone 1"', "Saxophone 1")]
)
def test_the_part_is_named_as_on_the_command_line(tmp_path: Path, written: str, part: str) -> None:
    path = tmp_path / "week.toml"
    item = f'[[item]]\npassage = "a.mxl"\npart = {written}\ntarget_bpm = 96\n'
    path.write_text(f"format = 1\nweek = 2026-11-23\n{item}")
    assert load(path).items[0].part == part
    path.write_text(f"format = 1\nweek = 2026-11-23\n{item.replace(written, '-1')}")
    with pytest.raises(WeekSheetError, match="item 1, part"):
        load(path)
