"""`companion today`: what is open, why, and in which order."""

from __future__ import annotations

import argparse
import json
import shutil
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from companion import charts
from companion.cli import main
from companion.cli.day import look_at_day
from companion.planning import all_marks, plan
from companion.practice.day_plan import Day, DayPlan
from companion.practice.model import ON_TIME, WRONG_NOTE
from companion.practice.today import COLD, ITEM, SHAPES, TROUBLE, Task
from companion.record import NoteRecord, Sitting, TakeRecord
from companion.record.week import load
from companion.scores import read
from companion.window.display import NoScreen
from tests.record_logs import answer

PASSAGES = Path(__file__).parents[2] / "shared" / "passages"
MONDAY = date(2026, 11, 23)
NOW = datetime(2026, 11, 25, 17, tzinfo=UTC)
SHEET = """format = 1
week = {week}
student = "Robin"
[[item]]
passage = "passages/etude-e-minor.musicxml"
bars = "5-8"
target_bpm = 84
by = "Fri"
[[item]]
passage = "passages/etude-e-minor.musicxml"
target_bpm = 96
by = "Wed"
[[item]]
passage = "passages/waltz-in-f.musicxml"
target_bpm = 120
days = ["Sat"]
[[item]]
passage = "passages/first-steps.musicxml"
exercise = "scales"
exercise_options = {{ kind = "thirds" }}
target_bpm = 80
"""


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("SHARED", "SESSIONS", "CACHE", "SETTINGS"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / name.lower()))
    shutil.copytree(PASSAGES, tmp_path / "shared" / "passages")
    (tmp_path / "shared" / "week.toml").write_text(SHEET.format(week=MONDAY))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def played(home: Path, when: datetime, *tempos_bpm: float, name: str = "etude-e-minor", **more: object) -> None:
    path = home / "shared" / "passages" / f"{name}.musicxml"
    sitting = Sitting.begin(home / "sessions", when)
    told = {"origin": str(path), "sha256": read(path).sha256, "instrument": "alto", "port": "wind"} | more
    for i, tempo_bpm in enumerate(tempos_bpm):
        sitting.append(
            TakeRecord("T", tempo_bpm, since_run_ns=i * 60 * 10**9, duration_ns=50 * 10**9, **told)  # type: ignore[arg-type]
        )


def day_at(home: Path, now: datetime = NOW) -> Day:
    return look_at_day(load(home / "shared" / "week.toml"), home / "sessions", now)


def of_kind(day: Day, kind: str) -> list[Task]:
    return [task for task in day.tasks if task.kind == kind]


def test_what_the_sheet_asks_for_today(home: Path) -> None:
    day = day_at(home)
    items = of_kind(day, ITEM)
    assert [task.title for task in items] == [
        "Étude in E minor, bars 5–8", "Étude in E minor", "scales of first-steps",
    ]  # fmt: skip
    assert items[0].why == "Target 84 by Fri, not played yet." and items[1].why == "Target 96 by Wed, not played yet."
    assert items[1].need > items[0].need, "what is due today comes first"
    assert items[2].command == (
        "play", "shared/passages/first-steps.musicxml", "--exercise", "scales", "--set", "kind=thirds",
    )  # fmt: skip
    assert day.done == ("Waltz in F: not today; next on Sat.",) and not day.remarks


def test_where_the_player_stands_is_where_it_goes_on(home: Path) -> None:
    played(home, NOW - timedelta(days=1), 60, 72, clean=True, bars="5-8")
    (task, *_) = of_kind(day_at(home), ITEM)
    # Another day begins a little lower: 0.95 of 72.
    assert task.tempo_bpm == 68 and task.command[-2:] == ("--tempo", "68")
    assert task.why == "Target 84 by Fri, clean up to 72 so far."
    played(home, NOW - timedelta(minutes=30), 76, clean=False, bars="5-8")
    (task, *_) = of_kind(day_at(home), ITEM)
    assert task.tempo_bpm == 76


def test_what_is_reached_is_kept_warm_on_its_days_and_rests_on_others(home: Path) -> None:
    played(home, NOW - timedelta(days=1), 96, 96, 96, clean=True)
    whole = of_kind(day_at(home), ITEM)[1]
    assert whole.why == "Reached: 3 clean at 96. Once more keeps it."
    assert whole.need < 0.5
    later = day_at(home, NOW + timedelta(days=2))
    assert "Étude in E minor: reached, 3 clean at 96." in later.done


def test_what_was_due_and_is_not_done_stays_open(home: Path) -> None:
    task = of_kind(day_at(home, NOW + timedelta(days=1)), ITEM)[1]
    assert task.why.startswith("It was due on Wed: target 96, not played yet")


def test_a_first_go_comes_before_the_day_it_counts(home: Path) -> None:
    played(home, NOW - timedelta(days=1), 88, 92, clean=True)
    (cold,) = of_kind(day_at(home), COLD)
    assert cold.title == "First go: Étude in E minor at 96" and cold.command[-2:] == ("--tempo", "96")
    assert "It counts today: play it once, as on the day, before anything warms up." in cold.why
    # Once other bars of it were played, nothing is cold any more.
    played(home, NOW - timedelta(hours=1), 60, clean=True, bars="5-8")
    assert not of_kind(day_at(home), COLD)


def test_own_trouble_and_shapes_that_are_due_are_open_too(home: Path) -> None:
    path = home / "shared" / "passages" / "etude-e-minor.musicxml"
    passage, chart = read(path), charts.load("alto")
    choices = plan(passage, chart, all_marks(passage, chart, {})).choices
    for back in range(5, 0, -1):
        notes = tuple(
            NoteRecord(
                passage.bars[n.bar].number, str(n.count), n.written_midi, c.name, tuple(sorted(c.keys)),
                WRONG_NOTE if n.index == 40 else ON_TIME, 0.0, n.written_midi + (n.index == 40),
                available_ms=150.0 if n.index else None,
            )
            for n, c in zip(passage.notes, choices, strict=True)
        )  # fmt: skip
        played(home, NOW - timedelta(days=back), 80, notes=notes, chart_version=chart.version)
    answer(home / "sessions", "alto", 10)
    day = day_at(home)
    (spot,) = of_kind(day, TROUBLE)
    bar = passage.bars[passage.notes[40].bar].number
    assert f"bar {bar} of Étude in E minor" in spot.title and spot.command[-1] == "into=40"
    (shapes,) = of_kind(day, SHAPES)
    assert shapes.title == "Shapes: 1 due" and shapes.command == ("shapes",)


def test_takes_by_the_simulated_player_are_nobodys(home: Path) -> None:
    played(home, NOW - timedelta(days=1), 96, 96, 96, clean=True, port="sim:steady:1")
    day = day_at(home)
    assert of_kind(day, ITEM)[1].why == "Target 96 by Wed, not played yet." and day.played_min == 0


def test_how_long_one_has_been_at_it(home: Path) -> None:
    played(home, NOW - timedelta(minutes=20), *[80.0] * 19)
    day = day_at(home)
    assert day.played_min == pytest.approx(19 * 50 / 60) and day.since_break_min == pytest.approx(20, abs=0.1)
    played(home, NOW - timedelta(minutes=90), 80)
    assert day_at(home).since_break_min == pytest.approx(20, abs=0.1)


def test_a_passage_that_is_gone_is_said_and_the_rest_goes_on(home: Path) -> None:
    (home / "shared" / "passages" / "first-steps.musicxml").unlink()
    day = day_at(home)
    assert "first-steps: can't be put on the stand, see below." in " ".join(day.done)
    assert any("is not there" in remark for remark in day.remarks) and len(of_kind(day, ITEM)) == 2


# -- the command -----------------------------------------------------------------------------------------------------


def this_week(home: Path) -> None:
    today = date.today()
    sheet = SHEET.format(week=today - timedelta(days=today.weekday())).replace('by = "Fri"', 'by = "Sun"')
    (home / "shared" / "week.toml").write_text(sheet)


def test_the_plan_as_text_and_data(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    this_week(home)
    assert main(["today"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Today, ") and "30 minutes" in out and "Étude in E minor, bars 5–8" in out
    assert "companion play shared/passages/etude-e-minor.musicxml --bars 5-8" in out
    assert "stop at pain" in out and "In turns; a break before 25 minutes" in " ".join(out.split())
    assert main(["today", "--json", "--minutes", "45", "--blocked"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["minutes"] == 45 and not data["interleaved"]
    assert sum(e["minutes"] for e in data["entries"] if e["kind"] != "break") == pytest.approx(45)
    titles = [e["title"] for e in data["entries"] if e["kind"] != "break" and not e["again"]]
    assert len(titles) == len(set(titles))
    # What was chosen is kept.
    assert main(["today", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["minutes"] == 45 and not data["interleaved"]
    assert main(["today", "--in-turns", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["interleaved"]


def test_the_next_thing_is_put_on_the_stand(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    this_week(home)
    started: list[list[str]] = []

    def play(args: argparse.Namespace) -> int:
        started.append([str(args.file), str(args.bars)])
        return 0

    monkeypatch.setattr("companion.cli.play.run", play)
    assert main(["today", "--start"]) == 0
    assert len(started) == 1 and "passages" in started[0][0]


def test_without_a_sheet_it_says_how_to_begin_one(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (home / "shared" / "week.toml").unlink()
    assert main(["today"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Nothing is set for today." in out and "companion week set PASSAGE --tempo 96" in out
    assert main(["today", "--start"]) == 1
    assert "there is nothing to start" in capsys.readouterr().err


def test_without_a_word_the_program_opens_with_the_day_and_without_a_screen_as_text(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    this_week(home)
    opened: list[str] = []

    class Page:
        size = (1280, 720)

        def __init__(self, sitting: DayPlan, *_: object, said: str, **__: object) -> None:
            opened.append(sitting.heading + said)

        def loop(self) -> tuple[str, ...] | None:
            return None if len(opened) > 1 else ("play", "nothing-there.musicxml")

    monkeypatch.setattr("companion.window.today_app.TodayApp", Page)
    assert main([]) == 0
    # What was started comes back to the page, and what went wrong in it is said.
    assert len(opened) == 2 and opened[0].startswith("Today, ")
    assert opened[1].endswith("it could not be started: the terminal says why")
    assert "there is no such file" in capsys.readouterr().err

    def no_screen(*_: object, **__: object) -> None:
        raise NoScreen("no window can be opened")

    monkeypatch.setattr("companion.window.today_app.TodayApp", no_screen)
    assert main([]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Today, ") and "this is it as text" in out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--minutes", "1"], "give 5 to 180 minutes"),
        (["--minutes", "x"], "is not a number"),
        (["--hidden"], "leaves nothing to see"),
        (["--blocked", "--in-turns"], "not allowed with"),
        (["--sheet", "nowhere.toml"], "nowhere.toml"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(words: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["today", *words]) == 1
    error = capsys.readouterr().err
    assert says in error and len(error.splitlines()) == 1
