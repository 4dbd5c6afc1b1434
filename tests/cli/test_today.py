"""`companion today`: what is open, why, and in which order."""

from __future__ import annotations

import argparse
import json
import shlex
import shutil
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import pytest

from companion import charts
from companion.cli import main
from companion.cli.day import look_at_day
from companion.cli.play import _week
from companion.planning import all_marks, plan
from companion.practice.day_plan import Day, DayPlan
from companion.practice.model import ON_TIME, WRONG_NOTE
from companion.practice.today import BREAK, COLD, ITEM, SHAPES, TROUBLE, Entry, Task, plan_sitting
from companion.record import NoteRecord, Sitting, TakeRecord
from companion.record.week import load
from companion.record.week_edit import set_target
from companion.scores import read
from companion.window.display import NoScreen
from companion.window.music import Made, exercise_of
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
        "Étude in E minor, bars 5–8", "Étude in E minor", "Scales of First Steps",
    ]  # fmt: skip
    assert items[0].why == "Target 84 by Fri, not played yet." and items[1].why == "Target 96 by Wed, not played yet."
    assert items[1].need > items[0].need, "what is due today comes first"
    assert items[2].command == (
        "play", "shared/passages/first-steps.musicxml", "--exercise", "scales", "--set", "kind=thirds",
    )  # fmt: skip
    assert day.later == ("Waltz in F: not today; next on Sat.",) and not day.done and not day.remarks


def test_where_the_player_stands_is_where_it_goes_on(home: Path) -> None:
    played(home, NOW - timedelta(days=1), 60, 72, clean=True, bars="5-8")
    (task, *_) = of_kind(day_at(home), ITEM)
    # Another day begins a little lower: of the rungs 50, 54, ... that nearest to 0.95 of 72.
    assert task.tempo_bpm == 70 and task.command[-2:] == ("--tempo", "70")
    assert task.why == "Target 84 by Fri, clean up to 72 so far."
    played(home, NOW - timedelta(minutes=30), 76, clean=False, bars="5-8")
    (task, *_) = of_kind(day_at(home), ITEM)
    assert task.tempo_bpm == 76


def test_a_performance_is_no_rung_to_go_on_from(home: Path) -> None:
    played(home, NOW - timedelta(days=1), 72, clean=True, bars="5-8")
    before = of_kind(day_at(home), ITEM)[0]
    played(home, NOW - timedelta(hours=5), 97.3, 88.1, clean=True, bars="5-8", performance=True)
    (task, *_) = of_kind(day_at(home), ITEM)
    assert (task.tempo_bpm, task.why) == (before.tempo_bpm, before.why)


def test_who_performed_only_has_not_practised(home: Path) -> None:
    played(home, NOW - timedelta(hours=5), 97.3, clean=True, bars="5-8", performance=True)
    (task, *_) = of_kind(day_at(home), ITEM)
    assert task.why == "Target 84 by Fri, played without the click only." and task.tempo_bpm is None


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
    # A cable that was out warms nobody up; once other bars of it were played, nothing is cold any more.
    played(home, NOW - timedelta(hours=1), 96, because="nothing was played")
    assert of_kind(day_at(home), COLD)
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
    # Each command gets what it knows of where sheet and log are.
    sitting = DayPlan(day, 30, True, (), options=("--sheet", "s.toml", "--sessions", "log"))
    assert sitting.command_of(Entry(4, shapes)) == ("shapes", "--sessions", "log")
    assert sitting.command_of(Entry(4, spot)) == (*spot.command, "--sheet", "s.toml", "--sessions", "log")
    # What is not set this week is left alone.
    sheet = home / "shared" / "week.toml"
    whole = sheet.read_text()
    sheet.write_text(whole.replace("target_bpm = 96", 'bars = "9-12"\ntarget_bpm = 96'))
    assert bar not in ("5", "6", "7", "8", "9", "10", "11", "12") and not of_kind(day_at(home), TROUBLE)
    sheet.write_text(whole)
    # Once its links were played for some minutes, the spot is done for today.
    made = exercise_of(passage, plan(passage, chart), chart, Made("links", (("into", 40),), (0, len(passage.bars) - 1)))
    played(home, NOW - timedelta(minutes=5), 60, 64, 68, 72, 76, sha256=made.sha256, origin="")
    after = day_at(home)
    assert after.done == (f"{spot.title}: practised today.",) and not of_kind(after, TROUBLE)


def test_takes_by_the_simulated_player_are_nobodys(home: Path) -> None:
    played(home, NOW - timedelta(days=1), 96, 96, 96, clean=True, port="sim:steady:1")
    day = day_at(home)
    assert of_kind(day, ITEM)[1].why == "Target 96 by Wed, not played yet." and day.played_min == 0
    assert day.remarks == ()
    # Who has just watched it is told why nothing of that is in the day.
    played(home, NOW - timedelta(minutes=5), 60, 64, clean=True, port="sim:steady:1", bars="5-8")
    day = day_at(home)
    assert day.remarks == ("2 takes by the simulated player left out",) and day.played_min == 0


def test_how_long_one_has_been_at_it(home: Path) -> None:
    played(home, NOW - timedelta(minutes=20), *[80.0] * 19)
    day = day_at(home)
    assert day.played_min == pytest.approx(19 * 50 / 60) and day.since_break_min == pytest.approx(20, abs=0.1)
    played(home, NOW - timedelta(minutes=90), 80)
    assert day_at(home).since_break_min == pytest.approx(20, abs=0.1)


def test_a_passage_that_is_gone_is_said_and_the_rest_goes_on(home: Path) -> None:
    (home / "shared" / "passages" / "first-steps.musicxml").unlink()
    day = day_at(home)
    assert "first-steps: can't be put on the stand, see below." in " ".join(day.later)
    assert any("is not there" in remark for remark in day.remarks) and len(of_kind(day, ITEM)) == 2
    (home / "shared" / "passages" / "etude-e-minor.musicxml").unlink()
    remarks = day_at(home).remarks
    assert len(remarks) == 2 == len(set(remarks)), "two items of one file have one fault"


@pytest.mark.parametrize(
    ("keys", "day", "why"),
    [
        # Its only day is over and nobody set when it is due: it was set for that day, not for the week's end.
        ('days = ["Mon"]', "2026-11-24", "It was set for Mon: target 120, not played yet."),
        # Its days are over, but it is due later: it stays open until then.
        ('days = ["Mon"]\nby = "Fri"', "2026-11-24", "Target 120 by Fri, not played yet."),
        # The sheet's week is over, the day it is due is not.
        ("by = 2026-12-04", "2026-12-01", "Target 120 by Fri, not played yet."),
        ("by = 2026-12-12", "2026-11-25", "Target 120 by Sat 12 Dec, not played yet."),
        ('by = "Mon"', "2026-12-07", "It was due on Mon 23 Nov: target 120, not played yet."),
        ("", "2026-12-01", "It was set for Sun: target 120, not played yet."),
    ],
)
def test_when_it_is_due(home: Path, keys: str, day: str, why: str) -> None:
    one = f'format = 1\nweek = {MONDAY}\n[[item]]\npassage = "passages/waltz-in-f.musicxml"\ntarget_bpm = 120\n{keys}\n'
    (home / "shared" / "week.toml").write_text(one)
    (task,) = of_kind(day_at(home, datetime.fromisoformat(f"{day}T17:00+00:00")), ITEM)
    assert task.why == why


def test_what_is_reached_and_was_played_today_is_done(home: Path) -> None:
    played(home, NOW - timedelta(hours=3), 96, 96, 96, clean=True)
    day = day_at(home)
    assert day.done == ("Étude in E minor: reached, and played today; 3 clean at 96.",)
    assert [task.title for task in of_kind(day, ITEM)] == ["Étude in E minor, bars 5–8", "Scales of First Steps"]


def test_what_had_its_turn_just_now_is_followed_by_the_next(home: Path) -> None:
    played(home, NOW - timedelta(minutes=5), 60, 64, 68, 72, 76)
    day = day_at(home)
    whole = of_kind(day, ITEM)[1]
    assert (whole.turns, whole.played_min) == (1, pytest.approx(5))
    assert whole.why == "Target 96 by Wed, not clean at any tempo yet."
    assert DayPlan(day, 30, True, ()).had == "Had a turn: Étude in E minor, 5 minutes."
    entries = plan_sitting(day.tasks, 30, spent_min=day.sitting_min)
    assert [entry.task.title for entry in entries if entry.task][:3] == [
        "Étude in E minor, bars 5–8", "Scales of First Steps", "Étude in E minor",
    ]  # fmt: skip
    assert sum(entry.minutes for entry in entries if entry.task) == pytest.approx(25)
    # What was played this morning was another sitting: it needs less, but nothing is taken off.
    later = day_at(home, NOW + timedelta(hours=1))
    assert later.sitting_min == 0 and of_kind(later, ITEM)[1].turns == 0
    assert of_kind(later, ITEM)[1].need < whole.need


def test_a_sitting_goes_on_past_midnight_in_whatever_zone(home: Path) -> None:
    midnight = datetime(2026, 11, 26, 0, 10, tzinfo=timezone(timedelta(hours=9)))
    played(home, midnight - timedelta(minutes=20), *[80.0] * 19)
    day = day_at(home, midnight)
    assert day.date == date(2026, 11, 26)
    assert day.sitting_min == pytest.approx(20) and day.since_break_min == pytest.approx(20)
    assert plan_sitting(day.tasks, 60, played_min=day.since_break_min, spent_min=day.sitting_min)[1].kind == BREAK
    moved = day_at(home, midnight.astimezone(timezone(timedelta(hours=-8))))
    assert moved.since_break_min == pytest.approx(20)
    # The clock was set back: what it says is yet to come counts for nothing, and nothing below it.
    back = day_at(home, midnight - timedelta(hours=2))
    assert back.sitting_min == back.since_break_min == 0


def test_a_file_whose_name_begins_as_an_option_does_is_typed_with_its_folder(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copy(PASSAGES / "first-steps.musicxml", home / "shared" / "-dash.musicxml")
    sheet = home / "shared" / "week.toml"
    sheet.write_text(sheet.read_text() + '[[item]]\npassage = "-dash.musicxml"\ntarget_bpm = 90\n')
    monkeypatch.chdir(home / "shared")
    assert of_kind(day_at(home), ITEM)[-1].command[1] == "./-dash.musicxml"


# -- the command -----------------------------------------------------------------------------------------------------


def this_week(home: Path) -> None:
    today = date.today()
    sheet = SHEET.format(week=today - timedelta(days=today.weekday())).replace('by = "Fri"', 'by = "Sun"')
    (home / "shared" / "week.toml").write_text(sheet)


def show_page(
    monkeypatch: pytest.MonkeyPatch,
    look: Callable[[DayPlan, str], object],
    choose: Callable[[], tuple[str, ...] | None],
) -> None:
    """In place of the page somebody who is told the plan and what is said, and chooses."""

    class Page:
        size = (1280, 720)

        def __init__(self, sitting: DayPlan, *_: object, said: str, **__: object) -> None:
            look(sitting, said)

        def loop(self) -> tuple[str, ...] | None:
            return choose()

    monkeypatch.setattr("companion.window.today_app.TodayApp", Page)


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


@pytest.mark.parametrize("sheet", [None, f"format = 1\nweek = {MONDAY}\n"])
def test_where_nothing_is_set_it_goes_on_with_what_was_played_lately(home: Path, sheet: str | None) -> None:
    path = home / "shared" / "week.toml"
    path.unlink()
    if sheet is not None:
        path.write_text(sheet)
    played(home, NOW - timedelta(days=1), 60, 72, clean=True, bars="5-8", target_bpm=84.0)
    played(home, NOW - timedelta(days=2), 100, clean=False, name="waltz-in-f", target_bpm=120.0, part="Saxophone")
    played(home, NOW - timedelta(days=30), 60, name="first-steps", target_bpm=80.0)
    played(home, NOW - timedelta(days=3), 60, name="first-steps", origin="gone.musicxml", target_bpm=80.0)
    day = look_at_day(load(path) if sheet is not None else None, home / "sessions", NOW)
    items = of_kind(day, ITEM)
    assert [task.title for task in items] == ["Étude in E minor, bars 5–8", "Waltz in F"]
    assert items[0].why == "Target 84, as you had it last, clean up to 72 so far."
    assert items[1].command == ("play", "shared/passages/waltz-in-f.musicxml", "--tempo", "96", "--target", "120")
    words = [*items[0].command, "--port", "sim:steady:1", "--hidden", "--takes", "1", "--json", "out.json"]
    assert main(words) == 0
    (take,) = json.loads(Path("out.json").read_text())["takes"]
    # The stand begins where the day says.
    assert take["tempo_bpm"] == items[0].tempo_bpm == 70 and take["target_bpm"] == 84


def test_without_a_sheet_it_says_how_to_begin_one(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (home / "shared" / "week.toml").unlink()
    assert main(["today"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Nothing is set for today, and nothing was played lately." in out and "companion demo" in out
    assert out.count("companion week set PASSAGE --tempo 96") == 1
    assert main(["today", "--start"]) == 1
    assert "there is nothing to start" in capsys.readouterr().err


def test_without_a_word_the_program_opens_with_the_day_and_without_a_screen_as_text(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    this_week(home)
    opened: list[str] = []

    def choose() -> tuple[str, ...] | None:
        return None if len(opened) > 1 else ("play", "nothing-there.musicxml")

    show_page(monkeypatch, lambda sitting, said: opened.append(sitting.heading + said), choose)
    assert main([]) == 0
    # What was started comes back to the page, and what went wrong in it is said.
    assert len(opened) == 2 and opened[0].startswith("Today, ")
    assert opened[1].split("something went wrong: ")[1].startswith("nothing-there.musicxml: there is no such file")
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


def test_a_word_of_the_teachers_stands_below(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    this_week(home)
    sheet = home / "shared" / "week.toml"
    sheet.write_text(sheet.read_text() + f'comment = "Sing it first. {"And again. " * 100}"\n')
    assert main(["today"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "“Sing it first. And again." in out and "…”" in out and len(out) < 2500


COMPANION = "companion "


def test_each_line_that_is_printed_puts_its_item_on_the_stand_as_it_is(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a POSIX shell takes the words apart (`shlex`, the standard library)."""
    folder = home / 'the sheets\' "folder"'
    (home / "shared").rename(folder)
    for name in ('L\'étude "à deux" (v 2) $HOME;.musicxml', "-dash.musicxml"):
        shutil.copy(PASSAGES / "etude-e-minor.musicxml", folder / "passages" / name)
    wanted = [
        ('L\'étude "à deux" (v 2) $HOME;.musicxml', {"bars": "5-8", "fingerings": {"3.4": "side"}}),
        ("-dash.musicxml", {}),
        ("-dash.musicxml", {"bars": "3-4", "exercise": "links"}),
        ("-dash.musicxml", {"bars": "3-4", "exercise": "links", "exercise_options": {"kind": "pair"}}),
    ]
    today = date.today()
    for number, (name, more) in enumerate(wanted):
        set_target(folder / "week.toml", f"passages/{name}", target_bpm=80 + number, week=today, **{"bars": "", **more})
    seen: list[tuple[float, str]] = []

    def play(args: argparse.Namespace, file: Path, **_: object) -> int:
        item = _week(args, file).item
        assert item is not None and args.sessions.absolute() == home / "log"
        seen.append((item.target_bpm, item.exercise))
        return 0

    monkeypatch.setattr("companion.cli.play.play", play)
    monkeypatch.setenv("COLUMNS", "60")
    words = ["--sheet", str(folder / "week.toml"), "--sessions", str(home / "log"), "--minutes", "60"]
    assert main(["today", *words]) == 0
    printed = [line.strip() for line in capsys.readouterr().out.splitlines() if line.strip().startswith(COMPANION)]
    for line in printed:
        assert main(shlex.split(line)[1:]) == 0, line
    assert {(80 + number, str(more.get("exercise", ""))) for number, (_, more) in enumerate(wanted)} <= set(seen)


def test_where_nothing_is_open_it_is_said_why(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def told(sheet: str) -> str:
        (home / "shared" / "week.toml").write_text(sheet)
        assert main(["today"]) == 0
        return " ".join(capsys.readouterr().out.split())

    monday = date.today() - timedelta(days=date.today().weekday())
    item = '[[item]]\npassage = "passages/{}"\ntarget_bpm = 96\n'
    there, gone = item.format("first-steps.musicxml"), item.format("gone.musicxml")
    out = told(f"format = 1\nweek = {monday}\n{gone}")
    assert "Nothing of the sheet is open today" in out and "is not there" in out and "enough" not in out
    out = told(f"format = 1\nweek = {monday + timedelta(days=7)}\n{there}")
    assert "Nothing of the sheet is open today" in out and "not today; next on Mon" in out
    assert f"the sheet is for the week of Monday {(monday + timedelta(days=7)).day}" in out
    out = told(f"format = 2\nweek = {monday}\n{there}")
    assert "the week sheet is not followed" in out and "format" in out


def test_settings_that_cant_be_kept_are_said_and_followed(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    this_week(home)
    (home / "settings").write_text("a file where the folder should be")
    assert main(["today", "--minutes", "45", "--blocked"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "45 minutes" in out and "Each in one go" in out and "can't be remembered" in out


def test_the_page_ends_with_what_was_started_where_that_was_asked_to_end(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    this_week(home)
    opened: list[str] = []

    show_page(monkeypatch, lambda _, said: opened.append(said), lambda: ("play", "etude.musicxml"))
    monkeypatch.setattr("companion.cli.play.run", lambda args: 143)
    assert main(["today", "--window"]) == 143 and opened == [""]


def test_a_sheet_that_is_torn_when_the_page_comes_back_is_said(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    this_week(home)
    sheet, opened = home / "shared" / "week.toml", list[str]()

    def look(sitting: DayPlan, said: str) -> None:
        opened.append(f"{sitting.next.task.title if sitting.next and sitting.next.task else ''}: {said}")

    def choose() -> tuple[str, ...] | None:
        sheet.write_text("format = 1\nweek = ")
        return ("play", "etude.musicxml") if len(opened) < 2 else None

    show_page(monkeypatch, look, choose)
    monkeypatch.setattr("companion.cli.play.run", lambda args: 0)
    assert main(["today", "--window", "--sheet", str(sheet)]) == 0
    assert opened[1].startswith(opened[0]) and "week.toml" in opened[1]
