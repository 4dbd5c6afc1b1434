"""The rules of practice that choose between fingerings: each with a name, a sentence, a weight, exceptions, a source.

Conventions
-----------
* A rule judges one note's own fingering in view of its neighbours' and answers how far it is broken: 0 not at all, 1
  once. The planner adds `weight_s` times that, in seconds, to the expected time of the changes.
* A neighbour is the note directly before or after; repeated notes are one note here, and a rest leaves no neighbour.
  Both neighbours count, and so does the other note of a trill.
* At slow tempi and on held notes tone decides, in fast slurs ease decides. A tongued change hides what the fingers do
  for as long as the tongue touches the reed, which is enough where the notes are not fast.
* Rules look at keys, not at names of fingerings, so that they hold on a chart of the player's own.
* The weights are ours: large enough that a rule wins over the usual differences in effort (some 0.02 to 0.1 s), in the
  order in which teachers insist on them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from companion.charts.model import Fingering
from companion.planning.hands import jumps_ring, slides_bis

__all__ = ["COMMON_PRACTICE", "FAST_S", "HELD_S", "RULES", "Rule", "Situation", "flips_long_c_sharp",
           "is_chromatic_f_sharp", "is_middle_finger_c", "low_keys_beside"]  # fmt: skip

#: A note is fast up to a sixteenth at 75 quarters a minute, held from an eighth at 60. Common practice, no source; a
#: single change from B to C with the middle finger takes some 0.15 s, measured in arXiv:2507.04963.
FAST_S = 0.2
HELD_S = 0.5

COMMON_PRACTICE = "common practice, no source"

_B_FLATS = frozenset({70, 82})
_BS = frozenset({71, 83})
_AS = frozenset({69, 81})
_LOW_C_SHARP, _LOW_D, _MIDDLE_C_SHARP, _MIDDLE_D = 61, 62, 73, 74
_UNDER_D = frozenset({72, 73})
_E_FLATS = frozenset({63, 75, 87})
_CS = frozenset({72, 84})
_F_SHARPS = frozenset({66, 78})
_G_SHARPS = frozenset({68, 80})
_TOP_NOTES = frozenset({88, 89, 90})
_PALM_NOTES = frozenset({86, 87})
_LOW_NOTES = frozenset({58, 59, 61})
_STACK_LEFT = frozenset({"l1", "l2", "l3"})
_STACK = _STACK_LEFT | {"r1", "r2", "r3"}
_TABLE_KEYS = frozenset({"low_c_sharp", "low_b", "low_b_flat"})


class Situation(NamedTuple):
    """Where a note stands: written MIDI numbers of it and its direct neighbours (None beside a rest or the edge), the
    other note of its trill; whether it is `fast` (up to 0.2 s) or `held` (0.5 s or longer), and whether it takes part
    in a shake: two notes going to and fro, written out. `slurred_in` and `slurred_out`: no tongue between it and the
    note before, after."""

    note: int
    before: int | None = None
    after: int | None = None
    trill: int | None = None
    fast: bool = False
    held: bool = False
    shaken: bool = False
    slurred_in: bool = False
    slurred_out: bool = False

    def beside(self, notes: frozenset[int]) -> bool:
        """Is one of these notes directly before or after, or trilled with?"""
        return self.before in notes or self.after in notes or self.trill in notes

    @property
    def tongue_hides(self) -> bool:
        """Are both changes tongued and the note not fast? Then nobody hears fingers that flip."""
        return not (self.fast or self.slurred_in or self.slurred_out)


Judge = Callable[[Situation, Fingering | None, Fingering, Fingering | None], float]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. `number` is its place in the list of practice, 0 for what goes without saying. `notes` are the written
    MIDI numbers it speaks about, empty for all. `judge(situation, before, this, after)` says how far `this` breaks
    it; where `trills` is True it speaks about trills only. `exceptions` are sentences; `source` names where it is
    published, if it is."""

    name: str
    number: int
    sentence: str
    weight_s: float
    notes: frozenset[int]
    judge: Judge
    exceptions: tuple[str, ...] = ()
    source: str = COMMON_PRACTICE
    trills: bool = False


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


def is_middle_finger_c(keys: frozenset[str]) -> bool:
    """Is it the C with the middle finger alone? Front fingerings and palm D over C hold that finger too."""
    return "l2" in keys and keys.isdisjoint({"l1", "palm_d", "front_f"})


def _between_two_cs(around: list[frozenset[str]]) -> bool:
    return len(around) == 2 and all(map(is_middle_finger_c, around))


def flips_long_c_sharp(keys: frozenset[str]) -> bool:
    """Would a finger of the left hand open as the long C♯'s ring finger closes, or the other way round?"""
    return "l3" not in keys and bool(keys & {"l1", "l2"})


def low_keys_beside(*fingerings: Fingering | None) -> frozenset[str]:
    """The left little finger's low keys that are down in these fingerings of low notes."""
    low = [f.keys & _TABLE_KEYS for f in fingerings if f is not None and f.written_midi in _LOW_NOTES]
    return frozenset().union(*low)


def _bis_by_default(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    if _is_bis(this.keys) or s.beside(_BS) or s.trill is not None:
        return 0.0
    # A written-out shake with A or C is a trill, and side is the quicker there.
    if s.fast and s.shaken and s.beside(_AS | _CS) and "side_b_flat" in this.keys:
        return 0.0
    # A held note is there for its tone, and its hands have time to flip.
    side_will_do = _between_two_cs(_held_keys(before, after)) and not s.held and not s.tongue_hides
    return 0.0 if side_will_do and "side_b_flat" in this.keys else 1.0


def _no_slide(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    return float(sum(slides_bis(keys, this.keys) for keys in _held_keys(before, after)))


def _beside_b(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    if not s.beside(_BS):
        return 0.0
    around = _held_keys(before, after)
    wanted = "side_b_flat"
    if not s.held and any(map(_is_plain_f_sharp, around)):
        wanted = "r2"
    elif not s.held and any(map(_is_f, around)):
        wanted = "r1"
    return 0.0 if wanted in this.keys else 1.0


def _no_double_flip(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    if s.held or s.tongue_hides:
        return 0.0
    return float(_is_bis(this.keys) and _between_two_cs(_held_keys(before, after)))


def _side_trill(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    written_out = s.fast and s.shaken and {s.before, s.after} - {None} <= _AS
    return float((s.trill in _AS or written_out) and "side_b_flat" not in this.keys)


def _middle_finger_c(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    if "side_c" not in this.keys or s.trill in _BS:
        return 0.0
    # In a written-out shake the first and the last C may keep the fingering of the others.
    quick_turn = s.fast and ((s.shaken and s.beside(_BS)) or (s.before in _BS and s.after in _BS))
    return 0.0 if quick_turn else 2.0 if s.held else 1.0


def _quick_turn_c(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    turn = s.fast and s.before in _BS and s.after in _BS
    return float("side_c" not in this.keys and (turn or s.trill in _BS))


def _chromatic_beside_f(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    around = _held_keys(before, after)
    ring_needed = any("r3" in keys for keys in around)
    f_beside = any(map(_is_f, around)) or s.trill in (65, 77)
    if is_chromatic_f_sharp(this.keys):
        return 1.0 if ring_needed or not f_beside else 0.0
    if s.trill not in (None, 65, 77):
        return 0.0  # the trill is most of the note, and F only its edge
    insisted_on = 0.5 if s.tongue_hides else 1.0
    return insisted_on if f_beside and not ring_needed else 0.0


def _no_ring_jump(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    return float(sum(jumps_ring(keys, this.keys) for keys in _held_keys(before, after)))


def _long_c_sharp(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    if s.trill == _MIDDLE_D:
        return float("l3" in this.keys)
    if s.fast and any(map(flips_long_c_sharp, _held_keys(before, after))):
        # In a quick line from B or C the hands gain nothing: effort decides.
        return 0.0
    if not any(keys >= _STACK for keys in _held_keys(before, after)):
        return 0.0
    if "l3" not in this.keys or "l1" in this.keys:
        return 1.0 if s.beside(frozenset({_MIDDLE_D})) else 0.0
    return 0.0 if "r1" in this.keys else 0.5


def _trill_fingering_in_line(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    if this.only_for != "trill" or s.trill in this.beside:
        return 0.0
    shaken = s.fast and s.shaken and s.beside(this.beside)
    return 0.0 if shaken else 1.0


def _palm_d_trill(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    return float(s.trill in _UNDER_D and "palm_d" not in this.keys)


def _low_c_sharp_trill(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    return float(s.trill == _LOW_C_SHARP and "low_c_sharp" not in this.keys)


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


def _linked_g_sharp(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    low = low_keys_beside(before, after)
    return float(bool(low) and not this.keys & low)


def _covered_c_sharp(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    if not s.beside(frozenset({_LOW_C_SHARP})) or s.beside(frozenset({_MIDDLE_D})):
        return 0.0
    return float("low_c_sharp" not in this.keys)


def _gentle_hand(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    return float("e_flat" in this.keys and s.beside(_E_FLATS))


def _tone(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    if s.trill is not None or _is_bis(this.keys):
        return 0.0
    dullness = 0.25 if "side_b_flat" in this.keys else 0.75 if "r2" in this.keys else 1.0
    return dullness * (2.0 if s.held else 1.0)


def _habit(s: Situation, before: Fingering | None, this: Fingering, after: Fingering | None) -> float:
    return float(not this.standard and s.note not in _B_FLATS)


_TRILL_RATES = "Libřický and Hajič, Modeling the Difficulty of Saxophone Music, 2025, arXiv:2507.04963"

#: The visible table, in the order in which they are taught.
RULES: tuple[Rule, ...] = (
    Rule(
        "bis", 1, "B♭ with no B♮ beside it: bis.", 0.30, _B_FLATS, _bis_by_default,
        ("between two Cs side may be used, where the B♭ is neither held nor tongued at leisure",
         "a trill goes by its own rules",
         "a written-out shake with A or C of six notes or more, up to 0.2 s a note: side is allowed"),
    ),
    Rule(
        "no slide", 2, "Never slide the index between its pearl and bis.", 0.60, _B_FLATS, _no_slide,
        ("a rest of 0.25 s or longer leaves the index time to move",),
    ),
    Rule(
        "beside B", 2, "B♭ beside B♮: side; 1-and-2 when F♯ is the other neighbour, 1-and-1 when F is.", 0.20,
        _B_FLATS, _beside_b, ("a B♭ of 0.5 s or longer: side, for its tone",),
    ),
    Rule(
        "lower neighbour of C", 3, "C–B♭–C: side, for bis flips index against middle finger.", 0.15, _B_FLATS,
        _no_double_flip,
        ("a B♭ of 0.5 s or longer: bis, for its tone",
         "tongued and longer than 0.2 s: bis, for the tongue hides the flip"),
    ),
    Rule(
        "middle-finger C", 4, "C with the middle finger, since side C has another tone.", 0.30, _CS, _middle_finger_c,
        ("a trill with B", "a turn B–C–B or a written-out shake, up to 0.2 s a note"),
    ),
    Rule(
        "side C for a turn", 4, "C trilled with B, or in a fast B–C–B: side C, where the other would flip two fingers.",
        0.05, _CS, _quick_turn_c, ("a turn slower than 0.2 s a note",),
    ),
    Rule(
        "side for a trill", 2, "A and B♭ trilled: side; measured, 7.36 trills a second against 5.88 with bis.", 0.05,
        _B_FLATS, _side_trill, (), _TRILL_RATES,
    ),
    Rule(
        "chromatic F♯", 5, "F♯ beside F: chromatic, one finger instead of two against each other.", 0.20, _F_SHARPS,
        _chromatic_beside_f,
        ("the other neighbour needs the right ring finger on its own key (D, E♭ and below)",
         "tongued and longer than 0.2 s: half as much, for the tongue hides the flip",
         "trilled with another note than F: the trill decides"),
    ),
    Rule(
        "no ring finger jump", 5, "Never jump the right ring finger between its own key and the keys above it.", 0.60,
        _F_SHARPS | {90}, _no_ring_jump, ("a rest of 0.25 s or longer leaves the finger time to move",),
    ),
    Rule(
        "long C♯", 6, "C♯ beside D, over the break: long C♯, the right hand staying down.", 0.40,
        frozenset({_MIDDLE_C_SHARP}), _long_c_sharp,
        ("in a quick line from or to B or C, where the long one would flip fingers", "a trill with D"),
    ),
    Rule(
        "in a line", 7, "A trill fingering serves a trill; in a line finger normally.", 0.50, frozenset(),
        _trill_fingering_in_line,
        ("a written-out shake of six notes or more, up to 0.2 s a note",
         "a soft entry on palm E♭ or E: dynamics are not read, so a teacher marks it"),
    ),
    Rule("palm D", 7, "C or C♯ trilled with D: palm D.", 0.20, frozenset({_MIDDLE_D}), _palm_d_trill,
         ("in a line it would be too sharp",), trills=True),
    Rule(
        "palm tremolo", 7, "C or C♯ in a tremolo with E♭ or E: the palm keys, without the octave key.", 0.35,
        frozenset({75, 76}), _palm_d_trill, ("in a line the usual fingering",), "The Instrumentalist, October 2017",
        trills=True,
    ),
    Rule(
        "low C♯ to D trill", 7, "Low C♯ trilled with D: leave the left little finger down, trill the low C key.", 0.20,
        frozenset({_LOW_D}), _low_c_sharp_trill, ("in a line the usual fingering",), "The Instrumentalist, August 2020",
        trills=True,
    ),
    Rule(
        "front", 8, "Front for leaps from the stack, palm keys for steps from D and E♭.", 0.25, _TOP_NOTES,
        _front_for_leaps, ("a top note keeps the hand of the top note beside it",),
    ),
    Rule(
        "linked G♯", 0, "G♯ beside low C♯, B or B♭: the little finger stays on that key, which opens G♯ too.", 0.35,
        _G_SHARPS, _linked_g_sharp,
    ),
    Rule(
        "covered C♯", 0, "C♯ in an octave leap from low C♯: covered, where only the thumb moves.", 0.35,
        frozenset({_MIDDLE_C_SHARP}), _covered_c_sharp, ("beside D: long C♯",),
        f"the fingering: University of New South Wales, C♯5 of the tenor saxophone; the rule: {COMMON_PRACTICE}",
    ),
    Rule("gentle hand", 0, "E♭ to E trilled: both fingers together; holding the E♭ key strains the hand.", 0.25,
         frozenset({64, 76}), _gentle_hand, trills=True),
    Rule("tone", 2, "For sound alone: bis, side, 1-and-2, 1-and-1; twice as much on a note of 0.5 s or longer.", 0.04,
         _B_FLATS, _tone, ("a trill",)),
    Rule("habit", 0, "Another fingering than the usual one needs a reason.", 0.02, frozenset(), _habit,
         ("B♭, which has no usual fingering",)),
)  # fmt: skip
