"""Scales and arpeggios over the full range of the horn.

From the lowest tonic up to the highest note of the scale that the horn has, down to its lowest, and back to where it
began (common practice, no source). The melodic minor goes down as the natural one, but where it turns on a sixth or
seventh at an end of the horn it does so without a chromatic step. The dominant seventh stands on the fifth of its key,
the diminished seventh on the leading note of its minor key, so both are spelled without signs that the key doesn't have
but the leading note's. The chromatic scale goes up in sharps and down in flats. Thirds turn at the top and the bottom
without playing a note twice, since under a slur that is one long note.

Where a number of octaves is asked for, the scale goes from its lowest tonic so many octaves up and back, or as far as
the horn goes where that is less.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from companion.charts.model import Chart
from companion.errors import UsageError
from companion.exercises.build import Section, Tone, make
from companion.exercises.keys_of import Key, degree, keys_for, own_key
from companion.passage import Passage, Pitch
from companion.planning.model import Plan
from companion.practice.words import pitch_in_words

__all__ = ["KINDS", "checked_octaves", "scale_line", "scales"]

_Steps = tuple[tuple[int, int], ...]
_MAJOR: _Steps = ((0, 0), (1, 2), (2, 4), (3, 5), (4, 7), (5, 9), (6, 11))
_NATURAL: _Steps = ((0, 0), (1, 2), (2, 3), (3, 5), (4, 7), (5, 8), (6, 10))
_HARMONIC: _Steps = (*_NATURAL[:6], (6, 11))
_MELODIC: _Steps = (*_NATURAL[:5], (5, 9), (6, 11))
_SHARPS: _Steps = ((0, 0), (0, 1), (1, 2), (1, 3), (2, 4), (3, 5), (3, 6), (4, 7), (4, 8), (5, 9), (5, 10), (6, 11))
_FLATS: _Steps = ((0, 0), (1, 1), (1, 2), (2, 3), (2, 4), (3, 5), (4, 6), (4, 7), (5, 8), (5, 9), (6, 10), (6, 11))
_DOMINANT: _Steps = ((4, 7), (6, 11), (8, 14), (10, 17))
_DIMINISHED: _Steps = ((6, 11), (8, 14), (10, 17), (12, 20))

#: kind -> mode, steps above the tonic upwards and downwards (letters, semitones), title
KINDS: dict[str, tuple[str, _Steps, _Steps, str]] = {
    "major": ("major", _MAJOR, _MAJOR, "Major scales"),
    "natural-minor": ("minor", _NATURAL, _NATURAL, "Natural minor scales"),
    "harmonic-minor": ("minor", _HARMONIC, _HARMONIC, "Harmonic minor scales"),
    "melodic-minor": ("minor", _MELODIC, _NATURAL, "Melodic minor scales"),
    "chromatic": ("major", _SHARPS, _FLATS, "Chromatic scale"),
    "thirds": ("major", _MAJOR, _MAJOR, "Major scales in thirds"),
    "arpeggio-major": ("major", ((0, 0), (2, 4), (4, 7)), ((0, 0), (2, 4), (4, 7)), "Major arpeggios"),
    "arpeggio-minor": ("minor", ((0, 0), (2, 3), (4, 7)), ((0, 0), (2, 3), (4, 7)), "Minor arpeggios"),
    "arpeggio-dominant": ("major", _DOMINANT, _DOMINANT, "Dominant sevenths"),
    "arpeggio-diminished": ("minor", _DIMINISHED, _DIMINISHED, "Diminished sevenths"),
}
#: kind -> what one key of it is called; `{key}` is `E minor`, `{tonic}` is `E`
_ONE_KEY = {
    "major": "{key} scale",
    "natural-minor": "{tonic} natural minor scale",
    "harmonic-minor": "{tonic} harmonic minor scale",
    "melodic-minor": "{tonic} melodic minor scale",
    "chromatic": "Chromatic scale from {tonic}",
    "thirds": "{key} scale in thirds",
    "arpeggio-major": "{key} arpeggio",
    "arpeggio-minor": "{key} arpeggio",
    "arpeggio-dominant": "Dominant seventh of {key}",
    "arpeggio-diminished": "Diminished seventh of {key}",
}
_EIGHTH, _BAR = Fraction(1, 2), Fraction(4)
_NOTES_A_SLUR = 16
#: How far so many octaves are; more than these no saxophone has, altissimo and all.
_OCTAVES = ("the whole horn", "one octave", "two octaves", "three octaves", "four octaves")
_MOST_OCTAVES = len(_OCTAVES) - 1


def scales(
    passage: Passage,
    plan: Plan,
    chart: Chart,
    *,
    kind: str = "major",
    key: str = "",
    octaves: int = 0,
    lowest: int = 0,
    highest: int = 127,
) -> Passage:
    """Scales or arpeggios over the full range of the horn, slurred, in eighths.

    Parameters
    ----------
    passage, plan
        The music they belong to: it gives the first key and the tempo.
    chart
        The horn.
    kind
        One of `KINDS`.
    key
        One key by name; by default `all` twelve round the fifths from the passage's signature on. The chromatic scale
        begins on the tonic of that key, or of the passage's, and is written once.
    octaves
        So many from the lowest tonic; 0 for all that the horn has.
    lowest, highest
        Written MIDI numbers not to go beyond; the horn's range in any case.

    Raises
    ------
    UsageError
        No such kind or key, octaves that make no sense, or a range without three notes of the scale.

    References
    ----------
    The order of the notes is common practice, no source.
    """
    if kind not in KINDS:
        raise UsageError(f"no scale {kind!r}; there are {', '.join(KINDS)}")
    mode, _, _, title = KINDS[kind]
    signed = kind != "chromatic"
    keys = keys_for(key or "all", own_key(passage), mode if signed else "", kind)[: None if signed else 1]
    low, high = max(lowest, chart.lowest_midi), min(highest, chart.highest_midi)
    sections = [
        Section(
            _slurred(scale_line(each, kind, low, high, checked_octaves(octaves))),
            each.fifths if signed else 0,
            each.mode if signed else "",
            heading=each.name if len(keys) > 1 else "",
        )
        for each in keys
    ]
    if len(keys) == 1:
        title = _ONE_KEY[kind].format(key=keys[0].name, tonic=Pitch(*keys[0].tonic, 4).name)
    else:
        title = f"{title}: all keys from {keys[0].name} on"
    return make(
        f"{title}{', ' + _how_far(octaves) if octaves else ''}",
        f"Even fingers over {_how_far(octaves)}: slurred, so that every change is heard",
        sections,
        chart,
        passage.marked_tempo_bpm(),
    )


def checked_octaves(octaves: int) -> int:
    """The same number. Raises `UsageError` where there can't be so many octaves."""
    if not 0 <= octaves <= _MOST_OCTAVES:
        raise UsageError(f"{octaves} octaves: give 1 to {_MOST_OCTAVES}, or 0 for all that the horn has")
    return octaves


def _how_far(octaves: int) -> str:
    return _OCTAVES[octaves]


def scale_line(key: Key, kind: str, low: int, high: int, octaves: int = 0, *, least_notes: int = 3) -> list[Pitch]:
    """The notes of a scale or arpeggio, from its lowest tonic (or root) up, down, and back to where they began.

    Parameters
    ----------
    key, kind
        `kind` is one of `KINDS`.
    low, high
        Written MIDI numbers not to go beyond.
    octaves
        How far up from the first note, and then no lower than it; 0 for as far as it goes.
    least_notes
        So many different notes it must have.

    Raises
    ------
    UsageError
        Fewer notes of it lie there, or not its tonic.
    """
    _, up, down, _ = KINDS[kind]
    root = Pitch(*key.tonic, 4).midi + up[0][1]
    start_midi = low + (root - low) % 12
    if octaves:
        low, high = start_midi, min(high, start_midi + 12 * octaves)
    if kind == "chromatic":
        rising, falling = _semitones(_SHARPS, low, high), _semitones(_FLATS, low, high)
    else:
        rising, falling = _within(key, up, low, high), _within(key, down, low, high)
    if start_midi > high or len(rising) < least_notes:
        between = " and ".join(pitch_in_words(midi, flat=key.fifths < 0) for midi in (low, high))
        raise UsageError(f"{key.name}: too little of it lies between {between}; give a wider range")
    start = [pitch.midi for pitch in rising].index(start_midi)
    return _thirds(rising, start) if kind == "thirds" else _full_range(rising, falling, start)


def _within(key: Key, steps: _Steps, low: int, high: int) -> list[Pitch]:
    found = [degree(key.tonic, letters, semitones, octave) for octave in range(-2, 10) for letters, semitones in steps]
    return sorted((pitch for pitch in found if low <= pitch.midi <= high), key=lambda pitch: pitch.midi)


def _semitones(steps: _Steps, low: int, high: int) -> list[Pitch]:
    """Every semitone, the black keys named as `steps` above C have them."""
    return [degree(("C", 0), *steps[midi % 12], midi // 12 - 1) for midi in range(low, high + 1)]


def _full_range(rising: Sequence[Pitch], falling: Sequence[Pitch], start: int) -> list[Pitch]:
    """Up from `start`, down, and back to it. A turn keeps to the form in which it was reached until both have the same
    note: from a raised seventh down over the raised sixth, from a plain one up to the tonic."""
    both = {pitch.midi for pitch in rising} & {pitch.midi for pitch in falling}
    top = max(i for i, pitch in enumerate(rising) if pitch.midi in both)
    down = [*rising[top:-1][::-1], *(pitch for pitch in reversed(falling) if pitch.midi < rising[top].midi)]
    bottom = down[-1].midi if down else rising[-1].midi
    back = [pitch for pitch in falling if bottom < pitch.midi <= min(both)]
    back += [pitch for pitch in rising[: start + 1] if pitch.midi > (min(both) if back else bottom)]
    return [*rising[start:], *down, *back]


def _thirds(notes: Sequence[Pitch], start: int) -> list[Pitch]:
    count = len(notes)
    pairs = [(i, i + 2) for i in range(start, count - 2)]
    # From the top and the bottom with the next pair, or the turning note would come twice.
    pairs += [(i, i - 2) for i in range(count - 2 if pairs else count - 1, 1, -1)]
    pairs += [(i, i + 2) for i in range(1, min(start, count - 2))]
    line = [notes[i] for pair in pairs for i in pair]
    return line if line[-1] == notes[start] else [*line, notes[start]]


def _slurred(line: Sequence[Pitch]) -> tuple[Tone, ...]:
    """Eighths under slurs of two bars; the last note is held to the end of its bar."""
    tones = [Tone(pitch, _EIGHTH, (i + 1) % _NOTES_A_SLUR != 0) for i, pitch in enumerate(line[:-1])]
    left = _BAR - (len(tones) * _EIGHTH) % _BAR
    return (*tones, Tone(line[-1], left))
