"""What a plan says."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from companion.charts.model import Fingering
from companion.planning.rules import RULES, Rule

__all__ = ["Choice", "Plan", "RunnerUp"]


@dataclass(frozen=True, slots=True)
class RunnerUp:
    """Another fingering for the note: `extra_s` is what the whole passage would cost more with it, in seconds of
    effort; negative where only a mark by hand keeps it from being chosen."""

    fingering: Fingering
    extra_s: float


@dataclass(frozen=True, slots=True)
class Choice:
    """The fingering chosen for note `note_index`, with the reason in one sentence a student understands.

    `change_s` is the expected time of the change from the note before (0 for the first note). `trill_fingering` is the
    fingering of a trill's other note. `fixed` is True where the teacher's mark decided. `rule` names the rule of
    practice that decided against the next best fingering, empty where ease did or nothing else was there; `saved_s` is
    what a change into or out of it takes less than with that one, in seconds, negative where it takes more.
    """

    note_index: int
    fingering: Fingering
    reason: str
    change_s: float = 0.0
    runners_up: tuple[RunnerUp, ...] = ()
    trill_fingering: Fingering | None = None
    fixed: bool = False
    rule: str = ""
    saved_s: float = 0.0

    @property
    def name(self) -> str:
        """Name of the fingering."""
        return self.fingering.name

    @property
    def keys(self) -> frozenset[str]:
        """Keys of the fingering."""
        return self.fingering.keys


@dataclass(frozen=True, slots=True)
class Plan:
    """One choice a note, in the order of `Passage.notes`. `version` is a short hash of chart, rules, passage and marks.
    `total_s` is what the whole way costs, changes and rules, in seconds of effort. `remarks` warn, a sentence each,
    where a mark by hand asks for what a hand can't do. `rules` are those that were followed."""

    chart_name: str
    choices: tuple[Choice, ...]
    version: str
    total_s: float = 0.0
    remarks: tuple[str, ...] = ()
    # A rule holds its judge, which has another address in each run: it is no part of what a plan looks like.
    rules: tuple[Rule, ...] = field(default=RULES, repr=False)

    def part(self, first_note: int, count: int) -> Plan:
        """The plan of an excerpt: its choices as they were made within the whole."""
        return replace(self, choices=self.choices[first_note : first_note + count])
