"""Writing a target: nothing of the teacher's is lost."""

from __future__ import annotations

import difflib
import os
import shutil
import subprocess
import sys
import tomllib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.errors import WeekSheetError
from companion.record import week_edit
from companion.record.week import load
from companion.record.week_edit import backup_path, bring_along, drop_target, put_back, set_target
from companion.scores.guards import one_line

TEACHERS = """\
# My own notes stay here.
format   = 1
student  = "Student"   # second year
week     = 2026-11-23

[[item]]
passage    = "passages/a.musicxml"
bars       = "5-8"
target_bpm = 96        # not above 100 yet

# the easy one
[[item]]
passage = 'passages/b.musicxml'
target_bpm = 72.5
comment = \"\"\"
Long tones
first.\"\"\"
# end
"""


def changed_lines(old: str, new: str) -> list[str]:
    return [line for line in difflib.ndiff(old.splitlines(), new.splitlines()) if line[0] in "+-"]


def test_a_sheet_is_made_where_there_is_none(tmp_path: Path) -> None:
    path = tmp_path / "shared" / "week.toml"
    set_target(path, "passages/a.musicxml", "5-8", 96, "Fri", comment='say "ah"', week=date(2026, 11, 25))
    sheet = load(path)
    assert sheet.week == date(2026, 11, 23)
    assert (sheet.items[0].bars, sheet.items[0].target_bpm, sheet.items[0].comment) == ("5-8", 96, 'say "ah"')
    assert sheet.items[0].by == date(2026, 11, 27)
    assert not backup_path(path).exists()


def test_a_target_is_changed_in_place_and_all_else_stays(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)
    set_target(path, "passages/a.musicxml", "5 – 8", 104)
    assert changed_lines(TEACHERS, path.read_text()) == [
        "- target_bpm = 96        # not above 100 yet",
        "+ target_bpm = 104        # not above 100 yet",
    ]
    assert backup_path(path).read_text() == TEACHERS


def test_a_new_item_comes_last_and_all_else_stays(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)
    set_target(path, "passages/a.musicxml", "", 60, clean_takes=2)
    assert path.read_text() == TEACHERS + (
        '\n[[item]]\npassage = "passages/a.musicxml"\ntarget_bpm = 60\nclean_takes = 2\n'
    )


def test_line_ends_of_windows_stay(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_bytes(TEACHERS.replace("\n", "\r\n").encode())
    set_target(path, "passages/c.musicxml", "", 60)
    set_target(path, "passages/b.musicxml", "", 80)
    content = path.read_bytes()
    assert content.count(b"\n") == content.count(b"\r\n")
    assert [item.target_bpm for item in load(path).items] == [96, 80, 60]


def test_a_list_of_items_in_one_line_grows_too(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text('format = 1\nweek = 2026-11-23\nitem = [{passage = "a.mxl", target_bpm = 60}]  # short\n')
    set_target(path, "b.mxl", "", 70)
    set_target(path, "a.mxl", "", 80)
    assert [(item.passage, item.target_bpm) for item in load(path).items] == [("a.mxl", 80), ("b.mxl", 70)]
    assert "# short" in path.read_text()


def test_the_same_target_again_writes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)
    set_target(path, "passages/a.musicxml", "5-8", 96)
    assert path.read_text() == TEACHERS
    assert not backup_path(path).exists()


@pytest.mark.parametrize(
    ("passage", "bars", "tempo", "by", "said"),
    [
        ("../a.mxl", "", 96, None, "without .."),
        ("a.mxl", "5 to 8", 96, None, "bars should be"),
        ("a.mxl", "", float("nan"), None, "target_bpm should be a number"),
        ("a.mxl", "", 4, None, "target_bpm should be a number from 10"),
        ("a.mxl", "", 96, "someday", "by should be a weekday"),
    ],
)
def test_what_would_make_a_faulty_sheet_is_not_written(
    tmp_path: Path, passage: str, bars: str, tempo: float, by: str | None, said: str
) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)
    with pytest.raises(WeekSheetError, match=said):
        set_target(path, passage, bars, tempo, by)
    assert os.listdir(tmp_path) == ["week.toml"]
    assert path.read_text() == TEACHERS


def test_a_faulty_sheet_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS + "[[item]\n")
    with pytest.raises(WeekSheetError, match="not valid TOML"):
        set_target(path, "a.mxl", "", 96)
    assert path.read_text() == TEACHERS + "[[item]\n"


def test_a_write_that_fails_leaves_the_old_sheet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(WeekSheetError, match="No space left"):
        set_target(path, "a.mxl", "", 96)
    assert path.read_text() == TEACHERS
    assert os.listdir(tmp_path) == ["week.toml"]


def test_what_another_program_wrote_meanwhile_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)
    real, turns = week_edit._edited, []

    def edited_while_another_writes(*args: object) -> bytes:
        new = real(*args)  # type: ignore[arg-type]
        if not turns:
            turns.append(1)
            path.write_text(TEACHERS + "# written meanwhile\n")
        return new

    monkeypatch.setattr(week_edit, "_edited", edited_while_another_writes)
    set_target(path, "c.mxl", "", 96)
    assert "# written meanwhile\n" in path.read_text()
    assert load(path).items[-1].passage == "c.mxl"


def test_a_sheet_that_is_a_link_stays_one(tmp_path: Path) -> None:
    real = tmp_path / "real.toml"
    real.write_text(TEACHERS)
    link = tmp_path / "week.toml"
    link.symlink_to(real)
    set_target(link, "passages/a.musicxml", "5-8", 100)
    assert link.is_symlink()
    assert load(real).items[0].target_bpm == 100


def test_a_passage_from_elsewhere_comes_along(tmp_path: Path) -> None:
    sheet = tmp_path / "shared" / "week.toml"
    inside = tmp_path / "shared" / "x" / "a.mxl"
    inside.parent.mkdir(parents=True)
    inside.write_text("a")
    assert bring_along(sheet, inside) == ("x/a.mxl", None)
    outside = tmp_path / "b.mxl"
    outside.write_text("b")
    name, copy = bring_along(sheet, outside)
    assert name == "passages/b.mxl"
    assert copy is not None
    assert copy.read_text() == "b"
    assert bring_along(sheet, outside) == ("passages/b.mxl", None)
    outside.write_text("changed")
    with pytest.raises(WeekSheetError, match="another file"):
        bring_along(sheet, outside)
    assert copy.read_text() == "b"


COMMENT = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=40)


@settings(max_examples=12, deadline=None)
@given(
    wanted=st.lists(
        st.tuples(st.sampled_from("abc"), st.sampled_from(["", "1", "5-8"]), st.integers(10, 400), COMMENT), max_size=6
    )
)
def test_any_row_of_targets_ends_with_the_last_of_each(tmp_path_factory: pytest.TempPathFactory, wanted: list) -> None:
    path = tmp_path_factory.mktemp("sheet") / "week.toml"
    path.write_text(TEACHERS)
    for name, bars, tempo_bpm, comment in wanted:
        set_target(path, f"{name}.mxl", bars, tempo_bpm, comment=comment)
    got = {(item.passage, item.bars): (item.target_bpm, item.comment) for item in load(path).items[2:]}
    assert got == {(f"{name}.mxl", bars): (tempo, one_line(comment)) for name, bars, tempo, comment in wanted}
    before, after = tomllib.loads(TEACHERS), tomllib.loads(path.read_text())
    assert after["item"][:2] == before["item"]
    assert "# My own notes stay here.\n" in path.read_text()


def test_a_step_in_per_cent_takes_the_place_of_one_in_bpm_and_back(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    for step_bpm, step_percent in ((4, None), (None, 5), (None, None), (6, None)):
        set_target(path, "a.musicxml", "", 96, step_bpm=step_bpm, step_percent=step_percent, week=date(2026, 11, 23))
        item = load(path).items[0]
        if step_bpm or step_percent:
            assert (item.step_bpm, item.step_percent) == (step_bpm, step_percent)
        else:
            assert item.step_percent == 5
    assert "step_percent" not in path.read_text("utf-8")


def test_what_is_to_be_practised_how_and_when_is_set_a_key_a_line(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    set_target(
        path, "a.mxl", "5-8", 96, "Fri", exercise="links", exercise_options={"times": 4}, days=["Mon", "Wed"],
        climb="grow", fingerings={"6.4": "side", "7.1": "bis"}, articulation_share=0.9, comment="softly",
        week=date(2026, 11, 23),
    )  # fmt: skip
    assert path.read_text().partition("[[item]]\n")[2] == (
        'passage = "a.mxl"\nbars = "5-8"\nexercise = "links"\nexercise_options = {times = 4}\ntarget_bpm = 96\n'
        'by = "Fri"\ndays = ["Mon", "Wed"]\nclimb = "grow"\narticulation_share = 0.9\n'
        'comment = "softly"\nfingerings = {"6.4" = "side", "7.1" = "bis"}\n'
    )
    (item,) = load(path).items
    assert (item.climb, item.exercise_options, item.fingerings["7.1"]) == ("grow", {"times": 4}, "bis")


def test_the_music_and_an_exercise_made_of_it_are_two_items(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)
    set_target(path, "passages/a.musicxml", "5-8", 60, exercise="links", exercise_options={"change": 2})
    set_target(path, "passages/a.musicxml", "5-8", 50, exercise="links")
    set_target(path, "passages/a.musicxml", "5-8", 70, exercise="links", exercise_options={"change": 1})
    items = [(item.exercise, item.target_bpm) for item in load(path).items]
    assert items == [("", 96), ("", 72.5), ("links", 50), ("links", 70)]


def test_days_and_fingerings_are_let_go_one_by_one_and_the_others_stay(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS + 'days = ["Mon"]\n[item.fingerings]\n"2.1" = "side"    # by the book\n"3.4" = "bis"\n')
    set_target(path, "passages/b.musicxml", "", 72.5, days=[], fingerings={"3.4": "", "9.1": "side", "8.8": ""})
    assert changed_lines(TEACHERS, path.read_text()) == [
        "+ [item.fingerings]", '+ "2.1" = "side"    # by the book', '+ "9.1" = "side"',
    ]  # fmt: skip
    set_target(path, "passages/b.musicxml", "", 72.5, fingerings={"2.1": "", "9.1": ""})
    assert load(path).items[1].fingerings == {}
    assert "fingerings" not in path.read_text()


@pytest.mark.parametrize(
    ("passage", "bars", "gone"),
    [
        ("passages/a.musicxml", "5 – 8", slice(5, 10)),
        ("passages/b.musicxml", "", slice(10, 17)),
    ],
)
def test_an_item_is_taken_out_with_the_comment_right_above_it(
    tmp_path: Path, passage: str, bars: str, gone: slice
) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)
    drop_target(path, passage, bars)
    lines = TEACHERS.splitlines(keepends=True)
    del lines[gone]
    assert path.read_text() == "".join(lines)
    assert backup_path(path).read_text() == TEACHERS


def test_the_last_item_can_go_and_others_written_on_one_line(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text('format = 1\nweek = 2026-11-23\nitem = [{passage = "a.mxl", target_bpm = 60}]  # short\n')
    drop_target(path, "a.mxl", "")
    assert load(path).items == ()
    set_target(path, "b.mxl", "", 70)
    assert [item.passage for item in load(path).items] == ["b.mxl"]


@pytest.mark.parametrize(
    ("bars", "exercise", "said"),
    [("1", "", "holds nothing of bars 1 of passages/a"), ("5-8", "links", "holds nothing of links of bars 5-8 of")],
)
def test_what_isn_t_there_can_t_be_taken_out(tmp_path: Path, bars: str, exercise: str, said: str) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)
    with pytest.raises(WeekSheetError, match=said):
        drop_target(path, "passages/a.musicxml", bars, exercise)
    with pytest.raises(WeekSheetError, match="there is no such week sheet"):
        drop_target(tmp_path / "none.toml", "a.mxl", "")
    assert os.listdir(tmp_path) == ["week.toml"]


EDITS = """
import sys
from pathlib import Path
from companion.record.week_edit import set_target
path, who = Path(sys.argv[1]), sys.argv[2]
for i in range(12):
    if who == "teacher":
        set_target(path, "passages/a.musicxml", "5-8", 60 + i, climb="grow", fingerings={f"{i + 1}.1": "side"})
    else:
        set_target(path, "passages/b.musicxml", "", 72.5, days=["Mon", "Wed"], fingerings={f"{i + 1}.2": "bis"})
        set_target(path, "passages/a.musicxml", "5-8", 60, exercise="links", comment=f"played {i}")
"""


def test_two_programs_that_edit_the_same_items_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)
    writers = [subprocess.Popen([sys.executable, "-c", EDITS, str(path), who]) for who in ("teacher", "student")]
    assert [writer.wait(timeout=60) for writer in writers] == [0, 0]
    music, other, links = load(path).items
    assert (music.target_bpm, music.climb) == (71, "grow")
    assert music.fingerings == {f"{i}.1": "side" for i in range(1, 13)}
    assert other.fingerings == {f"{i}.2": "bis" for i in range(1, 13)}
    assert (len(other.days), links.exercise, links.comment) == (2, "links", "played 11")
    assert "# not above 100 yet" in path.read_text() and "# the easy one" in path.read_text()


@pytest.mark.skipif(shutil.which("git") is None, reason="git does the merging")
def test_copies_that_two_people_changed_apart_merge_line_by_line(tmp_path: Path) -> None:
    base, teacher, student = (tmp_path / name for name in ("base.toml", "teacher.toml", "student.toml"))
    for path in (base, teacher, student):
        path.write_text(TEACHERS)
    set_target(teacher, "passages/a.musicxml", "5-8", 104, climb="alternate")
    set_target(student, "passages/b.musicxml", "", 72.5, days=["Mon"], fingerings={"2.1": "side"})
    merged = subprocess.run(
        ["git", "merge-file", "-p", str(teacher), str(base), str(student)], capture_output=True, check=False
    )
    assert merged.returncode == 0, merged.stdout.decode()
    base.write_bytes(merged.stdout)
    first, second = load(base).items
    assert (first.target_bpm, first.climb) == (104, "alternate")
    assert (len(second.days), second.fingerings) == (1, {"2.1": "side"})


@pytest.mark.skipif(shutil.which("git") is None, reason="git does the merging")
def test_lines_that_git_could_not_merge_are_named_and_not_touched(tmp_path: Path) -> None:
    base, teacher, student = (tmp_path / name for name in ("base.toml", "teacher.toml", "student.toml"))
    for path, tempo_bpm in ((base, 96), (teacher, 104), (student, 88)):
        path.write_text(TEACHERS)
        set_target(path, "passages/a.musicxml", "5-8", tempo_bpm)
    merged = subprocess.run(
        ["git", "merge-file", "-p", str(teacher), str(base), str(student)], capture_output=True, check=False
    )
    assert merged.returncode == 1
    base.write_bytes(merged.stdout)
    with pytest.raises(WeekSheetError, match="line 9: two people wrote here, and their lines were not merged"):
        set_target(base, "passages/a.musicxml", "5-8", 90)
    assert base.read_bytes() == merged.stdout


@pytest.mark.parametrize("kept", range(0, 100, 7))
def test_a_torn_sheet_is_said_and_not_touched(tmp_path: Path, kept: int) -> None:
    path = tmp_path / "week.toml"
    set_target(
        path, "a.mxl", "5-8", 96, "Fri", exercise="links", exercise_options={"times": 4}, days=["Mon"],
        fingerings={"6.4": "side"}, week=date(2026, 11, 23),
    )  # fmt: skip
    whole = path.read_bytes()
    torn = whole[: len(whole) * kept // 100]
    path.write_bytes(torn)
    try:
        load(path)
    except WeekSheetError as error:
        assert "\n" not in str(error)
        with pytest.raises(WeekSheetError):
            set_target(path, "b.mxl", "", 60)
        assert path.read_bytes() == torn
    else:
        # Torn between two lines it may be a sheet: then nothing of it is lost.
        set_target(path, "b.mxl", "", 60)
        assert path.read_bytes().startswith(torn)


def test_two_programs_at_once_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)
    before = len(load(path).items)
    code = (
        "import sys\nfrom pathlib import Path\nfrom companion.record.week_edit import set_target\n"
        "for i in range(8):\n    set_target(Path(sys.argv[1]), f'{sys.argv[2]}-{i}.mxl', '', 60 + i)\n"
    )
    writers = [subprocess.Popen([sys.executable, "-c", code, str(path), name]) for name in ("teacher", "student")]
    assert [writer.wait(timeout=60) for writer in writers] == [0, 0]
    sheet = load(path)
    assert len(sheet.items) == before + 16
    for name in ("teacher", "student"):
        found = [(item.passage, item.target_bpm) for item in sheet.items if item.passage.startswith(f"{name}-")]
        assert found == [(f"{name}-{i}.mxl", 60 + i) for i in range(8)]


def test_bars_are_changed_and_what_is_asked_is_taken_back_in_place(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)
    set_target(path, "passages/a.musicxml", "5-8", None, new_bars="3 – 6", only_there=True)
    set_target(path, "passages/b.musicxml", "", None, new_bars="2", without=("comment",), only_there=True)
    a, b = load(path).items
    assert (a.bars, a.target_bpm, b.bars, b.comment) == ("3-6", 96, "2", "")
    assert "not above 100 yet" in path.read_text() and "# end" in path.read_text()
    set_target(path, "passages/a.musicxml", "3-6", 98, new_bars="", only_there=True)
    assert (load(path).items[0].bars, load(path).items[0].target_bpm) == ("", 98)
    kept = path.read_text()
    with pytest.raises(WeekSheetError, match="target_bpm is missing"):
        set_target(path, "passages/a.musicxml", "", None, without=("target_bpm",), only_there=True)
    assert path.read_text() == kept


def test_what_is_no_longer_there_is_not_made_anew(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)
    with pytest.raises(WeekSheetError, match=r"holds nothing of bars 1-2 of passages/a\.musicxml"):
        set_target(path, "passages/a.musicxml", "1-2", 90, only_there=True)
    assert path.read_text() == TEACHERS


def test_an_edit_is_taken_back_unless_somebody_wrote_since(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(TEACHERS)
    set_target(path, "passages/a.musicxml", "5-8", 104)
    edited = path.read_bytes()
    put_back(path, TEACHERS.encode(), edited)
    assert path.read_text() == TEACHERS and backup_path(path).read_bytes() == edited
    path.write_text(TEACHERS.replace("72.5", "80"))
    with pytest.raises(WeekSheetError, match="somebody else"):
        put_back(path, TEACHERS.encode(), edited)
    assert "80" in path.read_text()


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_what_is_new_stands_above_the_comment_on_the_next_item(tmp_path: Path, end: str) -> None:
    path = tmp_path / "week.toml"
    old = TEACHERS.replace("\n", end)
    path.write_bytes(old.encode())
    for values in ({"clean_takes": 5}, {"days": ["Mon"]}, {"fingerings": {"6.4": "side"}}, {"without": ("days",)}):
        set_target(path, "passages/a.musicxml", "5-8", None, **values)  # type: ignore[arg-type]
    added = f'clean_takes = 5{end}fingerings = {{"6.4" = "side"}}{end}'
    assert path.read_bytes().decode() == old.replace(f"100 yet{end}", f"100 yet{end}{added}")


DATED = """\
format = 1
week = 2026-11-23
[[item]]
passage = "a.musicxml"
bars = "5-8"
target_bpm = 96
by = 2026-11-27        # the lesson
[[item]]
passage = "b.musicxml"
target_bpm = 80
by = "2026-11-26"
days = ["Mon", "2026-11-24"]
[[item]]
passage = "c.musicxml"
target_bpm = 80
by = 2026-12-12        # the audition
[[item]]
passage = "d.musicxml"
target_bpm = 80
by = 2026-12-01
days = ["Mon", "Fri"]
[[item]]
passage = "e.musicxml"
target_bpm = 80
by = "Fri"
"""


def test_dates_go_along_with_the_sheet_where_the_next_week_has_them_behind_it(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(DATED)
    said = set_target(path, "e.musicxml", "", 84, week=date(2026, 12, 2))
    assert said == (
        "a.musicxml, bars 5–8: due on Fri 27 Nov, before that week: now Fri 4 Dec.",
        "b.musicxml: due on Thu 26 Nov, before that week: now Thu 3 Dec.",
        "d.musicxml: Fri left out of its days, for it is due on Tue 1 Dec.",
    )
    sheet = load(path)
    assert [item.by for item in sheet.items] == [
        date(2026, 12, 4), date(2026, 12, 3), date(2026, 12, 12), date(2026, 12, 1), date(2026, 12, 4),
    ]  # fmt: skip
    assert sheet.items[1].days == (date(2026, 11, 30), date(2026, 12, 1)) and sheet.items[3].days == (sheet.week,)
    # Written as they were, with what the teacher noted beside them.
    text = path.read_text()
    assert "by = 2026-12-04        # the lesson" in text and 'by = "2026-12-03"' in text
    assert "by = 2026-12-12        # the audition" in text and 'days = ["Mon", "2026-12-01"]' in text


def test_a_day_after_the_one_it_is_due_leaves_no_days_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(DATED.replace('days = ["Mon", "Fri"]', 'days = ["Sat"]'))
    set_target(path, "d.musicxml", "", 84, week=date(2026, 11, 30))
    assert load(path).items[3].days == () and "Sat" not in path.read_text()


@pytest.mark.parametrize(
    ("sheet", "passage", "bars", "week", "changed"),
    [
        (TEACHERS, "passages/a.musicxml", "5-8", date(2026, 12, 2), ["- week     = 2026-11-23",
                                                                     "+ week     = 2026-11-30"]),
        (DATED, "e.musicxml", "", date(2026, 11, 25), ["- target_bpm = 80", "+ target_bpm = 96"]),
        # Back again: what is due later stays due, and days that are dates go along.
        (DATED, "e.musicxml", "", date(2026, 11, 16), [
            "- week = 2026-11-23", "+ week = 2026-11-16", '- days = ["Mon", "2026-11-24"]',
            '+ days = ["Mon", "2026-11-17"]', "- target_bpm = 80", "+ target_bpm = 96",
        ]),
    ],
)  # fmt: skip
def test_of_a_sheet_that_goes_to_a_week_no_more_changes_than_has_to_and_nothing_is_said(
    tmp_path: Path, sheet: str, passage: str, bars: str, week: date, changed: list[str]
) -> None:
    path = tmp_path / "week.toml"
    path.write_text(sheet)
    assert set_target(path, passage, bars, 96, week=week) == ()
    assert changed_lines(sheet, path.read_text()) == changed


def test_a_week_at_the_end_of_time_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(DATED)
    with pytest.raises(WeekSheetError):
        set_target(path, "e.musicxml", "", 84, week=date.max)
    assert path.read_text() == DATED
