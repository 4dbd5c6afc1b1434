"""The steps as a graph, and the cheapest way through it with the price of every other.

Method
------
As rules look both ways, a state is a pair of fingerings, the one before and this one. The costs of the best way up to
and on from each state are computed forwards and backwards: a time linear in the number of steps. A fingering other than
the marked one is priced by `MARK_S`, which no path pays that needn't; so the price of breaking a mark is known as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from companion.charts.model import Fingering
from companion.planning.costs import Costs
from companion.planning.rules import Situation
from companion.planning.steps import Step

__all__ = ["MARK_S", "Graph", "cheapest", "costs_onward", "costs_through", "graph_of"]

#: More than one note's changes, trill and rules could ever cost, and small enough to leave the digits that matter.
MARK_S = 1e4

Table = tuple[tuple[float, ...], ...]
Cube = tuple[Table, ...]
Around = tuple[Fingering | None, ...]
_ALONE: Around = (None,)


@dataclass(frozen=True, slots=True)
class Graph:
    """Costs between candidates, which are padded with nothing at both ends: `links[i][b][c]` leads from step i to i + 1
    and through the latter's trill, `rules[i][a][b][c]` judges step i; steps are counted from 1."""

    candidates: list[Around]
    links: list[Table]
    rules: list[Cube]


def graph_of(steps: list[Step], costs: Costs) -> Graph:
    """The graph of all steps."""
    candidates: list[Around] = [_ALONE, *(step.candidates for step in steps), _ALONE]
    return Graph(candidates, _links(steps, candidates, costs), _rules(steps, candidates, costs))


def _links(steps: list[Step], candidates: list[Around], costs: Costs) -> list[Table]:
    tables: dict[tuple[int, int, float], Table] = {}
    links: list[Table] = []
    for step, here, there in zip(steps, candidates, candidates[1:], strict=False):
        key = (id(here), id(there), step.share)
        table = tables.get(key)
        if table is None:
            table = tables[key] = _link(here, there, step.share, costs)
        if step.situation.trill is not None or step.mark is not None:
            own = _own_costs(step, costs)
            table = tuple(tuple(x + y for x, y in zip(row, own, strict=True)) for row in table)
        links.append(table)
    links.append(tuple((0.0,) for _ in candidates[-2]))
    return links


def _own_costs(step: Step, costs: Costs) -> list[float]:
    """What each candidate costs wherever the hands come from: its trill, and the mark it breaks."""
    own = [0.0 if step.mark in (None, fingering) else MARK_S for fingering in step.candidates]
    if step.situation.trill is not None:
        own = [x + costs.trill(step.situation, f)[0] for x, f in zip(own, step.candidates, strict=True)]
    return own


def _rules(steps: list[Step], candidates: list[Around], costs: Costs) -> list[Cube]:
    cubes: dict[tuple[int, int, int, int], Cube] = {}
    rules: list[Cube] = [_nothing_said(1, len(candidates[1]))]
    for i, step in enumerate(steps, start=1):
        before, this, after = candidates[i - 1], step.candidates, candidates[i + 1]
        if len(this) == 1 and this[0].standard and not costs.has_rules_of_its_own(step.situation):
            # Nothing to choose and nothing that a rule could say.
            rules.append(_nothing_said(len(before), len(after)))
            continue
        key = (id(before), id(this), id(after), id(step.situation))
        cube = cubes.get(key)
        if cube is None:
            cube = cubes[key] = _cube(step.situation, before, this, after, costs)
        rules.append(cube)
    return rules


def _link(here: Around, there: Around, share: float, costs: Costs) -> Table:
    return tuple(
        tuple(costs.change_s(a, b) * share if a is not None and b is not None else 0.0 for b in there) for a in here
    )


@lru_cache(maxsize=256)
def _nothing_said(before: int, after: int) -> Cube:
    return (((0.0,) * after,),) * before


def _cube(situation: Situation, before: Around, this: Around, after: Around, costs: Costs) -> Cube:
    # Beside a rest there is no neighbour for a rule, though there is a fingering.
    left = before if situation.before is not None else (None,) * len(before)
    right = after if situation.after is not None else (None,) * len(after)
    return tuple(
        tuple(tuple(costs.rules_s(situation, a, b, c) for c in right) if b is not None else () for b in this)
        for a in left
    )


def costs_onward(graph: Graph) -> list[list[list[float]]]:
    """`onward[i][a][b]`: the cheapest cost of all that follows once step i - 1 is fingered `a` and step i `b`."""
    last = len(graph.candidates) - 1
    onward: list[list[list[float]]] = [[] for _ in range(last + 1)]
    onward[last] = [[0.0] for _ in graph.candidates[last - 1]]
    for i in range(last - 1, 0, -1):
        after = onward[i + 1]
        if len(after) == len(after[0]) == len(graph.rules[i]) == 1:
            # Nothing to choose before, here or next, as at most of the notes of a tonal line.
            onward[i] = [[graph.rules[i][0][0][0] + graph.links[i][0][0] + after[0][0]]]
            continue
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


def cheapest(graph: Graph, onward: list[list[list[float]]]) -> tuple[list[int], float]:
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


def costs_through(graph: Graph, onward: list[list[list[float]]]) -> list[list[float]]:
    """`through[i][b]`: the cost of the cheapest whole path that fingers step i (counted from 0) with candidate `b`."""
    so_far = [list(graph.links[0][0])]
    through = [[x + y for x, y in zip(so_far[0], onward[1][0], strict=True)]]
    for i in range(1, len(graph.candidates) - 2):
        rules, link, on = graph.rules[i], graph.links[i], onward[i + 1]
        if len(rules) == len(link) == len(link[0]) == 1:
            reached = so_far[0][0] + rules[0][0][0] + link[0][0]
            so_far = [[reached]]
            through.append([reached + on[0][0]])
            continue
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
