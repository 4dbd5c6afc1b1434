"""`companion studio` as it is called."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import unicodedata
from datetime import UTC, datetime
from pathlib import Path

import pytest

from companion.cli import main
from companion.cli.week_items import ItemReader
from companion.record import Sitting, TakeRecord
from companion.record.week import load


@pytest.fixture
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("SHARED", "SESSIONS", "CACHE", "SETTINGS"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / name.lower()))
    folder = tmp_path / "lessons"
    for number in range(45):
        one = folder / f"Student {number:02d}"
        sitting = Sitting.begin(one / "sessions", datetime(2026, 11, 24, 17, tzinfo=UTC))
        for i in range(3):
            sitting.append(
                TakeRecord(
                    "Étude", 80.0 + number, since_run_ns=i * 10**10, duration_ns=10**10, clean=True,
                    origin="e.musicxml", sha256="1", instrument="alto", port="wind",
                )
            )  # fmt: skip
        (one / "week.toml").write_text(
            'format = 1\nstudent = "x"\nweek = 2026-11-23\n[[item]]\npassage = "e.musicxml"\ntarget_bpm = 100\n'
        )
    return folder


def test_who_met_what(studio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pages, data = tmp_path / "pages", tmp_path / "s.json"
    words = ["studio", str(studio), "--today", "2026-11-28", "--pages", str(pages), "--json", str(data)]
    assert main(words) == 0
    out = capsys.readouterr().out
    assert "45 students" in out and "and 5 more; --all shows them" in out and "nobody, as far as the takes tell" in out
    rows = [line.split("  ") for line in out.splitlines() if line.startswith("Student")]
    assert rows[1 + 19][1] == "0 of 1" and rows[1 + 20][1] == "1 of 1" and rows[1][-1] == "Tue 24 Nov"
    assert "no change keeps failing for two students or more" in out
    assert len(list(pages.iterdir())) == 45
    told = json.loads(data.read_text())["students"]
    assert [one["items"][0]["reached"] for one in told] == [80 + n >= 100 for n in range(45)]
    (studio / "Student 00" / "week.toml").unlink()
    assert main(["studio", str(studio), "--today", "2026-12-01", "--all", "--no-trouble"]) == 0
    out = capsys.readouterr().out
    assert "Student 44" in out and "Failing in common" not in out and "Keeps failing" not in out
    rows = [line.split("  ") for line in out.splitlines() if line.startswith("Student")]
    assert rows[1][1] == "no sheet" and rows[2][1] == "0 of 1 (week of Mon 23 Nov)"


def test_a_students_page_keeps_its_name(studio: Path, tmp_path: Path) -> None:
    def student(name: str) -> None:
        (studio / name / "sessions").mkdir(parents=True)

    student("Zoë Example")
    pages = tmp_path / "pages"
    words = ["studio", str(studio), "--today", "2026-11-28", "--pages", str(pages)]
    assert main(words) == 0
    assert (pages / "Zoë-Example.html").exists()
    before = {path.name for path in pages.iterdir()}
    for name in ("Ada Example", "ada example", "con", "Zoë\u0308", "zo\u00eb\u0308", "-", "<b>", "Ada.Example"):
        student(name)
    assert main(words) == 0
    after = {path.name for path in pages.iterdir()}
    assert after - before >= {"Ada-Example.html", "student.html", "student-con.html", "b.html"}
    assert len({unicodedata.normalize("NFC", name).casefold() for name in after}) == len(after) == 46 + 8


def test_what_is_left_out_is_said_with_the_way_to_see_it(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for number in range(12):
        (studio / f"Student {number:02d}" / "sessions" / "odd.jsonl").write_text("{\n")
    (studio / ("A" * 200)).mkdir()
    (studio / ("A" * 200) / "week.toml").write_text("format = 1\nweek = 2026-11-23\n")
    words = ["studio", str(studio), "--today", "2026-11-28"]
    assert main(words) == 0
    out = capsys.readouterr().out
    assert "note: and 2 more; --all shows them" in out
    assert out.count("no practice log") == 10 and "A" * 31 + "…  nothing set" in out
    assert max(map(len, out.splitlines())) < 120
    assert main([*words, "--all"]) == 0
    assert capsys.readouterr().out.count("no practice log") == 12


def test_an_exercise_of_the_sheet_has_its_own_takes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The takes count that `companion week` counts, which makes the exercise as the stand does."""
    monkeypatch.setenv("COMPANION_CACHE", str(tmp_path / "cache"))
    score = Path(__file__).parents[2] / "shared" / "passages" / "first-steps.musicxml"
    sheet = (
        'format = 1\nweek = 2026-11-23\n[[item]]\npassage = "first-steps.musicxml"\ntarget_bpm = 60\n'
        'clean_takes = 1\nexercise = "rhythms"\n'
    )
    for name in ("Ada", "Ben"):
        folder = tmp_path / "lessons" / name
        folder.mkdir(parents=True)
        shutil.copy(score, folder)
        (folder / "week.toml").write_text(sheet)
    week = load(tmp_path / "lessons" / "Ada" / "week.toml")
    music = ItemReader(week.path, tmp_path).music(week.items[0])
    for name, sha256 in (("Ada", music.sha256), ("Ben", hashlib.sha256(score.read_bytes()).hexdigest())):
        sitting = Sitting.begin(tmp_path / "lessons" / name / "sessions", datetime(2026, 11, 24, 17, tzinfo=UTC))
        sitting.append(
            TakeRecord("Rhythms", 66.0, clean=True, origin="first-steps.musicxml", sha256=sha256, port="wind")
        )
    if os.name != "nt":
        # What is beside the score and leads elsewhere is not read.
        (tmp_path / "elsewhere.toml").write_text("format = 1\n")
        (tmp_path / "lessons" / "Ben" / "first-steps.marks.toml").symlink_to(tmp_path / "elsewhere.toml")
    assert main(["studio", str(tmp_path / "lessons"), "--today", "2026-11-25", "--json", str(tmp_path / "s.json")]) == 0
    assert "Ada" in capsys.readouterr().out
    told = json.loads((tmp_path / "s.json").read_text())["students"]
    assert [(one["items"][0]["exercise"], one["items"][0]["at_target"]) for one in told] == [
        ("rhythms", 1), ("rhythms", 0)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["{studio}/nowhere"], "can't be read"),
        (["{studio}/Student 00"], "one student's own folder"),
        (["{studio}", "--pages", "{studio}/pages"], "nothing is written: give a place outside"),
        (["{studio}", "--json", "{studio}/x.json"], "nothing is written: give a place outside"),
        (["{studio}", "--pages", "{studio}/../link/Student 00"], "nothing is written: give a place outside"),
        (["{studio}", "--today", "soon"], "is no date"),
        ([], "required: DIR"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(
    studio: Path, words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    if os.name != "nt":
        (studio.parent / "link").symlink_to(studio)
    assert main(["studio", *(word.format(studio=studio) for word in words)]) == 1
    error = capsys.readouterr().err
    assert says in error and len(error.splitlines()) == 1
    assert not (studio / "pages").exists() and not (studio / "x.json").exists()
