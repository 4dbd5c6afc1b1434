"""Alternates side by side: the same bar with each fingering that makes sense, to hear and feel the difference.

The bar stands as it is written, first with the planned fingerings, then for every other fingering of a note with a
choice; all notes of that pitch take it where a hand can. What is not compared keeps its planned fingering. A fingering
makes sense where it is no trill fingering, is usual beside these neighbours, and no finger has to slide or jump.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from companion.charts.model import Chart, Fingering
from companion.errors import UsageError
from companion.exercises.build import make
from companion.exercises.fixed import USUAL, fixing_mark, with_needed_marks
from companion.exercises.hard_bars import marks_of, music_as_written
from companion.passage import Note, Passage
from companion.planning.hands import awkward
from companion.planning.limits import speed_limits
from companion.planning.model import Plan
from companion.practice.finger_words import listed
from companion.practice.hurdle import note_in_words
from companion.practice.words import bars_in_words, capital, number_of, shape_in_words

__all__ = ["alternates", "notes_with_choice"]

_TIMES, _MOST_TIMES = 2, 8


@dataclass(frozen=True, slots=True)
class _Variant:
    """Notes `indices`, all of one pitch, with another fingering than planned."""

    fingering: Fingering
    indices: tuple[int, ...]


def alternates(
    passage: Passage,
    plan: Plan,
    chart: Chart,
    *,
    bars: str = "",
    times: int = _TIMES,
) -> Passage:
    """A bar once with each fingering that makes sense.

    Parameters
    ----------
    passage, plan
        The music, planned.
    chart
        The horn.
    bars
        Printed bars such as `5` or `5-6`, or one note of a bar: `5.3` is the third note of bar 5, `5.-1` its last. By
        default the bar of the hardest change to or from a note with a choice.
    times
        How often each is played, 1 to 8.

    Raises
    ------
    UsageError
        Bars or a note that aren't there, or where there is no choice: it says which bars have one.
    """
    if not 1 <= times <= _MOST_TIMES:
        raise UsageError(f"fingerings are compared 1 to {_MOST_TIMES} times each, not {times}")
    span, wanted = _chosen(passage, plan, chart, bars)
    variants = _variants(passage, plan, chart, wanted)
    if not variants:
        where = f"note {bars.strip()}" if "." in bars else bars_in_words(passage, range(span[0], span[1] + 1))
        raise UsageError(f"{where} leaves no choice of fingering; {_where(passage, plan, chart)}")
    names = _Names(passage, plan, variants)
    marks = marks_of(passage, plan, chart)
    sections = music_as_written(passage, span, marks, names.planned, times)
    for variant in variants:
        other = dict.fromkeys(variant.indices, fixing_mark(variant.fingering, chart))
        sections += music_as_written(passage, span, {**marks, **other}, names.of(variant), times)
    title = f"{names.title} ({bars_in_words(passage, range(span[0], span[1] + 1))})"
    bar = "bar" if span[0] == span[1] else "bars"
    what = f"The same {bar} with each fingering of {names.notes}, the planned one first"
    purpose = f"{what}, to hear and feel the difference"
    made = make(title, purpose, sections, chart, passage.marked_tempo_bpm())
    return with_needed_marks(made, chart, plan.rules)


# -- which bars, which notes ----------------------------------------------------------------------------------------


def _chosen(passage: Passage, plan: Plan, chart: Chart, bars: str) -> tuple[tuple[int, int], list[Note]]:
    """First and last bar, and the notes whose fingerings are compared."""
    if "." in bars:
        note = _note_at(passage, bars)
        return (note.bar, note.bar), _repeated(passage, note)
    span = passage.bar_range(bars) if bars.strip() else _hardest_bars(passage, plan, chart)
    return span, [note for note in passage.notes if span[0] <= note.bar <= span[1]]


def _note_at(passage: Passage, text: str) -> Note:
    bar, _, number = text.strip().rpartition(".")
    try:
        place = int(number)
    except ValueError:
        place = 0
    if not place:
        raise UsageError(f"{text!r} is no note: write BAR.NOTE such as 3.4, or 10.-2 for the next to last note")
    index = passage.bar_range(bar)[0]
    notes = [note for note in passage.notes if note.bar == index]
    if abs(place) > len(notes):
        raise UsageError(f"note {text.strip()}: that bar has {number_of(len(notes), 'note')}")
    return notes[place - 1 if place > 0 else place]


def _repeated(passage: Passage, note: Note) -> list[Note]:
    """The note and those beside it in its bar that repeat it: they keep one fingering."""
    low = high = note.index
    while low > 0 and _same(passage.notes[low - 1], note):
        low -= 1
    while high + 1 < len(passage.notes) and _same(passage.notes[high + 1], note):
        high += 1
    return list(passage.notes[low : high + 1])


def _same(note: Note, other: Note) -> bool:
    return (note.written_midi, note.bar) == (other.written_midi, other.bar)


def _hardest_bars(passage: Passage, plan: Plan, chart: Chart) -> tuple[int, int]:
    """The bar of the hardest change at a note with a choice, both bars where their line is in it; else the first bar
    with a choice."""
    free = {note.index for note in notes_with_choice(passage, plan, chart)}
    if not free:
        raise UsageError("no note of this passage has another fingering that makes sense; choose more bars")
    limits = speed_limits(passage, plan, chart, passage.marked_tempo_bpm())
    hardest = sorted(limits.changes, key=lambda change: (change.limit_bpm, change.note_index))
    for change in hardest:
        if {change.from_index, change.note_index} & free:
            return passage.notes[change.from_index].bar, passage.notes[change.note_index].bar
    first = passage.notes[min(free)].bar
    return first, first


def _where(passage: Passage, plan: Plan, chart: Chart) -> str:
    found = [note.bar for note in notes_with_choice(passage, plan, chart)]
    return f"there is one in {bars_in_words(passage, found)}" if found else "nor does the rest of this passage"


def notes_with_choice(passage: Passage, plan: Plan, chart: Chart) -> list[Note]:
    """The notes that have another fingering that makes sense."""
    return [note for note in passage.notes if _others(passage, plan, chart, note)]


# -- which fingerings -----------------------------------------------------------------------------------------------


def _variants(passage: Passage, plan: Plan, chart: Chart, notes: Sequence[Note]) -> list[_Variant]:
    """In the order in which the notes first stand, the cheaper fingerings first."""
    found: dict[tuple[int, str], tuple[Fingering, list[int]]] = {}
    for midi in dict.fromkeys(note.written_midi for note in notes):
        same = [note for note in notes if note.written_midi == midi]
        for note in same:
            for fingering in _others(passage, plan, chart, note):
                found.setdefault((midi, fingering.name), (fingering, []))[1].append(note.index)
    return [_Variant(fingering, tuple(indices)) for fingering, indices in found.values()]


def _others(passage: Passage, plan: Plan, chart: Chart, note: Note) -> list[Fingering]:
    """The other fingerings of a note that make sense between its neighbours, the cheapest first."""
    if note.trill:
        return []
    around = [
        plan.choices[i].keys
        for i in (note.index - 1, note.index + 1)
        if 0 <= i < len(passage.notes) and passage.notes[i].written_midi != note.written_midi
    ]
    return [
        runner.fingering
        for runner in plan.choices[note.index].runners_up
        if runner.fingering.only_for != "trill"
        and fixing_mark(runner.fingering, chart)
        and not any(awkward(runner.fingering.keys, keys) for keys in around)
    ]


# -- words ----------------------------------------------------------------------------------------------------------


class _Names:
    """What stands over it all and over each way to play the bar."""

    def __init__(self, passage: Passage, plan: Plan, variants: Sequence[_Variant]) -> None:
        pitches = {passage.notes[i].written_midi: passage.notes[i].written for each in variants for i in each.indices}
        letters = [pitch.name for pitch in pitches.values()]
        self._called: Mapping[int, str] = {
            midi: str(pitch) if letters.count(pitch.name) > 1 else pitch.name for midi, pitch in pitches.items()
        }
        self.notes = listed(list(self._called.values()))
        planned = {plan.choices[i].fingering for each in variants for i in each.indices}
        ours = sorted(planned, key=lambda fingering: (fingering.written_midi, fingering.name))
        self.planned = "As planned" if len(ours) > 1 else capital(self._name(ours[0]))
        shapes = [fingering.name for fingering in (*ours, *(each.fingering for each in variants))]
        which = f": {listed(list(dict.fromkeys(map(self._in_list, shapes))))}" if len(pitches) == 1 else ""
        self.title = f"{self.notes} side by side{which}"

    def of(self, variant: _Variant) -> str:
        """What stands over this way to play it."""
        return capital(self._name(variant.fingering))

    def _name(self, fingering: Fingering) -> str:
        note = self._called[fingering.written_midi]
        return f"the usual {note}" if fingering.name == USUAL else note_in_words(note, fingering.name)

    def _in_list(self, name: str) -> str:
        """Without the note, which is named before the list."""
        return "usual" if name == USUAL else shape_in_words("", name).strip()
