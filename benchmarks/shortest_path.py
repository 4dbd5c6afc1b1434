"""The planner's costs as a graph for networkx: what a general shortest path finds, to compare our own with.

A state is a pair of fingerings of neighbouring steps, since the rules look both ways. All costs come from the steps and
from `Costs`, whose sum over a path is what `path_seconds` defines.
"""

from __future__ import annotations

import itertools

import networkx as nx

from companion.charts.model import Fingering
from companion.planning.planner import Costs
from companion.planning.steps import Step

__all__ = ["graph_of_pairs", "shortest_s"]

_ALONE: tuple[None] = (None,)


def _allowed(step: Step) -> tuple[Fingering, ...]:
    return step.candidates if step.mark is None else (step.mark,)


def graph_of_pairs(steps: list[Step], costs: Costs) -> nx.DiGraph:
    """Nodes (step, fingering before, fingering here), an edge for each fingering after; from "start" to "end"."""
    graph = nx.DiGraph()
    last = len(steps) - 1
    for i, step in enumerate(steps):
        befores = _allowed(steps[i - 1]) if i else _ALONE
        afters = _allowed(steps[i + 1]) if i < last else _ALONE
        rest_after = i < last and steps[i + 1].rest_before
        for a, b, c in itertools.product(befores, _allowed(step), afters):
            seconds = costs.rules_s(step.situation, None if step.rest_before else a, b, None if rest_after else c)
            if step.situation.trill is not None:
                seconds += costs.trill(step.situation, b)[0]
            if c is not None:
                seconds += costs.change_s(b, c) * steps[i + 1].share
            graph.add_edge((i, a, b), (i + 1, b, c), weight=seconds)
    for b in _allowed(steps[0]):
        graph.add_edge("start", (0, None, b), weight=0.0)
    for b in _allowed(steps[-1]):
        graph.add_edge((last + 1, b, None), "end", weight=0.0)
    return graph


def shortest_s(graph: nx.DiGraph) -> float:
    """The cost of the cheapest way through the graph, in seconds of effort."""
    return float(nx.shortest_path_length(graph, "start", "end", weight="weight"))
