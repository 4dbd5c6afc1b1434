"""What can go wrong, with one root: the command line shows a `CompanionError` as one line and exits with 1.

A message says what was found, where, what was expected and what to try. Anything that is not a `CompanionError` is a
defect of ours and keeps its traceback.
"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = [
    "ChartError",
    "CompanionError",
    "EngravingError",
    "MarksError",
    "NoFingering",
    "PortError",
    "RecordError",
    "RuleFileError",
    "ScoreError",
    "SeveralParts",
    "TeacherFileError",
    "UsageError",
    "WeekSheetError",
]


class CompanionError(Exception):
    """Root of everything a user can cause or mend; `str(error)` is the one line shown."""


class UsageError(CompanionError):
    """An option or argument makes no sense (a bar that is not in the passage, a tempo of zero)."""


class ScoreError(CompanionError):
    """A score can't be read: what was found, in which file and, where known, which bar."""

    def __init__(self, message: str, *, file: str | None = None, bar: str | None = None) -> None:
        place = ", ".join(part for part in (file, f"bar {bar}" if bar is not None else None) if part)
        super().__init__(f"{place}: {message}" if place else message)
        self.file = file
        self.bar = bar


class SeveralParts(ScoreError):
    """A score has several parts and none was chosen. `parts` holds each: what `--part` takes for it, and its name."""

    def __init__(self, message: str, *, file: str, parts: Sequence[tuple[str, str]]) -> None:
        super().__init__(message, file=file)
        self.parts = tuple(parts)


class ChartError(CompanionError):
    """An instrument chart is faulty; `faults` holds every fault with its place, such as `$.fingering[3].keys`."""

    def __init__(self, file: str, faults: Sequence[str]) -> None:
        self.file = file
        self.faults = tuple(faults)
        super().__init__(f"{file}: {'; '.join(self.faults)}")


class NoFingering(CompanionError):
    """Notes that the chosen instrument has no fingering for."""


class EngravingError(CompanionError):
    """A page can't be engraved."""


class PortError(CompanionError, OSError):
    """A MIDI port doesn't exist, is busy or vanished."""


class RecordError(CompanionError):
    """The practice record can't be read or written."""


class TeacherFileError(CompanionError):
    """A file that a teacher writes is faulty; `faults` holds every fault with its place."""

    def __init__(self, file: str, faults: Sequence[str]) -> None:
        self.file = file
        self.faults = tuple(faults)
        super().__init__(f"{file}: {'; '.join(self.faults)}")


class WeekSheetError(TeacherFileError):
    """A week sheet is faulty or can't be written."""


class MarksError(TeacherFileError):
    """A mark sheet is faulty or can't be written."""


class RuleFileError(TeacherFileError):
    """A file with changes to the rules is faulty."""
