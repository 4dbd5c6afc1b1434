"""Imports only point down: read from the sources."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "companion"
#: floor of each room; a file may import rooms of its own floor (its own room) or of lower ones
FLOORS = {
    "arrays": 1, "errors": 1, "units": 1, "plain": 1, "paths": 1, "passage": 2, "scores": 3, "charts": 3, "planning": 4,
    "exercises": 4, "practice": 4, "engraving": 5, "ports": 5, "record": 5, "reports": 6, "window": 7, "cli": 8,
}  # fmt: skip
#: rooms that decide and know nothing of screens, devices, files or waiting
PURE = ("planning", "exercises", "practice")
SHELL = {
    "pygame",
    "mido",
    "rtmidi",
    "typst",
    "verovio",
    "subprocess",
    "threading",
    "time",
    "socket",
    "tomlkit",
    "sqlite3",
}


def _imports(file: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def _room(file: Path) -> str:
    return file.relative_to(PACKAGE).parts[0].removesuffix(".py")


FILES = [file for file in sorted(PACKAGE.rglob("*.py")) if _room(file) in FLOORS]


def test_every_room_has_a_floor() -> None:
    rooms = {_room(file) for file in PACKAGE.rglob("*.py")} - {"__init__", "__main__"}
    assert rooms == set(FLOORS)


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.relative_to(PACKAGE)))
def test_imports_point_down(file: Path) -> None:
    room = _room(file)
    for name in _imports(file):
        parts = name.split(".")
        if parts[0] != "companion" or len(parts) < 2 or parts[1] not in FLOORS:
            continue
        other = parts[1]
        allowed = other == room or FLOORS[other] < FLOORS[room] or (room in PURE and other in PURE)
        assert allowed, f"{file.name} of {room} imports {name}"


@pytest.mark.parametrize(
    "file", [f for f in FILES if _room(f) in PURE], ids=lambda file: str(file.relative_to(PACKAGE))
)
def test_what_decides_knows_no_shell(file: Path) -> None:
    roots = {name.split(".")[0] for name in _imports(file)}
    assert not roots & SHELL
    assert not any(
        isinstance(node, ast.Call) and getattr(node.func, "id", "") == "open"
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
    )


@pytest.mark.parametrize(
    "file", [f for f in FILES if _room(f) in ("ports", "window", "record")], ids=lambda f: str(f.relative_to(PACKAGE))
)
def test_live_times_come_from_one_clock(file: Path) -> None:
    """`time.perf_counter_ns` everywhere: a stamp by another clock can't be compared, and Windows has a coarse one."""
    clocks = {"monotonic", "monotonic_ns", "time", "time_ns"}
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "time":
            assert node.attr not in clocks, f"line {node.lineno}"
