"""The index says what the log says, whatever happens to either."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from companion.record import Sitting, TakeRecord, Wanted, read_log, summaries, survey
from companion.record import index as index_module

NOW = datetime(2026, 11, 23, 17, tzinfo=UTC)


def write(folder: Path, day: int, *tempos_bpm: float) -> Sitting:
    sitting = Sitting.begin(folder, NOW + timedelta(days=day))
    for i, tempo_bpm in enumerate(tempos_bpm):
        sitting.append(
            TakeRecord("Étude", tempo_bpm, since_run_ns=i * 10**9, clean=tempo_bpm < 70, trouble_bars=("6", "7"))
        )
    return sitting


def tempos(folder: Path, cache: Path) -> list[float]:
    return [take.tempo_bpm for take in summaries(folder, cache)]


def test_oldest_first_and_the_same_as_the_log(tmp_path: Path) -> None:
    folder, cache = tmp_path / "s", tmp_path / "c"
    write(folder, 1, 72, 76)
    write(folder, 0, 60, 64)
    assert tempos(folder, cache) == [60, 64, 72, 76] == [take.tempo_bpm for take in read_log(folder).takes]
    first = summaries(folder, cache)[0]
    assert (first.title, first.day, first.clean, first.trouble_bars) == ("Étude", "2026-11-23", 1, "6 7")


def test_nothing_is_read_again_that_did_not_change(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, cache = tmp_path / "s", tmp_path / "c"
    kept, grown = write(folder, 0, 60), write(folder, 1, 64)
    summaries(folder, cache)
    opened: list[str] = []
    real = index_module.lines_of
    monkeypatch.setattr(
        index_module, "lines_of", lambda path, *a, **k: (opened.append(path.name), real(path, *a, **k))[1]
    )
    assert tempos(folder, cache) == [60, 64]
    assert opened == []
    grown.append(TakeRecord("x", 68))
    new = write(folder, 2, 72)
    assert tempos(folder, cache) == [60, 64, 68, 72]
    assert sorted(opened) == [grown.path.name, new.path.name]
    kept.path.unlink()
    assert tempos(folder, cache) == [64, 68, 72]


def test_a_file_of_the_same_size_is_read_again_when_its_time_changed(tmp_path: Path) -> None:
    folder, cache = tmp_path / "s", tmp_path / "c"
    sitting = write(folder, 0, 60)
    assert tempos(folder, cache) == [60]
    sitting.path.write_bytes(sitting.path.read_bytes().replace(b'"tempo_bpm":60', b'"tempo_bpm":61'))
    os.utime(sitting.path, ns=(1, 1))
    assert tempos(folder, cache) == [61]


def test_remarks_come_from_the_index_as_from_the_log(tmp_path: Path) -> None:
    folder, cache = tmp_path / "s", tmp_path / "c"
    sitting = write(folder, 0, 60, 64)
    os.truncate(sitting.path, sitting.path.stat().st_size - 9)
    (folder / "z.jsonl").write_bytes(b"junk\n")
    (folder / "y.jsonl").write_text('{"kind":"sitting","format":1}\n{"kind":"take","tempo_bpm":60,"started":"soon"}\n')
    first, again = survey(folder, cache), survey(folder, cache)
    assert first == again
    assert len(first.remarks) == 3
    assert "cut off" in first.remarks[0]
    assert "y.jsonl line 2" in first.remarks[1]
    assert "no practice log" in first.remarks[2]


@pytest.mark.parametrize("damage", [b"", b"not a database at all" * 100, b"SQLite format 3\0" + bytes(4000)])
def test_a_damaged_index_is_made_again(tmp_path: Path, damage: bytes) -> None:
    folder, cache = tmp_path / "s", tmp_path / "c"
    write(folder, 0, 60, 64)
    summaries(folder, cache)
    (file,) = cache.iterdir()
    file.write_bytes(damage)
    assert tempos(folder, cache) == [60, 64]
    assert tempos(folder, cache) == [60, 64]
    assert file.stat().st_size > 4096


def test_an_index_of_another_version_is_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, cache = tmp_path / "s", tmp_path / "c"
    write(folder, 0, 60)
    summaries(folder, cache)
    monkeypatch.setattr(index_module, "_VERSION", 99)
    monkeypatch.setattr(index_module, "_TABLES", index_module._TABLES.replace("user_version = 2", "user_version = 99"))
    assert tempos(folder, cache) == [60]


def test_without_a_usable_cache_the_log_is_read_all_the_same(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    write(folder, 0, 60, 64)
    (tmp_path / "c").touch()
    assert tempos(folder, tmp_path / "c") == [60, 64]


def test_only_the_takes_that_are_asked_for(tmp_path: Path) -> None:
    sitting = Sitting.begin(tmp_path, NOW)
    for i, (origin, sha256) in enumerate((("x/a.mxl", "1"), ("b.mxl", "1"), (r"C:\x\a.mxl", "2"), ("", ""))):
        sitting.append(TakeRecord("T", 60 + i, since_run_ns=i * 86_400 * 10**9, origin=origin, sha256=sha256))

    def found(**wanted: str) -> list[float]:
        return [take.tempo_bpm for take in survey(tmp_path, tmp_path / "c", Wanted(**wanted)).takes]

    assert found() == [60, 61, 62, 63]
    assert found(first_day="2026-11-24", last_day="2026-11-25") == [61, 62]
    assert found(sha256="1") == [60, 61]
    assert found(file_name="a.mxl") == [60, 62]
    assert found(sha256="1", file_name="a.mxl", first_day="2026-11-25") == [62]


def test_two_logs_have_indexes_of_their_own(tmp_path: Path) -> None:
    cache = tmp_path / "c"
    write(tmp_path / "a", 0, 60)
    write(tmp_path / "b", 0, 90)
    assert (tempos(tmp_path / "a", cache), tempos(tmp_path / "b", cache)) == ([60], [90])


def test_examples_are_marked(tmp_path: Path) -> None:
    sitting = Sitting(tmp_path, NOW, example=True, name="example-2026-11-23")
    sitting.append(TakeRecord("x", 60))
    write(tmp_path, 1, 64)
    assert [(take.tempo_bpm, take.example) for take in summaries(tmp_path, tmp_path / "c")] == [(60, 1), (64, 0)]


LOOK = "import sys, pathlib, companion.record as r; print(len(r.summaries(*map(pathlib.Path, sys.argv[1:]))))"


def test_two_runs_that_index_at_once_don_t_count_twice(tmp_path: Path) -> None:
    folder, cache = tmp_path / "s", tmp_path / "c"
    for day in range(20):
        write(folder, day, *range(60, 80))
    runs = [
        subprocess.Popen([sys.executable, "-c", LOOK, str(folder), str(cache)], stdout=subprocess.PIPE)
        for _ in range(3)
    ]
    assert [int(run.communicate()[0]) for run in runs] == [400] * 3
    assert len(tempos(folder, cache)) == 400
