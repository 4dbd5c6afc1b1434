"""What was reached: which takes count for a passage, and what they come to day by day. Summaries in, figures out.

A performance without a click (`TakeSummary.performance`) is told apart. Its tempo is the player's own and it is judged
by the player's own beat, so it reaches no target, is no clean take of those that are wanted, and says nothing of the
tempo to go on from; it is named beside them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from companion.record.model import TakeSummary, file_name, normal_bars
from companion.record.week import DEFAULT_CLEAN_TAKES, WEEKDAYS, WeekItem

__all__ = [
    "CARE",
    "Day",
    "Reached",
    "best_clean_bpm",
    "by_day",
    "clean_at_target",
    "fastest_clean_by_day",
    "has_no_tempo",
    "longest_stretch_s",
    "of_item",
    "of_passage",
    "performance_in_words",
    "reached",
    "who_played",
    "with_click",
]

#: From memory: common advice for wind players is a break of some minutes every 25 to 30.
LONG_STRETCH_S = 25 * 60
BREAK_S = 4 * 60
CARE = (
    "Long practice: a break of some minutes every 25 to 30; stop at pain, numbness or tingling; keep click and"
    " headphones moderate. Your teacher and licensed health professionals decide."
)


@dataclass(frozen=True, slots=True)
class Day:
    """One day's takes of a passage. `best_clean_bpm` is None without a clean take, `target_bpm` the last that was set.
    `trouble` holds (printed bar, takes it was named in), the most frequent first; `advice` is the last one that was
    given about trouble in a take that was not clean, else in one that was, else the last one."""

    day: str
    takes: int
    clean: int
    best_clean_bpm: float | None
    target_bpm: float | None
    trouble: tuple[tuple[str, int], ...]
    advice: str


@dataclass(frozen=True, slots=True)
class Reached:
    """What became of one item of the week sheet. `best_by_day` has one entry for each of the seven days: the best clean
    tempo (None without a clean take), how many clean takes there were at the target or above, and how many takes;
    `performed_by_day` how many of them were performances."""

    best_by_day: tuple[tuple[float | None, int, int], ...]
    best_clean_bpm: float | None
    at_target: int
    wanted: int
    remarks: tuple[str, ...] = ()
    performed_by_day: tuple[int, ...] = (0,) * 7

    @property
    def done(self) -> bool:
        """As many clean takes at the target as were asked for."""
        return self.at_target >= self.wanted


def of_passage(
    takes: Iterable[TakeSummary], sha256: str, path: str, bars: str | None = None
) -> tuple[tuple[TakeSummary, ...], tuple[str, ...]]:
    """The takes of one file, and what is to be said about how they were found.

    Parameters
    ----------
    takes
        All takes.
    sha256, path
        The file as it is now. Takes of a file of the same name but other content count too, since an edited file is
        still the same passage; that is said.
    bars
        Printed bars: only takes of exactly these (empty: of the whole passage). None: takes of any bars.
    """
    name = file_name(path)
    found = [take for take in takes if take.sha256 == sha256 or (name and take.file_name == name)]
    if bars is not None:
        found = [take for take in found if take.bars == normal_bars(bars)]
    edited = sum(take.sha256 != sha256 for take in found)
    remarks = []
    if edited:
        remarks.append(f"{_takes(edited)} of {len(found)} played from another version of {name} (matched by file name)")
    return tuple(found), tuple(remarks)


def of_item(
    item: WeekItem, takes: Iterable[TakeSummary], sha256: str
) -> tuple[tuple[TakeSummary, ...], tuple[str, ...]]:
    """The takes of an item of the week sheet, as `of_passage` has them. An exercise is known by its content alone (one
    that can't be made has no takes), and has no bars of the music's."""
    if item.exercise and not sha256:
        return (), ()
    name, bars = ("", "") if item.exercise else (item.passage, item.bars)
    return of_passage(takes, sha256, name, bars)


def who_played(takes: Sequence[TakeSummary]) -> tuple[tuple[TakeSummary, ...], tuple[str, ...]]:
    """The player's own takes, if there are any; else the simulated player's; else the example's; and which they are.

    A simulated or an invented take is nobody's practice, so it never counts beside a real one.
    """
    own = tuple(take for take in takes if not take.simulated and not take.example)
    simulated = tuple(take for take in takes if take.simulated and not take.example)
    example = tuple(take for take in takes if take.example)
    if own:
        left_out = f"{_takes(len(simulated))} by the simulated player left out" if simulated else ""
        return own, (left_out,) if left_out else ()
    if simulated:
        return simulated, ("played by the simulated player, not by you",)
    return example, ("invented example that comes along, nobody's practice",) if example else ()


def with_click(takes: Iterable[TakeSummary]) -> tuple[TakeSummary, ...]:
    """All but the performances."""
    return tuple(take for take in takes if not take.performance)


def has_no_tempo(take: TakeSummary) -> bool:
    """Whether of a performance so little was played that its tempo tells nothing."""
    part = "not reached" in take.because or take.because.startswith(("nothing", "little"))
    return bool(take.performance and (part or take.interrupted))


def performance_in_words(take: TakeSummary, day: str) -> str:
    """`performed on Tue at about 92, not clean`; `day` is the day's name. A tempo is told of a whole one only."""
    tempo = "" if has_no_tempo(take) else f" at about {take.tempo_bpm:.0f}"
    return f"performed on {day}{tempo}, {'' if take.clean else 'not '}clean"


def best_clean_bpm(takes: Iterable[TakeSummary]) -> float | None:
    """The highest tempo of a clean take with the click, in quarters a minute."""
    return max((take.tempo_bpm for take in with_click(takes) if take.clean), default=None)


def fastest_clean_by_day(takes: Iterable[TakeSummary]) -> tuple[tuple[str, float], ...]:
    """(day, fastest clean tempo in quarters a minute) of each day with a clean take with the click, oldest first."""
    best: dict[str, float] = {}
    for take in with_click(takes):
        if take.clean:
            best[take.day] = max(best.get(take.day, 0.0), take.tempo_bpm)
    return tuple(sorted(best.items()))


def by_day(takes: Iterable[TakeSummary]) -> tuple[Day, ...]:
    """Takes with the click day by day, oldest first."""
    days: dict[str, list[TakeSummary]] = {}
    for take in sorted(with_click(takes), key=lambda take: (take.day, take.started)):
        days.setdefault(take.day, []).append(take)
    return tuple(_day(day, of_day) for day, of_day in days.items())


def _day(day: str, takes: Sequence[TakeSummary]) -> Day:
    trouble = Counter(bar for take in takes for bar in take.trouble_bars.split())
    targets = [take.target_bpm for take in takes if take.target_bpm is not None]
    # What was said about the last take that had trouble tells more than what was said about a clean one after it.
    told = [take for take in takes if take.advice]
    troubled = [take for take in told if take.trouble_bars]
    advice = [take.advice for take in [take for take in troubled if not take.clean] or troubled or told]
    return Day(
        day=day,
        takes=len(takes),
        clean=sum(1 for take in takes if take.clean),
        best_clean_bpm=best_clean_bpm(takes),
        target_bpm=targets[-1] if targets else None,
        trouble=tuple(trouble.most_common()),
        advice=advice[-1] if advice else "",
    )


def reached(item: WeekItem, days: Sequence[str], takes: Sequence[TakeSummary], sha256: str) -> Reached:
    """What became of an item in a week.

    Parameters
    ----------
    item
        The item; takes of exactly its bars count.
    days
        The week's seven dates, `YYYY-MM-DD`.
    takes
        All takes, or at least the week's.
    sha256
        Hash of the item's file, of an exercise that of its content; empty where it is not there.
    """
    found, remarks = of_item(item, (take for take in takes if take.day in days), sha256)
    counted, who = who_played(found)
    cells = []
    for day in days:
        of_day = [take for take in counted if take.day == day]
        cells.append((best_clean_bpm(of_day), clean_at_target(of_day, item.target_bpm), len(of_day)))
    return Reached(
        best_by_day=tuple(cells),
        best_clean_bpm=best_clean_bpm(counted),
        at_target=clean_at_target(counted, item.target_bpm),
        wanted=item.clean_takes or DEFAULT_CLEAN_TAKES,
        remarks=(*who, *remarks, *(_performed(take) for take in counted if take.performance)),
        performed_by_day=tuple(sum(1 for t in counted if t.performance and t.day == day) for day in days),
    )


def _performed(take: TakeSummary) -> str:
    return performance_in_words(take, WEEKDAYS[date.fromisoformat(take.day).weekday()])


def clean_at_target(takes: Iterable[TakeSummary], target_bpm: float) -> int:
    """How many clean takes with the click there are at the target or above."""
    # A ladder's top rung is exactly the target, but a tempo typed as 95.99 should not be argued about.
    return sum(1 for take in with_click(takes) if take.clean and take.tempo_bpm >= target_bpm - 0.05)


def longest_stretch_s(takes: Iterable[TakeSummary]) -> float:
    """The longest time played without a break of some minutes, in seconds."""
    longest = 0.0
    begin = end = None
    for take in sorted(takes, key=lambda take: take.started):
        at = datetime.fromisoformat(take.started)
        if begin is None or end is None or at.tzinfo != begin.tzinfo or at - end > timedelta(seconds=BREAK_S):
            begin = at
        end = at + timedelta(seconds=take.duration_s)
        longest = max(longest, (end - begin).total_seconds())
    return longest


def _takes(count: int) -> str:
    return "1 take" if count == 1 else f"{count} takes"
