"""Fingers as a teacher says them: `left index`, `left index and ring fingers`, `right hand`."""

from __future__ import annotations

from collections.abc import Sequence

from companion.practice.between import Mover

__all__ = ["behind_in_words", "fingers_in_words", "moved_in_words", "were"]

_WORDS = {"index": "index", "thumb": "thumb", "palm": "palm key", "side": "side key"}


def fingers_in_words(fingers: Sequence[str]) -> str:
    """Several fingers, those of one hand together: `left index and ring finger`, `left thumb and right ring finger`."""
    hands: dict[str, list[str]] = {}
    for finger in fingers:
        hand, name = finger.split(maxsplit=1)
        hands.setdefault(hand, []).append(_WORDS.get(name, name if name == "hand" else f"{name} finger"))
    return _listed([f"{hand} {_listed(names)}" for hand, names in hands.items()])


def behind_in_words(fingers: Sequence[str], hand: str) -> str:
    """The same without the hand where all are of this one: `ring finger`."""
    return (
        fingers_in_words(fingers).replace(f"{hand} ", "", 1)
        if {f.split()[0] for f in fingers} == {hand}
        else (fingers_in_words(fingers))
    )


def were(fingers: Sequence[str]) -> str:
    """`was` or `were`."""
    return "was" if len(fingers) == 1 else "were"


def moved_in_words(movers: Sequence[Mover]) -> str:
    """What these fingers do: `went down`, `came up`, `moved`."""
    if movers and all(mover.presses and not mover.leaves for mover in movers):
        return "went down"
    if movers and all(mover.leaves and not mover.presses for mover in movers):
        return "came up"
    return "moved"


def _listed(words: Sequence[str]) -> str:
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else words[0]
