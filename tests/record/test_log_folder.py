"""Who may write to a log, and what a killed program left half written in it: cleared beside the whole one alone."""

from __future__ import annotations

from pathlib import Path

import pytest
from record_logs import play

from companion.errors import RecordError
from companion.record import log_folder
from companion.record.choosing import Choice
from companion.record.deleting import carry_out, plan_deletion
from companion.record.files import only_writer, writing_synced
from companion.record.importing import import_records
from companion.record.log_folder import clear_left_over, is_left_over
from companion.record.migrating import migrate


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A log with its three folders, each with a whole file and one half written, as a writer killed leaves it."""
    play(tmp_path / "log", 20, 60)
    for name in ("shapes/alto.jsonl", "before-format-2/old.jsonl"):
        (tmp_path / "log" / name).parent.mkdir()
        (tmp_path / "log" / name).write_text("")
    for whole in list((tmp_path / "log").rglob("*.jsonl")):
        with pytest.raises(KeyboardInterrupt), writing_synced(whole):
            (half,) = (name for name in names(whole.parent) if is_left_over(name))
            raise KeyboardInterrupt
        (whole.parent / half).write_text("x")
    return tmp_path / "log"


def names(log: Path) -> set[str]:
    return {path.name for path in log.rglob("*") if path.is_file()}


def halves(log: Path) -> set[str]:
    return {name for name in names(log) if name.startswith(".")}


def test_what_is_half_written_goes_and_nothing_else(log: Path) -> None:
    others = (".alto.jsonl", "alto.jsonl.abcd1234", ".gone.jsonl.abcd1234", ".alto.jsonl.Ab12Cd", ".alto.jsonl~")
    for name in others:
        (log / "shapes" / name).write_text("x")
    before = names(log) - halves(log)
    clear_left_over(log)
    assert names(log) == before | set(others)


def test_links_are_not_followed(log: Path, tmp_path: Path) -> None:
    (log / "shapes").rename(tmp_path / "outside")
    (log / "shapes").symlink_to(tmp_path / "outside")
    (log / ".y.jsonl.abcd1234").symlink_to(tmp_path / "outside" / "alto.jsonl")
    (log / "y.jsonl").write_text("")
    clear_left_over(log)
    assert len(halves(tmp_path / "outside")) == 1
    assert (log / ".y.jsonl.abcd1234").is_symlink()


def test_each_command_that_writes_to_the_log_clears_it(log: Path, tmp_path: Path) -> None:
    left = {path: path.read_bytes() for path in log.rglob(".*")}
    assert len(left) == 3
    play(tmp_path / "other", 21, 64)
    for act in (
        lambda: migrate(log),
        lambda: import_records(log, [tmp_path / "other"]),
        lambda: carry_out(plan_deletion(log, Choice(file="waltz.mid"), tmp_path / "cache")),
    ):
        for path, content in left.items():
            path.write_bytes(content)
        act()
        assert not halves(log)


def test_a_command_that_another_one_keeps_waiting_changes_nothing(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Going on without the lock, an import would double what the other one takes in meanwhile."""
    play(tmp_path / "other", 21, 64)
    before = {path: path.read_bytes() for path in log.rglob("*") if path.is_file()}
    monkeypatch.setattr(log_folder, "_WAIT_S", 0.05)
    with only_writer(log):
        for act in (
            lambda: migrate(log),
            lambda: import_records(log, [tmp_path / "other"]),
            lambda: carry_out(plan_deletion(log, Choice(), tmp_path / "cache")),
        ):
            with pytest.raises(RecordError, match="another companion record is at work on it; wait until it is done"):
                act()
    assert {path: path.read_bytes() for path in log.rglob("*") if path.is_file()} == before
    assert import_records(log, [tmp_path / "other"]).takes == 1
