"""What the studio's database makes of changes of fingering, held against `companion.record.trouble`, which reads the
same takes one by one."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from companion import charts
from companion.practice.model import EARLY, LATE, LEFT_OUT, NOT_REACHED, ON_TIME, WRONG_NOTE, Tolerances
from companion.record import NoteRecord, Sitting, TakeRecord, studio_changes
from companion.record.index import survey
from companion.record.log import read_take
from companion.record.model import SlipRecord
from companion.record.studio_changes import note_changes, troubles_by_student
from companion.record.studio_files import log_files_of, student_folders
from companion.record.studio_index import open_index, refresh
from companion.record.trouble import OwnTake, troubles_in, troubles_over_all
from tests.record_takes import TAKES

TODAY = date(2026, 11, 28)
#: (written MIDI number, fingering, keys); the open horn has no keys, and one note has no plan.
SHAPES = (
    (71, "standard", ("l1",)), (70, "side", ("l1", "l2", "side_b_flat")), (70, "bis", ("bis", "l1")),
    (73, "open", ()), (69, "standard", ("l1", "l2")), (67, "standard", ("l1", "l2", "l3")), (60, "", ()),
)  # fmt: skip
RIGHT = (ON_TIME, EARLY, LATE)


def a_take(rng: random.Random, number: int, weak: int) -> TakeRecord:
    """A take in which the changes to shape `weak` fail more often than others, in every way there is."""
    notes, slips = [], []
    for i in range(24):
        which = rng.randrange(len(SHAPES))
        midi, name, keys = SHAPES[which]
        fails = rng.random() < (0.6 if which == weak else 0.04)
        verdict = rng.choice(RIGHT)
        how = rng.randrange(6) if fails else -1
        if how in (0, 1):
            verdict = (WRONG_NOTE, LEFT_OUT)[how]
        if how == 2 and i:
            slips.append(SlipRecord(i, i - 1, midi + 1, 40.0))
        late_ms = {4: 90.0, 5: 700.0}.get(how, 0.0)
        notes.append(
            NoteRecord(
                str(i // 8 + 1), str(i % 8), midi, name, keys, verdict if i < 22 or how < 0 else NOT_REACHED,
                None if verdict in (WRONG_NOTE, LEFT_OUT) else round(rng.gauss(0, 20) + late_ms, 3), midi,
                available_ms=None if not i or rng.random() < 0.05 else 250.0, went_back=int(how == 3),
            )
        )  # fmt: skip
    if rng.random() < 0.2:
        slips.append(SlipRecord(9, 7, 70, 30.0))  # not from the note before: no slip of one change
    return TakeRecord(
        rng.choice(["Étude", "Waltz"]), float(rng.choice((60, 72, 84))),
        origin=rng.choice(["a.musicxml", "b/c.mid", ""]), sha256=rng.choice(["aa", ""]),
        instrument="alto" if number % 7 else "tenor", port="wind",
        tempo_played_bpm=rng.choice((None, 58.0, 71.5)), notes=tuple(notes), slips=tuple(slips),
        since_run_ns=number * 60 * 10**9, tolerances=Tolerances(on_time_ms=rng.choice((20.0, 45.0))),
        ladder=rng.choice(({}, {"trying": False}, {"trying": rng.random() < 0.3})),
    )  # fmt: skip


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
        note_changes(index, files, charts.names())
        found = troubles_by_student(index, TODAY)
        kept = index.execute("SELECT count(*), count(DISTINCT sitting) FROM tried").fetchone()
        note_changes(index, files, charts.names())
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
        assert index.execute("SELECT count(*) FROM take").fetchone() == (len(summaries),)
        note_changes(index, files, ["", "alto"])
        found = troubles_by_student(index, TODAY).get("Ada", ())
    takes = [OwnTake(read_take(sessions, one, "none"), one.day, one.sha256 or one.file_name or one.title, one.tempo_bpm)
             for one in own[-120:]]  # fmt: skip
    assert len(takes) > 20 and found == troubles_in(takes, today=TODAY)
