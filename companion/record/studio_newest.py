"""Which sittings of a studio are read: the newest ones, until no older one can change what is said.

What is said of a student needs the takes of the last weeks, the day of the last one, and the newest own takes on the
horn that was played last. `studio_lines.latest_day` tells of a sitting how new its takes may be, so those that can't be
among them are left unread until they are asked for.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

from companion.record.own_takes import NEWEST_TAKES
from companion.record.studio_files import LogFile
from companion.record.studio_index import read_in

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

__all__ = ["TROUBLE_WITHIN_DAYS", "read_newest"]

#: Trouble is looked for of whoever played within so many days.
TROUBLE_WITHIN_DAYS = 14
#: What a student plays where no take tells.
_USUAL_HORN = "alto"
#: So many sittings are read of a student of whom nothing is known yet.
_AT_FIRST = 4

#: As `newest_own_takes` has them for one student.
_NEWEST = """
    CREATE OR REPLACE TEMP TABLE newest AS
    WITH own AS (
        SELECT s.student, s.file, t.sitting, t.line, t.day, t.started, t.instrument, t.tempo_bpm,
            coalesce(nullif(t.sha256, ''), nullif(t.file_name, ''), t.title) AS passage
        FROM take t JOIN sitting s ON t.sitting = s.id WHERE t.own
    ), horn AS (
        SELECT student, max(day) AS last_day, arg_max(
            instrument, {'day': day, 'started': started, 'file': file, 'line': line}
        ) FILTER (instrument IN (SELECT unnest($horns::VARCHAR[]))) AS horn
        FROM own GROUP BY student HAVING last_day >= $since
    )
    SELECT own.* EXCLUDE (file, instrument, started), row_number() OVER (
        PARTITION BY own.student ORDER BY own.day DESC, own.started DESC, own.file DESC, own.line DESC
    ) AS age, CAST(dense_rank() OVER (ORDER BY own.student) AS INTEGER) AS number
    FROM own JOIN horn USING (student) WHERE own.instrument = coalesce(horn, $usual) QUALIFY age <= $most
"""


@dataclass(slots=True)
class _Known:
    """What is known of a student so far: how many sittings were read, the last day with an own take, how many of the
    newest takes are there and the first day of them; and the unread sittings, (latest day, number), the newest
    first."""

    read: int = 0
    last_day: str = ""
    takes: int = 0
    from_day: str = ""
    unread: list[tuple[str, int]] = field(default_factory=list)


def read_newest(
    index: DuckDBPyConnection,
    files: Sequence[LogFile],
    since: Mapping[str, str],
    today: date,
    horns: Sequence[str],
    say: Callable[[str], None] = lambda _: None,
) -> None:
    """Read what is asked for, and keep each student's newest own takes in the table `newest`.

    Parameters
    ----------
    files
        All sittings of the studio, after `studio_index.refresh`.
    since
        By student, the first day (`YYYY-MM-DD`) from which all takes are asked for.
    today
        Newest takes are those of whoever played within `TROUBLE_WITHIN_DAYS` of it.
    horns
        The horns that are known; none where the newest takes are not asked for.
    """
    plays_since = (today - timedelta(days=TROUBLE_WITHIN_DAYS)).isoformat()
    by_name = {(file.student, file.name): file for file in files}
    while True:
        index.execute(_NEWEST, {"horns": list(horns), "usual": _USUAL_HORN, "most": NEWEST_TAKES, "since": plays_since})
        known = _known(index)
        wanted = {
            number
            for student, one in known.items()
            for number in _wanted(one, since[student], bool(horns) and one.last_day >= plays_since)
        }
        if not wanted:
            return
        say(f"{len(wanted)} sittings to read")
        read_in(index, {number: by_name[place] for number, place in _places(index).items() if number in wanted})


def _wanted(known: _Known, since: str, plays: bool) -> list[int]:
    """The unread sittings of a student that may hold what is asked for; some of the newest where it isn't known yet how
    far back that is."""
    from_day, more = min(since, known.last_day or since), 0
    if not known.last_day:
        more = max(known.read, _AT_FIRST)
    elif plays and known.takes >= NEWEST_TAKES:
        from_day = min(from_day, known.from_day)
    elif plays:
        asked = math.ceil((NEWEST_TAKES - known.takes) * known.read / max(known.takes, 1))
        more = min(asked, max(known.read, _AT_FIRST))
    return [number for i, (day, number) in enumerate(known.unread) if i < more or day >= from_day]


def _known(index: DuckDBPyConnection) -> dict[str, _Known]:
    """By student, for those who have an unread sitting."""
    found: dict[str, _Known] = defaultdict(_Known)
    for student, day, number in index.execute(
        "SELECT student, unread_to, id FROM sitting WHERE unread_to <> '' ORDER BY unread_to DESC, file DESC"
    ).fetchall():
        found[student].unread.append((day, number))
    for student, read, last_day in index.execute(
        "SELECT student, count(DISTINCT s.id), coalesce(max(t.day) FILTER (t.own), '')"
        " FROM sitting s LEFT JOIN take t ON t.sitting = s.id WHERE s.unread_to = '' GROUP BY student"
    ).fetchall():
        if student in found:
            found[student].read, found[student].last_day = read, last_day
    for student, takes, from_day in index.execute(
        "SELECT student, count(*), min(day) FROM newest GROUP BY student"
    ).fetchall():
        if student in found:
            found[student].takes, found[student].from_day = takes, from_day
    return found


def _places(index: DuckDBPyConnection) -> dict[int, tuple[str, str]]:
    rows = index.execute("SELECT id, student, file FROM sitting WHERE unread_to <> ''").fetchall()
    return {number: (student, file) for number, student, file in rows}
