"""From a TOML file to a `Chart`: find it, read it, lay it over what it extends.

Conventions
-----------
* An instrument file may say `extends = "NAME"`: it then only states what differs. A plain value replaces the inherited
  one; a key or hole replaces that of its name, a fingering that of its note and name; anything new is added.
* `NAME` is an instrument that comes along, or one of the files in the `common` folder beside them.
"""

from __future__ import annotations

import os
from functools import lru_cache
from pathlib import Path
from typing import Any

from companion.charts.check import Entry, Sheet, chart_from
from companion.charts.model import Chart
from companion.errors import ChartError
from companion.paths import charts_dir

__all__ = ["load", "names"]

MAX_CHART_BYTES = 1_000_000
MAX_EXTENDS = 4
_LISTS = ("key", "hole", "third_register", "fingering")


def names() -> tuple[str, ...]:
    """The instruments that come along, in alphabetical order."""
    return tuple(sorted(path.stem for path in charts_dir().glob("*.toml")))


def load(name: str | Path) -> Chart:
    """The chart of an instrument.

    Parameters
    ----------
    name
        An instrument that comes along (`alto`), or the path of a chart of your own (`my-horn.toml`).

    Raises
    ------
    ChartError
        No such instrument or file, not TOML, or faulty data: all faults at once, each with its place.
    """
    path = _find(name)
    try:
        stat = path.stat()
    except OSError as error:
        raise ChartError(str(name), [f"can't be read: {error.strerror or error}"]) from error
    return _load(path, str(name), stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=16)
def _load(path: Path, shown: str, _mtime_ns: int, _size: int) -> Chart:
    return chart_from(_read_sheet(path, shown, depth=0), path.stem)


def _find(name: str | Path) -> Path:
    if isinstance(name, str) and name in names():
        return charts_dir() / f"{name}.toml"
    path = Path(name)
    if os.path.isfile(path):
        return path
    if path.suffix == ".toml":
        raise ChartError(str(name), ["no such file"])
    raise ChartError(
        str(name), [f"no such instrument; there are {', '.join(names())}, or give the path of a chart (.toml)"]
    )


def _read_sheet(path: Path, shown: str, depth: int) -> Sheet:
    table = _read_toml(path, shown)
    sheet = _own_sheet(table, shown if depth == 0 else path.stem, prefix="" if depth == 0 else f"{path.stem} ")
    parent = table.pop("extends", None)
    if parent is None:
        return sheet
    parent_path = _parent_path(parent)
    if parent_path is None:
        sheet.faults.append(f'$.extends: no chart {parent!r}; try "saxophone"')
        return sheet
    if depth >= MAX_EXTENDS:
        raise ChartError(
            shown, [f"$.extends: more than {MAX_EXTENDS} charts extend one another; do two extend each other?"]
        )
    return _laid_over(_read_sheet(parent_path, parent, depth + 1), sheet)


def _parent_path(parent: object) -> Path | None:
    if not isinstance(parent, str) or not parent.replace("-", "").replace("_", "").isalnum():
        return None
    for path in (charts_dir() / "common" / f"{parent}.toml", charts_dir() / f"{parent}.toml"):
        if path.is_file():
            return path
    return None


def _read_toml(path: Path, shown: str) -> dict[str, Any]:
    import tomllib

    try:
        with path.open("rb") as file:
            data = file.read(MAX_CHART_BYTES + 1)
    except OSError as error:
        raise ChartError(shown, [f"can't be read: {error.strerror or error}"]) from error
    if len(data) > MAX_CHART_BYTES:
        raise ChartError(shown, [f"larger than {MAX_CHART_BYTES // 1000} kB: this is no chart"])
    try:
        return tomllib.loads(data.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise ChartError(shown, [f"not UTF-8 text (byte {error.start}): save it as UTF-8"]) from error
    except tomllib.TOMLDecodeError as error:
        raise ChartError(shown, [f"not TOML: {error}"]) from error
    except RecursionError as error:
        raise ChartError(shown, ["not TOML we can read: nested too deeply"]) from error


def _own_sheet(table: dict[str, Any], file: str, prefix: str) -> Sheet:
    sheet = Sheet(file)
    for name, value in table.items():
        if name not in _LISTS:
            sheet.values[name] = Entry(f"{prefix}$.{name}", value)
        elif not isinstance(value, list):
            sheet.faults.append(f"{prefix}$.{name}: write it as [[{name}]]")
        else:
            entries = [Entry(f"{prefix}$.{name}[{i}]", item) for i, item in enumerate(value)]
            sheet.lists[name] = [entry for entry in entries if isinstance(entry.value, dict)]
            sheet.faults += [f"{e.place}: expected a table" for e in entries if not isinstance(e.value, dict)]
    sheet.values.pop("extends", None)
    return sheet


def _laid_over(under: Sheet, over: Sheet) -> Sheet:
    merged = Sheet(over.file, {**under.values, **over.values}, {}, [*under.faults, *over.faults])
    for name in _LISTS:
        merged.lists[name] = _replaced(under.lists.get(name, []), over.lists.get(name, []))
    return merged


def _replaced(under: list[Entry], over: list[Entry]) -> list[Entry]:
    """Entries of `over` take the place of those of the same identity; the rest comes after, so that two with one
    identity in one file stay two, for the check to find."""
    result, rest = list(under), []
    places = {_identity(entry): i for i, entry in enumerate(under)}
    for entry in over:
        place = places.pop(_identity(entry), None)
        if place is None:
            rest.append(entry)
        else:
            result[place] = entry
    return result + rest


def _identity(entry: Entry) -> tuple[str, str]:
    return (
        str(entry.value.get("written_midi")) if "keys" in entry.value else "",
        str(entry.value.get("name", entry.place)),
    )
