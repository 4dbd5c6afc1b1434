"""What the page shows of a finished take: pencil marks and the strip, as data with indices of the whole passage."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from companion.practice.model import (
    ADDED,
    EARLY,
    LATE,
    LEFT_OUT,
    NOT_REACHED,
    NOT_SLURRED,
    NOT_TONGUED,
    ON_TIME,
    TOO_LONG,
    TOO_SHORT,
    WRONG_NOTE,
    Articulated,
    Slip,
    Tolerances,
)
from companion.practice.rehearsal import FinishedTake
from companion.practice.tolerance import on_time_limits_s
from companion.units import ms_from_s
from companion.window.pencilled import CUT, LONGER, SHORTER, SLIP, SLUR, USED, Mark, staff_steps
from companion.window.strip import Strip, StripNote, strip_of

__all__ = ["marks_of", "slip_at", "strip_of_take", "worth_pencilling"]

ARROWS_A_BAR = 4
#: So many marks of articulation a bar: a page full of them tells nothing.
TICKS_A_BAR = 6
_TICKS = {NOT_SLURRED: SLUR, NOT_TONGUED: CUT, TOO_LONG: SHORTER, TOO_SHORT: LONGER}


def marks_of(take: FinishedTake) -> list[Mark]:
    """All that is pencilled on the page after a take."""
    first, assessment = take.section.first_note, take.assessment
    notes = take.section.passage.notes
    verdicts = [Mark(r.note_index, r.verdict, r.deviation_ms or 0.0) for r in assessment.notes]
    marks = worth_pencilling(verdicts, lambda index: notes[index].bar)
    slipped = {(slip.note_index, slip.heard_midi) for slip in assessment.slips}
    # A slip has a mark of its own.
    added = [(max(0, near), midi) for near, midi in assessment.added]
    marks += [Mark(near, ADDED) for near, midi in added if not _is_slip(near, midi, slipped)]
    marks += _ticks(take)
    marks += [_slip_mark(take, slip) for slip in assessment.slips]
    marks += [Mark(used.note_index, USED, text=used.name or "?") for used in assessment.fingerings]
    return [_moved(mark, first) for mark in marks if mark.kind not in (ON_TIME, NOT_REACHED)]


def _is_slip(near: int, midi: int, slipped: set[tuple[int, int]]) -> bool:
    return any((near + by, midi) in slipped for by in (-1, 0, 1))


def _moved(mark: Mark, by: int) -> Mark:
    before = mark.from_index + by if mark.from_index >= 0 else -1
    return Mark(mark.note_index + by, mark.kind, mark.amount_ms, before, mark.steps, mark.text)


def worth_pencilling(marks: Iterable[Mark], bar_of: Callable[[int], int]) -> list[Mark]:
    """All wrong and left-out notes, and the worst of the early and late ones of each bar: a page of arrows tells
    nothing."""
    timed: dict[int, list[Mark]] = {}
    kept = []
    for mark in marks:
        if mark.kind in (EARLY, LATE):
            timed.setdefault(bar_of(mark.note_index), []).append(mark)
        else:
            kept.append(mark)
    for in_bar in timed.values():
        kept += sorted(in_bar, key=lambda mark: -abs(mark.amount_ms))[:ARROWS_A_BAR]
    return kept


def _ticks(take: FinishedTake) -> list[Mark]:
    """What of the articulation differs from the score, the surest of each bar."""
    notes = take.section.passage.notes
    by_bar: dict[int, list[tuple[float, Mark]]] = {}
    for one in take.assessment.articulation:
        for verdict in one.verdicts:
            if verdict in _TICKS and one.note_index < len(notes):
                mark = Mark(one.note_index, _TICKS[verdict], from_index=_note_before(take, one))
                by_bar.setdefault(notes[one.note_index].bar, []).append((one.probability, mark))
    chosen = [sorted(in_bar, key=lambda pair: -pair[0])[:TICKS_A_BAR] for in_bar in by_bar.values()]
    return [mark for in_bar in chosen for _, mark in in_bar]


def _note_before(take: FinishedTake, one: Articulated) -> int:
    return one.note_index - 1 if one.note_index > 0 else -1


def _slip_mark(take: FinishedTake, slip: Slip) -> Mark:
    passage = take.section.passage
    note = passage.notes[slip.note_index]
    steps = staff_steps(note.written_midi, slip.heard_midi, passage.bars[note.bar].fifths)
    return Mark(slip.note_index, SLIP, from_index=slip.from_index, steps=steps)


def slip_at(take: FinishedTake, note_index: int) -> Slip | None:
    """The slip on the way to a note of the whole passage; None where nothing slipped."""
    own = note_index - take.section.first_note
    return next((slip for slip in take.assessment.slips if slip.note_index == own), None)


def strip_of_take(take: FinishedTake, tolerances: Tolerances) -> Strip:
    """How far every note was off."""
    section = take.section
    early_s, late_s = on_time_limits_s(section.passage, take.tempo_bpm, tolerances)
    notes = []
    for result in take.assessment.notes:
        if result.verdict == NOT_REACHED:
            continue
        off_ms = None if result.verdict in (WRONG_NOTE, LEFT_OUT) else result.deviation_ms
        index = result.note_index
        limits_ms = ms_from_s(float(early_s[index])), ms_from_s(float(late_s[index]))
        notes.append(StripNote(section.first_note + index, off_ms, *limits_ms))
    return strip_of(notes)
