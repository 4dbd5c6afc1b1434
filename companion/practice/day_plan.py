"""A sitting as it is shown, in the terminal and on the page: the day, its turns, and the words for them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from companion.practice.today import BREAK_AFTER_MIN, Entry, Task

__all__ = ["CARE", "Day", "DayPlan"]

#: The usual cautions, in common words (from memory).
CARE = (
    "Rest some minutes every half hour; stop at pain, numbness or tingling; keep click and headphones moderate. Your"
    " teacher and licensed health professionals decide."
)

_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True, slots=True)
class Day:
    """`tasks` are open; `done` says what is not, a sentence each. `played_min` is what was played today,
    `since_break_min` how long ago the last break was."""

    date: date
    tasks: tuple[Task, ...]
    done: tuple[str, ...] = ()
    played_min: float = 0.0
    since_break_min: float = 0.0
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DayPlan:
    """A sitting of `minutes` without breaks. `entries` are its turns, `remarks` what is to be said below; `options` are
    words for every command that starts a turn (`--sheet`, ...)."""

    day: Day
    minutes: float
    interleaved: bool
    entries: tuple[Entry, ...]
    remarks: tuple[str, ...] = ()
    options: tuple[str, ...] = ()

    @property
    def next(self) -> Entry | None:
        """The first turn that is no break."""
        return next((entry for entry in self.entries if entry.task is not None), None)

    def command_of(self, entry: Entry) -> tuple[str, ...]:
        """The words that start a turn, without the program's name; empty for a break."""
        if entry.task is None or not entry.task.command:
            return ()
        options = self.options if entry.task.command[0] == "play" else ()
        return (*entry.task.command, *options)

    @property
    def heading(self) -> str:
        """`Today, Wednesday 25 November: 30 minutes, 12 played so far`."""
        day = self.day.date
        heading = f"Today, {_WEEKDAYS[day.weekday()]} {day.day} {day:%B}: {self.minutes:g} minutes"
        return f"{heading}, {self.day.played_min:.0f} played so far" if self.day.played_min >= 1 else heading

    @property
    def nothing(self) -> str:
        """What is said where nothing is open."""
        if self.day.done:
            return "All that is set for today is done: enough. Play what you like."
        return "Nothing is set for today. Set a target with: companion week set PASSAGE --tempo 96"

    @property
    def end(self) -> str:
        """How the sitting ends."""
        order = "in turns" if self.interleaved else "each in one go"
        if self.day.played_min + self.minutes > 2 * 60:
            return f"{order.capitalize()}. That makes over two hours today: more is seldom better. Stop there."
        rest = f"a break before {BREAK_AFTER_MIN:g} minutes are over"
        return f"{order.capitalize()}; {rest}. Then it is enough for this sitting."

    @staticmethod
    def words(entry: Entry) -> str:
        """`Étude in E minor, bars 5–8, from 84`; `again` where it had a turn before."""
        if entry.task is None:
            return "a break"
        task = entry.task
        tempo = f", from {task.tempo_bpm:g}" if task.tempo_bpm and task.kind == "item" and not entry.again else ""
        return f"{task.title}{', again' if entry.again else tempo}"

    def as_data(self) -> dict[str, Any]:
        """All of it as plain data."""
        return {
            "date": self.day.date.isoformat(),
            "minutes": self.minutes,
            "interleaved": self.interleaved,
            "played_min": round(self.day.played_min, 2),
            "entries": [
                {
                    "kind": entry.kind,
                    "minutes": round(entry.minutes, 2),
                    "title": entry.task.title if entry.task else "a break",
                    "why": entry.task.why if entry.task else "",
                    "tempo_bpm": entry.task.tempo_bpm if entry.task else None,
                    "command": ["companion", *self.command_of(entry)] if entry.task else [],
                    "again": entry.again,
                }
                for entry in self.entries
            ],
            "done": list(self.day.done),
            "remarks": list(self.remarks),
        }
