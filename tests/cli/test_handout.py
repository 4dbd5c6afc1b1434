"""`companion handout` as it is called; its PDF is read back by pypdf."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from handout_etudes import WALTZ_TITLE, write_waltz
from pdf_drawing import staves
from pypdf import PdfReader

from companion.cli import main
from companion.reports.handout import STAFF_MM

SPACE_PT = STAFF_MM / 4 * 72 / 25.4
WEEK = """format = 1
student = "Kim Invented"
week = 2026-11-23
[[item]]
passage = "lamplight-waltz.musicxml"
target_bpm = 100
start_bpm = 80
step_bpm = 5
by = "Thu"
comment = "Sing it before you play it."
[[item]]
passage = "lamplight-waltz.musicxml"
bars = "9-12"
target_bpm = 88
start_bpm = 80
step_bpm = 4
clean_takes = 2
"""


@pytest.fixture
def score(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("COMPANION_SHARED", str(tmp_path / "shared"))
    monkeypatch.chdir(tmp_path)
    return write_waltz(tmp_path)


def sheet(score: Path, *options: str) -> str:
    """The text of the sheet, in one line."""
    assert main(["handout", str(score), "-o", "out.pdf", *options]) == 0
    return text_in(Path("out.pdf"))


def text_in(path: Path) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(path).pages).split())


def staff_count(path: Path) -> int:
    return sum(len(staves(page, SPACE_PT)) for page in PdfReader(path).pages)


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and said.startswith("companion: ")
    return said


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sheet with all its parts."""
    folder = tmp_path_factory.mktemp("whole")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COMPANION_SHARED", str(folder / "shared"))
        assert main(["handout", str(write_waltz(folder)), "-o", str(folder / "out.pdf")]) == 0
    return folder / "out.pdf"


def test_it_says_what_it_has_written(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet(score, "--parts", "care")
    said = capsys.readouterr()
    assert said.out == f"{WALTZ_TITLE}: the sheet is written to out.pdf.\n" and not said.err


def test_the_whole_sheet(whole: Path) -> None:
    text = text_in(whole)
    for words in (
        WALTZ_TITLE, "A. Nobody", "Alto saxophone", "Name", "Teacher", "Date",
        "Lean on the first note, let the other two fall.",  # the teacher's remark
        "your teacher’s choice: so that the index is free for the C",
        "left 1, bis", "Alternate fingerings, and why", "Links", "Tempo steps", "licensed health professionals",
    ):  # fmt: skip
        assert words in text
    # 60 % of the printed 108 on a metronome number is 66 (practice.ladder), then by 4.
    assert "66 70 74 78 82 86 90 94 98 102 106 108" in text
    assert 2 <= len(PdfReader(whole).pages) <= 3
    assert whole.stat().st_size < 1_000_000


def test_a_repeat_is_printed_once(score: Path) -> None:
    text = sheet(score, "--parts", "music,remarks")
    # The marks of bar 14, which only the first time through has, and the remark in it: once each.
    assert text.count("3)") == 2 and text.count("Ten times") == 1
    assert 3 <= staff_count(Path("out.pdf")) <= 4
    assert len(PdfReader("out.pdf").pages) == 1


@pytest.mark.parametrize(
    ("part", "words"),
    [
        ("head", "Teacher"),
        ("legend", "left 1, bis"),
        ("music", "Andante con moto"),
        ("remarks", "Lean on the first note"),
        ("horns", "8va"),
        ("reasons", "your teacher’s choice"),
        ("exercises", "Links"),
        ("tempos", "clean takes in a row"),
        ("care", "hands and ears"),
    ],
)
def test_parts_can_be_left_out_one_by_one(score: Path, whole: Path, part: str, words: str) -> None:
    assert words in text_in(whole)
    assert words not in sheet(score, "--without", part)


def test_only_some_parts(score: Path) -> None:
    text = sheet(score, "--parts", "tempos, care")
    assert "clean takes in a row" in text and "hands and ears" in text
    assert "Andante" not in text and "Teacher" not in text
    assert staff_count(Path("out.pdf")) == 0


def test_the_week_sheet_gives_student_steps_days_and_remark(score: Path) -> None:
    Path("week.toml").write_text(WEEK)
    text = sheet(score, "--sheet", "week.toml")
    for words in (
        "Kim Invented", "week of 23 November 2026", "up to ♩ = 100 by Thu 26 Nov", "Sing it before you play it.",
        "80 85 90 95 100", "bars 9–12, up to ♩ = 88", "80 84 88", "Mon 23",
    ):  # fmt: skip
        assert words in text
    assert "Two clean takes in a row" in text and "Three clean takes in a row" in text
    # Asked for by Thursday, the first table has no column for Friday; the second one has the whole week.
    assert text.count("Thu 26 ") >= 2 and text.count("Fri 27") == 1


def test_the_week_sheets_exercise_and_fingerings_are_on_the_sheet(score: Path) -> None:
    exercise = """[[item]]
passage = "lamplight-waltz.musicxml"
target_bpm = 120
exercise = "scales"
exercise_options = { key = "G" }
"""
    Path("week.toml").write_text(WEEK.replace("clean_takes = 2", 'fingerings = { "11.3" = "side" }') + exercise)
    text = sheet(score, "--sheet", "week.toml")
    assert "G major" in text and "Links" not in text and "Tempo steps, scales, up to ♩ = 120" in text
    assert "Bar 11: your teacher’s choice: set for this week" in text


def test_a_week_that_is_over_is_said(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("week.toml").write_text(WEEK.replace("2026-11-23", "2020-11-23"))
    text = sheet(score, "--sheet", "week.toml", "--parts", "tempos")
    assert "that of 23 November 2020, which is over" in one_line(capsys) and "80 85 90 95 100" in text


def test_a_name_given_wins(score: Path) -> None:
    Path("week.toml").write_text(WEEK)
    text = sheet(score, "--sheet", "week.toml", "--student", "Jo Other", "--teacher", "Ms. Nobody")
    assert "Jo Other" in text and "Ms. Nobody" in text and "Kim" not in text


def test_a_name_too_long_for_its_line_is_cut_and_pushes_no_music_away(score: Path) -> None:
    sheet(score, "--student", "Jo", "--teacher", "Ms. Nobody")
    pages = len(PdfReader("out.pdf").pages)
    text = sheet(score, "--student", "Jo " * 1000, "--teacher", "x" * 3000)
    assert len(PdfReader("out.pdf").pages) == pages
    assert "J…" in text and f"{'x' * 49}…" in "".join(text.replace("\u200b", "").split())


def test_a_week_sheet_of_other_passages_is_nobody_elses(score: Path) -> None:
    Path("week.toml").write_text(WEEK.replace("lamplight-waltz", "another"))
    text = sheet(score, "--sheet", "week.toml")
    assert "Kim" not in text and "66 70 74" in text


def test_a_faulty_usual_week_sheet_is_said_and_one_that_was_named_refused(
    score: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("shared").mkdir()
    Path("shared/week.toml").write_text("format = 1\n")
    sheet(score)
    assert "the week sheet is not followed" in one_line(capsys)
    assert main(["handout", str(score), "-o", "out.pdf", "--sheet", "shared/week.toml"]) == 1
    assert "week" in one_line(capsys)


def test_exercises_are_chosen_by_name_and_options(score: Path) -> None:
    text = sheet(score, "--exercise", "links:change=2,kind=pair", "--exercise", "scales:key=G")
    assert text.count("Links") == 1 and "G major" in text


def test_a_hostile_score_and_hostile_names_are_only_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("told nobody")
    score = write_waltz(tmp_path, title=f'#read("{secret}") & <b> 漢字')
    words = score.read_text().replace("Andante con moto", '#panic("x") &lt;/text&gt; 漢')
    score.write_text(words)
    marks = score.with_suffix(".marks.toml")
    marks.write_text(marks.read_text().replace("Lean on", f"#include '{secret}' $"))
    out = tmp_path / "out.pdf"
    assert (
        main(["handout", str(score), "-o", str(out), "--student", "*Zoë* \x1b[31m\u202e", "--teacher", "@a <b>"]) == 0
    )
    assert "no sign for 漢 字: an empty box" in one_line(capsys)
    text = text_in(out).replace("\u200b", "")
    for literal in ("#read(", "& <b>", '#panic("x") </text>', "#include", "*Zoë* [31m", "@a <b>"):
        assert "".join(literal.split()) in "".join(text.split())
    assert "told nobody" not in text


def test_an_exercise_by_its_number_is_that_of_the_list(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["exercises", str(score), "--json", "list.json"]) == 0
    offers = json.loads(Path("list.json").read_text())["offers"]
    text = sheet(score, "--parts", "exercises", "--exercise", "2")
    assert offers[1]["title"] in text and offers[0]["title"] not in text


def test_some_bars_with_what_belongs_to_them(score: Path) -> None:
    text = sheet(score, "--bars", "9-12", "--without", "exercises")
    assert f"{WALTZ_TITLE}, bars 9–12" in text
    # The clef's system begins with the tempo that holds there; remarks of other bars stay away.
    assert "Andante con moto" in text
    assert "1) Lean on the first note" in text and "Breathe" not in text and "Ten times" not in text
    # bis stands in bars 11 and 12 only; the side fingerings are in others.
    assert "Bar 11" in text and "side B♭" not in text and "your teacher’s choice" not in text
    assert staff_count(Path("out.pdf")) == 1


def test_bars_of_which_the_week_sheet_says_nothing_have_the_targets_of_the_whole(score: Path) -> None:
    Path("week.toml").write_text(WEEK)
    own = sheet(score, "--sheet", "week.toml", "--bars", "9-12", "--parts", "tempos")
    assert "80 84 88" in own and "100" not in own
    other = sheet(score, "--sheet", "week.toml", "--bars", "1-4", "--parts", "tempos")
    assert "80 85 90 95 100" in other and "88" not in other


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--exercise", "linx"), "no exercise 'linx'; there are "),
        (("--exercise", "links:chance=2"), "links has no option 'chance'; there is "),
        (("--exercise", "links:change=two"), "change is a whole number"),
        (("--exercise", "links:pair"), "links has no option 'pair'; there is "),
        (("--exercise", "99"), "no exercise 99: the list goes from 1 to "),
        (("--bars", "9-30"), "no bar '30' in this passage"),
        (("--paper", "a5"), "no paper 'a5': there are a4 and letter"),
        (("--parts", "music,coda"), "--parts coda: there is no such part; there are head, "),
        (("--parts", "music", "--without", "music"), "no part is left of the sheet"),
        (("-o", "nowhere/out.pdf"), "nowhere/out.pdf: can't be written; name a file in a folder that exists"),
        (("-o", "out.txt"), "-o out.txt: let its name end in .pdf"),
        (("-o", "."), "-o .: that is a folder; name a file in it, such as etude.pdf"),
    ],
)
def test_what_makes_no_sense_is_said_in_one_line_and_nothing_written(
    score: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], words: str
) -> None:
    before = sorted(path.name for path in Path().iterdir())
    assert main(["handout", str(score), "-o", "out.pdf", *options]) == 1
    assert words in one_line(capsys)
    assert sorted(path.name for path in Path().iterdir()) == before


def test_the_score_is_never_overwritten(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    odd = score.with_name("score.pdf")
    shutil.copy(score, odd)
    before = odd.read_bytes()
    assert main(["handout", str(odd), "-o", str(odd)]) == 1
    assert "that is the score itself" in one_line(capsys) and odd.read_bytes() == before


def test_a_score_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["handout", str(tmp_path / "none.musicxml"), "-o", str(tmp_path / "out.pdf")]) == 1
    assert "there is no such file" in one_line(capsys)
