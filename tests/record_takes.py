"""Takes as the record may hold them, for property tests."""

from __future__ import annotations

from hypothesis import strategies as st

from companion.practice.model import (
    NOT_SLURRED,
    NOT_TONGUED,
    SLURRED,
    TONGUED,
    TOO_SHORT,
    VERDICTS,
    RawEvent,
    Tolerances,
)
from companion.record.model import NoteRecord, SlipRecord, TakeRecord, TrillRecord, UsedRecord

__all__ = ["TAKES"]

TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
TEMPO = st.floats(10, 400)
WHOLE = st.integers(-(2**62), 2**62)
NOTES = st.builds(
    NoteRecord,
    bar=TEXT,
    beat=st.fractions(0, 12).map(str),
    written_midi=st.integers(0, 127),
    fingering=TEXT,
    keys=st.lists(st.sampled_from(["l1", "l2", "g_sharp"]), unique=True).map(tuple),
    verdict=st.sampled_from(VERDICTS),
    deviation_ms=st.none() | st.floats(-1e6, 1e6),
    played_midi=st.none() | st.integers(0, 127),
    available_ms=st.none() | st.floats(0, 1e6),
    went_back=st.integers(0, 9),
    begun=st.sampled_from(["", TONGUED, SLURRED]),
    held_share=st.none() | st.floats(0, 3),
    articulation=st.lists(st.sampled_from([NOT_SLURRED, NOT_TONGUED, TOO_SHORT]), unique=True).map(tuple),
    misread=st.sampled_from(["", "an octave too high"]),
)
FINGERS = st.lists(st.sampled_from(["left index", "right ring", "left hand"]), unique=True).map(tuple)
MS = st.floats(0, 1e4)
SLIPS = st.builds(
    SlipRecord, st.integers(0, 99), st.integers(0, 99), st.integers(0, 127), MS, FINGERS, FINGERS, st.none() | MS
)
KEYS = st.lists(st.sampled_from(["l1", "bis", "palm_d"]), unique=True).map(tuple)
TAKES = st.builds(
    TakeRecord,
    title=TEXT,
    tempo_bpm=TEMPO,
    id=TEXT,
    started=st.just("2026-11-23T17:00:00+01:00"),
    since_run_ns=WHOLE,
    duration_ns=WHOLE,
    origin=TEXT,
    bars=TEXT,
    port=TEXT,
    tempo_played_bpm=st.none() | TEMPO,
    target_bpm=st.none() | TEMPO,
    rung=st.integers(0, 50),
    ladder=st.dictionaries(TEXT, st.integers() | st.none() | TEXT, max_size=3),
    tolerances=st.builds(Tolerances, on_time_ms=st.floats(1, 99)),
    pauses=st.lists(st.tuples(WHOLE, st.integers(0, 99), WHOLE), max_size=2).map(tuple),
    clean=st.booleans(),
    advice=TEXT,
    trouble_bars=st.lists(TEXT, max_size=3).map(tuple),
    events=st.lists(st.builds(RawEvent, time_ns=WHOLE, message=st.binary(max_size=4)), max_size=6).map(tuple),
    notes=st.lists(NOTES, max_size=4).map(tuple),
    added=st.lists(st.tuples(st.integers(-1, 99), st.integers(0, 127)), max_size=2).map(tuple),
    comment=st.lists(TEXT, max_size=3).map(tuple),
    octave_shift_semitones=st.sampled_from([-12, 0, 24]),
    realised=st.lists(st.integers(-1, 99), max_size=5).map(tuple),
    slips=st.lists(SLIPS, max_size=2).map(tuple),
    trills=st.lists(
        st.builds(TrillRecord, st.integers(0, 99), st.integers(0, 127), KEYS, MS, st.floats(-99, 99), MS), max_size=2
    ).map(tuple),
    used=st.lists(st.builds(UsedRecord, st.integers(0, 99), KEYS, TEXT), max_size=2).map(tuple),
)
