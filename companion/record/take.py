"""What the stand knows after a take, put together as a record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from companion.charts.model import Chart
from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.clock import note_onsets_s
from companion.practice.model import WRONG_NOTE, Articulated, Assessment, RawEvent, Tolerances
from companion.record.model import NoteRecord, SlipRecord, TakeRecord, TrillRecord, UsedRecord, normal_bars
from companion.units import ms_from_s

if TYPE_CHECKING:
    from companion.practice.rehearsal import FinishedTake

__all__ = ["finished_take_record", "note_records", "take_record"]


def note_records(passage: Passage, plan: Plan, assessment: Assessment, first_note: int = 0) -> tuple[NoteRecord, ...]:
    """One record a score note, in the order of `Passage.notes`. `passage` may be an excerpt of what `plan` is for,
    whose first note is number `first_note` there."""
    choices = {choice.note_index - first_note: choice for choice in plan.choices}
    articulated = {entry.note_index: entry for entry in assessment.articulation}
    available_ms, went_back = _available_ms(passage, assessment.tempo_bpm), _went_back(passage, assessment)
    records = []
    for result in assessment.notes:
        index = result.note_index
        note, choice = passage.notes[index], choices.get(index)
        how = articulated.get(index, Articulated(index))
        records.append(
            NoteRecord(
                bar=passage.bars[note.bar].number,
                beat=str(note.count),
                written_midi=note.written_midi,
                fingering=choice.name if choice else "",
                keys=tuple(sorted(choice.keys)) if choice else (),
                verdict=result.verdict,
                deviation_ms=_rounded(result.deviation_ms),
                played_midi=None if result.played_midi is None else int(result.played_midi),
                available_ms=available_ms[index],
                went_back=went_back[index],
                begun=how.played,
                held_share=_rounded(how.held_share),
                articulation=how.verdicts,
                misread=result.misread,
            )
        )
    return tuple(records)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(float(value), 3)


def _available_ms(passage: Passage, tempo_bpm: float) -> list[float | None]:
    """By the click from the note before to each note; None before the first one and around grace notes, which have no
    time of their own."""
    onsets_s = note_onsets_s(passage, tempo_bpm).tolist()
    found: list[float | None] = [None] * len(onsets_s)
    for i in range(1, len(onsets_s)):
        gap_s = onsets_s[i] - onsets_s[i - 1]
        if gap_s > 0 and not passage.notes[i].grace and not passage.notes[i - 1].grace:
            found[i] = round(ms_from_s(gap_s), 3)
    return found


def _went_back(passage: Passage, assessment: Assessment) -> list[int]:
    """How often the player went back to an earlier note (or to the same one) instead of reaching each note. Who goes
    back after a wrong note failed at that one; after a right one, at the next."""
    found = [0] * len(passage.notes)
    wrong = {result.note_index for result in assessment.notes if result.verdict == WRONG_NOTE}
    at = -1
    for note in (note for note in assessment.realised if note >= 0):
        again = note == at and not (passage.notes[note].trill or passage.notes[note].ornaments)
        if note < at or again:
            found[at if at in wrong else min(at + 1, len(found) - 1)] += 1
        at = note
    return found


def _slips(assessment: Assessment) -> tuple[SlipRecord, ...]:
    return tuple(
        SlipRecord(
            s.note_index, s.from_index, int(s.heard_midi), round(float(s.life_ms), 3),
            s.early, s.late, _rounded(s.by_ms),
        )
        for s in assessment.slips
    )  # fmt: skip


def _trills(passage: Passage, plan: Plan, assessment: Assessment, first_note: int) -> tuple[TrillRecord, ...]:
    others = {choice.note_index - first_note: choice.trill_fingering for choice in plan.choices}
    found = []
    for timing in assessment.trills:
        trill, other = passage.notes[timing.note_index].trill, others.get(timing.note_index)
        if trill is not None:
            keys = tuple(sorted(other.keys)) if other else ()
            of_note = timing.note_index, trill.other.midi, keys
            evenness = round(float(timing.main_longer_ms), 3), round(float(timing.spread_ms), 3)
            found.append(TrillRecord(*of_note, round(float(timing.notes_per_s), 3), *evenness))
    return tuple(found)


def _used(plan: Plan, assessment: Assessment, first_note: int) -> tuple[UsedRecord, ...]:
    planned = {choice.note_index - first_note: choice.keys for choice in plan.choices}
    return tuple(
        UsedRecord(used.note_index, tuple(sorted(used.keys)), used.name)
        for used in assessment.fingerings
        if used.keys != planned.get(used.note_index)
    )


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
        # In which note its sentences tell tempos is no number of the ladder: the record has quarters throughout.
        ladder={name: number for name, number in asdict(take.ladder_before).items() if name != "counted"},
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
    performance: bool = False,
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
    performance
        As in `TakeRecord`.
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
        performance=performance,
        trouble_bars=tuple(dict.fromkeys(passage.bars[index].number for index in assessment.trouble_bars)),
        since_run_ns=take_ns - run_ns,
        duration_ns=end_ns - take_ns,
        start_ns=beat_0_ns - take_ns,
        events=tuple(RawEvent(event.time_ns - take_ns, event.message) for event in events),
        notes=note_records(passage, plan, assessment, first_note),
        added=tuple((int(index), int(midi)) for index, midi in assessment.added),
        comment=assessment.comment,
        octave_shift_semitones=assessment.octave_shift,
        realised=tuple(int(note) for note in assessment.realised),
        slips=_slips(assessment),
        trills=_trills(passage, plan, assessment, first_note),
        used=_used(plan, assessment, first_note),
    )
