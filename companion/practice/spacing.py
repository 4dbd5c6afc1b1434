"""When a shape is asked again: spaced repetition over days.

Method
------
The schedule is the Free Spaced Repetition Scheduler (FSRS) as the library `fsrs` (py-fsrs, MIT licence, Open Spaced
Repetition) documents it, with its own default parameters: after each answer a card has a *stability* (days until the
chance to recall it has fallen to 90 %) and a *difficulty*, and is due when that chance is reached. A new card passes
two short steps first (1 and 10 minutes). A wrong answer is its rating `Again`, a right one `Good`; nobody is asked how
hard it felt. Its random fuzz is off, so that a schedule can be reckoned anew.

Dates are UTC and come from outside: nothing here looks at a clock.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fsrs import Card, Scheduler

__all__ = ["Memory", "due_in_words", "is_due", "recall_chance", "recall_in_words", "reviewed", "shaky_first"]


@dataclass(frozen=True, slots=True)
class Memory:
    """What the schedule knows of one card after its last answer. `phase` is 1 learning, 2 review, 3 relearning, `step`
    the place within the first and the last (None in review); `due` and `last` are UTC."""

    phase: int
    step: int | None
    stability_days: float
    difficulty: float
    due: datetime
    last: datetime


@lru_cache(maxsize=1)
def _scheduler() -> Scheduler:
    from fsrs import Scheduler

    return Scheduler(enable_fuzzing=False)


def _card(memory: Memory | None, now: datetime) -> Card:
    from fsrs import Card, State

    if memory is None:
        return Card(card_id=1, due=now)
    return Card(
        1, State(memory.phase), memory.step, memory.stability_days, memory.difficulty, memory.due, memory.last
    )  # fmt: skip


def reviewed(memory: Memory | None, right: bool, now: datetime) -> Memory:
    """What is known after an answer at `now` (UTC); `memory` is None for a card that is new.

    Where the clock has gone back since the last answer, it counts as given at that answer's time.
    """
    from fsrs import Rating

    at = now if memory is None else max(now, memory.last)
    card, _ = _scheduler().review_card(_card(memory, at), Rating.Good if right else Rating.Again, at)
    assert card.stability is not None and card.difficulty is not None
    return Memory(card.state.value, card.step, card.stability, card.difficulty, card.due, at)


def recall_chance(memory: Memory, now: datetime) -> float:
    """The chance that the card is recalled at `now`, 0 to 1; it falls by whole days."""
    return float(_scheduler().get_card_retrievability(_card(memory, now), now))


def is_due(memory: Memory, now: datetime) -> bool:
    """Whether it is time to ask again."""
    return memory.due <= now


def shaky_first(ids: Sequence[str], known: Mapping[str, Memory], now: datetime) -> list[str]:
    """The order to ask in: what is due, the least likely to be recalled first; then what is new, in the order given;
    then what isn't due yet, again the shakiest first."""
    place = {card: i for i, card in enumerate(ids)}

    def key(card: str) -> tuple[int, float, float, int]:
        memory = known.get(card)
        if memory is None:
            return (1, 0.0, 0.0, place[card])
        # Within a day all chances are alike: then the stability tells them apart.
        chance = recall_chance(memory, now)
        return (0 if is_due(memory, now) else 2, chance, memory.stability_days, place[card])

    return sorted(place, key=key)


def recall_in_words(memory: Memory, now: datetime) -> str:
    """`87%`; `learning` while a card stands on its first steps, within the day."""
    return f"{recall_chance(memory, now):.0%}" if memory.phase == 2 or now.date() > memory.last.date() else "learning"


def due_in_words(memory: Memory, now: datetime) -> str:
    """`now`, `in 10 minutes`, `in 5 hours`, `in 3 days`: to the nearest of each."""
    seconds = (memory.due - now).total_seconds()
    if seconds <= 0:
        return "now"
    for unit, length_s, up_to in (("minute", 60, 90), ("hour", 3600, 36), ("day", 86400, 10**9)):
        count = max(1, round(seconds / length_s))
        if count <= up_to:
            return f"in {count} {unit}{'' if count == 1 else 's'}"
    raise AssertionError("days have no end")
