"""`companion week` as it is called."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from companion import charts, paths, scores
from companion.cli import main
from companion.cli.week_page import WeekDesk
from companion.exercises import REGISTRY
from companion.planning import change_seconds, plan
from companion.practice import PLAYED, judge
from companion.practice.clock import note_onsets_s
from companion.practice.ladder import Ladder
from companion.practice.model import RawEvent
from companion.record import Sitting, TakeRecord, take_record
from companion.record.week import load
from companion.units import ns_from_s
from companion.window.run import Run
from companion.window.setup import Setup
from companion.window.stepped_clock import SteppedClock
from companion.window.week_words import fields_of

CHECKOUT = Path(__file__).parents[2]
ETUDE = CHECKOUT / "shared" / "passages" / "etude-e-minor.musicxml"
NOTE = "<note><pitch><step>G</step><octave>4</octave></pitch><duration>4</duration></note>"
BAR = "<measure number='{n}'>{first}" + NOTE + "</measure>"
ATTRIBUTES = "<attributes><divisions>1</divisions><time><beats>4</beats><beat-type>4</beat-type></time></attributes>"


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("SHARED", "SESSIONS", "CACHE", "SETTINGS"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / name.lower()))
    monkeypatch.chdir(tmp_path)
    bars = "".join(BAR.format(n=n, first=ATTRIBUTES if n == 1 else "") for n in range(1, 9))
    score = tmp_path / "shared" / "passages" / "eight-bars.musicxml"
    score.parent.mkdir(parents=True)
    score.write_text(
        "<score-partwise version='4.0'>"
        "<part-list><score-part id='P1'><part-name>Sax</part-name></score-part></part-list>"
        f"<part id='P1'>{bars}</part></score-partwise>"
    )
    return tmp_path


def monday() -> date:
    return date.today() - timedelta(days=date.today().weekday())


def play(home: Path, *tempos_bpm: float, minutes: float = 1.0, **more: object) -> None:
    start = datetime.combine(monday(), datetime.min.time(), UTC) + timedelta(hours=12)
    sitting = Sitting.begin(home / "sessions", start)
    for i, tempo_bpm in enumerate(tempos_bpm):
        sitting.append(
            TakeRecord(
                "Eight bars", tempo_bpm, since_run_ns=round(i * minutes * 60e9), duration_ns=round(minutes * 60e9),
                origin="eight-bars.musicxml", bars="5-8", clean=True, **more,  # type: ignore[arg-type]
            )
        )  # fmt: skip


def test_set_then_show(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    score = "shared/passages/eight-bars.musicxml"
    assert main(["week", "set", score, "--bars", "5-8", "--tempo", "96", "--by", "Fri", "--comment", "in twos"]) == 0
    assert "target 96 quarters a minute by Fri" in capsys.readouterr().out
    play(home, 72, 96, 100)
    assert main(["week"]) == 0
    out = capsys.readouterr().out
    row = next(line for line in out.splitlines() if "eight-bars" in line)
    assert row.split()[:6] == ["1", "eight-bars", "5–8", "96", "Fri", "100×2"]
    assert row.endswith("2 of 3")
    assert "in twos" in out
    assert "Long practice" not in out


def test_a_step_in_per_cent_is_set_and_takes_the_place_of_one_in_bpm(home: Path) -> None:
    setting = ["week", "set", "shared/passages/eight-bars.musicxml", "--tempo", "96"]
    assert main([*setting, "--step", "4"]) == 0
    assert main([*setting, "--step-percent", "5"]) == 0
    item = load(home / "shared" / "week.toml").items[0]
    assert (item.step_bpm, item.step_percent) == (None, 5)


def test_a_demand_on_articulation_is_set_and_stays(home: Path) -> None:
    setting = ["week", "set", "shared/passages/eight-bars.musicxml", "--tempo"]
    assert main([*setting, "96", "--articulation", "0.9"]) == 0
    assert main([*setting, "100"]) == 0
    item = load(home / "shared" / "week.toml").items[0]
    assert (item.target_bpm, item.articulation_share) == (100, 0.9)


def test_the_student_sees_the_command(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["week", "set", "shared/passages/eight-bars.musicxml", "--bars", "5-8", "--tempo", "96"])
    assert main(["week", "--student"]) == 0
    assert "companion play shared/passages/eight-bars.musicxml --bars 5-8" in capsys.readouterr().out


def test_the_student_reads_the_titles_of_the_music(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copy(ETUDE, home / "shared" / "passages")
    setting = ["week", "set", "shared/passages/etude-e-minor.musicxml", "--tempo", "60"]
    assert main([*setting, "--bars", "5-8", "--by", "Fri"]) == 0
    assert main([*setting, "--exercise", "links"]) == 0
    capsys.readouterr()
    (home / "sessions").mkdir()
    assert main(["week", "--student"]) == 0
    out = capsys.readouterr().out
    assert "1  Étude in E minor, bars 5–8: no clean take yet, target 60 by Fri; 0 of 3 clean takes" in out
    assert "2  Links of Étude in E minor, the whole passage: " in out
    # One that isn't there goes by its file.
    (home / "shared" / "passages" / "etude-e-minor.musicxml").unlink()
    assert main(["week", "--student"]) == 0
    assert "1  etude-e-minor, bars 5–8: " in capsys.readouterr().out


@pytest.mark.parametrize(
    ("sheet", "log"),
    [
        ("lessons/Ada/week.toml", "lessons/Ada/sessions"),
        ("lessons/Ada/shared/week.toml", "lessons/Ada/sessions"),
        ("lessons/Ada/week.toml", "lessons/Ada"),
    ],
)
def test_a_students_sheet_is_shown_with_the_takes_beside_it(
    home: Path, sheet: str, log: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A teacher with the folders of many students reads each one's, and never their own log as if it were."""
    passages = Path(sheet).parent / "passages"
    shutil.copytree(home / "shared" / "passages", passages)
    setting = ["week", "set", str(passages / "eight-bars.musicxml"), "--bars", "5-8", "--tempo", "80", "--sheet", sheet]
    assert main(setting) == 0
    play(home, 100)
    shutil.move(home / "sessions", home / "away")
    play(home, 72)
    Path(log).mkdir(parents=True, exist_ok=True)
    for path in (home / "away").iterdir():
        shutil.move(path, log)
    capsys.readouterr()
    note = f"note: the takes are those in {log}, beside the sheet; --sessions names another log"
    assert main(["week", "--sheet", sheet]) == 0
    out = capsys.readouterr().out
    assert "100×1" in out and note in out
    assert main(["week", "--sheet", sheet, "--sessions", "sessions"]) == 0
    out = capsys.readouterr().out
    assert "100×1" not in out and " 72 " in out and "beside the sheet" not in out
    assert main(["progress", str(passages / "eight-bars.musicxml"), "--sheet", sheet]) == 0
    out = capsys.readouterr().out
    assert "best clean tempo 100" in out and note in out
    assert main(["progress", "--lesson", "ada.pdf", "--sheet", sheet]) == 0
    assert note in capsys.readouterr().out
    assert main(["week", "--window", "--sheet", sheet, "--hidden", "--shots", "shots"]) == 0
    assert note in capsys.readouterr().out


def test_ones_own_sheet_is_shown_with_ones_own_takes(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["week", "set", "shared/passages/eight-bars.musicxml", "--bars", "5-8", "--tempo", "80"])
    play(home, 72)
    for sheet in ("shared/week.toml", str(home / "shared" / "week.toml")):
        assert main(["week", "--sheet", sheet]) == 0
        out = capsys.readouterr().out
        assert " 72 " in out and "note:" not in out
    # A link in another's folder leads nowhere.
    other = home / "lessons" / "Eve"
    shutil.copytree(home / "shared", other)
    (home / "sessions").rename(home / "secret")
    (other / "sessions").symlink_to(home / "secret")
    assert main(["week", "--sheet", str(other / "week.toml")]) == 0
    assert " 72 " not in capsys.readouterr().out


class ASunday(date):
    """The evening of 29 November 2026."""

    @classmethod
    def today(cls) -> date:
        return date(2026, 11, 29)


def test_a_weekday_said_on_a_sunday_is_that_of_the_coming_week(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("companion.cli.week.date", ASunday)
    setting = ["week", "set", "shared/passages/eight-bars.musicxml", "--tempo", "80", "--by"]
    assert main([*setting, "Fri"]) == 0
    out = capsys.readouterr().out
    assert "The sheet is for the week of Monday 30 November 2026." in out and "note:" not in out
    sheet = load(home / "shared" / "week.toml")
    assert (sheet.week, sheet.items[0].by) == (date(2026, 11, 30), date(2026, 12, 4))
    # A date is what it is, and a sheet that is there stays in its week: what is over is said.
    (home / "shared" / "week.toml").unlink()
    assert main([*setting, "2026-11-27", "--week", "2026-11-23"]) == 0
    over = "note: Fri 27 Nov is over: give another day with --by, or move the sheet with --week 2026-11-30.\n"
    assert over in capsys.readouterr().out
    assert main([*setting, "Fri"]) == 0
    assert over in capsys.readouterr().out
    assert main([*setting, "Sun"]) == 0
    assert "note:" not in capsys.readouterr().out
    assert main([*setting, "Sun", "--week", "2026-11-16"]) == 0
    said = "note: the week of the sheet is over: add --week 2026-11-23 to move it to this one.\n"
    assert said in capsys.readouterr().out


def test_long_practice_gets_a_line_of_care(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["week", "set", "shared/passages/eight-bars.musicxml", "--tempo", "96"])
    play(home, *[72] * 10, minutes=3)
    assert main(["week"]) == 0
    assert "stop at pain" in capsys.readouterr().out


def test_the_simulated_player_needs_no_rest_and_is_named(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["week", "set", "shared/passages/eight-bars.musicxml", "--bars", "5-8", "--tempo", "96"])
    play(home, *[72] * 10, minutes=3, port="sim:student:1")
    assert main(["week"]) == 0
    out = capsys.readouterr().out
    assert "stop at pain" not in out
    assert "Played by the simulated player, not by you." in out


def test_a_passage_from_elsewhere_is_copied_beside_the_sheet(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = home / "mine.musicxml"
    other.write_bytes((home / "shared" / "passages" / "eight-bars.musicxml").read_bytes())
    assert main(["week", "set", str(other), "--tempo", "80", "--sheet", str(home / "lesson" / "week.toml")]) == 0
    assert (home / "lesson" / "passages" / "mine.musicxml").read_bytes() == other.read_bytes()
    assert load(home / "lesson" / "week.toml").items[0].passage == "passages/mine.musicxml"
    assert main(["week", "--sheet", str(home / "lesson" / "week.toml")]) == 0
    assert "mine" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["set", "none.musicxml", "--tempo", "96"], "no such file"),
        (["set", "shared/passages/eight-bars.musicxml", "--tempo", "96", "--bars", "7-12"], "no bar '12'"),
        (["set", "shared/passages/eight-bars.musicxml", "--tempo", "0"], "--tempo: 0 is out of range: give 10 to 400"),
        (["set", "shared/passages/eight-bars.musicxml", "--tempo", "nan"], "--tempo: nan is out of range"),
        (
            ["set", "shared/passages/eight-bars.musicxml", "--tempo", "96", "--by", "soon"],
            "--by 'soon' should be a weekday",
        ),
        (["set", "shared/passages/eight-bars.musicxml", "--tempo", "96", "--week", "x"], "--week 'x' is no date"),
        (["--sheet", "none.toml"], "there is no such week sheet"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(
    home: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    assert main(["week", *arguments]) == 1
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
    assert not (home / "shared" / "week.toml").exists()


def test_a_passage_that_is_gone_and_a_week_that_is_over_are_said(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = home / "week.toml"
    sheet.write_text('format = 1\nweek = 2020-01-06\n[[item]]\npassage = "gone.mxl"\ntarget_bpm = 60\n')
    assert main(["week", "--sheet", str(sheet)]) == 0
    out = capsys.readouterr().out
    assert "gone.mxl is not there" in out
    assert "this week is over" in out


def test_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in (["week", "--help"], ["week", "set", "--help"]):
        with pytest.raises(SystemExit) as caught:
            main(arguments)
        assert caught.value.code == 0
        assert "companion week set" in capsys.readouterr().out


def test_nothing_is_copied_for_a_target_that_can_t_be_set(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = home / "mine.musicxml"
    other.write_bytes((home / "shared" / "passages" / "eight-bars.musicxml").read_bytes())
    assert main(["week", "set", str(other), "--tempo", "80", "--start", "90"]) == 1
    assert "start_bpm 90 is above target_bpm 80" in capsys.readouterr().err
    assert not (home / "shared" / "passages" / "mine.musicxml").exists()


def test_installed_without_a_checkout_the_sheet_is_the_users_own(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(paths, "_CHECKOUT", None)
    monkeypatch.setattr(paths, "_PACKAGE", home / "package")
    monkeypatch.setattr("platformdirs.user_data_path", lambda name: home / "data" / name)
    monkeypatch.delenv("COMPANION_SHARED")
    along = home / "package" / "data" / "shared" / "week.toml"
    along.parent.mkdir(parents=True)
    along.write_text('format = 1\nstudent = "Example"\nweek = 2026-11-23\n')
    shutil.copytree(CHECKOUT / "charts", home / "package" / "data" / "charts")
    assert paths.week_sheet() == along
    assert main(["week"]) == 0
    assert "Example" in capsys.readouterr().out
    assert main(["week", "set", "shared/passages/eight-bars.musicxml", "--tempo", "80"]) == 0
    own = home / "data" / "companion" / "shared" / "week.toml"
    assert paths.week_sheet() == own
    assert load(own).items[0].path.is_file(), "the passage came along"
    assert "Example" in along.read_text()


# -- what is to be practised, how and when -----------------------------------------------------------------------------


def test_all_that_a_teacher_sets_is_written_and_shown_to_both(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    score = "shared/passages/eight-bars.musicxml"
    setting = ["week", "set", score, "--bars", "5-8", "--tempo", "96", "--step-percent", "5"]
    more = ["--climb", "alternate", "--days", "wed, Monday", "--articulation", "0.9", "--fix", "6.1=standard"]
    assert main([*setting, *more, "--week", "2026-11-23"]) == 0
    said = (
        "On Mon and Wed. Climb: slow and target in turn, by 5 per cent. 90 % of the notes slurred or tongued as"
        " written. Fingerings: 6.1 standard."
    )
    assert said in capsys.readouterr().out
    (item,) = load(home / "shared" / "week.toml").items
    assert (item.climb, item.step_percent, item.fingerings) == ("alternate", 5, {"6.1": "standard"})
    assert [day.day for day in item.days] == [23, 25]
    assert main(["week"]) == 0
    assert said in " ".join(capsys.readouterr().out.split())
    assert main(["week", "--student"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert said in out
    assert "Slow and target in turn: what is made sure slowly is tried at tempo at once." in out
    # What is not given stays; what is let go is gone.
    assert main([*setting, "--days", "all", "--fix", "6.1="]) == 0
    (item,) = load(home / "shared" / "week.toml").items
    assert (item.climb, item.days, item.fingerings, item.articulation_share) == ("alternate", (), {}, 0.9)


def test_the_part_of_a_score_goes_with_the_item(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = (home / "shared" / "passages" / "eight-bars.musicxml").read_text()
    second = "<score-part id='P2'><part-name>Second</part-name></score-part></part-list>"
    bars = whole[whole.index("<part id='P1'>") : whole.index("</score-partwise>")].replace("P1", "P2")
    duet = home / "shared" / "passages" / "duet.musicxml"
    duet.write_text(
        whole.replace(">Sax<", ">First<")
        .replace("</part-list>", second)
        .replace("</score-partwise>", f"{bars}</score-partwise>")
    )
    setting = ["week", "set", "shared/passages/duet.musicxml", "--bars", "5-8", "--tempo", "96"]
    assert main(setting) == 1
    assert "part" in capsys.readouterr().err
    assert main([*setting, "--part", "2", "--week", monday().isoformat()]) == 0
    (item,) = load(home / "shared" / "week.toml").items
    assert item.part == "2" and "Part 2." in capsys.readouterr().out
    for command in (["week", "--student"], ["today"]):
        assert main(command) == 0
        out = capsys.readouterr().out
        assert "companion play shared/passages/duet.musicxml --part 2 --bars 5-8" in out and "note:" not in out
    desk = WeekDesk(home / "shared" / "week.toml", home / "sessions")
    desk.look()
    assert desk.about(item).command[:4] == ("play", "shared/passages/duet.musicxml", "--part", "2")
    desk.check_bars(item.path, "1-4", item.part)
    assert ("", "Part", "2", True) in fields_of(item, load(home / "shared" / "week.toml"))


def test_an_exercise_that_the_sheet_asks_for_climbs_at_the_stand_as_it_is_set(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However it is taken up: here as the list of the stand does it."""
    shutil.copy(ETUDE, home / "shared" / "passages")
    score = ["shared/passages/etude-e-minor.musicxml"]
    assert main(["week", "set", *score, "--tempo", "96", "--climb", "alternate"]) == 0
    links = ["--exercise", "links", "--bars", "5-8", "--tempo", "80", "--start", "50", "--step", "5"]
    assert main(["week", "set", *score, *links, "--climb", "overshoot", "--clean-takes", "2"]) == 0
    run = at_the_stand(monkeypatch, *score)
    try:
        first, last = run.repertoire.piece.passage.bar_range("5-8")
        run.repertoire.take_exercise("links", {}, (first, last))
        assert run.rehearsal.ladder == Ladder(50, 5, 80, 2, climb="overshoot")
        # What the sheet doesn't ask for goes as the piece goes.
        run.repertoire.take_exercise("scales", {})
        assert (run.rehearsal.ladder.climb, run.rehearsal.ladder.target_bpm) == ("alternate", 96)
    finally:
        run.close()


def at_the_stand(monkeypatch: pytest.MonkeyPatch, *words: str) -> Run:
    """The run that `companion play` would begin."""
    setups: list[Setup] = []

    def stand(setup: Setup, *_: object, **__: object) -> None:
        setups.append(setup)
        raise KeyboardInterrupt

    monkeypatch.setattr("companion.window.app.App", stand)
    assert main(["play", *words, "--hidden", "--takes", "1"]) == 130
    (setup,) = setups
    return Run(replace(setup, port="", by_itself=False), SteppedClock())


def test_an_exercise_that_the_sheet_asks_for_is_held_to_its_own_demands(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By name or from the list of the stand. One that the sheet says nothing of goes as the piece goes."""
    shutil.copy(ETUDE, home / "shared" / "passages")
    score = "shared/passages/etude-e-minor.musicxml"
    setting = ["week", "set", score, "--tempo"]
    assert main([*setting, "96", "--articulation", "0.6", "--climb", "alternate", "--by", "Fri"]) == 0
    links = ["--exercise", "links", "--bars", "5-8"]
    assert main([*setting, "80", *links, "--start", "50", "--step", "5", "--articulation", "0.9"]) == 0
    assert main([*setting, "70", "--exercise", "scales", "--set", "key=G"]) == 0
    for words in ([], links):
        run = at_the_stand(monkeypatch, score, *words)
        try:
            bars = run.repertoire.piece.passage.bar_range("5-8")
            if not words:
                run.repertoire.take_exercise("links", {}, bars)
            for share, target_bpm, key in ((0.9, 80, "G"), (0.0, 70, "D"), (0.6, 96, "A")):
                rehearsal = run.rehearsal
                assert (rehearsal.tolerances.articulation_share, rehearsal.ladder.target_bpm) == (share, target_bpm)
                run.repertoire.take_exercise("scales", {"key": key})
            run.repertoire.back_to_piece()
            assert run.rehearsal.tolerances.articulation_share == 0.6
            assert (run.rehearsal.ladder.climb, run.rehearsal.ladder.target_bpm) == ("alternate", 96)
            assert run.music.target_label == "Fri"
        finally:
            run.close()


def test_the_rung_to_begin_on_is_that_of_the_exercise(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copy(ETUDE, home / "shared" / "passages")
    score = "shared/passages/etude-e-minor.musicxml"
    links = ["--exercise", "links", "--bars", "5-8"]
    for tempo, *more in (["96", "--start", "60"], ["80", *links, "--start", "50", "--step", "5"]):
        assert main(["week", "set", score, "--tempo", tempo, *more]) == 0
    run = at_the_stand(monkeypatch, score, *links, "--tempo", "70", "--target", "90")
    try:
        assert (run.rehearsal.tempo_bpm, run.rehearsal.ladder.target_bpm) == (70, 90)
        run.repertoire.back_to_piece()
        assert (run.rehearsal.tempo_bpm, run.rehearsal.ladder.target_bpm) == (60, 96)
    finally:
        run.close()


def test_a_sheet_with_a_date_in_it_moves_on(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    score = ["week", "set", "shared/passages/eight-bars.musicxml", "--tempo", "96"]
    assert main([*score, "--by", "2026-11-27", "--week", "2026-11-23"]) == 0
    assert main([*score, "--by", "2026-12-20", "--bars", "1-4"]) == 0
    capsys.readouterr()
    assert main([*score, "--bars", "5-8", "--week", "2026-11-30"]) == 0
    out = capsys.readouterr().out
    assert "note: passages/eight-bars.musicxml: due on Fri 27 Nov, before that week: now Fri 4 Dec.\n" in out
    assert "The sheet is for the week of Monday 30 November 2026.\n" in out
    assert [item.by for item in load(home / "shared" / "week.toml").items] == [
        date(2026, 12, 4), date(2026, 12, 20), None,
    ]  # fmt: skip


def test_an_exercise_is_an_item_of_its_own_and_its_takes_count_for_it(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = home / "shared" / "passages"
    shutil.copy(ETUDE, folder)
    score = "shared/passages/etude-e-minor.musicxml"
    setting = ["week", "set", score, "--bars", "5-8", "--tempo"]
    assert main([*setting, "60", "--exercise", "links", "--set", "kind=pair", "--set", "change=2"]) == 0
    assert "links of bars 5–8: target 60" in capsys.readouterr().out
    assert main([*setting, "80"]) == 0
    first, second = load(home / "shared" / "week.toml").items
    assert (first.exercise, dict(first.exercise_options)) == ("links", {"kind": "pair", "change": 2})
    assert second.exercise == ""
    assert main(["week", "--student"]) == 0
    commands = [line for line in capsys.readouterr().out.splitlines() if "companion play" in line]
    assert commands[0].split()[2:] == [score, "--bars", "5-8", "--exercise", "links", "--set", "kind=pair", "--set",
                                       "change=2"]  # fmt: skip
    whole = scores.read(ETUDE)
    bars = whole.bar_range("5-8")
    music = whole.excerpt(*bars)
    kept = [note.index for note in whole.notes if bars[0] <= note.bar <= bars[1]]
    alto = charts.load("alto")
    made = REGISTRY["links"](music, plan(whole, alto).part(kept[0], len(kept)), alto, kind="pair", change=2)
    start = datetime.combine(monday(), datetime.min.time(), UTC) + timedelta(hours=12)
    sitting = Sitting.begin(home / "sessions", start)
    sitting.append(TakeRecord("Links", 60, sha256=made.sha256, clean=True, duration_ns=10**10))
    sitting.append(TakeRecord("Other links", 60, sha256="f" * 64, clean=True, duration_ns=10**10))
    assert main(["week"]) == 0
    rows = [line for line in capsys.readouterr().out.splitlines() if line[:3] in ("1  ", "2  ")]
    assert rows[0].startswith("1  etude-e-minor: links") and rows[0].endswith("1 of 3")
    assert rows[1].startswith("2  etude-e-minor ") and rows[1].endswith("0 of 3")


def test_what_the_student_plays_by_the_command_is_what_the_week_counts(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(ETUDE, home / "shared" / "passages")
    etude = "shared/passages/etude-e-minor.musicxml"
    # This one chooses bars of the whole by itself, another one is made of the bars alone.
    main(["week", "set", etude, "--bars", "5-8", "--tempo", "50", "--exercise", "rhythms", "--set", "kind=bursts"])
    assert main(["week", "--student"]) == 0
    command = next(line for line in capsys.readouterr().out.splitlines() if "companion play" in line).split()[1:]
    by_itself = ["--port", "sim:steady:2", "--hidden", "--takes", "1", "--tempo", "50", "--tolerance", "300"]
    assert main([*command, *by_itself]) == 0
    main(["week"])
    row = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("1  etude-e-minor: rhythms"))
    assert row.endswith("1 of 3")


def test_a_target_is_taken_out(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    score = "shared/passages/eight-bars.musicxml"
    for bars in ("1-4", "5-8"):
        main(["week", "set", score, "--bars", bars, "--tempo", "96"])
    assert main(["week", "drop", score, "--bars", "1-4"]) == 0
    assert "Taken out of" in capsys.readouterr().out
    assert [item.bars for item in load(home / "shared" / "week.toml").items] == ["5-8"]
    assert main(["week", "drop", score]) == 1
    assert "holds nothing of the whole of passages/eight-bars.musicxml" in capsys.readouterr().err
    # The file itself may be gone by then.
    (home / score).unlink()
    assert main(["week", "drop", score, "--bars", "5-8"]) == 0
    assert load(home / "shared" / "week.toml").items == ()


def test_the_students_command_names_the_sheet_it_stands_in(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["week", "set", "shared/passages/eight-bars.musicxml", "--tempo", "96", "--sheet", "shared/other.toml"])
    assert main(["week", "--student", "--sheet", "shared/other.toml"]) == 0
    assert "companion play shared/passages/eight-bars.musicxml --sheet shared/other.toml" in capsys.readouterr().out


def play_with_slow_fingers(home: Path, takes: int, factor: float) -> None:
    """Takes of the etude at 60 by someone whose every change takes `factor` times the usual; the next note is in time
    again, where it can be."""
    passage, alto = scores.read(ETUDE), charts.load("alto")
    planned = plan(passage, alto)
    due_s = note_onsets_s(passage, 60).tolist()
    times_s = due_s[:1]
    for i, due in enumerate(due_s[1:], start=1):
        before, after = (planned.choices[j].fingering for j in (i - 1, i))
        times_s.append(max(due, times_s[-1] + factor * change_seconds(alto, before, after)))
    midis = [note.written_midi for note in passage.notes]
    ends_s = [*times_s[1:], times_s[-1] + 0.1]
    played = np.array([(t, end, m, 80) for t, end, m in zip(times_s, ends_s, midis, strict=True)], PLAYED)
    events = [RawEvent(ns_from_s(t), bytes((0x90, m, 80))) for t, m in zip(times_s, midis, strict=True)]
    start = datetime.combine(monday(), datetime.min.time(), UTC) + timedelta(hours=12)
    sitting = Sitting.begin(home / "sessions", start)
    for i in range(takes):
        sitting.append(
            take_record(
                passage, planned, alto, judge(passage, played, 60), events, take_ns=0, beat_0_ns=0,
                end_ns=events[-1].time_ns + 10**9, run_ns=-i * 10**11, port="controller",
            )
        )  # fmt: skip


def test_a_target_above_what_own_takes_allow_is_flagged_with_the_reason_and_one_in_reach(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(ETUDE, home / "shared" / "passages")
    setting = ["week", "set", "shared/passages/etude-e-minor.musicxml", "--bars", "1-4", "--tempo"]
    # Without takes of the player's own there is a guess, which the student isn't bothered with.
    assert main([*setting, "200"]) == 0
    assert "note: 200 may be too fast, at a guess: " in capsys.readouterr().out
    assert main(["week", "--student"]) == 0
    assert "too fast" not in capsys.readouterr().out
    play_with_slow_fingers(home, 6, 1.6)
    assert main([*setting, "200"]) == 0
    out = capsys.readouterr().out
    flag = next(line for line in out.splitlines() if line.startswith("note: "))
    assert flag.startswith("note: 200 is out of reach as yet: ") and "by your own takes; in reach is " in flag
    within = flag.rstrip(".").rpartition(" ")[2]
    for command in (["week"], ["week", "--student"]):
        assert main(command) == 0
        assert flag.removeprefix("note: ") in " ".join(capsys.readouterr().out.split())
    assert main([*setting, within]) == 0
    assert "out of reach" not in capsys.readouterr().out


def test_the_teacher_sees_the_chance_of_the_target_by_its_day(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    due = date.today() + timedelta(days=5)
    setting = [
        "week",
        "set",
        "shared/passages/eight-bars.musicxml",
        "--bars",
        "5-8",
        "--by",
        due.isoformat(),
        "--tempo",
    ]
    assert main([*setting, "96"]) == 0
    assert main(["week"]) == 0
    assert "of 100 students" not in capsys.readouterr().out, "nothing was played yet"
    for ago in range(9, 0, -1):
        sitting = Sitting.begin(home / "sessions", datetime.now(UTC) - timedelta(days=ago))
        for i, (tempo_bpm, clean) in enumerate([(66, True), (70, True), (74, False), (80 - ago, True), (88, False)]):
            sitting.append(
                TakeRecord(
                    "Eight bars", tempo_bpm, since_run_ns=i * 60 * 10**9, duration_ns=30 * 10**9, clean=clean,
                    origin="eight-bars.musicxml", bars="5-8", because="" if clean else "a wrong note in bar 5",
                )
            )  # fmt: skip
    main(["week"])
    far = " ".join(capsys.readouterr().out.split())
    assert "of 100 students with such takes would stand at 96 or above." in far
    main([*setting, "60", "--clean-takes", "50"])
    main(["week"])
    assert "more than 95 of 100 students with such takes would stand at 60 or above." in " ".join(
        capsys.readouterr().out.split()
    )
    main(["week", "--student"])
    assert "of 100 students" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--climb", "spiral"], "no climb is called 'spiral'; there are steady, alternate, overshoot, grow"),
        (["--days", "Mon,Frog"], "--days 'Frog': write weekdays such as --days Mon,Wed,Fri, or all"),
        (["--days", "2024-01-09"], "--days '2024-01-09': write weekdays"),
        (["--exercise", "nothing"], "no exercise 'nothing'; there are scales"),
        (["--set", "kind=pair"], "--set is for an exercise"),
        (["--exercise", "links", "--set", "x=3"], "links has no option 'x'; it has change"),
        (["--exercise", "links", "--set", "change=q"], "links: change is a whole number"),
        (["--exercise", "links", "--set", "change=99"], "nothing to link"),
        (["--fix", "6.1"], "--fix '6.1': write such as --fix 9.12=side"),
        (["--fix", "99.1=side"], "there is no such bar"),
        (["--fix", "6.1=bis"], "G4 has no 'bis' on the alto saxophone; it has standard"),
        (["--articulation", "4"], "--articulation: 4 is out of range: give 0 to 1 of the notes"),
        (["--start", "5"], "--start: 5 is out of range: give 10 to 400 quarters a minute"),
        (["--clean-takes", "101"], "--clean-takes: '101' is not a whole number from 1 to 100"),
    ],
)
def test_what_can_t_be_set_is_said_in_one_line_and_nothing_is_written(
    home: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    assert main(["week", "set", "shared/passages/eight-bars.musicxml", "--tempo", "96", *arguments]) == 1
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
    assert not (home / "shared" / "week.toml").exists()
