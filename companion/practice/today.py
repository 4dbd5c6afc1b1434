"""What to play in one sitting: what is open today, in which order, for how long, with breaks and an end.

The order is interleaved: a few minutes each, in turn. What is known of that is mixed. Ten clarinettists who alternated
between pieces every 3 minutes played better a day later than after 12 minutes of each in a block, where raters heard a
difference (C. E. Carter and J. A. Grahn, "Optimizing music learning", Frontiers in Psychology 7 (2016) 1251). Nineteen
seventh-grade clarinet and saxophone students showed no main effect a day later (Rhode Island College, faculty
publication 648, abstract). Twenty violinists kept more after blocks (T. Mathias and A. Goldman, J. Research in Music
Education 72 (2025) 357-375, abstract). So it is a default that may be switched off, and both are fair.

Conventions
-----------
* Need is a number that orders tasks: nobody is shown it. What is due soon and far from its target needs most.
* Every open task has a turn before any has a second one. One that is done needs a last look only.
* A break after `BREAK_AFTER_MIN` of playing, and an end: more than was asked for is not planned (common practice, no
  source: half an hour at a time for students; breaks by the usual advice for wind players, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from companion.errors import UsageError

__all__ = [
    "BREAK", "BREAK_AFTER_MIN", "BREAK_MIN", "COLD", "ITEM", "LONGEST_MIN", "SHAPES", "SHORTEST_MIN", "TROUBLE",
    "TURN_MIN", "USUAL_MIN", "Entry", "Task", "need_of", "plan_sitting",
]  # fmt: skip

ITEM, TROUBLE, SHAPES, COLD, BREAK = "item", "trouble", "shapes", "cold", "break"
USUAL_MIN, SHORTEST_MIN, LONGEST_MIN = 30.0, 5.0, 180.0
#: A turn of one task where tasks take turns, and what is left over that is worth a turn.
TURN_MIN, LEAST_TURN_MIN = 5.0, 2.0
BREAK_AFTER_MIN, BREAK_MIN = 25.0, 5.0
#: In this many minutes a spot, the shapes or a first go are done; more belongs to the next day.
ONCE_MIN = {TROUBLE: 5.0, SHAPES: 4.0, COLD: 3.0}


@dataclass(frozen=True, slots=True)
class Task:
    """Something open. `key` tells it from the others, `kind` is `ITEM`, `TROUBLE`, `SHAPES` or `COLD`; `need` as in
    `need_of`. `title` names it, `why` is one sentence. `command` are the words that start it. `tempo_bpm` is where the
    player stands, None where no tempo belongs to it."""

    key: str
    kind: str
    title: str
    why: str
    need: float = 1.0
    command: tuple[str, ...] = ()
    tempo_bpm: float | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """A turn of a task, or a break (`task` None), and how many minutes it takes. `again` where the task had a turn
    before."""

    minutes: float
    task: Task | None = None
    again: bool = False

    @property
    def kind(self) -> str:
        """The task's kind, or `BREAK`."""
        return self.task.kind if self.task is not None else BREAK


def need_of(gap: float, days_left: int, *, done: bool = False, minutes_today: float = 0.0) -> float:
    """How much a task needs a turn today.

    Parameters
    ----------
    gap
        Share of the target tempo that is missing, 0 to 1; 1 where nothing was played clean yet.
    days_left
        Days until it is due, 0 on the day itself, below 0 once it is over.
    done
        Reached already: it is kept warm.
    minutes_today
        What was played of it today.

    Examples
    --------
    >>> need_of(0.2, 0) > need_of(0.2, 3) > need_of(0.0, 3) > need_of(0.0, 3, done=True)
    True
    """
    if done:
        return 0.2 / (1 + minutes_today / TURN_MIN)
    urgency = 2.0 / (1 + max(days_left, 0))
    return (1.0 + 3.0 * min(max(gap, 0.0), 1.0) + urgency) / (1 + minutes_today / (2 * TURN_MIN))


def plan_sitting(
    tasks: Sequence[Task], minutes: float = USUAL_MIN, *, interleaved: bool = True, played_min: float = 0.0
) -> tuple[Entry, ...]:
    """The sitting's turns in order; a cold go first, before anything warms up.

    Parameters
    ----------
    tasks
        What is open, in any order; of equal needs the first comes first.
    minutes
        Length of the sitting without breaks.
    interleaved
        Tasks take turns; else each has all of its time in one go.
    played_min
        Minutes played just before, since the last break.

    Raises
    ------
    UsageError
        Where the length is out of range.
    """
    if not SHORTEST_MIN <= minutes <= LONGEST_MIN:
        raise UsageError(
            f"a sitting of {minutes:g} minutes is out of range: give {SHORTEST_MIN:g} to {LONGEST_MIN:g}, such as"
            f" {USUAL_MIN:g}"
        )
    ordered = sorted(tasks, key=lambda task: (task.kind != COLD, -task.need))
    shares = _shares(ordered, minutes)
    turns = _in_turns(ordered, shares) if interleaved else [(t, m) for t, m in zip(ordered, shares, strict=True) if m]
    return tuple(_with_breaks(turns, played_min))


def _shares(tasks: Sequence[Task], minutes: float) -> list[float]:
    """Minutes of each task. A turn for each as far as the time goes; the rest goes to items by their need."""
    shares = [0.0] * len(tasks)
    left = minutes
    for i, task in enumerate(tasks):
        wanted = min(ONCE_MIN.get(task.kind, TURN_MIN), left)
        if wanted < LEAST_TURN_MIN:
            break
        shares[i] = wanted
        left -= wanted
    items = [i for i, task in enumerate(tasks) if task.kind == ITEM and shares[i]]
    while items and left >= LEAST_TURN_MIN:
        # Whoever has least for its need is next.
        i = min(items, key=lambda i: (shares[i] / max(tasks[i].need, 1e-6), i))
        more = min(TURN_MIN, left)
        shares[i] += more
        left -= more
    return shares


def _in_turns(tasks: Sequence[Task], shares: Sequence[float]) -> list[tuple[Task, float]]:
    turns: list[tuple[Task, float]] = []
    left = list(shares)
    while any(m > 0 for m in left):
        for i, task in enumerate(tasks):
            if left[i] <= 0:
                continue
            turn = min(ONCE_MIN.get(task.kind, TURN_MIN), left[i])
            # A rest too short for a turn of its own is played now.
            turn = left[i] if left[i] - turn < LEAST_TURN_MIN else turn
            left[i] -= turn
            if turns and turns[-1][0] is task:
                turns[-1] = (task, turns[-1][1] + turn)
            else:
                turns.append((task, turn))
    return turns


def _with_breaks(turns: Sequence[tuple[Task, float]], played_min: float) -> list[Entry]:
    entries: list[Entry] = []
    since = played_min
    seen: set[str] = set()
    for task, minutes in turns:
        left = minutes
        while left > 0:
            if since >= BREAK_AFTER_MIN or (since and since + min(left, TURN_MIN) > BREAK_AFTER_MIN):
                entries.append(Entry(BREAK_MIN))
                since = 0.0
            piece = min(left, BREAK_AFTER_MIN - since)
            entries.append(Entry(piece, task, task.key in seen))
            seen.add(task.key)
            since += piece
            left -= piece
    return entries
