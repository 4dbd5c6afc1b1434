"""Clock, hearing, follower, judge and ladder: pure, without sound, screen, files or waiting."""

from typing import TYPE_CHECKING, Any

from companion.practice.clock import Click, TakeClock, take_clock
from companion.practice.follower import Follower
from companion.practice.hearing import Shift, find_shift, to_played
from companion.practice.ladder import Ladder, Step, default_ladder
from companion.practice.matching import align
from companion.practice.model import PLAYED, Alignment, Assessment, LiveVerdict, NoteResult, RawEvent, Tolerances

if TYPE_CHECKING:
    from companion.practice.judging import judge

__all__ = [
    "PLAYED", "Alignment", "Assessment", "Click", "Follower", "Ladder", "LiveVerdict", "NoteResult", "RawEvent",
    "Shift", "Step", "TakeClock", "Tolerances", "align", "default_ladder", "find_shift", "judge",
    "take_clock", "to_played",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    """The judge is loaded when it is asked for: the stand shows its first page without it."""
    if name == "judge":
        from companion.practice.judging import judge

        return judge
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
