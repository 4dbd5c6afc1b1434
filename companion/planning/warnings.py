"""What a mark by hand asks of a hand that it can't do, a sentence each: said, not forbidden, for the mark decides."""

from __future__ import annotations

from companion.charts.model import Fingering
from companion.passage import Passage
from companion.planning.costs import Costs
from companion.planning.hands import awkward
from companion.planning.reasons import called
from companion.planning.steps import Step

__all__ = ["warnings_of"]


def warnings_of(passage: Passage, steps: list[Step], chosen: list[Fingering], costs: Costs) -> tuple[str, ...]:
    """One sentence for each change or trill beside a marked note that a hand can't do, in the order of the music.

    Changes across a rest, and tongued ones that have time, hide it and are not named. A note played twice is named
    once.
    """
    found: list[str] = []
    if all(step.mark is None for step in steps):
        return ()
    for i, step in enumerate(steps):
        if step.mark is not None and step.situation.trill is not None:
            found += _trill(passage, step, chosen[i], costs)
        if i and (step.mark or steps[i - 1].mark) and not step.rest_before and _heard(steps[i - 1], step):
            found += _change(passage, steps, chosen, i)
    return tuple(dict.fromkeys(found))


def _heard(before: Step, step: Step) -> bool:
    return step.situation.slurred_in or step.situation.fast or before.situation.fast


def _change(passage: Passage, steps: list[Step], chosen: list[Fingering], i: int) -> list[str]:
    """The change into step i, told of its marked note."""
    problem = awkward(chosen[i - 1].keys, chosen[i].keys)
    if not problem:
        return []
    if steps[i].mark is not None:
        at, other, where = i, i - 1, "before"
    else:
        at, other, where = i - 1, i, "after"
    # The note of this step that stands beside the other step.
    near, far = (steps[at].first, steps[other].last) if where == "before" else (steps[at].last, steps[other].first)
    neighbour = passage.notes[far].written
    how = "in a slur" if steps[i].situation.slurred_in else "with no time for it"
    does = f"{problem} {how}, with {neighbour} {where} it"
    return [f"{_place(passage, near, chosen[at])}: {does}{_instead(steps[at], chosen[at], chosen[other])}"]


def _instead(step: Step, this: Fingering, beside: Fingering) -> str:
    better = [f for f in step.candidates if f != this and not f.only_for and not awkward(f.keys, beside.keys)]
    return f"; {called(better[0])} would not ask for it" if better else ""


def _trill(passage: Passage, step: Step, this: Fingering, costs: Costs) -> list[str]:
    """Told where every fingering of the trill's other note is out of reach."""
    others = costs.trill_fingerings(step.situation)
    problems = [
        awkward(this.keys, other.keys) or ("" if this.keys != other.keys else "no key moves") for other in others
    ]
    written = passage.notes[step.first].trill
    if not all(problems) or written is None:
        return []
    can = [f for f in step.candidates if any(not awkward(f.keys, o.keys) and f.keys != o.keys for o in others)]
    instead = f"; {called(can[0])} can be" if can else ""
    return [f"{_place(passage, step.first, this)}: can't be trilled with {written.other}, {problems[0]}{instead}"]


def _place(passage: Passage, index: int, this: Fingering) -> str:
    note = passage.notes[index]
    return f"bar {passage.bars[note.bar].number}, {note.written} marked {called(this)}"
