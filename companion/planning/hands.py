"""What a hand can't do in one change: key sets compared, whatever the fingerings are called.

Common practice, no source: an index never slides between its pearl and bis in a slur; a finger that has several keys
without rollers between them can't get from one to another without jumping. The little fingers' keys have rollers, and
the palms and the side of the hand hold several of theirs at once.
"""

from __future__ import annotations

__all__ = ["RING_KEYS", "awkward", "jumps_ring", "slides_bis"]

#: The right ring finger's keys. No rollers lie between them.
RING_KEYS = frozenset({"r3", "chromatic_f_sharp", "high_f_sharp"})


def slides_bis(a: frozenset[str], b: frozenset[str]) -> bool:
    """Must the index slide between `l1` and `bis`? Not where `l2` is down in the other: there it may stay on both."""
    bis, other = (a, b) if "bis" in a else (b, a)
    return "bis" in bis and "bis" not in other and "l1" in other and "l2" not in other


def jumps_ring(a: frozenset[str], b: frozenset[str]) -> bool:
    """Must the right ring finger jump from one of its keys to another?"""
    ours, theirs = a & RING_KEYS, b & RING_KEYS
    return bool(ours) and bool(theirs) and ours.isdisjoint(theirs)


def awkward(a: frozenset[str], b: frozenset[str]) -> str:
    """What the hand can't do between these keys, in words that follow "must"; empty where there is nothing."""
    if slides_bis(a, b):
        return "the index must slide between bis and its pearl"
    if jumps_ring(a, b):
        return "the right ring finger must jump from key to key"
    return ""
