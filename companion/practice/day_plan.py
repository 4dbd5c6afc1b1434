"""A sitting as it is shown, in the terminal and on the page: the day, its turns, and the words for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from companion.practice.today import BREAK_AFTER_MIN, Entry, Task, is_over
from companion.practice.words import number_of

__all__ = ["CARE", "Day", "DayPlan"]

#: The usual cautions, in common words (from memory).
CARE = (
    "Rest some minutes every half hour; stop at pain, numbness or tingling; keep click and headphones moderate. Your"
    " teacher and licensed health professionals decide."
)

_KNOWN_OPTIONS = {"play": ("--sheet", "--sessions"), "shapes": ("--sessions",)}
#: So many tasks without a turn are named; a sitting shorter than this has hardly begun.
_MOST_NAMED = 3
_LEAST_TOLD_MIN = 1.0
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True, slots=True)
class Day:
    """`tasks` are open; `done` says what is reached, `later` what is not for today or can't be put on the stand, a
    sentence each. `played_min` is what was played today, `since_break_min` how long ago the last break was,
    `sitting_min` how long the sitting that is going on has lasted, without its breaks."""

    date: date
    tasks: tuple[Task, ...]
    done: tuple[str, ...] = ()
    played_min: float = 0.0
    since_break_min: float = 0.0
    remarks: tuple[str, ...] = ()
    later: tuple[str, ...] = ()
    sitting_min: float = 0.0

    @property
    def closed(self) -> tuple[str, ...]:
        """What is not open, and why."""
        return (*self.done, *self.later)


@dataclass(frozen=True, slots=True)
class DayPlan:
    """A sitting of `minutes` without breaks. `entries` are its turns, `remarks` what is to be said below; `options` are
    words for every command that starts a turn and knows them, each with its value (`--sheet`, ...)."""

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
        given = zip(self.options[::2], self.options[1::2], strict=True)
        known = _KNOWN_OPTIONS.get(entry.task.command[0], ())
        return (*entry.task.command, *(word for option in given if option[0] in known for word in option))

    @property
    def over(self) -> bool:
        """Whether the sitting that is going on has had its minutes: the turns are those of another one."""
        return is_over(self.minutes, self.day.sitting_min)

    @property
    def left_min(self) -> float:
        """Minutes of the turns that are shown, at most."""
        return self.minutes if self.over else self.minutes - self.day.sitting_min

    @property
    def heading(self) -> str:
        """`Today, Wednesday 25 November: 30 minutes, 12 of them over`"""
        day, gone = self.day.date, self.day.sitting_min
        heading = f"Today, {_WEEKDAYS[day.weekday()]} {day.day} {day:%B}: {self.minutes:g} minutes"
        if self.over:
            return f"{heading}, which are over"
        if gone >= _LEAST_TOLD_MIN:
            return f"{heading}, {gone:.0f} of them over"
        return f"{heading}, {self.day.played_min:.0f} played before" if self.day.played_min >= 1 else heading

    @property
    def nothing(self) -> str:
        """What is said where nothing is open."""
        if self.day.done:
            return "All that is set for today is done: enough. Play what you like."
        if self.day.later:
            return "Nothing of the sheet is open today. Play what you like."
        return (
            "Nothing is set for today, and nothing was played lately. Put music on the stand: companion play PASSAGE;"
            " or see how it goes: companion demo. A teacher sets a target with: companion week set PASSAGE --tempo 96"
        )

    @property
    def enough(self) -> str:
        """What is said before the turns where the sitting has had its minutes; else nothing."""
        if not (self.over and self.entries):
            return ""
        return (
            f"The {self.minutes:g} minutes are over: enough for this sitting. What follows is for another one, after a"
            " rest of half an hour."
        )

    @property
    def had(self) -> str:
        """What had its turns in the sitting that is going on, and is still open."""
        tasks = sorted((task for task in self.day.tasks if task.played_min >= 0.5), key=lambda task: -task.played_min)
        names = [f"{task.title}, {number_of(round(task.played_min), 'minute')}" for task in tasks]
        return f"Had a turn: {_some_of(names)}." if names else ""

    @property
    def waiting(self) -> str:
        """Which open tasks have no turn, where the time is too short for all."""
        shown = {entry.task.key for entry in self.entries if entry.task is not None}
        names = [task.title for task in self.day.tasks if task.key not in shown and not task.turns]
        return f"No turn in {self.left_min:.0f} minutes: {_some_of(names)}." if names and self.entries else ""

    @property
    def end(self) -> str:
        """How the sitting ends."""
        order = "in turns" if self.interleaved else "each in one go"
        if self.day.played_min + self.left_min > 2 * 60:
            return f"{order.capitalize()}. That makes over two hours today: more is seldom better. Stop there."
        rest = f"a break before {BREAK_AFTER_MIN:g} minutes are over"
        return f"{order.capitalize()}; {rest}. Then it is enough for this sitting."

    @staticmethod
    def words(entry: Entry) -> str:
        """`Étude in E minor, bars 5–8, from 84`; `again` where it had a turn before."""
        if entry.task is None:
            return "a break"
        task = entry.task
        tempo = (
            f", from {task.counted.mark(task.tempo_bpm)}"
            if task.tempo_bpm and task.kind == "item" and not entry.again
            else ""
        )
        return f"{task.title}{', again' if entry.again else tempo}"

    def as_data(self) -> dict[str, Any]:
        """All of it as plain data."""
        return {
            "date": self.day.date.isoformat(),
            "minutes": self.minutes,
            "interleaved": self.interleaved,
            "played_min": round(self.day.played_min, 2),
            "sitting_min": round(self.day.sitting_min, 2),
            "over": self.over,
            "entries": [
                {
                    "kind": entry.kind,
                    "minutes": round(entry.minutes, 2),
                    "title": entry.task.title if entry.task else "a break",
                    "why": entry.task.why if entry.task else "",
                    "word": entry.task.word if entry.task else "",
                    "tempo_bpm": entry.task.tempo_bpm if entry.task else None,
                    "command": ["companion", *self.command_of(entry)] if entry.task else [],
                    "again": entry.again,
                }
                for entry in self.entries
            ],
            "had": self.had,
            "waiting": self.waiting,
            "done": list(self.day.closed),
            "remarks": list(self.remarks),
        }


def _some_of(names: Sequence[str]) -> str:
    more = len(names) - _MOST_NAMED
    return "; ".join(names[:_MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")
