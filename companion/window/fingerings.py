"""The fingering teacher of the music on the stand: what another fingering costs, and one that is fixed by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from companion.charts.model import Chart, Fingering
from companion.errors import CompanionError
from companion.planning import change_seconds
from companion.planning.model import Plan, RunnerUp
from companion.record.marks_edit import set_fingering
from companion.window.music import Music

__all__ = ["Cost", "cost_of", "fix"]

#: Less than this may come from neighbours that would be planned anew.
RULES_SPEAK_S = 0.04


@dataclass(frozen=True, slots=True)
class Cost:
    """What another fingering of a note costs: the seconds its changes take more, negative for less; `rules` is above 0
    where the rules of practice speak against it, below where they speak for it."""

    changes_s: float
    rules: int = 0


def cost_of(plan: Plan, chart: Chart, note_index: int, other: RunnerUp) -> Cost:
    """What a runner-up costs: its changes, and which way the rules of practice speak."""
    more_s = _changes_more_s(plan, chart, note_index, other.fingering)
    trilled = plan.choices[note_index].trill_fingering is not None
    by_rules_s = 0.0 if trilled else other.extra_s - more_s
    return Cost(other.extra_s if trilled else more_s, round(by_rules_s / RULES_SPEAK_S))


def _changes_more_s(plan: Plan, chart: Chart, note_index: int, fingering: Fingering) -> float:
    """Seconds that the changes into and out of a note take more with another fingering, its neighbours as planned;
    negative where they take less."""
    choices = plan.choices
    neighbours = [choices[i].fingering for i in (note_index - 1, note_index + 1) if 0 <= i < len(choices)]
    now = choices[note_index].fingering
    return sum(change_seconds(chart, n, fingering) - change_seconds(chart, n, now) for n in neighbours)


def fix(music: Music, note_index: int, name: str | None, planned: Callable[[dict[int, str]], Plan]) -> list[str]:
    """Fix a fingering of a note, every time it is played, plan the rest around it and keep the mark.

    Parameters
    ----------
    name
        The fingering's; None takes the mark away.
    planned
        The music as it is planned around marks (names by note).

    Returns
    -------
    list of str
        What there is to say: remarks of the plan that are new, and why the mark can't be kept, where that is so.

    Raises
    ------
    UsageError
        During a take; nothing changes then.
    """
    notes = music.passage.notes
    source = notes[note_index].source
    marks = {index: own for index, own in music.marks.items() if notes[index].source != source}
    if name is not None:
        marks |= {note.index: name for note in notes if note.source == source}
    plan = planned(marks)
    before = music.rehearsal.plan.remarks
    music.rehearsal.replan(plan)
    music.marks = marks
    music.whys = {i: why for i, why in music.whys.items() if notes[i].source != source}
    return [*(remark for remark in plan.remarks if remark not in before), *_keep(music, note_index, name)]


def _keep(music: Music, note_index: int, name: str | None) -> list[str]:
    """Write the mark beside the passage; a place that can't be written is said, and the mark holds for now."""
    if music.marks_path is None:
        return ["this passage has no file: the mark holds for this sitting"]
    try:
        set_fingering(music.marks_path, music.passage, note_index, name)
    except CompanionError as error:
        return [f"the mark holds for this sitting: {error}"]
    return []
