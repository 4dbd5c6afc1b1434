"""What stands on the stand: the piece, or an exercise made of it, each with all that is its own.

A rehearsal and its ladder, fingerings fixed by hand, what the teacher wrote, and what keeps failing in it: so going to
an exercise and back changes nothing of the other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from companion.charts.model import Chart
from companion.passage import Passage
from companion.planning.model import Plan
from companion.planning.reasons import reason_in_full
from companion.practice.climbs import GROW, STEADY
from companion.practice.ladder import Ladder, default_ladder
from companion.practice.rehearsal import Rehearsal
from companion.window.own_trouble import OwnTrouble

__all__ = ["Made", "Music", "Option", "exercise_of", "ladder_for", "material"]

Option = str | int | float | bool


@dataclass(frozen=True, slots=True)
class Made:
    """How an exercise was made: its name in the registry, the options, and of which bars of the piece (indices, both
    included)."""

    name: str
    options: tuple[tuple[str, Option], ...]
    bars: tuple[int, int]


@dataclass(slots=True)
class Music:
    """`made` is None for the piece itself. `marks`, `whys` and `comments` are fixed fingerings, the reasons given for
    them and what is written, by note; `marks_path` is the sheet that keeps the marks, None where nothing does."""

    rehearsal: Rehearsal
    trouble: OwnTrouble
    target_label: str
    made: Made | None = None
    marks: dict[int, str] = field(default_factory=dict)
    whys: dict[int, str] = field(default_factory=dict)
    comments: Mapping[int, str] = field(default_factory=dict)
    marks_path: Path | None = None

    @property
    def passage(self) -> Passage:
        """The whole of it."""
        return self.rehearsal.passage

    def comment(self, note_index: int) -> str:
        """The teacher's comment on a note, empty where there is none."""
        return self.comments.get(note_index, "")

    def reason(self, note_index: int) -> str:
        """Why the note has its fingering: the teacher's reason where there is one."""
        return reason_in_full(self.rehearsal.plan.choices[note_index], self.whys.get(note_index, ""))


def material(passage: Passage, plan: Plan, bars: tuple[int, int]) -> tuple[Passage, Plan]:
    """Bars of the piece as music to make an exercise of, as they are planned within the whole."""
    first_bar, last_bar = bars
    if bars == (0, len(passage.bars) - 1):
        return passage, plan
    kept = [note.index for note in passage.notes if first_bar <= note.bar <= last_bar]
    return passage.excerpt(first_bar, last_bar), plan.part(kept[0] if kept else 0, len(kept))


def ladder_for(exercise: Passage, piece: Ladder) -> Ladder:
    """A ladder of the exercise's own: as high as the piece's, by its steps and its count of clean takes, begun at the
    usual share of it, or where the piece's begins if that is slower: what is lifted out is to be easier. It climbs as
    the piece does, but grows by no bar groups: most exercises grow by themselves."""
    step_bpm = None if piece.step_percent else piece.step_bpm
    usual = default_ladder(exercise, piece.target_bpm, None, step_bpm, piece.clean_needed, piece.step_percent)
    climb = STEADY if piece.climb == GROW else piece.climb
    return replace(usual, start_bpm=min(usual.start_bpm, piece.start_bpm), climb=climb)


def exercise_of(passage: Passage, plan: Plan, chart: Chart, made: Made) -> Passage:
    """The exercise, out of the piece as it is planned for a horn.

    Raises
    ------
    UsageError
        There is nothing to make it of in these bars.
    NoFingering
        It would leave the horn.
    """
    from companion.exercises import REGISTRY  # not before: the first page needs none

    music, planned = material(passage, plan, made.bars)
    return REGISTRY[made.name](music, planned, chart, **dict(made.options))
