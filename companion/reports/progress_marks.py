"""What a plot of progress shows, as plain data for any surface to draw: paper, screen."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from companion.practice.forecast import Forecast
from companion.record.model import TakeSummary
from companion.record.progress import with_click

__all__ = [
    "DAYS_AHEAD",
    "DAY_WIDTH",
    "MOST_SINGLE_DAYS",
    "MOST_SINGLE_TAKES",
    "ProgressMarks",
    "Span",
    "progress_marks",
]

#: More takes or days than this are drawn as one bar for each day, week or month.
MOST_SINGLE_TAKES, MOST_SINGLE_DAYS = 300, 45
#: The takes of a day are spread over so much of its width, and bars of days are as wide.
DAY_WIDTH = 0.7
#: So many days of the forecast are drawn where no day is asked for.
DAYS_AHEAD = 7


@dataclass(frozen=True, slots=True)
class Span:
    """All takes of `days` days from ordinal `begin` on: tempos from `low_bpm` to `high_bpm`, and the best clean one."""

    begin: int
    days: int
    low_bpm: float
    high_bpm: float
    best_clean_bpm: float | None


@dataclass(frozen=True, slots=True)
class ProgressMarks:
    """What is drawn. Days are ordinals of `datetime.date`; a day's takes are spread over its width in their order.

    `clean` and `not_clean` hold (day, tempo) of single takes; with very many takes they are empty and `spans` stand for
    them. `best` holds the corners of the line of the best clean tempo so far. `band` holds (day, low, middle, high) of
    the learning curve, from `forecast_from` on as it is expected; it is empty where nothing is said. `first_day` and
    `last_day` are the first and the last that anything is drawn of. `performed` holds (day, tempo) of the newest
    performances without a click, which belong to none of these; `cold` that of first takes, which are among them.
    """

    clean: tuple[tuple[float, float], ...]
    not_clean: tuple[tuple[float, float], ...]
    spans: tuple[Span, ...]
    best: tuple[tuple[float, float], ...]
    first_day: int
    last_day: int
    band: tuple[tuple[int, float, float, float], ...] = ()
    forecast_from: int = 0
    performed: tuple[tuple[float, float], ...] = ()
    cold: tuple[tuple[float, float], ...] = ()


def progress_marks(
    takes: Sequence[TakeSummary],
    forecast: Forecast | None = None,
    by: date | None = None,
    cold: Container[str] = (),
) -> ProgressMarks:
    """Work out the marks.

    Parameters
    ----------
    takes
        In any order.
    forecast
        The learning curve through them.
    by
        The day it is drawn up to; a week from the last take by default. That far at least where it is later.
    cold
        The ids of first takes.

    Raises
    ------
    ValueError
        If there is none.
    """
    days: dict[int, list[TakeSummary]] = {}
    for take in sorted(takes, key=lambda take: (take.day, take.started)):
        days.setdefault(date.fromisoformat(take.day).toordinal(), []).append(take)
    if not days:
        raise ValueError("no takes")
    everything = [
        (day + DAY_WIDTH * ((i + 0.5) / len(of_day) - 0.5), take)
        for day, of_day in days.items()
        for i, take in enumerate(of_day)
    ]
    placed = [(x, take) for x, take in everything if not take.performance]
    practised = {day: kept for day, of_day in days.items() if (kept := with_click(of_day))}
    first, last = min(days), max(days)
    band = _band(forecast, first, max(last + DAYS_AHEAD, by.toordinal() + 1 if by else 0)) if forecast else ()
    single = len(placed) <= MOST_SINGLE_TAKES and len(days) <= MOST_SINGLE_DAYS
    return ProgressMarks(
        clean=tuple((x, take.tempo_bpm) for x, take in placed if take.clean) if single else (),
        not_clean=tuple((x, take.tempo_bpm) for x, take in placed if not take.clean) if single else (),
        spans=() if single or not practised else _spans(practised),
        best=_best_so_far(placed, last + 0.5),
        first_day=first,
        last_day=max(last, band[-1][0] if band else 0),
        band=band,
        forecast_from=last if band else 0,
        performed=tuple((x, take.tempo_bpm) for x, take in everything if take.performance)[-MOST_SINGLE_DAYS:],
        cold=tuple((x, take.tempo_bpm) for x, take in everything if take.id in cold) if single else (),
    )


def _band(forecast: Forecast, first: int, until: int) -> tuple[tuple[int, float, float, float], ...]:
    of_days = (array.tolist() for array in (forecast.days, forecast.low_bpm, forecast.median_bpm, forecast.high_bpm))
    return tuple(row for row in zip(*of_days, strict=True) if first <= row[0] <= until)


def _best_so_far(placed: Sequence[tuple[float, TakeSummary]], end: float) -> tuple[tuple[float, float], ...]:
    corners: list[tuple[float, float]] = []
    for x, take in placed:
        if take.clean and (not corners or take.tempo_bpm > corners[-1][1]):
            if corners:
                corners.append((x, corners[-1][1]))
            corners.append((x, take.tempo_bpm))
    return (*corners, (end, corners[-1][1])) if corners else ()


def _spans(days: Mapping[int, Sequence[TakeSummary]]) -> tuple[Span, ...]:
    first, length = min(days), max(days) - min(days) + 1
    width = 1 if length <= 120 else 7 if length <= 800 else 30
    # Weeks begin on Monday, as the week sheet's do; ordinal 1 was one.
    origin = first - (first - 1) % 7 if width == 7 else first
    bins: dict[int, list[TakeSummary]] = {}
    for day, takes in days.items():
        bins.setdefault(origin + (day - origin) // width * width, []).extend(takes)
    return tuple(_span(begin, width, takes) for begin, takes in sorted(bins.items()))


def _span(begin: int, days: int, takes: Sequence[TakeSummary]) -> Span:
    tempos = [take.tempo_bpm for take in takes]
    best = max((take.tempo_bpm for take in takes if take.clean), default=None)
    return Span(begin, days, min(tempos), max(tempos), best)
