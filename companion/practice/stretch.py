"""How long the player has been at it without a break, take by take at the stand."""

from __future__ import annotations

from dataclasses import dataclass, replace

from companion.practice.today import BREAK_AFTER_MIN
from companion.units import ns_from_s, s_from_ns

__all__ = ["Stretch"]


@dataclass(frozen=True, slots=True)
class Stretch:
    """From the first take after a break to the end of the last one; `break_s` and more between two is a break."""

    break_s: float
    begin_ns: int | None = None
    end_ns: int = 0

    def after(self, start_ns: int, end_ns: int) -> Stretch:
        """The stretch with another take."""
        going_on = self.begin_ns is not None and start_ns - self.end_ns < ns_from_s(self.break_s)
        return replace(self, begin_ns=self.begin_ns if going_on else start_ns, end_ns=end_ns)

    @property
    def minutes(self) -> float:
        """How long it is."""
        return 0.0 if self.begin_ns is None else s_from_ns(self.end_ns - self.begin_ns) / 60

    @property
    def words(self) -> str:
        """That it is time for a break; empty where it is not. The figure is that of a day's plan, see
        `practice.today`."""
        if self.minutes < BREAK_AFTER_MIN:
            return ""
        return f"{self.minutes:.0f} minutes without a break: rest for some minutes before you go on"
