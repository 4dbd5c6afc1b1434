"""Summaries of all takes at once: an index in the user's cache folder, rebuilt whenever it is missing or wrong.

Each sitting's file is known by name, size and time of last change; only files that are new or changed are read. The
index holds nothing that the log does not: delete it at any time.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from companion.paths import cache_dir
from companion.record.codec import summary_from
from companion.record.log import lines_of, log_files
from companion.record.model import Survey, TakeSummary, file_name, plain_text

__all__ = ["INDEX_FILES", "Wanted", "index_path", "summaries", "survey"]

#: Raised whenever the tables or what `summary_from` makes of a line changes.
_VERSION = 4
#: The indexes of all logs in a cache folder, with what SQLite keeps beside them.
INDEX_FILES = "takes-*.sqlite*"
_COLUMNS = ", ".join(TakeSummary._fields)
_PLACES = ", ".join("?" for _ in (*TakeSummary._fields, "file_name"))
_TABLES = f"""
    CREATE TABLE sitting (file TEXT PRIMARY KEY, size INTEGER, changed_ns INTEGER, remarks TEXT);
    CREATE TABLE take ({_COLUMNS}, file_name);
    CREATE INDEX take_file ON take (file);
    CREATE INDEX take_order ON take (day, started, file, offset);
    PRAGMA user_version = {_VERSION};
"""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which takes are looked for: days from `first_day` to `last_day` (`YYYY-MM-DD`, both included), and where a
    `sha256` or `file_name` is given, those of a passage with that content or that name."""

    first_day: str = ""
    last_day: str = "9999-12-31"
    sha256: str = ""
    file_name: str = ""


def survey(folder: Path, cache: Path | None = None, wanted: Wanted | None = None) -> Survey:
    """Summaries of the takes of a log folder, oldest first, with remarks on what could not be read.

    Parameters
    ----------
    folder
        The log's folder; one that isn't there is an empty log.
    cache
        Folder of the index; by default `companion.paths.cache_dir()`. Without a usable one everything is read anew.
    wanted
        Which takes; all by default. Asking for some of ten years of them is quicker than sorting them out afterwards.

    Raises
    ------
    RecordError
        If the folder can't be read.
    """
    folder = Path(folder).absolute()
    entries = log_files(folder)
    path = index_path(folder, cache_dir() if cache is None else cache)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.closing(_connect(path)) as index:
            return _survey(index, folder, entries, wanted or Wanted())
    except sqlite3.OperationalError:
        pass  # busy, read-only or full: the next run may fare better
    except (sqlite3.Error, ValueError, TypeError, AttributeError):
        with contextlib.suppress(OSError):
            path.unlink()
    except OSError:
        pass
    with contextlib.closing(sqlite3.connect(":memory:")) as index:
        index.executescript(_TABLES)
        return _survey(index, folder, entries, wanted or Wanted())


def summaries(folder: Path, cache: Path | None = None) -> list[TakeSummary]:
    """`survey(...)` without its remarks, as a list."""
    return list(survey(folder, cache).takes)


def index_path(folder: Path, cache: Path) -> Path:
    """The index of a log's folder."""
    return cache / f"takes-{hashlib.sha256(os.fsencode(folder)).hexdigest()[:16]}.sqlite"


def _connect(path: Path) -> sqlite3.Connection:
    index = sqlite3.connect(path, timeout=2.0)
    try:
        # It can be rebuilt, so it need not survive a power cut.
        index.execute("PRAGMA synchronous = OFF")
        index.execute("BEGIN IMMEDIATE")
        if index.execute("PRAGMA user_version").fetchone()[0] != _VERSION:
            index.commit()
            index.executescript(f"BEGIN; DROP TABLE IF EXISTS take; DROP TABLE IF EXISTS sitting; {_TABLES} COMMIT;")
        else:
            index.commit()
    except BaseException:
        index.close()
        raise
    return index


def _survey(index: sqlite3.Connection, folder: Path, entries: list[os.DirEntry[str]], wanted: Wanted) -> Survey:
    known = {row[0]: row[1:] for row in index.execute("SELECT file, size, changed_ns FROM sitting")}
    now = {}
    unnamed = [entry.name for entry in entries if not _is_utf8(entry.name)]
    for entry in entries:
        if entry.name in unnamed:
            continue
        with contextlib.suppress(OSError):
            status = entry.stat()
            now[entry.name] = (status.st_size, status.st_mtime_ns)
    gone = [name for name in known if name not in now]
    stale = [name for name, status in now.items() if known.get(name) != status]
    if gone or stale:
        with index:
            index.executemany("DELETE FROM take WHERE file = ?", [(name,) for name in (*gone, *stale)])
            index.executemany("DELETE FROM sitting WHERE file = ?", [(name,) for name in gone])
            for name in stale:
                _read_in(index, folder / name, now[name])
    question = f"SELECT {_COLUMNS} FROM take WHERE day BETWEEN ? AND ?"
    values = [wanted.first_day, wanted.last_day]
    if wanted.sha256 or wanted.file_name:
        question += " AND (sha256 = ? OR file_name = ?)"
        values += [wanted.sha256 or "none", file_name(wanted.file_name) or "none"]
    takes = map(TakeSummary._make, index.execute(f"{question} ORDER BY day, started, file, offset", values))
    remarks = index.execute("SELECT remarks FROM sitting WHERE remarks <> '' ORDER BY file")
    found = [line for row in remarks for line in row[0].split("\n")]
    found += [f"{plain_text(name)}: its name is not UTF-8, so it is not read: give it another" for name in unnamed]
    return Survey(tuple(takes), tuple(found))


def _is_utf8(name: str) -> bool:
    return name == name.encode("utf-8", "replace").decode()


def _read_in(index: sqlite3.Connection, path: Path, status: tuple[int, int]) -> None:
    remarks: list[str] = []
    rows = []
    for line in lines_of(path, remarks, heads_only=True):
        try:
            take = summary_from(line.data, path.name, line.offset, line.example)
            rows.append((*take, take.file_name))
        except ValueError as error:
            remarks.append(f"{path.name} line {line.number}: {error}; this take is left out")
    index.executemany(f"INSERT INTO take VALUES ({_PLACES})", rows)
    text = "\n".join(plain_text(" ".join(remark.split())) for remark in remarks)
    index.execute("INSERT OR REPLACE INTO sitting VALUES (?, ?, ?, ?)", (path.name, *status, text))
