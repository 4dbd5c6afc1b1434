"""What is likely to be reached: the learning curve of one passage, its chance of a target, and both in words.

The words count people (`80 of 100 such students`), for that is how a chance is understood best (from memory: G.
Gigerenzer on natural frequencies); chances are said in steps of five in a hundred, since more is not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from companion.practice.forecast import Forecast, fit
from companion.practice.words import with_stop
from companion.record.model import TakeSummary
from companion.record.progress import fastest_clean_by_day, with_click
from companion.record.text import day_in_words

__all__ = ["Outlook", "forecast_of", "is_heard", "outlook", "people_in_words"]

#: Without a day in the sheet, one is said for a week from now.
USUAL_DAYS_AHEAD = 7
#: Where ability lies so far above all that was tried it is little more than a guess (ours, no source).
HARDLY_TRIED = 1.1
#: Why such a take is not clean: a cable was out.
_UNHEARD = ("nothing was played", "nothing of what was played")


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """The learning curve of one passage and what it says.

    `points` are (day, fastest clean tempo) of each day with a clean take. `by` is the target's day, or a week from now
    where none is set; `band` is (low, median, high) then and `chance`, 0 to 1, that the target is reached on it, both
    None where nothing is said. Tempos are quarters a minute.
    """

    points: tuple[tuple[str, float], ...]
    forecast: Forecast
    target_bpm: float | None
    by: date
    band: tuple[float, float, float] | None
    chance: float | None
    sentences: tuple[str, ...]


def is_heard(take: TakeSummary) -> bool:
    """Whether anything of the passage was heard: a take that was not says nothing of the player."""
    return not take.because.startswith(_UNHEARD)


def forecast_of(takes: Sequence[TakeSummary], today: date) -> Forecast:
    """The learning curve through takes of one passage on one horn. What was broken off or not heard does not count, nor
    do performances, nor what is dated after today."""
    counted = [
        take for take in with_click(takes) if not take.interrupted and is_heard(take) and take.day <= today.isoformat()
    ]
    return fit(
        [date.fromisoformat(take.day).toordinal() for take in counted],
        [take.tempo_bpm for take in counted],
        [bool(take.clean) for take in counted],
        today.toordinal(),
    )


def outlook(
    takes: Sequence[TakeSummary], target_bpm: float | None = None, by: date | None = None, today: date | None = None
) -> Outlook:
    """What these takes of one passage on one horn let expect.

    Parameters
    ----------
    takes
        In any order.
    target_bpm, by
        What is to be reached, and when.
    today
        The present day by default.
    """
    today, takes = today or date.today(), with_click(takes)
    forecast = forecast_of(takes, today)
    due = by or today + timedelta(days=USUAL_DAYS_AHEAD)
    ahead = due > today
    band = forecast.band_on(due) if ahead else None
    chance = forecast.chance_by(due, target_bpm) if ahead and target_bpm else None
    return Outlook(
        points=fastest_clean_by_day(takes),
        forecast=forecast,
        target_bpm=target_bpm,
        by=due,
        band=band,
        chance=chance,
        sentences=_sentences(forecast, target_bpm, due, band, chance, today, _fastest_lately(takes, forecast)),
    )


def _sentences(
    forecast: Forecast,
    target_bpm: float | None,
    due: date,
    band: tuple[float, float, float] | None,
    chance: float | None,
    today: date,
    fastest_bpm: float,
) -> tuple[str, ...]:
    if not forecast:
        return (with_stop(forecast.too_early),)
    last = date.fromordinal(forecast.last_day)
    low, middle, high = forecast.band_on(last) or (0.0, 0.0, 0.0)
    when = "today" if last == today else f"on {day_in_words(last)}"
    said = [
        f"Stands at about {middle:.0f} {when}: there every second take comes out clean (80 of 100 students with such a"
        f" record: {low:.0f} to {high:.0f})."
    ]
    if middle > HARDLY_TRIED * fastest_bpm:
        said.append(f"Nothing faster than {fastest_bpm:g} was tried lately: a faster take or two would tell more.")
    if due <= today:
        return (*said, f"The day of the target, {day_in_words(due)}, {'is today' if due == today else 'is over'}.")
    if band is None:
        return (*said, f"{day_in_words(due)} is too far ahead to say anything of it yet.")
    low, _, high = band
    then = f"{day_in_words(due)}: 80 of 100 such students would stand between {low:.0f} and {high:.0f}"
    if chance is None or not target_bpm:
        return (*said, f"{then}.")
    said.append(f"{then}, {people_in_words(chance)} at {target_bpm:g} or above.")
    if chance < 0.5 and (day := _half_there(forecast, target_bpm, due)):
        said.append(
            f"If practice goes on like this, half of them would stand at {target_bpm:g} by {day_in_words(day)}."
        )
    return tuple(said)


def _fastest_lately(takes: Sequence[TakeSummary], forecast: Forecast) -> float:
    """The fastest tempo that was tried, clean or not, in the week up to the last day."""
    if not forecast:
        return 0.0
    days = [date.fromordinal(day).isoformat() for day in (forecast.last_day - 6, forecast.last_day)]
    return max((take.tempo_bpm for take in takes if days[0] <= take.day <= days[1]), default=0.0)


def people_in_words(chance: float) -> str:
    """`about 35 of 100`, `fewer than 5 of 100`, `more than 95 of 100`."""
    if chance < 0.05:
        return "fewer than 5 of 100"
    if chance > 0.95:
        return "more than 95 of 100"
    return f"about {5 * round(20 * chance)} of 100"


def _half_there(forecast: Forecast, target_bpm: float, after: date) -> date | None:
    """The first day after `after` on which half of such students stand at the target."""
    for day, median_bpm in zip(forecast.days.tolist(), forecast.median_bpm.tolist(), strict=True):
        if day > after.toordinal() and median_bpm >= target_bpm:
            return date.fromordinal(day)
    return None
