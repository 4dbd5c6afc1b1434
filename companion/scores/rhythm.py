"""How lengths are written: the tree of beats in a bar, ties where a note would hide a beat, and tuplets.

Positions and lengths are `Fraction` quarters counted from where the *full* bar starts, so that an upbeat bar of one
quarter in 4/4 begins at 3. The rules for ties and rests are common practice, no source: a note may start or end a group
of beats and be one value, a syncopation of one beat across two is one value, everything else is tied where the
strongest beat lies; a rest never hides a beat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import lcm

__all__ = [
    "Group",
    "Span",
    "TupletSpan",
    "bar_group",
    "beam_groups",
    "full_bar_beats",
    "is_compound",
    "is_dyadic",
    "split_in_bar",
    "split_note",
    "split_rest",
    "tuplet_group",
    "tuplet_spans",
    "value_of",
]

Span = tuple[Fraction, Fraction]

_ZERO = Fraction(0)
#: Shorter than a 256th note nothing is written.
_SMALLEST = Fraction(1, 64)
_LARGEST = Fraction(8)
_MAX_TUPLET = 15


@dataclass(frozen=True, slots=True)
class Group:
    """A stretch of a bar and its parts: `cuts` are the ends of the parts. `whole_parts` is True where a note that
    covers more than one part must cover them whole, as the dotted beats of 6/8."""

    start: Fraction
    end: Fraction
    cuts: tuple[Fraction, ...]
    whole_parts: bool = False
    beats_per_part: tuple[int, ...] = ()
    unit: Fraction = _ZERO


@dataclass(frozen=True, slots=True)
class TupletSpan:
    """From `start` to `end`, `actual` notes are written in the time of `normal` ones."""

    start: Fraction
    end: Fraction
    actual: int
    normal: int


def full_bar_beats(beats: int, beat_type: int) -> Fraction:
    """Quarters in a full bar of `beats`/`beat_type`."""
    return Fraction(4 * beats, beat_type)


def is_compound(beats: int, beat_type: int) -> bool:
    """True where three of the lower number make a beat: 6/8, 9/8, 12/8, 6/4 and also 3/8."""
    return beats % 3 == 0 and (beats > 3 or beat_type >= 8)


def is_dyadic(position: Fraction) -> bool:
    """True where halving quarters reaches the position, so that no tuplet is needed."""
    return position.denominator & (position.denominator - 1) == 0


def value_of(length: Fraction, max_dots: int = 2) -> tuple[Fraction, int] | None:
    """The plain value and the dots that make `length`, or None where no single note does."""
    for dots in range(max_dots + 1):
        base = length * Fraction(2**dots, 2 ** (dots + 1) - 1)
        if base.numerator & (base.numerator - 1) == 0 and is_dyadic(base) and _SMALLEST <= base <= _LARGEST:
            return base, dots
    return None


def _grouping(count: int) -> tuple[int, ...]:
    """Beats a part: 4 is 2+2, 5 is 3+2, 7 is 2+2+3 (common practice, no source)."""
    if count <= 3:
        return (1,) * count
    if count == 5:
        return (3, 2)
    return (2,) * (count // 2) if count % 2 == 0 else (2,) * (count // 2 - 1) + (3,)


def _group(start: Fraction, unit: Fraction, parts: tuple[int, ...], compound: bool) -> Group:
    cuts, at = [], start
    for part in parts:
        at += unit * part
        cuts.append(at)
    uneven = len(set(parts)) > 1
    return Group(start, at, tuple(cuts), uneven or (compound and len(parts) > 1), parts, unit)


@lru_cache(maxsize=256)
def bar_group(beats: int, beat_type: int) -> Group:
    """The whole bar as a group of its beats."""
    if is_compound(beats, beat_type):
        return _group(_ZERO, Fraction(12, beat_type), _grouping(beats // 3), True)
    return _group(_ZERO, Fraction(4, beat_type), _grouping(beats), False)


def tuplet_group(actual: int, length: Fraction) -> Group:
    """A tuplet as a group of `actual` parts, in its own written values; `length` is the written total."""
    if actual == 6:
        return _group(_ZERO, length / 6, (3, 3), False)
    return _group(_ZERO, length / actual, (1,) * actual, False)


def _parts(group: Group) -> list[Group]:
    parts, start = [], group.start
    for cut, count in zip(group.cuts, group.beats_per_part, strict=True):
        if count > 1:
            dotted = group.whole_parts and value_of(group.unit, 0) is None
            parts.append(_group(start, group.unit, _grouping(count), dotted))
        elif (cut - start).numerator == 3:
            parts.append(_group(start, (cut - start) / 3, (1, 1, 1), False))
        else:
            parts.append(_group(start, (cut - start) / 2, (1, 1), False))
        start = cut
    return parts


def _one_note(group: Group, start: Fraction, end: Fraction) -> bool:
    """May a note that crosses parts of `group` be written as one value?"""
    edges = (group.start, *group.cuts)
    if start in edges and end in edges:
        return value_of(end - start, 1) is not None
    if group.whole_parts:
        return False
    if start == group.start:
        return value_of(end - start, 2) is not None
    if end == group.end:
        return value_of(end - start, 1) is not None
    part = group.cuts[0] - group.start
    return end - start == part and value_of(part, 0) is not None and (start - group.start) % part == part / 2


def split_note(group: Group, start: Fraction, end: Fraction) -> tuple[Span, ...]:
    """The note from `start` to `end` as written values tied together, each a (start, end)."""
    if start == group.start and end == group.end and value_of(end - start, 1):
        return ((start, end),)
    for part in _parts(group):
        if part.start <= start and end <= part.end:
            if part.end - part.start < _SMALLEST:
                raise ValueError(f"no written value for a note of {end - start} quarters")
            return split_note(part, start, end)
    if _one_note(group, start, end):
        return ((start, end),)
    inside = [cut for cut in group.cuts if start < cut < end]
    cut = inside[-1] if start == group.start else inside[0]
    return split_note(group, start, cut) + split_note(group, cut, end)


def split_rest(group: Group, start: Fraction, end: Fraction) -> tuple[Span, ...]:
    """The silence from `start` to `end` as written rests."""
    if start == group.start and end == group.end and value_of(end - start, 1):
        return ((start, end),)
    parts = _parts(group)
    for part in parts:
        if part.start <= start and end <= part.end:
            if part.end - part.start < _SMALLEST:
                raise ValueError(f"no written value for a rest of {end - start} quarters")
            return split_rest(part, start, end)
    cut = next(cut for cut in group.cuts if start < cut < end)
    return split_rest(group, start, cut) + split_rest(group, cut, end)


@lru_cache(maxsize=8192)
def split_in_bar(beats: int, beat_type: int, start: Fraction, end: Fraction, rest: bool) -> tuple[Span, ...]:
    """`split_note` or, for a rest, `split_rest` in a whole bar of `beats`/`beat_type`."""
    return (split_rest if rest else split_note)(bar_group(beats, beat_type), start, end)


@lru_cache(maxsize=256)
def beam_groups(beats: int, beat_type: int) -> tuple[Span, ...]:
    """The stretches that are beamed together, one a beat; half a bar in 2/2 and the like."""
    group = bar_group(beats, beat_type)
    if is_compound(beats, beat_type):
        unit = group.unit
    elif beat_type >= 8:
        return tuple(zip((group.start, *group.cuts), group.cuts, strict=False))
    else:
        unit = Fraction(4, beat_type)
    count = (group.end - group.start) / unit
    return tuple((unit * i, unit * (i + 1)) for i in range(int(count)))


def _candidates(position: Fraction, beats: int, beat_type: int) -> list[Span]:
    """Stretches (start, end) a tuplet around `position` may fill, small ones first."""
    found = []
    if is_compound(beats, beat_type):
        unit = Fraction(4, beat_type)
        steps = [(unit / 2, unit / 2), (unit, unit), (3 * unit, 3 * unit), (6 * unit, 6 * unit)]
    else:
        unit = Fraction(4, beat_type)
        steps = [(unit * size, unit * size) for size in (Fraction(1, 4), Fraction(1, 2), Fraction(1), Fraction(2))]
        steps += [(2 * unit, unit), (4 * unit, unit * 2), (3 * unit, 3 * unit), (4 * unit, unit)]
    for size, step in steps:
        latest = (position / step).__floor__() * step
        starts = []
        while latest + size > position and latest >= 0:
            starts.append((latest, latest + size))
            latest -= step
        found += [span for span in starts if span not in found]
    return found


def _ratio(start: Fraction, end: Fraction, points: Sequence[Fraction], six: bool) -> tuple[int, int] | None:
    """(actual, normal) that makes all `points` inside a stretch writable, None where none does."""
    size = end - start
    odd = lcm(*(((point - start) / size).denominator for point in points if start < point < end))
    while odd % 2 == 0:
        odd //= 2
    if odd == 1 or odd > _MAX_TUPLET:
        return None
    normal = 1 << (odd.bit_length() - 1)
    if size.numerator == 3:
        normal = 3 * (1 << max((odd // 3).bit_length() - 1, 0)) if odd > 3 else 2
    if six and odd == 3:
        return (6, 4)
    return (odd, normal)


def _choose(
    position: Fraction,
    events: Sequence[Span],
    bar: Span,
    meter: tuple[int, int],
    six: bool,
) -> TupletSpan | None:
    """The tuplet around a position: within a beat, where it may be, and then the one that cuts the fewest notes, has
    all of them in its own values and is the widest."""
    points = sorted({edge for event in events for edge in event})
    beat = Fraction(12 if is_compound(*meter) else 4, meter[1])
    best: tuple[int, bool, Fraction] | None = None
    within = wider = fallback = None
    for start, end in _candidates(position, *meter):
        if start < bar[0] or end > bar[1] or (six and end - start < 1):
            continue
        ratio = _ratio(start, end, points, six)
        if ratio is None:
            continue
        span = TupletSpan(start, end, *ratio)
        fallback = fallback or span
        crossing = [e for e in events if e[0] < start < e[1] or e[0] < end < e[1]]
        if not all(is_dyadic(a if a < start else b) for a, b in crossing if not (a < start and b > end)):
            continue
        if end - start > beat:
            wider = wider or span
            continue
        unit = (end - start) / ratio[0]
        uneven = any((point - start) % unit for point in points if start < point < end)
        order = (len(crossing), uneven, start - end)
        if best is None or order < best:
            best, within = order, span
    return within or wider or fallback


def tuplet_spans(
    events: Sequence[Span],
    bar: Span,
    beats: int,
    beat_type: int,
    six: bool = False,
) -> tuple[TupletSpan, ...]:
    """The tuplets a bar needs.

    Parameters
    ----------
    events
        (start, end) of each note and rest in the bar, clipped to it, counted from where the full bar starts.
    bar
        (start, end) of what the bar holds, counted likewise.
    six
        True to write groups of six over one beat (6:4) instead of two triplets.

    Raises
    ------
    ValueError
        where no tuplet of up to 15 notes writes a position.
    """
    found: list[TupletSpan] = []
    for point in sorted({edge for event in events for edge in event}):
        if is_dyadic(point) or any(span.start < point < span.end for span in found):
            continue
        span = _choose(point, events, bar, (beats, beat_type), six) or _choose(
            point, events, bar, (beats, beat_type), False
        )
        if span is None:
            raise ValueError(f"no tuplet writes a note at {point} quarters of the bar")
        found.append(span)
    return tuple(_without_overlaps(found))


def _without_overlaps(spans: Sequence[TupletSpan]) -> list[TupletSpan]:
    """A later, wider tuplet swallows the smaller ones it covers."""
    kept: list[TupletSpan] = []
    for span in spans:
        kept = [other for other in kept if not (span.start <= other.start and other.end <= span.end)]
        if any(other.start < span.end and span.start < other.end for other in kept):
            raise ValueError(f"tuplets overlap at {span.start} quarters of the bar")
        kept.append(span)
    return sorted(kept, key=lambda span: span.start)
