"""The example that comes along can be read, says what it is and fits the passage and the week sheet beside it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from make_example import PATH, make_example

from companion import scores
from companion.record import read_log, survey
from companion.record.progress import reached, who_played
from companion.record.week import load

TOP = Path(__file__).resolve().parents[2]


def test_the_example_sitting_is_whole_and_labelled(tmp_path: Path) -> None:
    file = TOP / PATH
    first = json.loads(file.read_text(encoding="utf-8").splitlines()[0])
    assert first["example"] is True
    assert "invented example" in first["label"]
    (tmp_path / file.name).write_bytes(file.read_bytes())
    log = read_log(tmp_path)
    assert log.remarks == ()
    assert len(log.takes) >= 5
    assert all(take.notes and take.events for take in log.takes)
    assert {take.clean for take in log.takes} == {True, False}


def test_the_example_was_played_from_the_passage_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "e.jsonl").write_bytes((TOP / PATH).read_bytes())
    found = survey(tmp_path, tmp_path / "cache").takes
    passage = scores.read(TOP / found[0].origin)
    assert {take.sha256 for take in found} == {passage.sha256}, "make it again: python benchmarks/make_example.py"
    assert who_played(found)[1] == ("invented example that comes along, nobody's practice",)


def test_the_example_week_sheet_counts_the_example(tmp_path: Path) -> None:
    (tmp_path / "e.jsonl").write_bytes((TOP / PATH).read_bytes())
    sheet = load(TOP / "shared" / "week.toml")
    takes = survey(tmp_path, tmp_path / "cache").takes
    days = [day.isoformat() for day in sheet.days]
    assert max(reached(item, days, takes, takes[0].sha256).best_clean_bpm or 0 for item in sheet.items) > 60
    for item in sheet.items:
        passage = scores.read(item.path)
        assert not item.bars or passage.bar_range(item.bars)


def test_the_example_can_be_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(TOP)
    path = make_example(tmp_path)
    again = read_log(tmp_path).takes
    assert path.name == PATH.name
    assert [len(take.notes) for take in again] == [len(again[0].notes)] * len(again)
    assert make_example(tmp_path).read_bytes() == path.read_bytes(), "the same each time"
