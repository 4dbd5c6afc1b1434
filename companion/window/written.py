"""What is written on the page by hand: the pencil of the take that is shown, own trouble spots, the teacher's ink."""

from __future__ import annotations

from companion.practice.model import NOT_REACHED, ON_TIME
from companion.practice.rehearsal import FinishedTake
from companion.window.horn_views import HornView, slip_view, used_view
from companion.window.page import Penned
from companion.window.pencilled import SPOT, Mark
from companion.window.result import marks_of, slip_at, strip_of_take, worth_pencilling
from companion.window.run import Run
from companion.window.strip import Strip

__all__ = ["Written"]


class Written:
    """Keeps the marks of the take that was shown last."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._of_take: tuple[FinishedTake, tuple[Mark, ...], Strip] | None = None

    def _of(self, take: FinishedTake) -> tuple[tuple[Mark, ...], Strip]:
        if self._of_take is None or self._of_take[0] is not take:
            tolerances = self._run.rehearsal.tolerances
            self._of_take = take, tuple(marks_of(take, tolerances)), strip_of_take(take, tolerances)
        return self._of_take[1:]

    def marks_of_take(self, take: FinishedTake) -> list[Mark]:
        """The final word on a take."""
        return list(self._of(take)[0])

    def live_marks(self) -> list[Mark]:
        """What is certain of the take under way, of each printed note the time it was played last; once it is over,
        what of it is worth a mark."""
        rehearsal = self._run.rehearsal
        first, passage = rehearsal.section.first_note, rehearsal.passage
        live = sorted(rehearsal.live.items())
        marks = [Mark(first + i, v.kind, v.deviation_ms or 0.0) for i, v in live if not v.provisional]
        if not rehearsal.busy:
            return worth_pencilling(marks, passage)
        last = {passage.notes[mark.note_index].source: mark for mark in marks}
        return [mark for mark in last.values() if mark.kind not in (ON_TIME, NOT_REACHED)]

    def spot_marks(self) -> list[Mark]:
        """A pair of spectacles over each printed place that keeps failing."""
        music = self._run.music
        notes = music.passage.notes
        printed = {notes[spot.note_index].source: spot.note_index for spot in reversed(music.trouble.spots)}
        return [Mark(index, SPOT) for index in printed.values()]

    def strip(self, take: FinishedTake) -> Strip:
        """How far each note of a take was off."""
        return self._of(take)[1]

    def told_notes(self, take: FinishedTake) -> list[int]:
        """Notes of the whole passage that a slip led to or that were fingered otherwise, in playing order."""
        assessment, first = take.assessment, take.section.first_note
        slipped = {slip.note_index + first for slip in assessment.slips}
        return sorted(slipped | {used.note_index + first for used in assessment.fingerings if used.sentence})

    def told_view(self, take: FinishedTake, note_index: int) -> HornView | None:
        """The horn's panel for a note, where the take has something to tell of it."""
        rehearsal, first = self._run.rehearsal, take.section.first_note
        choices = rehearsal.plan.choices
        slip = slip_at(take, note_index)
        if slip is not None:
            return slip_view(slip, choices[max(0, slip.from_index + first)].keys, choices[note_index].keys)
        told = (u for u in take.assessment.fingerings if u.sentence)
        used = next((u for u in told if u.note_index + first == note_index), None)
        if used is None:
            return None
        return used_view(used, str(rehearsal.passage.notes[note_index].written), choices[note_index].keys)

    def penned(self) -> Penned:
        """What the teacher wrote on the page."""
        music = self._run.music
        choices = music.rehearsal.plan.choices
        # Another horn may lack a marked fingering.
        return Penned(tuple(sorted(i for i in music.marks if choices[i].fixed)), tuple(sorted(music.comments)))
