"""What the hands do in a change of fingering, in terms that have names a player understands.

Conventions
-----------
* All terms of many changes are worked out at once: an array of changes by terms. A change and its way back are one.
* A finger counts once however many of its keys move; the octave thumb has terms of its own. An index that stays on its
  pearl while the bis key moves does not count as moving.
* Pitches are written MIDI numbers; the octave key's registers follow from them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from companion.arrays import Bools, Floats
from companion.charts.model import Chart, Fingering
from companion.errors import ChartError

__all__ = ["TERMS", "Term", "terms_of"]


_STACK = ("l1", "l2", "l3", "r1", "r2", "r3")
_LEFT_STACK, _RIGHT_STACK = _STACK[:3], _STACK[3:]
_RIGHT_RING = ("r3", "chromatic_f_sharp", "high_f_sharp")
#: Written D4 and lower: the whole tube is covered, and the air must follow. D6 and up: the palm keys' register.
_LOW_D, _LOW_C, _LOW_E, _PALM_D, _TOP_E = 62, 60, 64, 86, 88


class Motion:
    """Changes between two lists of fingerings of one chart, the i-th of `befores` to the i-th of `afters`."""

    def __init__(self, chart: Chart, befores: Sequence[Fingering], afters: Sequence[Fingering]) -> None:
        self._chart_name = chart.name
        self._keys = {key.name: i for i, key in enumerate(chart.keys)}
        self._octave = chart.octave.key if chart.octave else ""
        self.before = self._held(befores)
        self.after = self._held(afters)
        self.before_midi = np.array([fingering.written_midi for fingering in befores], dtype=np.int64)
        self.after_midi = np.array([fingering.written_midi for fingering in afters], dtype=np.int64)
        self.close = self.after & ~self.before
        self.open = self.before & ~self.after
        self.stay = self.before & self.after
        bis_moves = self._any(self.close | self.open, ("bis",))
        self.index_stays = bis_moves & self._any(self.stay, ("l1",))
        without_bis = np.where(self._any(self.before, ("bis",))[:, None], self.after, self.before)
        self.bis_rolls = self.index_stays & ~self._any(without_bis, ("l2",))
        if "bis" in self._keys:
            at = self._keys["bis"]
            self.close[:, at] &= ~self.index_stays
            self.open[:, at] &= ~self.index_stays
        self.bis_moves = bis_moves
        self._parts: dict[tuple[str, str], list[str]] = {}
        for key in chart.keys:
            if key.name != self._octave:
                self._parts.setdefault((key.hand, key.finger), []).append(key.name)

    def _held(self, fingerings: Sequence[Fingering]) -> Bools:
        held = np.zeros((len(fingerings), len(self._keys)), dtype=bool)
        for row, fingering in zip(held, fingerings, strict=True):
            for name in fingering.keys:
                if name not in self._keys:
                    raise ChartError(self._chart_name, [f"no key {name!r}; there are {' '.join(self._keys)}"])
                row[self._keys[name]] = True
        return held

    def _any(self, of: Bools, names: Sequence[str]) -> Bools:
        columns = [self._keys[name] for name in names if name in self._keys]
        return np.asarray(of[:, columns].any(axis=1))

    def count(self, of: Bools, names: Sequence[str]) -> Floats:
        """How many of these keys."""
        columns = [self._keys[name] for name in names if name in self._keys]
        result: Floats = of[:, columns].sum(axis=1).astype(float)
        return result

    # -- keys ------------------------------------------------------------------------------------------------------

    @cached_property
    def moved(self) -> Bools:
        """Keys that go down or come up."""
        return self.close | self.open

    def moves(self, *names: str) -> Bools:
        """Does one of these keys move?"""
        return self._any(self.moved, names)

    def closes(self, *names: str) -> Bools:
        """Does one of them go down?"""
        return self._any(self.close, names)

    def opens(self, *names: str) -> Bools:
        """Does one of them come up?"""
        return self._any(self.open, names)

    def stays(self, *names: str) -> Bools:
        """Is one of them held all along?"""
        return self._any(self.stay, names)

    def held(self, *names: str) -> Bools:
        """Is one of them held before or after?"""
        return self._any(self.before | self.after, names)

    def against(self, some: Sequence[str], others: Sequence[str]) -> Bools:
        """Does one of `some` go down while one of `others` comes up, or the other way round?"""
        ways = [self._any(self.close, keys).astype(int) - self._any(self.open, keys) for keys in (some, others)]
        return np.asarray(ways[0] * ways[1] < 0)

    def fingers_of(self, hand: str, finger: str) -> tuple[str, ...]:
        """The keys of one finger."""
        return tuple(self._parts.get((hand, finger), ()))

    @cached_property
    def left_little(self) -> tuple[str, ...]:
        """The keys of the left little finger's table."""
        return self.fingers_of("left", "little")

    @cached_property
    def right_little(self) -> tuple[str, ...]:
        """The right little finger's two keys."""
        return self.fingers_of("right", "little")

    @cached_property
    def palm(self) -> tuple[str, ...]:
        """The palm keys."""
        return self.fingers_of("left", "palm")

    @cached_property
    def side(self) -> tuple[str, ...]:
        """The side keys."""
        return self.fingers_of("right", "side")

    # -- fingers ---------------------------------------------------------------------------------------------------

    def _per_finger(self, of: Bools, hand: str) -> Bools:
        columns = [self._any(of, names) for (side, _), names in self._parts.items() if side == hand]
        return np.array(columns).T if columns else np.zeros((len(of), 1), dtype=bool)

    @cached_property
    def _fingers(self) -> dict[str, tuple[Floats, Floats, Floats, Floats, Floats]]:
        """For each hand: fingers that move, close, open, close and open against each other, jump from key to key."""
        result = {}
        for hand in ("left", "right"):
            close, open_ = self._per_finger(self.close, hand), self._per_finger(self.open, hand)
            jump = close & open_
            only_close, only_open = (close & ~jump).sum(axis=1), (open_ & ~jump).sum(axis=1)
            result[hand] = (
                (close | open_).sum(axis=1).astype(float),
                close.sum(axis=1).astype(float),
                open_.sum(axis=1).astype(float),
                np.minimum(only_close, only_open).astype(float),
                jump.sum(axis=1).astype(float),
            )
        return result

    def fingers(self, hand: str) -> Floats:
        """How many fingers of this hand move."""
        return self._fingers[hand][0]

    def contrary(self, hand: str) -> Floats:
        """How many fingers of this hand close while as many others open."""
        return self._fingers[hand][3]

    def jumps(self, hand: str) -> Floats:
        """How many fingers of this hand go from one key to another."""
        return self._fingers[hand][4]

    @cached_property
    def closing(self) -> Floats:
        """Fingers of both hands that close."""
        return self._fingers["left"][1] + self._fingers["right"][1]

    @cached_property
    def opening(self) -> Floats:
        """Fingers of both hands that open."""
        return self._fingers["left"][2] + self._fingers["right"][2]

    @cached_property
    def all_fingers(self) -> Floats:
        """Fingers of both hands that move."""
        return self.fingers("left") + self.fingers("right")

    @cached_property
    def one_way(self) -> Bools:
        """Do all fingers that move either close or open?"""
        return np.asarray(np.minimum(self.opening, self.closing) == 0)

    @cached_property
    def on_the_table(self) -> Floats:
        """How many keys of the left little finger's table move."""
        return self.count(self.moved, self.left_little)

    @cached_property
    def hands_against(self) -> Bools:
        """One hand only closes while the other only opens."""
        (_, lc, lo, _, _), (_, rc, ro, _, _) = self._fingers["left"], self._fingers["right"]
        return np.asarray(((lc > 0) & (ro > 0) & (lo == 0) & (rc == 0)) | ((lo > 0) & (rc > 0) & (lc == 0) & (ro == 0)))

    # -- the octave key --------------------------------------------------------------------------------------------

    @cached_property
    def octave_moves(self) -> Bools:
        """Does the octave key move?"""
        return self.moves(self._octave)

    @cached_property
    def octave_against(self) -> Bools:
        """Does the thumb close while more fingers open, or the other way round?"""
        with_opening = self.closes(self._octave) & (self.opening > self.closing)
        return with_opening | (self.opens(self._octave) & (self.closing > self.opening))

    @cached_property
    def octave_with(self) -> Bools:
        """Does the thumb go the way of most fingers?"""
        with_closing = self.closes(self._octave) & (self.closing > self.opening)
        return with_closing | (self.opens(self._octave) & (self.opening > self.closing))

    @cached_property
    def vent_changes(self) -> Bools:
        """Does the horn change its octave vent while the thumb stays down?"""
        return self.stays(self._octave) & self.moves("l3")

    # -- pitch and cover -------------------------------------------------------------------------------------------

    @cached_property
    def interval(self) -> Floats:
        """Semitones."""
        return np.asarray(np.abs(self.after_midi - self.before_midi), dtype=float)

    @cached_property
    def lower(self) -> Floats:
        """The lower note."""
        return np.minimum(self.before_midi, self.after_midi).astype(float)

    @cached_property
    def upper(self) -> Floats:
        """The upper note."""
        return np.maximum(self.before_midi, self.after_midi).astype(float)

    @cached_property
    def registers(self) -> Floats:
        """How many registers apart: without octave key, with it, palm keys and front."""
        octave = [self._any(of, (self._octave,)).astype(float) for of in (self.before, self.after)]
        before, after = (
            np.where(midi >= _PALM_D, 2.0, on)
            for midi, on in ((self.before_midi, octave[0]), (self.after_midi, octave[1]))
        )
        return np.asarray(np.abs(after - before))

    @cached_property
    def covered(self) -> tuple[Floats, Floats]:
        """Pearls held on the less and on the more covered side."""
        before, after = self.count(self.before, _STACK), self.count(self.after, _STACK)
        return np.minimum(before, after), np.maximum(before, after)

    @cached_property
    def over_the_break(self) -> Bools:
        """From a nearly open to a nearly closed horn with the octave key."""
        least, _ = self.covered
        return self.octave_moves & (self.count(self.before | self.after, _STACK) >= 5) & (least <= 1)


@dataclass(frozen=True, slots=True)
class Term:
    """One term: its name, what it counts, and under which heading a reckoning puts it."""

    name: str
    count: Callable[[Motion], Floats | Bools]
    said: str


def _both(m: Motion, some: Sequence[str], others: Sequence[str]) -> Bools:
    return m.moves(*some) & m.moves(*others)


#: Every term, in the order in which a reckoning names them. What each costs stands in the table of the fit.
TERMS: tuple[Term, ...] = (
    Term("hands combined", lambda m: (m.fingers("left") > 0) & (m.fingers("right") > 0), "hands combined"),
    Term("fingers of the left hand", lambda m: m.fingers("left"), "fingers that move"),
    Term("fingers of the right hand", lambda m: m.fingers("right"), "fingers that move"),
    Term("fingers in all", lambda m: np.sqrt(m.all_fingers), "base"),
    Term("one finger alone", lambda m: m.all_fingers == 1, "base"),
    Term("both hands busy", lambda m: np.minimum(m.fingers("left"), m.fingers("right")), "hands combined"),
    Term("opening against closing", lambda m: np.minimum(m.opening, m.closing), "opening against closing"),
    Term("opening against closing, left hand", lambda m: m.contrary("left"), "opening against closing"),
    Term("opening against closing, right hand", lambda m: m.contrary("right"), "opening against closing"),
    Term("fingers that go one way", lambda m: np.maximum(m.opening, m.closing), "fingers that move"),
    Term(
        "all fingers one way",
        lambda m: m.one_way & (m.all_fingers > 1),
        "fingers that move",
    ),
    Term("hands against each other", lambda m: m.hands_against, "hands combined"),
    Term("left finger from key to key", lambda m: m.jumps("left"), "a finger from key to key"),
    Term("right finger from key to key", lambda m: m.jumps("right"), "a finger from key to key"),
    Term("left index", lambda m: m.moves("l1"), "base"),
    Term("left middle finger", lambda m: m.moves("l2"), "base"),
    Term("left ring finger", lambda m: m.moves("l3"), "base"),
    Term("right index", lambda m: m.moves("r1"), "base"),
    Term("right middle finger", lambda m: m.moves("r2"), "base"),
    Term("right ring finger", lambda m: m.moves("r3"), "base"),
    Term("index-middle flip", lambda m: m.against(("l1",), ("l2",)), "index-middle flip"),
    Term("index-middle flip, right", lambda m: m.against(("r1",), ("r2",)), "index-middle flip"),
    Term("index-ring flip, right", lambda m: m.against(("r1",), _RIGHT_RING), "ring finger flip"),
    Term("middle-ring flip, right", lambda m: m.against(("r2",), _RIGHT_RING), "ring finger flip"),
    Term("little fingers against each other", lambda m: m.against(m.left_little, m.right_little), "little finger"),
    Term("ring finger alone", lambda m: (m.all_fingers == 1) & m.moves("l3", "r3"), "base"),
    Term("little finger alone", lambda m: (m.all_fingers == 1) & m.moves(*m.left_little, *m.right_little), "base"),
    Term("bis key", lambda m: m.bis_moves, "bis key"),
    Term("bis roll", lambda m: m.bis_rolls, "bis roll"),
    Term("left little finger", lambda m: m.moves(*m.left_little), "little finger"),
    Term("G♯ key", lambda m: m.moves("g_sharp"), "little finger"),
    Term("low keys of the table", lambda m: m.moves("low_c_sharp", "low_b", "low_b_flat"), "little finger"),
    Term("low C♯ key", lambda m: m.moves("low_c_sharp"), "little finger"),
    Term("low B key", lambda m: m.moves("low_b"), "little finger"),
    Term("low B♭ key", lambda m: m.moves("low_b_flat"), "little finger"),
    Term("little-finger slide", lambda m: m.closes(*m.left_little) & m.opens(*m.left_little), "little-finger slide"),
    Term("slide between C♯ and B♭", lambda m: m.moves("low_c_sharp") & m.moves("low_b_flat"), "little-finger slide"),
    Term("slide between B and B♭", lambda m: m.moves("low_b") & m.moves("low_b_flat"), "little-finger slide"),
    Term(
        "slide from or to G♯",
        lambda m: m.moves("g_sharp") & (m.on_the_table == 2),
        "little-finger slide",
    ),
    Term("right little finger", lambda m: m.moves(*m.right_little), "little finger"),
    Term("E♭ key", lambda m: m.moves("e_flat"), "little finger"),
    Term("little-finger slide, right", lambda m: m.count(m.moved, m.right_little) == 2, "little-finger slide"),
    Term("both little fingers", lambda m: _both(m, m.left_little, m.right_little), "little finger"),
    Term("palm key", lambda m: m.moves(*m.palm), "palm keys"),
    Term("palm keys, each", lambda m: m.count(m.moved, m.palm), "palm keys"),
    Term("palm key with the stack", lambda m: _both(m, m.palm, _LEFT_STACK), "palm keys"),
    Term("palm keys alone", lambda m: m.moves(*m.palm) & ~m.moves(*_LEFT_STACK), "palm keys"),
    Term("palm key stays", lambda m: m.stays(*m.palm), "palm keys"),
    Term("from palm key to palm key", lambda m: m.stays(*m.palm) & m.moves(*m.palm, *m.side), "palm keys"),
    Term("side key", lambda m: m.moves(*m.side), "side keys"),
    Term("side E key", lambda m: m.moves("side_e"), "side keys"),
    Term("side B♭ key", lambda m: m.moves("side_b_flat"), "side keys"),
    Term("side key, the hand leaving the stack", lambda m: _both(m, m.side, _RIGHT_STACK), "side keys"),
    Term("front key", lambda m: m.moves("front_f"), "front key"),
    Term("index from pearl to front key", lambda m: m.moves("front_f") & m.moves("l1"), "front key"),
    Term("high F♯ key", lambda m: m.moves("high_f_sharp"), "front key"),
    Term("chromatic key", lambda m: m.moves("chromatic_f_sharp"), "chromatic key"),
    Term(
        "ring finger between its keys",
        lambda m: m.moves("chromatic_f_sharp", "high_f_sharp") & m.moves("r3"),
        "chromatic key",
    ),
    Term("octave key", lambda m: m.octave_moves, "octave key and vent"),
    Term("octave key alone", lambda m: m.octave_moves & (m.all_fingers == 0), "octave key and vent"),
    Term("thumb against the fingers", lambda m: m.octave_against, "octave key and vent"),
    Term("thumb with the fingers", lambda m: m.octave_with, "octave key and vent"),
    Term("octave vent changes", lambda m: m.vent_changes, "octave key and vent"),
    Term("over the break", lambda m: m.over_the_break, "octave key and vent"),
    Term("pearls that stay down", lambda m: m.count(m.stay, _STACK), "base"),
    Term("keys that stay down", lambda m: m.stay.sum(axis=1), "base"),
    Term("pearls that differ", lambda m: np.abs(m.covered[1] - m.covered[0]), "fingers that move"),
    Term("cover of the lower note", lambda m: m.covered[1] / 6, "base"),
    Term("cover of the upper note", lambda m: m.covered[0] / 6, "base"),
    Term("leap", lambda m: m.interval / 12, "leap"),
    Term("size of the interval", lambda m: np.log1p(m.interval), "leap"),
    Term("a step", lambda m: m.interval <= 2, "base"),
    Term("an octave or more", lambda m: m.interval >= 12, "leap"),
    Term("beyond the octave", lambda m: np.maximum(0.0, m.interval - 12) / 12, "leap"),
    Term("low note", lambda m: np.maximum(0.0, _LOW_E - m.lower) / 6, "low notes"),
    Term("both notes low", lambda m: np.maximum(0.0, _LOW_E - m.upper) / 6, "low notes"),
    Term("below low D", lambda m: m.lower < _LOW_D, "low notes"),
    Term("bell keys", lambda m: m.lower < _LOW_C, "low notes"),
    Term("high note", lambda m: np.maximum(0.0, m.upper - (_PALM_D - 2)) / 6, "high notes"),
    Term("both notes high", lambda m: np.maximum(0.0, m.lower - (_PALM_D - 2)) / 6, "high notes"),
    Term("top note", lambda m: m.upper >= _TOP_E, "high notes"),
    Term("where on the horn", lambda m: (m.lower + m.upper - 2 * 74) / 24, "base"),
    Term("change of register", lambda m: m.registers, "leap"),
    Term("into the palm keys' register", lambda m: (m.upper >= _PALM_D) & (m.lower < _PALM_D), "high notes"),
    Term("within the palm keys' register", lambda m: m.lower >= _PALM_D, "high notes"),
    Term("low note and octave key", lambda m: (m.lower <= _LOW_D) & m.octave_moves, "low notes"),
    Term("low note and palm keys' register", lambda m: (m.lower <= 65) & (m.upper >= _PALM_D), "low notes"),
)


def terms_of(chart: Chart, befores: Sequence[Fingering], afters: Sequence[Fingering]) -> Floats:
    """Every term of every change.

    Parameters
    ----------
    chart
        The instrument of all fingerings.
    befores, afters
        From and to, equally many.

    Returns
    -------
    array of shape (changes, len(TERMS))
        In the order of `TERMS`.
    """
    motion = Motion(chart, befores, afters)
    return np.array([np.asarray(term.count(motion), dtype=float) for term in TERMS]).T
