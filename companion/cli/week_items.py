"""What an item of the week sheet puts on the stand: its bars or its exercise, planned with the fingerings it fixes."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from companion.errors import CompanionError
from companion.record.week import DEFAULT_CLEAN_TAKES

if TYPE_CHECKING:
    from companion.charts.model import Chart
    from companion.cli.opening import Opened
    from companion.passage import Passage
    from companion.planning.model import Plan
    from companion.planning.pace import Pace
    from companion.practice.ladder import Ladder
    from companion.practice.reach import Reach
    from companion.record.model import TakeSummary
    from companion.record.week import WeekItem

__all__ = [
    "THIS_WEEK", "ItemMusic", "ItemReader", "item_of_exercise", "ladder_of", "play_words", "short_path",
    "with_fingerings",
]  # fmt: skip

#: What was played longer ago tells nothing of this week.
DAYS_BACK = 120
#: The reason given for a fingering that the week sheet fixes.
THIS_WEEK = "set for this week"


def play_words(item: WeekItem, tempo_bpm: float | None = None) -> tuple[str, ...]:
    """The words of the command that puts an item on the stand, at the rung nearest to a tempo, without `companion`."""
    words = ["play", short_path(item.path), *(["--part", item.part] if item.part else [])]
    words += ["--bars", item.bars] if item.bars else []
    words += ["--exercise", item.exercise] if item.exercise else []
    words += [word for name, value in item.exercise_options.items() for word in ("--set", f"{name}={value}")]
    return (*words, *(["--tempo", f"{tempo_bpm:g}"] if tempo_bpm else []))


def short_path(path: Path) -> str:
    """A path as it is typed in this folder, never as an option is."""
    short = os.path.relpath(path) if path.is_relative_to(Path.cwd()) else str(path)
    return os.path.join(os.curdir, short) if short.startswith("-") else short


def with_fingerings(opened: Opened, fingerings: Mapping[str, str], sheet: Path) -> Opened:
    """The passage with the fingerings that a week sheet fixes, by place (`6.4`).

    They win over the mark sheet's, which is as old as the passage: the week sheet is the teacher's latest word. What is
    chosen at the stand goes into the mark sheet, and holds until the passage is opened again. A place that isn't there,
    or a name that the horn has no fingering for, is set aside with a remark.
    """
    if not fingerings:
        return opened
    from companion.cli.opening import unknown_marks
    from companion.planning import all_marks
    from companion.record.marks import Mark, MarkSheet, Place, resolve

    marks = []
    for place, name in fingerings.items():
        bar, _, note = place.rpartition(".")
        marks.append(Mark("fingering", Place(bar.strip(), int(note)), name, why=THIS_WEEK))
    found = resolve(MarkSheet(sheet, tuple(marks)), opened.passage)
    whys = {index: why for index, why in opened.marked.whys.items() if index not in found.fingerings}
    marked = replace(
        opened.marked,
        fingerings=opened.marked.fingerings | found.fingerings,
        whys=whys | found.whys,
    )
    return replace(
        opened,
        marked=marked,
        marks=all_marks(opened.passage, opened.chart, marked.fingerings),
        remarks=(*opened.remarks, *found.remarks, *unknown_marks(found, opened.chart, sheet)),
    )


def ladder_of(item: WeekItem, passage: Passage) -> Ladder:
    """The ladder that an item asks for; `passage` is what it puts on the stand."""
    from companion.practice.climbs import STEADY
    from companion.practice.ladder import default_ladder

    return default_ladder(
        passage, item.target_bpm, item.start_bpm, item.step_bpm, item.clean_takes or DEFAULT_CLEAN_TAKES,
        item.step_percent or 0.0, item.climb or STEADY,
    )  # fmt: skip


def item_of_exercise(items: Sequence[WeekItem], opened: Opened, plan: Plan) -> Callable[[Passage], WeekItem | None]:
    """Says which item of a sheet asks for an exercise that is put on the stand, None where none does. `items` are those
    of the passage."""
    known: dict[str, WeekItem | None] = {}

    def sought(exercise: Passage) -> WeekItem | None:
        if exercise.sha256 not in known:
            known[exercise.sha256] = next((item for item in items if _makes(item, exercise, opened, plan)), None)
        return known[exercise.sha256]

    return sought


def _makes(item: WeekItem, exercise: Passage, opened: Opened, plan: Plan) -> bool:
    from companion.cli.exercise_options import exercise_named, made_of
    from companion.window.music import exercise_of

    if item.exercise:
        options = {name: str(value) for name, value in item.exercise_options.items()}
        with contextlib.suppress(CompanionError):  # one that can't be made is none that was taken up
            made = made_of(exercise_named(item.exercise), opened.passage, item.bars, options)
            return exercise_of(opened.passage, plan, opened.chart, made).sha256 == exercise.sha256
    return False


@dataclass(frozen=True, slots=True)
class ItemMusic:
    """What an item puts on the stand, planned. `sha256` is what takes of it are known by: that of the passage's file,
    or of the exercise; of a score with several parts also by `parts`, what the part is called."""

    passage: Passage
    plan: Plan
    chart: Chart
    sha256: str
    parts: tuple[str, ...] = ()

    def of_part(self, takes: Iterable[TakeSummary]) -> tuple[TakeSummary, ...]:
        """The takes without those of other parts. One that doesn't tell its part counts."""
        return tuple(take for take in takes if not self.parts or take.part in ("", *self.parts))


class ItemReader:
    """Opens the music of a sheet's items, each passage and the player's pace on each horn once."""

    def __init__(self, sheet: Path, sessions: Path) -> None:
        self._sheet, self._sessions = sheet, sessions
        self._opened: dict[tuple[Path, str], Opened] = {}
        self._plans: dict[tuple[Path, str], Plan] = {}
        self._paces: dict[str, Pace] = {}
        self._takes: tuple[TakeSummary, ...] | None = None

    def opened(self, path: Path, part: str | None = None, bars: str = "", exercise: str = "") -> Opened:
        """A passage with its mark sheet; without a part the one that is looked up for these bars, or this exercise.
        Raises `CompanionError` where it can't be read."""
        from companion.cli.opening import open_passage
        from companion.cli.which_part import Lookup

        key = path, part or ""
        if key not in self._opened:
            self._opened[key] = open_passage(
                path, part or None, lookup=Lookup(self._sheet, self._sessions, bars, exercise)
            )
        return self._opened[key]

    def plan(self, path: Path, part: str | None = None) -> Plan:
        """The plan of a passage with its mark sheet alone. Raises `CompanionError` where none can be made."""
        key = path, part or ""
        if key not in self._plans:
            self._plans[key] = self.opened(path, part).plan()
        return self._plans[key]

    def music(self, item: WeekItem) -> ItemMusic:
        """The music of an item, of its part. Raises `CompanionError` where it can't be opened, planned or made."""
        from companion.cli.exercise_options import exercise_named, made_of
        from companion.cli.made import plan_of
        from companion.window.music import exercise_of, material

        opened = with_fingerings(self.opened(item.path, item.part), item.fingerings, self._sheet)
        passage, chart = opened.passage, opened.chart
        whole = opened.plan() if item.fingerings else self.plan(item.path, item.part)
        if item.exercise:
            options = {name: str(value) for name, value in item.exercise_options.items()}
            made = exercise_of(
                passage, whole, chart, made_of(exercise_named(item.exercise), passage, item.bars, options)
            )
            return ItemMusic(made, plan_of(made, chart, opened.rules), chart, made.sha256)
        section, plan = material(
            passage, whole, passage.bar_range(item.bars) if item.bars else (0, len(passage.bars) - 1)
        )
        parts = (passage.part_name, passage.part_id) if opened.part is not None else ()
        return ItemMusic(section, plan, chart, passage.sha256, parts)

    def reach(self, item: WeekItem, music: ItemMusic) -> Reach | None:
        """What stands before the item's target, by the player's pace. Raises `CompanionError` where the log can't be
        read."""
        from companion.practice.reach import reach_of
        from companion.record.readings import pace_of

        name = music.chart.name
        if name not in self._paces:
            self._paces[name] = pace_of(self._sessions, music.chart)
        return reach_of(music.passage, music.plan, music.chart, item.target_bpm, self._paces[name])

    def chance(self, item: WeekItem, music: ItemMusic, due: date) -> str:
        """How likely the target is by a day, in words; empty where the player's own takes say nothing of it. Raises
        `CompanionError` where the log can't be read."""
        from companion.cli.course import of_one_horn
        from companion.record.index import Wanted, survey
        from companion.record.outlook import outlook, people_in_words
        from companion.record.progress import of_item
        from companion.record.text import day_in_words

        if self._takes is None:
            since = (date.today() - timedelta(days=DAYS_BACK)).isoformat()
            log = survey(self._sessions, wanted=Wanted(first_day=since))
            self._takes = tuple(take for take in log.takes if not take.simulated and not take.example)
        takes, _ = of_one_horn(of_item(item, music.of_part(self._takes), music.sha256)[0])
        chance = outlook(takes, item.target_bpm, due).chance
        if chance is None:
            return ""
        return (
            f"{day_in_words(due)}: {people_in_words(chance)} students with such takes would stand at"
            f" {item.target_bpm:g} or above."
        )
