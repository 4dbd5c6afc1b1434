"""An articulation pattern of the passage laid over scales.

The notes of a scale go up and down in the pattern's rhythm, under its slurs and marks, again and again until the scale
is back at its tonic, which is held to the end of the bar. So that the tonic comes where the pattern begins anew, the
scale turns up from its tonic once more by as few notes as that takes. Minor scales are melodic (common practice, no
source). A pattern that is slurred on from before is slurred on each time; where that leaves nothing tongued, the tongue
begins every second bar, as in scales.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from companion.charts.model import Chart
from companion.errors import UsageError
from companion.exercises.articulation_patterns import Pattern, patterns_of
from companion.exercises.build import Section, Tone, make
from companion.exercises.keys_of import Key, keys_for, own_key
from companion.exercises.scales import KINDS, checked_octaves, scale_line
from companion.passage import Passage, Pitch
from companion.planning.model import Plan
from companion.practice.words import bars_in_words, number_of
from companion.scores.rhythm import full_bar_beats

__all__ = ["articulations"]

#: Thirds are no walk that can be made longer by a turn.
_KINDS = tuple(kind for kind in KINDS if kind != "thirds")
_USUAL = {"major": "major", "minor": "melodic-minor"}
#: Where nothing is tongued, a slur is so many bars long.
_BARS_A_SLUR = 2
#: A title is one line: beyond so many letters it leaves the rhythm to the notes.
_LONGEST_TITLE = 60


def articulations(
    passage: Passage,
    plan: Plan,
    chart: Chart,
    *,
    pattern: int = 1,
    key: str = "",
    kind: str = "",
    octaves: int = 0,
    lowest: int = 0,
    highest: int = 127,
) -> Passage:
    """One of the passage's articulation patterns over a scale, or over twelve.

    Parameters
    ----------
    passage, plan
        The music whose articulation it is, and which gives the first key and the tempo.
    chart
        The horn.
    pattern
        Which of `patterns_of(passage)`: 1 is the most frequent.
    key
        By default the passage's own; `all` for twelve round the fifths from there; or a key by name.
    kind
        The scale or arpeggio, one of `scales.KINDS` but thirds; by default the major or the melodic minor scale.
    octaves
        So many from the lowest tonic; 0 for all that the horn has.
    lowest, highest
        Written MIDI numbers not to go beyond; the horn's range in any case.

    Raises
    ------
    UsageError
        No such pattern, key or scale, or a range without the scale.

    References
    ----------
    Carrying an articulation over to scales is common practice, no source.
    """
    found = patterns_of(passage)
    if not found:
        raise UsageError("no beat or bar of this passage has two notes, so there is no articulation to carry over")
    if not 1 <= pattern <= len(found):
        raise UsageError(
            f"pattern {pattern}: this passage has {number_of(len(found), 'pattern')}, from 1, the most frequent"
        )
    if kind and kind not in _KINDS:
        raise UsageError(f"no scale {kind!r} to lay it over; there are {', '.join(_KINDS)}")
    chosen = found[pattern - 1]
    signed = kind != "chromatic"
    mode = KINDS[kind][0] if kind and signed else ""
    keys = keys_for(key, own_key(passage), mode, kind)[: None if signed else 1]
    kind = kind or _USUAL[keys[0].mode]
    low, high = max(lowest, chart.lowest_midi), min(highest, chart.highest_midi)
    checked_octaves(octaves)
    sections = []
    for each in keys:
        line = _line(each, kind, low, high, octaves, len(chosen.strokes))
        heading = each.name if len(keys) > 1 else ""
        sections.append(
            Section(
                tuple(_laid(chosen, line)),
                each.fifths if signed else 0,
                each.mode if signed else "",
                *chosen.metre,
                heading=heading,
            )
        )
    over = keys[0].name if len(keys) == 1 else "all keys"
    words = chosen.words if len(chosen.words) <= _LONGEST_TITLE else chosen.strokes_words
    return make(
        f"Articulation, {over}: {words}",
        f"The articulation of {bars_in_words(passage, chosen.bars)} over a scale, until the tongue goes by itself",
        sections,
        chart,
        passage.marked_tempo_bpm(),
    )


def _line(key: Key, kind: str, low: int, high: int, octaves: int, size: int) -> list[Pitch]:
    """The scale and, where it takes that, turns up from its tonic, so that all notes but the last make whole patterns
    of `size` notes."""
    line = scale_line(key, kind, low, high, octaves)
    turns: dict[int, list[Pitch]] = {}
    for top in range(line[0].midi + 1, max(pitch.midi for pitch in line) + 1):
        turn = scale_line(key, kind, line[0].midi, top, least_notes=1)[1:]
        if turn:
            turns.setdefault(len(turn), turn)
    for count in _fewest(-(len(line) - 1) % size, list(turns), size):
        line += turns[count]
    return line


def _fewest(missing: int, lengths: Sequence[int], size: int) -> tuple[int, ...]:
    """Lengths whose sum is `missing`, but for multiples of `size`: the least sum there is, of as few as can be. Empty
    where there is none."""
    best: dict[int, tuple[int, ...]] = {0: ()}
    changed = True
    while changed:
        changed = False
        for left, chosen in list(best.items()):
            for length in lengths:
                more = tuple(sorted((*chosen, length), reverse=True))
                place = (left + length) % size
                if place not in best or (sum(more), len(more)) < (sum(best[place]), len(best[place])):
                    best[place] = more
                    changed = True
    return best.get(missing, ())


def _laid(pattern: Pattern, line: Sequence[Pitch]) -> Iterator[Tone]:
    strokes, size = pattern.strokes, len(pattern.strokes)
    whole = full_bar_beats(*pattern.metre)
    on = pattern.carried_in or pattern.leads_on
    # Whether a slur leads on from each note of the pattern to the next one.
    joins = [not stroke.tongued for stroke in strokes[1:]] + [on]
    endless = all(joins)
    at = Fraction(0)
    for place, pitch in enumerate(line[:-1]):
        stroke, following = strokes[place % size], strokes[(place + 1) % size]
        if place % size == 0 and stroke.start:
            yield Tone(None, stroke.start)
            at += stroke.start
        after = pattern.length if following is strokes[0] else following.start
        slurred = joins[place % size]
        at += after - stroke.start
        if endless and at % (_BARS_A_SLUR * whole) == 0:
            slurred = False
        yield Tone(pitch, stroke.length, slurred, stroke.marks)
        if rest := after - stroke.start - stroke.length:
            yield Tone(None, rest)
    yield Tone(line[-1], whole - at % whole)
