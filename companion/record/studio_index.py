"""The takes of many students in one embedded database (DuckDB), kept in the user's cache folder.

Each sitting's file is known by name, size and time of last change; only files that are new or changed are looked at.
Kept are the latest day of each, the heads of the takes of those that had to be read (see `studio_newest`), and of each
student's newest takes what became of every change of fingering. It holds nothing that the students' folders do not:
delete it at any time. Nothing is ever written to a student's folder.

The database reads no files itself: paths and contents are handed to it as values, never as a part of a query, and it
may not reach any file but its own.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from companion.record.model import SIMULATED_PREFIX, TakeSummary
from companion.record.studio_files import LogFile
from companion.record.studio_lines import Cut, cut_sitting, latest_day, odd_takes

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = [
    "MEMORY_MB",
    "STUDIO_FILES",
    "all_or_nothing",
    "drop_index",
    "first_row",
    "handed_in",
    "in_pieces",
    "in_portions",
    "open_index",
    "read_in",
    "refresh",
    "students_in",
    "studio_index_path",
]

#: Raised whenever the tables or what is written to them change.
_VERSION = 4
#: The indexes of all studios in a cache folder.
STUDIO_FILES = "studio-*.duckdb*"
MEMORY_MB = 400
#: So much is read before it goes into the tables.
_FILES_AT_ONCE, _BYTES_AT_ONCE = 1000, 16 * 2**20
#: For the first look at a file: so many at a turn, so many turns together.
_OPENED_AT_ONCE, _WAITING = 100, 4
_WHAT = [name for name in TakeSummary._fields if name not in ("file", "offset", "example")]
_TYPES = {
    "tempo_bpm": "DOUBLE", "target_bpm": "DOUBLE", "duration_s": "DOUBLE", "rung": "BIGINT", "clean": "TINYINT",
    "performance": "TINYINT",
}  # fmt: skip
_COLUMNS = ", ".join(f"{name} {_TYPES.get(name, 'VARCHAR')}" for name in _WHAT)
_TABLES = f"""
    CREATE TABLE version (number INTEGER);
    INSERT INTO version VALUES ({_VERSION});
    CREATE TABLE sitting (
        id INTEGER, student VARCHAR, file VARCHAR, size BIGINT, changed_ns BIGINT, remarks VARCHAR, unread_to VARCHAR
    );
    CREATE TABLE take (sitting INTEGER, line INTEGER, own BOOLEAN, file_name VARCHAR, {_COLUMNS});
    CREATE TABLE noted (sitting INTEGER);
    CREATE SEQUENCE change_id;
    CREATE TABLE change (
        id INTEGER DEFAULT nextval('change_id'), from_midi SMALLINT, from_keys VARCHAR, to_midi SMALLINT,
        to_keys VARCHAR
    );
    CREATE TABLE tried (
        sitting INTEGER, line INTEGER, change INTEGER, from_name VARCHAR, to_name VARCHAR, kinds UTINYINT
    );
"""
_TEXTS = (
    "id", "started", "title", "origin", "sha256", "part", "bars", "instrument", "port", "because", "advice",
    "interrupted",
)  # fmt: skip
_WHOLES, _NUMBERS, _TRUTHS = ("duration_ns", "rung"), ("tempo_bpm", "target_bpm"), ("clean", "performance")
_FIELDS = (*_TEXTS, *_WHOLES, *_NUMBERS, *_TRUTHS)


def studio_index_path(studio: Path, cache: Path) -> Path:
    """The index of a studio's folder."""
    return cache / f"studio-{hashlib.sha256(os.fsencode(os.path.abspath(studio))).hexdigest()[:16]}.duckdb"


@contextlib.contextmanager
def open_index(path: Path | None, threads: int = 0) -> Iterator[DuckDBPyConnection]:
    """The database at `path`, made anew where it is missing, damaged or of another version; in memory alone where it
    can't be had (None, another run has it open, the folder can't be written to). What doesn't fit into `MEMORY_MB`
    goes to a temporary folder, which is gone afterwards."""
    import duckdb

    spill = tempfile.mkdtemp(prefix="companion-studio-")
    settings: dict[str, str | bool | int | float | list[str]] = {
        "memory_limit": f"{MEMORY_MB}MB",
        "temp_directory": spill,
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
        "preserve_insertion_order": "false",
    }
    if threads:
        settings["threads"] = threads
    index = None
    try:
        with contextlib.suppress(OSError, duckdb.Error):
            index = _kept(path, settings) if path is not None else None
        if index is None:
            index = duckdb.connect(":memory:", config=settings)
            index.execute(_TABLES)
        _close_doors(index)
        yield index
    finally:
        if index is not None:
            index.close()
        shutil.rmtree(spill, ignore_errors=True)


def _close_doors(index: DuckDBPyConnection) -> None:
    index.execute("SET enable_external_access = false")
    index.execute("SET lock_configuration = true")


def _kept(path: Path, settings: dict[str, str | bool | int | float | list[str]]) -> DuckDBPyConnection | None:
    import duckdb

    path.parent.mkdir(parents=True, exist_ok=True)
    for attempt in range(2):
        index = None
        try:
            index = duckdb.connect(str(path), config=settings)
            tables = {row[0] for row in index.execute("SELECT table_name FROM information_schema.tables").fetchall()}
            if not tables:
                index.execute(_TABLES)
                tables = {"version"}
            if "version" in tables and first_row(index, "SELECT number FROM version") == (_VERSION,):
                return index
        except duckdb.Error as error:
            if attempt or "lock" in str(error).lower():
                raise
        if index is not None:
            index.close()
        drop_index(path)
    return None


def drop_index(path: Path) -> None:
    """Do away with an index, which is made anew then."""
    for name in (path, Path(f"{path}.wal")):
        with contextlib.suppress(OSError):
            name.unlink()


def first_row(index: DuckDBPyConnection, query: str, values: Sequence[Any] = ()) -> tuple[Any, ...]:
    """The first row of the answer, empty where there is none. All of it is fetched, for an answer that is left
    unfinished keeps the connection from anything else."""
    rows = index.execute(query, list(values)).fetchall()
    return tuple(rows[0]) if rows else ()


@contextlib.contextmanager
def handed_in(
    index: DuckDBPyConnection, name: str, columns: Mapping[str, Sequence[Any]], whole: Sequence[str] = ()
) -> Iterator[None]:
    """Columns as a table `name` for a while; those in `whole` are whole numbers."""
    arrays = {
        column: np.array(values, dtype=np.int64) if column in whole else _objects(values)
        for column, values in columns.items()
    }
    index.register(name, arrays)
    yield
    # Where a query failed the name stays, until the next table of that name.
    index.unregister(name)


def _objects(values: Sequence[Any]) -> Any:
    found = np.empty(len(values), dtype=object)
    found[:] = list(values)
    return found


# -- files in ---------------------------------------------------------------------------------------------------------


def students_in(index: DuckDBPyConnection) -> set[str]:
    """The folders of the students that the index knows."""
    return {name for (name,) in index.execute("SELECT DISTINCT student FROM sitting").fetchall()}


def refresh(index: DuckDBPyConnection, files: Sequence[LogFile]) -> int:
    """Bring the table of sittings up to date with these files; returns how many were new or had changed. They are
    unread until `read_in`."""
    known = {
        (student, name): (number, size, changed_ns)
        for number, student, name, size, changed_ns in index.execute(
            "SELECT id, student, file, size, changed_ns FROM sitting"
        ).fetchall()
    }
    now = {(file.student, file.name): file for file in files}
    stale = [file for key, file in now.items() if known.get(key, (0,))[1:] != (file.size, file.changed_ns)]
    gone = [known[key][0] for key in known if key not in now]
    gone += [known[file.student, file.name][0] for file in stale if (file.student, file.name) in known]
    first = max((number for number, *_ in known.values()), default=0) + 1
    columns: dict[str, Sequence[Any]] = {
        "id": range(first, first + len(stale)),
        "student": [file.student for file in stale],
        "file": [file.name for file in stale],
        "size": [file.size for file in stale],
        "changed_ns": [file.changed_ns for file in stale],
        "unread_to": _latest_days(stale),
    }
    with all_or_nothing(index):
        if gone:
            with handed_in(index, "gone", {"id": gone}, whole=["id"]):
                for place in ("take WHERE sitting", "tried WHERE sitting", "noted WHERE sitting", "sitting WHERE id"):
                    index.execute(f"DELETE FROM {place} IN (SELECT id FROM gone)")
        if stale:
            with handed_in(index, "rows", columns, whole=["id", "size", "changed_ns"]):
                index.execute("INSERT INTO sitting SELECT id, student, file, size, changed_ns, '', unread_to FROM rows")
    return len(stale)


def _latest_days(files: Sequence[LogFile]) -> list[str]:
    """As `latest_day` has them. Opening a file is mostly waiting, above all in a synced folder: some wait together."""
    portions = [files[first : first + _OPENED_AT_ONCE] for first in range(0, len(files), _OPENED_AT_ONCE)]
    with ThreadPoolExecutor(max_workers=_WAITING) as others:
        return [day for days in others.map(lambda some: [latest_day(file) for file in some], portions) for day in days]


def read_in(index: DuckDBPyConnection, sittings: Mapping[int, LogFile]) -> None:
    """Read the takes of sittings, by their numbers in the table, that are unread."""
    # The next portion is cut while the database has this one.
    with ThreadPoolExecutor(max_workers=1) as other:
        waiting: tuple[dict[int, LogFile], Future[dict[int, Cut | None]]] | None = None
        for some in in_portions(sittings):
            coming = some, other.submit(_cut_all, some)
            if waiting is not None:
                _read_some(index, waiting[0], waiting[1].result())
            waiting = coming
        if waiting is not None:
            _read_some(index, waiting[0], waiting[1].result())


def _cut_all(files: Mapping[int, LogFile]) -> dict[int, Cut | None]:
    return {number: cut_sitting(file) for number, file in files.items()}


def in_portions(sittings: Mapping[int, LogFile]) -> Iterator[dict[int, LogFile]]:
    """The sittings in portions that memory holds."""
    some: dict[int, LogFile] = {}
    size = 0
    for number, file in sittings.items():
        if some and (len(some) >= _FILES_AT_ONCE or size + file.size > _BYTES_AT_ONCE):
            yield some
            some, size = {}, 0
        some[number] = file
        size += file.size
    if some:
        yield some


def _read_some(index: DuckDBPyConnection, files: Mapping[int, LogFile], cuts: Mapping[int, Cut | None]) -> None:
    def take_in(numbers: Sequence[int]) -> None:
        heads: dict[str, list[Any]] = {"sitting": [], "line": [], "example": [], "head": []}
        for number in numbers:
            if (cut := cuts[number]) is not None:
                heads["sitting"] += [number] * len(cut.heads)
                heads["line"] += cut.numbers
                heads["example"] += [int(cut.example)] * len(cut.heads)
                heads["head"] += cut.heads
        odd = [number for number in numbers if cuts[number] is None]
        with all_or_nothing(index):
            _take_in_odd(index, files, numbers, [*odd, *_take_in_heads(index, heads)])

    for number in in_pieces(list(files), take_in):
        with all_or_nothing(index):
            _take_in_odd(index, files, [number], [number])


def in_pieces(numbers: Sequence[int], work: Callable[[Sequence[int]], None]) -> list[int]:
    """Do `work`, which does all or nothing, for sittings; where the database gives up (memory, a value that is none),
    for halves of them. Returns those for which it gave up alone: one odd file must not keep the others from being
    read."""
    import duckdb

    try:
        work(numbers)
    except (duckdb.OutOfMemoryException, duckdb.DataError):
        half = len(numbers) // 2
        if not half:
            return list(numbers)
        return [*in_pieces(numbers[:half], work), *in_pieces(numbers[half:], work)]
    return []


@contextlib.contextmanager
def all_or_nothing(index: DuckDBPyConnection) -> Iterator[None]:
    """What is done to the tables meanwhile, is done if it all succeeds."""
    index.execute("BEGIN")
    try:
        yield
        index.execute("COMMIT")
    except BaseException:
        index.execute("ROLLBACK")
        raise


_PATHS = [f"$.{name}" for name in _FIELDS]
_AT = {name: f"t[{i}]" for i, name in enumerate(_FIELDS, start=1)}
_SHAPE = ", ".join(
    [f'"{name}": "VARCHAR"' for name in _TEXTS]
    + [f'"{name}": "BIGINT"' for name in _WHOLES]
    + [f'"{name}": "DOUBLE"' for name in _NUMBERS]
    + [f'"{name}": "BOOLEAN"' for name in _TRUTHS]
    + ['"trouble_bars": ["VARCHAR"]']
)
#: What `codec.summary_from` would read without a fault; whatever else goes the long way through it.
_FITS = " AND ".join(
    [f"({_AT[name]} IS NULL OR {_AT[name]} = 'VARCHAR')" for name in _TEXTS]
    + [f"({_AT[name]} IS NULL OR ({_AT[name]} IN ('BIGINT', 'UBIGINT') AND x.{name} IS NOT NULL))" for name in _WHOLES]
    + [f"({_AT[name]} IS NULL OR {_AT[name]} IN ('BIGINT', 'UBIGINT', 'DOUBLE', 'NULL'))" for name in _NUMBERS]
    + [f"({_AT[name]} IS NULL OR {_AT[name]} = 'BOOLEAN')" for name in _TRUTHS]
    + [
        "x.tempo_bpm > 0 AND x.tempo_bpm <= 10000",
        "(x.target_bpm IS NULL OR isfinite(x.target_bpm))",
        r"regexp_full_match(x.started, '[12]\d{3}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{3}(\d{3})?)?([+-][01]\d:[0-5]\d|Z)?')",
        "try_cast(x.started[:19] AS TIMESTAMP) IS NOT NULL",
        "x.started[12:13] < '24' AND x.started[18:19] < '60'",
        "abs(coalesce(x.duration_ns, 0)) < 1000000000000000",
        '(b IS NULL OR regexp_full_match(b, \'\\[("[^"]*"(,"[^"]*")*)?\\]\'))',
        "x.origin IS DISTINCT FROM '.' AND NOT coalesce(x.origin, '').ends_with('/.')",
    ]
)


def _take_in_heads(index: DuckDBPyConnection, columns: dict[str, list[Any]]) -> list[int]:
    """Takes of plain sittings; returns the sittings that have a take which is not plain after all."""
    if not columns["head"]:
        return []
    with handed_in(index, "heads", columns, whole=["sitting", "line", "example"]):
        index.execute(
            f"""
            CREATE OR REPLACE TEMP TABLE told AS SELECT sitting, line, example,
                json_type(h, {_PATHS}) AS t, from_json(h, '{{{_SHAPE}}}') AS x,
                CAST(json_extract(h, '$.trouble_bars') AS VARCHAR) AS b
            FROM (SELECT sitting, line, example, CASE WHEN json_valid(head) THEN head END AS h FROM heads)
            """
        )
    odd = [
        row[0]
        for row in index.execute(
            f"SELECT DISTINCT sitting FROM told WHERE NOT coalesce({_FITS}, false) ORDER BY sitting"
        ).fetchall()
    ]
    values = {name: f"coalesce(x.{name}, '')" for name in _TEXTS}
    values |= {name: f"CAST(coalesce(x.{name}, false) AS TINYINT)" for name in _TRUTHS}
    values |= {
        "day": "x.started[:10]",
        "duration_s": "coalesce(x.duration_ns, 0) / 1000000000",
        "tempo_bpm": "x.tempo_bpm",
        "target_bpm": "x.target_bpm",
        "rung": "coalesce(x.rung, 0)",
        "trouble_bars": "coalesce(array_to_string(x.trouble_bars, ' '), '')",
    }
    index.execute(
        f"""
        INSERT INTO take SELECT sitting, line,
            example = 0 AND NOT (coalesce(x.port, '') = $name OR starts_with(coalesce(x.port, ''), $prefix)),
            regexp_extract(coalesce(x.origin, ''), '([^/]*)/*$', 1), {", ".join(values[name] for name in _WHAT)}
        FROM told WHERE sitting NOT IN (SELECT unnest($odd::INTEGER[]))
        """,
        {"odd": odd, "prefix": SIMULATED_PREFIX, "name": SIMULATED_PREFIX[:-1]},
    )
    index.execute("DROP TABLE told")
    return odd


def _take_in_odd(
    index: DuckDBPyConnection, files: Mapping[int, LogFile], numbers: Sequence[int], odd: Sequence[int]
) -> None:
    """Takes of the `odd` ones among the sittings, which all are read then."""
    read = {number: odd_takes(files[number]) for number in odd}
    takes = [(number, line, take) for number, told in read.items() for line, take in told.takes]
    if takes:
        columns: dict[str, list[Any]] = {
            "sitting": [number for number, _, _ in takes],
            "line": [line for _, line, _ in takes],
            "own": [int(not take.simulated and not take.example) for _, _, take in takes],
            "file_name": [take.file_name for _, _, take in takes],
        }
        columns |= {name: [getattr(take, name) for _, _, take in takes] for name in _WHAT}
        with handed_in(index, "rows", columns, whole=["sitting", "line", "own", "clean", "performance"]):
            index.execute(f"INSERT INTO take SELECT sitting, line, own = 1, file_name, {', '.join(_WHAT)} FROM rows")
    remarks = ["\n".join(read[number].remarks) if number in read else "" for number in numbers]
    with handed_in(index, "rows", {"id": numbers, "remarks": remarks}, whole=["id"]):
        index.execute("UPDATE sitting SET unread_to = '', remarks = rows.remarks FROM rows WHERE sitting.id = rows.id")
    for number in (number for number, told in read.items() if told.refused):
        index.execute("UPDATE sitting SET changed_ns = -1 WHERE id = ?", [number])  # and is looked at again next time
