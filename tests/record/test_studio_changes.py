"""What the studio's database makes of changes of fingering, held against `companion.record.trouble`, which reads the
same takes one by one."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from companion import charts
from companion.record import Sitting, TakeRecord, studio_changes, studio_index
from companion.record.index import survey
from companion.record.log import read_take
from companion.record.own_takes import OwnTake
from companion.record.studio import look_at_studio
from companion.record.studio_changes import note_changes, troubles_by_student
from companion.record.studio_files import log_files_of, student_folders
from companion.record.studio_index import all_or_nothing, in_pieces, open_index, refresh
from companion.record.studio_newest import read_newest
from companion.record.trouble import troubles_in, troubles_over_all
from tests.record_takes import TAKES
from tests.studio_takes import SHAPES, a_take

TODAY = date(2026, 11, 28)


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    rng = random.Random(5)
    for number in range(6):
        folder = tmp_path / "studio" / f"Student {number}"
        for day in range(3, 24):
            sitting = Sitting.begin(folder / "sessions", datetime(2026, 11, day, 17, tzinfo=UTC))
            for take in range(7):
                # The last of a day is not the tenor, so all are asked for the alto.
                sitting.append(a_take(rng, take, weak=number % len(SHAPES)))
    return tmp_path / "studio"


def test_every_spot_is_what_the_students_own_record_says(
    studio: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(studio_changes, "_STUDENTS_AT_ONCE", 4)
    monkeypatch.setattr(studio_index, "_FILES_AT_ONCE", 7)  # many portions, two at a time
    folders = student_folders(studio, [])
    files = [file for folder in folders for file in log_files_of(folder, [])]
    with open_index(None) as index:
        refresh(index, files)
        read_newest(index, files, {folder.name: "" for folder in folders}, TODAY, charts.names())
        note_changes(index, files)
        found = troubles_by_student(index, TODAY)
        shapes = "from_midi, from_keys, to_midi, to_keys"
        assert index.execute(f"SELECT {shapes} FROM change GROUP BY ALL HAVING count(*) > 1").fetchall() == []
        kept = index.execute("SELECT count(*), count(DISTINCT sitting) FROM tried").fetchone()
        note_changes(index, files)
        assert index.execute("SELECT count(*), count(DISTINCT sitting) FROM tried").fetchone() == kept
    named = 0
    for folder in folders:
        own = troubles_over_all(folder.logs[0], charts.load("alto"), today=TODAY, cache=tmp_path / "own")
        assert found.get(folder.name, ()) == own
        named += len(own)
    assert named >= 10, "there is something to compare"
    ways = {kind for spots in found.values() for spot in spots for kind, _ in spot.kinds}
    assert len(ways) == 6, "every way to fail comes by"


def test_any_take_that_the_record_can_hold(tmp_path: Path) -> None:
    """Takes of the property tests, which hold whatever a record may."""
    from hypothesis import HealthCheck, Phase, given, settings, strategies

    sessions = tmp_path / "studio" / "Ada" / "sessions"
    sitting = Sitting.begin(sessions, datetime(2026, 11, 23, 17, tzinfo=UTC))

    @settings(max_examples=60, database=None, derandomize=True, phases=[Phase.generate],
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(strategies.lists(TAKES, max_size=3))
    def write(takes: list[TakeRecord]) -> None:
        for take in takes:
            sitting.append(replace(take, id=""))  # an id that no program gives: the own record passes it over

    write()
    folders = student_folders(tmp_path / "studio", [])
    files = log_files_of(folders[0], [])
    summaries = survey(sessions, tmp_path / "own").takes
    own = [take for take in summaries if not take.simulated and take.instrument == ""]
    with open_index(None) as index:
        refresh(index, files)
        read_newest(index, files, {"Ada": ""}, min(date.fromisoformat(one.day) for one in summaries), ["", "alto"])
        assert index.execute("SELECT count(*) FROM take").fetchone() == (len(summaries),)
        note_changes(index, files)
        found = troubles_by_student(index, TODAY).get("Ada", ())
    takes = [OwnTake(read_take(sessions, one, "none"), one.day, one.sha256 or one.file_name or one.title, one.tempo_bpm)
             for one in own[-120:]]  # fmt: skip
    assert len(takes) > 20 and found == troubles_in(takes, today=TODAY)


SPOILT: dict[str, tuple[bytes, bytes]] = {
    "a midi number that is none": (b'"1","1",7', b'"1","1",true,7'),
    "a pitch out of all range": (b"]],", b'],["1","1",99999,"bis","l1","on time",0.0,null]],'),
    "a deviation in words": (b"]],", b'],["1","1",70,"bis","l1","on time","soon",null]],'),
    "a row that is too short": (b"]],", b'],["1"]],'),
    "a row that is none": (b'"notes":[', b'"notes":[5,'),
    "notes that are no list": (b'"notes":[', b'"notes":{"a":['),
    "a slip in words": (b'"slips":[', b'"slips":[["now","then",70,3.0,"","",null],'),
    "brackets without end": (b'"notes":[', b'"notes":' + b"[" * 100_000),
    "more notes than anybody writes": (b'"notes":[', b'"notes":[' + b'["1","1",70,"a","b","late",0.0,70],' * 200_000),
    "a title as long as a book": (b'"title":"', b'"title":"' + b"A" * 5_000_000),
    "more fields than anybody reads": (b',"events":', b"".join(b',"k%d":1' % i for i in range(50_000)) + b',"events":'),
    "a tempo that is none": (b'"tempo_played_bpm":', b'"tempo_played_bpm":[1],"x":'),
}


@pytest.mark.parametrize("name", SPOILT)
def test_a_spoilt_take_costs_no_more_than_itself(name: str, tmp_path: Path) -> None:
    rng = random.Random(8)
    for student in ("Ada", "Ben"):
        for day in range(14, 24):
            sitting = Sitting.begin(tmp_path / "s" / student / "sessions", datetime(2026, 11, day, 17, tzinfo=UTC))
            for _ in range(6):
                sitting.append(a_take(rng, 1, weak=2))
    lines = sitting.path.read_bytes().splitlines(keepends=True)
    lines[3] = lines[3].replace(*SPOILT[name], 1)
    sitting.path.write_bytes(b"".join(lines))
    ada, ben = look_at_studio(tmp_path / "s", None, TODAY).students
    own = {
        student: troubles_over_all(
            tmp_path / "s" / student / "sessions", charts.load("alto"), today=TODAY, cache=tmp_path / "own"
        )
        for student in ("Ada", "Ben")
    }
    assert own["Ada"] and own["Ben"]
    assert [spot.sentence for spot in ada.spots] == [spot.sentence for spot in own["Ada"] if not spot.solved]
    assert {spot.change for spot in ben.spots} >= {spot.change for spot in own["Ben"] if not spot.solved}


def test_what_the_database_gives_up_on_is_done_in_pieces() -> None:
    import duckdb

    asked: list[list[int]] = []

    def work(numbers: Sequence[int]) -> None:
        asked.append(list(numbers))
        with all_or_nothing(index):
            index.execute("INSERT INTO noted SELECT unnest(?::INTEGER[])", [list(numbers)])
            if 3 in numbers:
                raise duckdb.OutOfMemoryException("too much")
            if 6 in numbers:
                index.execute("SELECT CAST('soon' AS INTEGER)")

    with open_index(None) as index:
        assert in_pieces(range(8), work) == [3, 6]
        assert index.execute("SELECT list(sitting ORDER BY sitting) FROM noted").fetchone() == ([0, 1, 2, 4, 5, 7],)
        with pytest.raises(duckdb.Error, match="nowhere"):
            in_pieces(range(2), lambda _: index.execute("FROM nowhere"))
    assert len(asked) < 16
