"""What the studio's database makes of changes of fingering, held against `companion.record.trouble`, which reads the
same takes one by one."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from companion import charts
from companion.record import Sitting, TakeRecord, studio_changes
from companion.record.index import survey
from companion.record.log import read_take
from companion.record.studio_changes import note_changes, troubles_by_student
from companion.record.studio_files import log_files_of, student_folders
from companion.record.studio_index import open_index, refresh
from companion.record.studio_newest import read_newest
from companion.record.trouble import OwnTake, troubles_in, troubles_over_all
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
    folders = student_folders(studio, [])
    files = [file for folder in folders for file in log_files_of(folder, [])]
    with open_index(None) as index:
        refresh(index, files)
        read_newest(index, files, {folder.name: "" for folder in folders}, TODAY, charts.names())
        note_changes(index, files)
        found = troubles_by_student(index, TODAY)
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
