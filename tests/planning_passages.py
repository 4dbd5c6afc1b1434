"""Tiny passages from a line of text: `"C5 Bb4:1/2 r:1 B4~C5"` is C, an eighth B♭, a quarter rest, B trilled with C."""

from __future__ import annotations

from fractions import Fraction

from companion.passage import Bar, Note, Passage, Pitch, TempoMark, Trill

NOTE_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


def pitch(word: str) -> Pitch:
    """`Bb4`, `F#5`."""
    return Pitch(word[0], word.count("#") - word[1:].count("b"), int(word[-1]))


def spelled(written_midi: int) -> str:
    """The sharp spelling of a note number."""
    return f"{NOTE_NAMES[written_midi % 12]}{written_midi // 12 - 1}"


def passage(text: str, length: str = "1/4", tempo_bpm: float = 92.0) -> Passage:
    """One bar of these notes, sixteenths unless a length in quarters says otherwise; `g` marks a grace note, `_` a
    slur to the note (`_gB4`: to a grace note)."""
    notes: list[Note] = []
    at = Fraction(0)
    for word in text.split():
        word, _, given = word.partition(":")
        lasts = Fraction(given or length)
        if word != "r":
            slurred = word.startswith("_")
            word = word.removeprefix("_")
            grace = word.startswith("g")
            main, _, other = word.removeprefix("g").partition("~")
            trill = Trill(pitch(other)) if other else None
            lasts = Fraction(0) if grace else lasts
            index = len(notes)
            notes.append(
                Note(
                    index,
                    pitch(main),
                    at,
                    lasts,
                    0,
                    Fraction(1),
                    index,
                    trill=trill,
                    grace="acciaccatura" if grace else "",
                    tongued=not slurred,
                )
            )
        at += lasts
    bar = Bar(0, "1", 0, Fraction(0), at or Fraction(4), 4, 4)
    return Passage("made", tuple(notes), (bar,), tempos=(TempoMark(Fraction(0), tempo_bpm),))
