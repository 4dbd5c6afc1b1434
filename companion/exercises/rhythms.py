"""Rhythm changes: the notes of a hard bar in other rhythms, so that every change comes at full speed with time before
it, and none can hide in the flow.

What is taken of the music
--------------------------
The bars' notes in their order, as runs. A run goes on from note to note as long as no rest lies between; shorter and
longer notes in it become even. A note at least four times as long as the commonest value of the bars is held: it ends a
run, as its goal. A run that reaches the last bar line goes on to the note it leads into. Tied notes are one, grace
notes and trills are left out. Runs of fewer than four notes are too short to vary.

How they are written
--------------------
The short notes have the value that is commonest in the bars: half of it where that is a quarter or longer; where no
plain value has it, as in triplets, the next shorter plain one at a slower tempo, so that they are as fast as in the
music. All in 4/4, each run from a downbeat, its goal held to the end of the bar. Slurred, so that every change is
heard; a note repeated is tongued. The rhythms are common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from companion.charts.model import Chart
from companion.errors import UsageError
from companion.exercises.build import Section, Tone, make
from companion.exercises.fixed import with_needed_marks
from companion.exercises.hard_bars import marks_of, short_value
from companion.passage import Note, Passage
from companion.planning.limits import speed_limits
from companion.planning.model import Plan
from companion.practice.words import bars_in_words, capital
from companion.scores.rhythm import is_compound

__all__ = ["RHYTHM_KINDS", "rhythms"]

_BAR, _BEAT = Fraction(4), Fraction(1)
_HELD, _SHORTEST_RUN = 4, 4
_TIMES, _MOST_TIMES = 2, 8
#: A burst with its rest lasts as long as so many short notes; its last note is held to an even place of them.
_BURST = 8
_ACCENT = frozenset({"accent"})


@dataclass(frozen=True, slots=True)
class _Rhythm:
    """`lengths` go round from note to note, in short notes. After `burst` notes comes a rest, if at all; `accent` is
    the place of the accent in each four, from 1; `group` is how many notes are slurred, 0 for a bar of them."""

    heading: str
    purpose: str
    lengths: tuple[Fraction, ...] = (Fraction(1),)
    burst: int = 0
    accent: int = 0
    group: int = 0

    @property
    def least_notes(self) -> int:
        """With fewer notes it is no other rhythm than the next one."""
        return max(self.burst + 1, self.group + 1, 6 if self.accent else 0)


def _uneven(heading: str, purpose: str, *lengths: int) -> _Rhythm:
    return _Rhythm(heading, purpose, tuple(map(Fraction, lengths)))


_READY = "the long notes give time to get ready, the short ones go at full speed"
_REST = "at full speed, with a rest in which the hand lets go"
_SHIFT = "an accent where the beat is not, so that no finger leans on the beat"

#: kind -> what it does
_RHYTHMS: Mapping[str, _Rhythm] = {
    "long-short": _uneven("Long, short", _READY, 3, 1),
    "short-long": _uneven("Short, long", _READY, 1, 3),
    "long-two-short": _uneven("Long, two short", _READY, 2, 1, 1),
    "two-short-long": _uneven("Two short, long", _READY, 1, 1, 2),
    "triplets": _Rhythm(
        "In triplets", "grouped by three, so that other notes fall on the beat", (Fraction(4, 3),), group=3
    ),
    "fours": _Rhythm("In fours", "grouped by four, so that other notes fall on the beat", group=4),
    "bursts-3": _Rhythm("Three and a rest", f"three notes {_REST}", burst=3),
    "bursts-4": _Rhythm("Four and a rest", f"four notes {_REST}", burst=4),
    "bursts-5": _Rhythm("Five and a rest", f"five notes {_REST}", burst=5),
    **{f"accents-{place}": _Rhythm(f"Accent on {place}", _SHIFT, accent=place) for place in (2, 3, 4)},
}
#: What `kind` may be: all that change this music, one of them, or all bursts or accents.
RHYTHM_KINDS = ("all", *_RHYTHMS, "bursts", "accents")


def rhythms(
    passage: Passage,
    plan: Plan,
    chart: Chart,
    *,
    bars: str = "",
    kind: str = "all",
    times: int = _TIMES,
) -> Passage:
    """The runs of hard bars in other rhythms, one section a rhythm and run.

    Parameters
    ----------
    passage, plan
        The music, planned.
    chart
        The horn.
    bars
        Printed bars such as `5-8`; by default the bar with the change of the lowest speed limit.
    kind
        One of `RHYTHM_KINDS`. Of `triplets` and `fours`, `all` takes the one in which the music is not.
    times
        How often each rhythm is played, 1 to 8.

    Raises
    ------
    UsageError
        An option out of its range, bars that aren't there, or bars without a run of four notes.

    References
    ----------
    The rhythms are common practice, no source.
    """
    if kind not in RHYTHM_KINDS:
        raise UsageError(f"no rhythm {kind!r}; there are {', '.join(RHYTHM_KINDS)}")
    if not 1 <= times <= _MOST_TIMES:
        raise UsageError(f"rhythms are played 1 to {_MOST_TIMES} times, not {times}")
    runs = _runs_of(passage, plan, chart, bars)
    common = _commonest(runs)
    value, tempo_bpm = _written(common, passage.marked_tempo_bpm())
    marks = marks_of(passage, plan, chart)
    kinds = _kinds(kind, _in_threes(passage, runs, common), max(map(len, runs)))
    sections = []
    for each in kinds:
        for place, run in enumerate(runs):
            tones = tuple(_tones(run, _RHYTHMS[each], value, marks))
            bar = passage.bars[run[0].bar]
            heading = "" if place else _RHYTHMS[each].heading
            sections.append(Section(tones, bar.fifths, bar.mode, heading=heading, times=times))
    purpose = _RHYTHMS[kinds[0]].purpose if len(kinds) == 1 else f"other rhythms on the same notes: {_READY}"
    title = f"Rhythms: {bars_in_words(passage, (note.bar for run in runs for note in run[:-1]))}"
    return with_needed_marks(make(title, capital(purpose), sections, chart, tempo_bpm), chart, plan.rules)


def _kinds(kind: str, in_threes: bool, most_notes: int) -> list[str]:
    if kind == "all":
        same = "triplets" if in_threes else "fours"
        return [each for each, rhythm in _RHYTHMS.items() if each != same and most_notes >= rhythm.least_notes]
    several = kind in ("bursts", "accents")
    return [each for each in _RHYTHMS if each == kind or (several and each.startswith(kind))]


# -- the notes ------------------------------------------------------------------------------------------------------


def _runs_of(passage: Passage, plan: Plan, chart: Chart, bars: str) -> list[list[Note]]:
    if bars.strip():
        first, last = passage.bar_range(bars)
        runs = _runs(passage, first, last)
        if not runs:
            raise UsageError(f"{_no_run(bars_in_words(passage, range(first, last + 1)))}; {_where(passage)}")
        return runs
    limits = speed_limits(passage, plan, chart, passage.marked_tempo_bpm())
    hardest = sorted(limits.changes, key=lambda change: (change.limit_bpm, change.note_index))
    for bar in dict.fromkeys(passage.notes[change.from_index].bar for change in hardest):
        if runs := _runs(passage, bar, bar):
            return runs
    raise UsageError(f"{_no_run('this passage')}; choose other bars")


def _no_run(where: str) -> str:
    return f"{where} has no run of {_SHORTEST_RUN} notes without a rest"


def _where(passage: Passage) -> str:
    with_runs = [bar.index for bar in passage.bars if _runs(passage, bar.index, bar.index)]
    return f"there is one in {bars_in_words(passage, with_runs)}" if with_runs else "choose more bars"


def _runs(passage: Passage, first_bar: int, last_bar: int) -> list[list[Note]]:
    """The runs of some bars, each with its goal."""
    plain = [note for note in passage.notes if not note.grace]
    inside = [note for note in plain if first_bar <= note.bar <= last_bar]
    if not inside:
        return []
    held = _HELD * _commonest([inside])
    runs: list[list[Note]] = [[]]
    for note in inside:
        if runs[-1] and (note.start > runs[-1][-1].end or runs[-1][-1].length >= held):
            runs.append([])
        runs[-1].append(note)
    after = plain.index(inside[-1]) + 1
    if runs[-1][-1].length < held and after < len(plain) and plain[after].start == inside[-1].end:
        runs[-1].append(plain[after])
    return [run for run in runs if len(run) >= _SHORTEST_RUN]


def _commonest(runs: Sequence[Sequence[Note]]) -> Fraction:
    lengths = Counter(note.length for run in runs for note in run)
    return min(lengths, key=lambda length: (-lengths[length], length))


def _written(length: Fraction, tempo_bpm: float) -> tuple[Fraction, float]:
    """The value of the short notes, and the tempo at which they are as fast as those of this length."""
    value = min(short_value(length), Fraction(1, 2))
    while value.denominator % 3 == 0:
        value = short_value(value * Fraction(3, 4))
    if length >= _BEAT or value == length:
        return value, tempo_bpm
    # As a metronome has it.
    return value, max(1.0, float(round(tempo_bpm * float(value / length))))


def _in_threes(passage: Passage, runs: Sequence[Sequence[Note]], length: Fraction) -> bool:
    bar = passage.bars[runs[0][0].bar]
    return length.denominator % 3 == 0 or is_compound(bar.beats, bar.beat_type)


# -- the rhythms ----------------------------------------------------------------------------------------------------


def _tones(run: Sequence[Note], rhythm: _Rhythm, value: Fraction, marks: Mapping[int, str]) -> Iterator[Tone]:
    """One run in a rhythm, from a downbeat; its last note is held."""
    ends_slur = _slur_ends(rhythm)
    now = Fraction(0)
    for place, note in enumerate(run):
        last = place == len(run) - 1
        burst_ends = bool(rhythm.burst) and not last and (place + 1) % rhythm.burst == 0
        length = value * rhythm.lengths[place % len(rhythm.lengths)]
        if last:
            length = _goal_length(now, rhythm, value)
        elif burst_ends:
            length = 2 * value - now % (2 * value)
        now += length
        ends = last or ends_slur(place, now, len(run)) or run[place + 1].written_midi == note.written_midi
        accented = bool(rhythm.accent) and place % 4 == rhythm.accent - 1 and not last
        yield Tone(note.written, length, not ends, _ACCENT if accented else frozenset(), marks.get(note.index, ""))
        if burst_ends:
            rest = -now % (_BURST * value)
            yield Tone(None, rest)
            now += rest


def _slur_ends(rhythm: _Rhythm) -> Callable[[int, Fraction, int], bool]:
    """Does a slur end after note `place`, which sounds until beat `now`? Where no pattern parts the notes, slurs end at
    the bar lines, but the last one leads into the goal."""
    if rhythm.burst or rhythm.group:
        size = rhythm.burst or rhythm.group
        return lambda place, now, notes: (place + 1) % size == 0
    if rhythm.accent:
        return lambda place, now, notes: (place + 1) % 4 == rhythm.accent - 1
    return lambda place, now, notes: now % _BAR == 0 and place + 2 < notes


def _goal_length(now: Fraction, rhythm: _Rhythm, value: Fraction) -> Fraction:
    """To the end of the bar, and where less than a beat of it is left to the end of the next; a burst stays one."""
    if rhythm.burst:
        return _BURST * value - now % (_BURST * value)
    left = _BAR - now % _BAR
    return left if left >= _BEAT else left + _BAR
