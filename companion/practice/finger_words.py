"""Fingers and keys as a teacher says them: `left index`, `left index and ring finger`, `right hand`, `G♯ key`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from companion.charts.model import Key
from companion.practice.between import Mover

__all__ = ["behind_in_words", "fingers_in_words", "key_in_words", "listed", "moved_in_words", "were"]

_WORDS = {"palm": "palm key", "side": "side key", "hand": "hand", "index": "index", "thumb": "thumb"}
_SIGNS = {"sharp": "♯", "flat": "♭"}


def fingers_in_words(fingers: Iterable[str], movers: Sequence[Mover] = ()) -> str:
    """Several fingers, those of one hand together: `left index and ring finger`, `thumb and right ring finger`.

    Parameters
    ----------
    fingers
        As `between` names them.
    movers
        All fingers of the change: where two or more, and all of a hand, are named, the hand is.
    """
    named = list(fingers)
    words = []
    for hand in dict.fromkeys(finger.split()[0] for finger in named):
        here = [finger for finger in named if finger.startswith(f"{hand} ")]
        whole = {mover.finger for mover in movers if mover.finger.startswith(f"{hand} ")}
        if len(here) > 1 and whole == set(here):
            words.append(f"{hand} hand")
        else:
            words.append(f"{hand} {_listed_fingers(here)}")
    return listed(words)


def _finger(finger: str) -> str:
    name = finger.split(maxsplit=1)[1]
    return _WORDS.get(name, f"{name} finger")


def _listed_fingers(fingers: Sequence[str]) -> str:
    """Without their hand: `index`, `middle and ring finger`."""
    names = [_finger(finger) for finger in fingers]
    nexts = [*names[1:], ""]
    return listed(
        [a.removesuffix(" finger") if b.endswith(" finger") else a for a, b in zip(names, nexts, strict=True)]
    )


def behind_in_words(fingers: Sequence[str], hand: str) -> str:
    """The same without the hand where all are of this one: `ring finger`."""
    if {finger.split()[0] for finger in fingers} == {hand}:
        return _listed_fingers(fingers)
    return fingers_in_words(fingers)


def key_in_words(key: Key) -> str:
    """`G♯ key`, `side B♭ key`, `octave key`; a pearl goes by its finger: `left ring finger's key`."""
    if not key.label and key.shape == "round":
        return f"{key.hand} {_finger(f'{key.hand} {key.finger}')}'s key"
    words: list[str] = []
    for part in key.name.split("_"):
        if part in _SIGNS and words:
            words[-1] += _SIGNS[part]
        else:
            words.append(part.upper() if len(part) == 1 else part)
    return f"{' '.join(words)} key"


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


def listed(words: Sequence[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else words[0]
