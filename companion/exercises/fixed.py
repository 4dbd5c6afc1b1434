"""Planned fingerings kept in an exercise: a mark over the note where its own neighbours would choose another.

A note that is taken out of its place has other neighbours, and the planner might finger it otherwise; what is practised
would then be another change. So the fingerings of the music are fixed. Alternates are marked always, as in the music;
the usual fingering has no mark of its own and is named only where the planner would leave it.
"""

from __future__ import annotations

from dataclasses import replace

from companion.charts.model import Chart, Fingering
from companion.exercises.build import finished
from companion.passage import Passage
from companion.planning import RULES, Rule, all_marks, plan

__all__ = ["USUAL", "fixing_mark", "with_needed_marks"]

#: What stands over a note whose usual fingering is asked for.
USUAL = "standard"


def fixing_mark(fingering: Fingering, chart: Chart) -> str:
    """The text over a note that fixes this fingering: its mark on the page (`1+2`), else its name; empty where the note
    has no other, or where the horn has nothing of that name."""
    if len(chart.for_note(fingering.written_midi)) == 1:
        return ""
    for text in (fingering.mark, fingering.name):
        if chart.called(fingering.written_midi, text)[:1] == (fingering,):
            return text
    return ""


def with_needed_marks(passage: Passage, chart: Chart, rules: tuple[Rule, ...] = RULES) -> Passage:
    """The passage with `standard` over no more notes than needed: where without it the planner would choose another
    by these rules, which are those of the music's plan.

    Every time a printed note is played it has the same mark.
    """
    sources = {note.source for note in passage.notes if note.fingering_mark == USUAL}
    needed: set[int] = set()
    while True:
        made = _with_usual(passage, sources, needed)
        choices = plan(made, chart, all_marks(made, chart, {}), rules=rules).choices
        others = {
            note.source
            for note, choice in zip(made.notes, choices, strict=True)
            if note.source in sources and not choice.fingering.standard
        }
        if others <= needed:
            return finished(made, chart)
        needed |= others


def _with_usual(passage: Passage, sources: set[int], needed: set[int]) -> Passage:
    notes = (
        replace(note, fingering_mark=USUAL if note.source in needed else "") if note.source in sources else note
        for note in passage.notes
    )
    return replace(passage, notes=tuple(notes))
