"""Logs made up for tests: sittings of a few takes, and answers about shapes."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

from companion.practice.spacing import Memory
from companion.record import Sitting, TakeRecord
from companion.record.shapes import keep_answer

__all__ = ["EXAMPLE", "answer", "example_log", "play"]

EXAMPLE = Path(__file__).resolve().parents[1] / "sessions" / "example-2026-11-23.jsonl"


def example_log(folder: Path) -> Path:
    """A log of the example sitting alone: somebody may have played in the checkout's own."""
    folder.mkdir()
    shutil.copy(EXAMPLE, folder)
    return folder


def play(folder: Path, day: int, *tempos_bpm: float, title: str = "Étude", **more: object) -> Sitting:
    sitting = Sitting.begin(folder, datetime(2026, 11, day, 17, tzinfo=UTC))
    told: dict[str, object] = {"origin": "/home/x/etude.musicxml", "sha256": "aa", "instrument": "alto"}
    for i, tempo_bpm in enumerate(tempos_bpm):
        since = timedelta(minutes=i) // timedelta(microseconds=1) * 1000
        sitting.append(TakeRecord(title, tempo_bpm, since_run_ns=since, **(told | more)))  # type: ignore[arg-type]
    return sitting


def answer(folder: Path, horn: str, day: int) -> None:
    now = datetime(2026, 11, day, 9, tzinfo=UTC)
    keep_answer(folder, horn, "58.60/3", True, "bis", Memory(2, None, 3.0, 5.0, now + timedelta(days=3), now))
