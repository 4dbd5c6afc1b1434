"""A piece that is not counted in quarters: what is said of its tempos agrees with the stand."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from scores.musicxml_making import bar, document, note

from companion.cli import main
from companion.cli.day import look_at_day
from companion.practice.day_plan import DayPlan
from companion.practice.metronome import counted_note
from companion.practice.today import Entry
from companion.record import Sitting, TakeRecord
from companion.record.week import load
from companion.record.week_edit import set_target
from companion.scores import read

NOW = datetime(2026, 11, 25, 17, tzinfo=UTC)


@pytest.fixture(autouse=True)
def jig(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A sheet folder with a jig in 6/8."""
    for name in ("SHARED", "SESSIONS", "CACHE", "SETTINGS"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / name.lower()))
    path = tmp_path / "shared" / "passages" / "jig.musicxml"
    path.parent.mkdir(parents=True)
    threes = note("C5", 1.5) + note("D5", 1.5)
    path.write_text(document(bar(threes, metre="6/8"), threes, bar(note("C5", 4), metre="4/4")), encoding="utf-8")
    return path


def test_a_target_is_set_in_quarters_and_said_as_the_stand_has_it(
    jig: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["week", "set", str(jig), "--tempo", "96"]) == 0
    assert "jig, the whole passage: target 96 quarters a minute (♩. = 64)." in capsys.readouterr().out
    assert main(["week", "set", str(jig), "--tempo", "96", "--bars", "3"]) == 0
    assert "jig, bar 3: target 96 quarters a minute." in capsys.readouterr().out
    assert [item.target_bpm for item in load(jig.parents[1] / "week.toml").items] == [96, 96]


def played(jig: Path, when: datetime, tempo_bpm: float, *, clean: bool) -> None:
    told = {"origin": str(jig), "sha256": read(jig).sha256, "instrument": "alto", "port": "wind", "clean": clean}
    take = TakeRecord("T", tempo_bpm, since_run_ns=0, duration_ns=50 * 10**9, **told)  # type: ignore[arg-type]
    Sitting.begin(jig.parents[2] / "sessions", when).append(take)


def test_the_day_tells_it_so_too(jig: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "shared" / "week.toml"
    set_target(sheet, passage="passages/jig.musicxml", bars="", target_bpm=96, by="Fri", week=date(2026, 11, 23))
    day = look_at_day(load(sheet), tmp_path / "sessions", NOW)
    assert day.tasks[0].why == "Target ♩. = 64 by Fri, not played yet."
    played(jig, NOW - timedelta(minutes=20), 60, clean=True)
    played(jig, NOW - timedelta(minutes=10), 66, clean=False)
    day = look_at_day(load(sheet), tmp_path / "sessions", NOW)
    assert day.tasks[0].why == "Target ♩. = 64 by Fri, clean up to ♩. = 40 so far."
    # The command and the data stay in quarters, as everything that is typed and kept.
    assert day.tasks[0].tempo_bpm == 66 and day.tasks[0].command[-1] == "66"
    assert DayPlan.words(Entry(5.0, day.tasks[0])) == "jig, from ♩. = 44"
    assert counted_note(read(jig).bars[0]) == day.tasks[0].counted


def test_progress_is_in_quarters_and_says_what_the_stand_has(jig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    played(jig, NOW - timedelta(minutes=20), 60, clean=True)
    assert main(["progress", str(jig)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "best clean tempo 60" in said
    assert "Tempos are quarters a minute; the stand counts dotted quarters: 60 is ♩. = 40." in said
    assert main(["progress", str(jig), "--bars", "3"]) == 0
    assert "the stand counts" not in capsys.readouterr().out


@pytest.mark.parametrize("view", [["week"], ["week", "--student"]], ids="-".join)
def test_the_week_says_it_of_the_items_that_are_not_counted_in_quarters(
    view: list[str], jig: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for bars, tempo in (("1-2", "96"), ("3", "80")):
        assert main(["week", "set", str(jig), "--bars", bars, "--tempo", tempo]) == 0
    capsys.readouterr()
    assert main(view) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.count("The stand counts") == 1
    assert "The stand counts dotted quarters: this target is ♩. = 64 there." in said
