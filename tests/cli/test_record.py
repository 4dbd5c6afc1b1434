"""`companion record` as it is called."""

from __future__ import annotations

from pathlib import Path

import pytest
from record_logs import answer, play

from companion.cli import main
from companion.record import read_log


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
    assert capsys.readouterr().out == "stick: 2 takes and 1 answer about shapes in 2 files.\n"
    assert main(["record", "import", "stick", "--sessions", "there"]) == 0
    assert capsys.readouterr().out == "there: 2 new takes and 1 new answer taken in.\n"
    assert main(["record", "import", "stick", "--sessions", "there"]) == 0
    assert capsys.readouterr().out == "there: 0 new takes taken in; 3 were there already.\n"
    assert read_log(Path("there")) == read_log(log)


@pytest.mark.parametrize(("form", "count"), [("csv", 3), ("midi", 2)])
def test_other_formats(log: Path, form: str, count: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["record", "export", form, "--format", form]) == 0
    assert f"{form}: 2 takes in {count} files." in capsys.readouterr().out
    assert len(list(Path(form).iterdir())) == count


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["export", "out", "--since", "yesterday"], "yesterday is no date; write it as 2026-11-27"),
        (["export", "out", "--since", "2026-11-20", "--before", "2026-11-20"], "no day is both; swap the dates"),
        (["export", "out", "--horn", "baritone"], "there is no take on baritone to export, so out was not written"),
        (["export", "out", "--file", "other.musicxml"], "there is no take of other.musicxml to export"),
        (["export", "sessions"], "holds something already, which stays as it is; name a new folder"),
        (["import", "nowhere"], "nowhere: there is no such file or folder"),
        (["import"], "required: FILE|FOLDER"),
        ([], "required: ACTION"),
    ],
)
def test_what_makes_no_sense_gets_one_line(
    log: Path, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = sorted(Path().rglob("*"))
    assert main(["record", *words]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert said in err
    assert sorted(Path().rglob("*")) == before


def test_a_renamed_score_is_known_by_its_content(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    score = Path("another-name.musicxml")
    examples = Path(__file__).resolve().parents[2]
    score.write_bytes((examples / "shared/passages/etude-e-minor.musicxml").read_bytes())
    assert main(["record", "export", "out", "--file", str(score), "--sessions", str(examples / "sessions")]) == 0
    assert "out: 12 takes" in capsys.readouterr().out
