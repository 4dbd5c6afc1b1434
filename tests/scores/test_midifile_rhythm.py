"""Rhythm from ticks: exact files, played-in ones, and lines of music21's corpus turned into MIDI."""

from __future__ import annotations

import random
import warnings
from fractions import Fraction as F
from itertools import pairwise

import mido
import pytest
from scores.midi_making import rhythm, time_signature

from companion.scores.midifile import read_midi

MIXED = [
    "1/2",
    "1/4",
    "1/4",
    "1/3",
    "1/3",
    "1/3",
    "1",
    "1/2",
    "1/2",
    "2/3",
    "2/3",
    "2/3",
    "1/4",
    "1/4",
    "1/4",
    "1/4",
    "1/3",
    "1/3",
    "1/3",
    "3/4",
    "1/4",
    "3/2",
    "1/2",
    "2",
    "1",
    "1",
]
COMPOUND = [
    "1/2",
    "1/2",
    "1/2",
    "1",
    "1/2",
    "3/4",
    "1/4",
    "1/2",
    "3/2",
    "1/4",
    "1/4",
    "1/4",
    "1/4",
    "1/4",
    "1/4",
    "3/2",
    "1/2",
    "1",
    "3/2",
]
C_MAJOR = mido.MetaMessage("key_signature", key="C")


def starts_and_lengths(lengths: list[str]) -> list[tuple[F, F]]:
    at, found = F(0), []
    for length in map(F, lengths):
        found.append((at, length))
        at += length
    return found


def scale(count: int) -> list[int]:
    return [60 + (7 * i) % 20 for i in range(count)]


@pytest.mark.parametrize("division", [48, 96, 100, 480, 1024])
@pytest.mark.parametrize("gate", [F(4, 5), F(9, 10), F(1), F(21, 20)])
def test_written_files_are_read_exactly(division: int, gate: F) -> None:
    data = rhythm(MIXED, scale(len(MIXED)), division=division, gate=gate)
    assert [(n.start, n.length) for n in read_midi(data, "x").notes] == starts_and_lengths(MIXED)


def test_compound_meter() -> None:
    data = rhythm(COMPOUND, scale(len(COMPOUND)), meta=[time_signature(6, 8)])
    passage = read_midi(data, "x")
    assert [(n.start, n.length) for n in passage.notes] == starts_and_lengths(COMPOUND)
    assert not any(note.tuplet for note in passage.notes)


@pytest.mark.parametrize(("parts", "ratio"), [(5, (5, 4)), (7, (7, 4)), (6, (3, 2))])
def test_other_tuplets_in_written_files(parts: int, ratio: tuple[int, int]) -> None:
    lengths = ["1", *[f"1/{parts}"] * parts, "1", "1"]
    passage = read_midi(rhythm(lengths, scale(len(lengths))), "x")
    assert [(n.start, n.length) for n in passage.notes] == starts_and_lengths(lengths)
    told = {(n.tuplet.actual, n.tuplet.normal) for n in passage.notes if n.tuplet}
    assert told == {ratio}


def share_right(lengths: list[str], noise_beats: float, gate: float, seeds: int = 10) -> tuple[float, float]:
    """Share of notes with the right onset, and with onset and length right."""
    expected = starts_and_lengths(lengths)
    onsets = both = 0
    for seed in range(seeds):
        data = rhythm(lengths, scale(len(lengths)), noise_beats=noise_beats, gate=gate, seed=seed)
        found = {note.start: note.length for note in read_midi(data, "x").notes}
        onsets += sum(start in found for start, _ in expected)
        both += sum(found.get(start) == length for start, length in expected)
    return onsets / seeds / len(expected), both / seeds / len(expected)


@pytest.mark.parametrize(
    ("noise_beats", "least_onsets", "least_both"), [(0.01, 0.99, 0.98), (0.02, 0.98, 0.95), (0.03, 0.92, 0.80)]
)
def test_played_in_files(noise_beats: float, least_onsets: float, least_both: float) -> None:
    """0.02 beats are 10 ms at 120 quarters a minute; recorded on this mixture, not published."""
    onsets, both = share_right(MIXED, noise_beats, gate=0.9)
    assert onsets >= least_onsets
    assert both >= least_both


def test_played_sixteenths_stay_sixteenths() -> None:
    onsets, both = share_right(["1/4"] * 64, 0.04, gate=0.8, seeds=5)
    assert onsets > 0.97
    assert both > 0.95


def test_played_in_files_say_so() -> None:
    remarks = read_midi(rhythm(MIXED, scale(len(MIXED)), noise_beats=0.02), "x").remarks
    assert any(remark.startswith("played in") for remark in remarks)
    remarks = read_midi(rhythm(MIXED, scale(len(MIXED))), "x").remarks
    assert not any(remark.startswith("played in") for remark in remarks)


@pytest.mark.corpus
def test_lines_of_the_corpus() -> None:
    """60 lines as MIDI files with shortened notes: 99 % of their notes come back with onset and length.

    Lengths are compared where no rest follows: a rest after a shortened note can't be told from a staccato.
    """
    from music21 import corpus, note

    right = total = 0
    names = [*corpus.getComposer("bach")[10:150:7], *corpus.getComposer("ryansMammoth")[:200:9]]
    rng = random.Random(4)
    for name in names:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            part = corpus.parse(name).parts[0].stripTies()
        meter = next(iter(part.recurse().getElementsByClass("TimeSignature")))
        found = [
            (F(n.getOffsetInHierarchy(part)), F(n.quarterLength), n.pitch.midi)
            for n in part.recurse().notes
            if isinstance(n, note.Note) and not n.duration.isGrace
        ]
        first = found[0][0]
        if any(b[0] != a[0] + a[1] for a, b in pairwise(found)):
            continue
        upbeat = F(part.getElementsByClass("Measure")[0].duration.quarterLength)
        full = F(meter.barDuration.quarterLength)
        lead = full - upbeat if upbeat < full else F(0)
        lengths = [str(lead), *(str(length) for _, length, _ in found)] if lead else [str(n[1]) for n in found]
        pitches = [None, *(n[2] for n in found)] if lead else [n[2] for n in found]
        data = rhythm(
            lengths,
            pitches,
            meta=[time_signature(meter.numerator, meter.denominator), C_MAJOR],
            gate=rng.choice((0.8, 0.9, 1.0)),
        )
        passage = read_midi(data, name if isinstance(name, str) else str(name))
        silent = passage.notes[0].start
        told = {note.start - silent: note.length for note in passage.notes}
        right += sum(told.get(start - first) == length for start, length, _ in found)
        total += len(found)
    assert total > 2_000
    assert right / total > 0.99, right / total
