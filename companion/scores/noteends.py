"""Where a played note ends on the page: at the next onset, or earlier with a rest after it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from fractions import Fraction
from functools import partial

from companion.passage import Bar
from companion.scores.quantise import QuantisedOnset
from companion.scores.rhythm import is_dyadic, split_in_bar, value_of

__all__ = ["note_ends"]

#: Prices, in the same unit: a beat of distance, a beat of gap passed over, a tie, a rest, a second dot.
_DISTANCE = 8.0
_GAP = 4.0
_TIE = 1.0
_REST = 1.3
_SECOND_DOT = 0.5
#: The last note may be let go this much after a bar line without reaching into the next bar, in beats.
_OVERHANG = Fraction(1, 16)
#: A note held for this share of the time to the next one is held throughout.
_HELD_SHARE = 0.75


def note_ends(onsets: Sequence[QuantisedOnset], held: Sequence[Fraction], bars: Sequence[Bar]) -> list[Fraction]:
    """Written ends.

    Parameters
    ----------
    onsets
        Places of the notes, strictly rising [shape=(n,)].
    held
        How long each note was held, in beats [shape=(n,)].
    bars
        The bars they stand in; the last note ends within them.

    Returns
    -------
    list of Fraction
        None later than the next onset.
    """
    starts = [bar.start for bar in bars]
    grids = {onset.unit[0]: onset.grid for onset in onsets if onset.start != onset.unit[0]}
    ends = []
    for place, (onset, length) in enumerate(zip(onsets, held, strict=True)):
        if place + 1 < len(onsets):
            limit = onsets[place + 1].start
        else:
            reached = max(onset.start, onset.start + length - _OVERHANG)
            limit = bars[bisect_right(starts, reached) - 1].end
        off = onset.start + length
        options = [limit] if off >= limit else [limit, *_places_near(onset, off, limit, grids)]
        ends.append(min(options, key=partial(_price, onset.start, off, limit, bars, starts)))
    return ends


def _places_near(
    onset: QuantisedOnset, off: Fraction, limit: Fraction, grids: Mapping[Fraction, int]
) -> list[Fraction]:
    """Places on the grid of the beat in which a note that stopped at `off` may end, late ones first."""
    size = onset.unit[1]
    unit_start = onset.unit[0] + (off - onset.unit[0]) // size * size
    grid = grids.get(unit_start, 6 if size.numerator == 3 else 4)
    found = set()
    for parts in {grid, *(part for part in (4, 3, 2, 1) if grid % part == 0)}:
        step = size / parts
        below = unit_start + (off - unit_start) // step * step
        found |= {end for end in (below, below + step) if onset.start < end < limit}
    return sorted(found, reverse=True)


def _price(
    start: Fraction, off: Fraction, limit: Fraction, bars: Sequence[Bar], starts: Sequence[Fraction], end: Fraction
) -> float:
    if end > off:
        short = float(1 - (off - start) / (end - start))
        price = _GAP * float(end - off) * min(1.0, short / (1 - _HELD_SHARE))
    else:
        price = _DISTANCE * float(off - end)
    pieces, dots = _written(start, end, False, bars, starts)
    price += _TIE * (pieces - 1) + _SECOND_DOT * dots
    if end < limit:
        price += _REST * _written(end, min(limit, _bar_end(end, bars, starts)), True, bars, starts)[0]
    return price


def _bar_end(at: Fraction, bars: Sequence[Bar], starts: Sequence[Fraction]) -> Fraction:
    return bars[bisect_right(starts, at) - 1].end


def _written(
    start: Fraction, end: Fraction, rest: bool, bars: Sequence[Bar], starts: Sequence[Fraction]
) -> tuple[int, int]:
    """How many notes or rests it takes to write this, and how many of them have a second dot."""
    pieces = double = 0
    place = bisect_right(starts, start) - 1
    while place < len(bars) and bars[place].start < end:
        bar = bars[place]
        shift = Fraction(4 * bar.beats, bar.beat_type) - bar.length if bar.upbeat else Fraction(0)
        a, b = max(start, bar.start) - bar.start + shift, min(end, bar.end) - bar.start + shift
        if is_dyadic(a) and is_dyadic(b):
            split = split_in_bar(bar.beats, bar.beat_type, a, b, rest)
            pieces += len(split)
            double += sum((value_of(y - x) or (0, 0))[1] == 2 for x, y in split)
        else:
            fits = any(value_of((b - a) * Fraction(n, d), 1) for n, d in ((3, 2), (5, 4), (7, 4), (9, 8)))
            pieces += 1 if fits else 2
        place += 1
    return pieces, double
