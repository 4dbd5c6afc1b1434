"""The log written out: byte by byte as JSON Lines, as tables read by Python's csv, as MIDI."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest
from record_logs import answer, example_log, play

from companion.errors import RecordError
from companion.record import NoteRecord, read_log, summaries
from companion.record.choosing import Choice
from companion.record.exporting import FORMATS, export
from companion.record.take_tables import NOTE_COLUMNS, TAKE_COLUMNS


def a_note(verdict: str = "on time", **more: object) -> NoteRecord:
    return NoteRecord("5", "5/2", 71, "standard", ("l1",), verdict, 3.25, 71, **more)  # type: ignore[arg-type]


@pytest.fixture
def log(tmp_path: Path) -> Path:
    folder = tmp_path / "log"
    play(folder, 20, 60, 64)
    play(folder, 23, 68, origin="C:\\music\\waltz.mid", sha256="bb", instrument="tenor")
    return folder


def test_json_lines_are_the_logs_own_bytes(log: Path, tmp_path: Path) -> None:
    answer(log, "alto", 20)
    done = export(log, tmp_path / "out", "jsonl", Choice())
    assert (done.takes, done.answers, done.files, done.remarks) == (3, 1, 3, [])
    for path in log.rglob("*.jsonl"):
        assert (tmp_path / "out" / path.relative_to(log)).read_bytes() == path.read_bytes()


def test_an_export_is_a_log_itself(log: Path, tmp_path: Path) -> None:
    export(log, tmp_path / "out", "jsonl", Choice(since=date(2026, 11, 21)))
    assert [take.tempo_bpm for take in read_log(tmp_path / "out").takes] == [68]


@pytest.mark.parametrize(
    ("choice", "tempos_bpm"),
    [
        (Choice(file="elsewhere/etude.musicxml"), [60, 64]),
        (Choice(file="renamed.musicxml", sha256="aa"), [60, 64]),
        (Choice(file="waltz.mid"), [68]),
        (Choice(horn="Tenor"), [68]),
        (Choice(before=date(2026, 11, 23)), [60, 64]),
        (Choice(since=date(2026, 11, 23)), [68]),
    ],
)
def test_takes_are_chosen(log: Path, tmp_path: Path, choice: Choice, tempos_bpm: list[float]) -> None:
    export(log, tmp_path / "out", "jsonl", choice)
    assert [take.tempo_bpm for take in read_log(tmp_path / "out").takes] == tempos_bpm


def test_answers_of_one_horn_and_of_some_days(log: Path, tmp_path: Path) -> None:
    for horn, day in (("alto", 19), ("alto", 22), ("tenor", 22)):
        answer(log, horn, day)
    done = export(log, tmp_path / "out", "jsonl", Choice(horn="alto", since=date(2026, 11, 20)))
    assert done.answers == 1
    assert json.loads((tmp_path / "out/shapes/alto.jsonl").read_bytes())["at"].startswith("2026-11-22")


def test_tables_as_another_reader_finds_them(tmp_path: Path) -> None:
    notes = (a_note(), a_note("left out", available_ms=250.0, articulation=("too short", "as written")))
    play(tmp_path / "log", 20, 60, notes=notes, advice='Bar 5: "slower", please', added=((0, 70),))
    export(tmp_path / "log", tmp_path / "out", "csv", Choice())
    with open(tmp_path / "out/takes.csv", newline="", encoding="utf-8") as file:
        (take,) = csv.DictReader(file)
    with open(tmp_path / "out/notes.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert tuple(take) == tuple(TAKE_COLUMNS)
    assert take["title"] == "Étude"
    assert take["advice"] == 'Bar 5: "slower", please'
    assert (take["on_time"], take["left_out"], take["added"], take["notes"]) == ("1", "1", "1", "2")
    assert take["target_bpm"] == ""
    assert tuple(rows[0]) == tuple(NOTE_COLUMNS)
    assert [row["note"] for row in rows] == ["1", "2"]
    assert {row["take"] for row in rows} == {take["take"]}
    assert (rows[1]["beat"], rows[1]["available_ms"], rows[1]["articulation"]) == (
        "5/2",
        "250.0",
        "too short, as written",
    )
    columns = (tmp_path / "out/columns.txt").read_text()
    assert all(name in columns for name in (*TAKE_COLUMNS, *NOTE_COLUMNS))


def test_no_text_is_a_formula_for_a_spreadsheet(tmp_path: Path) -> None:
    play(tmp_path / "log", 20, 60, title='=HYPERLINK("http://x","y")')
    export(tmp_path / "log", tmp_path / "out", "csv", Choice())
    assert ",\"'=HYPERLINK(" in (tmp_path / "out/takes.csv").read_text()


def test_midi_files_have_names_that_any_system_takes(tmp_path: Path) -> None:
    play(tmp_path / "log", 20, 60, origin="../..", bars="5/8:*", title="../../x")
    play(tmp_path / "log", 20, 60, origin="../..", bars="5/8:*", title="../../x")
    done = export(tmp_path / "log", tmp_path / "out", "midi", Choice())
    names = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert done.takes == len(names) == 2
    assert all(name.endswith(".mid") and not set(name) & set('/\\:*?"<>|') for name in names)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["log", "out"]


def test_torn_lines_and_foreign_files_are_named_and_left_out(log: Path, tmp_path: Path) -> None:
    first = min(log.glob("*.jsonl"))
    with open(first, "ab") as file:
        file.write(b'{"kind":"take","title":"x","ev')
    (log / "notes.jsonl").write_text("nothing\nof\nthe\nkind\n")
    done = export(log, tmp_path / "out", "jsonl", Choice())
    assert done.takes == 3
    assert any(f"{first.name} line 4: cut off or damaged" in remark for remark in done.remarks)
    assert any("notes.jsonl: this is no practice log" in remark for remark in done.remarks)
    assert read_log(tmp_path / "out").remarks == ()


def test_lines_of_a_later_program_are_kept_where_all_is_exported(log: Path, tmp_path: Path) -> None:
    first = min(log.glob("*.jsonl"))
    with open(first, "ab") as file:
        file.write(b'{"kind":"lesson","events":[1]}\n')
    export(log, tmp_path / "out", "jsonl", Choice())
    assert (tmp_path / "out" / first.name).read_bytes() == first.read_bytes()
    done = export(log, tmp_path / "some", "jsonl", Choice(file="etude.musicxml"))
    assert any("a later program" in remark for remark in done.remarks)


@pytest.mark.parametrize("form", FORMATS)
def test_nothing_meant_writes_nothing(log: Path, tmp_path: Path, form: str) -> None:
    with pytest.raises(RecordError, match="there is no take since 2027-01-01 to export"):
        export(log, tmp_path / "out", form, Choice(since=date(2027, 1, 1)))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["log"]


@pytest.mark.parametrize("form", FORMATS)
def test_what_is_there_stays(log: Path, tmp_path: Path, form: str) -> None:
    before = {path: path.read_bytes() for path in log.iterdir()}
    with pytest.raises(RecordError, match="holds something already"):
        export(log, log, form, Choice(horn="tenor"))
    assert {path: path.read_bytes() for path in log.iterdir()} == before
    (tmp_path / "file").write_text("mine")
    with pytest.raises(RecordError, match="no folder"):
        export(log, tmp_path / "file", form, Choice())
    (tmp_path / "empty").mkdir()
    assert export(log, tmp_path / "empty", form, Choice()).takes == 3


def test_a_disk_that_is_full_leaves_nothing_behind(log: Path, tmp_path: Path) -> None:
    """The limit on file sizes stands in for the full disk."""
    pytest.importorskip("resource")
    told = f"""
import resource, signal, sys
from pathlib import Path
from companion.errors import RecordError
from companion.record.choosing import Choice
from companion.record.exporting import export
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (600, 600))
try:
    export(Path({str(log)!r}), Path({str(tmp_path / "out")!r}), "jsonl", Choice())
except RecordError as error:
    print(error)
"""
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, env=os.environ, check=True)
    assert "can't be read or written (File too large)" in done.stdout
    assert sorted(path.name for path in tmp_path.iterdir()) == ["log"]


def test_the_example_sitting_in_every_format(tmp_path: Path) -> None:
    examples = example_log(tmp_path / "examples")
    count = len(summaries(examples, tmp_path / "cache"))
    for form in FORMATS:
        assert export(examples, tmp_path / form, form, Choice()).takes == count


def test_what_a_killed_export_leaves_can_be_seen(log: Path, tmp_path: Path) -> None:
    told = f"""
import os, sys
from pathlib import Path
from companion.record.choosing import Choice
from companion.record.exporting import export
sys.addaudithook(lambda event, args: os._exit(9) if event == "os.rename" and str(args[1]).endswith("takes") else None)
export(Path({str(log)!r}), Path({str(tmp_path / "takes")!r}), "midi", Choice())
"""
    assert subprocess.run([sys.executable, "-c", told], env=os.environ, timeout=60).returncode == 9
    (left,) = set(tmp_path.iterdir()) - {log}
    assert left.name.startswith("takes.unfinished-")
