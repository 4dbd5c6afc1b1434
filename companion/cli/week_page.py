"""`companion week --window`: the week sheet as a page, and what it leads to: the stand, an item's progress."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from companion import paths
from companion.cli.week_items import ItemMusic, ItemReader, play_words, short_path
from companion.errors import CompanionError, SeveralParts, UsageError
from companion.practice.metronome import QUARTER, counted_note
from companion.record.files import sha256_of
from companion.record.index import Wanted, survey
from companion.record.model import TakeSummary, normal_bars
from companion.record.progress import reached
from companion.record.week import WeekItem, WeekSheet, load
from companion.window.week_data import ItemAbout, WeekShown

if TYPE_CHECKING:
    from companion.reports.lesson import LessonItem
    from companion.window.week_app import WeekApp

__all__ = ["WeekDesk", "look_at_item", "show_week"]

_SCORES = (".musicxml", ".mxl", ".xml", ".mid", ".midi")
_MOST_PASSAGES, _MOST_PARTS = 300, 6


def look_at_item(
    item: WeekItem, days: Sequence[date], takes: Sequence[TakeSummary], reader: ItemReader, *, teacher: bool
) -> ItemAbout:
    """What became of an item in the week of these days, and what is to be said of its target; of a passage that isn't
    there nothing is. Guesses and chances are for who sets the target: who plays has the next take to think of.

    Raises
    ------
    RecordError
        If the log can't be read.
    """
    sha256, title, reach, said = "" if item.exercise else sha256_of(item.path), "", None, []
    music: ItemMusic | None = None
    if os.path.isfile(item.path):
        try:
            title = reader.opened(item.path, item.part).passage.title
            music = reader.music(item)
            sha256, takes = music.sha256, music.of_part(takes)
            reach = reader.reach(item, music)
            counted = counted_note(music.passage.bars[0])
            if counted != QUARTER:
                said.append(f"The stand counts {counted.many}: this target is {counted.mark(item.target_bpm)} there.")
        except CompanionError as error:
            said.append(str(error))
    found = reached(item, [day.isoformat() for day in days], takes, sha256)
    if teacher and music is not None and not found.done:
        said.append(reader.chance(item, music, item.by or days[-1]))
    shown = reach if reach is not None and (reach.measured or teacher) else None
    return ItemAbout(title, found, shown, tuple(filter(None, said)), play_words(item) if music is not None else ())


class WeekDesk:
    """What the page of the week gets from sheet, passages and practice log. `options` go with every command that puts
    something on the stand."""

    def __init__(self, path: Path, sessions: Path, options: Sequence[str] = (), *, teacher: bool = True) -> None:
        self.path, self._sessions, self._options, self._teacher = path, sessions, tuple(options), teacher
        self._reader = ItemReader(path, sessions)
        self._days: tuple[date, ...] = ()
        self._takes: tuple[TakeSummary, ...] = ()

    def look(self) -> WeekShown:
        """See `WeekSource`."""
        # The teacher's first item makes the sheet.
        blank = self._teacher and not self._days and not os.path.lexists(self.path)
        sheet = _blank(self.path) if blank else load(self.path)
        if blank:
            return WeekShown(sheet, date.today())
        self._days = sheet.days
        log = survey(self._sessions, wanted=Wanted(sheet.days[0].isoformat(), sheet.days[-1].isoformat()))
        self._takes = tuple(log.takes)
        missing = dict.fromkeys(item.passage for item in sheet.items if not os.path.isfile(item.path))
        remarks = [f"{name} is not there (looked in {sheet.path.parent})." for name in missing]
        today = date.today()
        if sheet.days[-1] < today:
            remarks.append("This week is over." + " M moves the sheet to the next one." * self._teacher)
        return WeekShown(sheet, today, (*remarks, *log.remarks))

    def about(self, item: WeekItem) -> ItemAbout:
        """See `WeekSource`."""
        from dataclasses import replace

        about = look_at_item(item, self._days, self._takes, self._reader, teacher=self._teacher)
        return replace(about, command=(*about.command, *self._options)) if about.command else about

    def passages(self) -> Sequence[Path]:
        """Scores beside the sheet and one folder below; those of the shared folder, and that come along, after them."""
        folders = [self.path.parent, paths.shared_dir(), paths.examples_dir()]
        found: dict[str, Path] = {}
        for path in (path for folder in folders for path in _beside(folder)):
            found.setdefault(path.name, path)
        return list(found.values())[:_MOST_PASSAGES]

    def check_bars(self, passage: Path, bars: str, part: str = "") -> str:
        """See `WeekSource`."""
        wanted = normal_bars(bars)
        try:
            opened = self._reader.opened(passage, part, wanted)
        except SeveralParts as several:
            names = ", ".join(name or key for key, name in several.parts[:_MOST_PARTS])
            raise UsageError(
                f"{passage.name} has several parts ({names}{', ...' * (len(several.parts) > _MOST_PARTS)}): say which"
                f" with companion week set {short_path(passage)} --part NAME --tempo 96"
            ) from None
        if wanted:
            opened.passage.bar_range(wanted)
        return opened.part or ""

    def progress(self) -> tuple[int, Callable[[int], LessonItem]]:
        """How many items the sheet has, and the page of each one's progress."""
        from companion.cli.progress_page import pages_of_week

        sheet = load(self.path)
        return len(sheet.items), pages_of_week(sheet, self._sessions, self._reader)


def _blank(path: Path) -> WeekSheet:
    today = date.today()
    return WeekSheet(path, today - timedelta(days=today.weekday()), "", ())


def _beside(folder: Path) -> list[Path]:
    try:
        below = [folder, *sorted(each for each in folder.iterdir() if each.is_dir() and not each.is_symlink())]
        found = [path for each in below for path in sorted(each.iterdir())]
    except OSError:
        return []
    scores = [path for path in found if path.suffix.lower() in _SCORES and path.is_file()]
    return [path for path in scores if not path.name.startswith(".")]


def show_week(desk: WeekDesk, *, student: bool, size: tuple[int, int], hidden: bool, shots: Path | None) -> int:
    """The page, and the stand in turn: what was started comes back to the page."""
    from companion.cli.started import SIGNALLED, start
    from companion.window.week_app import WeekApp
    from companion.window.week_editor import WeekEditor

    at, said, editor = 0, "", WeekEditor(desk.path)
    while True:
        app = WeekApp(desk, student=student, size=size, hidden=hidden, shots=shots, at=at, editor=editor)
        app.said = said
        try:
            chosen = app.loop()
            while chosen is not None and chosen.progress is not None:
                chosen = app.loop() if _progress(desk, app, chosen.progress) else None
            at, size = app.at, app.size
        finally:
            app.close()
        if chosen is None:
            return 0
        code, said = start([*chosen.command, "--size", "x".join(str(n) for n in size)])
        if code >= SIGNALLED:
            return code


def _progress(desk: WeekDesk, week: WeekApp, at: int) -> bool:
    """The items' progress in the same window; False where the window was closed there."""
    from companion.window.progress_app import ProgressApp

    try:
        count, page = desk.progress()
    except CompanionError as error:  # the sheet was torn meanwhile
        week.come_back(at, str(error))
        return True
    progress = ProgressApp(count, page, at=min(at, count - 1), size=week.size, back=True)
    progress.loop()
    week.come_back(progress.at)
    return not progress.closed
