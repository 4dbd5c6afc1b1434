"""From ticks to written rhythm: which subdivision each beat has, and where each note ends.

Onsets. Each beat is given one grid (quarters, eighths and sixteenths of a beat; triplets, sextuplets, twelfths;
quintuplets, septuplets; in 6/8 and the like thirds, sixths, twelfths, duplets and ninths) so that the whole line
costs least: for each onset its distance to the grid, Gaussian with the spread `sigma` that the file itself shows,
plus a price for each place of the grid, dearer the deeper the subdivision; for two onsets on one place; and for
changing between binary and ternary grids from beat to beat. The cheapest row of grids is found by dynamic
programming. Gaussian distance with a prior on depth of subdivision is the model of Cemgil, Desain and Kappen; the
prices are ours, set by hand.

Ends. A player shortens notes: what matters is which ends read well. Each end is either the next onset (no rest) or a
place on the beat's grid; the cheaper one is taken, counting the gap that would be passed over, the distance, each tie
and each rest.

References
----------
A. T. Cemgil, P. Desain, B. Kappen, "Rhythm quantization for transcription", Computer Music Journal 24 (2000) 60-76.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import gcd, inf
from statistics import median

from companion.scores.rhythm import Span, is_compound

__all__ = ["QuantisedOnset", "estimate_sigma", "quantise_onsets", "units_of"]

#: Price of a place by its depth (denominator of its share of the beat), simple and compound beats.
_SIMPLE_DEPTH = {1: 0.0, 2: 0.6, 4: 1.2, 3: 1.6, 8: 3.0, 6: 2.8, 12: 6.0, 16: 5.5, 5: 4.0, 7: 5.5}
_COMPOUND_DEPTH = {1: 0.0, 3: 0.6, 6: 1.2, 2: 2.2, 4: 3.0, 12: 3.0, 24: 6.0, 9: 4.0, 18: 6.0, 5: 5.0}
#: Grids as (subdivisions, family, price).
_SIMPLE_GRIDS = (
    (4, 2, 0.0),
    (3, 3, 0.4),
    (8, 2, 0.4),
    (6, 3, 0.8),
    (16, 2, 2.0),
    (5, 5, 2.0),
    (7, 7, 3.0),
    (12, 3, 4.0),
)
_COMPOUND_GRIDS = ((6, 3, 0.0), (12, 3, 0.4), (4, 2, 0.8), (9, 9, 1.5), (5, 5, 2.0), (24, 3, 2.0), (18, 9, 3.0))
_FAMILY_CHANGE = 0.8
_SAME_PLACE = 6.0
_FURTHEST = 14.0
#: Files written by a notation program lie on their ticks; their spread is that of rounding to ticks.
_EXACT_SHARE = 0.9
_SIGMA_PLAYED = (0.008, 0.06)


@dataclass(frozen=True, slots=True)
class QuantisedOnset:
    """A place in the music, and the subdivision of the beat it was found in."""

    start: Fraction
    grid: int
    unit: Span


def units_of(bar_start: Fraction, bar_length: Fraction, beats: int, beat_type: int) -> list[Span]:
    """The beats of one bar, as (start, full length) in quarters."""
    if is_compound(beats, beat_type):
        size = Fraction(12, beat_type)
    else:
        size = Fraction(4, beat_type) if beat_type >= 4 else Fraction(1)
    count = -(-bar_length // size)
    return [(bar_start + i * size, size) for i in range(int(count))]


def estimate_sigma(onsets: Sequence[Fraction], ticks_per_beat: int) -> float | None:
    """Spread of the onsets in beats for a file that lies on its ticks, None for one that was played in."""
    if ticks_per_beat < 96:
        return 0.35 / ticks_per_beat + 0.004
    close = sum(any(abs(o * d - round(o * d)) <= Fraction(d, ticks_per_beat) for d in (12, 16, 5, 7)) for o in onsets)
    chance = min(0.95, sum(2 * d / ticks_per_beat for d in (12, 16, 5, 7)))
    if onsets and (close / len(onsets) - chance) / (1 - chance) >= _EXACT_SHARE:
        return 1.0 / ticks_per_beat
    return None


def quantise_onsets(
    onsets: Sequence[Fraction], units: Sequence[Span], ticks_per_beat: int, sigma: float | None = None
) -> list[QuantisedOnset]:
    """Places for all onsets.

    Parameters
    ----------
    onsets
        Exact positions in beats, rising [shape=(n,)].
    units
        The beats of the piece as (start, length), rising and without gaps.
    sigma
        Spread in beats; None to estimate it.
    """
    if sigma is None:
        sigma = estimate_sigma(onsets, ticks_per_beat)
    if sigma is not None:
        return _cheapest(onsets, units, sigma)
    first = _cheapest(onsets, units, 0.03)
    spread = 1.4826 * median(abs(float(o - q.start)) for o, q in zip(onsets, first, strict=True))
    return _cheapest(onsets, units, min(max(spread, _SIGMA_PLAYED[0]), _SIGMA_PLAYED[1]))


def _cheapest(onsets: Sequence[Fraction], units: Sequence[Span], sigma: float) -> list[QuantisedOnset]:
    """Dynamic programming over the beats that hold onsets."""
    groups = _by_unit(onsets, units)
    costs: list[float] = []
    families: list[int] = []
    back: list[list[int]] = []
    for unit, members in groups:
        grids, depth = _grids(unit)
        shares = [float((onset - unit[0]) / unit[1]) for onset in members]
        here = [price + _grid_cost(shares, d, depth, sigma / float(unit[1])) for d, _, price in grids]
        choices, totals = [], []
        for (_, family, _), own in zip(grids, here, strict=True):
            best, total = 0, 0.0
            if costs:
                changed = [c + (_FAMILY_CHANGE if f != family else 0.0) for c, f in zip(costs, families, strict=True)]
                best = min(range(len(changed)), key=changed.__getitem__)
                total = changed[best]
            choices.append(best)
            totals.append(total + own)
        costs, families = totals, [family for _, family, _ in grids]
        back.append(choices)
    return _trace(groups, costs, back)


def _trace(
    groups: Sequence[tuple[Span, list[Fraction]]], costs: Sequence[float], back: Sequence[Sequence[int]]
) -> list[QuantisedOnset]:
    state = min(range(len(costs)), key=costs.__getitem__) if costs else 0
    chosen: list[int] = []
    for choices in reversed(back):
        chosen.append(state)
        state = choices[state]
    placed = []
    for (unit, members), which in zip(groups, reversed(chosen), strict=True):
        grid = _grids(unit)[0][which][0]
        for onset in members:
            place = round((onset - unit[0]) / unit[1] * grid)
            placed.append(QuantisedOnset(unit[0] + unit[1] * Fraction(place, grid), grid, unit))
    return placed


def _by_unit(onsets: Sequence[Fraction], units: Sequence[Span]) -> list[tuple[Span, list[Fraction]]]:
    groups: list[tuple[Span, list[Fraction]]] = []
    at = 0
    for onset in onsets:
        while at + 1 < len(units) and units[at + 1][0] <= onset:
            at += 1
        if not groups or groups[-1][0] is not units[at]:
            groups.append((units[at], []))
        groups[-1][1].append(onset)
    return groups


def _grids(unit: Span) -> tuple[tuple[tuple[int, int, float], ...], dict[int, float]]:
    if unit[1].numerator == 3:
        return _COMPOUND_GRIDS, _COMPOUND_DEPTH
    return _SIMPLE_GRIDS, _SIMPLE_DEPTH


def _grid_cost(shares: Sequence[float], grid: int, depth: dict[int, float], sigma: float) -> float:
    total, before = 0.0, -1
    for share in shares:
        place = round(share * grid)
        off = (share - place / grid) / sigma
        total += min(off * off / 2, _FURTHEST) + depth.get(grid // gcd(place, grid), inf)
        total += _SAME_PLACE if place == before else 0.0
        before = place
    return total
