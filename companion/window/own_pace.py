"""The player's own pace, read from the practice log beside the loop: a long log must not hold up a frame."""

from __future__ import annotations

from pathlib import Path
from threading import Thread

from companion.charts.model import Chart
from companion.errors import RecordError
from companion.planning.pace import Pace
from companion.record.readings import pace_of

__all__ = ["OwnPace"]


class OwnPace:
    """`pace` is the measured players' average until the log is read, and the player's own from then on. `fault` says
    why there is none."""

    def __init__(self, folder: Path, chart: Chart) -> None:
        self.pace = Pace()
        self.fault = ""
        self._folder, self._chart = folder, chart
        # It only reads: it may be cut off when the program ends.
        self._thread = Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        try:
            self.pace = pace_of(self._folder, self._chart)
        except RecordError as error:
            self.fault = str(error)

    def wait(self, at_most_s: float) -> bool:
        """Wait for the log to be read; returns whether it is."""
        self._thread.join(at_most_s)
        return not self._thread.is_alive()
