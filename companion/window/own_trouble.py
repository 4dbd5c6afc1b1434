"""The player's own trouble spots, read from the practice log beside the loop: a long log must not hold up a frame."""

from __future__ import annotations

from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

from companion.charts.model import Chart
from companion.errors import RecordError
from companion.passage import Passage
from companion.planning.model import Plan

if TYPE_CHECKING:
    from companion.record.trouble import TroubleSpot

__all__ = ["OwnTrouble"]


class OwnTrouble:
    """`spots` are those not solved yet, worst first, as of the last reading that ended; `ask` begins another one where
    something it depends on has changed. `fault` says why there are none."""

    def __init__(self, folder: Path, passage: Passage) -> None:
        self.spots: tuple[TroubleSpot, ...] = ()
        self.fault = ""
        self._folder, self._passage = folder, passage
        self._asked: object = None
        self._thread: Thread | None = None

    def ask(self, chart: Chart, plan: Plan, takes: int) -> None:
        """Read anew for this plan and so many takes of the sitting, unless that is what was read last or a reading is
        under way."""
        wanted = chart.name, plan.version, takes
        if wanted == self._asked or (self._thread is not None and self._thread.is_alive()):
            return
        self._asked = wanted
        # It only reads: it may be cut off when the program ends.
        self._thread = Thread(target=self._read, args=(chart, plan), daemon=True)
        self._thread.start()

    def _read(self, chart: Chart, plan: Plan) -> None:
        # Loaded here, beside the loop: the first page needs neither, the end of a take must not wait for the judge.
        import companion.practice.judging  # noqa: F401
        from companion.record.trouble import troubles

        try:
            found = troubles(self._folder, self._passage, chart, plan)
        except RecordError as error:
            self.fault = str(error)
            return
        self.fault = ""
        self.spots = tuple(spot for spot in found if not spot.solved and spot.note_index >= 0)

    def wait(self, at_most_s: float) -> bool:
        """Wait for the reading under way; returns whether it is done."""
        if self._thread is not None:
            self._thread.join(at_most_s)
        return self._thread is None or not self._thread.is_alive()
