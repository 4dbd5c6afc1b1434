"""Repeat signs and endings from the order in which bars are played: the reverse of unfolding.

The signs are guessed from the jumps (a jump back is a repeat sign, a skip forward leads past the endings of earlier
times), then played through; where that does not give back the passage, the music is written out as it is played.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from companion.passage import Passage
from companion.scores.layout import Cell

__all__ = ["BarSigns", "fold"]


@dataclass(frozen=True, slots=True)
class BarSigns:
    """What stands at a bar's ends. `ending_starts` and `ending_ends` are printed numbers (`1`, `1, 2`), `times` how
    often the repeat that ends here is played in all."""

    repeat_starts: bool = False
    repeat_ends: bool = False
    times: int = 2
    ending_starts: str = ""
    ending_ends: str = ""
    ending_passes: frozenset[int] = frozenset()


_PLAIN = BarSigns()


def fold(passage: Passage, cells: Sequence[Sequence[Cell]]) -> list[tuple[int, BarSigns]]:
    """The bars to write, as (index into `passage.bars`, signs), in the order of the page."""
    order = [bar.written_index for bar in passage.bars]
    if all(a < b for a, b in pairwise(order)):
        return [(i, _PLAIN) for i in range(len(order))]
    written_out = [(i, _PLAIN) for i in range(len(order))]
    if not _alike(passage, cells):
        return written_out
    first_played: dict[int, int] = {}
    for index, written in enumerate(order):
        first_played.setdefault(written, index)
    page = sorted(first_played)
    place = {written: i for i, written in enumerate(page)}
    played = [place[written] for written in order]
    signs = _guess(played, len(page))
    if _unfold(signs, len(played)) != played:
        return written_out
    return [(first_played[written], signs[i]) for i, written in enumerate(page)]


def _alike(passage: Passage, cells: Sequence[Sequence[Cell]]) -> bool:
    """True where every bar is the same each time, and no tie or slur runs over a jump."""
    for slur in passage.slurs:
        bars = passage.bars[passage.notes[slur.first].bar : passage.notes[slur.last].bar + 1]
        if any(after.written_index != before.written_index + 1 for before, after in pairwise(bars)):
            return False
    seen: dict[int, object] = {}
    for bar, bar_cells in zip(passage.bars, cells, strict=True):
        frame = (bar.length, bar.beats, bar.beat_type, bar.fifths, bar.mode, bar.upbeat)
        music = [(c.start - bar.start, c.length, c.tie_start, c.tie_stop, _bare(passage, c)) for c in bar_cells]
        low = bisect_left(passage.waits, bar.start, key=lambda wait: wait.start)
        high = bisect_right(passage.waits, bar.end, key=lambda wait: wait.start)
        waits = [(wait.start - bar.start, wait.sign) for wait in passage.waits[low:high]]
        if seen.setdefault(bar.written_index, (frame, music, waits)) != (frame, music, waits):
            return False
    return True


def _bare(passage: Passage, cell: Cell) -> object:
    if cell.note is None:
        return None
    note = passage.notes[cell.note]
    return replace(note, index=0, start=Fraction(0), bar=0, tongued=True, tied_sources=())


def _guess(played: Sequence[int], count: int) -> list[BarSigns]:
    """Signs for `count` bars of the page from the order in which they are played."""
    signs = [_PLAIN] * count
    back: dict[int, int] = {}
    for now, then in pairwise(played):
        if then <= now:
            back[now] = then
            signs[then] = replace(signs[then], repeat_starts=then > 0)
            signs[now] = replace(signs[now], repeat_ends=True)
    last_passes: dict[int, int] = {}
    passes = _passes(played, back)
    for at, number in zip(played, passes, strict=True):
        last_passes[at] = max(last_passes.get(at, 0), number)
    for end in back:
        played_there = [number for at, number in zip(played, passes, strict=True) if at == end]
        signs[end] = replace(signs[end], times=len(played_there) + (0 if len(played_there) > 1 else 1))
    for now, then in pairwise(played):
        if then > now + 1:
            _mark_endings(signs, range(now + 1, then), back, played, passes)
    return signs


def _passes(played: Sequence[int], back: dict[int, int]) -> list[int]:
    """How many times through the repeat each bar is being played."""
    numbers, number, start = [], 1, -1
    end = -1
    previous = -1
    for at in played:
        if at <= previous:
            number = number + 1 if at == start else 2
            start, end = at, max(end, previous)
        elif number > 1 and at > end and not _still_inside(at, start, back):
            number = 1
        numbers.append(number)
        previous = at
    return numbers


def _still_inside(at: int, start: int, back: dict[int, int]) -> bool:
    """A bar after the last repeat sign still belongs to the last time through where it opens the last ending."""
    return at - 1 in back and back[at - 1] == start


def _mark_endings(
    signs: list[BarSigns], skipped: range, back: dict[int, int], played: Sequence[int], passes: Sequence[int]
) -> None:
    """Endings for the bars skipped over, one up to each repeat sign among them, and the one that is skipped to."""
    start = skipped.start
    for bar in (*skipped, skipped.stop):
        if bar in back or bar == skipped.stop:
            numbers = frozenset(n for at, n in zip(played, passes, strict=True) if at == start)
            text = ", ".join(str(n) for n in sorted(numbers))
            signs[start] = replace(signs[start], ending_starts=text)
            signs[bar] = replace(signs[bar], ending_ends=text)
            for inside in range(start, bar + 1):
                signs[inside] = replace(signs[inside], ending_passes=numbers)
            start = bar + 1


def _unfold(signs: Sequence[BarSigns], longest: int) -> list[int]:
    """Play the signs through; more than `longest` bars are not played."""
    order: list[int] = []
    at, start, number = 0, 0, 1
    ending_before: frozenset[int] = frozenset()
    while at < len(signs) and len(order) <= longest:
        sign = signs[at]
        past_endings = bool(ending_before) and not sign.ending_passes and at > start
        if (sign.repeat_starts and at != start) or (past_endings and number > 1):
            start, number = at, 1
        if sign.ending_passes and number not in sign.ending_passes:
            at += 1
            continue
        order.append(at)
        ending_before = sign.ending_passes
        again = (
            number < sign.times
            if not sign.ending_passes
            else any(number + 1 in later.ending_passes for later in signs[start:])
        )
        if sign.repeat_ends and again:
            at, number = start, number + 1
            continue
        if sign.repeat_ends and not sign.ending_passes:
            start, number = at + 1, 1
        at += 1
    return order
