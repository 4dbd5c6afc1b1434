"""The exercises there are."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from companion.charts import load
from companion.charts.model import Chart
from companion.errors import UsageError
from companion.exercises.alternates import alternates
from companion.exercises.articulations import articulations
from companion.exercises.keys import keys
from companion.exercises.links import links
from companion.exercises.rhythms import rhythms
from companion.exercises.scales import scales
from companion.passage import Passage
from companion.planning.model import Plan

__all__ = ["REGISTRY", "Exercise"]


@dataclass(frozen=True, slots=True)
class Exercise:
    """One way to make practice material of a passage. `purpose` says in one line what it is for; `function` takes the
    passage, its plan, the horn and options by keyword, each with a default."""

    name: str
    title: str
    purpose: str
    function: Callable[..., Passage]

    @property
    def options(self) -> Mapping[str, str | int | float | bool]:
        """Names of the options with their defaults."""
        parameters = inspect.signature(self.function).parameters.values()
        return {one.name: one.default for one in parameters if one.kind is inspect.Parameter.KEYWORD_ONLY}

    def __call__(
        self, passage: Passage, plan: Plan, chart: Chart | None = None, **options: str | int | float | bool
    ) -> Passage:
        """The exercise on this passage, for the plan's horn where no other is given.

        Raises
        ------
        UsageError
            An option that it doesn't have or that makes no sense.
        """
        defaults = self.options
        for name, value in options.items():
            if name not in defaults:
                raise UsageError(f"{self.name} has no option {name!r}; it has {', '.join(defaults) or 'none'}")
            if type(value) is not type(defaults[name]):
                raise UsageError(f"{self.name}: {name} is such as {defaults[name]!r}, not {value!r}")
        return self.function(passage, plan, chart or load(plan.chart_name), **options)


REGISTRY: Mapping[str, Exercise] = MappingProxyType(
    {
        each.name: each
        for each in (
            Exercise("scales", "Scales over the whole horn", "even fingers in every key, low to high", scales),
            Exercise(
                "articulations",
                "Articulations carried over",
                "the passage's own slurs and tonguing over scales, its own key first",
                articulations,
            ),
            Exercise("rhythms", "Rhythm changes", "the hardest bar in other rhythms: no change can hide", rhythms),
            Exercise("keys", "In other keys", "a figure learned as a shape, not as a place on the horn", keys),
            Exercise("links", "Links", "one hard change lifted out, then grown back into its bar", links),
            Exercise(
                "alternates",
                "Alternates side by side",
                "one bar with each fingering, to hear the difference",
                alternates,
            ),
        )
    }
)
