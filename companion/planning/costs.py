"""What changes and rules cost on one instrument: the sum that the planner makes as small as it can."""

from __future__ import annotations

from collections.abc import Sequence

from companion.charts.model import Chart, Fingering
from companion.planning.effort import Effort, change_seconds
from companion.planning.rules import RULES, Rule, Situation
from companion.planning.steps import Step

__all__ = ["TRILL_CHANGES", "Costs", "costs_on", "path_seconds"]

#: A trill counts as so many changes of its pair: two turns, the least that is heard as a trill.
TRILL_CHANGES = 4
MOST_KEPT = 8


class Costs:
    """What changes and rules cost on one instrument, remembered: a change is worked out once."""

    def __init__(self, chart: Chart, effort: Effort, rules: tuple[Rule, ...] = RULES) -> None:
        self.chart = chart
        self.rules = rules
        self._effort = effort
        self._about: dict[tuple[int, bool], tuple[Rule, ...]] = {}
        # By identity, the fingerings kept with it so that none of them makes room for another.
        self._changes: dict[tuple[int, int], tuple[float, Fingering, Fingering]] = {}
        self._trills: dict[tuple[int, int | None, frozenset[str]], tuple[float, Fingering]] = {}

    def change_s(self, a: Fingering, b: Fingering) -> float:
        """Expected seconds of the change from `a` to `b`."""
        known = self._changes.get((id(a), id(b)))
        if known is None:
            known = self._changes[id(a), id(b)] = (self._effort(self.chart, a, b), a, b)
        return known[0]

    def rules_about(self, situation: Situation) -> tuple[Rule, ...]:
        """The rules that speak about a note there."""
        key = (situation.note, situation.trill is not None)
        found = self._about.get(key)
        if found is None:
            note, trilled = key
            found = tuple(r for r in self.rules if (not r.notes or note in r.notes) and (trilled or not r.trills))
            self._about[key] = found
        return found

    def has_rules_of_its_own(self, situation: Situation) -> bool:
        """Is there a rule about this very note?"""
        return any(rule.notes for rule in self.rules_about(situation))

    def rules_s(
        self, situation: Situation, before: Fingering | None, this: Fingering, after: Fingering | None
    ) -> float:
        """What the rules of practice add for `this` between its neighbours, in seconds."""
        total = 0.0
        for rule in self.rules_about(situation):
            if broken := rule.judge(situation, before, this, after):
                total += rule.weight_s * broken
        return total

    def rule_between(
        self,
        situation: Situation,
        mine: tuple[Fingering | None, Fingering, Fingering | None],
        instead: tuple[Fingering | None, Fingering, Fingering | None],
    ) -> tuple[float, str]:
        """The rule that speaks most for the one way of fingering a note and its neighbours against the other, and by
        how many seconds."""
        name, most_s = "", 0.0
        for rule in self.rules_about(situation):
            gain_s = rule.weight_s * (rule.judge(situation, *instead) - rule.judge(situation, *mine))
            if gain_s > most_s:
                name, most_s = rule.name, gain_s
        return most_s, name

    def trill(self, situation: Situation, this: Fingering) -> tuple[float, Fingering]:
        """The cheapest fingering for the other note of a trill on `this`, and what the trill costs in seconds."""
        key = (situation.note, situation.trill, this.keys)
        best = self._trills.get(key)
        if best is None:
            best = self._trills[key] = self._best_trill(situation, this)
        return best

    def trill_fingerings(self, situation: Situation) -> list[Fingering]:
        """The fingerings worth having for the other note of a trill."""
        assert situation.trill is not None
        return [f for f in self.chart.for_note(situation.trill) if not f.beside or situation.note in f.beside]

    def _best_trill(self, situation: Situation, this: Fingering) -> tuple[float, Fingering]:
        assert situation.trill is not None
        there = Situation(
            situation.trill,
            situation.note,
            situation.note,
            situation.note,
            fast=True,
            slurred_in=True,
            slurred_out=True,
        )
        best: tuple[float, Fingering] | None = None
        for other in self.trill_fingerings(situation):
            changes = self.change_s(this, other) + self.change_s(other, this)
            seconds = TRILL_CHANGES / 2 * changes + self.rules_s(there, this, other, this)
            if best is None or seconds < best[0]:
                best = (seconds, other)
        assert best is not None
        return best


_kept: list[tuple[Chart, Effort, tuple[Rule, ...], Costs]] = []


def costs_on(chart: Chart, effort: Effort = change_seconds, rules: tuple[Rule, ...] = RULES) -> Costs:
    """The costs of an instrument, shared between plans."""
    # By identity: an effort need not be hashable, and hashing a whole chart takes longer than the look-up.
    for kept_chart, kept_effort, kept_rules, costs in _kept:
        if kept_chart is chart and kept_effort is effort and kept_rules is rules:
            return costs
    if len(_kept) >= MOST_KEPT:
        del _kept[0]
    costs = Costs(chart, effort, rules)
    _kept.append((chart, effort, rules, costs))
    return costs


def path_seconds(steps: Sequence[Step], path: Sequence[Fingering], costs: Costs) -> float:
    """What one way of fingering all steps costs, in seconds: the definition that `plan` minimises."""
    total = 0.0
    for i, (step, this) in enumerate(zip(steps, path, strict=True)):
        before = path[i - 1] if i and not step.rest_before else None
        after = path[i + 1] if i + 1 < len(steps) and not steps[i + 1].rest_before else None
        total += costs.rules_s(step.situation, before, this, after)
        if step.situation.trill is not None:
            total += costs.trill(step.situation, this)[0]
        if i:
            total += costs.change_s(path[i - 1], this) * step.share
    return total
