"""`companion record` as it is called."""

from __future__ import annotations

import io
from pathlib import Path

import mido
import pytest
from record_logs import answer, example_log, play

from companion.cli import main
from companion.ports import keys_file, memory
from companion.ports.memory import TodayHabits, recall, recall_today, remember, remember_today
from companion.ports.performer import perform
from companion.record import read_log
from companion.record.own_settings import NAMES
from companion.scores import read

ETUDE = Path(__file__).resolve().parents[2] / "shared/passages/etude-e-minor.musicxml"


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("SHARED", "SESSIONS", "CACHE", "SETTINGS"):
        monkeypatch.setenv(f"COMPANION_{name}", str(tmp_path / name.lower()))
    monkeypatch.chdir(tmp_path)
    play(tmp_path / "sessions", 20, 60, 64)
    answer(tmp_path / "sessions", "alto", 20)
    return tmp_path / "sessions"


def test_out_and_in_on_another_computer(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["record", "export", "stick"]) == 0
    assert capsys.readouterr().out == (
        "stick: 2 takes and 1 answer about shapes in 2 files.\n"
        f"Not in it: the week sheet (in {log.parent / 'shared'}) and scores with their mark sheets.\n"
    )
    assert main(["record", "import", "stick", "--sessions", "there"]) == 0
    assert capsys.readouterr().out == "there: 2 new takes and 1 new answer taken in.\n"
    assert main(["record", "import", "stick", "--sessions", "there"]) == 0
    assert capsys.readouterr().out == "there: 0 new takes taken in; 3 were there already.\n"
    assert read_log(Path("there")) == read_log(log)


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("notes.txt", b"hello", "this is no practice log; left"),
        ("tune.mid", b"junk", "no MIDI file that can be read"),
        ("empty", None, "holds no .jsonl, no MIDI file and no takes.csv"),
    ],
)
def test_nothing_taken_in_is_no_success(
    log: Path, name: str, content: bytes | None, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    source = Path(name)
    source.mkdir() if content is None else source.write_bytes(content)
    assert main(["record", "import", name]) == 1
    out, error = capsys.readouterr()
    assert out == "" and error.count("\n") == 1
    assert error.startswith("companion: nothing was taken in: ") and said in error


@pytest.mark.parametrize(
    ("words", "count", "out"),
    [
        (["--format", "csv"], 3, "what the controller sent, answers about shapes, settings, the week sheet (in "),
        (["--format", "midi"], 2, "answers about shapes, settings, the week sheet (in "),
        (["--since", "2026-11-01", "--horn", "alto"], 2, "what was not asked for, settings, the week sheet (in "),
        (["--format", "midi", "--sessions", "sessions"], 2, "answers about shapes, the week sheet (in "),
    ],
)
def test_what_an_export_has_not_is_said(
    log: Path, words: list[str], count: int, out: str, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("settings").mkdir()
    Path("settings/settings.toml").write_text("[today]\nminutes = 45.0\n")
    assert main(["record", "export", "out", *words]) == 0
    first, second = capsys.readouterr().out.splitlines()
    assert first.startswith("out: 2 takes") and f" in {count} files." in first
    assert second.startswith(f"Not in it: {out}")
    assert len([path for path in Path("out").rglob("*") if path.is_file()]) == count


def test_settings_go_along_to_a_computer_that_has_none(
    log: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    remember("Wind", shift_semitones=9)
    remember_today(TodayHabits(45.0, interleaved=False))
    Path("settings/keys.toml").write_text("format = 1\n")
    assert main(["record", "export", "stick"]) == 0
    assert "and the settings of this computer in 4 files" in capsys.readouterr().out
    # As a log it is what it was, and settings are none of it.
    assert read_log(Path("stick")) == read_log(log)
    monkeypatch.setenv("COMPANION_SETTINGS", "new/settings")
    # Another student's takes, on a teacher's computer.
    assert main(["record", "import", "stick", "--sessions", "there"]) == 0
    assert "ettings" not in capsys.readouterr().out and not Path("new").exists()
    monkeypatch.setenv("COMPANION_SESSIONS", "new/sessions")
    assert main(["record", "import", "stick"]) == 0
    assert "Settings taken in: new/settings/settings.toml.\nSettings taken in: new/settings/keys.toml." in (
        capsys.readouterr().out
    )
    assert recall().settings_for("Wind").shift_semitones == 9
    assert recall_today() == TodayHabits(45.0, interleaved=False)
    # Once more there is nothing to say; what was changed here stays.
    assert main(["record", "import", "stick"]) == 0
    assert "ettings" not in capsys.readouterr().out.replace("new/sessions", "")
    remember("Wind", shift_semitones=0)
    assert main(["record", "import", "stick"]) == 0
    said = "note: stick/settings/settings.toml: left, since this computer has its own (new/settings/settings.toml)"
    assert said in " ".join(capsys.readouterr().out.split())
    assert recall().settings_for("Wind").shift_semitones == 0


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"[today", "not valid TOML; left"), (b"#" * 200_001, "too large for settings; left"), (None, "no file; left")],
)
def test_settings_that_are_none_are_left(
    log: Path, content: bytes | None, said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["record", "export", "stick"]) == 0
    monkeypatch.setenv("COMPANION_SETTINGS", "new")
    Path("stick/settings").mkdir()
    if content is None:
        Path("stick/settings/settings.toml").symlink_to(log)
    else:
        Path("stick/settings/settings.toml").write_bytes(content)
    assert main(["record", "import", "stick"]) == 0
    assert f"note: stick/settings/settings.toml: {said}" in capsys.readouterr().out
    assert not Path("new").exists()


def test_the_settings_are_the_files_that_the_program_keeps() -> None:
    assert set(NAMES) == {memory.FILE_NAME, keys_file.FILE_NAME}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["export", "out", "--since", "yesterday"], "yesterday is no date; write it as 2026-11-27"),
        (["export", "out", "--since", "2026-11-20", "--before", "2026-11-20"], "no day is both; swap the dates"),
        (["export", "out", "--horn", "baritone"], "there is no take on baritone to export, so out was not written"),
        (["export", "out", "--file", "other.musicxml"], "there is no take of other.musicxml to export"),
        (["export", "sessions"], "holds something already, which stays as it is; name a new folder"),
        (["import", "nowhere"], "nowhere: there is no such file or folder"),
        (
            ["import", "sessions", "--as", str(ETUDE), "--tempo", "60"],
            "sessions: is no file; with --as give MIDI files",
        ),
        (["export", "note.txt/out"], "note.txt/out was not written"),
        (["delete", "--student", "--sessions", "note.txt"], "note.txt: is no folder; name that of the practice log"),
        (["import"], "required: FILE|FOLDER"),
        (["delete", "--file", "", "--yes"], "--file .: is no score's name; give one such as etude.musicxml"),
        (["export", "out", "--file", "/"], "--file /: is no score's name"),
        (["delete"], "say what to delete: --file, --since, --before or --horn, or --student for all of it"),
        (["delete", "--student", "--horn", "alto"], "--student is all of it"),
        (["delete", "--horn", "alto", "--settings"], "--settings goes with --student"),
        ([], "required: ACTION"),
    ],
)
def test_what_makes_no_sense_gets_one_line(
    log: Path, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("note.txt").write_text("mine")
    before = sorted(Path().rglob("*"))
    assert main(["record", *words]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert said in err
    assert sorted(Path().rglob("*")) == before


def test_a_renamed_score_is_known_by_its_content(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    score = Path("another-name.musicxml")
    score.write_bytes(ETUDE.read_bytes())
    examples = example_log(Path("examples"))
    assert main(["record", "export", "out", "--file", str(score), "--sessions", str(examples)]) == 0
    assert "out: 12 takes" in capsys.readouterr().out


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def answered(monkeypatch: pytest.MonkeyPatch, said: str) -> None:
    monkeypatch.setattr("sys.stdin", Terminal(said))


def test_a_students_data_goes_on_request(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings, sheet = Path("settings"), Path("shared/week.toml")
    kept = [settings / name for name in ("settings.toml", "keys.toml.before", ".settings.toml.half_1", ".keys.toml.x")]
    for path in (*kept, sheet, sheet.with_name("week.toml~")):
        path.parent.mkdir(exist_ok=True)
        path.write_text("")
    assert main(["record", "delete", "--student", "--yes"]) == 0
    out = capsys.readouterr().out
    assert f"  2 takes, of 2026-11-20\n    Étude\n  1 answer about shapes\n  in {log.resolve()}: 2 whole files\n" in out
    assert (
        "settings: controllers, levels, keys and the usual sitting on this computer; --settings deletes them, too"
        in out
    )
    assert f"{sheet.resolve()}: a week sheet, which is the teacher's, too" in out
    assert "what a teacher's computer knows of it (companion studio keeps an index): call this there, too" in out
    assert f"{sheet.resolve()}~: what it was before; likewise" in out
    assert out.endswith("Deleted: 2 takes and 1 answer about shapes.\n")
    assert not any(log.iterdir())
    assert main(["record", "delete", "--student", "--settings", "--yes"]) == 0
    assert not any(settings.iterdir())
    assert sheet.exists()


@pytest.mark.parametrize("said", ["no\n", "\n", "", "y\n"])
def test_it_asks_first(
    log: Path, said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answered(monkeypatch, said)
    before = {path: path.read_bytes() for path in log.rglob("*.jsonl")}
    assert main(["record", "delete", "--student"]) == 0
    assert capsys.readouterr().out.endswith("Nothing was deleted.\n")
    assert {path: path.read_bytes() for path in log.rglob("*.jsonl")} == before
    answered(monkeypatch, "Yes\n")
    assert main(["record", "delete", "--student"]) == 0
    assert not any(log.iterdir())


def test_where_nobody_can_be_asked_nothing_is_deleted(
    log: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("yes\n"))
    assert main(["record", "delete", "--before", "2027-01-01"]) == 1
    out, err = capsys.readouterr()
    assert "This goes:\n  2 takes, of 2026-11-20" in out
    assert "nothing was deleted: there is nobody to ask here; add --yes" in err
    assert len(read_log(log).takes) == 2


def test_the_sheet_beside_another_students_log_is_named(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    play(Path("studio/Ada/sessions"), 20, 60)
    Path("studio/Ada/week.toml").write_text("format = 1")
    assert main(["record", "delete", "--student", "--yes", "--sessions", "studio/Ada/sessions"]) == 0
    assert f"{Path('studio/Ada/week.toml').resolve()}: a week sheet" in capsys.readouterr().out
    assert Path("studio/Ada/week.toml").exists() and len(read_log(log).takes) == 2


def test_what_is_of_no_passage_stays_with_one_that_goes(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["record", "delete", "--file", "etude.musicxml", "--yes"]) == 0
    assert "This stays:\n  0 takes and 1 answer about shapes\n" in capsys.readouterr().out
    assert [path.name for path in log.rglob("*.jsonl")] == ["alto.jsonl"]


@pytest.mark.parametrize(
    "words",
    [["export", "out"], ["import", "evil"], ["delete", "--student", "--yes"], ["migrate"], ["import", "\x1b[31m"]],
)
def test_a_files_name_never_commands_the_terminal(
    log: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Escape, bell and half a character, as a synced folder may hold them."""
    Path("evil").mkdir()
    for folder in (log, Path("evil")):
        (folder / "a\x1b[31m\x07\udcff.jsonl").write_text("x\n" * 9)
        (folder / "\x1b[31m").mkdir()
    main(["record", *words])
    out, err = capsys.readouterr()
    assert "?[31m" in out + err
    assert not {"\x1b", "\x07", "\udcff"} & set(out + err)


def test_nothing_that_fits(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["record", "delete", "--file", "waltz.musicxml", "--yes"]) == 0
    out = capsys.readouterr().out
    assert out.startswith(f"{log.resolve()}: nothing is recorded of waltz.musicxml, so nothing was deleted.\n")
    assert len(read_log(log).takes) == 2


def test_a_log_that_is_up_to_date(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["record", "migrate"]) == 0
    assert capsys.readouterr().out == f"{log}: 1 sitting of today's format, nothing to do there.\n"
    earlier = Path(__file__).resolve().parents[1] / "record" / "earlier"
    assert main(["record", "migrate", "--sessions", str(earlier)]) == 0
    out = capsys.readouterr().out
    assert "1 sitting of an earlier companion" in out
    assert "articulation" in out


def a_recording(path: Path, shift: int = 0) -> None:
    """The étude's bars 5 to 8 as a recorder saves them, two seconds into the file."""
    passage = read(ETUDE)
    bars = passage.excerpt(*passage.bar_range("5-8"))
    track, now = mido.MidiTrack(), 0
    for event in perform(bars, 72, "steady", 3, shift_semitones=shift, breath_hz=0):
        tick = round((event.time_s + 2) * 960)
        track.append(mido.Message.from_bytes(event.message, time=tick - now))
        now = tick
    mido.MidiFile(ticks_per_beat=480, tracks=[track]).save(path)


def test_a_recording_of_another_program_is_judged(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    a_recording(Path("written.mid"))
    a_recording(Path("sounding.mid"), 9)
    words = ["record", "import", "written.mid", "sounding.mid", "--as", str(ETUDE), "--tempo", "72", "--bars", "5-8"]
    assert main([*words, "--played", "2026-11-24T17:00"]) == 0
    first, second = capsys.readouterr().out.splitlines()
    assert first.startswith("written.mid: a take of 2026-11-24 17:00. Clean: every note right")
    assert second.startswith("sounding.mid: a take of 2026-11-24 17:00, sounding alto pitch. Clean: every note right")
    assert main(words) == 0
    assert capsys.readouterr().out == "written.mid: is in the log already.\nsounding.mid: is in the log already.\n"
    assert [(take.bars, take.clean) for take in read_log(log).takes[-2:]] == [("5-8", True)] * 2
    assert main(["progress", str(ETUDE), "--bars", "5-8"]) == 0
    assert "2 takes on 1 day, 2 clean; best clean tempo 72" in capsys.readouterr().out


def test_a_take_of_ones_own_is_not_taken_for_a_recording(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One of the simulated player would else become the student's."""
    assert main(["record", "export", "midi", "--format", "midi"]) == 0
    capsys.readouterr()
    files = sorted(map(str, Path("midi").iterdir()))
    assert main(["record", "import", *files, "--as", str(ETUDE), "--tempo", "60"]) == 0
    out = capsys.readouterr().out
    assert out == "".join(
        f"{name}: a take that companion recorded itself; left: take it in without --as.\n" for name in files
    )
    assert len(read_log(log).takes) == 2


def test_what_was_taken_in_before_a_broken_file_is_said(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    a_recording(Path("a.mid"))
    Path("b.mid").write_bytes(b"MThd")
    words = ["record", "import", "a.mid", "b.mid", "--as", str(ETUDE), "--tempo", "72", "--bars", "5-8"]
    assert main(words) == 1
    out, err = capsys.readouterr()
    assert out.startswith("a.mid: a take of ")
    assert err.startswith("companion: b.mid: no MIDI file that can be read")
    assert len(read_log(log).takes) == 3


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--as", "SCORE", "--tempo", "72", "--played", "2999-01-01"], "x.mid: 2999-01-01 is yet to come; say when"),
        (["--tempo", "72"], "--tempo goes with --as SCORE, which says what was played"),
        (["--as", "SCORE"], "--as needs --tempo, the one aimed at, from 10 to 400"),
        (["--as", "SCORE", "--tempo", "nan"], "--as needs --tempo"),
        (["--as", "SCORE", "--tempo", "72", "--bars", "90-95"], "90"),
        (["--as", "SCORE", "--tempo", "72", "--played", "noon"], "noon is no time; write it as 2026-11-27T17:00"),
        (["--as", "none.musicxml", "--tempo", "72"], "none.musicxml: there is no such file"),
    ],
)
def test_a_recording_needs_to_be_told_of(
    log: Path, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    a_recording(Path("x.mid"))
    assert main(["record", "import", "x.mid", *(str(ETUDE) if word == "SCORE" else word for word in words)]) == 1
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert said in err
    assert len(read_log(log).takes) == 2
