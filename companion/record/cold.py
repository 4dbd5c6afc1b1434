"""Cold takes: the first go at a passage after time away from it, which is what a performance is.

A take that comes after others shows what can be reached; the first one shows what is there when it counts. Players and
teachers overrate the one by the other: how well something goes during practice tells little of how well it is kept
(N. C. Soderstrom and R. A. Bjork, "Learning versus performance: an integrative review", Perspectives on Psychological
Science 10 (2015) 176-199, from memory). So first takes are counted apart.

Conventions
-----------
* A take is cold where none of the same passage, in any bars, was played for `COLD_AFTER_S` before it. (The figure is
  ours, no source: a lunch, not a break.)
* An exercise is a piece of its own: it neither counts for its passage nor warms it up, as scales do not before a
  performance. Neither do midnight, zones or a second window begin anything: only the clock between takes counts.
* A take that the player stopped is one that was not clean, however soon: on the day there is no second beginning. One
  in which the controller vanished says nothing of the player and is not counted, though what comes after it is warm. A
  take in which nothing was heard is as if there had been none.
* Only those at the target's tempo or close under it (`NEAR_SHARE`) tell of the performance; without a target, all. A
  performance without a click that broke down too soon to have a tempo was meant to have that of its target.
* The chance is that of the last `MOST_COUNTED`, since a player changes; the interval is Wilson's (see `wilson`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from companion.practice.finished import STOPPED
from companion.record.model import TakeSummary
from companion.record.ongoing import began, ended
from companion.record.outlook import is_heard
from companion.record.progress import has_no_tempo
from companion.record.wilson import wilson_interval

__all__ = [
    "COLD_AFTER_S",
    "MOST_COUNTED",
    "NEAR_SHARE",
    "Cold",
    "cold_ids",
    "cold_in_words",
    "cold_takes",
    "count_cold",
]

COLD_AFTER_S = 2 * 3600.0
NEAR_SHARE = 0.95
MOST_COUNTED = 12
#: From so many on a chance is told.
LEAST_COUNTED = 3


@dataclass(frozen=True, slots=True)
class Cold:
    """How many of the last cold takes near `target_bpm` (any tempo: None) were clean, and between which shares the
    chance of a clean first take lies in 19 of 20 such cases. `slower` cold takes were too slow to tell."""

    clean: int
    total: int
    low: float
    high: float
    slower: int
    target_bpm: float | None


def cold_takes(takes: Iterable[TakeSummary]) -> tuple[TakeSummary, ...]:
    """The cold ones among the takes of one passage (all bars of it), oldest first. Give all of one player's takes of
    the passage: a take that is left out can't warm the next one up."""
    found: list[TakeSummary] = []
    end: datetime | None = None
    for take in sorted((take for take in takes if is_heard(take)), key=began):
        if end is None or began(take) - end >= timedelta(seconds=COLD_AFTER_S):
            found.append(take)
        end = ended(take) if end is None else max(end, ended(take))
    return tuple(found)


def cold_ids(takes: Iterable[TakeSummary]) -> frozenset[str]:
    """Which takes are to be marked as first ones, by their ids; of a passage's takes as in `cold_takes`."""
    return frozenset(take.id for take in cold_takes(takes) if not _vanished(take))


def count_cold(takes: Iterable[TakeSummary], target_bpm: float | None, bars: str | None = None) -> Cold:
    """Count the cold takes.

    Parameters
    ----------
    takes
        All takes of one passage by one player.
    target_bpm
        Quarters a minute; None counts cold takes at any tempo.
    bars
        Only takes of exactly these bars are counted (those of others still warm up); None: of any.
    """
    cold = [take for take in cold_takes(takes) if not _vanished(take) and (bars is None or take.bars == bars)]
    near = [take for take in cold if target_bpm is None or _meant_bpm(take) >= NEAR_SHARE * target_bpm]
    last = near[-MOST_COUNTED:]
    clean = sum(1 for take in last if take.clean)
    low, high = wilson_interval(clean, len(last))
    return Cold(clean, len(last), low, high, len(cold) - len(near), target_bpm)


def cold_in_words(cold: Cold) -> str:
    """One line; empty where no cold take was played at all."""
    where = f" near {cold.target_bpm:g}" if cold.target_bpm else ""
    if not cold.total:
        if not cold.slower:
            return ""
        return (
            f"First takes{where}: none yet, {cold.slower} slower. Begin a sitting with one go at the tempo that counts"
            " before practising."
        )
    last = "the last " if cold.total == MOST_COUNTED else ""
    counted = f"First takes{where}: {cold.clean} of {last}{cold.total} clean"
    if cold.total < LEAST_COUNTED:
        return f"{counted}; too few to tell the chance."
    return (
        f"{counted}: the chance that the first one is clean lies between"
        f" {100 * cold.low:.0f} and {100 * cold.high:.0f} % (95 % interval)."
    )


def _vanished(take: TakeSummary) -> bool:
    """Broken off by what the player did not do."""
    return take.interrupted not in ("", STOPPED)


def _meant_bpm(take: TakeSummary) -> float:
    return take.target_bpm if take.target_bpm and has_no_tempo(take) else take.tempo_bpm
