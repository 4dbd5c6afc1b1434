"""What the page shows of a finished take: pencil marks and the strip, as data with indices of the whole passage."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from companion.passage import Passage
from companion.practice.clock import note_onsets_s
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
from companion.practice.own_beat import own_beat_s
from companion.practice.reading import made_good
from companion.practice.rehearsal import FinishedTake
from companion.practice.tolerance import on_time_limits_s
from companion.units import ms_from_s, s_from_ms
from companion.window.pencilled import CUT, LONGER, SHORTER, SLIP, SLUR, USED, Mark, staff_steps
from companion.window.strip import Strip, StripNote, strip_of

__all__ = ["marks_of", "slip_at", "strip_of_take", "timing_of", "worth_pencilling"]

#: The strip tells the rest.
ARROWS_A_BAR = 2
#: So many marks of articulation a bar: a page full of them tells nothing.
TICKS_A_BAR = 6
_TICKS = {NOT_SLURRED: SLUR, NOT_TONGUED: CUT, TOO_LONG: SHORTER, TOO_SHORT: LONGER}


def marks_of(take: FinishedTake, tolerances: Tolerances | None = None) -> list[Mark]:
    """All that is pencilled on the page after a take."""
    first, assessment = take.section.first_note, take.assessment
    marks = _verdicts(take, timing_of(take, tolerances or Tolerances()))
    slipped = {(slip.note_index, slip.heard_midi) for slip in assessment.slips}
    # A slip has a mark of its own.
    added = [(max(0, near), midi) for near, midi in assessment.added]
    marks += [Mark(near, ADDED) for near, midi in added if not _is_slip(near, midi, slipped)]
    marks += _ticks(take)
    marks += [_slip_mark(take, slip) for slip in assessment.slips]
    # A controller that knows its keys tells them for every note: only what was not as planned is pencilled.
    marks += [Mark(used.note_index, USED, text=used.name or "?") for used in assessment.fingerings if used.sentence]
    return [_moved(mark, first) for mark in worth_pencilling(marks, take.section.passage)]


def _verdicts(take: FinishedTake, timing: tuple[StripNote, ...]) -> list[Mark]:
    """A mark a note. Where the player had left the click, the first note says so, and after it only what is off the
    player's own beat."""
    of_note = {note.note_index - take.section.first_note: note for note in timing}
    marks = []
    following = False
    for result in take.assessment.notes:
        note = of_note.get(result.note_index)
        off_ms = result.deviation_ms or 0.0
        kind = result.verdict
        if note is not None and note.own_beat and kind in (EARLY, LATE) and following:
            off_ms = note.deviation_ms or 0.0
            kind = EARLY if -off_ms > note.early_ms else LATE if off_ms > note.late_ms else ON_TIME
        elif note is not None and note.deviation_ms is None and kind in (EARLY, LATE):
            # Made good by going back: the time of that is not the note's.
            kind = ON_TIME
        if note is not None and note.deviation_ms is not None:
            following = note.own_beat
        marks.append(Mark(result.note_index, kind, off_ms))
    return marks


def _is_slip(near: int, midi: int, slipped: set[tuple[int, int]]) -> bool:
    return any((near + by, midi) in slipped for by in (-1, 0, 1))


def _moved(mark: Mark, by: int) -> Mark:
    before = mark.from_index + by if mark.from_index >= 0 else -1
    return replace(mark, note_index=mark.note_index + by, from_index=before)


def worth_pencilling(marks: Iterable[Mark], passage: Passage) -> list[Mark]:
    """One mark for each printed note and kind, however often it was played, and the worst of the early and late ones of
    each printed bar: a page of arrows tells nothing. `marks` are as played, by the notes of `passage`."""
    together: dict[tuple[object, ...], list[Mark]] = {}
    for mark in marks:
        if mark.kind not in (ON_TIME, NOT_REACHED):
            together.setdefault(_printed(mark, passage), []).append(mark)
    kept = [_as_one(each) for each in together.values() if each[0].kind not in (EARLY, LATE)]
    timed: dict[int, list[list[Mark]]] = {}
    for each in together.values():
        if each[0].kind in (EARLY, LATE):
            written_bar = passage.bars[passage.notes[each[0].note_index].bar].written_index
            timed.setdefault(written_bar, []).append(each)
    for in_bar in timed.values():
        # What keeps happening before what happened once.
        worst = sorted(in_bar, key=lambda each: -sum(abs(mark.amount_ms) for mark in each))
        kept += [_as_one(each) for each in worst[:ARROWS_A_BAR]]
    return kept


def _printed(mark: Mark, passage: Passage) -> tuple[object, ...]:
    """The same for marks that would lie on each other."""
    before = passage.notes[mark.from_index].source if mark.from_index >= 0 else -1
    return passage.notes[mark.note_index].source, mark.kind, before, mark.steps, mark.text


def _as_one(marks: list[Mark]) -> Mark:
    """The last of them, as far off as they are on the average."""
    mean_ms = sum(mark.amount_ms for mark in marks) / len(marks)
    return replace(marks[-1], amount_ms=mean_ms, times=len(marks))


def _ticks(take: FinishedTake) -> list[Mark]:
    """What of the articulation differs from the score, the surest of each printed bar; what differed more than once is
    the surer for it."""
    passage = take.section.passage
    by_bar: dict[int, dict[tuple[int, str], list[tuple[float, Mark]]]] = {}
    for one in take.assessment.articulation:
        for verdict in one.verdicts:
            if verdict in _TICKS and one.note_index < len(passage.notes):
                note = passage.notes[one.note_index]
                mark = Mark(one.note_index, _TICKS[verdict], from_index=_note_before(take, one))
                in_bar = by_bar.setdefault(passage.bars[note.bar].written_index, {})
                in_bar.setdefault((note.source, mark.kind), []).append((one.probability, mark))
    marks = []
    for in_bar in by_bar.values():
        surest = sorted(in_bar.values(), key=lambda each: -sum(probability for probability, _ in each))
        marks += [mark for each in surest[:TICKS_A_BAR] for _, mark in each]
    return marks


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


def timing_of(take: FinishedTake, tolerances: Tolerances) -> tuple[StripNote, ...]:
    """How far every note that was reached was off the click, or off the player's own beat where the click was left.

    Someone who went back or hesitates is seconds behind from then on, which says nothing of the notes there.
    """
    section = take.section
    due_s = note_onsets_s(section.passage, take.tempo_bpm)
    early_s, late_s = on_time_limits_s(section.passage, take.tempo_bpm, tolerances)
    timed = [r for r in take.assessment.notes if r.deviation_ms is not None and r.verdict not in (WRONG_NOTE, LEFT_OUT)]
    later = made_good(np.array(take.assessment.realised, dtype=np.int64), len(section.passage.notes))
    off_ms = {r.note_index: float(r.deviation_ms or 0.0) for r in timed if not later[r.note_index]}
    own_s = own_beat_s(np.array([due_s[i] for i in off_ms]), s_from_ms(1.0) * np.array(list(off_ms.values())))
    beat_ms = {i: ms_from_s(float(own)) for i, own in zip(off_ms, own_s, strict=True)}
    notes = []
    for result in take.assessment.notes:
        if result.verdict == NOT_REACHED:
            continue
        i = result.note_index
        limits_ms = ms_from_s(float(early_s[i])), ms_from_s(float(late_s[i]))
        off = off_ms[i] - beat_ms[i] if i in off_ms else None
        notes.append(StripNote(section.first_note + i, off, *limits_ms, own_beat=beat_ms.get(i, 0.0) != 0.0))
    return tuple(notes)


def strip_of_take(take: FinishedTake, tolerances: Tolerances) -> Strip:
    """The strip of a take."""
    return strip_of(timing_of(take, tolerances))
