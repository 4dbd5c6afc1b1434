"""A studio of many students: what is said of each is what the student's own record says."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from companion import charts
from companion.errors import RecordError
from companion.planning import all_marks, plan
from companion.practice.model import ON_TIME, WRONG_NOTE
from companion.record import NoteRecord, Sitting, TakeRecord, studio_files, studio_lines
from companion.record.index import survey
from companion.record.progress import reached
from companion.record.studio import Spot, Student, Studio, look_at_studio
from companion.record.studio_files import regular_only
from companion.record.studio_index import open_index, studio_index_path
from companion.record.trouble import troubles_over_all
from companion.record.week import load
from companion.reports.student_page import student_html
from companion.scores import read
from tests.record_logs import EXAMPLE

PASSAGE = Path(__file__).parents[2] / "shared" / "passages" / "etude-e-minor.musicxml"
TODAY = date(2026, 11, 28)
SHEET = """format = 1
student = "{0}"
week = 2026-11-23
[[item]]
passage = "passages/etude-e-minor.musicxml"
bars = "5-8"
target_bpm = 84
by = "Fri"
[[item]]
passage = "passages/etude-e-minor.musicxml"
target_bpm = 96
"""
HOSTILE = ["O'Brien; DROP TABLE take--", 'two\nlines "quoted"', "<script>alert(1)</script>"]


def student(studio: Path, name: str, sheet: str = SHEET) -> Path:
    folder = studio / name
    (folder / "passages").mkdir(parents=True)
    shutil.copy(PASSAGE, folder / "passages")
    (folder / "week.toml").write_text(sheet.format(name.replace('"', "'").replace("\n", " ")), encoding="utf-8")
    return folder


def played(
    folder: Path, day: int, *tempos_bpm: float, clean: bool = True, wrong: int | None = None, **more: object
) -> Path:
    passage, chart = read(PASSAGE), charts.load("alto")
    notes: tuple[NoteRecord, ...] = ()
    if wrong is not None:
        choices = plan(passage, chart, all_marks(passage, chart, {})).choices
        notes = tuple(
            NoteRecord(
                passage.bars[n.bar].number, str(n.count), n.written_midi, c.name, tuple(sorted(c.keys)),
                WRONG_NOTE if n.index == wrong else ON_TIME, 0.0, n.written_midi + (n.index == wrong),
                available_ms=150.0 if n.index else None,
            )
            for n, c in zip(passage.notes, choices, strict=True)
        )  # fmt: skip
    sitting = Sitting.begin(folder / "sessions", datetime(2026, 11, day, 17, tzinfo=UTC))
    told = {"origin": "passages/etude-e-minor.musicxml", "sha256": passage.sha256, "instrument": "alto", "port": "wind"}
    for i, tempo_bpm in enumerate(tempos_bpm):
        record = TakeRecord(
            "Étude", tempo_bpm, since_run_ns=i * 60 * 10**9, duration_ns=30 * 10**9, clean=clean, notes=notes,
            **(told | more),  # type: ignore[arg-type]
        )  # fmt: skip
        sitting.append(record)
    return sitting.path


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    folder = tmp_path / "studio"
    ada, ben, cleo = (student(folder, name) for name in ("Ada", "Ben", "Cleo"))
    played(ada, 24, 80, 84, 84, 84, bars="5-8")
    played(ada, 25, 90)
    for day in (10, 14, 18, 22, 24, 26):
        played(ben, day, 72, 76, clean=day < 12, wrong=40)
    for day in (20, 22, 24, 26):
        played(cleo, day, 60 + day, wrong=40, clean=False)
    played(cleo, 26, 96, 96, 96, port="sim:steady:1")
    return folder


def look(studio: Path, tmp_path: Path, **more: bool) -> Studio:
    return look_at_studio(studio, tmp_path / "cache", TODAY, **more)  # type: ignore[arg-type]


def test_what_is_said_of_each_is_what_the_own_record_says(studio: Path, tmp_path: Path) -> None:
    found = look(studio, tmp_path)
    assert [one.name for one in found.students] == ["Ada", "Ben", "Cleo"] and found.files_read == 13
    for one in found.students:
        sheet = load(studio / one.name / "week.toml")
        takes = survey(studio / one.name / "sessions", tmp_path / "own").takes
        days = [day.isoformat() for day in sheet.days]
        own = [reached(item, days, takes, read(PASSAGE).sha256) for item in sheet.items]
        # A log of one student says that simulated takes are left out; the studio doesn't read them.
        told = [(r.best_by_day, r.best_clean_bpm, r.at_target, r.wanted) for r in own]
        assert [
            (s.reached.best_by_day, s.reached.best_clean_bpm, s.reached.at_target, s.reached.wanted) for s in one.items
        ] == told
    ada, ben, cleo = found.students
    assert [state.reached.done for state in ada.items] == [True, False] and ada.done == 1
    assert (ada.week_takes, ada.week_minutes, ada.last_day) == (5, 2.5, "2026-11-25")
    assert cleo.week_takes == 2, "the simulated player's takes are nobody's"
    assert not ada.items[1].stuck and not cleo.items[0].stuck
    assert ben.items[1].stuck == "clean at 76 before, no clean take since Sun 22 Nov (target 96)"
    assert cleo.items[1].stuck == "no clean take on 4 days"


@pytest.mark.parametrize(
    ("clean_bpm", "said"),
    [
        ([80, 80, 80, 80, 80], "no faster than 80 since Thu 19 Nov (target 96); most trouble in bar 7"),
        ([80, 84, 76, 80, 76],
         "clean at 84 before, no faster than 80 since Sat 21 Nov (target 96); most trouble in bar 7"),
        ([80, 80, None, 84, None], ""),
        ([104, 104, 96, 80, 80], ""),
        ([104, 104, 92, 80, 80],
         "clean at 104 before, no faster than 92 since Sat 21 Nov (target 96); most trouble in bar 7"),
        ([None, None, None, None], "no clean take on 4 days"),
        ([80, 80, 80], ""),
    ],
)  # fmt: skip
def test_stuck_is_who_neither_gets_faster_nor_has_the_target(
    clean_bpm: list[float | None], said: str, tmp_path: Path
) -> None:
    ada = student(tmp_path / "studio", "Ada", 'format = 1\nweek = 2026-11-23\n[[item]]\ntarget_bpm = 96\n'
                  'passage = "passages/etude-e-minor.musicxml"\n')  # fmt: skip
    for i, best_bpm in enumerate(clean_bpm):
        played(ada, 17 + 2 * i, 110, clean=False, trouble_bars=("7",) if best_bpm else ())
        if best_bpm:
            played(ada, 17 + 2 * i, best_bpm)
        # Alone on its day, or faster than all: a performance has no click, and says nothing of it.
        played(ada, 18 + 2 * i, 120, performance=True)
    (found,) = look(tmp_path / "studio", tmp_path).students
    assert found.items[0].stuck == said


def test_what_keeps_failing_is_what_companion_trouble_finds(studio: Path, tmp_path: Path) -> None:
    found = look(studio, tmp_path)
    for one in found.students:
        own = troubles_over_all(
            studio / one.name / "sessions", charts.load("alto"), today=TODAY, cache=tmp_path / "own"
        )
        assert [(spot.change, spot.sentence) for spot in one.spots] == [
            (spot.change, spot.sentence) for spot in own if not spot.solved
        ]
    assert [len(one.spots) for one in found.students] == [0, 1, 1]
    (common,) = found.common
    assert common.students == ("Ben", "Cleo")
    assert look(studio, tmp_path) == Studio(found.students, found.common, found.remarks, 0)
    assert not look(studio, tmp_path, trouble=False).common


def test_how_far_it_is_is_said(studio: Path, tmp_path: Path) -> None:
    said: list[str] = []
    look_at_studio(studio, tmp_path / "cache", TODAY, say=said.append)
    assert said == [
        "3 students, 13 sittings", "13 sittings were new or had changed", "13 sittings to read",
        "looking for what keeps failing", "3 of 3 students looked at",
    ]  # fmt: skip
    said.clear()
    look_at_studio(studio, tmp_path / "cache", TODAY, trouble=False, say=said.append)
    assert said == ["3 students, 13 sittings", "3 of 3 students looked at"]


def test_only_what_is_new_is_read_again(studio: Path, tmp_path: Path) -> None:
    look(studio, tmp_path)
    played(studio / "Ada", 27, 96, 96, 96)
    again = look(studio, tmp_path)
    assert again.files_read == 1 and again.students[0].items[1].reached.done
    sittings = sorted((studio / "Ada" / "sessions").iterdir())
    sittings[-1].unlink()
    assert not look(studio, tmp_path).students[0].items[1].reached.done
    index = next((tmp_path / "cache").iterdir())
    index.write_bytes(b"this is no database" * 1000)
    assert look(studio, tmp_path).students[0].done == 1


def test_who_has_left_leaves_nothing_in_the_index(studio: Path, tmp_path: Path) -> None:
    """What is deleted from a database may stay in its file."""
    gone = student(studio, "Zenobia-Quux")
    played(gone, 24, 77, bars="5-8")
    look(studio, tmp_path)
    path = studio_index_path(studio, tmp_path / "cache")
    assert b"Zenobia-Quux" in path.read_bytes()
    shutil.rmtree(gone)
    assert [each.name for each in look(studio, tmp_path).students] == ["Ada", "Ben", "Cleo"]
    assert not any(b"Zenobia-Quux" in file.read_bytes() for file in path.parent.iterdir())
    assert look(studio, tmp_path).files_read == 0


def test_an_index_that_is_damaged_anywhere_is_made_anew(studio: Path, tmp_path: Path) -> None:
    found = look(studio, tmp_path)
    path = studio_index_path(studio, tmp_path / "cache")
    whole = path.read_bytes()
    anew = 0
    for at in range(len(whole) // 24, len(whole), len(whole) // 12):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 255]) + whole[at + 1 :])
        again = look(studio, tmp_path)
        assert again.students == found.students
        anew += again.files_read == 13
    assert anew > 2 and look(studio, tmp_path).files_read == 0


def test_nothing_is_written_to_a_students_folder(studio: Path, tmp_path: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in studio.rglob("*")}
    look(studio, tmp_path)
    assert {path: path.stat().st_mtime_ns for path in studio.rglob("*")} == before


def test_names_are_only_names(studio: Path, tmp_path: Path) -> None:
    for name in HOSTILE[: 2 if os.name == "nt" else 3]:
        if "/" not in name:
            played(student(studio, name), 25, 90)
    found = look(studio, tmp_path)
    names = [one.name for one in found.students]
    assert HOSTILE[0] in names and HOSTILE[1] in names
    assert all(one.week_takes for one in found.students)
    assert "\n" not in "".join(one.shown for one in found.students)
    assert look(studio, tmp_path).files_read == 0


def test_broken_and_foreign_files_are_named_and_left_alone(studio: Path, tmp_path: Path) -> None:
    sessions = studio / "Ada" / "sessions"
    torn = played(studio / "Ada", 26, 91, 92)
    torn.write_bytes(torn.read_bytes()[:-40])
    (sessions / "foreign.jsonl").write_text('{"kind": "shopping"}\n')
    (sessions / "empty.jsonl").write_bytes(b"")
    (sessions / "noise.jsonl").write_bytes(os.urandom(5000))
    (studio / "Ben" / "week.toml").write_text("format = 1\nweek = tomorrow\n")
    (studio / "holiday pictures").mkdir()
    (studio / "list.txt").write_text("milk")
    shutil.copy(EXAMPLE, studio / "Cleo" / "sessions")
    found = look(studio, tmp_path)
    ada, ben, cleo = found.students
    assert ada.week_takes == 6, "the whole take of the torn sitting counts"
    assert any(torn.name in text for text in ada.remarks) and any("foreign.jsonl" in text for text in ada.remarks)
    assert ben.sheet is None and ben.week_takes == 6
    assert any(text.startswith("week sheet not read: week.toml: ") for text in ben.remarks)
    assert str(tmp_path) not in student_html(ben, TODAY) + student_html(ada, TODAY)
    assert cleo.week_takes == 2, "an example is nobody's practice"
    assert any("holiday pictures" in text and "left alone" in text for text in found.remarks)
    assert look(studio, tmp_path).students[0].remarks == ada.remarks


def test_a_file_that_may_not_be_read_is_looked_at_again(
    studio: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def opener(path: str, flags: int) -> int:
        if "2026-11-24" in path and "Ada" in path:
            raise PermissionError(errno.EACCES, "Permission denied", path)
        return regular_only(path, flags)

    found = look(studio, tmp_path)
    with monkeypatch.context() as patch:
        for module in (studio_lines, studio_files):
            patch.setattr(module, "regular_only", opener)
        ada = look_at_studio(studio, tmp_path / "other", TODAY).students[0]
        assert ada.week_takes == 1 and "can't be read (Permission denied); left alone" in ada.remarks[0]
        assert look_at_studio(studio, tmp_path / "other", TODAY).students[0] == ada
    assert look_at_studio(studio, tmp_path / "other", TODAY).students == found.students


def test_a_flood_of_remarks_is_cut_short(studio: Path, tmp_path: Path) -> None:
    path = next((studio / "Ada" / "sessions").iterdir())
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(lines[0] + lines[1].replace(b'"tempo_bpm":', b'"tempo_bpm":"x","y":') * 300)
    remarks = look(studio, tmp_path).students[0].remarks
    assert len(remarks) == 6 and remarks[-1] == f"{path.name}: and 295 more like these"


@pytest.mark.skipif(os.name == "nt", reason="making links needs rights there")
def test_no_link_leads_out(studio: Path, tmp_path: Path) -> None:
    secret = student(tmp_path / "elsewhere", "Secret")
    path = played(secret, 25, 90)
    (studio / "Linked").symlink_to(secret, target_is_directory=True)
    (studio / "Ada" / "sessions" / "linked.jsonl").symlink_to(path)
    ben = studio / "Ben" / "week.toml"
    ben.unlink()
    ben.symlink_to(secret / "week.toml")
    os.mkfifo(studio / "Cleo" / "sessions" / "pipe.jsonl")
    found = look(studio, tmp_path)
    assert [one.name for one in found.students] == ["Ada", "Ben", "Cleo"]
    assert found.students[0].week_takes == 5 and found.students[1].sheet is None
    said = " ".join([*found.remarks, *(text for one in found.students for text in one.remarks)])
    assert (
        "sessions/linked.jsonl: a link, which is not followed; put the file itself there" in found.students[0].remarks
    )
    assert said.count("a link, which is not followed") == 3 and "is no file" in said


def test_what_is_large_or_odd_is_read_line_by_line(
    studio: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whichever way a sitting is read, the same is said."""
    quick = look(studio, tmp_path)
    monkeypatch.setattr(studio_lines, "MOST_BYTES", 10)
    slow = look_at_studio(studio, tmp_path / "other", TODAY)
    assert (slow.students, slow.common) == (quick.students, quick.common) and slow.files_read == quick.files_read > 0


@pytest.mark.skipif(os.name == "nt", reason="there are no pipes in folders there")
def test_a_pipe_in_the_passages_place_keeps_nobody_waiting(studio: Path, tmp_path: Path) -> None:
    (studio / "Ada" / "passages" / PASSAGE.name).unlink()
    os.mkfifo(studio / "Ada" / "passages" / PASSAGE.name)
    # Takes are found by the file's name then, as where it was edited.
    assert look(studio, tmp_path).students[0].items[0].reached.done


def test_the_database_may_open_no_file(tmp_path: Path) -> None:
    import duckdb

    (tmp_path / "secret.json").write_text("{}")
    with open_index(tmp_path / "index.duckdb") as index:
        with pytest.raises(duckdb.Error, match="disabled"):
            index.execute("SELECT * FROM read_text(?)", [str(tmp_path / "secret.json")])
        with pytest.raises(duckdb.Error, match="locked"):
            index.execute("SET enable_external_access = true")


def test_two_runs_at_once(studio: Path, tmp_path: Path) -> None:
    """The second has no index then, and says the same."""
    first = look(studio, tmp_path)
    code = "import sys, duckdb; c = duckdb.connect(sys.argv[1]); print('open', flush=True); sys.stdin.read()"
    path = studio_index_path(studio, tmp_path / "cache")
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None and other.stdout.readline() == b"open\n"
        second = look(studio, tmp_path)
        other.communicate()
    assert second.students == first.students and second.files_read == 13
    assert look(studio, tmp_path).files_read == 0, "the index is as it was"


def test_what_is_no_studio_is_said(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="can't be read"):
        look(tmp_path / "nowhere", tmp_path)
    (tmp_path / "empty").mkdir()
    with pytest.raises(RecordError, match="no student's folder is in it"):
        look(tmp_path / "empty", tmp_path)
    own = student(tmp_path / "x", "Own")
    played(own, 25, 90)
    with pytest.raises(RecordError, match="one student's own folder"):
        look(own, tmp_path)


def test_a_page_is_text_alone(studio: Path, tmp_path: Path) -> None:
    sheet = SHEET + 'comment = "<img src=x onerror=alert(1)> & <b>slowly</b>"\n'
    played(student(studio, "<script>alert(1)<script>", sheet), 25, 90)
    for one in look(studio, tmp_path).students:
        page = student_html(one, TODAY)
        assert "<script" not in page and "<img" not in page and "default-src 'none'" in page
        assert page.count("<table>") == page.count("</table>") == 1
    many = Student("Dora", None, spots=(Spot("A to B", "A to B: failed"),) * 7, remarks=("torn",) * 9)
    assert student_html(many, TODAY).count("A to B: failed") == 5 and "and 2 more<" in student_html(many, TODAY)
    assert "and 4 more like these" in student_html(many, TODAY), "one sheet of paper"
    ada, ben = (student_html(one, TODAY) for one in look(studio, tmp_path).students[1:3])
    assert "<td>3 of 3, reached</td>" in ada and "<td>0 of 3</td>" in ada
    assert "Stuck: clean at 76 before, no clean take" in ben and "What keeps failing" in ben


def test_a_page_says_which_week_it_is_of(studio: Path, tmp_path: Path) -> None:
    for today, week, last in (
        (TODAY, "in 5 takes this week", "on Wed 25 Nov."),
        (TODAY + timedelta(days=7), "in 5 takes in the week of Mon 23 Nov 2026", "on Wed 25 Nov."),
        (TODAY + timedelta(days=70), "in 5 takes in the week of Mon 23 Nov 2026", "on 25 Nov 2026."),
    ):
        page = student_html(look_at_studio(studio, None, today).students[0], today)
        assert week in page and f"played last {last}" in page
        assert ("What was set this week" in page) == (today == TODAY)
    (studio / "Ada" / "week.toml").unlink()
    assert "in 5 takes in the last seven days" in student_html(look_at_studio(studio, None, TODAY).students[0], TODAY)
    (studio / "Ada" / "week.toml").write_text("format = 1\nweek = 2026-11-23\n")
    page = student_html(look_at_studio(studio, None, TODAY).students[0], TODAY)
    assert "Nothing is set." in page and "<table" not in page
    assert Student("Dora", None).played_last(TODAY) == "never"


def test_a_year_of_sheets_and_no_sheet(studio: Path, tmp_path: Path) -> None:
    (studio / "Ada" / "week.toml").unlink()
    found = look_at_studio(studio, None, TODAY + timedelta(days=365))
    assert found.students[0].sheet is None and not found.students[0].items and found.students[0].week_takes == 0
    assert all(not one.spots for one in found.students), "nobody played lately"
