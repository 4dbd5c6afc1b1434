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
* Every open task has a turn before any has a second one, and none has three in a row while another item is open. One
  that is done has one turn only, and a sitting of nothing else is short.
* A sitting that goes on is planned by what it has had already: who had fewer turns is next, and its time gets less.
* A break after `BREAK_AFTER_MIN` of playing, and an end: more than was asked for is not planned (common practice, no
  source: half an hour at a time for students; breaks by the usual advice for wind players, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from companion.errors import UsageError
from companion.practice.metronome import QUARTER, CountedNote

__all__ = [
    "BREAK", "BREAK_AFTER_MIN", "BREAK_MIN", "COLD", "DONE_NEED", "ITEM", "LEAST_TURN_MIN", "LONGEST_MIN", "SHAPES",
    "SHORTEST_MIN", "TROUBLE", "TURN_MIN", "USUAL_MIN", "Entry", "Task", "is_over", "need_of", "plan_sitting",
]  # fmt: skip

ITEM, TROUBLE, SHAPES, COLD, BREAK = "item", "trouble", "shapes", "cold", "break"
USUAL_MIN, SHORTEST_MIN, LONGEST_MIN = 30.0, 5.0, 180.0
#: A turn of one task where tasks take turns, and what is left over that is worth a turn.
TURN_MIN, LEAST_TURN_MIN = 5.0, 2.0
BREAK_AFTER_MIN, BREAK_MIN = 25.0, 5.0
#: In this many minutes a spot, the shapes or a first go are done; more belongs to the next day.
ONCE_MIN = {TROUBLE: 5.0, SHAPES: 4.0, COLD: 3.0}
#: So many turns in a row at most, while another item is open; what is reached needs no more than this.
MOST_IN_A_ROW = 2
DONE_NEED = 0.2


@dataclass(frozen=True, slots=True)
class Task:
    """Something open. `key` tells it from the others, `kind` is `ITEM`, `TROUBLE`, `SHAPES` or `COLD`; `need` as in
    `need_of`. `title` names it, `why` is one sentence, `word` the teacher's to the student. `command` are the words
    that start it. `tempo_bpm` is where the player stands, None where no tempo belongs to it. In the sitting that is
    going on it had `turns`, `played_min` long in all. `counted` is the note in which its tempo is told."""

    key: str
    kind: str
    title: str
    why: str
    need: float = 1.0
    command: tuple[str, ...] = ()
    tempo_bpm: float | None = None
    turns: int = 0
    played_min: float = 0.0
    word: str = ""
    counted: CountedNote = QUARTER


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
        What was played of it today, before the sitting that is planned.

    Examples
    --------
    >>> need_of(0.2, 0) > need_of(0.2, 3) > need_of(0.0, 3) > need_of(0.0, 3, done=True)
    True
    """
    if done:
        return DONE_NEED / (1 + minutes_today / TURN_MIN)
    urgency = 2.0 / (1 + max(days_left, 0))
    return (1.0 + 3.0 * min(max(gap, 0.0), 1.0) + urgency) / (1 + minutes_today / (2 * TURN_MIN))


def is_over(minutes: float, spent_min: float) -> bool:
    """Whether a sitting of these minutes has had them."""
    return minutes - spent_min < LEAST_TURN_MIN


def plan_sitting(
    tasks: Sequence[Task],
    minutes: float = USUAL_MIN,
    *,
    interleaved: bool = True,
    played_min: float = 0.0,
    spent_min: float = 0.0,
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
    spent_min
        What the sitting has had of its minutes. One that is over counts no more: the turns are another one's.

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
    if is_over(minutes, spent_min):
        spent_min, tasks = 0.0, [replace(task, played_min=0.0) for task in tasks]
    left = minutes - spent_min
    if interleaved:
        turns = _in_turns(sorted(tasks, key=lambda task: (task.kind != COLD, task.turns, -task.need)), left)
    else:
        # What is begun is brought to its end.
        turns = _blocked(sorted(tasks, key=lambda task: (task.kind != COLD, not task.played_min, -task.need)), left)
    return tuple(_with_breaks(turns, played_min))


def _first_turns(tasks: Sequence[Task], left: float) -> list[float]:
    """Minutes of each task's turn, as far as the time goes: less, or none, for one that had it in this sitting."""
    shares = [0.0] * len(tasks)
    for i, task in enumerate(tasks):
        wanted = min(ONCE_MIN.get(task.kind, TURN_MIN) - task.played_min, left)
        if wanted >= LEAST_TURN_MIN:
            shares[i] = wanted
            left -= wanted
    return shares


def _open_items(tasks: Sequence[Task]) -> list[int]:
    return [i for i, task in enumerate(tasks) if task.kind == ITEM and task.need > DONE_NEED]


def _neediest(tasks: Sequence[Task], shares: Sequence[float], among: Sequence[int]) -> int:
    """Whoever has least for its need."""
    return min(among, key=lambda i: ((tasks[i].played_min + shares[i]) / max(tasks[i].need, 1e-6), i))


def _more(left: float) -> float:
    """The next turn; a rest too short for a turn of its own belongs to it."""
    return left if left - TURN_MIN < LEAST_TURN_MIN else TURN_MIN


def _blocked(tasks: Sequence[Task], minutes: float) -> list[tuple[Task, float]]:
    """A turn for each as far as the time goes; the rest goes to open items by their need."""
    shares = _first_turns(tasks, minutes)
    items = _open_items(tasks)
    while items and (left := minutes - sum(shares)) >= LEAST_TURN_MIN:
        shares[_neediest(tasks, shares, items)] += _more(left)
    return [(task, share) for task, share in zip(tasks, shares, strict=True) if share]


def _in_turns(tasks: Sequence[Task], minutes: float) -> list[tuple[Task, float]]:
    """The same shares, nearly: turn by turn, so that no item is left to itself at the end."""
    shares = _first_turns(tasks, minutes)
    order = [i for i, share in enumerate(shares) if share]
    turns = [shares[i] for i in order]
    items = _open_items(tasks)
    while items and (left := minutes - sum(shares)) >= LEAST_TURN_MIN:
        last = order[-MOST_IN_A_ROW:]
        others = [i for i in items if i not in last]
        again = len(last) == MOST_IN_A_ROW and len(set(last)) == 1 and others
        i = _neediest(tasks, shares, others if again else items)
        turn = _more(left)
        order.append(i)
        turns.append(turn)
        shares[i] += turn
    return _joined([(tasks[i], turn) for i, turn in zip(order, turns, strict=True)])


def _joined(turns: Sequence[tuple[Task, float]]) -> list[tuple[Task, float]]:
    """Two turns of a task in a row are one."""
    found: list[tuple[Task, float]] = []
    for task, turn in turns:
        if found and found[-1][0] is task:
            turn += found.pop()[1]
        found.append((task, turn))
    return found


def _with_breaks(turns: Sequence[tuple[Task, float]], played_min: float) -> list[Entry]:
    entries: list[Entry] = []
    since = max(0.0, played_min)
    seen: set[str] = set()
    for task, minutes in turns:
        left = minutes
        while left > 0:
            room = BREAK_AFTER_MIN - since
            # Neither a turn nor a rest of one is cut too short to be worth it.
            if since and (min(left, TURN_MIN) > room or room < left < room + LEAST_TURN_MIN):
                entries.append(Entry(BREAK_MIN))
                since, room = 0.0, BREAK_AFTER_MIN
            piece = min(left, room) if not room < left < room + LEAST_TURN_MIN else left - LEAST_TURN_MIN
            entries.append(Entry(piece, task, task.key in seen))
            seen.add(task.key)
            since += piece
            left -= piece
    return entries
