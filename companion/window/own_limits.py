"""How fast the music on the stand can go by the player's own pace, and what stands in the way of a tempo."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from companion.charts.model import Chart
from companion.planning.limits import Limits, speed_limits
from companion.planning.pace import Pace
from companion.practice.clock import tempo_at_bpm
from companion.practice.hurdle import Hurdle, hurdle_of_trouble, hurdles_of_limits
from companion.practice.rehearsal import Rehearsal, Section
from companion.window.own_pace import OwnPace

if TYPE_CHECKING:
    from companion.record.trouble import TroubleSpot

__all__ = ["OwnLimits"]

#: So long the first look at the hard spots waits for the practice log: too short to be noticed, and mostly enough.
PACE_WAIT_S = 0.1


class OwnLimits:
    """Keeps what was worked out last. `folder` is that of the practice log, `chart` tells the horn on the stand."""

    def __init__(self, folder: Path, chart: Callable[[], Chart]) -> None:
        self._folder, self._chart = folder, chart
        self._own: OwnPace | None = None
        self._last: tuple[object, Limits] | None = None

    def forget(self) -> None:
        """Another horn: its takes tell another pace."""
        self._own = None

    @property
    def pace(self) -> Pace:
        """The player's own pace where takes tell it; the average of others until the log is read."""
        if self._own is None:
            self._own = OwnPace(self._folder, self._chart())
            self._own.wait(PACE_WAIT_S)
        return self._own.pace

    @property
    def words(self) -> str:
        """What the pace goes by, or why the log doesn't tell it."""
        pace = self.pace
        return self._own.fault if self._own and self._own.fault else pace.words

    def of(self, rehearsal: Rehearsal, section: Section | None = None) -> Limits:
        """The speed limits of the bars chosen, or of others, at the rung's tempo, by the notes' indices in the whole
        passage."""
        pace, chart = self.pace, self._chart()
        section = section or rehearsal.section
        bars = (section.first_bar, section.last_bar)
        key = (rehearsal.plan.version, rehearsal.tempo_bpm, chart.name, bars, pace)
        if self._last is None or self._last[0] != key:
            plan = rehearsal.plan.part(section.first_note, len(section.passage.notes))
            found = speed_limits(section.passage, plan, chart, rehearsal.tempo_bpm, pace)
            self._last = key, _moved(found, section.first_note)
        return self._last[1]

    def hurdles(
        self, rehearsal: Rehearsal, spots: Sequence[TroubleSpot], section: Section, tempo_bpm: float
    ) -> list[Hurdle]:
        """What of these bars can't go at a tempo, by the player's pace and by `spots`, which keep failing."""
        passage, plan = rehearsal.passage, rehearsal.plan
        hurdles = list(hurdles_of_limits(passage, plan, self.of(rehearsal, section), self.pace, tempo_bpm))
        # Trouble is told in the passage's first tempo.
        ratio = tempo_at_bpm(passage, passage.bars[section.first_bar].start, 1.0)
        notes = range(section.first_note, section.first_note + len(section.passage.notes))
        for spot in spots:
            if spot.fails_from_bpm is not None and spot.from_index in notes and spot.note_index in notes:
                evidence = spot.fails_from_bpm * ratio, spot.failed_from_there, spot.takes_from_there
                hurdles.append(hurdle_of_trouble(passage, plan, spot.from_index, spot.note_index, *evidence))
        return hurdles


def _moved(limits: Limits, by: int) -> Limits:
    """Limits of an excerpt whose first note is note `by` of the whole."""
    return replace(
        limits,
        changes=tuple(replace(c, note_index=c.note_index + by, from_index=c.from_index + by) for c in limits.changes),
        spots=tuple(replace(s, first_note=s.first_note + by, last_note=s.last_note + by) for s in limits.spots),
        reliefs=tuple(replace(r, note_index=r.note_index + by) for r in limits.reliefs),
        trills=tuple(replace(t, note_index=t.note_index + by) for t in limits.trills),
    )
