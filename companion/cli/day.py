"""What is open today: the week sheet's items, own trouble spots, shaky shapes, and a first go that counts."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from companion.cli.course import of_one_horn
from companion.cli.week_items import ItemMusic, ItemReader, ladder_of, play_words
from companion.errors import CompanionError
from companion.practice.day_plan import Day
from companion.practice.hurdle import change_in_words
from companion.practice.metronome import QUARTER, CountedNote, counted_note
from companion.practice.today import COLD, ITEM, SHAPES, TROUBLE, TURN_MIN, Task, need_of
from companion.practice.words import capital, number_of, piece_in_words, with_stop
from companion.record.cold import COLD_AFTER_S, cold_in_words, count_cold
from companion.record.index import Wanted, survey
from companion.record.lately import lately_played
from companion.record.model import TakeSummary
from companion.record.ongoing import Ongoing, began, ended, ongoing
from companion.record.outlook import is_heard
from companion.record.progress import Reached, best_clean_bpm, of_item, of_passage, reached, with_click
from companion.record.text import day_in_words
from companion.record.week import WEEKDAYS, WeekItem, WeekSheet

if TYPE_CHECKING:
    from companion.cli.opening import Opened
    from companion.planning.model import Plan
    from companion.record.trouble import TroubleSpot

__all__ = ["look_at_day"]

#: What was played longer ago says nothing of where the player stands.
DAYS_BACK = 120
#: So close before the day it counts, the day begins with a first go at the tempo of the target.
COLD_DAYS, COLD_NEAR = 3, 0.9
#: Another day begins a little below where the last one ended (common practice, no source).
ANOTHER_DAY = 0.95
#: So many spots a day, and so many minutes of one.
MOST_SPOTS, ENOUGH_MIN = 2, 3.0


@dataclass(frozen=True, slots=True)
class _Item:
    """An item with its music (None where that can't be opened) and what was played of it. `is_set` by a sheet, or it is
    what was played lately."""

    item: WeekItem
    music: ItemMusic | None
    takes: tuple[TakeSummary, ...]
    whole: tuple[TakeSummary, ...]
    reached: Reached
    fault: str = ""
    title: str = ""
    is_set: bool = True

    @property
    def words(self) -> str:
        """`Étude in E minor, bars 5–8`, `Links of Étude in E minor`."""
        name = capital(self.item.exercise)
        return piece_in_words(self.title or Path(self.item.passage).stem, self.item.bars, name)

    @property
    def counted(self) -> CountedNote:
        """The note in which its tempos are told, as the stand tells them."""
        return counted_note(self.music.passage.bars[0]) if self.music is not None else QUARTER

    @property
    def target(self) -> str:
        """Its target in a sentence."""
        return self.counted.mark(self.item.target_bpm)


def look_at_day(sheet: WeekSheet | None, sessions: Path, now: datetime) -> Day:
    """Look at sheet and record.

    Parameters
    ----------
    sheet
        None where there is none: then what was played lately is open, and what else the record tells. So it is where
        nothing is set.
    sessions
        The practice log.
    now
        With its zone.

    Raises
    ------
    RecordError
        If the log can't be read.
    """
    today = now.date()
    log = survey(sessions, wanted=Wanted(first_day=(today - timedelta(days=DAYS_BACK)).isoformat()))
    own = [take for take in log.takes if not take.simulated and not take.example]
    shown = [take for take in log.takes if take.simulated and not take.example and take.day == today.isoformat()]
    not_own = (f"{number_of(len(shown), 'take')} by the simulated player left out",) if shown else ()
    sitting = ongoing(own, now)
    reader = ItemReader(sheet.path if sheet is not None else Path(), sessions)
    is_set = sheet is not None and bool(sheet.items)
    if sheet is None or not sheet.items:
        sheet = _without_needless_parts(lately_played(own, today), reader)
    items = _items(sheet, reader, own, is_set=is_set)
    tasks: list[Task] = []
    done: list[str] = []
    later: list[str] = []
    for one in items:
        closed = _not_open(one, sheet, today)
        if closed is None:
            tasks.append(_task(one, sheet, today, sitting))
        else:
            (done if one.reached.done else later).append(closed)
    spots, practised, faults = _spots(items, reader, sessions, own, today, sitting)
    return Day(
        date=today,
        tasks=(*_cold(items, now), *tasks, *spots, *_shapes(items, sessions)),
        done=(*done, *practised),
        later=tuple(later),
        played_min=sum(take.duration_s for take in own if take.day == today.isoformat()) / 60,
        since_break_min=sitting.since_break_min,
        sitting_min=sitting.minutes,
        # Two items of one file have one fault.
        remarks=tuple(dict.fromkeys((*(one.fault for one in items if one.fault), *faults, *not_own, *log.remarks))),
    )


def _without_needless_parts(sheet: WeekSheet, reader: ItemReader) -> WeekSheet:
    """A part is named only where a score has several; one that can't be opened stays as it is."""
    items = []
    for item in sheet.items:
        with contextlib.suppress(CompanionError):
            if reader.opened(item.path).part is None:
                item = replace(item, part="")
        items.append(item)
    return replace(sheet, items=tuple(items))


def _items(sheet: WeekSheet, reader: ItemReader, own: Sequence[TakeSummary], *, is_set: bool) -> list[_Item]:
    week = [day.isoformat() for day in sheet.days]
    pools: dict[tuple[str, str, tuple[str, ...]], tuple[TakeSummary, ...]] = {}
    found = []
    for item in sheet.items:
        try:
            music = reader.music(item)
        except CompanionError as error:
            fault = f"{item.passage}: {error}" if os.path.isfile(item.path) else f"{item.passage} is not there"
            found.append(_Item(item, None, (), (), reached(item, week, (), ""), fault, is_set=is_set))
            continue
        # A passage's takes are sought once, however many items it has.
        file = "" if item.exercise else item.passage
        key = music.sha256, file, music.parts
        if key not in pools:
            of_file = of_passage(music.of_part(own), music.sha256, file)[0]
            pools[key] = of_one_horn(of_file, music.chart.name)[0]
        takes = of_item(item, pools[key], music.sha256)[0]
        title = reader.opened(item.path, item.part).passage.title
        what = reached(item, week, takes, music.sha256)
        found.append(_Item(item, music, takes, pools[key], what, title=title, is_set=is_set))
    return found


def _not_open(one: _Item, sheet: WeekSheet, today: date) -> str | None:
    """Why there is nothing to do; None where there is."""
    days = sheet.days_of(one.item)
    if one.reached.done:
        said = f"{one.reached.at_target} clean at {one.target}."
        if today in sheet.days and one.reached.best_by_day[sheet.days.index(today)][1]:
            return f"{one.words}: reached, and played today; {said}"
        if today not in days:
            return f"{one.words}: reached, {said}"
    elif today not in days and (coming := [day for day in days if day > today]):
        return f"{one.words}: not today; next on {_day(coming[0], today)}."
    return f"{one.words}: can't be put on the stand, see below." if one.music is None else None


def _task(one: _Item, sheet: WeekSheet, today: date, sitting: Ongoing) -> Task:
    item, best = one.item, best_clean_bpm(one.takes)
    gap = 1.0 if best is None else max(0.0, 1 - best / item.target_bpm)
    due = item.by or sheet.days_of(item)[-1]
    turns, played_min = sitting.of(one.takes, TURN_MIN)
    tempo_bpm = _stands_at(one, today)
    return Task(
        key=f"item {item.passage} {item.bars} {item.exercise} {sorted(item.exercise_options.items())}",
        kind=ITEM,
        title=one.words,
        why=_why(one, best, due, today),
        need=need_of(
            gap, (due - today).days, done=one.reached.done, minutes_today=_earlier_min(one.takes, today, sitting)
        ),
        command=(*play_words(item, tempo_bpm), *(() if one.is_set else ("--target", f"{item.target_bpm:g}"))),
        tempo_bpm=tempo_bpm,
        counted=one.counted,
        turns=turns,
        played_min=played_min,
        word=item.comment,
    )


def _earlier_min(takes: Sequence[TakeSummary], today: date, sitting: Ongoing) -> float:
    """Minutes played of these takes today, before the sitting that is going on."""
    begin = began(sitting.takes[0][0]) if sitting.takes else None
    of_today = [take for take in takes if take.day == today.isoformat()]
    return sum(take.duration_s for take in of_today if begin is None or began(take) < begin) / 60


def _why(one: _Item, best: float | None, due: date, today: date) -> str:
    item = one.item
    late = due < today
    if one.reached.done:
        return f"Reached: {one.reached.at_target} clean at {one.target}. Once more keeps it."
    if late:
        by = ""
    elif item.by:
        by = f" by {_day(due, today)}"
    else:
        by = " this week" if one.is_set else ", as you had it last"
    goal = f"target {one.target}{by}"
    if best is None:
        not_yet = "played without the click only" if one.takes else "not played yet"
        said = f"{goal}, {'not clean at any tempo yet' if with_click(one.takes) else not_yet}."
    elif best >= item.target_bpm - 0.05:
        missing = number_of(one.reached.wanted - one.reached.at_target, "clean take")
        said = f"{goal}{',' if late else ':'} the tempo is there, {missing} more to go."
    else:
        said = f"{goal}, clean up to {one.counted.mark(best)} so far."
    was = f"It was {'due on' if item.by else 'set for'} {_day(due, today)}: " if late else ""
    return capital(f"{was}{said}")


def _stands_at(one: _Item, today: date) -> float | None:
    """The tempo to go on from: that of today's last take, else the rung a little below where an earlier day ended."""
    practised = with_click(one.takes)
    if not practised:
        return None
    last = max(practised, key=began)
    if last.day == today.isoformat():
        return min(last.tempo_bpm, one.item.target_bpm)
    best = best_clean_bpm(one.takes)
    tempo_bpm = ANOTHER_DAY * min(best or last.tempo_bpm, last.tempo_bpm, one.item.target_bpm)
    # The stand begins on a rung of its ladder: what is told here is what will be read there.
    return ladder_of(one.item, one.music.passage).at(tempo_bpm).tempo_bpm if one.music else float(round(tempo_bpm))


def _cold(items: Sequence[_Item], now: datetime) -> Iterator[Task]:
    """One first go a day, of what counts soonest, where nothing of its passage was played in the last hours."""
    ripe = []
    for one in items:
        best = best_clean_bpm(one.takes)
        if one.music is None or one.item.exercise or one.item.by is None or best is None:
            continue
        left = (one.item.by - now.date()).days
        recent = now - timedelta(seconds=COLD_AFTER_S)
        warm = any(ended(take) > recent and is_heard(take) for take in one.whole)
        if 0 <= left <= COLD_DAYS and best >= COLD_NEAR * one.item.target_bpm and not warm:
            ripe.append((left, one))
    for left, one in sorted(ripe, key=lambda pair: pair[0])[:1]:
        soon = "today" if left == 0 else "tomorrow" if left == 1 else f"in {left} days"
        told = cold_in_words(count_cold(one.whole, one.item.target_bpm, one.item.bars))
        yield Task(
            key="cold",
            kind=COLD,
            title=f"First go: {one.words} at {one.target}",
            why=f"It counts {soon}: play it once, as on the day, before anything warms up. {told}".strip(),
            command=play_words(one.item, one.item.target_bpm),
            tempo_bpm=one.item.target_bpm,
        )


def _spots(
    items: Sequence[_Item],
    reader: ItemReader,
    sessions: Path,
    own: Sequence[TakeSummary],
    today: date,
    sitting: Ongoing,
) -> tuple[list[Task], list[str], list[str]]:
    """The worst unsolved spot of each passage in the bars that are set, the worst ones first; what was practised of
    them today, a sentence each; what could not be looked at."""
    found: list[tuple[float, Task]] = []
    practised: list[str] = []
    faults: list[str] = []
    seen: set[tuple[Path, str]] = set()
    for one in items:
        where = one.item.path, one.item.part
        if one.music is None or where in seen or not one.whole:
            continue
        seen.add(where)
        try:
            opened = reader.opened(*where)
            set_bars = [o.item.bars for o in items if (o.item.path, o.item.part) == where and o.music]
            worst = _worst_spot(opened, reader.plan(*where), sessions, set_bars)
        except CompanionError as error:
            faults.append(str(error))
            continue
        if worst is None:
            continue
        spot, change, sha256 = worst
        title = f"{change}, bar {spot.bar} of {opened.passage.title or one.item.path.stem}"
        takes = of_one_horn(of_passage(own, sha256, "")[0], opened.chart.name)[0]
        turns, played_min = sitting.of(takes, TURN_MIN)
        if _earlier_min(takes, today, sitting) + played_min >= ENOUGH_MIN:
            practised.append(f"{title}: practised today.")
            continue
        piece = replace(one.item, bars="", exercise="links", exercise_options={"into": spot.note_index})
        why, need = with_stop(spot.sentence), 1.5 + spot.rate
        task = Task(f"spot {where}", TROUBLE, title, why, need, play_words(piece), turns=turns, played_min=played_min)
        found.append((spot.rate, task))
    found.sort(key=lambda pair: -pair[0])
    return [task for _, task in found[:MOST_SPOTS]], practised, faults


def _worst_spot(
    opened: Opened, plan: Plan, sessions: Path, set_bars: Sequence[str]
) -> tuple[TroubleSpot, str, str] | None:
    """The worst spot of these bars (empty: of all) that links can be made of: itself, its change in words, and what
    takes of the links are known by. Raises `CompanionError` where the log can't be read."""
    from companion.cli.exercise_options import exercise_named, made_of
    from companion.record.own_takes import newest_own_takes
    from companion.record.trouble import troubles_in
    from companion.window.music import exercise_of

    passage, chart = opened.passage, opened.chart
    ranges = [passage.bar_range(bars) if bars else (0, len(passage.bars) - 1) for bars in set_bars]
    for spot in troubles_in(newest_own_takes(sessions, chart, passage), passage, plan):
        if spot.solved or spot.note_index < 0:
            continue
        if not any(first <= passage.notes[spot.note_index].bar <= last for first, last in ranges):
            continue
        try:
            made = made_of(exercise_named("links"), passage, "", {"into": str(spot.note_index)})
            sha256 = exercise_of(passage, plan, chart, made).sha256
        except CompanionError:
            continue
        known = spot.from_index >= 0
        change = change_in_words(passage, plan, spot.from_index, spot.note_index) if known else spot.change
        return spot, change, sha256
    return None


def _shapes(items: Sequence[_Item], sessions: Path) -> Iterator[Task]:
    """Shapes that are due, on the horn of the week's items; nothing for who never practised any."""
    from companion.charts import load
    from companion.practice.shapes import catalogue
    from companion.practice.spacing import is_due, shaky_first
    from companion.record.shapes import read_answers

    chart = next((one.music.chart for one in items if one.music is not None), None) or load("alto")
    cards, now = read_answers(sessions, chart.name).cards, datetime.now(UTC)
    due = [name for name in shaky_first(list(cards), cards, now) if is_due(cards[name], now)]
    if not due:
        return
    words = {question.id: question.words for question in catalogue(chart)}
    first = next((words[name] for name in due if name in words), "")
    shaky = f"; the shakiest: {first}" if first else ""
    command = ("shapes", *(["--instrument", chart.name] if chart.name != "alto" else []))
    count = number_of(len(due), "shape")
    yield Task("shapes", SHAPES, f"Shapes: {len(due)} due", f"{count} would be forgotten soon{shaky}.", 1.0, command)


def _day(day: date, today: date) -> str:
    """`Fri`; with its date where that could be another week's."""
    return WEEKDAYS[day.weekday()] if abs((day - today).days) < len(WEEKDAYS) else day_in_words(day)
