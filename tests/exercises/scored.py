"""Small scores for the tests, written with music21 and read by our reader: nothing of ours makes them."""

from __future__ import annotations

import warnings
from fractions import Fraction
from pathlib import Path

import music21
from music21 import articulations, meter, note, spanner, stream
from music21.musicxml.m21ToXml import GeneralObjectExporter

from companion.passage import Passage, Pitch
from companion.scores import read
from companion.scores.write import to_musicxml

_MARKS = {
    ".": articulations.Staccato,
    "-": articulations.Tenuto,
    ">": articulations.Accent,
    "^": articulations.StrongAccent,
}


def part_of(text: str, metre: str = "4/4", fifths: int = 0) -> stream.Part:
    """`G4:1/2( A4) r B4.`: pitch and quarters, which hold until others are given; `(` opens a slur, `)` closes it,
    `.` `-` `>` `^` are marks."""
    part = stream.Part()
    part.append(music21.key.KeySignature(fifths))
    part.append(meter.TimeSignature(metre))
    length, open_slur = Fraction(1), []
    for word in text.split():
        bare = word.rstrip("().->^")
        signs = word[len(bare) :]
        name, _, given = bare.partition(":")
        length = Fraction(given) if given else length
        if name == "r":
            part.append(note.Rest(quarterLength=length))
            continue
        one = note.Note(name.replace("b", "-") if len(name) > 2 else name, quarterLength=length)
        one.articulations = [_MARKS[sign]() for sign in signs if sign in _MARKS]
        part.append(one)
        if ")" in signs:
            open_slur.append(one)
            part.insert(0, spanner.Slur(open_slur))
            open_slur = []
        elif open_slur or "(" in signs:
            open_slur.append(one)
        if "(" in signs and ")" in signs:
            open_slur = [one]
    return part


def scored(folder: Path, text: str, metre: str = "4/4", fifths: int = 0) -> Passage:
    """The same through a MusicXML file of music21's and our reader."""
    file = folder / "scored.musicxml"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        file.write_bytes(GeneralObjectExporter().parse(part_of(text, metre, fifths)))
    return read(file)


def music21_pitch(pitch: Pitch) -> music21.pitch.Pitch:
    """The same pitch as music21 has it."""
    return music21.pitch.Pitch(pitch.step, octave=pitch.octave, accidental=pitch.alter)


def music21_names(made: Passage, folder: Path) -> list[str]:
    """The notes of a made passage as music21 reads them from its MusicXML, spelled; without grace notes."""
    file = folder / "made.musicxml"
    file.write_bytes(to_musicxml(made))
    part = music21.converter.parse(file).parts[0].stripTies()
    return [n.pitch.nameWithOctave for n in part.recurse().notes if not n.duration.isGrace]


def our_names(made: Passage) -> list[str]:
    """The same of the passage itself, in music21's letters."""
    return [music21_pitch(note.written).nameWithOctave for note in made.notes if not note.grace]
