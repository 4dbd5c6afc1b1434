"""A take that was played: the bars, the pauses, and what can be told of the set-up from it."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

import numpy as np

from companion.passage import Passage
from companion.practice.clock import note_onsets_s
from companion.practice.ladder import Ladder, Step
from companion.practice.model import EARLY, LATE, ON_TIME, Assessment, PlayedArray, RawEvent

__all__ = ["STOPPED", "FinishedTake", "Pause", "Section"]

#: Why a take ended that the player broke off; the record keeps it.
STOPPED = "stopped by the player"
#: A steady offset of all notes is more likely the set-up's delay than the player's: it is offered as such from this
#: median on, when the notes scatter less than that around it.
DELAY_SUSPECTED_MS = 20.0
#: From this share of the notes on an equal distance from what is written is the controller's, not the player's.
SHIFT_SUSPECTED_SHARE, SHIFT_SUSPECTED_NOTES = 0.8, 6
#: A note this near the click is taken for the one written there.
NEAR_S = 0.15


@dataclass(frozen=True, slots=True)
class Section:
    """The bars being played: `passage` is the excerpt, `first_note` the index of its first note in the whole passage,
    `label` the printed bars (`5–8`), empty for the whole passage."""

    first_bar: int
    last_bar: int
    passage: Passage
    first_note: int
    label: str


@dataclass(frozen=True, slots=True)
class Pause:
    """A take interrupted at `at_ns`, which went on at beat `from_bar` of the section; `shift_ns` is what all later
    times of the take are late by."""

    at_ns: int
    from_bar: int
    shift_ns: int


@dataclass(frozen=True, slots=True)
class FinishedTake:
    """A take with all that is known of it. `start_ns` is when beat 0 sounded; `events` are raw and complete.

    `stopped` says why it ended before its end (empty if it didn't). `step` is what the ladder made of it, None where
    the take did not count."""

    section: Section
    tempo_bpm: float
    ladder_before: Ladder
    ladder_after: Ladder
    start_ns: int
    end_ns: int
    events: tuple[RawEvent, ...]
    pauses: tuple[Pause, ...]
    played: PlayedArray
    assessment: Assessment
    step: Step | None
    stopped: str = ""

    @property
    def suspected_delay_ms(self) -> float | None:
        """The delay that the whole set-up seems to have, where all notes lie off by much the same amount."""
        timed = [r.deviation_ms for r in self.assessment.notes if r.deviation_ms is not None]
        timed_kinds = [r for r in self.assessment.notes if r.verdict in (ON_TIME, EARLY, LATE)]
        if len(timed_kinds) < 12:
            return None
        middle = median(timed)
        scatter = median(abs(d - middle) for d in timed)
        return round(middle, 1) if abs(middle) >= DELAY_SUSPECTED_MS and scatter <= DELAY_SUSPECTED_MS / 2 else None

    @property
    def suspected_shift_semitones(self) -> int | None:
        """What would have to be added to all that was heard to make it what is written, where that is one number and
        not 0: the controller sends another pitch than was supposed. Read by the click alone, since pitch misleads
        then."""
        written = np.array([note.written_midi for note in self.section.passage.notes])
        due_s, played_s = note_onsets_s(self.section.passage, self.tempo_bpm), self.played["onset_s"]
        order = np.argsort(due_s, kind="stable")
        due_s, last = due_s[order], len(due_s) - 1
        after = np.searchsorted(due_s, played_s).clip(0, last)
        before = (after - 1).clip(0, last)
        nearest = np.where(played_s - due_s[before] < due_s[after] - played_s, before, after)
        near = np.abs(due_s[nearest] - played_s) <= NEAR_S
        shifts = (written[order[nearest]] - self.played["written_midi"])[near]
        if len(shifts) < SHIFT_SUSPECTED_NOTES:
            return None
        found, counts = np.unique(shifts, return_counts=True)
        likely = int(found[counts.argmax()])
        return likely if likely and counts.max() >= SHIFT_SUSPECTED_SHARE * len(self.played) else None
