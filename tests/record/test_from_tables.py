"""Takes out of tables: as an export wrote them, and as a spreadsheet may hand them back."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from record_logs import example_log, play

from companion.practice.model import VERDICTS, Tolerances
from companion.record import NoteRecord, TakeRecord, read_log
from companion.record.choosing import Choice
from companion.record.codec import decode_line
from companion.record.exporting import export
from companion.record.from_tables import takes_in_tables
from companion.record.importing import import_records

NOTE = NoteRecord(
    "5", "5/2", 71, "bis", ("l1", "bis"), "late", 31.25, 70, 250.5, 1, "slurred", 0.75, ("too short",), "a semitone"
)


def of_a_table(take: TakeRecord) -> TakeRecord:
    """What a table holds of a take."""
    return replace(
        take, events=(), added=(), comment=(), realised=(), slips=(), trills=(), used=(), pauses=(), ladder={},
        tolerances=Tolerances(), chart_version="", plan_version="", since_run_ns=0, start_ns=0,
        octave_shift_semitones=0, origin=Path(take.origin).name, duration_ns=round(take.duration_ns / 1e6) * 10**6,
    )  # fmt: skip


@pytest.fixture
def tables(tmp_path: Path) -> Path:
    notes = (NOTE, replace(NOTE, verdict="on time", played_midi=None, deviation_ms=None, misread=""))
    play(tmp_path / "log", 20, 60, notes=notes, advice="=slower; please,\n'now'", target_bpm=96.5, clean=True)
    play(
        tmp_path / "log",
        23,
        64,
        68.5,
        notes=notes,
        trouble_bars=("5", "7"),
        performance=True,
        delay_ms=3.5,
        shift_semitones=-9,
    )
    export(tmp_path / "log", tmp_path / "tables", "csv", Choice())
    return tmp_path / "tables"


def rewritten(path: Path, between: str, decimals: str = ".", mark: str = "") -> None:
    """The table as a spreadsheet of another country saves it, its columns turned round."""
    rows = list(csv.reader(path.read_text(encoding="utf-8").splitlines(keepends=True)))
    out = io.StringIO()
    writer = csv.writer(out, delimiter=between)
    numbers = {"tempo_bpm", "tempo_played_bpm", "target_bpm", "delay_ms", "deviation_ms", "available_ms", "held_share"}
    for row in rows:
        cells = [c.replace(".", decimals) if n in numbers else c for n, c in zip(rows[0], row, strict=True)]
        writer.writerow([*reversed(cells), "mine"])
    path.write_text(mark + out.getvalue(), encoding="utf-8")


def test_takes_and_notes_come_back(tables: Path, tmp_path: Path) -> None:
    done = import_records(tmp_path / "new", [tables])
    assert (done.takes, done.remarks) == (3, [])
    assert read_log(tmp_path / "new").takes == tuple(map(of_a_table, read_log(tmp_path / "log").takes))
    assert sorted(p.name for p in (tmp_path / "new").iterdir()) == sorted(p.name for p in (tmp_path / "log").iterdir())


def test_the_example_comes_back_as_an_example(tmp_path: Path) -> None:
    examples = example_log(tmp_path / "examples")
    export(examples, tmp_path / "tables", "csv", Choice())
    import_records(tmp_path / "new", [tmp_path / "tables" / "takes.csv"])
    assert read_log(tmp_path / "new").takes == tuple(map(of_a_table, read_log(examples).takes))
    assert b'"example":true' in next((tmp_path / "new").iterdir()).read_bytes()


@pytest.mark.parametrize(("between", "decimals", "mark"), [(";", ",", "\ufeff"), ("\t", ".", ""), (",", ".", "\ufeff")])
def test_tables_that_a_spreadsheet_saved(tables: Path, tmp_path: Path, between: str, decimals: str, mark: str) -> None:
    for path in (tables / "takes.csv", tables / "notes.csv"):
        rewritten(path, between, decimals, mark)
    import_records(tmp_path / "new", [tables])
    assert read_log(tmp_path / "new").takes == tuple(map(of_a_table, read_log(tmp_path / "log").takes))


def test_notes_in_another_order_come_back_in_theirs(tables: Path, tmp_path: Path) -> None:
    head, *rows = (tables / "notes.csv").read_text().splitlines()
    (tables / "notes.csv").write_text("\n".join([head, *reversed(rows)]))
    import_records(tmp_path / "new", [tables])
    assert read_log(tmp_path / "new").takes == tuple(map(of_a_table, read_log(tmp_path / "log").takes))


def test_takes_alone_come_without_notes(tables: Path, tmp_path: Path) -> None:
    (tables / "notes.csv").unlink()
    import_records(tmp_path / "new", [tables])
    wanted = [replace(of_a_table(take), notes=()) for take in read_log(tmp_path / "log").takes]
    assert list(read_log(tmp_path / "new").takes) == wanted


def test_notes_behind_a_link_are_not_read(tables: Path, tmp_path: Path) -> None:
    (tables / "notes.csv").rename(tmp_path / "elsewhere.csv")
    (tables / "notes.csv").symlink_to(tmp_path / "elsewhere.csv")
    done = import_records(tmp_path / "new", [tables])
    assert done.remarks == [
        "takes.csv: notes.csv beside it is a link, which is not followed; put the file itself there; left"
    ]
    assert done.takes == 0


def test_a_take_that_the_log_has_in_full_stays_so(tables: Path, tmp_path: Path) -> None:
    before = {path.name: path.read_bytes() for path in (tmp_path / "log").iterdir()}
    done = import_records(tmp_path / "log", [tables])
    assert (done.takes, done.takes_there, done.remarks) == (0, 3, [])
    assert {path.name: path.read_bytes() for path in (tmp_path / "log").iterdir()} == before


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("tempo_bpm", "fast", "takes.csv row 2: tempo_bpm should be a number, not 'fast'; left"),
        ("tempo_bpm", "nan", "row 2: tempo_bpm should be a number"),
        ("tempo_bpm", "0", "row 2: tempo_bpm should be above 0"),
        ("tempo_bpm", "", "row 2: tempo_bpm is empty; left"),
        ("started", "23.11.2026", "row 2: started should be as 2026-11-27T17:00:00+01:00, not '23.11.2026'; left"),
        ("rung", "1.5", "row 2: rung should be a whole number, not 1.5; left"),
        ("duration_s", "1e400", "row 2: duration_s should be a number"),
        ("duration_s", "1e300", "row 2: duration_s should be a number"),
        ("take", "", "row 2: take is empty; left"),
    ],
)
def test_a_row_that_makes_no_sense_is_named_and_left(
    tables: Path, tmp_path: Path, column: str, value: str, said: str
) -> None:
    with open(tables / "takes.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    rows[0][column] = value
    with open(tables / "takes.csv", "w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    done = import_records(tmp_path / "new", [tables])
    assert done.takes == 2
    (remark,) = done.remarks
    assert said in remark


def test_a_note_that_makes_no_sense_leaves_its_take(tables: Path, tmp_path: Path) -> None:
    text = (tables / "notes.csv").read_text()
    (tables / "notes.csv").write_text(text.replace(",late,", ",hm,", 1))
    done = import_records(tmp_path / "new", [tables])
    assert done.takes == 2
    assert "takes.csv row 2: notes.csv row 2: written_midi is empty, or verdict none of on time" in done.remarks[0]


def changed(path: Path, change: Callable[[list[dict[str, str]]], list[dict[str, str]]]) -> None:
    with open(path, newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    with open(path, "w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(change(rows))


@pytest.mark.parametrize(
    "day", ["05-Aug", "8-May", "5. Aug", "05. Aug. 2026", "Aug 08", "2026-08-05", "8/5/2026", "8.5.26"]
)
def test_bars_that_a_spreadsheet_made_a_day_of_are_named(tables: Path, tmp_path: Path, day: str) -> None:
    changed(tables / "takes.csv", lambda rows: [rows[0] | {"bars": day}, *rows[1:]])
    done = import_records(tmp_path / "new", [tables])
    assert done.takes == 2
    assert f"takes.csv row 2: bars is {day!r}, a date that a spreadsheet made of it; export again" in done.remarks[0]


def test_a_beat_that_a_spreadsheet_made_a_day_of_is_named(tables: Path, tmp_path: Path) -> None:
    changed(tables / "notes.csv", lambda rows: [*rows[:2], rows[2] | {"beat": "05-Feb"}, *rows[3:]])
    done = import_records(tmp_path / "new", [tables])
    assert done.takes == 2
    assert "takes.csv row 3: notes.csv row 4: beat is '05-Feb', a date" in done.remarks[0]


@pytest.mark.parametrize("bars", ["5-8", "5", "12a-14", "0-3", "X1-X3", "1.2-3", "", "101-112", "Coda"])
@pytest.mark.parametrize("beat", ["1", "5/2", "13/12"])
def test_printed_bars_and_beats_are_no_days(tmp_path: Path, bars: str, beat: str) -> None:
    play(tmp_path / "log", 20, 60, bars=bars, notes=(replace(NOTE, bar=bars, beat=beat),))
    export(tmp_path / "log", tmp_path / "tables", "csv", Choice())
    import_records(tmp_path / "new", [tmp_path / "tables"])
    assert read_log(tmp_path / "new").takes == tuple(map(of_a_table, read_log(tmp_path / "log").takes))


def test_notes_that_were_lost_or_stand_there_twice(tables: Path, tmp_path: Path) -> None:
    """A spreadsheet cuts long tables off; somebody puts two exports under one another."""
    changed(tables / "notes.csv", lambda rows: [*rows[:-1], rows[0]])
    done = import_records(tmp_path / "new", [tables])
    assert done.takes == 2
    assert done.remarks == ["takes.csv row 4: notes.csv has 1 of 2 of its notes; export again; left"]
    assert [len(take.notes) for take in read_log(tmp_path / "new").takes] == [2, 2]
    changed(tables / "notes.csv", lambda rows: [*rows, rows[0] | {"verdict": "early"}])
    done = import_records(tmp_path / "again", [tables])
    assert "takes.csv row 2: notes.csv row 8: note 1 of the take stands there twice, and differs" in done.remarks[0]


def test_one_bad_row_of_notes_or_another_table_in_their_place(tables: Path, tmp_path: Path) -> None:
    changed(tables / "notes.csv", lambda rows: [rows[0] | {"note": "x"}, *rows[1:]])
    done = import_records(tmp_path / "new", [tables])
    assert (done.takes, done.remarks) == (
        2, ["takes.csv row 2: notes.csv row 2: note should be a number, not 'x'; left"],
    )  # fmt: skip
    (tables / "notes.csv").write_text("a,b\n1,2\n")
    done = import_records(tmp_path / "again", [tables])
    assert done.takes == 0
    assert done.remarks[0].startswith("takes.csv: notes.csv beside it is no table of notes: there is no column take")


def test_a_table_that_windows_wrote_in_its_own_letters(tables: Path, tmp_path: Path) -> None:
    """What is no UTF-8 is read as code page 1252, where É is C9."""
    text = (tables / "takes.csv").read_bytes()
    assert "Étude".encode() in text
    (tables / "takes.csv").write_bytes(text.decode().encode("cp1252"))
    import_records(tmp_path / "new", [tables])
    assert {take.title for take in read_log(tmp_path / "new").takes} == {"Étude"}


@pytest.mark.parametrize("text", ["=1", "'=1", "''=1", "+a", "-", "@x", "\t=", "＝1", "'", "''", "'tis", '="x"\n'])
def test_what_looks_like_a_formula_goes_out_harmless_and_comes_back(tmp_path: Path, text: str) -> None:
    play(tmp_path / "log", 20, 60, title=text, advice=text, notes=(replace(NOTE, fingering=text),))
    export(tmp_path / "log", tmp_path / "tables", "csv", Choice())
    with open(tmp_path / "tables/takes.csv", newline="", encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert row["title"][0] not in "=+-@\t\r\n＝＋－＠"
    import_records(tmp_path / "new", [tmp_path / "tables"])
    (take,) = read_log(tmp_path / "new").takes
    assert (take.title, take.advice, take.notes[0].fingering) == (text.rstrip(),) * 3


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", "\0\0\0", "take;sitting\nx;y\n", '"' * 3000])
def test_other_tables_are_named_and_left(tmp_path: Path, text: str) -> None:
    (tmp_path / "takes.csv").write_text(text)
    done = import_records(tmp_path / "new", [tmp_path / "takes.csv"])
    assert done.takes == 0
    (remark,) = done.remarks
    assert remark.startswith("takes.csv: no table")
    assert not (tmp_path / "new").exists()


@given(st.lists(st.sampled_from([*',;"\t\n\r=0-9x\0é', "2026-11-20", "a,b,2026-11-20,60"])).map("".join))
def test_any_table_is_read_or_refused(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.mktemp("table") / "takes.csv"
    path.write_text("take,sitting,started,tempo_bpm\n" + text, encoding="utf-8", newline="")
    try:
        found = list(takes_in_tables(path))
    except ValueError:
        return
    for _, head, data in found:
        assert isinstance(head, str) or decode_line(data)["id"]


def test_every_verdict_has_a_column_and_comes_back(tmp_path: Path) -> None:
    notes = tuple(replace(NOTE, verdict=verdict) for verdict in VERDICTS[:-1])
    play(tmp_path / "log", 20, 60, notes=notes)
    export(tmp_path / "log", tmp_path / "tables", "csv", Choice())
    import_records(tmp_path / "new", [tmp_path / "tables"])
    assert read_log(tmp_path / "new").takes[0].notes == notes
