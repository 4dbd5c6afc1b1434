"""The course of one item (passage, bars, horn) put together from the practice log: what was played, what to expect,
what holds it back. For `companion progress` and its page for the lesson."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from companion.errors import CompanionError, RecordError
from companion.practice.words import number_of
from companion.record.limiting import HoldsBack, holds_back, near_limit
from companion.record.log import read_take
from companion.record.model import TakeRecord, TakeSummary
from companion.record.outlook import Outlook, outlook

if TYPE_CHECKING:
    from companion.cli.opening import Opened
    from companion.planning.model import Plan
    from companion.planning.pace import Pace
    from companion.practice.hurdle import Hurdle
    from companion.record.own_takes import OwnTake
    from companion.record.trouble import TroubleSpot

__all__ = ["Course", "Fingers", "course_of", "fingers_in", "fingers_of", "of_one_horn"]

#: So many takes are read in full at most to see what holds a passage back.
_MOST_READ = 40


@dataclass(frozen=True, slots=True)
class Course:
    """What was played of some bars, what to expect and what holds back (None without takes)."""

    bars: str
    takes: tuple[TakeSummary, ...]
    outlook: Outlook
    holds: HoldsBack | None


@dataclass(frozen=True, slots=True)
class Fingers:
    """The passage as it is planned, with the player's pace and trouble: read once for all bars of it."""

    opened: Opened
    plan: Plan
    pace: Pace
    spots: tuple[TroubleSpot, ...]


def of_one_horn(
    takes: Sequence[TakeSummary], instrument: str | None = None
) -> tuple[tuple[TakeSummary, ...], tuple[str, ...]]:
    """The takes on this horn, by default on that of the newest take, and what is to be said of the others."""
    horn = instrument or next((take.instrument for take in reversed(takes) if take.instrument), "")
    of_horn = tuple(take for take in takes if take.instrument in (horn, "") or not horn)
    others = Counter(take.instrument for take in takes if horn and take.instrument not in (horn, ""))
    return of_horn, tuple(
        f"{number_of(count, 'take')} on the {other} left out: --instrument {other} shows them"
        for other, count in sorted(others.items())
    )


def fingers_of(
    file: Path, part: str | None, instrument: str | None, sessions: Path, sheet: Path | None = None
) -> Fingers:
    """Read and plan the passage, and look the player's fingers up in the practice log; `sheet` is the week's.

    Raises
    ------
    CompanionError
        If score, mark sheet, horn or log can't be read.
    """
    from companion.cli.opening import open_passage
    from companion.cli.which_part import Lookup

    return fingers_in(open_passage(file, part, instrument, lookup=Lookup(sheet, sessions)), sessions)


def fingers_in(opened: Opened, sessions: Path) -> Fingers:
    """The same of a passage, or an exercise, that is open. Raises `CompanionError` as `fingers_of` does."""
    from companion.record.own_takes import newest_own_takes
    from companion.record.readings import pace_of
    from companion.record.trouble import troubles_in

    plan = opened.plan()
    own: list[OwnTake] = newest_own_takes(sessions, opened.chart, opened.passage)
    spots = tuple(spot for spot in troubles_in(own, opened.passage, plan) if not spot.solved and spot.note_index >= 0)
    return Fingers(opened, plan, pace_of(sessions, opened.chart), spots)


def course_of(
    bars: str,
    takes: Sequence[TakeSummary],
    sessions: Path,
    fingers: Fingers | None,
    target_bpm: float | None,
    by: date | None,
    today: date,
) -> Course:
    """The course of some bars, by takes of these bars on one horn, in order of time. Without `fingers` no change is
    named that holds back."""
    ahead = outlook(takes, target_bpm, by, today)
    holds = _holds(bars, takes, sessions, fingers, ahead) if takes else None
    return Course(bars, tuple(takes), ahead, holds)


def _holds(
    bars: str, takes: Sequence[TakeSummary], sessions: Path, fingers: Fingers | None, ahead: Outlook
) -> HoldsBack:
    now = ahead.forecast.band_on(ahead.forecast.last_day)
    newest = near_limit(_in_full(takes[-_MOST_READ:], sessions), now[1] if now else None)
    if fingers is None:
        return holds_back(newest)
    try:
        first, last = fingers.opened.passage.bar_range(bars) if bars else (0, len(fingers.opened.passage.bars) - 1)
    except CompanionError:  # bars of an earlier version of the file
        return holds_back(newest)
    notes = [note.index for note in fingers.opened.passage.notes if first <= note.bar <= last]
    within = range(notes[0], notes[-1] + 1) if notes else range(0)
    spots = [spot for spot in fingers.spots if spot.from_index in within and spot.note_index in within]
    hurdle = _hurdle(fingers, within, first, ahead.target_bpm) if ahead.target_bpm else None
    return holds_back(newest, spots, hurdle)


def _in_full(takes: Sequence[TakeSummary], sessions: Path) -> list[TakeRecord]:
    found = []
    for summary in takes:
        try:
            found.append(read_take(sessions, summary, events="none"))
        except RecordError:  # changed since the index was made; the next call sees it
            continue
    return found


def _hurdle(fingers: Fingers, within: range, first_bar: int, target_bpm: float) -> Hurdle | None:
    from companion.planning.limits import speed_limits
    from companion.practice.clock import tempo_at_bpm
    from companion.practice.hurdle import hurdles_of_limits, worst_hurdle

    passage, plan, chart = fingers.opened.passage, fingers.plan, fingers.opened.chart
    # Limits count in the passage's first tempo, a target in that of the bars.
    tempo_bpm = target_bpm / tempo_at_bpm(passage, passage.bars[first_bar].start, 1.0)
    limits = speed_limits(passage, plan, chart, tempo_bpm, fingers.pace)
    hurdles = hurdles_of_limits(passage, plan, limits, fingers.pace, tempo_bpm)
    return worst_hurdle((h for h in hurdles if h.from_index in within and h.note_index in within), tempo_bpm)
