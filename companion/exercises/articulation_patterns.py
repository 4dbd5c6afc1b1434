"""The articulation patterns of a passage: how the notes of a beat, half a bar, a bar are slurred, tongued and marked.

Conventions
-----------
* A pattern is over the notes that begin in a stretch of music, with their rhythm and the rests among them: the same
  slurs over other values are another pattern. Pitches don't matter.
* Stretches are the beat (a dotted one in compound metres), half a bar where it has an even number of beats from four
  on, and the bar. A stretch of one note has no pattern. A longer stretch counts only where it is more than a shorter
  one repeated: four beats of `slurred by twos` are four times that pattern and nothing else.
* A note that is held or tied over an edge of a stretch belongs to a longer one: its beat has no pattern, half its bar
  may have. One tied over a bar line leaves both bars without a pattern of their own; their other beats keep theirs.
* So does a slur over an edge within the bar. Where one is carried over a bar line, what it leads into begins otherwise
  than what is tongued, and what it leaves ends otherwise: those are patterns of their own, and their words say so.
* The first note after a rest begins anew. A grace note belongs to the note it leads to: that is tongued where either
  of them is.
* Marks are dots, wedges, lines and accents; ornaments, breath marks and inflections are left aside.
* A written bar counts once, as it is played the first time. An upbeat and other short bars count by their whole beats.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from operator import attrgetter

from companion.exercises.articulation_words import rhythm_in_words, strokes_in_words
from companion.passage import Bar, Note, Passage
from companion.scores.rhythm import full_bar_beats, is_compound

__all__ = ["MARKS", "Pattern", "Stroke", "patterns_of"]

#: MusicXML 4.0 articulations that a pattern is made of.
MARKS = frozenset(
    {
        "staccato", "staccatissimo", "spiccato", "tenuto", "detached-legato", "accent", "strong-accent", "soft-accent",
    }
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Stroke:
    """One note of a pattern: from `start` quarters after the beginning, `length` quarters long. `tongued` is False
    where a slur leads into it."""

    start: Fraction
    length: Fraction
    tongued: bool
    marks: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Pattern:
    """A way to articulate the notes of a stretch of music.

    `words` name it (`slur two, tongue two, in sixteenths`), `strokes_words` without its rhythm; it occurs `count`
    times, in `bars` (indices into `Passage.bars`). `length` is in quarters, `unit` is `beat`, `half bar` or `bar`,
    `metre` the time signature where it stands first. `leads_on` is True where a slur leads from its last note into
    what follows.
    """

    words: str
    strokes_words: str
    count: int
    bars: tuple[int, ...]
    strokes: tuple[Stroke, ...]
    length: Fraction
    unit: str
    metre: tuple[int, int]
    leads_on: bool

    @property
    def carried_in(self) -> bool:
        """True where a slur leads from before into its first note."""
        return not self.strokes[0].tongued


@dataclass(frozen=True, slots=True)
class _Shape:
    """What makes two stretches the same pattern."""

    strokes: tuple[Stroke, ...]
    length: Fraction
    leads_on: bool

    def repeats(self, part: _Shape) -> bool:
        """Whether this is nothing but `part` again and again."""
        count = self.length / part.length
        if count.denominator != 1 or len(self.strokes) != count * len(part.strokes):
            return False
        size = len(part.strokes)
        for place in range(int(count)):
            for own, one in zip(self.strokes[place * size : (place + 1) * size], part.strokes, strict=True):
                start = one.start + place * part.length
                if (own.start, own.length, own.tongued, own.marks) != (start, one.length, one.tongued, one.marks):
                    return False
        # Only the last of several can lead on over the bar line: then they are not the same.
        return not self.leads_on and not part.leads_on


def patterns_of(passage: Passage) -> tuple[Pattern, ...]:
    """The distinct articulation patterns of a passage, the most frequent first.

    Parameters
    ----------
    passage
        Any music.

    Returns
    -------
    tuple of Pattern
        Of those that occur as often, the longer one first, then the earlier. Empty where no stretch has two notes.

    References
    ----------
    What the patterns are called is common practice, no source.
    """
    line = _line(passage)
    found: dict[_Shape, list[int]] = {}
    seen: set[int] = set()
    for bar in passage.bars:
        if bar.written_index not in seen:
            seen.add(bar.written_index)
            for shape in _shapes_in(bar, line):
                found.setdefault(shape, []).append(bar.index)
    patterns = [_pattern(passage, shape, bars) for shape, bars in found.items()]
    return tuple(sorted(patterns, key=lambda each: (-each.count, -each.length, each.bars)))


def _pattern(passage: Passage, shape: _Shape, bars: Sequence[int]) -> Pattern:
    bar = passage.bars[bars[0]]
    whole = full_bar_beats(bar.beats, bar.beat_type)
    unit = "bar" if shape.length == whole else "beat" if shape.length == _beat(bar) else "half bar"
    joined = [not stroke.tongued for stroke in shape.strokes]
    strokes = strokes_in_words(joined, [stroke.marks for stroke in shape.strokes], shape.leads_on, unit)
    rhythm = rhythm_in_words([(stroke.start, stroke.length) for stroke in shape.strokes], shape.length)
    return Pattern(
        words=f"{strokes}, {rhythm}",
        strokes_words=strokes,
        count=len(bars),
        bars=tuple(dict.fromkeys(bars)),
        strokes=shape.strokes,
        length=shape.length,
        unit=unit,
        metre=(bar.beats, bar.beat_type),
        leads_on=shape.leads_on,
    )


@dataclass(frozen=True, slots=True)
class _Attack:
    """A note of the line without its grace notes; `tongued` as the top of this file says, `leads_on` where the next
    one isn't."""

    start: Fraction
    end: Fraction
    tongued: bool
    leads_on: bool
    marks: frozenset[str]


def _line(passage: Passage) -> list[_Attack]:
    mains: list[tuple[Note, bool]] = []
    begun = False
    end = Fraction(-1)
    for note in passage.notes:
        begun = begun or note.tongued
        if note.grace:
            continue
        mains.append((note, begun or note.start > end))
        begun, end = False, note.end
    after = [tongued for _, tongued in mains[1:]] + [True] * bool(mains)
    return [
        _Attack(note.start, note.end, tongued, not next_tongued, note.articulations & MARKS)
        for (note, tongued), next_tongued in zip(mains, after, strict=True)
    ]


def _shapes_in(bar: Bar, line: Sequence[_Attack]) -> Iterator[_Shape]:
    """The patterns of one bar: each beat's, then those of longer stretches that are more than shorter ones again."""
    first = bisect_right(line, bar.start, key=attrgetter("end"))
    around = line[first : bisect_left(line, bar.end, key=attrgetter("start"))]
    whole, beat = full_bar_beats(bar.beats, bar.beat_type), _beat(bar)
    origin = bar.end - whole if bar.upbeat else bar.start
    shorter: list[_Shape] = []
    for size in _sizes(whole, beat):
        here = []
        for place in range(int(whole / size)):
            start = origin + place * size
            inside = bar.start <= start and start + size <= bar.end
            shape = _shape(start, start + size, bar, around) if inside else None
            if shape is not None and not any(shape.repeats(part) for part in shorter):
                here.append(shape)
        yield from here
        shorter += here


def _sizes(whole: Fraction, beat: Fraction) -> list[Fraction]:
    count = whole / beat
    halves = [whole / 2] if count >= 4 and count % 2 == 0 else []
    return list(dict.fromkeys([beat, *halves, whole])) if count.denominator == 1 else [whole]


def _beat(bar: Bar) -> Fraction:
    return Fraction(12 if is_compound(bar.beats, bar.beat_type) else 4, bar.beat_type)


def _shape(start: Fraction, end: Fraction, bar: Bar, around: Sequence[_Attack]) -> _Shape | None:
    """What stands between two edges, or None where it has no pattern of its own."""
    inside = [attack for attack in around if attack.end > start and attack.start < end]
    if len(inside) < 2 or inside[0].start < start or inside[-1].end > end:
        return None
    carried_in, leads_on = not inside[0].tongued, inside[-1].leads_on
    if (carried_in and start > bar.start) or (leads_on and end < bar.end):
        return None
    strokes = tuple(Stroke(a.start - start, a.end - a.start, a.tongued, a.marks) for a in inside)
    return _Shape(strokes, end - start, leads_on)
