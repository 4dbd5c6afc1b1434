"""Logs of earlier programs: read as they are where they only lack fields, brought up to date where a meaning changed.

`earlier/no-articulation-yet.jsonl` are lines of an early companion's example sitting, as it wrote them.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from companion.errors import RecordError
from companion.record import codec, log, raw_lines, read_log, survey
from companion.record.choosing import Choice
from companion.record.exporting import FORMATS, export
from companion.record.importing import import_records
from companion.record.migrating import STEPS, migrate

EARLIER = Path(__file__).parent / "earlier"


def doubled(data: dict[str, Any]) -> dict[str, Any]:
    """A made-up step: from now on the tempo counts eighths."""
    return data if data["kind"] == "sitting" else data | {"tempo_bpm": data["tempo_bpm"] * 2, "counted": "eighths"}


@pytest.fixture
def sessions(tmp_path: Path) -> Path:
    return Path(shutil.copytree(EARLIER, tmp_path / "sessions"))


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_what_an_earlier_program_wrote_is_read() -> None:
    found = read_log(EARLIER)
    assert found.remarks == ()
    assert [take.tempo_bpm for take in found.takes] == [64, 68]
    for take in found.takes:
        assert len(take.notes) == 61
        assert {(note.available_ms, note.begun, note.articulation) for note in take.notes} == {(None, "", ())}
        assert (take.comment, take.slips, take.realised) == ((), (), ())


def test_it_goes_out_and_in_with_the_fields_it_has(tmp_path: Path) -> None:
    for form in FORMATS:
        assert export(EARLIER, tmp_path / form, form, Choice()).takes == 2
    for form in ("jsonl", "midi"):
        import_records(tmp_path / f"from-{form}", [tmp_path / form])
        (made,) = (tmp_path / f"from-{form}").iterdir()
        assert made.read_bytes() == next(EARLIER.iterdir()).read_bytes()


def test_it_needs_no_migrating(sessions: Path) -> None:
    before = contents(sessions)
    done = migrate(sessions)
    assert (done.now, done.fine, done.remarks) == ([], 1, [])
    assert dict(done.lacking) == {
        ("available_ms", "went_back", "begun", "held_share", "articulation", "misread"): 1,
    }
    assert contents(sessions) == before
    assert not STEPS


def test_a_step_to_a_next_format(sessions: Path) -> None:
    """The step is made up: so far no meaning has changed."""
    before = contents(sessions)
    (name,) = before
    done = migrate(sessions, {1: doubled}, wanted=2)
    assert done.now == [sessions / name]
    assert done.copies == sessions / "before-format-2"
    head, *takes = [json.loads(line) for line in (sessions / name).read_bytes().splitlines()]
    old_head, *old_takes = [json.loads(line) for line in before[name].splitlines()]
    assert head == old_head | {"format": 2}
    assert takes == [old | {"tempo_bpm": old["tempo_bpm"] * 2, "counted": "eighths"} for old in old_takes]
    assert (sessions / "before-format-2" / name).read_bytes() == before[name]
    again = migrate(sessions, {1: doubled}, wanted=2)
    assert (again.now, again.fine) == ([], 1)


def test_several_steps_and_a_sitting_at_each(sessions: Path) -> None:
    content = next(sessions.iterdir()).read_bytes()
    (sessions / "b.jsonl").write_bytes(content.replace(b'"format":1', b'"format":2'))
    done = migrate(sessions, {1: doubled, 2: doubled}, wanted=3)
    assert len(done.now) == 2
    tempos = {
        path.name: [json.loads(line).get("tempo_bpm") for line in path.read_bytes().splitlines()[1:]]
        for path in sessions.glob("*.jsonl")
    }
    assert tempos == {"no-articulation-yet.jsonl": [256, 272], "b.jsonl": [128, 136]}


def test_torn_and_other_lines_stay_as_they_are(sessions: Path) -> None:
    path = next(sessions.iterdir())
    odd = b'{"kind":"take","title":"x","ev\n\n{"kind":"lesson","format":1}\n{"kind":"take","tit'
    with open(path, "ab") as file:
        file.write(odd)
    migrate(sessions, {1: doubled}, wanted=2)
    assert path.read_bytes().endswith(odd)


def test_a_later_format_is_refused(sessions: Path) -> None:
    path = next(sessions.iterdir())
    path.write_bytes(path.read_bytes().replace(b'"format":1', b'"format":7'))
    before = contents(sessions)
    done = migrate(sessions)
    assert done.remarks == [
        f"{path.name}: format 7 is of a later companion than this one, which knows 1; left alone: update companion"
    ]
    assert contents(sessions) == before
    assert any(
        "format 7 is not known here, only 1; kept, not read: update companion" in r for r in read_log(sessions).remarks
    )


@pytest.mark.parametrize(("form", "said"), [(b"0", "none that a companion ever wrote"), (b'"x"', "says no format")])
def test_a_format_that_never_was(sessions: Path, form: bytes, said: str) -> None:
    path = next(sessions.iterdir())
    path.write_bytes(path.read_bytes().replace(b'"format":1', b'"format":' + form))
    before = contents(sessions)
    (remark,) = migrate(sessions).remarks
    assert said in remark
    assert contents(sessions) == before


def test_a_reader_of_the_next_format_says_what_to_do(sessions: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (codec, log, raw_lines):
        monkeypatch.setattr(module, "FORMAT", 2)
    (remark,) = survey(sessions).remarks
    assert remark.endswith("format 1 is not known here, only 2; kept, not read: companion record migrate")
    migrate(sessions, {1: doubled}, wanted=2)
    assert [take.tempo_bpm for take in survey(sessions).takes] == [128, 136]


def test_a_step_that_fails_leaves_the_file(sessions: Path) -> None:
    before = contents(sessions)
    done = migrate(sessions, {1: lambda data: data | {"tempo_bpm": 0}}, wanted=2)
    assert "can't be brought up to date (line 2: tempo_bpm should be above 0" in done.remarks[0]
    assert contents(sessions) == before


def test_links_and_foreign_files_are_left_alone(sessions: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside.jsonl"
    next(sessions.iterdir()).rename(outside)
    content = outside.read_bytes()
    (sessions / "link.jsonl").symlink_to(outside)
    (sessions / "other.jsonl").write_text('{"kind":"Pod","format":1}\n')
    done = migrate(sessions, {1: doubled}, wanted=2)
    assert [remark.split(":")[0] for remark in done.remarks] == ["link.jsonl", "other.jsonl"]
    assert outside.read_bytes() == content
    assert (sessions / "other.jsonl").read_text() == '{"kind":"Pod","format":1}\n'


def test_copies_are_kept_nowhere_else(sessions: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (sessions / "before-format-2").symlink_to(outside)
    before = contents(sessions)
    with pytest.raises(RecordError, match="before-format-2: a link; copies of the log are kept in a folder of it"):
        migrate(sessions, {1: doubled}, wanted=2)
    assert contents(sessions) == before
    assert not any(outside.iterdir())


def test_another_copy_is_never_written_over(sessions: Path) -> None:
    path = next(sessions.iterdir())
    kept = sessions / "before-format-2"
    kept.mkdir()
    (kept / path.name).write_text("an older copy\n")
    content = path.read_bytes()
    migrate(sessions, {1: doubled}, wanted=2)
    assert (kept / path.name).read_text() == "an older copy\n"
    assert (kept / f"{path.stem}-2.jsonl").read_bytes() == content


def test_killed_midway_nothing_is_lost(sessions: Path) -> None:
    """Killed at any moment, the file is the old one or the new one, and the old content is there."""
    path = next(sessions.iterdir())
    content = path.read_bytes()
    told = f"""
import os, sys
from pathlib import Path
from companion.record import migrating
left = int(sys.argv[1])
def audit(event, args):
    global left
    if event in ("open", "os.rename", "os.mkdir") and str({str(sessions)!r}) in str(args):
        left -= 1
        if left < 0:
            os._exit(9)
sys.addaudithook(audit)
step = lambda data: data if data["kind"] == "sitting" else data | {{"tempo_bpm": data["tempo_bpm"] * 2}}
migrating.migrate(Path({str(sessions)!r}), {{1: step}}, wanted=2)
"""
    killed = 0
    for moment in range(60):
        done = subprocess.run([sys.executable, "-c", told, str(moment)], env=os.environ, timeout=60)
        if done.returncode == 0:
            break
        killed += 1
        new = b'"format":2' in path.read_bytes()
        kept = sessions / "before-format-2" / path.name
        assert new or path.read_bytes() == content
        assert not new or kept.read_bytes() == content
    assert killed > 5
    assert not [name for name in contents(sessions) if name.rpartition("/")[2].startswith(".")]
    assert b'"format":2' in path.read_bytes()
    assert (sessions / "before-format-2" / path.name).read_bytes() == content
