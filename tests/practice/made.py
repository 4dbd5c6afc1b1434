"""Small passages for the tests, written as a line of text."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from companion.passage import Bar, Note, Passage, Pitch, TempoMark
from companion.practice.clock import note_onsets_s
from companion.practice.model import PLAYED, PlayedArray

_ALTER = {"b": -1, "#": 1}


def pitch(name: str) -> Pitch:
    """`Bb4`, `F#5`, `C4`."""
    return Pitch(name[0], _ALTER.get(name[1], 0), int(name[-1]))


def passage(
    text: str,
    metre: tuple[int, int] = (4, 4),
    upbeat: Fraction | int = 0,
    tempos: tuple[TempoMark, ...] = (),
    fifths: int = 0,
) -> Passage:
    """Notes such as `C4:1 D4:1/2 g:E4 r:1`: pitch and quarters; `g:` slashed grace note, `a:` unslashed, `r:` rest."""
    notes: list[Note] = []
    at = Fraction(0)
    full = Fraction(4 * metre[0], metre[1])
    first = Fraction(upbeat) or full

    def bar_of(beat: Fraction) -> int:
        return 0 if beat < first else int((beat - first) // full) + 1

    def bar_start(bar: int) -> Fraction:
        return Fraction(0) if bar == 0 else first + (bar - 1) * full

    for word in text.split():
        head, tail = word.split(":")
        if head == "r":
            at += Fraction(tail)
            continue
        grace = {"g": "acciaccatura", "a": "appoggiatura"}.get(head, "")
        bar = bar_of(at)
        within = at - bar_start(bar) + (full - first if bar == 0 else 0)
        notes.append(
            Note(
                index=len(notes),
                written=pitch(tail if grace else head),
                start=at,
                length=Fraction(0) if grace else Fraction(tail),
                bar=bar,
                count=within * Fraction(metre[1], 4) + 1,
                source=len(notes),
                grace=grace,
            )
        )
        at += Fraction(0) if grace else Fraction(tail)
    bars = [Bar(0, "0" if upbeat else "1", 0, Fraction(0), first, *metre, fifths, upbeat=bool(upbeat))]
    while bars[-1].end < at:
        index = len(bars)
        bars.append(Bar(index, str(index + (not upbeat)), index, bars[-1].end, full, *metre, fifths))
    return Passage("Made", tuple(notes), tuple(bars), tempos=tempos)


def exact(piece: Passage, tempo_bpm: float) -> PlayedArray:
    """Every note exactly when it is due."""
    onsets_s = note_onsets_s(piece, tempo_bpm)
    played = np.zeros(len(onsets_s), dtype=PLAYED)
    played["onset_s"] = onsets_s
    ends_s = [piece.seconds(note.end, tempo_bpm) for note in piece.notes]
    played["offset_s"] = [max(end, on + 0.04) for on, end in zip(onsets_s, ends_s, strict=True)]
    played["offset_s"][:-1] = np.minimum(played["offset_s"][:-1], onsets_s[1:])
    played["written_midi"] = [note.written_midi for note in piece.notes]
    played["velocity"] = 80
    return played


def moved(played: PlayedArray, note: int, by_s: float) -> PlayedArray:
    """The same with one onset moved."""
    found = played.copy()
    found["onset_s"][note] += by_s
    if note:
        found["offset_s"][note - 1] = min(found["offset_s"][note - 1], found["onset_s"][note])
    return found


def without(played: PlayedArray, *notes: int) -> PlayedArray:
    """The same with notes left out."""
    return np.delete(played, notes)


def with_note(played: PlayedArray, onset_s: float, midi: int, length_s: float) -> PlayedArray:
    """The same with a note more, which ends the one before it."""
    at = int(np.searchsorted(played["onset_s"], onset_s))
    found = np.insert(played, at, np.array((onset_s, onset_s + length_s, midi, 80), dtype=PLAYED))
    if at:
        found["offset_s"][at - 1] = min(found["offset_s"][at - 1], onset_s)
    return found
