"""Fingers that do not move together: the note that sounds on the way from one fingering to the next."""

from __future__ import annotations

from random import Random
from typing import NamedTuple

from companion.charts.model import Chart

__all__ = ["OnTheWay", "note_on_the_way"]


ORDERS_TRIED = 8


class OnTheWay(NamedTuple):
    """A key state between two fingerings: what it sounds, who has moved already and who hasn't (`left index`)."""

    midi: int
    early: tuple[str, ...]
    late: tuple[str, ...]


def note_on_the_way(
    chart: Chart, before: frozenset[str], after: frozenset[str], unwanted: frozenset[int], rng: Random
) -> OnTheWay | None:
    """The moving fingers go down and up in a random order that lets the horn sound another note somewhere on the way.

    Parameters
    ----------
    before, after
        Keys held before and after the change. A finger moves all of its keys at once.
    unwanted
        Notes that would not be heard as another note: the two that belong here.

    Returns
    -------
    OnTheWay or None
        None where none was found in `ORDERS_TRIED` orders: then hardly any order lets another note sound.
    """
    moves: dict[str, set[str]] = {}
    for key in chart.keys:
        if key.name in before ^ after:
            moves.setdefault(f"{key.hand} {key.finger}", set()).add(key.name)
    order = list(moves)
    for _ in range(ORDERS_TRIED if len(order) > 1 else 0):
        rng.shuffle(order)
        cuts = list(range(1, len(order)))
        rng.shuffle(cuts)
        for cut in cuts:
            moved = {name for finger in order[:cut] for name in moves[finger]}
            midi = chart.sound((before - moved) | (after & moved))
            if midi not in unwanted:
                return OnTheWay(midi, tuple(sorted(order[:cut])), tuple(sorted(order[cut:])))
    return None
