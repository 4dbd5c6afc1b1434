"""`companion progress` as it is called."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from pypdf import PdfReader

from companion import paths
from companion.cli import main
from companion.cli.course import Course, Fingers, course_of, fingers_of
from companion.cli.exercise_options import opened_exercise
from companion.cli.opening import open_passage
from companion.cli.progress_page import pages_of_week
from companion.cli.week_items import ItemReader
from companion.record import Sitting, TakeRecord
from companion.record.week import load
from companion.scores import read

SCORE = """<score-partwise version="4.0">
<work><work-title>Two bars</work-title></work>
<part-list><score-part id="P1"><part-name>Sax</part-name></score-part></part-list>
<part id="P1">
<measure number="1">
<attributes><divisions>1</divisions><time><beats>4</beats><beat-type>4</beat-type></time></attributes>
<note><pitch><step>G</step><octave>4</octave></pitch><duration>4</duration></note></measure>
<measure number="2"><note><pitch><step>A</step><octave>4</octave></pitch><duration>4</duration></note></measure>
</part></score-partwise>"""


@pytest.fixture
def score(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("SHARED", "SESSIONS", "CACHE", "SETTINGS"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / name.lower()))
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "two-bars.musicxml"
    path.write_text(SCORE)
    return path


def play(score: Path, *tempos_bpm: float, day: int = 23, **more: object) -> Sitting:
    sitting = Sitting.begin(score.parent / "sessions", datetime(2026, 11, day, 17, tzinfo=UTC))
    told = {"origin": str(score), "sha256": read(score).sha256, "target_bpm": 80.0} | more
    for i, tempo_bpm in enumerate(tempos_bpm):
        since = timedelta(minutes=i) // timedelta(microseconds=1) * 1000
        sitting.append(TakeRecord("Two bars", tempo_bpm, since_run_ns=since, clean=tempo_bpm < 70, **told))  # type: ignore[arg-type]
    return sitting


def plot_of(out: str) -> Path:
    return Path(out.strip().splitlines()[-1].removeprefix("Plot: "))


def test_text_and_plot(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    play(score, 60, 64, 72, trouble_bars=("2",), advice="Bar 2: wait for the beat.")
    play(score, 68, 76, day=24)
    assert main(["progress", str(score)]) == 0
    out = capsys.readouterr().out
    assert "The whole passage: 5 takes on 2 days, 3 clean; best clean tempo 68, target 80." in out
    assert "Mon 23 Nov      3      2  60 clean            64      80  2 (3 takes)" in out
    assert "Advice: Bar 2: wait for the beat." in out
    assert plot_of(out).read_bytes().startswith(b"\x89PNG")
    assert plot_of(out).is_relative_to(score.parent / "cache")


def test_without_a_place_for_the_plot_the_text_is_there(
    score: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    play(score, 60, 64)
    blocked = score.with_name("blocked")
    blocked.write_text("no folder")
    monkeypatch.setenv("COMPANION_CACHE", str(blocked))
    assert main(["progress", str(score)]) == 0
    out = capsys.readouterr().out
    assert "2 takes on 1 day" in out and "note: the plot can't be written to " in out and "Plot: " not in out
    # One that was asked for is a fault.
    assert main(["progress", str(score), "-o", str(blocked / "out.png")]) == 1


def test_no_takes_yet_is_said_plainly(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["progress", str(score), "-o", "out.png"]) == 0
    assert "No takes yet" in capsys.readouterr().out
    assert Path("out.png").read_bytes().startswith(b"\x89PNG")


def test_only_these_bars(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    play(score, 60, bars="2")
    play(score, 64, day=24)
    assert main(["progress", str(score), "--bars", "2-2"]) == 0
    out = capsys.readouterr().out
    assert "Bar 2: 1 take on 1 day, 1 clean; best clean tempo 60" in out
    assert "Tue 24 Nov" not in out
    assert main(["progress", str(score)]) == 0
    assert "takes of different bars together" in capsys.readouterr().out


def test_an_edited_file_is_matched_by_its_name(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    play(score, 60)
    score.write_text(SCORE.replace("Two bars", "Two better bars"))
    assert main(["progress", str(score)]) == 0
    out = capsys.readouterr().out
    assert "1 take of 1 played from another version of two-bars.musicxml (matched by file name)" in out


def test_the_week_sheets_target_comes_first(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    play(score, 60)
    main(["week", "set", str(score), "--tempo", "120"])
    capsys.readouterr()
    assert main(["progress", str(score)]) == 0
    assert "target 120." in capsys.readouterr().out
    (score.parent / "shared" / "week.toml").write_text("format = 7\n")
    assert main(["progress", str(score)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "target 80." in out
    assert "week sheet not read" in out


def days_of(score: Path, days: int, **more: object) -> None:
    """The last days up to today, so that something can be said: clean below 70."""
    for ago in range(days):
        now = datetime.now(UTC) - timedelta(days=days - 1 - ago)
        sitting = Sitting.begin(score.parent / "sessions", now)
        told = {"origin": str(score), "sha256": read(score).sha256, "target_bpm": 80.0, "instrument": "alto"} | more
        for tempo_bpm in (60, 64, 66, 68, 72, 76, 80):
            sitting.append(TakeRecord(**{"title": "Two bars", "tempo_bpm": tempo_bpm, "clean": tempo_bpm < 70} | told))  # type: ignore[arg-type]


def test_what_to_expect_and_what_holds_it_back(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    days_of(score, 5)
    main(["week", "set", str(score), "--tempo", "90"])
    capsys.readouterr()
    assert main(["progress", str(score), "--plot", "out.svg"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    stands = re.search(r"Stands at about (\d+) ", out)
    assert stands and 66 <= int(stands[1]) <= 74
    assert "80 of 100 such students would stand between" in out
    assert "fewer than 5 of 100 at 90 or above" in out
    assert re.search(r"What holds it back - Of the last 12 takes at 6[46] or more \d were not clean: timing in \d", out)
    assert Path("out.svg").read_bytes().startswith(b"<?xml")


def test_an_exercise_is_looked_at_as_the_passage_is(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    opened = opened_exercise(open_passage(score), "scales", "", ["key=g"], score.parent / "sessions")
    days_of(score, 4)
    days_of(score, 5, origin="", sha256=opened.passage.sha256, title=opened.passage.title)
    main(["week", "set", str(score), "--tempo", "66", "--exercise", "scales", "--set", "key=g", "--by", "Sun"])
    capsys.readouterr()
    assert main(["progress", str(score), "--exercise", "scales", "--set", "key=g"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert out.startswith(opened.passage.title)
    assert "The whole passage: 35 takes on 5 days, 20 clean; best clean tempo 68, target 66." in out
    assert "Stands at about" in out
    assert plot_of(out.replace(" Plot:", "\nPlot:")).name == "two-bars-scales-progress.png"
    assert main(["progress", str(score)]) == 0
    assert "28 takes on 4 days" in capsys.readouterr().out


def page_of(path: str) -> str:
    pages = PdfReader(path).pages
    assert len(pages) == 1
    return " ".join(pages[0].extract_text().split())


def test_the_page_for_the_lesson_has_the_sheets_items_and_what_else_was_played(
    score: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    days_of(score, 5)
    days_of(score, 1, origin="old/other.musicxml", sha256="2", title="Other", bars="3-4")
    main(["week", "set", str(score), "--tempo", "90", "--by", "Sun"])
    main(["week", "set", str(score), "--tempo", "60", "--bars", "2"])
    capsys.readouterr()
    assert main(["progress", "--lesson", "lesson.pdf", "--paper", "letter"]) == 0
    assert "For the lesson: 3 items, written to lesson.pdf." in capsys.readouterr().out
    text = page_of("lesson.pdf")
    first, second, third = (text.index(name) for name in ("Two bars target 90", "Two bars, bar 2", "Other, bars 3–4"))
    assert first < second < third
    assert "Best clean tempo 68, 35 takes. 0 of 3 clean takes at the target this week." in text
    assert "Stands at about" in text[first:second]
    assert "Of the last 12 takes at" in text[first:second]
    assert "Not played yet." in text[second:third]
    assert "Not on the week sheet." in text[third:]


def test_what_is_not_on_the_sheet_is_looked_at_in_its_score_while_it_is_there_unchanged(
    score: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    days_of(score, 5)
    days_of(score, 1, origin="x" * 300, sha256="2", title="Of no name")
    looked_at: list[Path] = []
    given: list[object] = []

    def fingers(file: Path, *more: object) -> Fingers:
        looked_at.append(file)
        return fingers_of(file, *more)  # type: ignore[arg-type]

    def course(*asked: object) -> Course:
        given.append(asked[3])
        return course_of(*asked)  # type: ignore[arg-type]

    monkeypatch.setattr("companion.cli.lesson_page.fingers_of", fingers)
    monkeypatch.setattr("companion.cli.lesson_page.course_of", course)
    assert main(["progress", "--lesson", "lesson.pdf"]) == 0
    assert looked_at == [score] and sorted(one is None for one in given) == [False, True]
    given.clear()
    score.write_text(SCORE.replace("Two bars", "Two better bars"))
    assert main(["progress", "--lesson", "lesson.pdf"]) == 0
    assert given == [None, None]


def test_of_a_score_with_several_parts_the_lesson_looks_at_the_items_own(
    score: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    part = SCORE[SCORE.index('<part id="P1">') : SCORE.index("</score-partwise>")]
    second = part.replace("P1", "P2")
    score.write_text(
        SCORE.replace("</score-part>", '</score-part><score-part id="P2"><part-name>Second</part-name></score-part>')
        .replace("</score-partwise>", f"{second}</score-partwise>")
    )  # fmt: skip
    assert main(["week", "set", str(score), "--part", "2", "--tempo", "90"]) == 0
    looked_at: list[str] = []

    def fingers(*asked: object) -> Fingers:
        found = fingers_of(*asked)  # type: ignore[arg-type]
        looked_at.append(found.opened.passage.part_id)
        return found

    monkeypatch.setattr("companion.cli.lesson_page.fingers_of", fingers)
    assert main(["progress", "--lesson", "lesson.pdf"]) == 0
    assert looked_at == ["P2"]


def test_an_exercise_of_the_sheet_is_an_item_of_its_own(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["week", "set", str(score), "--tempo", "60", "--exercise", "scales"])
    days_of(score, 3)
    capsys.readouterr()
    assert main(["progress", "--lesson", "lesson.pdf"]) == 0
    assert "2 items" in capsys.readouterr().out
    assert "Not played yet." in page_of("lesson.pdf")


def test_what_holds_an_exercise_back_is_the_same_on_every_page(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["--exercise", "scales", "--set", "key=g"]
    opened = opened_exercise(open_passage(score), "scales", "", ["key=g"], score.parent / "sessions")
    main(["week", "set", str(score), "--tempo", "300", *asked])
    days_of(score, 4, origin="", sha256=opened.passage.sha256, title=opened.passage.title, target_bpm=300.0)
    capsys.readouterr()
    assert main(["progress", str(score), *asked]) == 0
    told = " ".join(capsys.readouterr().out.split())
    change = re.search(r"What holds it back - (\S+ to .*? goes up to about \d+, .*?\.) ", told)
    first = re.search(r"- (First takes near 300: .*?\.) ", told)
    assert change and first
    assert main(["progress", "--lesson", "lesson.pdf"]) == 0
    assert f"Holds back: {change[1]}" in page_of("lesson.pdf")
    sheet = load(paths.week_sheet())
    reader = ItemReader(sheet.path, score.parent / "sessions")
    words = dict(pages_of_week(sheet, score.parent / "sessions", reader)(0).words)
    assert words["What holds it back"][0] == change[1] and words["First takes"][0].startswith(first[1])


def test_an_empty_house_has_a_page_too(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["progress", "--lesson", "lesson.pdf"]) == 0
    assert "0 items" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "no score is named"),
        (["two-bars.musicxml", "--lesson", "l.pdf"], "so a score has no place beside it"),
        (["--lesson", "l.pdf", "--bars", "2"], "so --bars has no place beside it"),
        (["--lesson", "l.pdf", "--exercise", "links"], "so --exercise has no place beside it"),
        (["two-bars.musicxml", "--set", "times=4"], "goes with --exercise NAME"),
        (["two-bars.musicxml", "--exercise", "jumps"], "jumps"),
        (["--lesson", "l.svg"], "let its name end in .pdf"),
        (["--lesson", "l.pdf", "--paper", "a5"], "no paper 'a5'"),
        (["--lesson", "l.pdf", "--sheet", "none.toml"], "none.toml"),
        (["two-bars.musicxml", "--paper", "a4"], "--paper is that of the page for the lesson"),
        (["two-bars.musicxml", "--sheet", "none.toml"], "none.toml"),
        (["two-bars.musicxml", "--instrument", "kazoo"], "kazoo"),
    ],
)
def test_a_page_that_can_t_be_made_is_said_in_one_line(
    score: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    assert main(["progress", *arguments]) == 1
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
    assert not Path("l.pdf").exists()


def test_two_days_are_too_few(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    days_of(score, 2)
    assert main(["progress", str(score)]) == 0
    assert "Too early to say: 2 days played, 3 are needed." in capsys.readouterr().out


def test_takes_on_another_horn_are_another_item(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    days_of(score, 1, instrument="tenor")
    days_of(score, 1)
    assert main(["progress", str(score)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "7 takes on 1 day" in out
    assert "7 takes on the tenor left out: --instrument tenor shows them" in out
    assert main(["progress", str(score), "--instrument", "tenor"]) == 0
    assert "7 takes on the alto left out" in " ".join(capsys.readouterr().out.split())


def test_takes_on_a_chart_that_is_gone_are_shown_all_the_same(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    days_of(score, 4, instrument="my-horn")
    assert main(["progress", str(score)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "28 takes on 4 days" in out
    assert "Stands at about" in out
    assert "what holds back is not looked at" in out


def test_a_torn_log_is_told_and_the_rest_shown(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sitting = play(score, 60, 64)
    sitting.path.write_bytes(sitting.path.read_bytes()[:-20])
    assert main(["progress", str(score)]) == 0
    out = capsys.readouterr().out
    assert "1 take on 1 day" in out
    assert "line 3: the last take was cut off" in out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["none.musicxml"], "no such file"),
        (["two-bars.musicxml", "--bars", "9"], "no bar '9'"),
        (["two-bars.musicxml", "-o", "out.txt"], "end the name in .png"),
        (["two-bars.musicxml", "--sessions", "two-bars.musicxml"], "can't be read"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(
    score: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    assert main(["progress", *arguments]) == 1
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def test_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["progress", "--help"])
    assert "companion progress etude.musicxml --bars 5-8" in capsys.readouterr().out


def test_first_takes_are_counted_apart(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for day, cold_bpm in ((20, 60), (21, 76), (22, 80), (23, 80)):
        play(score, cold_bpm, 60, 80, day=day)
    assert main(["progress", str(score)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert (
        "First takes near 80: 0 of 3 clean: the chance that the first one is clean lies between 0 and 56 % (95 %"
        in said
    )
    assert main(["progress", str(score), "--bars", "2"]) == 0
    assert "First takes" not in capsys.readouterr().out
