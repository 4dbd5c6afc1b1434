"""A figure of the passage moved through the keys, as it is written: rhythm, slurs, marks, ties, grace notes, trills.

Conventions
-----------
* `fourths` goes round the circle, each key a fourth above the one before; each figure stands as near to where it stood
  in the music as its key allows. `chromatic` goes up by semitones. `step` goes up by whole tones through six keys and
  then, a semitone above the first, through the other six. Those two rise as long as the horn has room, and go on an
  octave lower (common practice, no source).
* A figure is moved as a whole, never a note of it. In a key where it fits into no octave it is left out, and the
  purpose says so.
* Notes are moved by intervals, so that a raised leading note stays one. Of two names of a key the one that needs fewer
  double signs is taken, then the one that is usually practised (`keys_of.keys_from`).
* Fingerings written over the notes hold where they were written, and are kept there only.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from companion.charts.model import Chart
from companion.errors import UsageError
from companion.exercises.build import Section, Tone, make
from companion.exercises.hard_bars import chosen_bars, music_as_written
from companion.exercises.keys_of import MOST_SIGNS, Key, at_fifths, keys_from, own_key
from companion.passage import Passage, Pitch, Trill
from companion.planning.model import Plan
from companion.practice.words import bars_in_words, capital
from companion.scores.spelling import line_of_fifths

__all__ = ["WAYS", "keys"]

#: Way -> semitones above the first key, in their order, and how it is said.
WAYS = {
    "fourths": (tuple(5 * i % 12 for i in range(12)), "by fourths"),
    "step": ((*range(0, 12, 2), *range(1, 12, 2)), "by whole tones"),
    "chromatic": (tuple(range(12)), "by semitones"),
}


def keys(
    passage: Passage,
    plan: Plan,
    chart: Chart,
    *,
    bars: str = "",
    by: str = "fourths",
    count: int = 0,
) -> Passage:
    """A figure of the passage in its own key and then in others.

    Parameters
    ----------
    passage, plan
        The music, planned: the plan tells the hardest bars.
    chart
        The horn, in whose range each figure stays.
    bars
        Printed bars such as `5-6`; by default the hardest.
    by
        One of `WAYS`.
    count
        In how many keys, its own with them; 0 for all twelve.

    Raises
    ------
    UsageError
        No such bars or way, bars without a note, or a count that makes no sense.

    References
    ----------
    Moving a figure through the keys is common practice, no source.
    """
    if by not in WAYS:
        raise UsageError(f"a figure can't be moved by {by!r}; there are {', '.join(WAYS)}")
    if not 0 <= count <= 12:
        raise UsageError(f"{count} keys: give 1 to 12, or 0 for all of them")
    first, last = chosen_bars(passage, plan, chart, bars)
    marks = {note.index: note.fingering_mark for note in passage.notes}
    figure = music_as_written(passage, (first, last), marks)
    midis = _midis(figure)
    where = bars_in_words(passage, range(first, last + 1))
    if not midis:
        raise UsageError(f"there is no note in {where} to move; choose other bars")
    steps, way = WAYS[by]
    mode = figure[0].mode if figure[0].mode in ("major", "minor") else own_key(passage).mode
    sections: list[Section] = []
    left_out = []
    for step in steps[: count or 12]:
        moved = _moved(figure, step, step, mode)
        name = Key(moved[0].fifths, mode).name
        shift = _octave(midis, step, 0 if by == "fourths" else step, chart)
        if shift is None:
            left_out.append(name)
            continue
        moved = figure if shift == 0 else _moved(figure, step, shift, mode)
        sections += [replace(moved[0], heading=name), *moved[1:]]
    without = f"; too wide for the horn in {', '.join(left_out)}" if left_out else ""
    return make(
        f"{capital(where)} in other keys, {way}",
        f"The figure learned as a shape under the fingers, wherever it begins{without}",
        sections,
        chart,
        passage.marked_tempo_bpm(),
    )


def _midis(figure: Sequence[Section]) -> list[int]:
    tones = [tone for section in figure for tone in section.tones if tone.pitch]
    return [tone.pitch.midi for tone in tones if tone.pitch] + [tone.trill.other.midi for tone in tones if tone.trill]


def _octave(midis: Sequence[int], step: int, aim: int, chart: Chart) -> int | None:
    """By how many semitones to move these notes, `step` up or some octaves from there: in the horn's range and as near
    to `aim` as can be, rather higher; None where they don't fit."""
    low, high = chart.lowest_midi - min(midis), chart.highest_midi - max(midis)
    fitting = range(low + (step - low) % 12, high + 1, 12)
    return min(fitting, key=lambda shift: (abs(shift - aim), -shift), default=None)


def _moved(figure: Sequence[Section], step: int, shift: int, mode: str) -> list[Section]:
    """The figure in the key `step` semitones up, its notes moved by `shift` semitones."""
    return [min(_spellings(section, step, shift), key=lambda made: _signs(made, mode)) for section in figure]


def _spellings(section: Section, step: int, shift: int) -> Iterator[Section]:
    """A section under each name of its new key."""
    for fifths in (7 * step % 12, 7 * step % 12 - 12):
        if not step:
            fifths = 0
        if abs(section.fifths + fifths) <= MOST_SIGNS or not fifths:
            tones = tuple(_tone(tone, fifths, shift) for tone in section.tones)
            yield replace(section, tones=tones, fifths=section.fifths + fifths)


def _signs(section: Section, mode: str) -> tuple[int, bool, int]:
    """What speaks against a name of a key: double signs, that it isn't usual, the signs of its signature."""
    doubles = sum(abs(tone.pitch.alter) > 1 for tone in section.tones if tone.pitch)
    return doubles, Key(section.fifths, mode) not in keys_from(0, mode), abs(section.fifths)


def _tone(tone: Tone, fifths: int, shift: int) -> Tone:
    if tone.pitch is None:
        return tone
    trill = Trill(_pitch(tone.trill.other, fifths, shift)) if tone.trill else None
    return replace(tone, pitch=_pitch(tone.pitch, fifths, shift), trill=trill, fingering_mark="")


def _pitch(pitch: Pitch, fifths: int, shift: int) -> Pitch:
    moved = at_fifths(line_of_fifths(pitch) + fifths, pitch.midi + shift)
    if abs(moved.alter) <= 2:
        return moved
    # Three signs can't be written.
    return at_fifths(line_of_fifths(moved) - (12 if moved.alter > 0 else -12), moved.midi)
