"""What the page of the week shows, as plain data, and where it comes from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Protocol

from companion.practice.reach import Reach
from companion.record.progress import Reached
from companion.record.week import WeekItem, WeekSheet

__all__ = ["ItemAbout", "WeekShown", "WeekSource", "key_of"]


@dataclass(frozen=True, slots=True)
class WeekShown:
    """The sheet as it is on the disk. `remarks` are said below it, `today` is the present day."""

    sheet: WeekSheet
    today: date
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ItemAbout:
    """What is known of an item beside what stands in the sheet: the music's title, what was reached, what stands before
    the target (None: nothing), what else is to be said, and the words of the command that puts it on the stand (none
    where it can't be)."""

    title: str
    reached: Reached
    reach: Reach | None = None
    said: tuple[str, ...] = ()
    command: tuple[str, ...] = ()


class WeekSource(Protocol):
    """Where the page gets all that it doesn't know itself."""

    path: Path

    def look(self) -> WeekShown:
        """Read the sheet anew. Raises `CompanionError` where it is missing or faulty."""

    def about(self, item: WeekItem) -> ItemAbout:
        """Look an item up; may take a moment."""

    def passages(self) -> Sequence[Path]:
        """What may be added."""

    def check_bars(self, passage: Path, bars: str, part: str = "") -> str:
        """The part to be named in the sheet: that one, or the one that is looked up where the score has several; empty
        where it has one. Raises `CompanionError` where the passage can't be read or has no such bars in it."""


def key_of(item: WeekItem) -> tuple[object, ...]:
    """What makes it this item of its sheet."""
    return item.passage, item.bars, item.exercise, tuple(sorted(item.exercise_options.items()))
