"""What was played and what became of it: the words the practice room shares with record and window.

Conventions
-----------
* Live time is integer ns of one monotonic clock; a `Follower` is told when beat 0 of the passage is (`start_ns`).
* Analysis is `float64` seconds from beat 0 of the passage. A deviation is played minus expected: early is negative.
* Verdicts are plain strings from `VERDICTS`, so that the record can be read without this program.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from companion.arrays import Ints, Records

__all__ = [
    "ADDED", "EARLY", "LATE", "LEFT_OUT", "NOT_REACHED", "ON_TIME", "PLAYED", "VERDICTS", "WRONG_NOTE",
    "Alignment", "Assessment", "LiveVerdict", "NoteResult", "PlayedArray", "RawEvent", "Tolerances",
]  # fmt: skip

#: One played note. Seconds from the start of the passage's first bar as written; offset is NaN where the note was still
#: held at the end.
PLAYED = np.dtype([("onset_s", "f8"), ("offset_s", "f8"), ("written_midi", "i2"), ("velocity", "u1")])
PlayedArray = Records

ON_TIME = "on time"
EARLY = "early"
LATE = "late"
WRONG_NOTE = "wrong note"
LEFT_OUT = "left out"
NOT_REACHED = "not reached"
ADDED = "added"
VERDICTS = (ON_TIME, EARLY, LATE, WRONG_NOTE, LEFT_OUT, NOT_REACHED, ADDED)


@dataclass(frozen=True, slots=True)
class RawEvent:
    """One MIDI message as it arrived: `time_ns` of the monotonic clock and its bytes (running status resolved)."""

    time_ns: int
    message: bytes


@dataclass(frozen=True, slots=True)
class Tolerances:
    """What counts as on time, and as a clean take. Every figure is stated to the player and adjustable.

    A note is on time within `on_time_ms` of the click, or `on_time_share` of the interval to the nearer note if that is
    more; `practice.tolerance` says how these follow from Friberg and Sundberg (1995). A clean take has at least
    `clean_share_on_time` of its notes on time and none further off than `clean_worst` times what is on time.
    """

    on_time_ms: float = 30.0
    on_time_share: float = 0.10
    clean_share_on_time: float = 0.95
    clean_worst: float = 3.0


@dataclass(frozen=True, slots=True)
class LiveVerdict:
    """What the follower says at once. `note_index` is -1 for an added note. `provisional` verdicts may still be revised
    by the next event; a later verdict on the same note (or, for added notes, the same `time_ns`) replaces the earlier
    one, `NOT_REACHED` takes it back. `played_midi` is None for a left-out note; `time_ns` is when it was played."""

    note_index: int
    kind: str
    deviation_ms: float | None = None
    played_midi: int | None = None
    provisional: bool = False
    time_ns: int = 0


@dataclass(frozen=True, slots=True)
class Alignment:
    """The final matching of a take. `pairs` is an int array [shape=(n, 2)] of (score index or -1, played index or -1):
    a row for each played note (-1 where it is extra), and one for each score note left out. `cost` is in nats."""

    pairs: Ints
    cost: float


@dataclass(frozen=True, slots=True)
class NoteResult:
    """The final word on one score note. `deviation_ms` is None where the note was not played."""

    note_index: int
    verdict: str
    deviation_ms: float | None = None
    played_midi: int | None = None


@dataclass(frozen=True, slots=True)
class Assessment:
    """The final word on a take.

    `notes` has one result a score note. `added` lists (nearest score index, written MIDI number) of notes that are not
    in the score. `clean` is whether the take counts for the ladder, `because` why not, in words (empty if clean).
    `advice` is the one plain sentence for the player. `trouble_bars` are indices into `Passage.bars`, worst first.
    """

    tempo_bpm: float
    notes: tuple[NoteResult, ...]
    added: tuple[tuple[int, int], ...]
    clean: bool
    because: str
    advice: str
    trouble_bars: tuple[int, ...] = ()
    tempo_played_bpm: float | None = None
