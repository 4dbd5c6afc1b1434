"""`companion shapes` as it is called, as text."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from companion.charts import load
from companion.cli import main
from companion.planning import change_seconds
from companion.practice.shapes import catalogue
from companion.practice.spacing import reviewed
from companion.record.shapes import keep_answer


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("SHARED", "SESSIONS", "CACHE", "SETTINGS"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / name.lower()))
    monkeypatch.setenv("COLUMNS", "80")
    return tmp_path


def said(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["shapes", *words]) == 0
    return capsys.readouterr().out


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["shapes", *words]) == 1
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    return error


def test_a_note_is_drawn_with_what_changes(capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        said(capsys, "B-flat4")
        == """\
B♭4 on the alto saxophone (sounds D♭4): 4 shapes

bis                                      side
left        ● ○ ○  bis                   left        ● ● ○
right       ○ ○ ○                        right       ○ ○ ○  side B♭
left hand only, and its tone matches     both hands; good tone, best beside A,
its neighbours                           B and C

1-and-2                                  1-and-1
left        ● ○ ○                        left        ● ○ ○
right       ○ ● ○                        right       ● ○ ○
from F♯; a little dull                   from F in arpeggios; the dullest

What changes
  bis to side: Down: left middle finger, side B♭ key. Up: bis key. Stays: left
    index.
  bis to 1-and-2: Down: right middle finger. Up: bis key. Stays: left index.
  bis to 1-and-1: Down: right index. Up: bis key. Stays: left index.
"""
    )


def test_the_better_one_between_two_notes(capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "A-sharp4", "--between", "B4", "B4")
    assert text.startswith("A♯4 between two B4s\n\nBetter here: side. B is next to it")
    assert "  down   left middle finger, side B♭ key\n  stays  left index\n" in text


def test_two_shapes_by_name(capsys: pytest.CaptureFixture[str]) -> None:
    tenor = load("tenor")
    takes_ms = 1000 * change_seconds(tenor, tenor.called(70, "bis")[0], tenor.called(70, "side")[0])
    assert said(capsys, "--between", "B-flat4", "B-flat4:side", "--instrument", "tenor").splitlines()[4:] == [
        f"B♭4 bis to B♭4 side, some {takes_ms:.0f} ms",
        "  down   left middle finger, side B♭ key",
        "  up     bis key",
        "  stays  left index",
    ]


def test_what_is_shaky_comes_first(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    questions = catalogue(load("alto"))
    now = datetime.now(UTC) - timedelta(days=30)
    for question, right in zip(questions, (True, False, True), strict=False):
        keep_answer(home / "sessions", "alto", question.id, right, "bis", reviewed(None, right, now))
    lines = said(capsys, "--due").splitlines()
    assert (
        lines[0]
        == f"Shapes on the alto saxophone: {len(questions)} in all, 3 due now, {len(questions) - 3} not asked yet"
    )
    assert lines[3].startswith("B♭4 between A4 and B4   side") and lines[3].endswith("now")
    assert lines[4].startswith("B♭4 between two A4s") and int(lines[4].split("%")[0].split()[-1]) > int(
        lines[3].split("%")[0].split()[-1]
    )
    assert f"The next new one: {questions[3].words}." in lines


def test_a_passages_own_come_first(capsys: pytest.CaptureFixture[str]) -> None:
    from companion import paths

    etude = paths.examples_dir() / "passages" / "etude-e-minor.musicxml"
    text = said(capsys, "--due", "--file", str(etude))
    assert "in Étude in E minor" in text and "Practise with: companion shapes --file" in text


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("H4",), "is no pitch"),
        (("A2",), "no fingering for A2; its written range is B♭3 to F♯6"),
        (("B-flat4", "--between", "B-flat4", "A4"), "keeps its shape"),
        (("--between", "G4", "G4:side"), "has no fingering 'side'"),
        (("B-flat4", "--due"), "without a note"),
        (("B-flat4", "--file", "x.musicxml"), "--file says what to practise"),
        (("--part", "2"), "--part belongs to a passage"),
        (("B-flat4", "--shots", "x"), "--shots belongs to the screen"),
        (("--hidden",), "add --shots"),
        (("--file", "nowhere.musicxml"), "there is no such file"),
        (("--instrument", "flute"), "no such instrument"),
        (("--size", "9x9"), "is not a size"),
    ],
)
def test_what_makes_no_sense_is_one_line(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], expected: str
) -> None:
    assert expected in refused(capsys, *words)


def test_the_schedule_is_not_loaded_before_it_is_needed() -> None:
    code = (
        "import sys\nfrom companion.cli import main\nmain(['shapes', 'G4'])\n"
        "assert 'fsrs' not in sys.modules and 'pygame' not in sys.modules"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True).returncode == 0
