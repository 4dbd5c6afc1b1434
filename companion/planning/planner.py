"""Which fingering for every note: an exact shortest path.

Method
------
A path goes through one candidate fingering a step. It costs the effort of each change (a share of it across a rest),
what each rule of practice says of a fingering between its two neighbours, and four changes of every trill. As rules
look both ways, a state is a pair of fingerings, the one before and this one; the costs of the best way up to and on
from each state are computed forwards and backwards, so that the price of every other fingering is exact too.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from companion.charts.model import Chart, Fingering
from companion.errors import UsageError
from companion.passage import Passage
from companion.planning.effort import Effort, change_seconds, effort_version
from companion.planning.model import Choice, Plan, RunnerUp
from companion.planning.reasons import reason_for
from companion.planning.rules import RULES, Rule, Situation
from companion.planning.steps import REST_SHARE, Step, steps_of

__all__ = ["TRILL_CHANGES", "Costs", "costs_on", "path_seconds", "plan"]

#: A trill counts as so many changes of its pair: two turns, the least that is heard as a trill.
TRILL_CHANGES = 4

Table = tuple[tuple[float, ...], ...]
Cube = tuple[Table, ...]
_Around = tuple[Fingering | None, ...]
_ALONE: _Around = (None,)


class Costs:
    """What changes and rules cost on one instrument, remembered: a change is worked out once."""

    def __init__(self, chart: Chart, effort: Effort, rules: tuple[Rule, ...] = RULES) -> None:
        self.chart = chart
        self.rules = rules
        self._effort = effort
        self._about: dict[int, tuple[Rule, ...]] = {}
        self._changes: dict[tuple[int, frozenset[str], int, frozenset[str]], float] = {}

    def change_s(self, a: Fingering, b: Fingering) -> float:
        """Expected seconds of the change from `a` to `b`."""
        key = (a.written_midi, a.keys, b.written_midi, b.keys)
        seconds = self._changes.get(key)
        if seconds is None:
            seconds = self._changes[key] = self._effort(self.chart, a, b)
        return seconds

    def rules_about(self, written_midi: int) -> tuple[Rule, ...]:
        """The rules that speak about a note."""
        found = self._about.get(written_midi)
        if found is None:
            found = tuple(rule for rule in self.rules if not rule.notes or written_midi in rule.notes)
            self._about[written_midi] = found
        return found

    def has_rules_of_its_own(self, written_midi: int) -> bool:
        """Is there a rule about this very note?"""
        return any(rule.notes for rule in self.rules_about(written_midi))

    def rules_s(
        self, situation: Situation, before: Fingering | None, this: Fingering, after: Fingering | None
    ) -> float:
        """What the rules of practice add for `this` between its neighbours, in seconds."""
        total = 0.0
        for rule in self.rules_about(situation.note):
            total += rule.weight_s * rule.judge(situation, before, this, after)
        return total

    def trill(self, situation: Situation, this: Fingering) -> tuple[float, Fingering]:
        """The cheapest fingering for the other note of a trill on `this`, and what the trill costs in seconds."""
        assert situation.trill is not None
        there = Situation(situation.trill, situation.note, situation.note, fast=True, trill=situation.note)
        best: tuple[float, Fingering] | None = None
        for other in self.chart.for_note(situation.trill):
            if other.beside and situation.note not in other.beside:
                continue
            changes = self.change_s(this, other) + self.change_s(other, this)
            seconds = TRILL_CHANGES / 2 * changes + self.rules_s(there, this, other, this)
            if best is None or seconds < best[0]:
                best = (seconds, other)
        assert best is not None
        return best


@lru_cache(maxsize=8)
def costs_on(chart: Chart, effort: Effort = change_seconds, rules: tuple[Rule, ...] = RULES) -> Costs:
    """The costs of an instrument, shared between plans."""
    return Costs(chart, effort, rules)


def path_seconds(steps: list[Step], path: list[Fingering], costs: Costs) -> float:
    """What one way of fingering all steps costs, in seconds: the definition that `plan` minimises."""
    total = 0.0
    for i, (step, this) in enumerate(zip(steps, path, strict=True)):
        before = path[i - 1] if i and not step.rest_before else None
        after = path[i + 1] if i + 1 < len(steps) and not steps[i + 1].rest_before else None
        total += costs.rules_s(step.situation, before, this, after)
        if step.situation.trill is not None:
            total += costs.trill(step.situation, this)[0]
        if i:
            total += costs.change_s(path[i - 1], this) * (REST_SHARE if step.rest_before else 1.0)
    return total


@dataclass(frozen=True, slots=True)
class _Graph:
    """Costs between candidates: `links[i][b][c]` leads from step i to i + 1 and through the latter's trill,
    `rules[i][a][b][c]` judges step i."""

    candidates: list[_Around]
    links: list[Table]
    rules: list[Cube]


def plan(
    passage: Passage,
    chart: Chart,
    marks: Mapping[int, str] | None = None,
    tempo_bpm: float | None = None,
    effort: Effort = change_seconds,
    rules: tuple[Rule, ...] = RULES,
) -> Plan:
    """The easiest clean fingering of a passage, with reasons.

    Parameters
    ----------
    passage
        The notes, in playing order. Grace notes are planned like any other.
    chart
        The instrument.
    marks
        The teacher's fixed choices: index of the note -> name (or mark) of its fingering.
    tempo_bpm
        The tempo in quarters a minute that the passage is meant for, which tells fast notes from held ones; its own
        tempo mark by default. It is not the rung practised at: the plan stays the same while the tempo climbs.
    effort
        Expected seconds of a change, `(chart, from, to)`.
    rules
        The rules of practice to follow, with their weights.

    Returns
    -------
    Plan
        One choice a note. `total_s` is the cost of the whole way; a runner-up's `extra_s` is exact: the cheapest way
        through it less the cheapest of all.

    Raises
    ------
    NoFingering
        Notes outside the instrument's range.
    UsageError
        A mark that names no fingering of its note, or a tempo that isn't positive.
    """
    tempo = passage.marked_tempo_bpm() if tempo_bpm is None else tempo_bpm
    if not 0 < tempo < 10_000:
        raise UsageError(f"a tempo of {tempo:g} makes no sense: give quarters a minute, such as 92")
    marks = marks or {}
    steps = steps_of(passage, chart, marks, tempo)
    costs = costs_on(chart, effort, rules)
    version = _version(passage, chart, marks, tempo, effort, rules)
    if not steps:
        return Plan(chart.name, (), version)
    graph = _graph(steps, costs)
    onward = _costs_onward(graph)
    path, total_s = _cheapest(graph, onward)
    through = _costs_through(graph, onward)
    choices = _choices(passage, steps, costs, path, through, total_s)
    return Plan(chart.name, tuple(choices), version, total_s)


def _graph(steps: list[Step], costs: Costs) -> _Graph:
    """Candidates padded with nothing at both ends, so that every step has a neighbour on each side."""
    candidates: list[_Around] = [_ALONE, *(step.candidates for step in steps), _ALONE]
    return _Graph(candidates, _links(steps, candidates, costs), _rules(steps, candidates, costs))


def _links(steps: list[Step], candidates: list[_Around], costs: Costs) -> list[Table]:
    tables: dict[tuple[int, int, bool], Table] = {}
    links: list[Table] = []
    for step, here, there in zip([*steps, None], candidates, candidates[1:], strict=False):
        rest = step is not None and step.rest_before
        key = (id(here), id(there), rest)
        table = tables.get(key)
        if table is None:
            table = tables[key] = _link(here, there, REST_SHARE if rest else 1.0, costs)
        if step is not None and step.situation.trill is not None:
            trills = [costs.trill(step.situation, fingering)[0] for fingering in step.candidates]
            table = tuple(tuple(x + y for x, y in zip(row, trills, strict=True)) for row in table)
        links.append(table)
    return links


def _rules(steps: list[Step], candidates: list[_Around], costs: Costs) -> list[Cube]:
    cubes: dict[tuple[int, int, int, int], Cube] = {}
    rules: list[Cube] = [_nothing_said(1, len(candidates[1]))]
    for i, step in enumerate(steps, start=1):
        before, this, after = candidates[i - 1], step.candidates, candidates[i + 1]
        if len(this) == 1 and this[0].standard and not costs.has_rules_of_its_own(step.situation.note):
            # Nothing to choose and nothing that a rule could say.
            rules.append(_nothing_said(len(before), len(after)))
            continue
        key = (id(before), id(this), id(after), id(step.situation))
        cube = cubes.get(key)
        if cube is None:
            cube = cubes[key] = _cube(step.situation, before, this, after, costs)
        rules.append(cube)
    return rules


def _link(here: _Around, there: _Around, share: float, costs: Costs) -> Table:
    return tuple(
        tuple(costs.change_s(a, b) * share if a is not None and b is not None else 0.0 for b in there) for a in here
    )


@lru_cache(maxsize=256)
def _nothing_said(before: int, after: int) -> Cube:
    return (((0.0,) * after,),) * before


def _cube(situation: Situation, before: _Around, this: _Around, after: _Around, costs: Costs) -> Cube:
    # Beside a rest there is no neighbour for a rule, though there is a fingering.
    left = before if situation.before is not None else (None,) * len(before)
    right = after if situation.after is not None else (None,) * len(after)
    return tuple(
        tuple(tuple(costs.rules_s(situation, a, b, c) for c in right) if b is not None else () for b in this)
        for a in left
    )


def _costs_onward(graph: _Graph) -> list[list[list[float]]]:
    """`onward[i][a][b]`: the cheapest cost of all that follows once step i - 1 is fingered `a` and step i `b`."""
    last = len(graph.candidates) - 1
    onward: list[list[list[float]]] = [[] for _ in range(last + 1)]
    onward[last] = [[0.0] for _ in graph.candidates[last - 1]]
    for i in range(last - 1, 0, -1):
        after = onward[i + 1]
        if len(graph.candidates[i + 1]) == 1:
            alone = [row[0] + rest[0] for row, rest in zip(graph.links[i], after, strict=True)]
            onward[i] = [[row[0] + x for row, x in zip(plane, alone, strict=True)] for plane in graph.rules[i]]
            continue
        # What leads on from b, whatever came before it.
        ahead = [
            [x + y for x, y in zip(row, rest, strict=True)] for row, rest in zip(graph.links[i], after, strict=True)
        ]
        onward[i] = [
            [min([x + y for x, y in zip(row, on, strict=True)]) for row, on in zip(plane, ahead, strict=True)]
            for plane in graph.rules[i]
        ]
    return onward


def _cheapest(graph: _Graph, onward: list[list[list[float]]]) -> tuple[list[int], float]:
    """The cheapest path as candidate numbers, and its cost. Of equals the first candidate wins, the standard one."""
    first = [x + y for x, y in zip(graph.links[0][0], onward[1][0], strict=True)]
    total = min(first)
    before, this = 0, first.index(total)
    path = [this]
    for i in range(1, len(graph.candidates) - 2):
        on = onward[i + 1][this]
        if len(on) == 1:
            before, this = this, 0
        else:
            rule, link = graph.rules[i][before][this], graph.links[i][this]
            ahead = [x + y + z for x, y, z in zip(rule, link, on, strict=True)]
            before, this = this, ahead.index(min(ahead))
        path.append(this)
    return path, total


def _costs_through(graph: _Graph, onward: list[list[list[float]]]) -> list[list[float]]:
    """`through[i][b]`: the cost of the cheapest whole path that fingers step i (counted from 0) with candidate `b`."""
    so_far = [list(graph.links[0][0])]
    through = [[x + y for x, y in zip(so_far[0], onward[1][0], strict=True)]]
    for i in range(1, len(graph.candidates) - 2):
        rules, link, on = graph.rules[i], graph.links[i], onward[i + 1]
        if len(so_far) == 1:
            so_far = [
                [spent + x + y for x, y in zip(row, leads, strict=True)]
                for spent, row, leads in zip(so_far[0], rules[0], link, strict=True)
            ]
        else:
            befores = range(len(so_far))
            so_far = [
                [min([so_far[a][b] + rules[a][b][c] for a in befores]) + x for c, x in enumerate(leads)]
                for b, leads in enumerate(link)
            ]
        if len(so_far) == 1:
            through.append([x + y for x, y in zip(so_far[0], on[0], strict=True)])
        else:
            through.append(
                [min([row[c] + rest[c] for row, rest in zip(so_far, on, strict=True)]) for c in range(len(on[0]))]
            )
    return through


def _choices(
    passage: Passage, steps: list[Step], costs: Costs, path: list[int], through: list[list[float]], total_s: float
) -> list[Choice]:
    choices: list[Choice] = []
    chosen = [step.candidates[b] for step, b in zip(steps, path, strict=True)]
    for i, step in enumerate(steps):
        this = chosen[i]
        before = chosen[i - 1] if i and not step.rest_before else None
        after = chosen[i + 1] if i + 1 < len(steps) and not steps[i + 1].rest_before else None
        others = _runners_up(step, path[i], through[i], total_s)
        trill = costs.trill(step.situation, this)[1] if step.situation.trill is not None else None
        reason = reason_for(passage, step, before, this, after, others, trill)
        change_s = costs.change_s(chosen[i - 1], this) if i else 0.0
        choices.append(Choice(step.first, this, reason, change_s, others, trill, step.fixed))
        for index in range(step.first + 1, step.last + 1):
            choices.append(Choice(index, this, reason, 0.0, others, None, step.fixed))
    return choices


def _runners_up(step: Step, chosen: int, through: list[float], total_s: float) -> tuple[RunnerUp, ...]:
    if len(through) == 1:
        return ()
    others = [
        RunnerUp(fingering, max(0.0, through[b] - total_s))
        for b, fingering in enumerate(step.candidates)
        if b != chosen
    ]
    return tuple(sorted(others, key=lambda other: other.extra_s))


def _version(
    passage: Passage,
    chart: Chart,
    marks: Mapping[int, str],
    tempo_bpm: float,
    effort: Effort,
    rules: tuple[Rule, ...],
) -> str:
    """A short hash of all that the plan depends on."""
    weights = [(rule.name, rule.weight_s) for rule in rules]
    how = effort_version() if effort is change_seconds else (effort.__module__, getattr(effort, "__qualname__", ""))
    notes = [
        (n.written_midi, float(n.start), float(n.length), n.trill and n.trill.other.midi, n.tongued)
        for n in passage.notes
    ]
    tempos = [(float(mark.start), mark.quarter_bpm) for mark in passage.tempos]
    text = repr((chart.name, chart.version, weights, how, notes, tempos, sorted(marks.items()), tempo_bpm))
    return hashlib.sha256(text.encode()).hexdigest()[:12]
