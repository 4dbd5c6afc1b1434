"""The rules of practice that choose between fingerings: each with a name, a sentence and a weight.

Conventions
-----------
* A rule judges one note's own fingering in view of its neighbours' and answers how far it is broken: 0 not at all, 1
  once. The planner adds `weight_s` times that, in seconds, to the expected time of the changes.
* A neighbour is the note directly before or after; repeated notes are one note here, and a rest leaves no neighbour.
* Rules look at keys, not at names of fingerings, so that they hold on a chart of the player's own.
* All of them are common practice without source, unless one is named. The weights are ours: large enough that a rule
  wins over the usual differences in effort (some 0.02 to 0.1 s), in the order in which teachers insist on them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from companion.charts.model import Fingering

__all__ = [
    "FAST_S", "HELD_S", "RULES", "Rule", "Situation", "flips_long_c_sharp", "is_chromatic_f_sharp", "slides_bis",
]  # fmt: skip

#: A note is fast up to a sixteenth at 75 quarters a minute, held from an eighth at 60. Common practice, no source; a
#: single change from B to C with the middle finger takes some 0.15 s, measured in arXiv:2507.04963.
FAST_S = 0.2
HELD_S = 0.5

_B_FLATS = frozenset({70, 82})
_BS = frozenset({71, 83})
_AS = frozenset({69, 81})
_UNDER_D = frozenset({72, 73})
_CS = frozenset({72, 84})
_F_SHARPS = frozenset({66, 78})
_TOP_NOTES = frozenset({88, 89, 90})
_PALM_NOTES = frozenset({86, 87})
_STACK_LEFT = frozenset({"l1", "l2", "l3"})


@dataclass(frozen=True, slots=True)
class Situation:
    """Where a note stands: written MIDI numbers of it and its direct neighbours (None beside a rest or the edge), how
    long it is, the other note of its trill, and whether it takes part in a shake: two notes going to and fro, written
    out."""

    note: int
    before: int | None = None
    after: int | None = None
    trill: int | None = None
    fast: bool = False
    held: bool = False
    shaken: bool = False

    def beside(self, notes: frozenset[int]) -> bool:
        """Is one of these notes directly before or after, or trilled with?"""
        return self.before in notes or self.after in notes or self.trill in notes


Judge = Callable[[Situation, Fingering | None, Fingering, Fingering | None], float]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. `number` is its place in the list of practice, 0 for what goes without saying. `notes` are the written
    MIDI numbers it speaks about, empty for all. `judge(situation, before, this, after)` says how far `this` breaks
    it."""

    name: str
    number: int
    sentence: str
    weight_s: float
    notes: frozenset[int]
    judge: Judge


def _held_keys(*fingerings: Fingering | None) -> list[frozenset[str]]:
    return [fingering.keys for fingering in fingerings if fingering is not None]


def is_chromatic_f_sharp(keys: frozenset[str]) -> bool:
    """Is it the F♯ with the right ring finger's own key?"""
    return "chromatic_f_sharp" in keys


def _is_f(keys: frozenset[str]) -> bool:
    return keys >= _STACK_LEFT and "r1" in keys and "r2" not in keys and not is_chromatic_f_sharp(keys)


def _is_plain_f_sharp(keys: frozenset[str]) -> bool:
    return keys >= _STACK_LEFT and "r2" in keys and "r1" not in keys


def _is_bis(keys: frozenset[str]) -> bool:
    return "bis" in keys and "l2" not in keys


def _is_middle_finger_c(keys: frozenset[str]) -> bool:
    return "l2" in keys and "l1" not in keys and "palm_d" not in keys


def slides_bis(a: frozenset[str], b: frozenset[str]) -> bool:
    """Must the index slide between `l1` and `bis`? Not where `l2` is down in the other: there it may stay on both."""
    bis, other = (a, b) if "bis" in a else (b, a)
    return "bis" in bis and "bis" not in other and "l1" in other and "l2" not in other


def flips_long_c_sharp(keys: frozenset[str]) -> bool:
    """Would a finger of the left hand open as the long C♯'s ring finger closes, or the other way round?"""
    return "l3" not in keys and bool(keys & {"l1", "l2"})


def _bis_by_default(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    if _is_bis(this.keys) or s.beside(_BS) or s.trill is not None:
        return 0.0
    around = _held_keys(before, after)
    lower_neighbour = len(around) == 2 and all(map(_is_middle_finger_c, around))
    # A held note is there for its tone, and its hands have time to flip.
    return 0.0 if lower_neighbour and not s.held and "side_b_flat" in this.keys else 1.0


def _no_slide(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    return float(sum(slides_bis(keys, this.keys) for keys in _held_keys(before, after)))


def _beside_b(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    if not s.beside(_BS):
        return 0.0
    around = _held_keys(before, after)
    if any(map(_is_plain_f_sharp, around)):
        wanted = "r2"
    elif any(map(_is_f, around)):
        wanted = "r1"
    else:
        wanted = "side_b_flat"
    return 0.0 if wanted in this.keys else 1.0


def _no_double_flip(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    around = _held_keys(before, after)
    flips_twice = len(around) == 2 and all(map(_is_middle_finger_c, around))
    return float(_is_bis(this.keys) and flips_twice and not s.held)


def _side_trill(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    return float(s.trill in _AS and "side_b_flat" not in this.keys)


def _middle_finger_c(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    if "side_c" not in this.keys or s.trill in _BS:
        return 0.0
    # In a written-out shake the first and the last C may keep the fingering of the others.
    quick_turn = s.fast and (s.shaken or (s.before in _BS and s.after in _BS))
    return 0.0 if quick_turn else 2.0 if s.held else 1.0


def _chromatic_beside_f(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    around = _held_keys(before, after)
    ring_needed = any("r3" in keys for keys in around)
    if is_chromatic_f_sharp(this.keys):
        return 2.0 if ring_needed else 0.0 if any(map(_is_f, around)) else 1.0
    return 1.0 if any(map(_is_f, around)) and not ring_needed else 0.0


def _long_c_sharp(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    if s.trill == 74:
        return float("l3" in this.keys)
    if s.fast and any(map(flips_long_c_sharp, _held_keys(before, after))):
        # In a quick line from B or C the hands gain nothing: effort decides.
        return 0.0
    if not any(keys >= _STACK_LEFT | {"r1", "r2", "r3"} for keys in _held_keys(before, after)):
        return 0.0
    if "l3" not in this.keys or "l1" in this.keys:
        return 1.0 if s.beside(frozenset({74})) else 0.0
    return 0.0 if "r1" in this.keys else 0.5


def _trill_fingering_in_line(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    return float(this.only_for == "trill" and (s.trill is None or s.trill not in this.beside))


def _palm_d_trill(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    return float(s.trill in _UNDER_D and "palm_d" not in this.keys)


def _front_for_leaps(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    neighbours = [fingering for fingering in (before, after) if fingering is not None]
    steps = sum(fingering.written_midi in _PALM_NOTES for fingering in neighbours)
    tops = [fingering.keys for fingering in neighbours if fingering.written_midi in _TOP_NOTES]
    leaps = len(neighbours) - steps - len(tops)
    is_front = "front_f" in this.keys
    changes_hand = float(sum(("front_f" in keys) != is_front for keys in tops))
    if is_front:
        return changes_hand + (steps if steps else 0.0 if leaps or tops else 0.5)
    return changes_hand + float(leaps > 0 and not steps)


def _gentle_hand(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    return float("e_flat" in this.keys)


def _tone(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    if s.trill is not None or _is_bis(this.keys):
        return 0.0
    dullness = 0.25 if "side_b_flat" in this.keys else 0.75 if "r2" in this.keys else 1.0
    return dullness * (2.0 if s.held else 1.0)


def _habit(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    return float(not this.standard and s.note not in _B_FLATS)


#: The visible table, in the order in which they are taught.
RULES: tuple[Rule, ...] = (
    Rule("bis", 1, "B♭ with no B♮ beside it: bis.", 0.30, _B_FLATS, _bis_by_default),
    Rule("no slide", 2, "Never slide the index between its pearl and bis.", 0.60, _B_FLATS, _no_slide),
    Rule(
        "beside B", 2, "B♭ beside B♮: side; 1-and-2 when F♯ is the other neighbour, 1-and-1 when F is.", 0.20, _B_FLATS,
        _beside_b,
    ),
    Rule(
        "lower neighbour of C", 3, "C–B♭–C: side, for bis flips index against middle finger; bis where B♭ is held.",
        0.15, _B_FLATS, _no_double_flip,
    ),
    Rule("middle-finger C", 4, "C with the middle finger; side C only in a trill or a fast B–C–B.", 0.30, _CS,
         _middle_finger_c),
    Rule("side for a trill", 2, "A and B♭ trilled: side, measured as the quicker one.", 0.05, _B_FLATS, _side_trill),
    Rule(
        "chromatic F♯", 5, "F♯ beside F: chromatic, unless the ring finger is needed on its own key.", 0.20, _F_SHARPS,
        _chromatic_beside_f,
    ),
    Rule(
        "long C♯", 6, "C♯ beside D: long C♯, the right hand staying down; not in a quick line from B or C.", 0.40,
        frozenset({73}), _long_c_sharp,
    ),
    Rule("in a line", 7, "A trill fingering serves a trill; in a line finger normally.", 0.50, frozenset(),
         _trill_fingering_in_line),
    Rule("palm D", 7, "C or C♯ trilled with D: palm D.", 0.20, frozenset({74}), _palm_d_trill),
    Rule("front", 8, "Front for leaps from the stack, palm keys for steps from D and E♭.", 0.20, _TOP_NOTES,
         _front_for_leaps),
    Rule("gentle hand", 0, "E♭ to E: both fingers together; holding the E♭ key strains the hand.", 0.25,
         frozenset({64, 76}), _gentle_hand),
    Rule("tone", 2, "For sound alone: bis, side, 1-and-2, 1-and-1.", 0.04, _B_FLATS, _tone),
    Rule("habit", 0, "Another fingering than the usual one needs a reason.", 0.02, frozenset(), _habit),
)  # fmt: skip
