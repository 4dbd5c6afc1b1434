"""Installed elsewhere: the wheel holds all it needs, runs from any folder, and writes only to the user's own."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

from companion import __version__
from companion.cli import main
from companion.paths import _CHECKOUT

ROOT = Path(__file__).resolve().parents[1]
INFO = f"companion_practice-{__version__}.dist-info"
OWN_CHART = 'extends = "alto"\ntitle = "my own alto"\n'
unix_only = pytest.mark.skipif(os.name != "posix", reason="$HOME names the user's folders")


def _built(source: Path, target: str, folder: Path) -> Path:
    """Build with the backend itself: nothing is downloaded."""
    command = [sys.executable, "-m", "hatchling", "build", "-t", target, "-d", str(folder)]
    done = subprocess.run(command, cwd=source, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    (file,) = folder.iterdir()
    return file


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _built(ROOT, "wheel", tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="module")
def unpacked(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("site")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder)
    return folder


def _names(wheel: Path) -> set[str]:
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


def _files(folder: Path) -> list[str]:
    """Without what tools leave behind in a checkout."""
    names = [file.relative_to(folder) for file in folder.rglob("*") if file.is_file()]
    return [name.as_posix() for name in names if not any(part.startswith((".", "__pycache__")) for part in name.parts)]


def test_the_wheel_holds_every_module_the_data_and_the_licences(wheel: Path) -> None:
    package = {f"companion/{name}" for name in _files(ROOT / "companion")}
    charts = {f"companion/data/charts/{name}" for name in _files(ROOT / "charts") if name.endswith(".toml")}
    passages = {f"companion/data/shared/passages/{name}" for name in _files(ROOT / "shared" / "passages")}
    assert "companion/data/charts/common/saxophone.toml" in charts
    assert "companion/data/shared/passages/etude-e-minor.musicxml" in passages
    fonts = [name for name in package if name.endswith((".ttf", ".otf"))]
    licences = {f"{INFO}/licenses/{name}" for name in package if name.endswith("-OFL.txt")}
    assert len(fonts) >= 5 and len(licences) >= 2
    names = _names(wheel)
    expected = package | charts | passages | licences
    expected |= {"companion/data/shared/week.toml", f"{INFO}/licenses/LICENSE"}
    assert expected <= names
    rest = names - expected
    assert {name for name in rest if not name.startswith(f"{INFO}/")} == set()


def test_the_source_archive_builds_the_same_wheel(wheel: Path, tmp_path: Path) -> None:
    archive = _built(ROOT, "sdist", tmp_path / "sdist")
    with tarfile.open(archive) as source:
        source.extractall(tmp_path / "source", filter="data")
    (folder,) = (tmp_path / "source").iterdir()
    assert {"LICENSE", "README.md", "tests", "benchmarks"} <= {entry.name for entry in folder.iterdir()}
    assert _names(_built(folder, "wheel", tmp_path / "again")) == _names(wheel)


def _tree(folder: Path) -> dict[str, str]:
    return {
        str(file.relative_to(folder)): hashlib.sha256(file.read_bytes()).hexdigest()
        for file in folder.rglob("*")
        if file.is_file()
    }


@unix_only
def test_the_wheel_runs_from_another_folder_and_writes_only_to_the_users_own(unpacked: Path, tmp_path: Path) -> None:
    home, folder = tmp_path / "home", tmp_path / "lesson"
    home.mkdir()
    folder.mkdir()
    (folder / "mine.toml").write_text(OWN_CHART, encoding="utf-8")
    waltz = unpacked / "companion" / "data" / "shared" / "passages" / "waltz-in-f.musicxml"
    (folder / "waltz.musicxml").write_bytes(waltz.read_bytes())
    # Only an environment of a user's: no variable of ours, no display, no XDG folder.
    environment = {"PATH": os.environ["PATH"], "HOME": str(home), "PYTHONPATH": str(unpacked)}
    environment |= {"PYTHONDONTWRITEBYTECODE": "1", "PYTHONWARNINGS": "error"}

    def companion(*words: str) -> str:
        command = [sys.executable, "-P", "-m", "companion", *words]
        done = subprocess.run(
            command, cwd=folder, env=environment, capture_output=True, text=True, timeout=120, check=False
        )
        assert (done.returncode, done.stderr) == (0, ""), words
        return done.stdout

    before = _tree(unpacked)
    assert companion("demo", "--hidden", "--takes", "1") == ""
    assert "etude-e-minor" in companion("week")
    companion("play", "waltz.musicxml", "--instrument", "mine.toml", "--hidden", "--takes", "1",
              "--port", "sim:steady:1", "--json", "r.json")  # fmt: skip
    result = json.loads((folder / "r.json").read_text(encoding="utf-8"))
    assert (result["instrument"], len(result["takes"])) == ("mine", 1)
    assert "Waltz in F" in companion("week", "set", "waltz.musicxml", "--tempo", "96")
    assert "waltz" in companion("week") and "1 take on 1 day" in companion("progress", "waltz.musicxml")
    companion("ports")
    assert _tree(unpacked) == before
    assert len(list(home.rglob("*.jsonl"))) == 2 and len(list(home.rglob("week.toml"))) == 1
    assert {file.name for file in folder.iterdir()} == {"mine.toml", "waltz.musicxml", "r.json"}


@unix_only
def test_a_package_is_at_home_where_its_data_is_whatever_lies_beside_it(unpacked: Path) -> None:
    """Some packages leave a pyproject.toml in the folder that all packages share: that makes no checkout of it."""
    stray = unpacked / "pyproject.toml"
    stray.write_text("", encoding="utf-8")
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-c", "from companion import charts; print(charts.load('alto').title)"],
            env={**os.environ, "PYTHONPATH": str(unpacked)}, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
    finally:
        stray.unlink()
    assert (done.returncode, done.stdout.strip()) == (0, "alto saxophone"), done.stderr


def test_the_demo_finds_its_passage_wherever_the_users_passages_are(
    tmp_path: Path, own_folders: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COMPANION_SHARED", str(tmp_path))
    assert _CHECKOUT == ROOT
    assert main(["demo", "--hidden", "--takes", "1", "--bars", "1-2"]) == 0
    assert len(list((own_folders / "sessions").glob("*.jsonl"))) == 1
