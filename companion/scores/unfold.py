"""Playing order: repeats, endings, D.C. and D.S., Fine and Coda.

Common practice, no source, where MusicXML 4.0 is silent: a closing repeat sign without an opening one goes back to the
last place where a repeated section ended, or to the start; after D.C. or D.S. repeats are not taken again and the last
ending is played, unless the sign says `after-jump`; every D.C. and D.S. is followed once.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from companion.scores.musicxml_directions import MAX_TIMES
from companion.scores.written import Marks

__all__ = ["Played", "TooLong", "unfold"]


class TooLong(Exception):
    """The bars unfold to more than the limit."""


@dataclass(frozen=True, slots=True)
class Played:
    """The bars in playing order, as pairs of bar index and time through (from 1), and what had to be guessed."""

    order: tuple[tuple[int, int], ...]
    remarks: tuple[str, ...]


def unfold(marks: Sequence[Marks], limit: int) -> Played:
    """The order in which bars are played.

    Parameters
    ----------
    marks : what each bar says, in the order written
    limit : most bars that may come out

    Raises
    ------
    TooLong
        Where more than `limit` bars come out.
    """
    settled = _open_first_endings(_settle_codas(_settle_times(marks)))
    player = _Player(settled, _endings(settled), limit)
    player.play()
    if any(settled[i].al == "fine" for i in player.taken) and not any(mark.fine for mark in settled):
        player.remarks.append("it is to be played again to the Fine, but no Fine is marked: played to the end")
    return Played(tuple(player.order), tuple(dict.fromkeys(player.remarks)))


def _settle_times(marks: Sequence[Marks]) -> list[Marks]:
    """Give each closing repeat sign the number of times that words within its section say, and let repeats be taken
    again where a jump says so."""
    out, said = list(marks), None
    again = any(mark.jump and mark.with_repeats for mark in marks)
    for i, mark in enumerate(out):
        said = (None if mark.forward else said) if mark.times is None else mark.times
        if mark.backward:
            out[i] = replace(mark, times=said, after_jump=mark.after_jump or again)
            said = None
    return out


def _settle_codas(marks: Sequence[Marks]) -> list[Marks]:
    """Decide for each bare coda sign whether it means *to the coda* or *here is the coda*."""
    out = list(marks)
    for i, mark in enumerate(out):
        if mark.coda_signs and (mark.to_coda or mark.coda or mark.al == "coda"):
            out[i] = replace(mark, coda_signs=0)
    bare = [i for i, mark in enumerate(out) if mark.coda_signs]
    leaves = [i for i, mark in enumerate(out) if mark.to_coda]
    arrives = [i for i, mark in enumerate(out) if mark.coda]
    for place, i in enumerate(bare):
        leaving = not leaves and (bool(arrives) or (len(bare) > 1 and place == 0))
        signless = replace(out[i], coda_signs=0)
        out[i] = replace(signless, to_coda=("",)) if leaving else replace(signless, coda=("",))
    return out


def _open_first_endings(marks: list[Marks]) -> list[Marks]:
    """Where a bracket stops that never started, before one that does, let it cover the bar it stops in."""
    out, is_open = list(marks), False
    for i, mark in enumerate(out):
        is_open = is_open or bool(mark.endings)
        if mark.ending_stops and not is_open and i + 1 < len(out) and (low := min(out[i + 1].endings, default=0)) > 1:
            out[i] = replace(mark, endings=frozenset({low - 1}))
        is_open = is_open and not (mark.ending_stops or mark.backward)
    return out


@dataclass(frozen=True, slots=True)
class _Ending:
    first: int
    last: int
    numbers: frozenset[int]
    group: int


def _endings(marks: Sequence[Marks]) -> dict[int, _Ending]:
    """For each bar under an ending's bracket, that ending. Endings that follow each other make a group."""
    spans: list[tuple[int, int, frozenset[int]]] = []
    for i, mark in enumerate(marks):
        if not mark.endings:
            continue
        last = i
        while not _closes(marks, i, last):
            last += 1
        spans.append((i, last, mark.endings))
    found: dict[int, _Ending] = {}
    group = -1
    for place, (first, last, numbers) in enumerate(spans):
        follows = place > 0 and spans[place - 1][1] == first - 1 and not numbers & spans[place - 1][2]
        group += 0 if follows else 1
        found.update(dict.fromkeys(range(first, last + 1), _Ending(first, last, numbers, group)))
    return found


def _closes(marks: Sequence[Marks], first: int, i: int) -> bool:
    """Whether the bracket that opened at `first` closes with bar `i`. One that is never closed covers its first bar."""
    if marks[i].ending_stops or marks[i].backward or i + 1 == len(marks):
        return True
    if marks[i + 1].endings or marks[i + 1].forward:
        return True
    return not any(mark.ending_stops or mark.backward or mark.endings for mark in marks[first + 1 :])


@dataclass(slots=True)
class _Player:
    marks: Sequence[Marks]
    endings: dict[int, _Ending]
    limit: int
    order: list[tuple[int, int]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    at: int = 0
    section: int = 0
    time: int = 1
    jumped: bool = False
    al: str = ""
    taken: set[int] = field(default_factory=set)
    passes: dict[int, int] = field(default_factory=dict)
    groups: dict[int, list[_Ending]] = field(default_factory=dict)
    signs: _Places = field(init=False)
    codas: _Places = field(init=False)

    def __post_init__(self) -> None:
        for ending in dict.fromkeys(self.endings.values()):
            self.groups.setdefault(ending.group, []).append(ending)
        self.signs = _Places((i, mark.segno) for i, mark in enumerate(self.marks))
        self.codas = _Places((i, mark.coda) for i, mark in enumerate(self.marks))

    def play(self) -> None:
        while self.at < len(self.marks):
            ending = self.endings.get(self.at)
            if ending and not self._plays(ending):
                self._leave(self.at, ending.last + 1)
                continue
            if self.marks[self.at].forward and self.at != self.section:
                self.section, self.time = self.at, 1
            self._sound(self.at)
            after = self._next(self.at, ending)
            if after is None:
                return
            self._leave(self.at, after)

    def _sound(self, i: int) -> None:
        if len(self.order) >= self.limit:
            raise TooLong
        self.passes[i] = max(self.time, self.passes.get(i, 0) + 1)
        self.order.append((i, self.passes[i]))

    def _plays(self, ending: _Ending) -> bool:
        group = self.groups[ending.group]
        if self.jumped and not self._repeats_again(group):
            return ending == group[-1] if len(group) > 1 else not self.marks[ending.last].backward
        if len(group) == 1 and 1 not in ending.numbers and self.time == 1:
            return True
        last = max(max(e.numbers) for e in group)
        return self.time in ending.numbers or (ending == group[-1] and self.time > last > 1)

    def _repeats_again(self, group: list[_Ending]) -> bool:
        return any(self.marks[e.last].after_jump for e in group)

    def _next(self, i: int, ending: _Ending | None) -> int | None:
        """The bar after bar `i`, None at the end; the jumps of the bar are taken here."""
        mark = self.marks[i]
        if mark.backward and self._again(mark, ending):
            self.time += 1
            return self.section
        if mark.backward:
            self.section, self.time = i + 1, 1
        if self.jumped and mark.fine and self.al != "coda":
            return None
        if self.jumped and mark.to_coda and self.al != "fine" and (coda := self._coda(mark.to_coda[0], i)) is not None:
            self.jumped, self.al = False, ""
            self.section, self.time = coda, 1
            return coda
        if mark.jump and i not in self.taken and (target := self._target(mark, i)) is not None:
            self.taken.add(i)
            self.jumped, self.al = True, mark.al
            self.section, self.time = target, 1
            return target
        return i + 1

    def _again(self, mark: Marks, ending: _Ending | None) -> bool:
        if self.jumped and not mark.after_jump:
            return False
        times = 2 if mark.times is None else mark.times
        if ending is not None:
            group = self.groups[ending.group]
            last = max(max(e.numbers) for e in group)
            times = max(times, last) if len(group) > 1 else max(times, last + 1)
        if times > MAX_TIMES:
            self.remarks.append(f"a repeat to be played {times} times is played {MAX_TIMES} times")
        return self.time < min(times, MAX_TIMES)

    def _leave(self, i: int, after: int) -> None:
        """Go on to bar `after`; once the last ending of a repeat is behind, a new section begins."""
        left, entered = self.endings.get(i), self.endings.get(after)
        self.at = after
        if left is None or after <= i or (entered is not None and entered.group == left.group):
            return
        if any(self.marks[ending.last].backward for ending in self.groups[left.group]):
            self.section, self.time = after, 1

    def _coda(self, label: str, i: int) -> int | None:
        found = self.codas.after(i, label)
        if found is None:
            self.remarks.append("a coda is called for, but none is marked: played on without it")
        return found

    def _target(self, mark: Marks, i: int) -> int | None:
        if mark.jump == "dacapo":
            return 0
        found = self.signs.before(i, mark.jump_label)
        if found is None:
            self.remarks.append("a D.S. is written, but no segno: it is not followed")
        return found


class _Places:
    """Where a sign stands: by its label, else the nearest one."""

    def __init__(self, found: Iterable[tuple[int, tuple[str, ...]]]) -> None:
        self.bars: list[int] = []
        self.labelled: dict[str, int] = {}
        for bar, labels in found:
            if labels:
                self.bars.append(bar)
            for label in filter(None, labels):
                self.labelled.setdefault(label, bar)

    def after(self, bar: int, label: str) -> int | None:
        """The sign with the label, else the next one after `bar`, else the first one elsewhere."""
        if label in self.labelled and self.labelled[label] != bar:
            return self.labelled[label]
        place = bisect_right(self.bars, bar)
        if place < len(self.bars):
            return self.bars[place]
        return self.bars[0] if self.bars and self.bars[0] != bar else None

    def before(self, bar: int, label: str) -> int | None:
        """The sign with the label, else the last one up to `bar`, else the first one."""
        if label in self.labelled:
            return self.labelled[label]
        place = bisect_right(self.bars, bar)
        return self.bars[max(place - 1, 0)] if self.bars else None
