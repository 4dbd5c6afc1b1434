"""The table of what each term of a change of fingering costs: read from `charts/common/effort.toml`, once."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from typing import Any

from companion.errors import ChartError
from companion.paths import charts_dir

__all__ = ["EffortTable", "effort_table"]


@dataclass(frozen=True, slots=True)
class EffortTable:
    """Logarithms of time, natural: `base` is that of a change without any term, in seconds; a term that counts `x` adds
    `weights[i] * x`, two of them together `pairs[i][j] * x_i * x_j` (j from i on, a term with itself included).

    `paces` are the measured players' times as factors of the table's, `spread` what one player's single change differs
    by, as a standard deviation of the logarithm. `version` identifies the table.
    """

    version: str
    source: str
    fitted: str
    terms: tuple[str, ...]
    base: float
    weights: tuple[float, ...]
    pairs: tuple[tuple[float, ...], ...]
    shortest_s: float
    longest_s: float
    spread: float
    paces: dict[str, float]
    report: dict[str, Any]


@cache
def effort_table() -> EffortTable:
    """The table that comes along. Raises `ChartError` where it is missing or torn."""
    path = charts_dir() / "common" / "effort.toml"
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        terms, weights, pairs = data["terms"], data["weights"], data["pairs"]
        table = EffortTable(
            version=str(data["version"]),
            source=str(data["source"]),
            fitted=str(data["fitted"]),
            terms=tuple(terms),
            base=float(data["base"]),
            weights=tuple(float(weights[name]) for name in terms),
            # As text: a thousand numbers would take the TOML reader ten times as long.
            pairs=tuple(tuple(float(weight) for weight in pairs[name].split()) for name in terms),
            shortest_s=float(data["shortest_s"]),
            longest_s=float(data["longest_s"]),
            spread=float(data["spread"]),
            paces={str(player): float(factor) for player, factor in data["paces"].items()},
            report=data["report"],
        )
    except (OSError, KeyError, TypeError, ValueError, AttributeError) as error:
        raise ChartError(str(path), [f"the table of effort can't be read ({error}); install companion anew"]) from error
    ragged = [name for i, name in enumerate(terms) if len(table.pairs[i]) != len(terms) - i]
    if ragged:
        raise ChartError(str(path), [f"$.pairs.{ragged[0]!r}: expected one weight for each later term"])
    return table
