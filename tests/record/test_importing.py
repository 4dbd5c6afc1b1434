"""Takes of another computer put into the log: none doubled, none lost, nothing foreign taken in."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from record_logs import EXAMPLE, answer, example_log, play

from companion.errors import RecordError
from companion.practice.model import RawEvent
from companion.record import Sitting, TakeRecord, importing, read_log, survey
from companion.record.choosing import Choice
from companion.record.exporting import FORMATS, export
from companion.record.importing import import_records
from companion.record.shapes import read_answers


@pytest.fixture
def other(tmp_path: Path) -> Path:
    folder = tmp_path / "other"
    play(folder, 20, 60, 64)
    play(folder, 23, 68)
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_another_log_is_taken_in_byte_by_byte(other: Path, tmp_path: Path) -> None:
    answer(other, "alto", 20)
    done = import_records(tmp_path / "log", [other])
    assert (done.takes, done.takes_there, done.answers, done.remarks) == (3, 0, 1, [])
    assert contents(tmp_path / "log") == contents(other)


def test_nothing_is_doubled(other: Path, tmp_path: Path) -> None:
    answer(other, "alto", 20)
    import_records(tmp_path / "log", [other])
    before = contents(tmp_path / "log")
    export(other, tmp_path / "midi", "midi", Choice())
    done = import_records(tmp_path / "log", [other, tmp_path / "midi", other])
    assert (done.takes, done.takes_there, done.answers, done.answers_there) == (0, 9, 0, 2)
    assert contents(tmp_path / "log") == before
    assert import_records(tmp_path / "log", [tmp_path / "log"]).takes == 0


def test_takes_that_a_sitting_lacks_are_added_to_it(other: Path, tmp_path: Path) -> None:
    first = min(other.iterdir())
    whole = first.read_bytes()
    log = tmp_path / "log"
    log.mkdir()
    (log / first.name).write_bytes(b"".join(whole.splitlines(keepends=True)[:2]))
    done = import_records(log, [first])
    assert (done.takes, done.takes_there) == (1, 1)
    assert (log / first.name).read_bytes() == whole


def test_the_same_take_with_another_content_stays_as_it_is_here(other: Path, tmp_path: Path) -> None:
    log = tmp_path / "log"
    shutil.copytree(other, log)
    first = min(other.iterdir())
    first.write_bytes(first.read_bytes().replace(b'"tempo_bpm":60', b'"tempo_bpm":99'))
    before = contents(log)
    done = import_records(log, [other])
    assert done.takes == 0
    assert done.remarks == [
        f"{first.name}: 1 take is in the log with another content, which stays as it is; to have the file's, delete the"
        " log's before"
    ]
    assert contents(log) == before


def test_midi_files_give_back_the_very_log(other: Path, tmp_path: Path) -> None:
    examples = example_log(tmp_path / "examples")
    export(examples, tmp_path / "midi", "midi", Choice())
    done = import_records(tmp_path / "log", [tmp_path / "midi"])
    (sitting,) = examples.glob("*.jsonl")
    assert (tmp_path / "log" / sitting.name).read_bytes() == sitting.read_bytes()
    assert done.takes == len(read_log(examples).takes)


@pytest.mark.parametrize("form", [form for form in FORMATS if form != "csv"])
def test_out_and_in_again(other: Path, tmp_path: Path, form: str) -> None:
    export(other, tmp_path / "out", form, Choice())
    import_records(tmp_path / "log", [tmp_path / "out"])
    assert read_log(tmp_path / "log") == read_log(other)


def test_of_a_table_and_what_holds_more_the_latter_is_taken_in(other: Path, tmp_path: Path) -> None:
    """Whatever order they are named in."""
    for form in ("csv", "midi"):
        export(other, tmp_path / form, form, Choice())
    done = import_records(tmp_path / "log", [tmp_path / "csv", tmp_path / "midi"])
    assert (done.takes, done.takes_there, done.remarks) == (3, 3, [])
    assert contents(tmp_path / "log") == contents(other)


def test_broken_foreign_and_future_lines_are_named_and_left(other: Path, tmp_path: Path) -> None:
    first = min(other.iterdir())
    with open(first, "ab") as file:
        file.write(b'{"kind":"lesson"}\n{"kind":"take","started":"2026-11-01","tempo_bpm":0}\n{"kind":"take","tit')
    (other / "later.jsonl").write_text('{"kind":"sitting","format":2,"id":"x"}\n{"kind":"take","id":"x-1"}\n')
    (other / "letters.jsonl").write_text("dear\nme\nwhat\nis\nthis\n")
    (other / "tune.mid").write_bytes(b"MThd\0\0\0\6\0\0\0\1\0\x60MTrk\0\0\0\4\0\xff\x2f\0")
    (other / "photo.jpg").write_bytes(b"\xff\xd8")
    done = import_records(tmp_path / "log", [other])
    text = "\n".join(done.remarks)
    assert done.takes == 3
    assert f"{first.name} line 4: kind 'lesson' is not known here; left" in text
    assert f"{first.name} line 5: tempo_bpm should be above 0" in text
    assert f"{first.name} line 6: cut off or damaged; left" in text
    assert "later.jsonl line 1: format 2 is not known here, only 1; left: update companion" in text
    assert "letters.jsonl: this is no practice log; left" in text
    assert "tune.mid: a MIDI file, but not of a take that companion wrote; left" in text
    assert "photo" not in text
    assert survey(tmp_path / "log").remarks == ()


@pytest.mark.parametrize("name", ["../../escaped", "/tmp/escaped", "a/b", "", ".hidden", "x" * 400, None, 5, "nul\0"])
def test_a_sittings_name_leads_nowhere_else(tmp_path: Path, name: object) -> None:
    head = {"kind": "sitting", "format": 1, "id": name}
    take = {"kind": "take", "tempo_bpm": 60, "id": "evil-1", "started": "2026-11-23T17:00:00+01:00"}
    (tmp_path / "deep").mkdir()
    (tmp_path / "evil.jsonl").write_text(f"{json.dumps(head)}\n{json.dumps(take)}\n")
    log = tmp_path / "deep" / "log"
    assert import_records(log, [tmp_path / "evil.jsonl"]).takes == 1
    (made,) = log.iterdir()
    assert made.name.startswith("imported-")
    assert {path.name for path in tmp_path.rglob("*")} == {"deep", "log", "evil.jsonl", made.name}
    assert import_records(log, [tmp_path / "evil.jsonl"]).takes_there == 1


def test_a_link_in_the_logs_place_is_not_followed(other: Path, tmp_path: Path) -> None:
    log, first = tmp_path / "log", min(other.iterdir())
    log.mkdir()
    outside = tmp_path / "outside.txt"
    outside.write_text("mine\n")
    (log / first.name).symlink_to(outside)
    (log / "shapes").symlink_to(tmp_path)
    answer(other, "alto", 20)
    done = import_records(log, [other])
    assert outside.read_text() == "mine\n"
    assert done.takes == 3
    assert not (tmp_path / "alto.jsonl").exists()
    assert (log / f"{first.stem}-2.jsonl").is_file()


def test_links_in_the_source_are_not_followed(other: Path, tmp_path: Path) -> None:
    play(tmp_path / "secret", 1, 100)
    (secret,) = (tmp_path / "secret").iterdir()
    (other / "a.jsonl").symlink_to(secret)
    done = import_records(tmp_path / "log", [other])
    assert done.takes == 3
    assert any("a link, not a file" in remark for remark in done.remarks)


def test_a_source_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="there is no such file or folder"):
        import_records(tmp_path / "log", [tmp_path / "none"])
    (tmp_path / "empty").mkdir()
    done = import_records(tmp_path / "log", [tmp_path / "empty"])
    assert done.remarks == [f"{tmp_path / 'empty'}: holds no .jsonl, no MIDI file and no takes.csv"]
    assert not (tmp_path / "log").exists()


def test_answers_of_two_computers_are_put_together(tmp_path: Path) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    answer(here, "alto", 20)
    answer(there, "alto", 20)
    answer(there, "alto", 22)
    with open(there / "shapes" / "alto.jsonl", "ab") as file:
        file.write(b'{"card":"torn')
    done = import_records(here, [there])
    assert (done.answers, done.answers_there) == (1, 1)
    assert any("line 3: no answer about a shape" in remark for remark in done.remarks)
    assert read_answers(here, "alto").cards["58.60/3"].last == datetime(2026, 11, 22, 9, tzinfo=UTC)
    # A file by itself is known by what is in it.
    assert import_records(tmp_path / "new", [there / "shapes" / "alto.jsonl"]).answers == 2


def test_a_sitting_that_a_stand_goes_on_with_keeps_both(other: Path, tmp_path: Path) -> None:
    log = tmp_path / "log"
    sitting = Sitting(log, datetime(2026, 11, 24, 17, tzinfo=UTC), name="evening")
    sitting.append(TakeRecord("Here", 60.0, id="evening-here"))
    abroad = Sitting(other, datetime(2026, 11, 24, 17, tzinfo=UTC), name="evening")
    abroad.append(TakeRecord("There", 62.0, id="evening-there"))
    import_records(log, [other])
    sitting.append(TakeRecord("Here", 64.0, id="evening-later"))
    assert [take.tempo_bpm for take in read_log(log).takes if take.id.startswith("evening")] == [60, 62, 64]


def test_broken_off_midway_the_same_call_goes_on(tmp_path: Path) -> None:
    """A limit on file sizes stands in for the full disk: the first sitting fits, the second does not."""
    pytest.importorskip("resource")
    other, log = tmp_path / "other", tmp_path / "log"
    play(other, 20, 60)
    events = tuple(RawEvent(i, b"\x90\x40\x40") for i in range(3000))
    play(other, 23, 68, events=events)
    told = f"""
import resource, signal
from pathlib import Path
from companion.errors import RecordError
from companion.record.importing import import_records
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))
try:
    import_records(Path({str(log)!r}), [Path({str(other)!r})])
except RecordError as error:
    print(error)
"""
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, env=os.environ, check=True)
    assert "can't be written (File too large); 1 take was taken in before" in done.stdout
    assert len(read_log(log).takes) == len(list(log.iterdir())) == 1
    assert import_records(log, [other]).takes == 1
    assert contents(log) == contents(other)


def test_two_that_import_at_once_double_nothing(tmp_path: Path) -> None:
    other, log = tmp_path / "other", tmp_path / "log"
    for day in range(1, 25):
        play(other, day, 60, 64, 68)
    log.mkdir()
    told = f"""
from pathlib import Path
from companion.record.importing import import_records
print(import_records(Path({str(log)!r}), [Path({str(other)!r})]).takes)
"""
    both = [subprocess.Popen([sys.executable, "-c", told], stdout=subprocess.PIPE, text=True) for _ in range(2)]
    counts = sorted(int(one.communicate(timeout=120)[0]) for one in both)
    assert counts == [0, 72]
    assert contents(log) == contents(other)


def test_two_that_import_at_once_into_a_log_that_is_not_there_yet(tmp_path: Path) -> None:
    """Two exports with one sitting, of which each has another take: a folder that is not there can't be locked."""
    play(tmp_path / "other", 20, 60, 64, 68)
    (sitting,) = (tmp_path / "other").glob("*.jsonl")
    head, *takes = sitting.read_bytes().splitlines(keepends=True)
    for i, take in enumerate(takes):
        (tmp_path / f"part{i}").mkdir()
        (tmp_path / f"part{i}" / sitting.name).write_bytes(head + take)
    told = f"""
import sys, time
from pathlib import Path
from companion.record import importing
write = importing.replace_synced
def slow(path, content):
    time.sleep(0.7)
    write(path, content)
importing.replace_synced = slow
importing.import_records(Path({str(tmp_path / "log")!r}), [Path(sys.argv[1])])
"""
    command = [sys.executable, "-c", told]
    running = [subprocess.Popen([*command, str(tmp_path / f"part{i}")]) for i in range(len(takes))]
    assert [one.wait(120) for one in running] == [0, 0, 0]
    assert sorted(take.tempo_bpm for take in read_log(tmp_path / "log").takes) == [60, 64, 68]


def test_more_answers_than_can_be_read_again_are_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    answer(tmp_path / "other", "alto", 20)
    answer(tmp_path / "log", "alto", 21)
    before = contents(tmp_path / "log")
    monkeypatch.setattr(importing, "LARGEST_BYTES", len(before["shapes/alto.jsonl"]) + 99)
    done = import_records(tmp_path / "log", [tmp_path / "other"])
    assert done.remarks == [f"{tmp_path / 'other/shapes/alto.jsonl'}: more answers than any practice makes; left"]
    assert contents(tmp_path / "log") == before


def test_a_log_in_a_folder_called_shapes_is_one(other: Path, tmp_path: Path) -> None:
    """Whoever exports to a folder of that name gets it back."""
    other.rename(tmp_path / "shapes")
    done = import_records(tmp_path / "log", [tmp_path / "shapes"])
    assert (done.takes, done.remarks) == (3, [])


def test_nothing_to_take_in_leaves_no_folder(tmp_path: Path) -> None:
    (tmp_path / "junk.jsonl").write_text("x\n" * 9)
    os.mkfifo(tmp_path / "pipe.jsonl")
    done = import_records(tmp_path / "log", [tmp_path])
    assert not (tmp_path / "log").exists()
    assert done.remarks == [
        f"{tmp_path / 'pipe.jsonl'}: is no file; left",
        f"{tmp_path / 'junk.jsonl'}: this is no practice log; left",
    ]


ODD: list[object] = [None, True, -1, 2**70, 1.5, "", "x", "../x", "\ud800", [], [[]], {}, {"a": 1}]
NAMES = ["kind", "format", "id", "started", "tempo_bpm", "events", "notes", "title", "example", "duration_ns", "ladder"]


@given(st.lists(st.tuples(st.integers(0, 2), st.sampled_from(NAMES), st.sampled_from(ODD)), min_size=1, max_size=3))
def test_a_log_of_odd_values_is_taken_in_whole_or_named(
    tmp_path_factory: pytest.TempPathFactory, changes: list[tuple[int, str, object]]
) -> None:
    folder = tmp_path_factory.mktemp("odd")
    lines = [json.loads(line) for line in EXAMPLE.read_bytes().splitlines()[:3]]
    for number, name, value in changes:
        lines[number][name] = value
    (folder / "odd.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines))
    done = import_records(folder / "deep" / "log", [folder / "odd.jsonl"])
    found = read_log(folder / "deep" / "log")
    assert len(found.takes) == len(survey(folder / "deep" / "log", folder / "cache").takes) == done.takes
    assert found.remarks == ()
    assert done.takes == 2 or done.remarks or done.takes_there
    assert {path.name for path in folder.iterdir()} <= {"odd.jsonl", "deep", "cache"}


@given(st.integers(0, 10**6), st.binary(min_size=1, max_size=3))
def test_damaged_bytes_are_taken_in_whole_or_named(
    tmp_path_factory: pytest.TempPathFactory, at: int, put: bytes
) -> None:
    folder = tmp_path_factory.mktemp("damaged")
    content = b"".join(EXAMPLE.read_bytes().splitlines(keepends=True)[:3])
    at %= len(content)
    (folder / "damaged.jsonl").write_bytes(content[:at] + put + content[at + len(put) :])
    done = import_records(folder / "log", [folder / "damaged.jsonl"])
    found = read_log(folder / "log")
    assert (len(found.takes), found.remarks) == (done.takes, ())
