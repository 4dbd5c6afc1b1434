"""What is said of the learning curve, and which takes it is drawn through."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from companion.record.model import TakeSummary
from companion.record.outlook import forecast_of, outlook, people_in_words
from companion.record.progress import fastest_clean_by_day

MONDAY = date(2026, 11, 23)


def take(tempo_bpm: float, clean: bool, day: int, **more: object) -> TakeSummary:
    on = str(MONDAY + timedelta(days=day))
    whole = TakeSummary(
        file="f", offset=0, id="", started=f"{on}T17:00:00+01:00", day=on, duration_s=60.0, title="T",
        origin="a.mxl", sha256="1", part="", bars="5-8", instrument="alto", port="wind", tempo_bpm=tempo_bpm,
        target_bpm=96.0, rung=0, clean=int(clean), because="", advice="", interrupted="", trouble_bars="", example=0,
    )  # fmt: skip
    return whole._replace(**more)


def climb(days: int, first_bpm: float = 80, gain_bpm: float = 2) -> list[TakeSummary]:
    """Clean up to a tempo that rises by the day, not beyond."""
    return [take(tempo, tempo <= first_bpm + gain_bpm * day, day) for day in range(days) for tempo in range(60, 120, 4)]


def test_the_fastest_clean_tempo_of_each_day() -> None:
    takes = [take(72, True, 1), take(60, True, 0), take(64, True, 0), take(90, False, 0), take(99, False, 2)]
    assert fastest_clean_by_day(takes) == (("2026-11-23", 64), ("2026-11-24", 72))


def test_what_is_said_today_and_for_the_day_of_the_target() -> None:
    takes = climb(5)
    today, due = MONDAY + timedelta(days=4), MONDAY + timedelta(days=6)
    said = outlook(takes, 100, due, today)
    assert said.points[-1] == ("2026-11-27", 88)
    assert said.band is not None and said.chance is not None
    low, _, high = said.band
    assert low < 90 < high
    assert 0 < said.chance < 0.5
    assert said.sentences[0].startswith("Stands at about ")
    assert " today: there every second take comes out clean" in said.sentences[0]
    assert f"Sun 29 Nov: 80 of 100 such students would stand between {low:.0f} and {high:.0f}" in said.sentences[1]
    assert f", {people_in_words(said.chance)} at 100 or above." in said.sentences[1]


def test_the_chance_falls_as_the_target_rises() -> None:
    takes, today = climb(6), MONDAY + timedelta(days=5)
    chances = [outlook(takes, target, MONDAY + timedelta(days=8), today).chance for target in (70, 90, 96, 130)]
    assert chances == sorted(chances, reverse=True)  # type: ignore[type-var]
    assert chances[0] > 0.95 > 0.1 > chances[-1]  # type: ignore[operator]


def test_without_a_day_it_is_a_week_from_today() -> None:
    said = outlook(climb(5), 90, None, MONDAY + timedelta(days=4))
    assert said.by == MONDAY + timedelta(days=11)
    assert said.sentences[1].startswith("Fri 4 Dec: ")
    assert outlook(climb(5), None, None, MONDAY + timedelta(days=4)).chance is None


def test_a_later_day_is_named_on_which_half_of_them_stand_there() -> None:
    said = outlook(climb(10, gain_bpm=3), 112, MONDAY + timedelta(days=10), MONDAY + timedelta(days=9))
    assert said.chance is not None and said.chance < 0.5
    day = next(day for day, bpm in zip(said.forecast.days, said.forecast.median_bpm, strict=True) if bpm >= 112)
    named = date.fromordinal(int(day))
    assert f"half of them would stand at 112 by {named:%a} {named.day} {named:%b}." in said.sentences[-1]


def test_who_tries_nothing_near_the_limit_is_told_so() -> None:
    slow = [take(tempo, True, day) for day in range(5) for tempo in (50, 54, 58, 60)]
    today = MONDAY + timedelta(days=4)
    says = "Nothing faster than 60 was tried lately: a faster take or two would tell more."
    assert says in outlook(slow, 96, None, today).sentences
    assert says not in outlook([*slow, take(90, False, 4)], 96, None, today).sentences
    assert not any("tried lately" in sentence for sentence in outlook(climb(5), 96, None, today).sentences)


@pytest.mark.parametrize(
    ("days", "due", "says"),
    [
        (2, 5, "Too early to say: 2 days played, 3 are needed."),
        (0, 5, "Too early to say: 0 days played, 3 are needed."),
        (5, 4, "The day of the target, Fri 27 Nov, is today."),
        (5, 2, "The day of the target, Wed 25 Nov, is over."),
        (5, 60, "Fri 22 Jan is too far ahead to say anything of it yet."),
    ],
)
def test_what_can_t_be_said_is_said_plainly(days: int, due: int, says: str) -> None:
    today = MONDAY + timedelta(days=max(days - 1, 0))
    said = outlook(climb(days), 96, MONDAY + timedelta(days=due), today)
    assert said.sentences[-1] == says
    assert said.band is said.chance is None


def test_what_was_broken_off_unheard_or_of_the_future_does_not_count() -> None:
    takes, today = climb(5), MONDAY + timedelta(days=4)
    odd = [
        *(take(40, False, 4, interrupted="the port vanished") for _ in range(9)),
        *(take(40, False, 4, because="nothing was played") for _ in range(9)),
        *(take(40, False, 9) for _ in range(9)),
    ]
    assert list(forecast_of([*takes, *odd], today).median_bpm) == list(forecast_of(takes, today).median_bpm)


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (0.0, "fewer than 5 of 100"),
        (0.049, "fewer than 5 of 100"),
        (0.05, "about 5 of 100"),
        (0.34, "about 35 of 100"),
        (0.95, "about 95 of 100"),
        (1.0, "more than 95 of 100"),
    ],
)
def test_chances_in_words(chance: float, words: str) -> None:
    assert people_in_words(chance) == words
