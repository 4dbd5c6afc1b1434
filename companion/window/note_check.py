"""The one-note check: a known note is asked for, and what comes tells how the controller is to be read."""

from __future__ import annotations

from collections.abc import Iterable

from companion.charts.model import Chart
from companion.practice.hearing import find_shift, is_note_on
from companion.practice.model import RawEvent
from companion.practice.rehearsal import Rehearsal
from companion.practice.words import capital

__all__ = ["CHECK_NOTE_NAME", "NoteCheck"]

#: Written G on the second line: every saxophonist has it, with three fingers.
CHECK_NOTE_MIDI = 67
CHECK_NOTE_NAME = "G (second line: left hand 1 2 3, no octave key)"


class NoteCheck:
    """`asking` while the note is waited for, `answer` what was found, in words."""

    def __init__(self) -> None:
        self.asking = False
        self.answer = ""
        self._shift_before = 0

    def begin(self, rehearsal: Rehearsal, trouble: str = "") -> None:
        """Ask; `trouble` says why nothing can be heard, where that is so."""
        self.asking, self.answer = True, trouble
        self._shift_before = rehearsal.shift_semitones

    def hear(self, events: Iterable[RawEvent], rehearsal: Rehearsal, chart: Chart) -> None:
        """What came: a note that makes sense sets the rehearsal's shift at once."""
        if not self.asking:
            return
        for midi in [event.message[1] for event in events if is_note_on(event.message)]:
            shift = find_shift(CHECK_NOTE_MIDI, midi, chart.transposition, chart.title)
            self.answer = capital(shift.words) + "."
            if shift.plausible:
                rehearsal.shift_semitones = shift.semitones

    def end(self, rehearsal: Rehearsal, keep: bool) -> None:
        """Keep what was found, or leave it as it was."""
        self.asking = False
        if not keep:
            rehearsal.shift_semitones = self._shift_before
