"""An exercise as it leaves the program: planned for the horn, and as a document with its fingering marks."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from companion.charts.model import Chart
    from companion.passage import Passage
    from companion.planning.model import Plan
    from companion.planning.rules import Rule

__all__ = ["document_of", "plan_of"]


def plan_of(passage: Passage, chart: Chart, rules: tuple[Rule, ...] | None = None) -> Plan:
    """The plan of an exercise: the fingerings that it asks for stay, the rest is planned around them.

    `rules` are the teacher's; the usual ones where none are given.
    """
    from companion.planning import RULES, all_marks, plan

    return plan(passage, chart, all_marks(passage, chart, {}), rules=RULES if rules is None else rules)


def document_of(passage: Passage, plan: Plan) -> bytes:
    """An exercise as MusicXML 4.0, with the marks of its plan over the notes."""
    from companion.planning import printed_texts
    from companion.scores import marked_musicxml

    return marked_musicxml(passage, printed_texts(passage, plan))
