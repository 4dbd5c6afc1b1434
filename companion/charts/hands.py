"""What a hand can hold at once: fingers that would need a second tip, hands that can't be in two places.

Common practice, no source: fingers, palm and table as every method book draws them.
"""

from __future__ import annotations

from companion.charts.model import Chart, Key

__all__ = ["fingers_overstretched", "out_of_reach"]


def fingers_overstretched(chart: Chart, keys: frozenset[str]) -> list[str]:
    """Why a hand can't hold these keys; empty if it can. One finger presses one key, but the left index covers `l1` and
    `bis` together, and a palm or a side of the hand holds several."""
    held: dict[tuple[str, str], list[str]] = {}
    for key in chart.keys:
        if key.name in keys and key.finger not in ("palm", "side"):
            held.setdefault((key.hand, key.finger), []).append(key.name)
    return [
        f"the {hand} {finger} finger can't hold {' and '.join(names)} at once"
        for (hand, finger), names in held.items()
        if len(names) > 1 and set(names) != {"l1", "bis"}
    ]


def out_of_reach(chart: Chart, keys: frozenset[str]) -> list[str]:
    """Why no player would take these keys together although each has its finger; empty where nothing speaks against it.

    Common practice, no source: the index reaches bis by rolling off its pearl, which stays down; a hand turned to its
    palm keys has its little finger off the table.
    """
    reasons = []
    held = [key for key in chart.keys if key.name in keys]
    if "bis" in keys and "l1" not in keys and any(key.name == "l1" for key in chart.keys):
        reasons.append("bis is pressed together with the index's own pearl")
    for hand in ("left", "right"):
        if _uses(held, hand, "palm") and _uses(held, hand, "little"):
            reasons.append(f"the {hand} hand can't reach its palm keys and its little finger's keys at once")
    return reasons


def _uses(held: list[Key], hand: str, finger: str) -> bool:
    return any(key.hand == hand and key.finger == finger for key in held)
