"""Links: the hardest changes of a passage, each lifted out and practised as loops.

A change of two notes becomes, each a bar or more of even notes: the pair there and back, the pair backwards, the pair
with the note before and after it as in the music, then the bar around it grown note by note: forwards from its first
note, backwards from its last (common practice, no source). Each step is played twice and ends with a rest in which the
hand lets go. The notes are slurred, so that the change is heard.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import isinf

from companion.charts.model import Chart
from companion.errors import UsageError
from companion.exercises.build import Section, Tone, make
from companion.passage import Note, Passage
from companion.planning.limits import ChangeLimit, speed_limits
from companion.planning.model import Plan
from companion.practice.words import bars_in_words, number_of

__all__ = ["LINK_KINDS", "Change", "hardest_changes", "links"]

LINK_KINDS = ("all", "pair", "approached", "grown")
_EIGHTH = Fraction(1, 2)
_BAR = Fraction(4)
#: A bar of more notes is grown only as far: longer than a hand keeps in mind as one movement (ours, no source).
_MOST_GROWN = 8
_TIMES = 2


@dataclass(frozen=True, slots=True)
class Change:
    """A change of written notes `first` to `second`: where it is hardest (note indices), all its `bars`, and the
    quarters a minute it can reach."""

    from_index: int
    note_index: int
    bars: tuple[int, ...]
    limit_bpm: float


def hardest_changes(passage: Passage, plan: Plan, chart: Chart) -> tuple[Change, ...]:
    """The changes of a planned passage, the lowest speed limit first; the same two notes count once."""
    limits = speed_limits(passage, plan, chart, passage.marked_tempo_bpm())
    by_notes: dict[tuple[int, int], list[ChangeLimit]] = {}
    for change in limits.changes:
        if not isinf(change.limit_bpm):
            pair = passage.notes[change.from_index].written_midi, passage.notes[change.note_index].written_midi
            by_notes.setdefault(pair, []).append(change)
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
    kind: str = "all",
    times: int = _TIMES,
    into: int = 0,
) -> Passage:
    """One of the hardest changes, or any other, as loops.

    Parameters
    ----------
    passage, plan
        The music, planned.
    chart
        The horn.
    change
        Which of the hardest: 1 is the one with the lowest speed limit.
    kind
        `pair`, `approached`, `grown`, or `all` of them.
    times
        How often each step is played, 1 to 8.
    into
        Index of the note that a change leads into, such as one of the player's own trouble spots; 0 for the hardest.

    Raises
    ------
    UsageError
        An option out of its range, or a passage where nothing changes.

    References
    ----------
    The order of the steps is common practice, no source.
    """
    if kind not in LINK_KINDS:
        raise UsageError(f"no kind of links {kind!r}; there are {', '.join(LINK_KINDS)}")
    if not 1 <= times <= 8:
        raise UsageError(f"links are played 1 to 8 times a step, not {times}")
    if into:
        return _loops(passage, plan, chart, _change_into(passage, into), kind, times)
    changes = hardest_changes(passage, plan, chart)
    if not changes:
        raise UsageError("no fingers change in this passage, so there is nothing to link; choose more bars")
    if not 1 <= change <= len(changes):
        raise UsageError(f"change {change}: this passage has {number_of(len(changes), 'change')}, from 1, the hardest")
    return _loops(passage, plan, chart, changes[change - 1], kind, times)


def _change_into(passage: Passage, into: int) -> Change:
    if not 0 < into < len(passage.notes):
        raise UsageError(f"no change leads into note {into}: this passage has notes 0 to {len(passage.notes) - 1}")
    return Change(into - 1, into, (passage.notes[into].bar,), 0.0)


def _loops(passage: Passage, plan: Plan, horn: Chart, chosen: Change, kind: str, times: int) -> Passage:
    first, second = passage.notes[chosen.from_index], passage.notes[chosen.note_index]
    steps = [
        *(_pair(first, second) if kind in ("all", "pair") else ()),
        *(_approached(passage, first, second) if kind in ("all", "approached") else ()),
        *(_grown(passage, first, second) if kind in ("all", "grown") else ()),
    ]
    tones = [tone for step in steps for _ in range(times) for tone in _bar_of(step, plan)]
    bar = passage.bars[second.bar]
    return make(
        f"Links: {first.written.name} to {second.written.name} ({bars_in_words(passage, chosen.bars)})",
        f"The change from {first.written} to {second.written} by itself, then with more and more of its bar",
        [Section(tuple(tones), bar.fifths, bar.mode)],
        horn,
        passage.marked_tempo_bpm(),
    )


def _pair(first: Note, second: Note) -> list[list[Note]]:
    return [[first, second], [second, first], [first, second] * 3]


def _approached(passage: Passage, first: Note, second: Note) -> list[list[Note]]:
    """With the note before, with the note after, with both; at an end of the music what there is."""
    notes, at, to = passage.notes, first.index, second.index
    spans = ((max(at - 1, 0), to), (at, min(to + 1, len(notes) - 1)), (max(at - 1, 0), min(to + 1, len(notes) - 1)))
    return [list(notes[low : high + 1]) for low, high in dict.fromkeys(spans)]


def _grown(passage: Passage, first: Note, second: Note) -> list[list[Note]]:
    """Forwards from the bar's beginning and backwards from its end, to no more than `_MOST_GROWN` notes."""
    notes, at, to = passage.notes, first.index, second.index
    inside = [i for i, note in enumerate(notes) if note.bar in (first.bar, second.bar)]
    low = max(inside[0], to - _MOST_GROWN + 1)
    high = min(inside[-1], low + _MOST_GROWN - 1)
    whole = list(notes[min(low, at) : high + 1])
    forwards = [whole[:count] for count in range(2, len(whole) + 1)]
    backwards = [whole[-count:] for count in range(2, len(whole))]
    return [*forwards, *backwards, whole]


def _bar_of(notes: Sequence[Note], plan: Plan) -> list[Tone]:
    """Slurred eighths, the last one as long as a quarter, and a rest to the end of a bar. An alternate fingering of
    the music is kept: that is the change to be practised. The same note again is tongued."""
    tones = [
        Tone(note.written, _EIGHTH, after.written_midi != note.written_midi, fingering_mark=_mark(note, plan))
        for note, after in pairwise(notes)
    ]
    tones.append(Tone(notes[-1].written, 2 * _EIGHTH, fingering_mark=_mark(notes[-1], plan)))
    used = sum((tone.length for tone in tones), Fraction(0))
    rest = -used % _BAR
    return [*tones, *([Tone(None, rest)] if rest else [])]


def _mark(note: Note, plan: Plan) -> str:
    name = plan.choices[note.index].name
    return "" if name == "standard" else name
