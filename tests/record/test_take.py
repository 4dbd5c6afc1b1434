"""A record is put together from what the rooms hand out, for an excerpt too."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from companion.charts.model import Chart, Fingering
from companion.passage import Bar, Note, Passage, Pitch, Trill
from companion.planning.model import Choice, Plan
from companion.practice.model import (
    LATE,
    LEFT_OUT,
    NOT_SLURRED,
    ON_TIME,
    TONGUED,
    WRONG_NOTE,
    Articulated,
    Assessment,
    FingeringUsed,
    NoteResult,
    RawEvent,
    Slip,
    Tolerances,
    TrillTiming,
)
from companion.record import NoteRecord, take_record
from companion.record.model import SlipRecord, TrillRecord, UsedRecord

PITCHES = (Pitch("G", 0, 4), Pitch("A", 0, 4), Pitch("B", -1, 4), Pitch("C", 0, 5))
PASSAGE = Passage(
    title="Two bars",
    notes=tuple(
        Note(i, pitch, Fraction(2 * i), Fraction(2), i // 2, Fraction(1 + 2 * (i % 2)), i)
        for i, pitch in enumerate(PITCHES)
    ),
    bars=tuple(Bar(i, str(5 + i), i, Fraction(4 * i), Fraction(4), 4, 4) for i in range(2)),
    origin="a.mxl",
    sha256="ab",
    part_id="P1",
)
CHART = Chart("alto", "Alto", -9, 58, 90, (), (), (), version="c1")
PLAN = Plan(
    "alto",
    tuple(
        Choice(i, Fingering(f"f{i}", pitch.midi, frozenset({"l2", "l1"})), "because") for i, pitch in enumerate(PITCHES)
    ),
    version="p1",
)


def test_an_excerpt_keeps_its_own_fingerings_and_times() -> None:
    excerpt = PASSAGE.excerpt(1, 1)
    assessment = Assessment(
        72.0,
        (NoteResult(0, LATE, 40.12345, 70), NoteResult(1, LEFT_OUT)),
        ((0, 61),),
        True,
        "",
        "Listen.",
        (0, 0),
        70.0,
    )
    events = [RawEvent(1_000, b"\x90\x46\x40"), RawEvent(2_000, b"\x80\x46\x00")]
    take = take_record(
        excerpt, PLAN, CHART, assessment, events, take_ns=900, beat_0_ns=950, end_ns=3_000, run_ns=100, first_note=2,
        bars="6–6", port="keys", shift_semitones=-12, rung=2, target_bpm=96.0, ladder={"step_bpm": 4},
        tolerances=Tolerances(25.0), delay_ms=4.0, pauses=[(5, 1, 6)],
    )  # fmt: skip
    assert take.notes == (
        NoteRecord("6", "1", 70, "f2", ("l1", "l2"), LATE, 40.123, 70),
        NoteRecord("6", "3", 72, "f3", ("l1", "l2"), LEFT_OUT, None, None, available_ms=1666.667),
    )
    assert [event.time_ns for event in take.events] == [100, 1_100]
    assert (take.since_run_ns, take.start_ns, take.duration_ns) == (800, 50, 2_100)
    assert (take.bars, take.part, take.sha256, take.chart_version, take.plan_version) == ("6", "P1", "ab", "c1", "p1")
    assert (take.clean, take.trouble_bars, take.added, take.pauses) == (True, ("6",), ((0, 61),), ((5, 1, 6),))


def test_a_take_broken_off_is_never_clean() -> None:
    assessment = Assessment(72.0, (), (), True, "", "")
    times = {"take_ns": 0, "beat_0_ns": 0, "end_ns": 1, "run_ns": 0}
    take = take_record(PASSAGE, PLAN, CHART, assessment, [], interrupted="the port vanished", **times)  # type: ignore[arg-type]
    assert (take.clean, take.because, take.interrupted) == (False, "the port vanished", "the port vanished")


TIMES = {"take_ns": 0, "beat_0_ns": 0, "end_ns": 1, "run_ns": 0}


def test_what_was_found_beyond_the_notes_is_kept() -> None:
    notes = (*PASSAGE.notes[:3], replace(PASSAGE.notes[3], trill=Trill(Pitch("D", 0, 5))))
    planned = replace(
        PLAN, choices=(*PLAN.choices[:3], replace(PLAN.choices[3], trill_fingering=Fingering("t", 74, frozenset("ab"))))
    )
    index = {"left index"}, {"right ring"}
    assessment = Assessment(
        60.0, tuple(NoteResult(i, ON_TIME, 0.0, n.written_midi) for i, n in enumerate(notes)), (), True, "", "",
        comment=("First.", "Then."), realised=(0, 1, -1, 2, 3), octave_shift=12,
        articulation=tuple(
            Articulated(i, TONGUED, TONGUED, 0.9, 4.0, "full", 0.87654, (NOT_SLURRED,) if i == 2 else ())
            for i in range(4)
        ),
        slips=(Slip(2, 1, 69, 1.0, 31.23456, tuple(index[0]), tuple(index[1]), 31.23456, True),),
        trills=(TrillTiming(3, 9.12345, -4.0, 2.0, ""),),
        fingerings=(
            FingeringUsed(1, frozenset({"l1", "l2"}), "f1", "f1", ""),
            FingeringUsed(2, frozenset({"l1", "bis"}), "bis", "f2", "other"),
        ),
    )  # fmt: skip
    take = take_record(replace(PASSAGE, notes=notes), planned, CHART, assessment, [], **TIMES)  # type: ignore[arg-type]
    assert (take.comment, take.realised) == (("First.", "Then."), (0, 1, -1, 2, 3))
    assert take.octave_shift_semitones == 12
    assert [(n.begun, n.held_share, n.articulation) for n in take.notes[1:3]] == [
        (TONGUED, 0.877, ()), (TONGUED, 0.877, (NOT_SLURRED,)),
    ]  # fmt: skip
    assert take.slips == (SlipRecord(2, 1, 69, 31.235, ("left index",), ("right ring",), 31.235),)
    assert take.trills == (TrillRecord(3, 74, ("a", "b"), 9.123, -4.0, 2.0),)
    assert take.used == (UsedRecord(2, ("bis", "l1"), "bis"),)
    assert [n.available_ms for n in take.notes] == [None, 2000.0, 2000.0, 2000.0]


@pytest.mark.parametrize(
    ("realised", "wrong", "went_back"),
    [
        ((0, 1, 2, 3), (), [0, 0, 0, 0]),
        # After G, A the player goes back to G: the change to B♭ is what failed.
        ((0, 1, 0, 1, 2, 3), (), [0, 0, 1, 0]),
        ((0, 1, 0, 1, 0, 1, 2, 3), (), [0, 0, 2, 0]),
        # The wrong note at 2 is what sent the player back.
        ((0, 1, 2, 1, 2, 3), (2,), [0, 0, 1, 0]),
        ((0, -1, 1, 1, 2, 3), (), [0, 0, 1, 0]),
        ((0, 1, 2, 3, 3), (), [0, 0, 0, 1]),
        ((), (), [0, 0, 0, 0]),
    ],
)
def test_going_back_is_laid_to_the_note_that_was_not_reached(
    realised: tuple[int, ...], wrong: tuple[int, ...], went_back: list[int]
) -> None:
    notes = tuple(NoteResult(i, WRONG_NOTE if i in wrong else ON_TIME, 0.0, 60) for i in range(4))
    assessment = Assessment(60.0, notes, (), False, "", "", realised=realised)
    take = take_record(PASSAGE, PLAN, CHART, assessment, [], **TIMES)  # type: ignore[arg-type]
    assert [note.went_back for note in take.notes] == went_back
