"""How fast a passage can go: the speed limit of every change, the hardest spots, and where another fingering helps.

Conventions
-----------
* A change has the time from the onset of the note it leaves to the onset of the note it arrives at. That is what a
  trill's rate measures too: half its period is a change and the note it leaves (arXiv:2507.04963). A rest in between
  belongs to it, printed tempo changes are honoured, fermatas are not (the click doesn't stop for them either).
* Notes that keep their keys are no change. A note that is repeated is left from its last repetition.
* Grace notes share half of the time since the note before them in equal parts, so that the change to the first has
  the other half. That is what the practice clock leaves them at speed (common practice, no source). Before the first
  note of all they have any time, and no limit.
* A tongued change gets no credit. The tongue stops the reed for 34.5 ms (A. Hofmann and others, ICMPC-ESCOM 2012, 442)
  and hides as much of an uneven motion; but the fingers must be there at the same onset, and a trill's rate says how
  soon they can be.
* Limits are quarters a minute of the passage's first tempo. `load` is time needed over time there is: 1 at the limit.
* A trilled note is left from its main note and has its whole length.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from companion.charts.model import Chart, Fingering
from companion.errors import UsageError
from companion.passage import Note, Passage
from companion.planning.hands import awkward
from companion.planning.model import Choice, Plan
from companion.planning.pace import Pace
from companion.practice.words import bar_in_words, place_in_words, shape_in_words
from companion.units import ms_from_s, s_per_beat

__all__ = ["HARD_LOAD", "ChangeLimit", "Limits", "Relief", "Spot", "TrillLimit", "available_beats", "speed_limits"]

#: A change that needs so much of its time is hard (ours, no source: the margin is twice a single change's spread of
#: some 0.2, so that its limit lies within what the model can be off by). So is one whose limit is within a quarter of
#: the passage's lowest: whatever the tempo, there is a hardest spot.
HARD_LOAD = 0.7
NEAR_LOWEST = 1.25
#: A spot is what one would practise as one loop.
MOST_BARS_OF_A_SPOT = 2
#: A fingering that raises the limit by less than this share is not worth relearning a note (ours, no source).
WORTH_RELIEF = 0.05


@dataclass(frozen=True, slots=True)
class ChangeLimit:
    """The change that arrives at note `note_index` from note `from_index`. It needs `change_s` seconds and has
    `available_beats` quarters of the first tempo; at `limit_bpm` it needs all of them. `load` is the share it needs at
    the tempo asked for."""

    note_index: int
    from_index: int
    change_s: float
    available_beats: float
    limit_bpm: float
    load: float


@dataclass(frozen=True, slots=True)
class Spot:
    """Hard changes near each other, from the first note that is left to the last arrived at."""

    first_note: int
    last_note: int
    limit_bpm: float
    sentence: str


@dataclass(frozen=True, slots=True)
class Relief:
    """Another fingering for note `note_index` (and its repetitions) that raises the limit of the changes it touches
    from `limit_bpm` to `with_limit_bpm`."""

    note_index: int
    fingering: Fingering
    limit_bpm: float
    with_limit_bpm: float
    sentence: str


@dataclass(frozen=True, slots=True)
class TrillLimit:
    """How many trills a second (two changes each) the player can reach on note `note_index`, and how many fit into
    it at the tempo asked for."""

    note_index: int
    trills_per_s: float
    fit: float
    sentence: str


@dataclass(frozen=True, slots=True)
class Limits:
    """What `speed_limits` found: `changes` in the order of the notes, `spots` hardest first, `reliefs` in the order of
    what they save of the time there is, `trills` in the order of the notes."""

    tempo_bpm: float
    changes: tuple[ChangeLimit, ...] = ()
    spots: tuple[Spot, ...] = ()
    reliefs: tuple[Relief, ...] = ()
    trills: tuple[TrillLimit, ...] = ()

    @property
    def limit_bpm(self) -> float:
        """The tempo at which the first change stops being playable; infinite where none is limited."""
        return min((change.limit_bpm for change in self.changes), default=math.inf)


def speed_limits(
    passage: Passage,
    plan: Plan,
    chart: Chart,
    tempo_bpm: float,
    pace: Pace = Pace(),  # noqa: B008 (frozen)
) -> Limits:
    """How fast each change of a planned passage can go.

    Parameters
    ----------
    passage, plan, chart
        The plan has one choice a note of the passage, in its order: for an excerpt take `Plan.part`.
    tempo_bpm
        Quarters a minute of the passage's first tempo, to which loads and sentences refer.
    pace
        The player's; the measured players' average by default.

    Raises
    ------
    UsageError
        A tempo that isn't positive, or a plan of other notes.
    """
    if not 0 < tempo_bpm < 10_000:
        raise UsageError(f"a tempo of {tempo_bpm:g} makes no sense: give quarters a minute, such as 92")
    if len(plan.choices) != len(passage.notes):
        raise UsageError(
            f"the plan is for {len(plan.choices)} notes and the passage has {len(passage.notes)}: plan these bars anew"
        )
    sight = _Sight(passage, plan, chart, tempo_bpm, pace)
    changes = tuple(sight.changes())
    hard = _hard(changes)
    return Limits(
        tempo_bpm=tempo_bpm,
        changes=changes,
        spots=_spots(sight, hard),
        reliefs=_reliefs(sight, hard),
        trills=tuple(_trills(sight)),
    )


def available_beats(passage: Passage) -> list[float]:
    """Quarters of the first tempo that the change to each note has; infinite before the first note, and where a note
    begins with the one before it."""
    onsets = _onset_beats(passage)
    free = math.inf
    found = [free] * len(onsets)
    notes = passage.notes
    for i in range(1, len(onsets)):
        opening_grace = bool(notes[i - 1].grace) and onsets[i - 1] == onsets[0] and notes[0].grace
        gap = onsets[i] - onsets[i - 1]
        if not opening_grace and gap > 0:
            found[i] = gap
    return found


def _onset_beats(passage: Passage) -> list[float]:
    """Onset of each note in quarters of the first tempo, grace notes as said at the top."""
    breaks = [(0.0, 0.0, 1.0)]
    for mark in passage.tempos[1:]:
        start, at, per_beat = breaks[-1]
        here = float(mark.start)
        breaks.append((here, at + (here - start) * per_beat, passage.tempos[0].quarter_bpm / mark.quarter_bpm))
    onsets, current = [], 0
    for note in passage.notes:
        start = float(note.start)
        # A mark that stands where a note begins is for the time after it, and a note may begin before the one ahead.
        while current + 1 < len(breaks) and breaks[current + 1][0] <= start:
            current += 1
        while current and breaks[current][0] > start:
            current -= 1
        origin, at, per_beat = breaks[current]
        onsets.append(at + (start - origin) * per_beat)
    _place_graces(passage.notes, onsets)
    return onsets


def _place_graces(notes: Sequence[Note], onsets: list[float]) -> None:
    first = 0
    while first < len(notes):
        if not notes[first].grace:
            first += 1
            continue
        last = first
        while last + 1 < len(notes) and notes[last + 1].grace and notes[last + 1].start == notes[first].start:
            last += 1
        if first:
            due, count = onsets[first], last - first + 1
            each = max(due - onsets[first - 1], 0.0) / 2 / count
            for i in range(first, last + 1):
                onsets[i] = due - (last + 1 - i) * each
        first = last + 1


class _Sight:
    """A planned passage with all that limits and sentences need, worked out once."""

    def __init__(self, passage: Passage, plan: Plan, chart: Chart, tempo_bpm: float, pace: Pace) -> None:
        self.passage = passage
        self.choices: tuple[Choice, ...] = plan.choices
        self.chart = chart
        self.tempo_bpm = tempo_bpm
        self.pace = pace
        self.available = available_beats(passage)
        self._known: dict[tuple[int, frozenset[str], int, frozenset[str]], float] = {}

    def change_s(self, a: Fingering, b: Fingering) -> float:
        """Seconds this player needs."""
        key = (a.written_midi, a.keys, b.written_midi, b.keys)
        seconds = self._known.get(key)
        if seconds is None:
            seconds = self._known[key] = self.pace.change_s(self.chart, a, b)
        return seconds

    def limit_bpm(self, i: int, a: Fingering, b: Fingering) -> float:
        """The limit of the change from `a` to `b` that arrives at note `i`."""
        return _limit_bpm(self.available[i], self.change_s(a, b))

    def changes(self) -> Iterator[ChangeLimit]:
        """All changes that have a limit."""
        for i in range(1, len(self.choices)):
            beats = self.available[i]
            if beats == math.inf:
                continue
            seconds = self.change_s(self.choices[i - 1].fingering, self.choices[i].fingering)
            if seconds:
                limit_bpm = _limit_bpm(beats, seconds)
                yield ChangeLimit(i, i - 1, seconds, beats, limit_bpm, self.tempo_bpm / limit_bpm)

    def run_of(self, i: int) -> tuple[int, int]:
        """First and last of the notes around `i` that repeat its pitch with its fingering."""
        keys, notes = self.choices[i].keys, self.passage.notes
        midi = notes[i].written_midi
        first = last = i
        while first and notes[first - 1].written_midi == midi and self.choices[first - 1].keys == keys:
            first -= 1
        while last + 1 < len(notes) and notes[last + 1].written_midi == midi and self.choices[last + 1].keys == keys:
            last += 1
        return first, last

    def place(self, i: int) -> str:
        """`bar 7, the third sixteenth of beat 2`."""
        note = self.passage.notes[i]
        return f"{bar_in_words(self.passage, note.bar)}, {place_in_words(self.passage, note)}"

    def change_in_words(self, change: ChangeLimit) -> str:
        """`A to B♭ side takes 92 of 104 ms at 144; the limit is 163`."""
        a, b = (self.passage.notes[i] for i in (change.from_index, change.note_index))
        octaves = a.written.name == b.written.name
        names = [_note_in_words(note, self.choices[note.index], octaves) for note in (a, b)]
        needed_ms = ms_from_s(change.change_s)
        there_ms = ms_from_s(change.available_beats * s_per_beat(self.tempo_bpm))
        takes = f"takes {needed_ms:.0f} of {there_ms:.0f} ms" if change.load <= 1 else _too_long(needed_ms, there_ms)
        return f"{names[0]} to {names[1]} {takes} at {self.tempo_bpm:g}; the limit is {_floor(change.limit_bpm)}"


def _limit_bpm(beats: float, seconds: float) -> float:
    return beats * s_per_beat(1.0) / seconds if seconds else math.inf


def _floor(limit_bpm: float) -> str:
    """A limit rounded down: at the next whole number it would be passed."""
    return f"{math.floor(limit_bpm + 1e-9)}"


def _too_long(needed_ms: float, there_ms: float) -> str:
    return f"takes {needed_ms:.0f} ms where there are {there_ms:.0f}"


def _note_in_words(note: Note, choice: Choice, with_octave: bool) -> str:
    name = str(note.written) if with_octave else note.written.name
    return name if choice.name == "standard" else shape_in_words(name, choice.name)


# -- spots ----------------------------------------------------------------------------------------------------------


def _hard(changes: Sequence[ChangeLimit]) -> list[ChangeLimit]:
    highest = max((change.load for change in changes), default=0.0)
    return [change for change in changes if change.load >= min(HARD_LOAD, highest / NEAR_LOWEST)]


def _spots(sight: _Sight, hard: Sequence[ChangeLimit]) -> tuple[Spot, ...]:
    """Hard changes of one bar, or of neighbouring notes, together; a place that is played twice is named once."""
    notes = sight.passage.notes
    groups: list[list[ChangeLimit]] = []
    for change in hard:
        if groups and _near(notes, groups[-1], change):
            groups[-1].append(change)
        else:
            groups.append([change])
    groups.sort(key=lambda group: -max(change.load for change in group))
    spots: dict[tuple[int, int], Spot] = {}
    for group in groups:
        first, last = group[0].from_index, group[-1].note_index
        place = (notes[first].source, notes[last].source)
        if place not in spots:
            hardest = max(group, key=lambda change: change.load)
            spots[place] = Spot(first, last, hardest.limit_bpm, _spot_in_words(sight, group, hardest))
    return tuple(spots.values())


def _near(notes: Sequence[Note], group: Sequence[ChangeLimit], change: ChangeLimit) -> bool:
    bar = notes[change.note_index].bar
    if bar == notes[group[-1].note_index].bar:
        return True
    return change.from_index == group[-1].note_index and bar - notes[group[0].note_index].bar < MOST_BARS_OF_A_SPOT


def _spot_in_words(sight: _Sight, group: Sequence[ChangeLimit], hardest: ChangeLimit) -> str:
    more = len(group) - 1
    # In an easy passage the changes nearest their limit are named too, and they are not hard.
    hard = "hard " if min(change.load for change in group) >= HARD_LOAD else ""
    others = f" ({more} more {hard}change{'s' if more > 1 else ''} beside it)" if more else ""
    return f"{sight.place(hardest.note_index)}: {sight.change_in_words(hardest)}{others}"


# -- other fingerings -----------------------------------------------------------------------------------------------


def _reliefs(sight: _Sight, hard: Sequence[ChangeLimit]) -> tuple[Relief, ...]:
    best: dict[int, tuple[float, Relief]] = {}
    seen: set[tuple[int, int]] = set()
    tried: dict[tuple[object, ...], tuple[Fingering, float, float] | None] = {}
    for change in hard:
        for i in (change.from_index, change.note_index):
            first, last = sight.run_of(i)
            if (first, last) in seen:
                continue
            seen.add((first, last))
            found = _best_exchange(sight, first, last, tried)
            if found is None:
                continue
            fingering, now_bpm, then_bpm = found
            saved = sight.tempo_bpm * (1 / now_bpm - 1 / then_bpm)
            source = sight.passage.notes[first].source
            if source not in best or best[source][0] < saved:
                best[source] = (saved, Relief(first, fingering, now_bpm, then_bpm, ""))
    ordered = sorted(best.values(), key=lambda found: (-found[0], found[1].note_index))
    return tuple(replace(relief, sentence=_relief_in_words(sight, relief)) for _, relief in ordered)


def _best_exchange(
    sight: _Sight, first: int, last: int, tried: dict[tuple[object, ...], tuple[Fingering, float, float] | None]
) -> tuple[Fingering, float, float] | None:
    """The fingering that raises the lowest limit around notes `first` to `last` most, with the limit before and after;
    None where none is worth it."""
    notes, choices = sight.passage.notes, sight.choices
    if any(notes[i].trill for i in range(first, last + 1)):
        return None  # the trill decided
    now = choices[first].fingering
    before = choices[first - 1].fingering if first and sight.available[first] < math.inf else None
    into, out = sight.available[first], sight.available[last + 1] if last + 1 < len(notes) else math.inf
    after = choices[last + 1].fingering if out < math.inf else None
    key = (now.written_midi, now.keys, _shape(before), _shape(after), into, out)
    if key not in tried:

        def limit_bpm(fingering: Fingering) -> float:
            arriving = sight.limit_bpm(first, before, fingering) if before else math.inf
            leaving = sight.limit_bpm(last + 1, fingering, after) if after else math.inf
            return min(arriving, leaving)

        tried[key] = _highest(_allowed(sight.chart, now, before, after), now, limit_bpm)
    return tried[key]


def _shape(fingering: Fingering | None) -> object:
    return (fingering.written_midi, fingering.keys) if fingering else None


def _highest(
    others: Sequence[Fingering], now: Fingering, limit_bpm: Callable[[Fingering], float]
) -> tuple[Fingering, float, float] | None:
    now_bpm = limit_bpm(now)
    found = max(((limit_bpm(other), -i, other) for i, other in enumerate(others)), default=None, key=lambda f: f[:2])
    if found is None or found[0] < now_bpm * (1 + WORTH_RELIEF):
        return None
    return found[2], now_bpm, found[0]


def _allowed(chart: Chart, now: Fingering, before: Fingering | None, after: Fingering | None) -> list[Fingering]:
    """Other fingerings of the note that may stand between these neighbours: not those for trills only, and none to or
    from which a finger would have to slide or jump."""
    neighbours = [fingering for fingering in (before, after) if fingering]
    around = {fingering.written_midi for fingering in neighbours}
    return [
        other
        for other in chart.for_note(now.written_midi)
        if other.keys != now.keys
        and other.only_for != "trill"
        and (not other.beside or other.beside & around)
        and not any(awkward(other.keys, neighbour.keys) for neighbour in neighbours)
    ]


def _relief_in_words(sight: _Sight, relief: Relief) -> str:
    i = relief.note_index
    note, choice = sight.passage.notes[i], sight.choices[i]
    # Where both neighbours' limits go away altogether there is no number to say.
    then = f"to {_floor(relief.with_limit_bpm)}" if math.isfinite(relief.with_limit_bpm) else "beyond any tempo"
    other, this = (
        f"the usual {note.written.name}" if name == "standard" else name
        for name in (relief.fingering.name, choice.name)
    )
    what = other if relief.fingering.name == "standard" else shape_in_words(note.written.name, other)
    raises = f"{what} instead of {this} raises the limit from {_floor(relief.limit_bpm)} {then}"
    idle = f"; at {sight.tempo_bpm:g} it is not needed" if sight.tempo_bpm < HARD_LOAD * relief.limit_bpm else ""
    return f"{sight.place(i)}: {raises}; {_against(choice, relief.fingering)}{idle}"


def _against(choice: Choice, other: Fingering) -> str:
    """What speaks against the other fingering."""
    if choice.fixed:
        return "the mark there decides otherwise"
    runner = next((r for r in choice.runners_up if r.fingering.keys == other.keys), None)
    if runner is None:
        return f"against it: it is not usual here ({other.use})" if other.use else "against it: it is not usual here"
    tone = f" ({other.use})" if other.use else ""
    rule = f"the rule “{choice.rule}”; " if choice.rule and runner == choice.runners_up[0] else ""
    cost = f"the whole passage would cost {ms_from_s(runner.extra_s):.0f} ms more, by ease and rules"
    return f"against it: {rule}{cost}{tone}"


# -- trills ---------------------------------------------------------------------------------------------------------


def _trills(sight: _Sight) -> Iterator[TrillLimit]:
    lengths = _lengths_s(sight)
    for note, choice in zip(sight.passage.notes, sight.choices, strict=True):
        other = choice.trill_fingering
        if note.trill is None or other is None:
            continue
        both_s = sight.change_s(choice.fingering, other) + sight.change_s(other, choice.fingering)
        if not both_s:
            continue
        fit = lengths[note.index] / both_s
        sentence = (
            f"{sight.place(note.index)}: {note.written.name} trilled with {note.trill.other.name} reaches"
            f" {1 / both_s:.1f} trills a second; {fit:.1f} fit into it at {sight.tempo_bpm:g}"
        )
        yield TrillLimit(note.index, 1 / both_s, fit, sentence)


def _lengths_s(sight: _Sight) -> Mapping[int, float]:
    passage = sight.passage
    return {
        note.index: passage.seconds(note.end, sight.tempo_bpm) - passage.seconds(note.start, sight.tempo_bpm)
        for note in passage.notes
        if note.trill
    }
