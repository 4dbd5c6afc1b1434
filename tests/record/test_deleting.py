"""What was recorded, deleted: all of what is meant, nothing else, wherever links lead."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from record_logs import answer, play

from companion.errors import RecordError
from companion.record import Sitting, TakeRecord, read_log, summaries
from companion.record import deleting as deleting_module
from companion.record.choosing import Choice
from companion.record.deleting import Deletion, carry_out, plan_deletion
from companion.record.index import index_path
from companion.record.raw_lines import RawLine
from companion.record.shapes import read_answers


@pytest.fixture
def log(tmp_path: Path) -> Path:
    folder = tmp_path / "log"
    play(folder, 20, 60, 64)
    play(folder, 23, 68, origin="waltz.mid", sha256="bb", instrument="tenor")
    mixed = Sitting.begin(folder, datetime(2026, 11, 24, 17, tzinfo=UTC))
    for i, origin in enumerate(("etude.musicxml", "waltz.mid")):
        mixed.append(TakeRecord(f"Étude {origin}", 70 + i, origin=origin, instrument="alto"))
    for horn, day in (("alto", 19), ("alto", 22), ("tenor", 22)):
        answer(folder, horn, day)
    return folder


@pytest.fixture
def cache(log: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "cache"
    summaries(log, folder)
    # The log stood elsewhere once: its index from there tells the same.
    elsewhere = index_path(tmp_path / "elsewhere", folder)
    elsewhere.write_bytes(index_path(log, folder).read_bytes())
    (folder / "plots").mkdir()
    (folder / "plots" / "etude-progress.png").write_bytes(b"\x89PNG")
    return folder


def delete(log: Path, cache: Path, choice: Choice) -> None:
    carry_out(plan_deletion(log, choice, cache))


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_students_record_goes_as_a_whole(log: Path, cache: Path) -> None:
    assert index_path(log, cache).exists()
    plan = plan_deletion(log, Choice(), cache)
    assert (plan.takes, plan.answers, len(plan.whole), plan.parts, plan.stays) == (5, 3, 5, [], [])
    assert plan.days == ("2026-11-20", "2026-11-23", "2026-11-24")
    carry_out(plan)
    assert contents(log) == {}
    assert list(log.iterdir()) == []
    assert contents(cache) == {}


def test_torn_lines_later_formats_and_half_written_files_go_too(log: Path, cache: Path) -> None:
    first = min(log.glob("*.jsonl"))
    content = first.read_bytes()
    (log / "torn.jsonl").write_bytes(content.splitlines()[1][:200])
    (log / "later.jsonl").write_bytes(content.replace(b'"format":1', b'"format":3'))
    (log / f".{first.name}.abc_12xy").write_bytes(content)
    (log / "shapes" / ".alto.jsonl.k3jf8a_1").write_bytes((log / "shapes" / "alto.jsonl").read_bytes())
    (log / "before-format-2").mkdir()
    (log / "before-format-2" / first.name).write_bytes(content)
    with open(first, "ab") as file:
        file.write(b'{"kind":"take","ti')
    delete(log, cache, Choice())
    assert list(log.iterdir()) == []


def test_only_takes_of_a_passage_go(log: Path, cache: Path) -> None:
    plan = plan_deletion(log, Choice(file="etude.musicxml", sha256="aa"), cache)
    assert (plan.takes, plan.takes_kept, plan.answers, len(plan.whole), len(plan.parts)) == (3, 2, 0, 1, 1)
    before = {take.id: take for take in read_log(log).takes}
    carry_out(plan)
    left = read_log(log)
    assert left.remarks == ()
    assert [take.tempo_bpm for take in left.takes] == [68, 71]
    assert all(before[take.id] == take for take in left.takes)
    assert b"etude" not in b"".join(contents(log.parent).values())
    assert len(read_answers(log, "alto").cards) == 1


@pytest.mark.parametrize(
    ("choice", "tempos_bpm", "answers"),
    [
        (Choice(before=date(2026, 11, 23)), [68, 70, 71], 0),
        (Choice(since=date(2026, 11, 23)), [60, 64], 3),
        (Choice(horn="tenor"), [60, 64, 70, 71], 2),
        (Choice(horn="alto", before=date(2026, 11, 21)), [68, 70, 71], 2),
        (Choice(since=date(2027, 1, 1)), [60, 64, 68, 70, 71], 3),
    ],
)
def test_days_and_horns(log: Path, cache: Path, choice: Choice, tempos_bpm: list[float], answers: int) -> None:
    delete(log, cache, choice)
    assert [take.tempo_bpm for take in read_log(log).takes] == tempos_bpm
    assert sum(path.read_bytes().count(b"\n") for path in log.glob("shapes/*")) == answers


def test_a_file_without_a_name_is_not_that_of_exercises(log: Path, cache: Path) -> None:
    """They belong to no file either."""
    play(log, 25, 90, origin="", sha256="ex")
    assert plan_deletion(log, Choice(file="."), cache).empty
    assert plan_deletion(log, Choice(file="links.mid", sha256="ex"), cache).takes == 1


def test_the_index_forgets(log: Path, cache: Path) -> None:
    delete(log, cache, Choice(file="etude.musicxml"))
    assert b"etude" not in b"".join(contents(cache).values())
    assert [take.tempo_bpm for take in summaries(log, cache)] == [68, 71]


def test_a_half_written_copy_of_what_goes_goes_too(log: Path, cache: Path) -> None:
    last = max(log.glob("*.jsonl"))
    (log / f".{last.name}.abc_12xy").write_bytes(last.read_bytes())
    plan = plan_deletion(log, Choice(file="etude.musicxml"), cache)
    assert plan.takes == 3
    carry_out(plan)
    assert not any(b"etude" in content for content in contents(log).values())
    assert [take.tempo_bpm for take in read_log(log).takes] == [68, 71]


def test_lines_that_cant_be_read_stay_where_other_takes_do(log: Path, cache: Path) -> None:
    last = max(log.glob("*.jsonl"))
    odd = b'{"kind":"take","tempo_bpm":0,"events":[]}\n{"kind":"lesson"}\n{"kind":"take","ti'
    with open(last, "ab") as file:
        file.write(odd)
    plan = plan_deletion(log, Choice(file="etude.musicxml"), cache)
    assert any(f"{last}: 2 of its lines can't be read" in what for what in plan.stays)
    carry_out(plan)
    assert last.read_bytes().endswith(odd)
    assert last.read_bytes().count(b'"kind":"take"') == 3


def test_examples_and_foreign_files_stay(log: Path, cache: Path) -> None:
    Sitting(log, datetime(2026, 11, 1, tzinfo=UTC), example=True, name="example").append(TakeRecord("Étude", 50))
    (log / "pods.jsonl").write_text('{"kind":"Pod"}\n')
    (log / "notes.txt").write_text("mine")
    (log / "shapes" / "odd.jsonl").write_text('{"a":1}\n')
    (log / "music").mkdir()
    (log / "music" / "x.jsonl").write_bytes(min(log.glob("2*.jsonl")).read_bytes())
    plan = plan_deletion(log, Choice(), cache)
    carry_out(plan)
    assert set(contents(log)) == {"example.jsonl", "pods.jsonl", "notes.txt", "shapes/odd.jsonl", "music/x.jsonl"}
    said = "\n".join(plan.stays)
    assert "example.jsonl: an example that comes along" in said
    assert "pods.jsonl: no practice log" in said
    assert "odd.jsonl: no answers about shapes" in said
    assert f"{log}: music, notes.txt, no part of the log" in said


@pytest.mark.parametrize(
    ("choice", "tempos_bpm"),
    [
        (Choice(), [50]),
        (Choice(file="etude.musicxml"), [50, 68, 71]),
        (Choice(file="none.mid"), [50, 60, 64, 68, 70, 71]),
    ],
)
def test_an_example_does_not_keep_what_somebody_put_into_its_file(
    log: Path, cache: Path, choice: Choice, tempos_bpm: list[float]
) -> None:
    """All sittings in one file, as `cat` makes it, the example in their midst."""
    example = Sitting(log, datetime(2026, 11, 21, tzinfo=UTC), example=True, name="2026-11-21")
    example.append(TakeRecord("Étude", 50, origin="etude.musicxml"))
    files = sorted(log.glob("*.jsonl"))
    together = b"".join(path.read_bytes() for path in files)
    for path in files:
        path.unlink()
    (log / "all.jsonl").write_bytes(together)
    assert plan_deletion(log, choice, cache).takes == 6 - len(tempos_bpm)
    delete(log, cache, choice)
    assert sorted(take.tempo_bpm for take in read_log(log).takes) == tempos_bpm
    assert read_log(log).remarks == ()


def test_the_folder_above_the_log_is_told_from_it(log: Path, cache: Path, tmp_path: Path) -> None:
    """As a studio keeps a student's: the teacher may well give the folder with the name on it."""
    student = tmp_path / "Ada Example"
    student.mkdir()
    log.rename(student / "sessions")
    (student / "week.toml").write_text("format = 1")
    plan = plan_deletion(student, Choice(), cache)
    assert plan.empty
    assert plan.stays == [
        f"{student / 'sessions'}: a log of its own; for that one add --sessions {student / 'sessions'}",
        f"{student}: week.toml, no part of the log",
    ]


def test_a_hidden_sitting_is_one_like_any_other(log: Path, cache: Path) -> None:
    """The log reads it, so what stays in it stays."""
    last = max(log.glob("*.jsonl"))
    last.rename(log / f".{last.name}")
    delete(log, cache, Choice(file="etude.musicxml"))
    assert [take.tempo_bpm for take in read_log(log).takes] == [68, 71]


@pytest.mark.parametrize("choice", [Choice(), Choice(horn="alto"), Choice(before=date(2027, 1, 1))])
def test_links_are_not_followed(log: Path, cache: Path, tmp_path: Path, choice: Choice) -> None:
    outside = tmp_path / "outside"
    play(outside, 20, 99)
    answer(outside, "alto", 20)
    (theirs,) = outside.glob("*.jsonl")
    (outside / "plots").mkdir()
    (outside / "plots" / "mine.png").write_bytes(b"x")
    before = contents(outside)
    (log / "link.jsonl").symlink_to(theirs)
    (log / "before-format-2").symlink_to(outside)
    for path in (log / "shapes").iterdir():
        path.unlink()
    (log / "shapes").rmdir()
    (log / "shapes").symlink_to(outside / "shapes")
    (cache / "plots" / "etude-progress.png").unlink()
    (cache / "plots").rmdir()
    (cache / "plots").symlink_to(outside / "plots")
    plan = plan_deletion(log, choice, cache)
    carry_out(plan)
    assert contents(outside) == before
    assert f"{log / 'link.jsonl'}: a link; where it leads to is left alone" in plan.stays


def test_a_log_that_is_itself_behind_a_link_is_the_one_meant(log: Path, cache: Path, tmp_path: Path) -> None:
    (tmp_path / "way").symlink_to(log)
    delete(tmp_path / "way", cache, Choice())
    assert contents(log) == {}


def test_what_a_stand_records_meanwhile_is_not_lost(log: Path, cache: Path) -> None:
    """A take of another passage is appended while the question stands: its sitting would have gone as a whole."""
    sitting = Sitting(log, datetime(2026, 11, 25, tzinfo=UTC), name="now")
    sitting.append(TakeRecord("Étude", 80, origin="etude.musicxml"))
    plan = plan_deletion(log, Choice(file="etude.musicxml"), cache)
    assert sitting.path in plan.whole
    sitting.append(TakeRecord("Waltz", 81, origin="waltz.mid"))
    carry_out(plan)
    assert [take.tempo_bpm for take in read_log(log).takes] == [68, 71, 81]


def test_what_is_appended_while_a_file_is_rewritten_is_not_lost(
    log: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    last = max(log.glob("*.jsonl"))
    sitting = Sitting(log, datetime(2026, 11, 24, tzinfo=UTC), name=last.stem)
    kept, late = deleting_module._kept, [TakeRecord("Waltz", 81, origin="waltz.mid", id="late")]

    def slow(line: object, path: Path, plan: object) -> bytes:
        if late:
            sitting.append(late.pop())
        return kept(line, path, plan)  # type: ignore[arg-type]

    monkeypatch.setattr(deleting_module, "_kept", slow)
    delete(log, cache, Choice(file="etude.musicxml"))
    assert sorted(take.tempo_bpm for take in read_log(log).takes) == [68, 71, 81]


def test_who_writes_all_the_time_waits_for_once(log: Path, cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stand in another process, whose next take ends whenever the file was read, until it finds it locked."""
    last = max(log.glob("*.jsonl"))
    told = f"""
from datetime import datetime, UTC
from pathlib import Path
from companion.record import Sitting, TakeRecord
sitting = Sitting(Path({str(log)!r}), datetime(2026, 11, 25, tzinfo=UTC), name={last.stem!r})
for number in range(50):
    input()
    sitting.append(TakeRecord("Waltz", 81, origin="waltz.mid", id=f"late{{number}}"))
    print("written", flush=True)
"""
    kept, count = deleting_module._kept, 0
    command = [sys.executable, "-c", told]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as stand:

        def busy(line: RawLine, path: Path, plan: Deletion) -> bytes:
            nonlocal count
            assert stand.stdin is not None and stand.stdout is not None
            if line.kind == "sitting":
                print(file=stand.stdin, flush=True)
                count += 1
                # It says so at once, or not at all while it waits.
                if select.select([stand.stdout], [], [], 1.0 if count > 1 else 30.0)[0]:
                    stand.stdout.readline()
            return kept(line, path, plan)

        monkeypatch.setattr(deleting_module, "_kept", busy)
        delete(log, cache, Choice(file="etude.musicxml"))
        assert stand.stdin is not None
        stand.stdin.close()
        stand.wait(30)
    takes = [take.tempo_bpm for take in read_log(log).takes]
    assert count < 15
    assert sorted(takes) == [68, 71, *[81] * count]


def test_no_log_is_nothing_to_delete(tmp_path: Path) -> None:
    assert plan_deletion(tmp_path / "none", Choice(), tmp_path / "cache").empty


def test_killed_midway_the_same_call_deletes_the_rest(log: Path, cache: Path) -> None:
    """Killed at any moment, no take that stays is lost; called again, all that was meant is gone."""
    told = f"""
import os, sys
from pathlib import Path
from companion.record.choosing import Choice
from companion.record.deleting import Deletion, carry_out, plan_deletion
left = int(sys.argv[1])
def audit(event, args):
    global left
    if event in ("os.rename", "os.remove", "os.rmdir", "open") and str({str(log)!r}) in str(args):
        left -= 1
        if left < 0:
            os._exit(9)
sys.addaudithook(audit)
carry_out(plan_deletion(Path({str(log)!r}), Choice(file="etude.musicxml"), Path({str(cache)!r})))
"""
    killed = 0
    for moment in range(60):
        done = subprocess.run([sys.executable, "-c", told, str(moment)], env=os.environ, timeout=60)
        assert {68, 71} <= {take.tempo_bpm for take in read_log(log).takes}
        if done.returncode == 0:
            break
        killed += 1
    assert killed >= 2
    assert not [name for name in contents(log) if name.startswith(".")]
    assert [take.tempo_bpm for take in read_log(log).takes] == [68, 71]
    assert not any(b"etude" in content for content in contents(log).values())


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_is_said(log: Path, cache: Path) -> None:
    log.chmod(0o500)
    try:
        with pytest.raises(RecordError, match="can't be deleted or rewritten"):
            delete(log, cache, Choice())
    finally:
        log.chmod(0o700)


def test_a_take_that_ends_in_the_moment_of_deleting_stays(
    log: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between looking at a sitting, all of which would go, and deleting its file."""
    sitting = Sitting(log, datetime(2026, 11, 25, tzinfo=UTC), name="now")
    sitting.append(TakeRecord("Étude", 80, origin="etude.musicxml"))

    def planned(*args: object) -> Deletion:
        plan = plan_deletion(*args)  # type: ignore[arg-type]
        sitting.append(TakeRecord("Waltz", 81, origin="waltz.mid"))
        return plan

    monkeypatch.setattr(deleting_module, "plan_deletion", planned)
    delete(log, cache, Choice(file="etude.musicxml"))
    assert [take.tempo_bpm for take in read_log(log).takes] == [68, 71, 81]


def test_a_take_that_ends_while_the_new_file_takes_the_old_ones_place_stays(
    log: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In another process, as the stand is: it waits until the new file is there, and writes to that."""
    last = max(log.glob("*.jsonl"))
    told = f"""
from datetime import datetime, UTC
from pathlib import Path
from companion.record import Sitting, TakeRecord
print("ready", flush=True)
input()
sitting = Sitting(Path({str(log)!r}), datetime(2026, 11, 25, tzinfo=UTC), name={last.stem!r})
sitting.append(TakeRecord("Waltz", 81, origin="waltz.mid", id="late"))
"""
    replace = os.replace
    command = [sys.executable, "-c", told]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as stand:
        assert stand.stdin is not None and stand.stdout is not None and stand.stdout.readline() == "ready\n"

        def slow(*args: object) -> None:
            assert stand.stdin is not None
            if not stand.stdin.closed:
                stand.stdin.write("\n")
                stand.stdin.close()
                time.sleep(0.5)
            replace(*args)  # type: ignore[arg-type]

        monkeypatch.setattr(os, "replace", slow)
        delete(log, cache, Choice(file="etude.musicxml"))
        assert stand.wait(30) == 0
    assert sorted(take.tempo_bpm for take in read_log(log).takes) == [68, 71, 81]


def test_the_stand_begins_its_file_anew_after_it_was_deleted(log: Path, cache: Path) -> None:
    sitting = Sitting(log, datetime(2026, 11, 25, tzinfo=UTC), name="now")
    sitting.append(TakeRecord("Étude", 80))
    delete(log, cache, Choice())
    sitting.append(TakeRecord("Étude", 82))
    assert [take.tempo_bpm for take in read_log(log).takes] == [82]
    assert not read_log(log).remarks
