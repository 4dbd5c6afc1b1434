"""Each file operation of an export, an import, a deletion and a migration refused once: nothing is lost, nothing is
left half written, one line says it, and the same call again finishes."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from record_logs import answer, play

from companion.errors import RecordError
from companion.record import TakeRecord, read_log
from companion.record.choosing import Choice
from companion.record.deleting import carry_out, plan_deletion
from companion.record.exporting import FORMATS, export
from companion.record.importing import import_records
from companion.record.migrating import migrate

_OPERATIONS = ("open", "write", "fsync", "replace", "rename", "unlink", "rmdir", "mkdir", "chmod")
_MOST = 200


class Refusing:
    """A disk that refuses operation number `at`."""

    def __init__(self, at: int, patch: pytest.MonkeyPatch) -> None:
        self.left = at
        for name in _OPERATIONS:
            patch.setattr(os, name, self._refused(name, getattr(os, name)))

    def _refused(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def operation(*args: Any, **more: Any) -> Any:
            self.left -= 1
            if self.left == -1:
                raise OSError(errno.ENOSPC, "No space left on device")
            return None if name == "fsync" else real(*args, **more)

        return operation


def refused_at_every_step(
    tmp_path: Path, make: Callable[[Path], None], act: Callable[[Path], object], check: Callable[[Path, bool], None]
) -> None:
    """`check` is told the folder and whether the call ended well."""
    for at in range(_MOST):
        folder = tmp_path / str(at)
        folder.mkdir()
        make(folder)
        with pytest.MonkeyPatch.context() as patch:
            disk = Refusing(at, patch)
            well = False
            try:
                act(folder)
                well = True
            except RecordError as error:
                assert "\n" not in str(error) and "No space left on device" in str(error)
        check(folder, well)
        if disk.left >= 0:
            break
        act(folder)
        check(folder, True)
    assert 5 < at < _MOST - 1


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def tempos(log: Path) -> list[float]:
    found = read_log(log)
    assert found.remarks == ()
    return sorted(take.tempo_bpm for take in found.takes)


def a_log(folder: Path) -> None:
    play(folder / "log", 20, 60, 64)
    play(folder / "log", 21, 68, origin="waltz.mid")
    play(folder / "log", 22, 70).append(TakeRecord("Waltz", 71, origin="waltz.mid", id="waltz"))
    answer(folder / "log", "alto", 20)


def only_named(folder: Path) -> None:
    assert not [name for name in contents(folder) if "/." in name or "unfinished" in name]


def test_deleting(tmp_path: Path) -> None:
    def check(folder: Path, well: bool) -> None:
        assert {68, 71} <= set(tempos(folder / "log"))
        assert not well or tempos(folder / "log") == [68, 71]
        only_named(folder)

    choice = Choice(file="etude.musicxml")
    refused_at_every_step(
        tmp_path, a_log, lambda folder: carry_out(plan_deletion(folder / "log", choice, folder / "cache")), check
    )


def test_migrating(tmp_path: Path) -> None:
    before: dict[Path, dict[str, bytes]] = {}

    def make(folder: Path) -> None:
        a_log(folder)
        before[folder] = contents(folder / "log")

    def check(folder: Path, well: bool) -> None:
        now = contents(folder / "log")
        for name, content in before[folder].items():
            if "shapes" in name or (now[name] == content and not well):
                continue
            assert b'"format":2' in now[name]
            assert now[f"before-format-2/{name}"] == content
        assert len(now) <= 2 * len(before[folder]) - 1
        only_named(folder)

    refused_at_every_step(tmp_path, make, lambda folder: migrate(folder / "log", {1: dict}, wanted=2), check)


@pytest.mark.parametrize("form", FORMATS)
def test_importing(tmp_path: Path, form: str) -> None:
    """Into a log that has the first take already, and an answer of its own."""

    def make(folder: Path) -> None:
        a_log(folder)
        export(folder / "log", folder / "out", form, Choice())
        sitting = min((folder / "log").glob("*.jsonl"))
        (folder / "here").mkdir()
        (folder / "here" / sitting.name).write_bytes(b"".join(sitting.read_bytes().splitlines(keepends=True)[:2]))
        answer(folder / "here", "alto", 25)

    def check(folder: Path, well: bool) -> None:
        found = tempos(folder / "here")
        assert 60 in found and len(found) == len(set(found))
        assert not well or found == [60, 64, 68, 70, 71]
        only_named(folder)

    refused_at_every_step(tmp_path, make, lambda folder: import_records(folder / "here", [folder / "out"]), check)


@pytest.mark.parametrize("form", FORMATS)
def test_exporting(tmp_path: Path, form: str) -> None:
    def act(folder: Path) -> None:
        if not (folder / "out").exists():
            export(folder / "log", folder / "out", form, Choice())

    def check(folder: Path, well: bool) -> None:
        assert (folder / "out").exists() == well
        assert tempos(folder / "log") == [60, 64, 68, 70, 71]
        only_named(folder)

    refused_at_every_step(tmp_path, a_log, act, check)
