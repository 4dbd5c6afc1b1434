"""Logs made up for tests: sittings of a few takes, summaries of takes, and answers about shapes."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

from companion.practice.spacing import Memory
from companion.record import Sitting, TakeRecord
from companion.record.model import TakeSummary
from companion.record.shapes import keep_answer

__all__ = ["EXAMPLE", "answer", "example_log", "play", "summary"]

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


def summary(started: datetime, tempo_bpm: float, clean: bool, /, **more: object) -> TakeSummary:
    """A take of a minute, aimed at 96."""
    whole = TakeSummary(
        file="f", offset=0, id="", started=started.isoformat(), day=str(started.date()), duration_s=60.0, title="T",
        origin="a.mxl", sha256="1", part="", bars="", instrument="alto", port="keys", tempo_bpm=tempo_bpm,
        target_bpm=96.0, rung=0, clean=int(clean), because="", advice="", interrupted="", trouble_bars="", example=0,
    )  # fmt: skip
    return whole._replace(**more)  # type: ignore[arg-type]


def answer(folder: Path, horn: str, day: int) -> None:
    now = datetime(2026, 11, day, 9, tzinfo=UTC)
    keep_answer(folder, horn, "58.60/3", True, "bis", Memory(2, None, 3.0, 5.0, now + timedelta(days=3), now))
