"""What became of every change of fingering in each student's newest takes, worked out in the database for all students
at once; the rule that tells a trouble spot is `trouble`'s own.

`_OUTCOMES` says in SQL what `tries` says at its top about when a change was tried and how it failed; the tests hold the
two against each other.
"""

from __future__ import annotations

import functools
import threading
from collections import defaultdict
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from typing import TYPE_CHECKING, Any

from companion.practice.model import EARLY, LATE, LEFT_OUT, NOT_REACHED, ON_TIME, WRONG_NOTE, Tolerances
from companion.record.studio_files import LogFile
from companion.record.studio_index import all_or_nothing, first_row, handed_in, in_pieces, in_portions
from companion.record.studio_lines import Cut, heads_and_notes
from companion.record.tries import KINDS, NEWEST_TRIES, STOP_BEATS, STOP_MS, Change, Tried, Try
from companion.record.trouble import LEAST_DAYS, LEAST_FAILED, TroubleSpot, troubles_of_tries

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["note_changes", "troubles_by_student"]

_KIND_BITS = tuple((1 << i, kind) for i, kind in enumerate(KINDS))
#: So many students' tries are sorted together, so that memory holds them.
_STUDENTS_AT_ONCE = 100
#: Portions of sittings.
_AT_ONCE = 2

_HEAD = ("tempo_bpm", "tempo_played_bpm", "tolerances.on_time_ms", "tolerances.on_time_share", "ladder.trying")
#: Each note beside the one before it and the deviation of the one before that. A text is compared where a number may be
#: missing: null counts as no deviation, and as never behind. What a hand has written may be no number at all: then TRY
#: leaves the take out, as reading it in full would.
_OUTCOMES = f"""
    CREATE OR REPLACE TEMP TABLE became AS
    WITH line AS (
        SELECT sitting, line, rest,
            json_extract_string(CASE WHEN json_valid(head) THEN head END, {[f"$.{name}" for name in _HEAD]}) AS h
        FROM cut
    ), take AS (
        SELECT sitting, line, TRY_CAST(h[1] AS DOUBLE) AS tempo_bpm, TRY_CAST(h[2] AS DOUBLE) AS played_bpm,
            coalesce(TRY_CAST(h[3] AS DOUBLE), $on_time_ms) AS on_time_ms,
            coalesce(TRY_CAST(h[4] AS DOUBLE), $on_time_share) AS on_time_share,
            TRY(from_json(rest, '{{"notes": [["VARCHAR"]], "slips": [["VARCHAR"]]}}')) AS x
        FROM line WHERE h IS NOT NULL AND coalesce(h[5], '') IN ('', 'false', '0')
    ), played AS (
        SELECT sitting, line, tempo_bpm, on_time_ms, on_time_share, x.slips AS told_slips,
            CASE WHEN coalesce(played_bpm, 0) <> 0 THEN tempo_bpm / played_bpm ELSE 1 END AS at_tempo,
            TRY(list_transform(x.slips, lambda slip: [
                CAST(CASE WHEN len(slip) >= 7 THEN coalesce(slip[1], 'none') ELSE 'none' END AS INTEGER),
                CAST(coalesce(slip[2], 'none') AS INTEGER)
            ])) AS slips,
            TRY(list_transform(x.notes, lambda n: {{
                'midi': CAST(CASE WHEN len(n) >= 8 THEN coalesce(n[3], 'none') ELSE 'none' END AS SMALLINT),
                'name': n[4], 'keys': n[5], 'verdict': n[6],
                'deviation_ms': CAST(n[7] AS DOUBLE), 'available_ms': CAST(n[9] AS DOUBLE),
                'went_back': coalesce(CAST(n[10] AS INTEGER), 0) <> 0
            }})) AS notes
        FROM take
    ), pair AS (
        SELECT * EXCLUDE (notes, told_slips), unnest(notes) AS n, unnest(list_prepend(NULL, notes)) AS b,
            unnest([NULL, NULL] || list_transform(notes, lambda n: n.deviation_ms)) AS deviation_before_ms,
            generate_subscripts(notes, 1) - 1 AS i
        FROM played WHERE slips IS NOT NULL OR told_slips IS NULL
    ), tried AS (
        SELECT sitting, line, i, tempo_bpm, on_time_ms, on_time_share, n, b,
            list_contains(slips, [i, i - 1]) AS slipped,
            n.deviation_ms - b.deviation_ms - n.available_ms * (at_tempo - 1.0) AS behind_ms,
            b.deviation_ms - deviation_before_ms - b.available_ms * (at_tempo - 1.0) AS before_behind_ms
        FROM pair
        WHERE i > 0 AND b.keys <> n.keys AND b.name <> '' AND n.name <> ''
            AND b.verdict IN ($on_time, $early, $late) AND n.verdict <> $not_reached
    ), gained AS (
        SELECT *,
            greatest(least(-coalesce(b.deviation_ms, 0), -coalesce(before_behind_ms, 0)), 0) AS early_ms
        FROM tried
    ), outcome AS (
        SELECT sitting, line, i, slipped, n.verdict AS verdict, n.went_back AS went_back,
            b.midi AS from_midi, b.keys AS from_keys, b.name AS from_name,
            n.midi AS to_midi, n.keys AS to_keys, n.name AS to_name,
            n.verdict IN ($on_time, $early, $late) AND coalesce(
                behind_ms - early_ms > greatest(on_time_ms, on_time_share * n.available_ms), false
            ) AS behind,
            coalesce(behind_ms > greatest({STOP_MS}, {STOP_BEATS} * (60.0 / tempo_bpm * 1000.0)), false) AS stopped
        FROM gained
    )
    SELECT sitting, line, from_midi, from_keys, to_midi, to_keys,
        arg_max(from_name, i) AS from_name, arg_max(to_name, i) AS to_name, bit_or(
        CAST(verdict = $wrong AS UTINYINT) + 2 * CAST(verdict = $left_out AS UTINYINT)
        + 4 * CAST(coalesce(slipped, false) AS UTINYINT) + 8 * CAST(went_back AS UTINYINT)
        + 16 * CAST(behind AND stopped AS UTINYINT) + 32 * CAST(behind AND NOT stopped AS UTINYINT)
    ) AS kinds
    FROM outcome GROUP BY sitting, line, from_midi, from_keys, to_midi, to_keys
"""

_SHAPES = "from_midi, from_keys, to_midi, to_keys"
_NEW_CHANGES = f"""
    INSERT INTO change ({_SHAPES})
    SELECT DISTINCT {_SHAPES} FROM became ANTI JOIN change USING ({_SHAPES})
"""
_NEW_TRIES = f"""
    INSERT INTO tried SELECT sitting, line, c.id, from_name, to_name, kinds FROM became JOIN change c USING ({_SHAPES})
"""
_TRIES = f"""
    CREATE OR REPLACE TEMP TABLE try AS
    SELECT n.number, n.age, t.sitting, t.line, t.change, t.kinds
    FROM tried t JOIN newest n ON n.sitting = t.sitting AND n.line = t.line
    WHERE n.number BETWEEN $first AND $last
    QUALIFY row_number() OVER (PARTITION BY n.number, t.change ORDER BY n.age) <= {NEWEST_TRIES}
"""
#: Changes that failed often enough to be looked at.
_LOOKED_AT = f"""
    SELECT n.student, t.change, n.day, n.tempo_bpm, n.passage, d.from_name, d.to_name, t.kinds
    FROM try t
    JOIN (
        SELECT number, change FROM try JOIN newest USING (number, age) WHERE kinds > 0 GROUP BY number, change
        HAVING count(*) >= {LEAST_FAILED} AND count(DISTINCT day) >= {LEAST_DAYS}
    ) USING (number, change)
    JOIN newest n USING (number, age)
    JOIN tried d ON d.sitting = t.sitting AND d.line = t.line AND d.change = t.change
    ORDER BY t.number, t.age DESC
"""


def note_changes(index: DuckDBPyConnection, files: Sequence[LogFile]) -> None:
    """Read of the sittings that hold each student's newest takes what became of every change, where that isn't known
    yet; after `studio_newest.read_newest`. `files` are all sittings of the studio."""
    index.execute("DELETE FROM tried WHERE sitting NOT IN (SELECT sitting FROM newest)")
    index.execute("DELETE FROM noted WHERE sitting NOT IN (SELECT sitting FROM newest)")
    by_name = {(file.student, file.name): file for file in files}
    wanted = {
        number: by_name[student, file]
        for number, student, file in index.execute(
            "SELECT id, student, file FROM sitting WHERE id IN"
            " (SELECT sitting FROM newest EXCEPT SELECT sitting FROM noted) ORDER BY id"
        ).fetchall()
    }
    lock = threading.Lock()

    def note(some: Mapping[int, LogFile]) -> None:
        cuts = {number: heads_and_notes(file) for number, file in some.items()}
        with index.cursor() as own:
            for number in in_pieces(list(cuts), functools.partial(_note, own, lock, cuts)):
                with lock:
                    own.execute("INSERT INTO noted VALUES (?)", [number])

    # The database works out of one thread what it is asked; two keep two processors busy and little in memory.
    with ThreadPoolExecutor(max_workers=_AT_ONCE) as others:
        for _ in others.map(note, in_portions(wanted)):
            pass


def _note(index: DuckDBPyConnection, lock: threading.Lock, cuts: Mapping[int, Cut], numbers: Sequence[int]) -> None:
    columns: dict[str, list[Any]] = {"sitting": [], "line": [], "head": [], "rest": []}
    for number in numbers:
        cut = cuts[number]
        columns["sitting"] += [number] * len(cut.heads)
        columns["line"] += cut.numbers
        columns["head"] += cut.heads
        columns["rest"] += cut.rests
    usual = Tolerances()
    values = {
        "on_time_ms": usual.on_time_ms, "on_time_share": usual.on_time_share, "on_time": ON_TIME, "early": EARLY,
        "late": LATE, "not_reached": NOT_REACHED, "wrong": WRONG_NOTE, "left_out": LEFT_OUT,
    }  # fmt: skip
    if columns["line"]:
        with handed_in(index, "cut", columns, whole=["sitting", "line"]):
            index.execute(_OUTCOMES, values)
    # A change has one number, whoever comes upon it first.
    with lock, all_or_nothing(index):
        if columns["line"]:
            index.execute(_NEW_CHANGES)
            index.execute(_NEW_TRIES)
        with handed_in(index, "rows", {"sitting": numbers}, whole=["sitting"]):
            index.execute("INSERT INTO noted SELECT sitting FROM rows")


def troubles_by_student(index: DuckDBPyConnection, today: date) -> dict[str, tuple[TroubleSpot, ...]]:
    """The trouble spots of each student who has any, worst first, as `trouble.troubles_over_all` has them; after
    `note_changes`."""
    changes: dict[int, Change] = {
        number: ((from_midi, tuple(from_keys.split())), (to_midi, tuple(to_keys.split())))
        for number, from_midi, from_keys, to_midi, to_keys in index.execute(
            f"SELECT id, {_SHAPES} FROM change"
        ).fetchall()
    }
    students = int(first_row(index, "SELECT coalesce(max(number), 0) FROM newest")[0])
    found: dict[str, tuple[TroubleSpot, ...]] = {}
    for first in range(1, students + 1, _STUDENTS_AT_ONCE):
        index.execute(_TRIES, {"first": first, "last": first + _STUDENTS_AT_ONCE - 1})
        counts = _counts(index, changes)
        found |= {
            student: troubles_of_tries(tried, counts[student], today)
            for student, tried in _looked_at(index, changes).items()
        }
    index.execute("DROP TABLE IF EXISTS try")
    return found


def _counts(index: DuckDBPyConnection, changes: Mapping[int, Change]) -> dict[str, dict[Change, tuple[int, int]]]:
    counts: dict[str, dict[Change, tuple[int, int]]] = defaultdict(dict)
    for student, change, failed, takes in index.execute(
        "SELECT any_value(n.student), t.change, count(*) FILTER (t.kinds > 0), count(*)"
        " FROM try t JOIN newest n USING (number, age) GROUP BY t.number, t.change"
    ).fetchall():
        counts[student][changes[change]] = failed, takes
    return counts


def _looked_at(index: DuckDBPyConnection, changes: Mapping[int, Change]) -> dict[str, dict[Change, Tried]]:
    found: dict[str, dict[Change, Tried]] = defaultdict(dict)
    kinds_of = {bits: frozenset(kind for bit, kind in _KIND_BITS if bits & bit) for bits in range(1 << len(KINDS))}
    for student, change, day, tempo_bpm, passage, from_name, to_name, bits in index.execute(_LOOKED_AT).fetchall():
        tried = found[student].setdefault(changes[change], Tried())
        tried.names = from_name, to_name
        tried.tries.append(Try(day, tempo_bpm, passage, kinds_of[bits]))
    return found
