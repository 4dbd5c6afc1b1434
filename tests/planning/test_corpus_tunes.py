"""Real tunes planned: a fixed part of music21's corpus, whose every line `benchmarks/plan_corpus.py` plans by hand."""

from __future__ import annotations

import warnings
from functools import cache

import pytest
from plan_corpus import Tune, abc_files, abc_tunes, faults_of, fits, handlers_of, musicxml_files, musicxml_parts

from companion import charts
from companion.planning import plan

pytestmark = pytest.mark.corpus

#: Every so many files; ABC files begin at one of their own, so that not always the first of a folder is taken.
ABC_EVERY, ABC_FROM, MUSICXML_EVERY = 12, 5, 40


@cache
def _abc() -> list[Tune]:
    return [tune for path in abc_files()[ABC_FROM::ABC_EVERY] for tune in abc_tunes(path)]


@cache
def _musicxml() -> list[Tune]:
    return [tune for path in musicxml_files()[::MUSICXML_EVERY] for tune in musicxml_parts(path)]


def _faults(tunes: list[Tune], instrument: str) -> tuple[int, list[str]]:
    """How many of the tunes fit the instrument, and what is wrong with their plans."""
    chart = charts.load(instrument)
    fitting, found = [tune for tune in tunes if fits(tune.passage, chart)], []
    for tune in fitting:
        planned = plan(tune.passage, chart)
        for fault in faults_of(tune.passage, planned, tune.passage.marked_tempo_bpm()):
            found.append(f"{tune.place}: {fault}")
    return len(fitting), found


@pytest.mark.parametrize("instrument", ["alto", "baritone"])
def test_tunes_are_planned_as_a_hand_can_play_them(instrument: str) -> None:
    """Folk songs, reels, airs: no roll over bis, no jump of the ring finger, a fingering and a reason for each note."""
    count, found = _faults(_abc(), instrument)
    assert found == [] and count > 1_000


def test_parts_of_scores_are_planned_as_a_hand_can_play_them() -> None:
    """With the slurs, trills and grace notes that our reader finds in them."""
    count, found = _faults(_musicxml(), "alto")
    assert found == [] and count > 15


def test_the_tunes_are_those_that_music21_reads() -> None:
    """The passages made of tokens hold the notes of music21's own streams: start, length, pitch, spelling."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from music21 import abcFormat, note
    compared = 0
    for path in abc_files()[::45]:
        tunes = list(abc_tunes(path))[:2]
        for tune, (place, handler) in zip(tunes, handlers_of(path), strict=False):
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                stream = abcFormat.translate.abcToStreamScore(handler).stripTies().flatten()
            theirs = [
                (round(float(n.offset), 2), n.duration.isGrace, n.pitch.step, int(n.pitch.alter), n.pitch.octave)
                for n in stream.getElementsByClass(note.Note)
            ]
            ours = [
                (round(float(n.start), 2), bool(n.grace), n.written.step, n.written.alter, n.written.octave)
                for n in tune.passage.notes
            ]
            assert ours == theirs, place
            compared += 1
    assert compared > 25
