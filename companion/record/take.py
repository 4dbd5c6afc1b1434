"""What the stand knows after a take, put together as a record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from companion.charts.model import Chart
from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.model import Assessment, RawEvent, Tolerances
from companion.record.model import NoteRecord, TakeRecord, normal_bars

if TYPE_CHECKING:
    from companion.practice.rehearsal import FinishedTake

__all__ = ["finished_take_record", "note_records", "take_record"]


def note_records(passage: Passage, plan: Plan, assessment: Assessment, first_note: int = 0) -> tuple[NoteRecord, ...]:
    """One record a score note, in the order of `Passage.notes`. `passage` may be an excerpt of what `plan` is for,
    whose first note is number `first_note` there."""
    choices = {choice.note_index - first_note: choice for choice in plan.choices}
    records = []
    for result in assessment.notes:
        note, choice = passage.notes[result.note_index], choices.get(result.note_index)
        records.append(
            NoteRecord(
                bar=passage.bars[note.bar].number,
                beat=str(note.count),
                written_midi=note.written_midi,
                fingering=choice.name if choice else "",
                keys=tuple(sorted(choice.keys)) if choice else (),
                verdict=result.verdict,
                deviation_ms=None if result.deviation_ms is None else round(float(result.deviation_ms), 3),
                played_midi=None if result.played_midi is None else int(result.played_midi),
            )
        )
    return tuple(records)


def finished_take_record(
    take: FinishedTake,
    plan: Plan,
    chart: Chart,
    *,
    run_ns: int,
    port: str = "",
    shift_semitones: int = 0,
    delay_ms: float = 0.0,
    tolerances: Tolerances | None = None,
) -> TakeRecord:
    """The record of what `Rehearsal` hands out at the end of a take; hand it to `Sitting.append`.

    Parameters
    ----------
    take
        The take. Its record begins with beat 0, or with what was played before it.
    plan
        The plan of the whole passage.
    run_ns
        When the run began, on the clock of the take.
    port, shift_semitones, delay_ms, tolerances
        What the rehearsal was set to.
    """
    begin_ns = min([take.start_ns, *(event.time_ns for event in take.events[:1])])
    return take_record(
        take.section.passage,
        plan,
        chart,
        take.assessment,
        take.events,
        take_ns=begin_ns,
        beat_0_ns=take.start_ns,
        end_ns=max(take.end_ns, begin_ns),
        run_ns=run_ns,
        first_note=take.section.first_note,
        bars=take.section.label,
        port=port,
        shift_semitones=shift_semitones,
        rung=take.ladder_before.rung,
        target_bpm=take.ladder_before.target_bpm,
        ladder=asdict(take.ladder_before),
        tolerances=tolerances,
        delay_ms=delay_ms,
        pauses=tuple((p.at_ns - begin_ns, p.from_bar + take.section.first_bar, p.shift_ns) for p in take.pauses),
        interrupted=take.stopped,
    )


def take_record(
    passage: Passage,
    plan: Plan,
    chart: Chart,
    assessment: Assessment,
    events: Sequence[RawEvent],
    *,
    take_ns: int,
    beat_0_ns: int,
    end_ns: int,
    run_ns: int,
    first_note: int = 0,
    bars: str = "",
    port: str = "",
    shift_semitones: int = 0,
    rung: int = 0,
    target_bpm: float | None = None,
    ladder: Mapping[str, Any] | None = None,
    tolerances: Tolerances | None = None,
    delay_ms: float = 0.0,
    pauses: Sequence[tuple[int, int, int]] = (),
    interrupted: str = "",
) -> TakeRecord:
    """The record of a take; hand it to `Sitting.append`.

    Parameters
    ----------
    passage, plan, chart, assessment
        What was played from and what became of it; `passage` is the excerpt that was on the stand, its first note
        number `first_note` of the passage that was planned.
    events
        All that arrived, stamped by the monotonic clock.
    take_ns, beat_0_ns, end_ns, run_ns
        On the same clock: when the take began, when its beat 0 was, when it ended, when the run began.
    bars
        Printed bars of the excerpt; empty for the whole passage.
    ladder
        The ladder's rule in numbers, by name.
    pauses
        As in `TakeRecord`.
    interrupted
        Why the take was broken off; such a take is never clean.
    """
    return TakeRecord(
        title=passage.title,
        origin=passage.origin,
        sha256=passage.sha256,
        part=passage.part_name or passage.part_id,
        bars=normal_bars(bars),
        instrument=chart.name,
        chart_version=chart.version,
        plan_version=plan.version,
        port=port,
        shift_semitones=shift_semitones,
        tempo_bpm=assessment.tempo_bpm,
        tempo_played_bpm=assessment.tempo_played_bpm,
        rung=rung,
        target_bpm=target_bpm,
        ladder=dict(ladder or {}),
        tolerances=tolerances or Tolerances(),
        delay_ms=delay_ms,
        pauses=tuple(pauses),
        clean=assessment.clean and not interrupted,
        because=assessment.because or interrupted,
        advice=assessment.advice,
        interrupted=interrupted,
        trouble_bars=tuple(dict.fromkeys(passage.bars[index].number for index in assessment.trouble_bars)),
        since_run_ns=take_ns - run_ns,
        duration_ns=end_ns - take_ns,
        start_ns=beat_0_ns - take_ns,
        events=tuple(RawEvent(event.time_ns - take_ns, event.message) for event in events),
        notes=note_records(passage, plan, assessment, first_note),
        added=tuple((int(index), int(midi)) for index, midi in assessment.added),
    )
