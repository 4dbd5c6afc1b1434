"""From a passage to the steps the planner decides: one step a note, repeated notes taken together.

Conventions
-----------
* Notes of one pitch in a row, with no rest between them, are one step: a repeated note keeps its fingering.
* A rest of `REST_S` or longer leaves no neighbour: the hand has time, and a change across it costs `REST_SHARE` of
  itself.
* What a change costs counts in full where the shorter of its two notes is fast, half where both are held: there is time
  for it, and tone decides. Grace notes and trills are fast. A tongued change counts `TONGUED_SHARE` of that.
* A note that is printed once and played twice is two notes here: its fingering may differ from pass to pass where its
  neighbours do (as at the end of a repeat); `printed_texts` says so on the page.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from companion.charts.model import Chart, Fingering, note_name
from companion.errors import NoFingering, UsageError
from companion.passage import Note, Passage
from companion.planning.rules import FAST_S, HELD_S, Situation
from companion.units import s_per_beat

__all__ = [
    "REST_S",
    "REST_SHARE",
    "Beats",
    "Step",
    "all_marks",
    "beats_of",
    "printed_marks",
    "share_of_change",
    "steps_of",
]

REST_S = 0.25
REST_SHARE = 0.25
#: How much of a change counts between held notes, and between notes that are neither held nor fast.
HELD_SHARE, MEDIUM_SHARE = 0.5, 0.75
#: The tongue touches the reed for 34.5 ms whatever the tempo (Hofmann and others, ICMPC-ESCOM 2012, 442) and hides that
#: much of a change; the median of those measured takes 239 ms (arXiv:2507.04963).
TONGUE_S, MEDIAN_CHANGE_S = 0.0345, 0.239
TONGUED_SHARE = 1 - TONGUE_S / MEDIAN_CHANGE_S
MAX_NOTES_NAMED = 6
#: So many steps to and fro between B and C are a shake and no single turn, between other notes so many (common
#: practice, no source).
SHAKE_STEPS = 4
LONG_SHAKE_STEPS = 6
_SHAKES = ({71, 72}, {83, 84})

_Candidates = tuple[Fingering, ...]


class Beats(NamedTuple):
    """The written MIDI number, start and length in quarters of every note."""

    midis: list[int]
    starts: list[float]
    lengths: list[float]


def beats_of(passage: Passage) -> Beats:
    """All of a passage, read once: turning many fractions into floats takes its time."""
    notes = passage.notes
    midis = [note.written.midi for note in notes]
    return Beats(midis, [float(note.start) for note in notes], [float(note.length) for note in notes])


class Step(NamedTuple):
    """Notes `first` to `last` (indices into `Passage.notes`, both included) that share one fingering of `candidates`.
    `rest_before` is True where a rest parts it from the step before. `share` is how much the change into it counts.
    `mark` is the one of the candidates that was marked by hand, and no other will do."""

    first: int
    last: int
    situation: Situation
    candidates: tuple[Fingering, ...]
    rest_before: bool = False
    share: float = 1.0
    mark: Fingering | None = None


def share_of_change(rest: bool, slurred: bool, shorter_s: float) -> float:
    """How much of a change's cost counts, by the seconds that the shorter of its two notes lasts."""
    if rest:
        return REST_SHARE
    share = 1.0 if shorter_s <= FAST_S else HELD_SHARE if shorter_s >= HELD_S else MEDIUM_SHARE
    return share if slurred else share * TONGUED_SHARE


def rests_and_durations_s(passage: Passage, tempo_bpm: float, beats: Beats) -> tuple[list[float], list[float]]:
    """Seconds of rest before each note and seconds it lasts, when the passage goes at `tempo_bpm` quarters a minute."""
    first_bpm = passage.tempos[0].quarter_bpm if passage.tempos else tempo_bpm
    changes = [(float(mark.start), tempo_bpm * mark.quarter_bpm / first_bpm) for mark in passage.tempos[1:]]
    rests, durations, at, beat_s, end = [], [], 0, s_per_beat(tempo_bpm), 0.0
    for start, length in zip(beats.starts, beats.lengths, strict=True):
        while at < len(changes) and changes[at][0] <= start:
            beat_s = s_per_beat(changes[at][1])
            at += 1
        rests.append((start - end) * beat_s if start > end else 0.0)
        durations.append(length * beat_s)
        if length:
            end = max(end, start + length)
    return rests, durations


def steps_of(
    passage: Passage, chart: Chart, marks: Mapping[int, str], tempo_bpm: float, beats: Beats | None = None
) -> list[Step]:
    """The steps of a passage; `beats` are its own, where they are known already.

    Raises
    ------
    NoFingering
        Notes outside the instrument's range, with their bars.
    UsageError
        A mark for a note that isn't there, or a fingering the note doesn't have.
    """
    beats = beats or beats_of(passage)
    midis = beats.midis
    by_note = {midi: chart.for_note(midi) for midi in set(midis)}
    _refuse_out_of_range(passage, chart, midis, by_note)
    fixed = _fixed_fingerings(passage, chart, marks, by_note)
    rests, durations = rests_and_durations_s(passage, tempo_bpm, beats)
    groups = _groups(passage.notes, midis, rests, fixed)
    shaken = _shaken([midis[first] for first, _, _ in groups], [rest for _, _, rest in groups])
    places: dict[Situation, tuple[Situation, _Candidates]] = {}
    steps: list[Step] = []
    before: int | None = None
    ended_s, slurred = 0.0, False
    for i, (first, last, rest) in enumerate(groups):
        note, midi, goes_on = passage.notes[first], midis[first], i + 1 < len(groups) and not groups[i + 1][2]
        slurred_out = goes_on and not passage.notes[last + 1].tongued
        lasting_s = durations[first] if first == last else max(durations[first : last + 1])
        situation = Situation(
            midi,
            None if rest else before,
            midis[last + 1] if goes_on else None,
            note.trill.other.midi if note.trill else None,
            lasting_s <= FAST_S,
            lasting_s >= HELD_S,
            i in shaken,
            slurred,
            slurred_out,
        )
        # The same object for equal situations: the planner remembers tables by it.
        place = places.get(situation)
        if place is None:
            place = places[situation] = (situation, _worth_having(by_note[midi], situation))
        begins_s = 0.0 if note.trill else durations[first]
        share = share_of_change(rest, slurred, min(ended_s, begins_s))
        marked = next((fixed[k] for k in range(first, last + 1) if k in fixed), None) if fixed else None
        candidates = place[1] if marked is None or marked in place[1] else (*place[1], marked)
        steps.append(Step(first, last, place[0], candidates, rest, share, marked))
        before, slurred, ended_s = midi, slurred_out, 0.0 if note.trill else durations[last]
    return steps


def _shaken(midis: list[int], rests: list[bool]) -> set[int]:
    """The steps in which two notes go to and fro: B and C four or more in a row, others six or more."""
    found: set[int] = set()
    first = 0
    for i in range(1, len(midis) + 1):
        if i < len(midis) and not rests[i] and (i - first < 2 or midis[i] == midis[i - 2]):
            continue
        if i - first >= (SHAKE_STEPS if {*midis[first : first + 2]} in _SHAKES else LONG_SHAKE_STEPS):
            found.update(range(first, i))
        # The last step of one shake may be the first of the next.
        first = i if i == len(midis) or rests[i] else i - 1
    return found


def _worth_having(all_of_note: _Candidates, situation: Situation) -> _Candidates:
    if len(all_of_note) == 1:
        return all_of_note
    here = tuple(f for f in all_of_note if not f.beside or situation.beside(f.beside))
    # The same object wherever nothing is left out: the planner remembers tables by it.
    return all_of_note if len(here) == len(all_of_note) else here


def _groups(
    notes: tuple[Note, ...],
    midis: list[int],
    rests: list[float],
    fixed: Mapping[int, Fingering],
) -> list[tuple[int, int, bool]]:
    """(first, last, rest before) of each run of one pitch; two different marks in one run part it."""
    groups: list[tuple[int, int, bool]] = []
    mark: Fingering | None = None
    pitch, trilled = -1, False
    for note, midi, rest_s in zip(notes, midis, rests, strict=True):
        rest = bool(groups) and rest_s >= REST_S
        own = fixed.get(note.index)
        clash = own is not None and mark is not None and own != mark
        if groups and midi == pitch and not (rest or trilled or note.trill or clash):
            groups[-1] = (groups[-1][0], note.index, groups[-1][2])
            mark = mark or own
        else:
            groups.append((note.index, note.index, rest))
            mark = own
        pitch, trilled = midi, note.trill is not None
    return groups


def _refuse_out_of_range(
    passage: Passage, chart: Chart, midis: list[int], by_note: Mapping[int, tuple[Fingering, ...]]
) -> None:
    outside = [note for note, midi in zip(passage.notes, midis, strict=True) if not by_note[midi]]
    trilled = [note for note in passage.notes if note.trill and not chart.for_note(note.trill.other.midi)]
    if not outside and not trilled:
        return
    named = [f"{note.written} (bar {passage.bars[note.bar].number})" for note in outside]
    named += [f"{note.trill.other} (trill, bar {passage.bars[note.bar].number})" for note in trilled if note.trill]
    named = list(dict.fromkeys(named))
    shown = ", ".join(named[:MAX_NOTES_NAMED])
    more = f" and {len(named) - MAX_NOTES_NAMED} more places" if len(named) > MAX_NOTES_NAMED else ""
    raise NoFingering(
        f"the {chart.title} has no fingering for {shown}{more}: its written range is {note_name(chart.lowest_midi)} to"
        f" {note_name(chart.highest_midi)}; {_what_to_try(passage, chart)}"
    )


def _what_to_try(passage: Passage, chart: Chart) -> str:
    played = [note.written_midi for note in passage.notes]
    for shift, words in ((12, "an octave higher"), (-12, "an octave lower")):
        if chart.lowest_midi <= min(played) + shift and max(played) + shift <= chart.highest_midi:
            return f"{words} every note of it would fit; or try another instrument"
    return "try another instrument, or choose other bars"


def printed_marks(passage: Passage, chart: Chart) -> dict[int, str]:
    """The fingering marks of the score that name a fingering of their note (`bis`, `side`, `1+2`), by note index;
    others, such as finger numbers of another instrument, say nothing here."""
    marked = (note for note in passage.notes if note.fingering_mark.strip())
    names = {note.index: note.fingering_mark.strip().lower() for note in marked}
    return {i: name for i, name in names.items() if chart.called(passage.notes[i].written_midi, name)}


def all_marks(passage: Passage, chart: Chart, own: Mapping[int, str]) -> dict[int, str]:
    """The marks to plan by: those printed in the score, then the teacher's `own`, which win. A mark that this horn has
    no fingering for is kept for the one it was made for."""
    known = {i: name for i, name in own.items() if chart.called(passage.notes[i].written_midi, name)}
    return {**printed_marks(passage, chart), **known}


def _fixed_fingerings(
    passage: Passage, chart: Chart, marks: Mapping[int, str], by_note: Mapping[int, tuple[Fingering, ...]]
) -> dict[int, Fingering]:
    fixed = {}
    for index, name in marks.items():
        if not 0 <= index < len(passage.notes):
            raise UsageError(f"fingering {name!r} is marked for note {index}, but there are {len(passage.notes)} notes")
        note = passage.notes[index]
        choices = by_note[note.written_midi]
        found = chart.called(note.written_midi, name)
        if not found:
            raise UsageError(
                f"bar {passage.bars[note.bar].number}: {note.written} has no fingering {name!r} on the {chart.title};"
                f" it has {', '.join(f.name for f in choices)}"
            )
        fixed[index] = found[0]
    return fixed
