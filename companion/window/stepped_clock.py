"""A clock for windows that nobody looks at."""

from __future__ import annotations

from companion.units import NS_PER_S

__all__ = ["SteppedClock"]


class SteppedClock:
    """A clock that moves only when told: the simulated player then plays as fast as frames can be drawn."""

    def __init__(self, start_ns: int = NS_PER_S) -> None:
        self.now_ns = start_ns

    def __call__(self) -> int:
        return self.now_ns

    def step(self, ns: int) -> None:
        """Let time pass."""
        self.now_ns += ns
