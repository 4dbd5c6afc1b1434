"""Beams: which short notes hang together (common practice, no source: a beam shows a beat)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import groupby
from typing import TYPE_CHECKING

from companion.scores.rhythm import beam_groups, is_compound

if TYPE_CHECKING:
    from companion.scores.layout import Cell

__all__ = ["beam"]

_EIGHTH = Fraction(1, 2)


def beam(cells: Sequence[Cell], beats: int, beat_type: int, shift: Fraction) -> list[Cell]:
    """The cells of a bar with their beams; `shift` leads from passage beats to where the full bar starts."""
    groups = beam_groups(beats, beat_type)
    keys = [_group_of(cell, groups, shift) for cell in cells]
    if beat_type == 4 and beats in (2, 4) and not is_compound(beats, beat_type):
        keys = _halves_joined(cells, keys)
    beamed = list(cells)
    _beam_graces(beamed)
    indices = [i for i, cell in enumerate(cells) if not cell.grace]
    for _, run in groupby(indices, key=lambda i: keys[i]):
        for stretch in _stretches(cells, list(run)):
            for i, beams in zip(stretch, _beams([_levels(cells[i]) for i in stretch]), strict=True):
                beamed[i] = replace(cells[i], beams=beams)
    return beamed


def _group_of(cell: Cell, groups: Sequence[tuple[Fraction, Fraction]], shift: Fraction) -> int:
    return next((i for i, (start, end) in enumerate(groups) if start <= cell.start + shift < end), -1)


def _halves_joined(cells: Sequence[Cell], keys: list[int]) -> list[int]:
    """Four plain eighths in half a bar hang together."""
    joined = list(keys)
    for half in {key // 2 for key in keys}:
        inside = [i for i, key in enumerate(keys) if key // 2 == half and not cells[i].grace]
        if len(inside) == 4 and all(
            cells[i].note is not None and cells[i].value == _EIGHTH and not cells[i].dots and not cells[i].tuplet
            for i in inside
        ):
            for i in inside:
                joined[i] = 2 * half
    return joined


def _stretches(cells: Sequence[Cell], run: Sequence[int]) -> list[list[int]]:
    """Neighbouring notes with flags; two or more."""
    found: list[list[int]] = [[]]
    for i in run:
        if cells[i].note is not None and _levels(cells[i]) > 0:
            found[-1].append(i)
        else:
            found.append([])
    return [stretch for stretch in found if len(stretch) > 1]


def _levels(cell: Cell) -> int:
    """How many flags the value has."""
    return max((1 / cell.value).numerator.bit_length() - 1, 0) if cell.value < 1 else 0


def _beams(levels: Sequence[int]) -> list[tuple[str, ...]]:
    """Beam values of each note from the eighth beam up."""
    found: list[list[str]] = [[] for _ in levels]
    for level in range(1, max(levels) + 1):
        for has, run in groupby(range(len(levels)), key=lambda i, at=level: levels[i] >= at):  # type: ignore[misc]
            members = list(run)
            if not has:
                continue
            if len(members) == 1:
                found[members[0]].append("forward hook" if members[0] == 0 else "backward hook")
                continue
            for i in members:
                found[i].append("begin" if i == members[0] else "end" if i == members[-1] else "continue")
    return [tuple(beams) for beams in found]


def _beam_graces(cells: list[Cell]) -> None:
    for (grace, _), run in groupby(range(len(cells)), key=lambda i: (cells[i].grace, cells[i].start)):
        members = list(run)
        if grace and len(members) > 1:
            for i, beams in zip(members, _beams([_levels(cells[i]) for i in members]), strict=True):
                cells[i] = replace(cells[i], beams=beams)
