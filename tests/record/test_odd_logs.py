"""Logs that no companion wrote: one odd line or name never hides the other takes."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pytest

from companion.record import read_log
from companion.record.index import Wanted, survey
from companion.record.progress import longest_stretch_s

HEAD = b'{"kind":"sitting","format":1,"id":"a","started":"2026-11-24T09:00:00+01:00","program":"0"}\n'
TAKE = {
    "kind": "take", "title": "T", "id": "a-001", "started": "2026-11-24T09:00:00+01:00", "origin": "e.musicxml",
    "tempo_bpm": 60.0, "duration_ns": 10**9,
}  # fmt: skip


def _line(**changes: object) -> bytes:
    tail = {"events": [], "notes": [], "added": []}
    return json.dumps({**TAKE, **changes, **tail}, separators=(",", ":")).encode() + b"\n"


@pytest.mark.parametrize(
    ("odd", "kept"),
    [
        ({"title": "\ud800"}, 2),
        ({"trouble_bars": ["\udfff", "5"]}, 2),
        ({"rung": 2**63}, 1),
        ({"duration_ns": 10**30}, 1),
        ({"duration_ns": 10**400}, 1),
        ({"tempo_bpm": 10**400}, 1),
        ({"tempo_bpm": 1e308}, 1),
        ({"tempo_bpm": -60.0}, 1),
        ({"started": "9999-12-31T23:59:59+00:00", "duration_ns": 10**10}, 1),
        ({"kind": "\ud800"}, 1),
        ({"kind": "sitting", "format": "\ud800"}, 1),
    ],
)
def test_an_odd_line_hides_no_other_take(odd: dict[str, object], kept: int, tmp_path: Path) -> None:
    (tmp_path / "a.jsonl").write_bytes(HEAD + _line() + _line(id="a-002", **odd))
    found = survey(tmp_path, tmp_path / "cache")
    assert len(found.takes) == kept
    assert bool(found.remarks) == (kept == 1)
    assert longest_stretch_s(found.takes) >= 1
    "".join(found.remarks).encode("utf-8")
    assert read_log(tmp_path).takes[0].id == "a-001"


def test_an_event_at_no_time_is_named(tmp_path: Path) -> None:
    line = _line(id="a-002").replace(b'"events":[]', b'"events":[[1e999,"903c40"]]')
    (tmp_path / "a.jsonl").write_bytes(HEAD + _line() + line)
    log = read_log(tmp_path)
    assert len(log.takes) == 1 and "written oddly" in log.remarks[0]


def test_what_a_log_says_moves_no_cursor(tmp_path: Path) -> None:
    (tmp_path / "a.jsonl").write_bytes(HEAD + _line(title="a\x1b[2Jb\nc", bars="5\x07"))
    take = survey(tmp_path, tmp_path / "cache").takes[0]
    assert take.title == "a?[2Jb?c" and take.bars == "5?"


@pytest.mark.skipif(sys.platform != "linux", reason="file names are bytes on Linux only")
def test_names_that_are_not_utf_8(tmp_path: Path) -> None:
    (tmp_path / "a.jsonl").write_bytes(HEAD + _line(origin="\udcff.musicxml"))
    with open(os.path.join(os.fsencode(tmp_path), b"\xff.jsonl"), "wb") as file:
        file.write(HEAD + _line())
    found = survey(tmp_path, tmp_path / "cache", Wanted(file_name=os.fsdecode(b"\xff.musicxml")))
    assert [take.id for take in found.takes] == ["a-001"]
    assert len(found.remarks) == 1 and "not UTF-8" in found.remarks[0]


@pytest.mark.skipif(os.name != "posix", reason="a link to itself")
def test_a_link_to_itself_hides_no_sitting(tmp_path: Path) -> None:
    (tmp_path / "a.jsonl").write_bytes(HEAD + _line())
    (tmp_path / "b.jsonl").symlink_to("b.jsonl")
    assert len(survey(tmp_path, tmp_path / "cache").takes) == 1
