"""Who stays at the stand is told when a break is due."""

from __future__ import annotations

from companion.practice.stretch import Stretch
from companion.practice.today import BREAK_AFTER_MIN

MIN = 60 * 10**9


def played(*takes_min: tuple[float, float]) -> Stretch:
    stretch = Stretch(break_s=240)
    for begin, end in takes_min:
        stretch = stretch.after(round(begin * MIN), round(end * MIN))
    return stretch


def test_takes_and_pauses_add_up_until_a_break() -> None:
    assert played().minutes == 0 and not played().words
    assert played((0, 1), (3, 4), (7, 9)).minutes == 9
    assert played((0, 1), (3, 4), (8, 9)).minutes == 1


def test_a_break_is_due_after_as_long_as_the_day_is_planned_by() -> None:
    assert not played(*((i, i + 0.9) for i in range(24))).words
    due = played(*((i, i + 1) for i in range(26)))
    assert due.minutes > BREAK_AFTER_MIN and due.words.startswith("26 minutes without a break")
    assert not due.after(31 * MIN, 32 * MIN).words, "it was taken"
