"""Answers kept over days: torn lines, lines from the future, two programs at once, a disk that refuses."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.errors import RecordError
from companion.practice.spacing import Memory, reviewed
from companion.record import read_log
from companion.record.files import append_synced
from companion.record.shapes import FORMAT, keep_answer, read_answers, shapes_file

NOW = datetime(2026, 3, 2, 17, 0, tzinfo=UTC)
CARD = "69.70.71/1"


def keep(folder: Path, card: str = CARD, right: bool = True, at: datetime = NOW) -> Memory:
    memory = reviewed(read_answers(folder, "alto").cards.get(card), right, at)
    keep_answer(folder, "alto", card, right, "side", memory)
    return memory


def same(a: Memory, b: Memory) -> bool:
    return (a.phase, a.step, a.due, a.last) == (b.phase, b.step, b.due, b.last) and a.stability_days == pytest.approx(
        b.stability_days, abs=1e-5
    )


def test_what_is_kept_comes_back(tmp_path: Path) -> None:
    assert not read_answers(tmp_path, "alto").cards
    keep(tmp_path)
    last = keep(tmp_path, at=NOW + timedelta(minutes=10))
    other = keep(tmp_path, "71.70.71/1", right=False)
    found = read_answers(tmp_path, "alto")
    assert not found.remarks and set(found.cards) == {CARD, "71.70.71/1"}
    assert same(found.cards[CARD], last) and same(found.cards["71.70.71/1"], other)
    assert not read_answers(tmp_path, "tenor").cards, "each horn has its own"


def test_the_practice_log_is_not_disturbed(tmp_path: Path) -> None:
    keep(tmp_path)
    log = read_log(tmp_path)
    assert not log.takes and not log.remarks


def test_a_torn_line_is_said_and_the_rest_followed(tmp_path: Path) -> None:
    first = keep(tmp_path)
    path = shapes_file(tmp_path, "alto")
    whole = path.read_bytes()
    path.write_bytes(whole + whole[: len(whole) // 2])
    found = read_answers(tmp_path, "alto")
    assert same(found.cards[CARD], first)
    assert len(found.remarks) == 1 and "line 2 can't be read" in found.remarks[0] and str(path) in found.remarks[0]
    keep(tmp_path, "71.70.71/1")
    found = read_answers(tmp_path, "alto")
    assert set(found.cards) == {CARD, "71.70.71/1"}, "what follows a torn line stands on its own"
    assert path.read_bytes().startswith(whole), "nothing kept is ever written anew"


def test_a_line_from_the_future_is_kept_and_left_out(tmp_path: Path) -> None:
    first = keep(tmp_path)
    path = shapes_file(tmp_path, "alto")
    line = {**json.loads(path.read_text()), "format": FORMAT + 1, "at": (NOW + timedelta(days=1)).isoformat()}
    with path.open("a") as file:
        file.write(json.dumps(line) + "\n")
    found = read_answers(tmp_path, "alto")
    assert same(found.cards[CARD], first) and "later version" in found.remarks[0]


def test_two_copies_joined_in_any_order_say_the_same(tmp_path: Path) -> None:
    for days in range(4):
        keep(tmp_path, at=NOW + timedelta(days=days))
    path = shapes_file(tmp_path, "alto")
    before = read_answers(tmp_path, "alto").cards
    path.write_bytes(b"".join(reversed(path.read_bytes().splitlines(keepends=True))))
    assert read_answers(tmp_path, "alto").cards == before


def test_a_newest_line_that_can_not_be_read_leaves_the_older_one(tmp_path: Path) -> None:
    first = keep(tmp_path)
    keep(tmp_path, at=NOW + timedelta(days=1))
    path = shapes_file(tmp_path, "alto")
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(lines[0] + lines[1].replace(b'"phase":', b'"phase":7'))
    found = read_answers(tmp_path, "alto")
    assert same(found.cards[CARD], first) and "line 2" in found.remarks[0]


def test_ten_years_are_read_in_half_a_second(tmp_path: Path) -> None:
    """Two sessions of twelve a day; some lines joined from another copy stand in the wrong order."""
    keep(tmp_path)
    path = shapes_file(tmp_path, "alto")
    line = path.read_bytes()
    days = [(NOW + timedelta(hours=i)).isoformat().encode() for i in range(88_000)]
    old = NOW.isoformat().encode()
    chance = random.Random(7)
    chance.shuffle(days)
    path.write_bytes(
        b"".join(line.replace(old, day, 1).replace(b"69.70", b"%d.70" % chance.randrange(40, 90)) for day in days)
    )
    before = time.thread_time()
    found = read_answers(tmp_path, "alto")
    assert time.thread_time() - before < 0.5
    assert len(found.cards) == 50 and not found.remarks
    assert max(memory.last for memory in found.cards.values()) == NOW + timedelta(hours=88_000 - 1)


def test_two_programs_at_once(tmp_path: Path) -> None:
    code = (
        "import sys\nfrom pathlib import Path\nfrom datetime import datetime, timedelta, UTC\n"
        "from companion.practice.spacing import reviewed\nfrom companion.record.shapes import keep_answer\n"
        "for i in range(40):\n"
        "    at = datetime(2026, 3, 2, tzinfo=UTC) + timedelta(seconds=i)\n"
        "    card = f'{60 + i}.{sys.argv[2]}/1'\n"
        "    keep_answer(Path(sys.argv[1]), 'alto', card, True, 'side', reviewed(None, True, at))\n"
    )
    both = [subprocess.Popen([sys.executable, "-c", code, str(tmp_path), n]) for n in ("70", "72")]
    assert [process.wait() for process in both] == [0, 0]
    found = read_answers(tmp_path, "alto")
    assert len(found.cards) == 80 and not found.remarks


def test_an_answer_given_in_the_moment_of_deleting_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep_answer(tmp_path, "alto", CARD, True, "side", reviewed(None, True, NOW))

    def deleted(path: Path, line: bytes) -> None:
        path.unlink(missing_ok=True)
        append_synced(path, line)

    monkeypatch.setattr("companion.record.shapes.append_synced", deleted)
    keep_answer(tmp_path, "alto", CARD, True, "side", reviewed(None, True, NOW))
    assert len(shapes_file(tmp_path, "alto").read_bytes().splitlines()) == 1


def test_a_folder_that_can_not_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "shapes").write_text("a file in its place")
    with pytest.raises(RecordError, match="COMPANION_SESSIONS"):
        keep_answer(tmp_path, "alto", CARD, True, "side", reviewed(None, True, NOW))
    with pytest.raises(RecordError, match="COMPANION_SESSIONS"):
        read_answers(tmp_path, "alto")


def test_a_chart_of_ones_own_can_not_lead_out_of_the_folder(tmp_path: Path) -> None:
    assert shapes_file(tmp_path, "../../my horn").parent == tmp_path / "shapes"
    assert shapes_file(tmp_path, "♯").name == "horn.jsonl"


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)


@given(
    st.sampled_from(["format", "card", "at", "state", "phase", "step", "stability_days", "difficulty", "due"]), VALUES
)
def test_whatever_stands_in_a_line_is_no_crash(
    tmp_path_factory: pytest.TempPathFactory, field: str, value: object
) -> None:
    folder = tmp_path_factory.mktemp("answers")
    keep(folder)
    path = shapes_file(folder, "alto")
    line = json.loads(path.read_text())
    (line if field in line else line["state"])[field] = value
    path.write_text(json.dumps(line) + "\n", encoding="utf-8")
    found = read_answers(folder, "alto")
    for memory in found.cards.values():
        reviewed(memory, True, max(NOW, memory.last) + timedelta(days=1))
