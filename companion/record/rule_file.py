"""The rule file: what a teacher changes in the rules of practice, a small TOML file.

    format = 1

    [[rule]]
    name = "chromatic F♯"        # as the list of rules has it; # for ♯ and b for ♭ will do
    weight_ms = 300              # what a broken rule costs

    [[rule]]
    name = "side C for a turn"
    off = true
    why = "side C is out of tune on this horn"      # optional, for the reader

Every fault is named at its line, all of them at once. A rule that isn't named stays as it is.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from companion.errors import RuleFileError
from companion.planning.rules import RULES, Rule
from companion.record.teacher_file import Faults, data_from, read_bytes, tables_in
from companion.units import s_from_ms

__all__ = ["FORMAT", "MAX_WEIGHT_MS", "load_rules", "rules_from"]

FORMAT = 1
#: Ten times the weightiest rule: more would make no other plan, and the planner's marks must outweigh it.
MAX_WEIGHT_MS = 6000.0
MAX_RULES = 200
_FILE_KEYS = ("format", "rule")
_RULE_KEYS = ("name", "weight_ms", "off", "why")
_MOST_NAMED = 4


def load_rules(path: Path) -> tuple[Rule, ...]:
    """The rules of practice as a rule file changes them.

    Parameters
    ----------
    path
        The TOML file.

    Returns
    -------
    tuple of Rule
        `RULES` in their order, with the file's weights, without those it switches off. The same file gives an equal
        tuple.

    Raises
    ------
    RuleFileError
        If it is missing, too big, no TOML, or faulty: all faults with their lines; for a mistyped name the likely one.
    """
    path = Path(path)
    content = read_bytes(path, RuleFileError, "rule file", "write one, or see: companion fingerings --rules")
    return rules_from(content, path)


def rules_from(content: bytes, path: Path) -> tuple[Rule, ...]:
    """The rules that a file's `content` asks for. Raises `RuleFileError` as `load_rules` does."""
    text, data = data_from(content, path, RuleFileError)
    faults = Faults(text, ("rule",))
    faults.unknown_keys(None, data, _FILE_KEYS)
    faults.format(data, FORMAT)
    weights_s = _weights_s(tables_in(data, "rule", MAX_RULES, faults), faults)
    if messages := faults.messages():
        raise RuleFileError(str(path), messages)
    changed = (replace(rule, weight_s=weights_s.get(rule.name, rule.weight_s)) for rule in RULES)
    followed = tuple(rule for rule in changed if rule.weight_s > 0)
    return RULES if followed == RULES else followed


def _weights_s(tables: Sequence[Mapping[str, Any]], faults: Faults) -> dict[str, float]:
    """The weight of each rule named, 0 where it is switched off."""
    weights_s: dict[str, float] = {}
    first_at: dict[str, int] = {}
    for i, table in enumerate(tables):
        place = ("rule", i)
        faults.unknown_keys(place, table, _RULE_KEYS)
        faults.text(place, table, "why")
        rule = _named(place, table, faults)
        weight_s = _weight_s(place, table, faults)
        if rule is None:
            continue
        if (first := first_at.setdefault(rule.name, i)) != i:
            faults.add(place, "name", f"{rule.name!r} stands in rule {first + 1} already")
        weights_s[rule.name] = rule.weight_s if weight_s is None else weight_s
    return weights_s


def _named(place: tuple[str, int], table: Mapping[str, Any], faults: Faults) -> Rule | None:
    name = faults.text(place, table, "name", needed=True)
    if not name.strip():
        return None
    by_name = {_plain(rule.name): rule for rule in RULES}
    if (rule := by_name.get(_plain(name))) is not None:
        return rule
    close = difflib.get_close_matches(_plain(name[:80]), by_name, n=1, cutoff=0.5)
    names = ", ".join(rule.name for rule in RULES[:_MOST_NAMED])
    hint = (
        f"did you mean {by_name[close[0]].name}?"
        if close
        else f"such as {names}; companion fingerings --rules lists them"
    )
    faults.add(place, "name", f"{name[:40]!r} is no rule; {hint}")
    return None


def _plain(name: str) -> str:
    """A name as it is compared: without case, with signs that any keyboard has."""
    return " ".join(name.replace("♯", "#").replace("♭", "b").casefold().split())


def _weight_s(place: tuple[str, int], table: Mapping[str, Any], faults: Faults) -> float | None:
    weight_ms = faults.number(place, table, "weight_ms", 0.0, MAX_WEIGHT_MS)
    off = table.get("off", False)
    if not isinstance(off, bool):
        faults.add(place, "off", f"should be true or false, not {str(off)[:40]!r}")
    elif off and "weight_ms" in table:
        faults.add(place, "off", "and weight_ms contradict each other; keep one of them")
    elif "off" not in table and "weight_ms" not in table:
        faults.add(place, "weight_ms", "is missing, as is off; write weight_ms = 300, or off = true")
    elif off:
        return 0.0
    return None if weight_ms is None else s_from_ms(weight_ms)
