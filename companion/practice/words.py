"""Places in a passage as a teacher says them: `bar 2`, `the third sixteenth of beat 1`, `bars 3, 7 and 8`."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from fractions import Fraction

from companion.passage import Note, Passage
from companion.units import s_from_ms

__all__ = [
    "bar_in_words", "bars_in_words", "capital", "number_of", "piece_in_words", "pitch_in_words", "place_in_words",
    "printed_bars", "shape_in_words", "shortened", "size_in_words", "times_in_words", "with_stop",
]  # fmt: skip

_FLAT_NAMES = ("C", "D♭", "D", "E♭", "E", "F", "G♭", "G", "A♭", "A", "B♭", "B")
_SHARP_NAMES = ("C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B")
_ORDINALS = ("first", "second", "third", "fourth")
#: Lower number of the time signature -> the name of a quarter of its beat.
_QUARTERS_OF_BEAT = {1: "quarter", 2: "eighth", 4: "sixteenth", 8: "thirty-second"}
_MOST_NAMED = 4
#: What tells pieces of one title apart, and stands last in it: `, bars 5–8`, `, bar 5, from 84`.
_BARS_AT_THE_END = re.compile(r", bars? [^\s,]{1,12}(?:, (?:from|again).*)?$")
#: With fewer letters before its bars a title is cut from its end.
_LEAST_OF_TITLE = 4
#: Nobody counts thousands of ms.
SECONDS_FROM_MS = 1000.0


def bar_in_words(passage: Passage, bar: int) -> str:
    """`bar 5`, `the upbeat`, `bar 5 the second time`; `bar` is an index into `Passage.bars`."""
    this = passage.bars[bar]
    if this.upbeat and bar == 0:
        return "the upbeat"
    name = f"bar {this.number or bar + 1}"
    return name if this.time_pass < 2 else f"{name} the {_time_pass(this.time_pass)} time"


def bars_in_words(passage: Passage, bars: Iterable[int]) -> str:
    """`bar 3`, `bars 3 and 7`, `bars 1, 2, 3, 4 and 6 more`, each printed number once, in the order of the page."""
    seen: dict[str, None] = {}
    for bar in sorted(set(bars), key=lambda i: (passage.bars[i].written_index, i)):
        this = passage.bars[bar]
        seen["the upbeat" if this.upbeat and bar == 0 else str(this.number or bar + 1)] = None
    names = list(seen)
    if len(names) == 1:
        return names[0] if names[0] == "the upbeat" else f"bar {names[0]}"
    if names and names[0] == "the upbeat":
        rest = names[1:]
        return f"the upbeat and {'bar' if len(rest) == 1 else 'bars'} {_listed(rest)}"
    return f"bars {_listed(names)}"


def printed_bars(bars: str, every: str = "") -> str:
    """`bars 5–8`, `bar 5`: the bars of `--bars`, of a week's item or of a section's label; `every` for all of them."""
    if not bars:
        return every
    return f"{'bars' if '-' in bars or '–' in bars else 'bar'} {bars.replace('-', '–')}"


def piece_in_words(title: str, bars: str, exercise: str = "") -> str:
    """`Étude in E minor, bars 5–8`; of an exercise `links of Étude in E minor, bars 5–8`."""
    name = f"{title}, {printed_bars(bars)}" if bars else title
    return f"{exercise} of {name}" if exercise else name


def shortened(text: str, fits: Callable[[str], bool]) -> str:
    """The text, cut with an ellipsis until it `fits`; the bars at the end of a piece's name stay, where they can."""
    if fits(text):
        return text
    bars = _BARS_AT_THE_END.search(text)
    for tail, least in ((bars[0] if bars else "", _LEAST_OF_TITLE), ("", 0)):
        title = text.removesuffix(tail)
        while len(title) > least:
            title = title[:-1]
            if fits(said := f"{title.rstrip(' ,')}…{tail}"):
                return said
    return "…"


def cut_to(text: str, letters: int) -> str:
    """The text `shortened` to so many letters."""
    return shortened(text, lambda cut: len(cut) <= letters)


def place_in_words(passage: Passage, note: Note) -> str:
    """Where in its bar a note is: `the note on beat 3`, `the third sixteenth of beat 1`, `the second triplet note of
    beat 2`."""
    if note.grace:
        return f"the grace note before beat {_count(note.count)}"
    beat, within = note.count // 1, note.count % 1
    if within == 0:
        return f"the note on beat {beat}"
    quarter = _QUARTERS_OF_BEAT.get(passage.bars[note.bar].beat_type, "")
    if quarter and (within * 4).denominator == 1 and (within != Fraction(1, 2) or _has_quarters_of_beat(passage, note)):
        return f"the {_ORDINALS[int(within * 4)]} {quarter} of beat {beat}"
    if within == Fraction(1, 2):
        return f"the note on the and of beat {beat}"
    if (within * 3).denominator == 1:
        return f"the {_ORDINALS[int(within * 3)]} triplet note of beat {beat}"
    return f"the {note.written.name} after beat {beat}"


def number_of(count: int, one: str, many: str = "") -> str:
    """`1 note`, `2 notes`."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def pitch_in_words(written_midi: int, *, flat: bool) -> str:
    """`B♭4` where `flat`, else `A♯4`."""
    return f"{(_FLAT_NAMES if flat else _SHARP_NAMES)[written_midi % 12]}{written_midi // 12 - 1}"


def capital(words: str) -> str:
    """The same with a capital at the start."""
    return words[:1].upper() + words[1:]


def shape_in_words(note: str, fingering: str) -> str:
    """A note with its fingering: `B♭ bis`, but `side C` and no `C side C`. What comes after a comma stands in brackets:
    in `long C♯, right hand down to D` the hand would go down to D."""
    shape, comma, more = fingering.partition(", ")
    words = shape if note in shape.split() else f"{note} {shape}"
    return f"{words} ({more})" if comma else words


def size_in_words(ms: float) -> str:
    """`45 ms`, `2.3 s`: how much, whichever way."""
    return f"{abs(ms):.0f} ms" if abs(ms) < SECONDS_FROM_MS else f"{s_from_ms(abs(ms)):.1f} s"


def times_in_words(count: int) -> str:
    """`once`, `twice`, `3 times`."""
    return ("once", "twice")[count - 1] if count in (1, 2) else f"{count} times"


def _has_quarters_of_beat(passage: Passage, note: Note) -> bool:
    beat = Fraction(4, passage.bars[note.bar].beat_type)
    beat_start = note.start - note.count % 1 * beat
    near = passage.notes[max(note.index - 3, 0) : note.index + 4]
    return any((n.start - beat_start) / beat in (Fraction(1, 4), Fraction(3, 4)) for n in near)


def _count(count: Fraction) -> str:
    whole = count // 1
    return str(whole) if count == whole else f"the note after {whole}"


def _time_pass(number: int) -> str:
    return _ORDINALS[number - 1] if number <= len(_ORDINALS) else f"{number}th"


def _listed(names: Sequence[str]) -> str:
    if len(names) > _MOST_NAMED + 1:
        return f"{', '.join(names[:_MOST_NAMED])} and {len(names) - _MOST_NAMED} more"
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]


def with_stop(words: str) -> str:
    """With a capital and a full stop."""
    return words and capital(words) + ("" if words.endswith((".", "!", "?")) else ".")
