"""Writing into the week sheet from its page: every change goes through `record.week_edit`, and can be taken back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from companion.errors import UsageError, WeekSheetError
from companion.record.week import WeekItem, read_bytes
from companion.record.week_edit import bring_along, drop_target, put_back, set_target

__all__ = ["WeekEditor", "number_in"]

#: So many changes can be taken back.
_MOST_BACK = 50


class WeekEditor:
    """Changes a sheet's items where they stand. All methods raise `WeekSheetError` where nothing was written."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._done: list[tuple[bytes, bytes]] = []

    def change(self, item: WeekItem, *, without: tuple[str, ...] = (), **values: Any) -> tuple[str, ...]:
        """Tell the item these values (see `set_target`), or let it say something no longer. An item that somebody else
        took out meanwhile is not made anew. Returns what else became of the sheet's items."""
        before = self._content()
        said = set_target(
            self.path, item.passage, item.bars, values.pop("target_bpm", None), exercise=item.exercise,
            exercise_options=dict(item.exercise_options), without=without, only_there=True, **values,
        )  # fmt: skip
        self._note(before)
        return said

    def add(self, passage: Path, bars: str, target_bpm: float, part: str = "") -> str:
        """Another item, by its passage's place; without a part where its score leaves no choice. Returns how the sheet
        names it."""
        before = self._content()
        set_target(self.path, f"passages/{passage.name}", bars, target_bpm, dry=True)
        name, _ = bring_along(self.path, passage)
        set_target(self.path, name, bars, target_bpm, part=part or None)
        self._note(before)
        return name

    def drop(self, item: WeekItem) -> None:
        """Take an item out."""
        before = self._content()
        drop_target(self.path, item.passage, item.bars, item.exercise, dict(item.exercise_options))
        self._note(before)

    def take_back(self) -> bool:
        """Take the last change back; False where there is none left."""
        if not self._done:
            return False
        before, after = self._done.pop()
        put_back(self.path, before, after)
        return True

    def _content(self) -> bytes:
        try:
            return read_bytes(self.path)
        except WeekSheetError:
            return b""

    def _note(self, before: bytes) -> None:
        after = self._content()
        if before and after and after != before:
            self._done = [*self._done, (before, after)][-_MOST_BACK:]


def number_in(text: str, what: str, example: str) -> float:
    """A number that was typed. Raises `UsageError` where it is none."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        shown = text[:20] or "nothing"
        raise UsageError(f"{shown} is no {what}: type a number such as {example}") from None
