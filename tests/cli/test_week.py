"""`companion week` as it is called."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from companion import paths
from companion.cli import main
from companion.record import Sitting, TakeRecord
from companion.record.week import load

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
    assert "played by the simulated player, not by you" in out


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
        (["set", "shared/passages/eight-bars.musicxml", "--tempo", "0"], "target_bpm should be a number from 10"),
        (["set", "shared/passages/eight-bars.musicxml", "--tempo", "nan"], "target_bpm should be a number from 10"),
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
    assert main(["week", "set", str(other), "--tempo", "80", "--clean-takes", "0"]) == 1
    assert "clean_takes should be" in capsys.readouterr().err
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
    assert paths.week_sheet() == along
    assert main(["week"]) == 0
    assert "Example" in capsys.readouterr().out
    assert main(["week", "set", "shared/passages/eight-bars.musicxml", "--tempo", "80"]) == 0
    own = home / "data" / "companion" / "shared" / "week.toml"
    assert paths.week_sheet() == own
    assert load(own).items[0].path.is_file(), "the passage came along"
    assert "Example" in along.read_text()
