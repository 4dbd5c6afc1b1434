"""What a sitting at the stand begins with."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from companion.charts.model import Chart
from companion.passage import Passage
from companion.planning import RULES, Rule
from companion.planning.model import Plan
from companion.practice.ladder import Ladder
from companion.practice.model import Tolerances
from companion.record.marks import Marked
from companion.window.music import Made

__all__ = ["Setup"]


@dataclass(frozen=True, slots=True)
class Setup:
    """All that the command line, the week sheet and the memory settled before the window opens.

    `takes` ends the run after so many; `by_itself` starts them without a key; `review_s` is how long a pencilled page
    is left to be read before the next one starts by itself. `target_label` is what the ladder's flag says. `marked` is
    what the mark sheet at `marks_path` says of the passage, `rules` are those to plan by. `exercise` stands on the
    stand first, on `exercise_ladder` (None: the same as the piece); `ladder_set` is the one that the week sheet sets
    for an exercise, `share_set` how many of its notes are to be slurred or tongued as written (None: as in the piece).
    """

    passage: Passage
    chart: Chart
    plan: Plan
    ladder: Ladder
    port: str = ""
    bars: tuple[int, int] | None = None
    tolerances: Tolerances = field(default_factory=Tolerances)
    target_label: str = "target"
    takes: int | None = None
    by_itself: bool = False
    review_s: float = 5.0
    muted: bool = False
    delay_ms: float | None = None
    shift_semitones: int | None = None
    sessions: Path = Path("sessions")
    settings: Path | None = None
    hidden: bool = False
    remarks: tuple[str, ...] = ()
    marks_path: Path | None = None
    marked: Marked | None = None
    rules: tuple[Rule, ...] = RULES
    exercise: Made | None = None
    exercise_ladder: Ladder | None = None
    ladder_set: Callable[[Passage], Ladder | None] | None = None
    share_set: Callable[[Passage], float | None] | None = None
