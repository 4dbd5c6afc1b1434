"""`companion trouble` as it is called."""

from __future__ import annotations

import json
import textwrap
import zipfile
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from companion import charts
from companion.cli import main
from companion.planning import plan
from companion.practice.model import LATE, ON_TIME, WRONG_NOTE
from companion.record import NoteRecord, Sitting, TakeRecord
from companion.record.model import SlipRecord
from companion.scores import read

NOTES = ("G", 0), ("A", 0), ("B", -1), ("G", 0)
SCORE = """<score-partwise version="4.0">
<work><work-title>One bar</work-title></work>
<part-list><score-part id="P1"><part-name>Sax</part-name></score-part></part-list>
<part id="P1">
<measure number="5">
<attributes><divisions>1</divisions><time><beats>4</beats><beat-type>4</beat-type></time></attributes>
{}</measure></part></score-partwise>"""
NOTE = "<note><pitch><step>{}</step><alter>{}</alter><octave>4</octave></pitch><duration>1</duration></note>"


@pytest.fixture
def score(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("SHARED", "SESSIONS", "CACHE", "SETTINGS"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / name.lower()))
    monkeypatch.chdir(tmp_path)
    path = Path("one-bar.musicxml")
    path.write_text(SCORE.format("".join(NOTE.format(*note) for note in NOTES)))
    return path


def take_of(score: Path, kind: str = "", by_ms: float = 38.0) -> TakeRecord:
    passage = read(score)
    chart = charts.load("alto")
    late_ms, notes = 0.0, []
    for note, choice in zip(passage.notes, plan(passage, chart).choices, strict=True):
        late_ms += 120.0 if (note.index, kind) == (2, "late") else 0.0
        midi = note.written_midi + ((note.index, kind) == (2, "wrong"))
        verdict = WRONG_NOTE if midi != note.written_midi else LATE if late_ms else ON_TIME
        notes.append(
            NoteRecord(
                "5", str(note.count), note.written_midi, choice.name, tuple(sorted(choice.keys)), verdict, late_ms,
                midi, available_ms=1000.0 if note.index else None,
            )
        )  # fmt: skip
    slips = (SlipRecord(2, 1, 71, by_ms, ("right side",), ("left middle",), by_ms),) if kind == "slipped" else ()
    return TakeRecord(
        "One bar", 60.0, instrument="alto", port="wind", origin=str(score), sha256=passage.sha256, notes=tuple(notes),
        slips=slips,
    )  # fmt: skip


def write(takes: list[TakeRecord], day: int, hour: int = 17) -> None:
    sitting = Sitting.begin(Path("sessions"), datetime(2024, 11, day, hour, tzinfo=UTC))
    for take in takes:
        sitting.append(take)


def fingering(score: Path) -> str:
    return plan(read(score), charts.load("alto")).choices[2].name


GOLDEN = """\
One bar (one-bar.musicxml), alto saxophone

1  A to B♭ {name} in bar 5: failed in 6 of 7 takes on 2 days, last on 24 November 2024; mostly
   slipped.
   Slipped in 4 takes, wrong in 1 take, late in 1 take; from 60 on in 6 of 7; 49 to 97 % of takes
   (95 % interval); well once since, 5 times in a row solve it.

Over all passages

1  A4 to B♭4 {name}: failed in 6 of 7 takes on 2 days, last on 24 November 2024; mostly slipped.
   Slipped in 4 takes, wrong in 1 take, late in 1 take; from 60 on in 6 of 7; 49 to 97 % of takes
   (95 % interval); well once since, 5 times in a row solve it.

Fingers and trills

-  {lag}
"""


def test_what_keeps_failing_with_its_evidence(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write([take_of(score, "slipped", 36.0), take_of(score, "slipped", 40.0), take_of(score, "wrong")], 23)
    write([take_of(score, "slipped", 37.0), take_of(score, "slipped", 39.0)], 24)
    write([take_of(score, "late"), take_of(score)], 24, 18)
    assert main(["trouble", str(score), "--json", "out.json"]) == 0
    told = json.loads(Path("out.json").read_text(encoding="utf-8"))
    (spot,), (lag,) = told["spots"], told["finger_lags"]
    words = "F" + lag["sentence"][1:] + "."
    assert words.startswith("From A4 to B♭4 your left middle finger is") and "38 ms (± 3, 4 takes) behind" in words
    folded = textwrap.fill(words, 98, initial_indent="-  ", subsequent_indent="   ")[3:]
    assert capsys.readouterr().out == GOLDEN.format(name=fingering(score), lag=folded)
    assert (spot["bar"], spot["beat"], spot["failed"], spot["takes"], spot["solved"]) == ("5", "3", 6, 7, False)
    assert spot["kinds"] == [["slipped", 4], ["wrong", 1], ["late", 1]] and spot["note_index"] == 2
    assert (lag["late"], lag["takes"], lag["mean_ms"]) == ("left middle", 4, pytest.approx(38.0))
    assert told["over_all"][0]["note_index"] == -1 and told["instrument"] == "alto"


def test_solved_ones_are_counted_and_named_when_asked_for(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write([take_of(score, "wrong")] * 2, 23)
    write([take_of(score, "wrong")] * 2 + [take_of(score)] * 5, 24)
    assert main(["trouble", str(score)]) == 0
    out = capsys.readouterr().out
    assert "Nothing keeps failing in this passage: 9 takes looked through.\nSolved: 1; --solved names them." in out
    assert main(["trouble", str(score), "--solved"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Solved: A to B♭" in out and "went well 5 times in a row since." in out


def test_nothing_yet(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in ([], [str(score)]):
        assert main(["trouble", *words]) == 0
        out = capsys.readouterr().out
        assert "No takes of your own" in out and "Nothing can be told yet" in out
    write([replace(take_of(score, "wrong"), port="sim:student:1")] * 4, 23)
    assert main(["trouble", str(score)]) == 0
    assert "No takes of your own in this passage yet" in capsys.readouterr().out


def test_without_a_file_the_horn_is_that_of_the_newest_take(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write([replace(take_of(score), instrument="tenor")], 23)
    assert main(["trouble"]) == 0
    assert capsys.readouterr().out.startswith("All passages, tenor saxophone\n")
    write([replace(take_of(score), instrument="kazoo")], 24)
    assert main(["trouble"]) == 0
    assert capsys.readouterr().out.startswith("All passages, tenor saxophone\n")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nowhere.musicxml"], "there is no such file"),
        (["--part", "2"], "--part and --marks belong to a passage"),
        (["--instrument", "kazoo"], "kazoo"),
        (["--json", "nowhere/out.json"], "--json nowhere/out.json: can't be written"),
        (["--sessions", "one-bar.musicxml"], "practice log"),
    ],
)
def test_bad_input_gets_one_line(score: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str) -> None:
    assert main(["trouble", *words]) == 1
    out, err = capsys.readouterr()
    assert said in err and err.count("\n") == 1 and not out


def test_what_cannot_be_read_in_the_log_is_said(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write([take_of(score)], 23)
    (file,) = Path("sessions").glob("*.jsonl")
    file.write_bytes(file.read_bytes() + b'{"kind":"take","title":')
    assert main(["trouble", str(score)]) == 0
    assert "note: " in (out := capsys.readouterr().out) and "cut off" in out
    assert f"{date(2024, 11, 23)}" in out


def test_the_worst_is_written_as_loops_to_practise(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trouble", str(score), "--links", "links.musicxml"]) == 0
    assert "Nothing keeps failing in this passage, so links.musicxml was not written." in capsys.readouterr().out
    assert not Path("links.musicxml").exists()
    write([take_of(score, "slipped"), take_of(score, "slipped"), take_of(score, "wrong")], 23)
    write([take_of(score, "slipped"), take_of(score, "late"), take_of(score)], 24)
    assert main(["trouble", str(score), "--links", "links.musicxml"]) == 0
    assert "Links: A to B♭ bis (bar 5): written to links.musicxml" in capsys.readouterr().out
    made = read("links.musicxml")
    assert [str(note.written) for note in made.notes[:2]] == ["A4", "B♭4"] and not made.remarks
    assert made.notes[1].fingering_mark == fingering(score)
    assert main(["trouble", str(score), "--links", "links.musicxml"]) == 0  # anew
    other = Path("other.musicxml")
    other.write_bytes(score.read_bytes())
    for out, said in (
        (str(score), "one-bar.musicxml"), ("gone/links.musicxml", "gone"), (str(other), "is there already and no"),
    ):  # fmt: skip
        assert main(["trouble", str(score), "--links", out]) == 1
        assert said in capsys.readouterr().err
    assert other.read_bytes() == score.read_bytes()
    assert main(["trouble", "--links", "links.musicxml"]) == 1
    assert "companion trouble FILE --links" in capsys.readouterr().err


def test_loops_out_of_a_packed_score_are_a_plain_file(score: Path, capsys: pytest.CaptureFixture[str]) -> None:
    packed = score.with_suffix(".mxl")
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr(
            "META-INF/container.xml", f'<container><rootfiles><rootfile full-path="{score}"/></rootfiles></container>'
        )
        archive.write(score)
    for day in (23, 24):
        write([take_of(packed, "slipped"), take_of(packed, "slipped")], day)
    assert main(["trouble", str(packed), "--links", "links.musicxml"]) == 0
    assert read("links.musicxml").title == "Links: A to B♭ bis (bar 5)"
    assert main(["trouble", str(packed), "--links", "links.mxl"]) == 1
    assert "--links links.mxl: let its name end in .musicxml or .xml" in capsys.readouterr().err
