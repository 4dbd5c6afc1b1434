"""Articulation patterns in words: `slur two, tongue two`, `staccato pairs`, `in sixteenths` (common practice, no
source)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby, pairwise

from companion.practice.words import times_in_words
from companion.scores.rhythm import is_dyadic, value_of

__all__ = ["rhythm_in_words", "strokes_in_words"]

_NUMBERS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
_VALUES = {
    Fraction(8): "breve", Fraction(4): "whole note", Fraction(2): "half note", Fraction(1): "quarter",
    Fraction(1, 2): "eighth", Fraction(1, 4): "sixteenth", Fraction(1, 8): "thirty-second",
    Fraction(1, 16): "sixty-fourth", Fraction(1, 32): "hundred-and-twenty-eighth",
}  # fmt: skip
_DOTS = ("", "dotted ", "double-dotted ")
#: Parts in the time of how many make a tuplet, and what it is called.
_TUPLETS = ((3, 2, "triplet"), (5, 4, "quintuplet"), (7, 4, "septuplet"))
#: What a mark does to a note's length, in words. A line with a dot is written in either of two ways.
_LENGTHS = {
    frozenset({"staccato"}): "staccato",
    frozenset({"staccatissimo"}): "staccatissimo",
    frozenset({"spiccato"}): "staccatissimo",
    frozenset({"tenuto"}): "tenuto",
    frozenset({"detached-legato"}): "mezzo-staccato",
    frozenset({"staccato", "tenuto"}): "mezzo-staccato",
}
_ACCENTS = {
    "accent": ("accent", "accented"),
    "strong-accent": ("marcato", "marcato"),
    "soft-accent": ("soft accent", "softly accented"),
}


@dataclass(frozen=True, slots=True)
class _Group:
    """Notes under one slur, or a single one; `lengths` what their marks do to each. `ends` a slur from before,
    `begins` one that leads on."""

    lengths: tuple[str, ...]
    ends: bool
    begins: bool

    @property
    def plain(self) -> bool:
        """Whether it stands by itself."""
        return not (self.ends or self.begins)


def strokes_in_words(joined: Sequence[bool], marks: Sequence[frozenset[str]], leads_on: bool, unit: str) -> str:
    """How the notes of a pattern are tongued and slurred.

    Parameters
    ----------
    joined
        Whether a slur leads into each note [shape=(n,)].
    marks
        The marks on each note [shape=(n,)].
    leads_on
        Whether a slur leads on from the last.
    unit
        `beat`, `half bar` or `bar`.
    """
    accents = [frozenset(_ACCENTS) & these for these in marks]
    lengths = [_length(these - frozenset(_ACCENTS)) for these in marks]
    groups = list(_groups(joined, lengths, leads_on))
    words = _all_alike(groups, unit) or ", ".join(_again(list(_each(groups))))
    return ", ".join([words, *_accents(accents, unit)])


def _length(marks: frozenset[str]) -> str:
    return _LENGTHS.get(marks, " and ".join(sorted(marks)))


def _groups(joined: Sequence[bool], lengths: Sequence[str], leads_on: bool) -> Iterator[_Group]:
    starts = [i for i, slurred in enumerate(joined) if i == 0 or not slurred] + [len(joined)]
    for first, after in pairwise(starts):
        ends, begins = joined[first], leads_on and after == len(joined)
        yield _Group(tuple(lengths[first:after]), ends, begins)


def _all_alike(groups: Sequence[_Group], unit: str) -> str:
    """Words for a pattern of one kind, empty where it isn't."""
    if not all(group == groups[0] and group.plain for group in groups):
        return ""
    size, lengths = len(groups[0].lengths), set(groups[0].lengths)
    if size == 1:
        (kind,) = lengths
        return "all tongued" if not kind else f"{kind} pairs" if len(groups) == 2 else f"all {kind}"
    if lengths != {""}:
        return ""
    if len(groups) == 1 and unit == "bar":
        return "the whole bar slurred"
    return f"slurred by {_number(size)}{'es' if size == 6 else 's'}"


def _each(groups: Sequence[_Group]) -> Iterator[str]:
    for (single, kind), run in groupby(
        groups, key=lambda group: (len(group.lengths) == 1 and group.plain, group.lengths)
    ):
        same = list(run)
        if single:
            yield f"{kind[0] or 'tongue'} {_number(len(same))}"
        else:
            yield from (_slur(group) for group in same)


def _again(phrases: Sequence[str]) -> Iterator[str]:
    """What comes several times in a row is said once: `slur two twice`, `(slur two, tongue two) 3 times`."""
    at = 0
    while at < len(phrases):
        size, count = 1, 1
        for period in range(1, (len(phrases) - at) // 2 + 1):
            times = _repetitions(phrases, at, period)
            if times > 1 and times * period > size * count:
                size, count = period, times
        said = ", ".join(phrases[at : at + size])
        said = f"({said})" if size > 1 else said
        yield f"{said} {times_in_words(count)}" if count > 1 else said
        at += size * count


def _repetitions(phrases: Sequence[str], at: int, period: int) -> int:
    count = 1
    while phrases[at + count * period :][:period] == phrases[at : at + period]:
        count += 1
    return count


def _slur(group: _Group) -> str:
    count, lengths = len(group.lengths), group.lengths
    if group.plain and lengths[0] and len(set(lengths)) == 1:
        kind = "" if lengths[0] == "staccato" else f" ({lengths[0]})"
        return f"portato {_number(count)}{kind}"
    s = "s" if count == 1 else ""
    if group.ends and group.begins:
        words = f"{_number(count)} inside a slur"
    elif group.ends:
        words = f"{_number(count)} that end{s} a slur"
    elif group.begins:
        words = f"{_number(count)} that begin{s} a slur"
    else:
        words = f"slur {_number(count)}"
    if lengths[-1] == "staccato" and not any(lengths[:-1]):
        return f"{words} with the last one short"
    kinds = [
        f"{kind} on {_places([i for i, one in enumerate(lengths) if one == kind])}"
        for kind in dict.fromkeys(lengths)
        if kind
    ]
    return f"{words} ({', '.join(kinds)})" if kinds else words


def _accents(accents: Sequence[frozenset[str]], unit: str) -> Iterator[str]:
    for mark, (noun, adjective) in _ACCENTS.items():
        places = [i for i, these in enumerate(accents) if mark in these]
        if not places:
            continue
        if len(places) == len(accents):
            yield f"all {adjective}"
        elif places == [0] and unit == "beat":
            yield f"{noun} on the beat"
        else:
            yield f"{noun}{'s' if len(places) > 1 and noun != 'marcato' else ''} on {_places(places)}"


def _places(places: Sequence[int]) -> str:
    return f"note{'s' if len(places) > 1 else ''} {_and([str(i + 1) for i in places])}"


def _number(count: int) -> str:
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


def _and(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]


def rhythm_in_words(notes: Sequence[tuple[Fraction, Fraction]], length: Fraction) -> str:
    """The values of notes (start, length) that follow each other in a stretch of `length` quarters: `in sixteenths`,
    `as dotted eighth and sixteenth`, `as eighth rest and three eighths`."""
    values: list[tuple[bool, Fraction]] = []
    at = Fraction(0)
    for start, lasts in notes:
        values += [(True, start - at)] if start > at else []
        values.append((False, lasts))
        at = start + lasts
    values += [(True, length - at)] if length > at else []
    if len(set(values)) == 1:
        return "in triplets" if values[0][1] == Fraction(1, 3) else f"in {_value(values[0][1], 2)}"
    parts = []
    for (rest, lasts), run in groupby(values):
        count = len(list(run))
        name = (
            f"{_value(lasts, 1).removesuffix(' note')} rest{'s' if count > 1 else ''}" if rest else _value(lasts, count)
        )
        parts.append(name if count == 1 else f"{_number(count)} {name}")
    return f"as {_and(parts)}"


def _value(length: Fraction, count: int) -> str:
    """`dotted eighth`, `triplet quarters`, `quarter tied to sixteenth`."""
    s = "s" if count > 1 else ""
    if (found := value_of(length)) and found[0] in _VALUES:
        return f"{_DOTS[found[1]]}{_VALUES[found[0]]}{s}"
    for actual, normal, name in _TUPLETS:
        found = value_of(length * Fraction(actual, normal), 1)
        if found and found[0] in _VALUES:
            return f"{name} {_DOTS[found[1]]}{_VALUES[found[0]]}{s}"
    longest = next((value for value in _VALUES if value < length), None)
    if longest and is_dyadic(length) and length < 2 * longest:
        return f"{_value(longest, count)} tied to {_value(length - longest, count)}"
    return f"note{s} of {length} quarters"
