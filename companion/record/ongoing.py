"""The sitting that is going on: how long it has lasted, and what had how many turns in it.

Conventions
-----------
* Minutes are those of the clock on the wall, since who counts rests and looks at the page is at it too; a pause of more
  than `BREAK_S` is a break and counts for nothing.
* After `REST_S` without a take the sitting is over, and the next take begins another one. (The figure is ours, no
  source.)
* Days and zones make no difference: a sitting may go on past midnight. What the clock says is yet to come is left out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from companion.record.model import TakeSummary
from companion.record.progress import BREAK_S

__all__ = ["REST_S", "Ongoing", "began", "ended", "ongoing"]

REST_S = 30 * 60.0


@dataclass(frozen=True, slots=True)
class Ongoing:
    """`takes` are those of the sitting, oldest first, each with the minutes that it and the pause after it took;
    `minutes` is their sum, `since_break_min` what of it comes after the last break. Nothing where none is going on."""

    takes: tuple[tuple[TakeSummary, float], ...] = ()
    since_break_min: float = 0.0

    @property
    def minutes(self) -> float:
        """How long it has lasted, without breaks."""
        return sum((minutes for _, minutes in self.takes), 0.0)

    def of(self, takes: Iterable[TakeSummary], turn_min: float) -> tuple[int, float]:
        """How many turns these takes had in it, and how many minutes. Takes in a row are one turn, and as many more as
        `turn_min` goes into them."""
        wanted = {(take.file, take.id) for take in takes}
        runs: list[float] = []
        before = False
        for take, minutes in self.takes:
            here = (take.file, take.id) in wanted
            if here and before:
                runs[-1] += minutes
            elif here:
                runs.append(minutes)
            before = here
        return sum(max(1, round(run / turn_min)) for run in runs), sum(runs, 0.0)


def ongoing(takes: Iterable[TakeSummary], now: datetime) -> Ongoing:
    """The sitting that is going on at `now` (with its zone), of one player's takes in any order."""
    rest, pause = timedelta(seconds=REST_S), timedelta(seconds=BREAK_S)
    found: list[tuple[TakeSummary, float]] = []
    since, broken, end = timedelta(), False, now
    for take in sorted((take for take in takes if began(take) <= now), key=began, reverse=True):
        gap = max(end - ended(take), timedelta())
        if gap > rest:
            break
        broken = broken or gap > pause
        spent = max(end - began(take), timedelta()) - (gap if gap > pause else timedelta())
        since += timedelta() if broken else spent
        found.append((take, spent / timedelta(minutes=1)))
        end = min(end, began(take))
    return Ongoing(tuple(reversed(found)), since / timedelta(minutes=1))


def began(take: TakeSummary) -> datetime:
    """When a take began; one that doesn't say its zone was played in UTC."""
    at = datetime.fromisoformat(take.started)
    return at if at.tzinfo is not None else at.replace(tzinfo=UTC)


def ended(take: TakeSummary) -> datetime:
    """When a take ended."""
    return began(take) + timedelta(seconds=take.duration_s)
