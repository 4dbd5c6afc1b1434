"""`companion fingerings`: the table, the marked score, the mark sheet, limits, rules; bad input in one line."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from lxml import etree

from companion.cli import main
from companion.paths import examples_dir
from companion.record.marks import load, resolve
from companion.scores import read

PASSAGES = examples_dir() / "passages"


@pytest.fixture
def etude(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("COMPANION_SESSIONS", str(tmp_path / "sessions"))
    monkeypatch.setenv("COMPANION_SHARED", str(tmp_path / "shared"))
    monkeypatch.setenv("COMPANION_CACHE", str(tmp_path / "cache"))
    return Path(shutil.copy(PASSAGES / "etude-e-minor.musicxml", tmp_path / "etude.musicxml"))


def said(capsys: pytest.CaptureFixture[str], *args: object) -> str:
    assert main(["fingerings", *map(str, args)]) == 0
    return capsys.readouterr().out


def refused(capsys: pytest.CaptureFixture[str], *args: object) -> str:
    assert main(["fingerings", *map(str, args)]) == 1
    captured = capsys.readouterr()
    assert captured.err.count("\n") == 1 and captured.err.startswith("companion: ") and "Traceback" not in captured.err
    return captured.err


def table(text: str) -> list[list[str]]:
    """The rows of the table, by its columns."""
    lines = text.splitlines()
    head = next(i for i, line in enumerate(lines) if line.startswith("bar "))
    starts = [lines[head].index(word) for word in ("bar", "beat", "note", "fingering", "reason")]
    rows = []
    for line in lines[head + 1 :]:
        if not line:
            break
        cells = [line[a:b].strip() for a, b in zip(starts, [*starts[1:], None], strict=True)]
        rows.append(cells)
    return rows


def test_the_table_has_every_note_with_its_reason(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    passage = read(etude)
    rows = table(said(capsys, etude))
    assert [row[2] for row in rows] == [str(note.written) for note in passage.notes]
    assert [row[0] for row in rows] == [passage.bars[note.bar].number for note in passage.notes]
    assert all(row[4] for row in rows)
    assert rows[0][1] == "1" and {"1¼", "2½", "4¾"} <= {row[1] for row in rows}
    some = table(said(capsys, etude, "--bars", "3-4"))
    assert {row[0] for row in some} == {"3", "4"} and [r for r in rows if r[0] in ("3", "4")] == some
    assert all(row[3] for row in table(said(capsys, etude, "--brief")))


def test_repeats_grace_notes_and_trills_have_their_rows(capsys: pytest.CaptureFixture[str]) -> None:
    files = Path(__file__).parents[1] / "scores" / "files"
    rows = table(said(capsys, files / "repeat_simple.musicxml"))
    assert any(row[0].endswith("(2×)") for row in rows)
    assert any("grace" in row[1] for row in table(said(capsys, files / "grace_notes.musicxml")))
    assert any("tr " in row[3] for row in table(said(capsys, files / "trill_other_note.musicxml")))


def test_a_choice_a_comment_and_a_misprint_are_kept_and_followed(
    etude: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = table(said(capsys, etude))
    at = next(i for i, row in enumerate(before) if row[2] == "B♭5")
    bar = before[at][0]
    note = at - next(i for i, row in enumerate(before) if row[0] == bar) + 1
    text = said(
        capsys, etude, "--set", f"{bar}.{note}=1-and-1", "--why", "try it", "--comment", f"{bar}.{note}=breathe first",
        "--correct", "1.-2=B4",
    )  # fmt: skip
    after = table(text)
    assert after[at][3:] == ["1-and-1", "marked by hand: try it – breathe first"]
    in_bar_1 = [i for i, row in enumerate(before) if row[0] == "1"]
    assert after[in_bar_1[-2]][2] == "B4" and "1 misprint corrected" in text
    marked = resolve(load(etude.with_name("etude.marks.toml")), read(etude))
    assert marked.fingerings == {at: "1-and-1"} and marked.whys == {at: "try it"} and marked.comments
    said(capsys, etude, "--unset", f"{bar}.{note}", "--correct", f"1.-2={before[in_bar_1[-2]][2]}")
    assert [row[:4] for row in table(said(capsys, etude))] == [row[:4] for row in before]


def test_the_score_with_marks(etude: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    original, out = etude.read_bytes(), tmp_path / "marked.musicxml"
    text = said(capsys, etude, "--musicxml", out)
    marks = [f.text for f in etree.parse(out).getroot().iter("fingering")]
    assert f"with {len(marks)} fingering marks" in text
    assert {"bis", "side", "chr"} <= set(marks) and etude.read_bytes() == original
    assert sum(bool(row[3]) for row in table(text)) == len(marks)
    # Read again, the marks are in the score: the plan is the same.
    again = table(said(capsys, out))
    assert [row[:4] for row in again] == [row[:4] for row in table(text)]


def test_a_midi_file_gets_a_score_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "march.musicxml"
    said(capsys, PASSAGES / "march-in-g.mid", "--musicxml", out)
    assert read(out).notes


def test_the_limits(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, etude, "--limits", "--tempo", "96", "--average")
    assert "Speed limits at 96" in text and "the limit is" in text and "average" in text
    assert "raises the limit" in text


def test_the_rules_with_sources_and_a_rule_file(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "--rules")
    assert text.count("source: ") == text.count(" ms)\n") >= 14
    assert "arXiv:2507.04963" in text and "common practice, no source" in text
    sheet = etude.with_name("mine.toml")
    sheet.write_text('format = 1\n[[rule]]\nname = "bis"\noff = true\n', encoding="utf-8")
    assert "bis (switched off)" in said(capsys, "--rules", "--rule-file", sheet)
    usual = etude.parent / "shared" / "rules.toml"
    usual.parent.mkdir()
    usual.write_bytes(sheet.read_bytes())
    assert "bis (switched off)" in said(capsys, "--rules")
    usual.write_text("format = 9\n", encoding="utf-8")
    assert main(["fingerings", "--rules"]) == 0
    assert "the rule file is not followed" in capsys.readouterr().err


def test_a_rule_switched_off_changes_the_plan(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with_rule = table(said(capsys, etude))
    sheet = etude.with_name("mine.toml")
    names = ("chromatic F♯", "long C♯", "bis", "beside B", "no slide")
    sheet.write_text(
        "format = 1\n" + "".join(f'[[rule]]\nname = "{name}"\noff = true\n' for name in names), encoding="utf-8"
    )
    assert table(said(capsys, etude, "--rule-file", sheet)) != with_rule


def test_a_change_is_reckoned(capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "--change", "G4", "B-flat4:side")
    assert text.startswith("G4 to B♭4 side: ") and " ms = base " in text


def test_the_legend(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = said(capsys, "--legend")
    assert "1+2" in whole and "front" in whole and "l1 bis" in whole
    # The front fingerings are three shapes (trade of the horn; the chart's own check plays each).
    fronts = [line.split() for line in whole.splitlines() if line.startswith("front ")]
    assert [line[2] for line in fronts] == ["E6", "F6", "F♯6"]
    assert [line[3:][: line[3:].index("leaps")] for line in fronts] == [
        ["octave", "front_f", "l2", "l3"], ["octave", "front_f", "l2"], ["octave", "front_f", "l2", "high_f_sharp"],
    ]  # fmt: skip
    assert "1+2" not in said(capsys, etude, "--legend", "--brief").partition("mark ")[2]


@pytest.mark.parametrize("columns", [80, 100])
def test_no_line_is_wider_than_the_terminal(
    etude: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, columns: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    asked = (("--legend",), ("--rules",), (etude, "--limits", "--legend"), ("--change", "B-flat3", "C#4"))
    for args in asked:
        text = said(capsys, *args)
        assert max(map(len, text.splitlines())) <= columns, args
    monkeypatch.undo()
    assert max(map(len, said(capsys, "--legend").splitlines())) > columns  # a pipe takes lines whole


def test_a_trill_with_usual_fingerings_is_usual(capsys: pytest.CaptureFixture[str]) -> None:
    waltz = PASSAGES / "waltz-in-f.musicxml"
    trilled = [row for row in table(said(capsys, waltz)) if "trill" in row[4]]
    assert trilled and {row[3] for row in trilled} == {""}
    assert not [row for row in table(said(capsys, waltz, "--brief")) if "trill" in row[4]]


def test_a_trill_s_other_fingering_counts_as_a_mark_and_its_speed_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = Path(__file__).parents[1] / "scores" / "files" / "trill_other_note.musicxml"
    out = tmp_path / "out.musicxml"
    text = said(capsys, file, "--limits", "--average", "--legend", "--musicxml", out)
    marks = [f.text for f in etree.parse(out).getroot().iter("fingering")]
    assert any("tr " in (mark or "") for mark in marks)
    assert f"{len(marks)} with a mark" in text and f"{len(marks)} fingering mark" in text
    assert "Trills:\n" in text and "trills a second" in text
    legend = text.partition("mark  ")[2].partition("Speed limits")[0]
    assert all((mark or "").rpartition(" ")[2] in legend for mark in marks)


def test_marks_are_taken_away_again(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    printed = table(said(capsys, etude))
    assert main(["fingerings", str(etude), "--unset", "1.1", "--comment", "1.1="]) == 0
    assert "nothing is written" in capsys.readouterr().err and not etude.with_name("etude.marks.toml").exists()
    said(capsys, etude, "--comment", "1.1=breathe", "--correct", "1.2=G5")
    said(capsys, etude, "--comment", "1.1=", "--correct", "1.2=")
    assert table(said(capsys, etude)) == printed


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ((), "give a passage"),
        (("--bars", "3"), "needs a passage"),
        (("nothing.musicxml",), "no such file"),
        (("FILE", "--set", "3.4"), "write such as"),
        (("FILE", "--set", "3.400=bis"), "that bar has"),
        (("FILE", "--set", "300.4=bis"), "no such bar"),
        (("FILE", "--set", "1.1=bis"), "has no fingering 'bis'"),
        (("FILE", "--correct", "1.1=H9"), "no pitch"),
        (("FILE", "--why", "because"), "goes with"),
        (("FILE", "--search"), "goes with --note"),
        (("FILE", "--average"), "goes with --limits"),
        (("FILE", "--tempo", "0"), "quarters a minute"),
        (("FILE", "--marks", "none.toml"), "no such mark sheet"),
        (("FILE", "--rule-file", "none.toml"), "no such rule file"),
        (("FILE", "--musicxml", "FILE"), "the score itself"),
        (("FILE", "--musicxml", "out.mxl"), "let its name end in"),
        (("FILE", "--musicxml", "nowhere/out.musicxml"), "can't be written"),
        (("FILE", "--instrument", "tuba"), "tuba"),
        (("--change", "G4", "B-flat4:sideways"), "it has bis, side"),
        (("--change", "G4", "G9"), "G9"),
    ],
)
def test_bad_input(
    etude: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, args: tuple[str, ...], says: str
) -> None:
    monkeypatch.chdir(etude.parent)
    files = sorted(p.name for p in etude.parent.iterdir())
    assert says in refused(capsys, *("etude.musicxml" if arg == "FILE" else arg for arg in args))
    assert sorted(p.name for p in etude.parent.iterdir()) == files


def test_a_faulty_sheet_beside_the_passage_is_said_and_not_followed(
    etude: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    etude.with_name("etude.marks.toml").write_text("format = 3\n", encoding="utf-8")
    assert main(["fingerings", str(etude)]) == 0
    assert "mark sheet is not followed" in capsys.readouterr().err
    assert "format" in refused(capsys, etude, "--marks", etude.with_name("etude.marks.toml"))
    assert "format" in refused(capsys, etude, "--comment", "1.1=x")


def test_a_mark_that_this_horn_lacks_is_set_aside(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    etude.with_name("etude.marks.toml").write_text(
        'format = 1\n[[fingering]]\nbar = "1"\nnote = 1\nuse = "sideways"\n', encoding="utf-8"
    )
    assert main(["fingerings", str(etude)]) == 0
    err = capsys.readouterr().err
    assert "sideways" in err and "set aside" in err and err.count("\n") == 1


def test_the_stand_follows_the_marks(etude: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the command set is what the take is recorded with."""
    import json

    said(capsys, etude, "--set", "9.2=1-and-1")
    result = tmp_path / "result.json"
    args = ["play", str(etude), "--bars", "9", "--hidden", "--takes", "1", "--port", "sim:steady:1", "--tempo", "60"]
    assert main([*args, "--json", str(result)]) == 0
    (take,) = json.loads(result.read_text(encoding="utf-8"))["takes"]
    assert "1-and-1" in json.dumps(take, ensure_ascii=False)


def test_an_output_without_accidentals_gets_plain_letters() -> None:
    """B♭ and B must not look alike where the terminal's code page has no ♭."""
    import os
    import subprocess
    import sys

    command = [sys.executable, "-m", "companion", "fingerings", "--change", "G4", "B-flat4:side"]
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run(command, capture_output=True, env=environment, check=True)
    assert done.stdout.startswith(b"G4 to Bb4 side: ") and b"?" not in done.stdout


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full")
def test_a_full_disk_and_a_closed_output_are_no_crash() -> None:
    import subprocess
    import sys

    command = [sys.executable, "-m", "companion", "fingerings", "--rules"]
    with open("/dev/full", "w") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 1 and done.stderr.count("\n") == 1 and "can't be written" in done.stderr
    closed = subprocess.run(["sh", "-c", '"$@" >&-', "sh", *command], stderr=subprocess.PIPE, text=True, check=False)
    assert closed.returncode == 0 and not closed.stderr


def test_a_mark_sheet_that_is_a_pipe_is_refused(etude: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import os

    os.mkfifo(etude.with_name("etude.marks.toml"))
    assert "pipe" in refused(capsys, etude, "--set", "9.2=side")
