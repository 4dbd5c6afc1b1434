"""The log: what was saved stays saved, whatever happens next."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from companion.errors import RecordError
from companion.practice.model import RawEvent
from companion.record import Sitting, TakeRecord, read_log, read_take, summaries
from companion.record import log as log_module
from companion.record.files import create_synced, locked, replace_synced

resource = pytest.importorskip("resource")

NOW = datetime(2026, 11, 23, 23, 59, 30, tzinfo=timezone(timedelta(hours=1)))


def a_take(tempo_bpm: float = 72.0, since_run_ns: int = 0, **more: object) -> TakeRecord:
    events = tuple(RawEvent(i * 10**8, bytes((0x90, 60 + i, 90))) for i in range(4))
    return TakeRecord("Étude", tempo_bpm, since_run_ns=since_run_ns, events=events, **more)  # type: ignore[arg-type]


def test_the_file_appears_with_the_first_take(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path / "new" / "sessions", NOW)
    assert not (tmp_path / "new").exists()
    sitting.append(a_take())
    assert sitting.path.exists()
    assert sitting.path.name.startswith("2026-11-23T23-59-30-")


def test_takes_are_read_as_they_were_written(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path, NOW)
    for tempo_bpm in (60, 64, 68):
        sitting.append(a_take(tempo_bpm))
    log = read_log(tmp_path)
    assert [take.tempo_bpm for take in log.takes] == [60, 64, 68]
    assert log.takes[0].events == a_take().events
    assert len({take.id for take in log.takes}) == 3
    assert log.remarks == ()


def test_a_take_after_midnight_has_the_next_days_date(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path, NOW)
    sitting.append(a_take())
    sitting.append(a_take(since_run_ns=60 * 10**9))
    assert [take.started for take in read_log(tmp_path).takes] == [
        "2026-11-23T23:59:30+01:00",
        "2026-11-24T00:00:30+01:00",
    ]
    assert [take.day for take in summaries(tmp_path, tmp_path / "cache")] == ["2026-11-23", "2026-11-24"]


def test_two_sittings_in_the_same_second_have_files_of_their_own(tmp_path: Path) -> None:
    one, other = Sitting.begin(tmp_path, NOW), Sitting.begin(tmp_path, NOW)
    for i in range(3):
        one.append(a_take(60 + i))
        other.append(a_take(90 + i))
    assert one.path != other.path
    assert sorted(take.tempo_bpm for take in read_log(tmp_path).takes) == [60, 61, 62, 90, 91, 92]


def test_no_folder_is_an_empty_log(tmp_path: Path) -> None:
    assert read_log(tmp_path / "none").takes == ()


def test_a_torn_last_line_is_set_aside_at_any_length(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path, NOW)
    sitting.append(a_take(60))
    whole = sitting.path.stat().st_size
    sitting.append(a_take(64))
    content = sitting.path.read_bytes()
    for length in range(whole + 1, len(content) - 1, 7):
        sitting.path.write_bytes(content[:length])
        log = read_log(tmp_path)
        assert [take.tempo_bpm for take in log.takes] == [60]
        assert len(log.remarks) == 1
        assert "line 3: the last take was cut off" in log.remarks[0]
    assert sitting.path.read_bytes() == content[:length], "reading changes nothing"


def test_a_line_after_a_torn_one_starts_on_its_own(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path, NOW)
    sitting.append(a_take(60))
    sitting.append(a_take(64))
    os.truncate(sitting.path, sitting.path.stat().st_size - 30)
    sitting.append(a_take(68))
    log = read_log(tmp_path)
    assert [take.tempo_bpm for take in log.takes] == [60, 68]
    assert "line 3: cut off or damaged" in log.remarks[0]


def test_a_block_of_zeros_from_a_power_cut_is_set_aside(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path, NOW)
    sitting.append(a_take(60))
    with sitting.path.open("ab") as file:
        file.write(b"\0" * 500)
    sitting.append(a_take(64))
    assert [take.tempo_bpm for take in read_log(tmp_path).takes] == [60, 64]


def test_a_sitting_file_that_was_moved_away_is_begun_again(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path, NOW)
    sitting.append(a_take(60))
    sitting.path.rename(tmp_path / "kept.jsonl")
    sitting.append(a_take(64))
    assert sorted(take.tempo_bpm for take in read_log(tmp_path).takes) == [60, 64]


def test_what_a_later_program_wrote_is_named_and_kept(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path, NOW)
    sitting.append(a_take(60))
    with sitting.path.open("ab") as file:
        file.write(b'{"kind":"lesson","text":"x"}\n')
    sitting.append(a_take(64))
    later = tmp_path / "2030-01-01T00-00-00-aaaaaa.jsonl"
    later.write_text('{"kind":"sitting","format":2}\n{"kind":"take","tempo":"fast"}\n')
    log = read_log(tmp_path)
    assert [take.tempo_bpm for take in log.takes] == [60, 64]
    assert len(log.remarks) == 2
    assert "kind 'lesson' is not known here" in log.remarks[0]
    assert "format 2 is not known here" in log.remarks[1]


@pytest.mark.parametrize(
    "junk", [b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40, b"hello\n" * 10, b"[" * 200_000, b'{"a":1}\n', b'"kind"\n']
)
def test_junk_is_named_and_left_alone(tmp_path: Path, junk: bytes) -> None:
    Sitting.begin(tmp_path, NOW).append(a_take(60))
    path = tmp_path / "junk.jsonl"
    path.write_bytes(junk)
    log = read_log(tmp_path)
    assert [take.tempo_bpm for take in log.takes] == [60]
    assert log.remarks == ("junk.jsonl: this is no practice log; left alone (move it out of the folder)",)
    assert path.read_bytes() == junk


def test_a_take_that_lacks_its_tempo_is_left_out_and_named(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_text('{"kind":"sitting","format":1}\n{"kind":"take","title":"x"}\n')
    assert read_log(tmp_path).remarks == ("a.jsonl line 2: no tempo_bpm; this take is left out",)


def test_an_empty_file_says_nothing(tmp_path: Path) -> None:
    (tmp_path / "a.jsonl").touch()
    assert read_log(tmp_path).remarks == ()


def test_a_take_is_found_again_by_its_summary(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path, NOW)
    for tempo_bpm in (60, 64, 68):
        sitting.append(a_take(tempo_bpm))
    middle = summaries(tmp_path, tmp_path / "cache")[1]
    assert read_take(tmp_path, middle) == read_log(tmp_path).takes[1]
    with pytest.raises(RecordError, match="can't be read"):
        read_take(tmp_path, middle._replace(offset=3))
    with pytest.raises(RecordError, match="has moved"):
        read_take(tmp_path, middle._replace(id="other"))


def test_a_place_that_is_no_folder_gives_one_line_and_a_way_out(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    sitting = Sitting.begin(tmp_path / "file", NOW)
    with pytest.raises(RecordError, match="COMPANION_SESSIONS") as caught:
        sitting.append(a_take())
    assert "\n" not in str(caught.value)
    assert sitting.waiting == 1
    with pytest.raises(RecordError, match="COMPANION_SESSIONS"):
        read_log(tmp_path / "file")


def test_takes_that_could_not_be_written_are_written_later(tmp_path: Path) -> None:
    blocked = tmp_path / "sessions"
    blocked.touch()
    sitting = Sitting.begin(blocked, NOW)
    for tempo_bpm in (60, 64):
        with pytest.raises(RecordError):
            sitting.append(a_take(tempo_bpm))
    blocked.unlink()
    sitting.append(a_take(68))
    assert sitting.waiting == 0
    assert [take.tempo_bpm for take in read_log(blocked).takes] == [60, 64, 68]


def test_a_full_disk_loses_nothing_that_was_saved(tmp_path: Path) -> None:
    # A limit on the file's size stops a write in its middle just as a full disk does.
    sitting = Sitting.begin(tmp_path, NOW)
    sitting.append(a_take(60))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (sitting.path.stat().st_size + 50, hard))
    try:
        with pytest.raises(RecordError, match="make room or allow writing there"):
            sitting.append(a_take(64))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert read_log(tmp_path).takes[-1].tempo_bpm == 60
    assert read_log(tmp_path).remarks == ()
    sitting.retry()
    assert [take.tempo_bpm for take in read_log(tmp_path).takes] == [60, 64]


PLAYER = """
import sys
from datetime import datetime, UTC
from companion.practice.model import RawEvent
from companion.record import Sitting, TakeRecord
sitting = Sitting.begin(sys.argv[1], datetime.now(UTC))
events = tuple(RawEvent(i, bytes((0x90, 60, i % 128))) for i in range(3000))
for number in range(100_000):
    sitting.append(TakeRecord("x", 60.0, id=str(number), events=events))
    print(number, flush=True)
"""


def test_killed_at_any_moment_at_most_the_take_being_written_is_lost(tmp_path: Path) -> None:
    for turn in range(4):
        folder = tmp_path / str(turn)
        process = subprocess.Popen([sys.executable, "-c", PLAYER, str(folder)], stdout=subprocess.PIPE)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.017 * turn)
        process.send_signal(signal.SIGKILL)
        said = process.stdout.read().split()
        process.stdout.close()
        process.wait()
        saved = int(said[-1]) if said else 0
        takes = [int(take.id) for take in read_log(folder).takes]
        assert takes == list(range(len(takes)))
        assert len(takes) in (saved + 1, saved + 2)
        assert len(read_log(folder).remarks) <= 1


def test_a_sitting_without_a_zone_is_local_time(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path, datetime(2026, 1, 2, 3))
    sitting.append(a_take())
    started = datetime.fromisoformat(read_log(tmp_path).takes[0].started)
    assert started.tzinfo is not None
    assert started.astimezone(UTC) == datetime(2026, 1, 2, 3).astimezone(UTC)


def test_who_hangs_with_the_file_locked_holds_no_take_up_for_long(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path, NOW)
    sitting.append(a_take())
    with locked(sitting.path):
        began = time.monotonic()
        sitting.append(a_take(76))
        assert time.monotonic() - began < 10
    assert [take.tempo_bpm for take in read_log(tmp_path).takes] == [72, 76]


def test_a_file_system_that_numbers_files_anew_at_each_look(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sitting = Sitting.begin(tmp_path, NOW)
    sitting.append(a_take())
    monkeypatch.setattr(os.path, "samestat", lambda a, b: False)
    sitting.append(a_take(76))
    assert [take.tempo_bpm for take in read_log(tmp_path).takes] == [72, 76]


@pytest.mark.skipif(sys.platform == "win32", reason="no such permissions")
def test_files_are_as_open_to_others_as_the_user_has_it(tmp_path: Path) -> None:
    before = os.umask(0o077)
    try:
        create_synced(tmp_path / "created", b"x")
        replace_synced(tmp_path / "new", b"x")
        os.umask(0o022)
        replace_synced(tmp_path / "usual", b"x")
        replace_synced(tmp_path / "new", b"y")
    finally:
        os.umask(before)
    modes = {path.name: path.stat().st_mode & 0o777 for path in tmp_path.iterdir()}
    assert modes == {"created": 0o600, "new": 0o600, "usual": 0o644}


def test_the_order_of_sync_is_file_then_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[bool] = []
    real = os.fsync

    def watched(handle: int) -> None:
        with contextlib.suppress(OSError):
            synced.append(os.path.isdir(f"/proc/self/fd/{handle}"))
        real(handle)

    monkeypatch.setattr(os, "fsync", watched)
    folder = tmp_path / "sessions"
    sitting = Sitting.begin(folder, NOW)
    sitting.append(a_take())
    assert synced == [True, False, True], "the new folder's name, the file, the file's name"
    sitting.append(a_take())
    assert synced[3:] == [False]


def test_a_log_full_of_rubbish_gives_a_few_remarks_and_its_takes(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path, NOW)
    sitting.append(a_take(60))
    with sitting.path.open("ab") as file:
        file.write(b"x\n" * 1000)
    sitting.append(a_take(64))
    log = read_log(tmp_path)
    assert [take.tempo_bpm for take in log.takes] == [60, 64]
    assert len(log.remarks) == 5
    assert "and 996 more lines" in log.remarks[-1]


def test_a_line_too_long_to_be_a_take_is_set_aside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sitting = Sitting.begin(tmp_path, NOW)
    sitting.append(a_take(60))
    with sitting.path.open("ab") as file:
        file.write(b'{"kind":"take","x":"' + b"1" * (2 << 20) + b'"}\n')
    sitting.append(a_take(64))
    monkeypatch.setattr(log_module, "MAX_LINE_BYTES", 1 << 20)
    log = read_log(tmp_path)
    assert [take.tempo_bpm for take in log.takes] == [60, 64]
    assert "line 3: longer than 1 MB" in log.remarks[0]
