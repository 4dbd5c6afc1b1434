"""A record is put together from what the rooms hand out, for an excerpt too."""

from __future__ import annotations

from fractions import Fraction

from companion.charts.model import Chart, Fingering
from companion.passage import Bar, Note, Passage, Pitch
from companion.planning.model import Choice, Plan
from companion.practice.model import LATE, LEFT_OUT, Assessment, NoteResult, RawEvent, Tolerances
from companion.record import NoteRecord, take_record

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
        NoteRecord("6", "3", 72, "f3", ("l1", "l2"), LEFT_OUT, None, None),
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
