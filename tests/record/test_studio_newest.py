"""What is left unread of a studio changes nothing of what is said."""

from __future__ import annotations

import os
import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from companion.record import Sitting, studio_index, studio_lines, studio_newest
from companion.record.studio import Studio, look_at_studio
from companion.record.studio_files import LogFile
from companion.record.studio_index import open_index, studio_index_path
from companion.record.studio_lines import ANY_DAY, latest_day
from tests.studio_takes import a_take

TODAY = date(2026, 11, 28)
SHEET = 'format = 1\nweek = {0}\n[[item]]\npassage = "a.musicxml"\ntarget_bpm = 70\n'


def play(folder: Path, days_ago: int, rng: random.Random, **more: object) -> Path:
    at = datetime(2026, 11, 28, 17, tzinfo=UTC) - timedelta(days=days_ago)
    sitting = Sitting.begin(folder / "sessions", at)
    for number in range(rng.randint(2, 6)):
        sitting.append(replace(a_take(rng, 1, 2), since_run_ns=number * 10**10, **more))  # type: ignore[arg-type]
    return sitting.path


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    """One plays on, one has changed horns, one has stopped, one lets the player play, one is new, one has last spring's
    sheet."""
    rng = random.Random(3)
    ada, ben, cleo, dora, ed, flo = (tmp_path / "studio" / name for name in ("Ada", "Ben", "Cleo", "Dora", "Ed", "Flo"))
    for days_ago in range(2, 300, 4):
        play(ada, days_ago, rng)
        play(ben, days_ago, rng, instrument="tenor" if days_ago < 8 or days_ago > 200 else "alto")
        play(cleo, days_ago + 100, rng, port="sim:steady:1" if days_ago < 100 else "wind")
        play(dora, days_ago, rng, port="sim:steady:1" if days_ago != 90 else "wind")
        play(flo, days_ago, rng)
    play(ed, 3, rng)
    for folder, week in ((ada, "2026-11-23"), (dora, "2026-11-23"), (flo, "2026-05-04")):
        (folder / "week.toml").write_text(SHEET.format(week))
    return tmp_path / "studio"


def look(studio: Path, cache: Path | None, today: date = TODAY) -> Studio:
    found = look_at_studio(studio, cache, today)
    return Studio(found.students, found.common, found.remarks)


def unread(studio: Path, cache: Path) -> dict[str, int]:
    with open_index(studio_index_path(studio, cache)) as index:
        rows = index.execute(
            "SELECT student, count(*) FILTER (unread_to <> '') FROM sitting GROUP BY student"
        ).fetchall()
    return dict(rows)


def test_what_is_left_unread_changes_nothing(studio: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cache = tmp_path / "cache"
    monkeypatch.setattr(studio_newest, "NEWEST_TAKES", 60)
    found = look(studio, cache)
    left = unread(studio, cache)
    assert left["Ada"] > 40 and left["Cleo"] > 40 and left["Flo"] > 20
    assert not left["Ed"], "there are not as many takes as are asked for"
    for path in sorted((studio / "Ben" / "sessions").iterdir())[-3:]:
        path.unlink()  # older ones, on another horn, are the newest now
    days = [TODAY, *(TODAY + timedelta(days=days) for days in (5, -60, 300))]
    after = [look(studio, cache, day) for day in days]
    assert after[0].students[1].spots and after[0].students[1] != found.students[1]

    monkeypatch.setattr(studio_index, "latest_day", lambda _: ANY_DAY)
    whole = tmp_path / "whole"
    assert [look(studio, whole, day) for day in days] == after
    assert not any(unread(studio, whole).values())


def test_an_older_day_is_looked_for_among_the_unread(studio: Path, tmp_path: Path) -> None:
    found = look(studio, tmp_path / "cache")
    assert {one.name: one.last_day for one in found.students} == {
        "Ada": "2026-11-26", "Ben": "2026-11-26", "Cleo": "2026-05-10", "Dora": "2026-08-30", "Ed": "2026-11-25",
        "Flo": "2026-11-26",
    }  # fmt: skip


def as_file(path: Path) -> LogFile:
    return LogFile("Ada", path.name, str(path), path.stat().st_size, 0)


def sitting(tmp_path: Path, days_ago: Sequence[int]) -> Path:
    """One sitting with takes of these days, in this order."""
    rng = random.Random(1)
    path = play(tmp_path, 50, rng)
    lines = path.read_bytes().splitlines(keepends=True)
    days = [datetime(2026, 11, 28, 17, tzinfo=UTC) - timedelta(days=ago) for ago in days_ago]
    takes = [lines[1].replace(b"2026-10-09T17:00:00", f"{day:%Y-%m-%dT%H:%M:%S}".encode()) for day in days]
    path.write_bytes(b"".join([lines[0], *takes]))
    return path


def test_how_new_a_sitting_is_its_ends_tell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert latest_day(as_file(sitting(tmp_path / "a", [50, 50]))) == "2026-10-10"
    assert latest_day(as_file(sitting(tmp_path / "b", [50, 49]))) == "2026-10-11", "past midnight"
    assert latest_day(as_file(sitting(tmp_path / "c", [49, 50]))) == "2026-10-10", "a day is left for it"
    monkeypatch.setattr(studio_lines, "_LAST_BYTES", 16)
    assert latest_day(as_file(sitting(tmp_path / "d", [50, 40]))) == "2026-10-20", "however long the last line"


@pytest.mark.parametrize(
    "change",
    [
        lambda data: data[:-30],
        lambda data: data.rstrip(b"\n"),
        lambda data: data + b"\n",
        lambda data: data + b'{"kind":"take"}\n',
        lambda data: data + os.urandom(50) + b"\n",
        lambda data: data.replace(b'"format":1', b'"format":2'),
        lambda data: data.replace(b'"started":"2026-10-09', b'"started":"2026-10-99'),
        lambda data: data.partition(b"\n")[2],
        lambda data: data.partition(b"\n")[0] + b"\n",
        lambda data: b"",
    ],
)
def test_what_is_odd_at_an_end_is_read(change: object, tmp_path: Path) -> None:
    path = sitting(tmp_path, [50, 50])
    path.write_bytes(change(path.read_bytes()))  # type: ignore[operator]
    assert latest_day(as_file(path)) == ANY_DAY
    path.unlink()
    assert latest_day(LogFile("Ada", path.name, str(path), 10, 0)) == ANY_DAY


@pytest.mark.parametrize("plays_on", [False, True])
def test_what_was_read_first_need_not_be_the_newest(
    plays_on: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(studio_newest, "NEWEST_TAKES", 40)
    rng, ada = random.Random(7), tmp_path / "studio" / "Ada"
    for days_ago in range(300, 314):
        path = play(ada, days_ago, rng)
        path.write_bytes(path.read_bytes().rstrip(b"\n"))  # odd, so these are read first
    for days_ago in (*range(50, 82, 2), *([3] if plays_on else [])):
        play(ada, days_ago, rng)
    found = look(studio := tmp_path / "studio", tmp_path / "cache")
    monkeypatch.setattr(studio_index, "latest_day", lambda _: ANY_DAY)
    assert found == look(studio, None)
    assert found.students[0].last_day == ("2026-11-25" if plays_on else "2026-10-09")
    assert bool(found.students[0].spots) == plays_on
