"""Which takes of a log are meant: those of a passage, from a day on, before a day, on one horn."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from companion.record.model import TakeSummary, file_name

__all__ = ["Choice"]


@dataclass(frozen=True, slots=True)
class Choice:
    """What is left empty does not matter. A passage is known by the content of its file (`sha256`) or, edited since, by
    its name. `since` is the first day that counts, `before` the first that doesn't; days are the player's own."""

    file: str = ""
    sha256: str = ""
    since: date | None = None
    before: date | None = None
    horn: str = ""

    @property
    def all(self) -> bool:
        """Nothing is left out."""
        return self == Choice()

    def has(self, take: TakeSummary) -> bool:
        """Whether the take is meant."""
        named = file_name(self.file)
        of_passage = (
            not self.file
            or (named != "" and take.file_name == named)
            or (self.sha256 != "" and take.sha256 == self.sha256)
        )
        return of_passage and self.has_day(take.day) and self.has_horn(take.instrument)

    def has_day(self, day: str) -> bool:
        """Whether a day, `YYYY-MM-DD`, is meant."""
        return (self.since is None or day >= self.since.isoformat()) and (
            self.before is None or day < self.before.isoformat()
        )

    def has_horn(self, name: str) -> bool:
        """Whether a horn is meant."""
        return not self.horn or name.casefold() == self.horn.casefold()

    def in_words(self) -> str:
        """`of etude.musicxml, since 2026-11-01, on alto`; empty for all takes."""
        words = [
            f"of {file_name(self.file)}" if self.file else "",
            f"since {self.since}" if self.since else "",
            f"before {self.before}" if self.before else "",
            f"on {self.horn}" if self.horn else "",
        ]
        return ", ".join(word for word in words if word)
