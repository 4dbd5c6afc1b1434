"""Articulation patterns of real parts with slurs, counted by music21's own spanners and articulations."""

from __future__ import annotations

import warnings
from collections import Counter
from fractions import Fraction
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

from companion.exercises.articulation_patterns import MARKS, patterns_of
from companion.scores import read

pytestmark = pytest.mark.corpus

#: Parts of one voice without chords, with many slurs: file of music21's corpus and the part's place in it.
PARTS = [
    ("haydn/opus1no1/movement1.mxl", 0),
    ("haydn/opus1no1/movement1.mxl", 3),
    ("haydn/opus1no1/movement2.mxl", 0),
    ("haydn/opus74no1/movement3.mxl", 0),
    ("mozart/k155/movement2.mxl", 2),
    ("mozart/k155/movement3.mxl", 3),
    ("mozart/k156/movement2.mxl", 0),
    ("mozart/k156/movement2.mxl", 1),
    ("mozart/k458/movement2.mxl", 2),
    ("mozart/k458/movement3.mxl", 0),
    ("mozart/k458/movement3.mxl", 3),
    ("mozart/k80/movement1.mxl", 0),
    ("mozart/k80/movement4.mxl", 1),
    ("mozart/k458/movement3.mxl", 1),
]
#: (start, length, tongued, marks) of each note, and whether a slur leads on
Beat = tuple[tuple[tuple[Fraction, Fraction, bool, frozenset[str]], ...], bool]
_NAMES = {
    "Staccato": "staccato", "Staccatissimo": "staccatissimo", "Spiccato": "spiccato", "Tenuto": "tenuto",
    "DetachedLegato": "detached-legato", "Accent": "accent", "StrongAccent": "strong-accent",
}  # fmt: skip


def _near(value: Any) -> Fraction:
    return Fraction(value).limit_denominator(5_000)


@cache
def _music21_score(name: str) -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import music21
    return music21.converter.parse(_path(name))


def _path(name: str) -> Path:
    found = find_spec("music21")
    assert found is not None and found.origin is not None
    return Path(found.origin).parent / "corpus" / name


def by_music21(part: Any) -> Counter[tuple[str, Beat]]:
    """Its stretches of two notes and more whose edges no note or slur crosses but at a bar line."""
    inside, line = _inside_a_slur(part), []
    measures = list(part.getElementsByClass("Measure"))
    begun_by_grace = False
    for measure in measures:
        for n in measure.flatten().notes:
            if n.duration.isGrace:
                begun_by_grace |= n.id not in inside
            if n.duration.isGrace or (n.tie is not None and n.tie.type != "start"):
                continue
            marks = frozenset(_NAMES.get(type(a).__name__, "") for a in n.articulations) & MARKS
            length = sum((_near(one.quarterLength) for one in _tied(n)), Fraction(0))
            line.append((_near(measure.offset) + _near(n.offset), length, n.id in inside and not begun_by_grace, marks))
            begun_by_grace = False
    found: Counter[tuple[str, Beat]] = Counter()
    signature = None
    for measure in measures:
        signature = measure.timeSignature or signature
        found.update(_stretches(measure, signature, line))
    return found


def _tied(n: Any) -> list[Any]:
    chain = [n]
    while chain[-1].tie is not None and chain[-1].tie.type in ("start", "continue"):
        following = chain[-1].next("Note")
        if following is None or following.tie is None or following.tie.type == "start":
            break
        chain.append(following)
    return chain


def _inside_a_slur(part: Any) -> set[Any]:
    """Ids of notes that a slur leads into: all between its ends but the first."""
    order = [n for n in part.flatten().notes]
    places = {n.id: i for i, n in enumerate(order)}
    found = set()
    for slur in part.recurse().getElementsByClass("Slur"):
        first, last = (places.get(slur.getFirst().id), places.get(slur.getLast().id))
        if first is not None and last is not None:
            found |= {n.id for n in order[first + 1 : last + 1]}
    return found


def _shape(line: list[Any], start: Fraction, end: Fraction, bar: tuple[Fraction, Fraction]) -> Beat | None:
    here = [i for i, n in enumerate(line) if n[0] + n[1] > start and n[0] < end]
    if len(here) < 2 or line[here[0]][0] < start or line[here[-1]][0] + line[here[-1]][1] > end:
        return None
    strokes, leads_on = [], False
    for i in here:
        fresh = i == 0 or line[i - 1][0] + line[i - 1][1] < line[i][0]
        strokes.append((line[i][0] - start, line[i][1], not line[i][2] or fresh, line[i][3]))
    after = here[-1] + 1
    if after < len(line):
        leads_on = line[after][2] and line[after][0] == end
    if (not strokes[0][2] and start > bar[0]) or (leads_on and end < bar[1]):
        return None
    return tuple(strokes), leads_on


def _stretches(measure: Any, signature: Any, line: list[Any]) -> list[tuple[str, Beat]]:
    """Its beats, halves and the whole of it, where these are more than the same again."""
    beat, whole = _near(signature.beatDuration.quarterLength), _near(signature.barDuration.quarterLength)
    begins = _near(measure.offset)
    bar = begins, begins + _near(measure.duration.quarterLength)
    origin = bar[1] - whole if measure.paddingLeft or measure.number == 0 else begins
    count = int(whole / beat)
    sizes = [("beat", beat), ("half bar", whole / 2), ("bar", whole)]
    if count % 2 or count < 4:
        del sizes[1]
    if count == 1:
        del sizes[0]
    found: list[tuple[str, Beat]] = []
    shapes: dict[Fraction, dict[Fraction, Beat]] = {}
    for name, size in sizes:
        shapes[size] = {}
        for place in range(int(whole / size)):
            start = origin + place * size
            shape = _shape(line, start, start + size, bar)
            if shape is None or start < bar[0] or start + size > bar[1]:
                continue
            shapes[size][start] = shape
            if not any(_same_again(shapes[shorter], shorter, start, size) for shorter in shapes if shorter < size):
                found.append((name, shape))
    return found


def _same_again(shapes: dict[Fraction, Beat], shorter: Fraction, start: Fraction, size: Fraction) -> bool:
    parts = [shapes.get(start + i * shorter) for i in range(int(size / shorter))]
    return None not in parts and all(part == parts[0] for part in parts)


@pytest.mark.parametrize("name, number", PARTS)
def test_patterns_as_music21_counts_them(name: str, number: int) -> None:
    part = _music21_score(name).parts[number]
    passage = read(_path(name), str(number + 1))
    ours: Counter[tuple[str, Beat]] = Counter()
    for pattern in patterns_of(passage):
        strokes = tuple((s.start, s.length, s.tongued, s.marks) for s in pattern.strokes)
        ours[pattern.unit, (strokes, pattern.leads_on)] += pattern.count
    theirs = by_music21(part)
    assert sum(count for (unit, _), count in theirs.items() if unit == "beat") > 10
    assert ours == theirs
