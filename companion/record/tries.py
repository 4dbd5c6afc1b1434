"""In which takes each change of fingering was tried, and how it failed there.

Conventions
-----------
* A change leads from one score note with its fingering to the next with its own. It was tried in a take where the note
  before it was played right and the take got as far. A take counts once, however often it came by.
* It failed where the note was wrong or left out, where a slip was heard on the way, where the player went back instead,
  and where the note fell behind the one before it: late by more than the take's tolerance, or a stop. Behind is counted
  at the tempo that was played, and what only makes up for an early note is not behind. Takes that don't say how much
  time there was (those of earlier programs) tell nothing of late notes.
* Places are printed ones: bar and beat of both notes, so that repeats and takes of single bars count together. A change
  that is fingered otherwise now is another change.
* A try that the ladder asked for is meant to be too fast: what fails in it is no trouble.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise

from companion.practice.model import EARLY, LATE, LEFT_OUT, NOT_REACHED, ON_TIME, WRONG_NOTE
from companion.record.model import NoteRecord, TakeRecord
from companion.record.own_takes import OwnTake
from companion.units import ms_from_s, s_per_beat

__all__ = [
    "BEHIND", "GONE_BACK", "KINDS", "NEWEST_TRIES", "OMITTED", "SLIPPED", "STOPPED", "STOP_BEATS", "STOP_MS", "WRONG",
    "Change", "Key", "Place", "Tried", "Try", "tried_in",
]  # fmt: skip

#: How a change fails, the plainest first.
WRONG, OMITTED, SLIPPED, GONE_BACK, STOPPED, BEHIND = "wrong", "left out", "slipped", "gone back", "stopped", "late"
KINDS = (WRONG, OMITTED, SLIPPED, GONE_BACK, STOPPED, BEHIND)

#: Of the takes in which a change was tried, so many of the newest count.
NEWEST_TRIES = 30
#: A note that comes so much behind the one before was stopped for (as `practice.reading` has it).
STOP_MS, STOP_BEATS = 250.0, 0.75

_RIGHT = (ON_TIME, EARLY, LATE)
#: (written MIDI number, keys) of a note, and of the two of a change.
_Shape = tuple[int, tuple[str, ...]]
Change = tuple[_Shape, _Shape]
#: (bar, beat) of both notes; empty for a change wherever it stands.
Place = tuple[str, ...]
Key = tuple[Place, Change]


@dataclass(frozen=True, slots=True)
class Try:
    """One take in which a change was tried: how it failed, empty where it went well."""

    day: str
    tempo_bpm: float
    passage: str
    kinds: frozenset[str]


@dataclass(slots=True)
class Tried:
    """All takes in which a change was tried, oldest first, and what is to be said about the change."""

    tries: list[Try] = field(default_factory=list)
    names: tuple[str, str] = ("", "")

    @property
    def newest(self) -> list[Try]:
        """Those that count."""
        return self.tries[-NEWEST_TRIES:]

    @property
    def counted(self) -> tuple[int, int]:
        """(failed, takes) of those that count."""
        newest = self.newest
        return sum(1 for t in newest if t.kinds), len(newest)


def tried_in(takes: Iterable[OwnTake], placed: bool) -> dict[Key, Tried]:
    found: dict[Key, Tried] = defaultdict(Tried)
    for own in takes:
        # Whoever wrote the file by hand may have written a tempo that is none.
        if not (own.tempo_bpm > 0 and own.take.tempo_bpm > 0) or own.take.ladder.get("trying"):
            continue
        of_take: dict[Key, set[str]] = {}
        for i, kinds in _outcomes(own.take):
            before, after = own.take.notes[i - 1], own.take.notes[i]
            place: Place = (before.bar, before.beat, after.bar, after.beat) if placed else ()
            key = place, ((before.written_midi, before.keys), (after.written_midi, after.keys))
            of_take.setdefault(key, set()).update(kinds)
            found[key].names = before.fingering, after.fingering
        for key, kinds in of_take.items():
            found[key].tries.append(Try(own.day, own.tempo_bpm, own.passage, frozenset(kinds)))
    return found


def _outcomes(take: TakeRecord) -> Iterator[tuple[int, set[str]]]:
    """(note arrived at, how the change failed) for each change of fingering that was tried."""
    slipped = {slip.note_index for slip in take.slips if slip.from_index == slip.note_index - 1}
    early_ms = 0.0
    for i, (before, after) in enumerate(pairwise(take.notes), start=1):
        behind_ms = _behind_ms(take, before, after)
        if _is_change(before, after) and before.verdict in _RIGHT and after.verdict != NOT_REACHED:
            yield i, _failures(take, after, i in slipped, behind_ms, early_ms)
        early_ms = max(min(-(after.deviation_ms or 0.0), -(behind_ms or 0.0)), 0.0)


def _is_change(before: NoteRecord, after: NoteRecord) -> bool:
    # The open horn has no keys, nor has a note without a plan; only the fingering's name tells them apart.
    return before.keys != after.keys and bool(before.fingering and after.fingering)


def _behind_ms(take: TakeRecord, before: NoteRecord, after: NoteRecord) -> float | None:
    """How far the note fell behind the one before it, at the tempo that was played."""
    if before.deviation_ms is None or after.deviation_ms is None or after.available_ms is None:
        return None
    at_tempo = take.tempo_bpm / take.tempo_played_bpm if take.tempo_played_bpm else 1.0
    return after.deviation_ms - before.deviation_ms - after.available_ms * (at_tempo - 1.0)


def _failures(take: TakeRecord, note: NoteRecord, slipped: bool, behind_ms: float | None, early_ms: float) -> set[str]:
    found = {kind for kind, verdict in ((WRONG, WRONG_NOTE), (OMITTED, LEFT_OUT)) if note.verdict == verdict}
    if slipped:
        found.add(SLIPPED)
    if note.went_back:
        found.add(GONE_BACK)
    if behind_ms is not None and note.available_ms is not None and note.verdict in _RIGHT:
        allowed_ms = max(take.tolerances.on_time_ms, take.tolerances.on_time_share * note.available_ms)
        if behind_ms - early_ms > allowed_ms:
            stop_ms = max(STOP_MS, STOP_BEATS * ms_from_s(s_per_beat(take.tempo_bpm)))
            found.add(STOPPED if behind_ms > stop_ms else BEHIND)
    return found
