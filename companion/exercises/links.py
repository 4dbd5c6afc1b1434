"""Links: the hardest changes of a passage, each lifted out and practised as loops.

A change of two notes becomes loops in this order (common practice, no source): the pair, the pair backwards, to and
fro; the pair approached and left as in the music; the same grown note by note, forwards to the end of its bar, then
backwards to the beginning; at last the bar as it is written, in its own rhythm and metre. A bar line in the change
belongs to it: then both bars stand at the end.

Conventions
-----------
* The loops are even and slurred, so that the change is heard; a note repeated is tongued. They go at the speed the
  change has in the music, in plain values or triplets from a thirty-second to a quarter, in 4/4. A loop's last note
  is held to the end of its beat, and a rest of a beat or more follows, in which the hand lets go.
* A rest in the music ends the growing: what lies beyond it does not belong to the movement. Grace notes are notes
  like others, but in the bar as written.
* The planned fingerings of the music are kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, isinf

from companion.charts.model import Chart
from companion.errors import UsageError
from companion.exercises.build import Section, Tone, make
from companion.exercises.fixed import with_needed_marks
from companion.exercises.hard_bars import marks_of, music_as_written, short_value
from companion.passage import Note, Passage
from companion.planning.limits import ChangeLimit, speed_limits
from companion.planning.model import Plan
from companion.practice.hurdle import change_in_words
from companion.practice.words import bar_in_words, bars_in_words, capital, number_of

__all__ = ["LINK_KINDS", "Change", "hardest_changes", "links"]

LINK_KINDS = ("all", "pair", "approached", "grown")
_BAR, _HALF_BAR, _BEAT = Fraction(4), Fraction(2), Fraction(1)
#: Longer than a hand keeps in mind as one movement (ours, no source).
_LENGTH, _MOST_LENGTH = 8, 32
_TIMES, _MOST_TIMES = 4, 8
_MOST_CHANGES = 12


@dataclass(frozen=True, slots=True)
class Change:
    """A change from note `from_index` to note `note_index`: where it is hardest; all its `bars`, and the quarters a
    minute it can reach."""

    from_index: int
    note_index: int
    bars: tuple[int, ...]
    limit_bpm: float


def hardest_changes(passage: Passage, plan: Plan, chart: Chart) -> tuple[Change, ...]:
    """The changes of a planned passage, the lowest speed limit first; the same two notes with the same fingerings, in
    either direction, count once."""
    limits = speed_limits(passage, plan, chart, passage.marked_tempo_bpm())
    by_notes: dict[frozenset[tuple[int, str]], list[ChangeLimit]] = {}
    for change in limits.changes:
        if not isinf(change.limit_bpm):
            pair = (change.from_index, change.note_index)
            shapes = frozenset((passage.notes[i].written_midi, plan.choices[i].name) for i in pair)
            by_notes.setdefault(shapes, []).append(change)
    found = []
    for same in by_notes.values():
        worst = min(same, key=lambda change: (change.limit_bpm, change.note_index))
        bars = tuple(sorted({passage.notes[change.note_index].bar for change in same}))
        found.append(Change(worst.from_index, worst.note_index, bars, worst.limit_bpm))
    return tuple(sorted(found, key=lambda change: (change.limit_bpm, change.note_index)))


def links(
    passage: Passage,
    plan: Plan,
    chart: Chart,
    *,
    change: int = 1,
    count: int = 1,
    kind: str = "all",
    times: int = _TIMES,
    length: int = _LENGTH,
    into: int = 0,
    spots: str = "",
) -> Passage:
    """The hardest changes, or any others, as loops.

    Parameters
    ----------
    passage, plan
        The music, planned.
    chart
        The horn.
    change, count
        Which of the hardest, and how many from there on: 1 is the one with the lowest speed limit.
    kind
        `pair`, `approached`, `grown`, or `all` of them.
    times
        How often each loop is played, 1 to 8; the bar as written half as often.
    length
        How many notes a loop grows to, 2 to 32.
    into
        Index of the note that a change leads into, such as one of the player's own trouble spots; 0 for the hardest.
    spots
        Several such indices, as `12, 40`.

    Raises
    ------
    UsageError
        An option out of its range, or a passage where nothing changes.

    References
    ----------
    The order of the loops is common practice, no source.
    """
    if kind not in LINK_KINDS:
        raise UsageError(f"no kind of links {kind!r}; there are {', '.join(LINK_KINDS)}")
    if not 1 <= times <= _MOST_TIMES:
        raise UsageError(f"links are played 1 to {_MOST_TIMES} times a loop, not {times}")
    if not 2 <= length <= _MOST_LENGTH:
        raise UsageError(f"a loop grows to 2 to {_MOST_LENGTH} notes, not {length}")
    if not 1 <= count <= _MOST_CHANGES:
        raise UsageError(f"links are made of 1 to {_MOST_CHANGES} changes, not {count}")
    chosen = _by_note(passage, into, spots) or _hardest(passage, plan, chart, change, count)
    marks = marks_of(passage, plan, chart)
    sections: list[Section] = []
    for each in chosen:
        bar = bar_in_words(passage, passage.notes[each.note_index].bar)
        name = f"{_name(passage, plan, each)}, {bar}" if len(chosen) > 1 else ""
        sections += _Loops(passage, marks, each, times, length).sections(kind, name)
    title, purpose = _words(passage, plan, chosen, kind, own=bool(into or spots.strip()))
    made = make(title, purpose, sections, chart, passage.marked_tempo_bpm())
    return with_needed_marks(made, chart, plan.rules)


def _by_note(passage: Passage, into: int, spots: str) -> list[Change]:
    """The changes into these notes; none where the hardest are asked for."""
    wanted = [into] if into else []
    for text in (part.strip() for part in spots.split(",")):
        if text and not text.isdecimal():
            raise UsageError(f"{text!r} is no note: spots are note indices such as 12, 40")
        wanted += [int(text)] if text else []
    return [_change_into(passage, index) for index in dict.fromkeys(wanted)]


def _change_into(passage: Passage, into: int) -> Change:
    if not 0 < into < len(passage.notes):
        raise UsageError(f"no change leads into note {into}: this passage has notes 0 to {len(passage.notes) - 1}")
    return Change(into - 1, into, (passage.notes[into].bar,), 0.0)


def _hardest(passage: Passage, plan: Plan, chart: Chart, change: int, count: int) -> list[Change]:
    changes = hardest_changes(passage, plan, chart)
    if not changes:
        raise UsageError("no fingers change in this passage, so there is nothing to link; choose more bars")
    if not 1 <= change <= len(changes):
        raise UsageError(f"change {change}: this passage has {number_of(len(changes), 'change')}, from 1, the hardest")
    return list(changes[change - 1 : change - 1 + count])


def _words(passage: Passage, plan: Plan, chosen: Sequence[Change], kind: str, own: bool) -> tuple[str, str]:
    """Title and purpose."""
    if len(chosen) == 1:
        title = f"Links: {_name(passage, plan, chosen[0])} ({bars_in_words(passage, chosen[0].bars)})"
        what = f"The change from {_name(passage, plan, chosen[0])}"
    else:
        title = f"Links: {len(chosen)} {'trouble spots' if own else 'hard changes'}"
        what = "Each change"
    then = {
        "pair": "by itself, forwards, backwards and to and fro",
        "approached": "with the notes before and after it, as the music comes to it and leaves it",
        "grown": "grown note by note into its bar, until the bar stands",
        "all": "by itself, then with more and more of its bar, until the bar stands",
    }
    return title, f"{what} {then[kind]}"


def _name(passage: Passage, plan: Plan, change: Change) -> str:
    return change_in_words(passage, plan, change.from_index, change.note_index)


@dataclass(frozen=True, slots=True)
class _Loops:
    """What one change becomes. `marks` fix the fingerings."""

    passage: Passage
    marks: dict[int, str]
    change: Change
    times: int
    length: int

    def sections(self, kind: str, name: str) -> list[Section]:
        """All loops of a kind, `name` over the first of them."""
        groups: list[tuple[str, list[list[Note]]]] = []
        at, to = self.change.from_index, self.change.note_index
        approached = [(at, to)] if kind == "approached" and len(self._approached()) == 0 else self._approached()
        if kind in ("all", "pair"):
            first, second = self.passage.notes[at], self.passage.notes[to]
            groups.append(("the pair", [[first, second], [second, first], [first, second] * 2 + [first]]))
        if kind in ("all", "approached"):
            groups.append(("approached and left", self._lines(approached)))
        if kind in ("all", "grown"):
            done = set(approached) if kind == "all" else set()
            forwards, backwards = self._grown()
            groups.append(("grown forwards", self._lines(span for span in forwards if span not in done)))
            groups.append(("grown backwards", self._lines(span for span in backwards if span not in done)))
        sections: list[Section] = []
        for words, loops in groups:
            for place, loop in enumerate(loops):
                heading = "" if place else _heading(name if not sections else "", words)
                sections.append(self._section(loop, heading))
        if kind in ("all", "grown"):
            bars = (self.passage.notes[at].bar, self.passage.notes[to].bar)
            heading = _heading(name if not sections else "", "as written")
            sections += music_as_written(self.passage, bars, self.marks, heading, ceil(self.times / 2))
        return sections

    def _lines(self, spans: Iterable[tuple[int, int]]) -> list[list[Note]]:
        return [list(self.passage.notes[low : high + 1]) for low, high in spans]

    def _approached(self) -> list[tuple[int, int]]:
        """With the note before, with the note after, with both, where no rest lies between."""
        at, to = self.change.from_index, self.change.note_index
        low, high = at - self._joined(at), to + self._joined(to + 1)
        spans = dict.fromkeys(((low, to), (at, high), (low, high)))
        return [span for span in spans if span != (at, to)]

    def _grown(self) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
        """Spans forwards to the end of the bar, then backwards to its beginning; to no more notes than asked for."""
        at, to, notes = self.change.from_index, self.change.note_index, self.passage.notes
        low, high = at, to
        while to - low + 1 < self.length and self._joined(low) and notes[low - 1].bar == notes[at].bar:
            low -= 1
        while high - at + 1 < self.length and self._joined(high + 1) and notes[high + 1].bar == notes[to].bar:
            high += 1
        forwards = [(at, end) for end in range(to + 1, high + 1)]
        backwards = [(start, to) for start in range(at - 1, low - 1, -1)]
        return forwards, backwards

    def _joined(self, index: int) -> bool:
        """Does the note before it lead into it without a rest?"""
        notes = self.passage.notes
        return 0 < index < len(notes) and notes[index].start <= notes[index - 1].end

    def _section(self, loop: Sequence[Note], heading: str) -> Section:
        """A loop in whole bars; one that fills no more than half a bar stands there twice."""
        tones, used = self._tones(loop)
        total = ceil((used + _BEAT) / _HALF_BAR) * _HALF_BAR
        rest = Tone(None, total - used)
        twice = total == _HALF_BAR and self.times % 2 == 0
        bar = self.passage.bars[self.passage.notes[self.change.note_index].bar]
        placed = (*tones, rest) * (2 if twice else 1)
        plays = self.times // 2 if twice else self.times
        return Section(placed, bar.fifths, bar.mode, heading=heading, times=plays)

    def _tones(self, loop: Sequence[Note]) -> tuple[list[Tone], Fraction]:
        """The notes of a loop and how long they last together."""
        value = self._value()
        start_of_last = value * (len(loop) - 1)
        # Thirty-seconds would be dwarfed by a last note of a beat.
        beat = _BEAT if value >= Fraction(1, 4) else _BEAT / 2
        end = (start_of_last // beat + 1) * beat
        tones = []
        for place, note in enumerate(loop):
            after = loop[place + 1] if place + 1 < len(loop) else None
            slurred = after is not None and after.written_midi != note.written_midi
            lasting = value if after else end - start_of_last
            tones.append(Tone(note.written, lasting, slurred, fingering_mark=self.marks.get(note.index, "")))
        return tones, end

    def _value(self) -> Fraction:
        """The written value of the loops: as long as the change has in the music, a quarter at most."""
        first, second = (self.passage.notes[i] for i in (self.change.from_index, self.change.note_index))
        gap = second.start - first.start
        return short_value(gap or Fraction(1, 4), longest=_BEAT)


def _heading(name: str, words: str) -> str:
    return capital(f"{name}: {words}" if name else words)
