"""Which fingering for every note: an exact shortest path.

Method
------
A path goes through one candidate fingering a step. It costs the effort of each change (a share of it where there is
time, a tongue or a rest), what each rule of practice says of a fingering between its two neighbours, and four changes
of every trill, whose other note has the fingering that is cheapest with this one. `graph` finds the cheapest.
"""

from __future__ import annotations

import gc
import hashlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

from companion.charts.model import Chart, Fingering
from companion.errors import UsageError
from companion.passage import Passage
from companion.planning.costs import Costs, costs_on, path_seconds
from companion.planning.effort import Effort, change_seconds, effort_version
from companion.planning.graph import MARK_S, Graph, cheapest, costs_onward, costs_through, graph_of
from companion.planning.model import Choice, Plan, RunnerUp
from companion.planning.reasons import NOTHING_ELSE, Why, reason_for
from companion.planning.rules import RULES, Rule
from companion.planning.steps import Beats, Step, beats_of, steps_of
from companion.planning.warnings import warnings_of

__all__ = ["Costs", "costs_on", "path_seconds", "plan"]


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
        What is to be played.
    chart
        On which instrument.
    marks
        Note index -> name of a fingering that is fixed; the rest is planned around it.
    tempo_bpm
        Quarters a minute that the passage is meant to reach, for what only a fast note may have: the first printed
        tempo mark by default. It is not the rung practised at: the plan stays the same while the tempo climbs.
    effort
        Expected seconds of a change, `(chart, from, to)`.
    rules
        The rules of practice to follow, with their weights.

    Returns
    -------
    Plan
        One choice a note. `total_s` is the cost of the whole way; a runner-up's `extra_s` is exact: the cheapest way
        through it less the cheapest of all. `remarks` warn of marks that ask for what a hand can't do.

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
    with _collector_at_rest():
        return _planned(passage, chart, marks or {}, tempo, effort, rules)


@contextmanager
def _collector_at_rest() -> Iterator[None]:
    """A plan makes a hundred thousand objects that stay and none that point in a circle: looking for such would take a
    tenth of its time."""
    was_at_work = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_at_work:
            gc.enable()


def _planned(
    passage: Passage, chart: Chart, marks: Mapping[int, str], tempo: float, effort: Effort, rules: tuple[Rule, ...]
) -> Plan:
    beats = beats_of(passage)
    steps = steps_of(passage, chart, marks, tempo, beats)
    costs = costs_on(chart, effort, rules)
    version = _version(passage, beats, chart, marks, tempo, effort, rules)
    if not steps:
        return Plan(chart.name, (), version, rules=rules)
    graph = graph_of(steps, costs)
    onward = costs_onward(graph)
    path, total_s = cheapest(graph, onward)
    through = costs_through(graph, onward)
    chosen = [step.candidates[b] for step, b in zip(steps, path, strict=True)]
    choices = _choices(passage, steps, costs, graph, path, through, total_s)
    return Plan(chart.name, tuple(choices), version, total_s, warnings_of(passage, steps, chosen, costs), rules)


@dataclass(frozen=True, slots=True)
class _Chosen:
    """All that the choices are told from."""

    passage: Passage
    steps: list[Step]
    costs: Costs
    graph: Graph
    path: list[int]


def _choices(
    passage: Passage,
    steps: list[Step],
    costs: Costs,
    graph: Graph,
    path: list[int],
    through: list[list[float]],
    total_s: float,
) -> list[Choice]:
    way = _Chosen(passage, steps, costs, graph, path)
    choices: list[Choice] = []
    came_from: Fingering | None = None
    last = len(steps) - 1
    for i, step in enumerate(steps):
        this = step.candidates[path[i]]
        before = None if step.rest_before else came_from
        goes_on = i < last and not steps[i + 1].rest_before
        after = steps[i + 1].candidates[path[i + 1]] if goes_on else None
        alone = len(step.candidates) == 1
        others = () if alone else _runners_up(step, path[i], through[i], total_s)
        trill = costs.trill(step.situation, this)[1] if step.situation.trill is not None else None
        why = NOTHING_ELSE if alone else _why(way, i, before, this, after)
        reason = reason_for(passage, step, before, this, after, others, trill, why)
        change_s = costs.change_s(came_from, this) if came_from is not None else 0.0
        fixed = step.mark is not None
        choices.append(Choice(step.first, this, reason, change_s, others, trill, fixed, why.rule, why.saved_s))
        for index in range(step.first + 1, step.last + 1):
            choices.append(Choice(index, this, reason, 0.0, others, None, fixed, why.rule, why.saved_s))
        came_from = this
    return choices


def _runners_up(step: Step, chosen: int, through: list[float], total_s: float) -> tuple[RunnerUp, ...]:
    broken_s = total_s + MARK_S
    others = [
        RunnerUp(fingering, through[b] - broken_s if step.mark else max(0.0, through[b] - total_s))
        for b, fingering in enumerate(step.candidates)
        if b != chosen
    ]
    others.sort(key=lambda other: other.extra_s)
    return tuple(others)


def _why(way: _Chosen, i: int, before: Fingering | None, this: Fingering, after: Fingering | None) -> Why:
    """What decided against the next best fingering for step i, the rest of the way staying as it is."""
    step, chosen, costs = way.steps[i], way.path[i], way.costs
    eases, ruled = _around(way, i)
    rival, least_s = -1, 0.0
    for b, (ease, rule_s) in enumerate(zip(eases, ruled, strict=True)):
        if b != chosen and (rival < 0 or ease + rule_s < least_s):
            rival, least_s = b, ease + rule_s
    other = step.candidates[rival]
    saved_s = 0.0
    if before is not None:
        saved_s += costs.change_s(before, other) - costs.change_s(before, this)
    if after is not None:
        saved_s += costs.change_s(other, after) - costs.change_s(this, after)
    if before is not None and after is not None:
        saved_s /= 2
    by_rules_s = ruled[rival] - ruled[chosen]
    if step.mark is not None or by_rules_s <= max(0.0, eases[rival] - eases[chosen]):
        return Why("", saved_s, other)
    most_s, rule = costs.rule_between(step.situation, (before, this, after), (before, other, after))
    if most_s < by_rules_s / 2:
        rule = max((most_s, rule), *_of_neighbours(way, i, this, other))[1]
    return Why(rule, saved_s, other)


def _around(way: _Chosen, i: int) -> tuple[list[float], list[float]]:
    """For each candidate of step i between its neighbours as chosen: the effort, and what the rules add there."""
    path, graph, last = way.path, way.graph, len(way.path) - 1
    # Steps count from 1 in the graph, and the nothing at both ends is candidate 0.
    at, here = i + 1, range(len(way.steps[i].candidates))
    a = path[i - 1] if i else 0
    c = path[i + 1] if i < last else 0
    into, out_of, own = graph.links[i][a], graph.links[at], graph.rules[at][a]
    eases = [into[b] + out_of[b][c] for b in here]
    if way.steps[i].mark is not None:
        eases = [x - MARK_S if x >= MARK_S else x for x in eases]
    if not i and not last:
        return eases, [own[b][c] for b in here]
    if not i:
        onward, d = graph.rules[at + 1], path[i + 2] if i + 1 < last else 0
        return eases, [own[b][c] + onward[b][c][d] for b in here]
    back = graph.rules[i][path[i - 2] if i > 1 else 0][a]
    if i == last:
        return eases, [own[b][c] + back[b] for b in here]
    onward, d = graph.rules[at + 1], path[i + 2] if i + 1 < last else 0
    return eases, [own[b][c] + back[b] + onward[b][c][d] for b in here]


def _of_neighbours(way: _Chosen, i: int, this: Fingering, other: Fingering) -> list[tuple[float, str]]:
    """The rule about either neighbour of step i that speaks most for `this` against `other`, and by how much."""
    return [
        way.costs.rule_between(way.steps[at].situation, _three(way, at, i, this), _three(way, at, i, other))
        for at in (i - 1, i + 1)
        if 0 <= at < len(way.steps)
    ]


def _three(way: _Chosen, at: int, i: int, fingering: Fingering) -> tuple[Fingering | None, Fingering, Fingering | None]:
    """The fingerings around and at step `at` when step i has `fingering`; nothing beyond a rest."""
    steps = way.steps

    def at_step(k: int) -> Fingering:
        return fingering if k == i else steps[k].candidates[way.path[k]]

    before = at_step(at - 1) if at and not steps[at].rest_before else None
    after = at_step(at + 1) if at + 1 < len(steps) and not steps[at + 1].rest_before else None
    return before, at_step(at), after


def _version(
    passage: Passage,
    beats: Beats,
    chart: Chart,
    marks: Mapping[int, str],
    tempo_bpm: float,
    effort: Effort,
    rules: tuple[Rule, ...],
) -> str:
    """A short hash of all that the plan depends on."""
    weights = [(rule.name, rule.weight_s, rule.sentence) for rule in rules]
    ways = [(note.trill and note.trill.other.midi, note.tongued) for note in passage.notes]
    tempos = [(float(mark.start), mark.quarter_bpm) for mark in passage.tempos]
    how = _effort_in_words(effort)
    marked = sorted((int(index), name) for index, name in marks.items())
    text = repr((chart.name, chart.version, weights, how, *beats, ways, tempos, marked, tempo_bpm))
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def _effort_in_words(effort: Effort) -> str:
    if effort is change_seconds:
        return effort_version()
    # A function is known by its name; an effort that is a value says its own `version`, or all that it holds.
    name = getattr(effort, "__qualname__", "") or getattr(effort, "version", "") or repr(effort)
    return f"{effort.__module__} {type(effort).__qualname__} {name}"
