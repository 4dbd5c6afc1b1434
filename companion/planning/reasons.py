"""One sentence a student understands: why this fingering here. The name stands beside it, so it says none.

The sentence names what the rule of practice is about; what the change saves against the next best fingering follows in
milliseconds, where it is enough to be felt.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from companion.charts.model import Fingering
from companion.passage import Passage
from companion.planning.model import Choice, RunnerUp
from companion.planning.rules import (
    Situation,
    flips_long_c_sharp,
    is_chromatic_f_sharp,
    is_middle_finger_c,
    low_keys_beside,
)
from companion.planning.steps import Step
from companion.units import ms_from_s

__all__ = ["MOST_LETTERS", "NOTHING_ELSE", "Why", "called", "reason_for", "reason_in_full"]

#: Three lines of the stand's smallest window.
MOST_LETTERS = 95
_USUAL = "the usual fingering"
#: A difference below this is not worth a figure: it is within the spread of one player's own changes.
_WORTH_NAMING_S = 0.005
#: What another fingering would save is said from here on, but not of held notes, where nobody hurries.
_WORTH_ADMITTING_S = 0.02


class Why(NamedTuple):
    """What decided: the name of the rule, empty for ease; seconds saved a change against `rival`, the next best."""

    rule: str
    saved_s: float
    rival: Fingering | None


NOTHING_ELSE = Why("", 0.0, None)


class _View:
    """What a sentence may speak of: the step, the fingerings around it and the names of the notes there."""

    def __init__(
        self, passage: Passage, step: Step, before: Fingering | None, this: Fingering, after: Fingering | None
    ) -> None:
        self._passage = passage
        self._step = step
        self.situation: Situation = step.situation
        self.this = this
        self.around = [(i, f) for i, f in ((step.first - 1, before), (step.last + 1, after)) if f is not None]
        self.trill_midi = step.situation.trill or 0

    @property
    def here(self) -> str:
        """The note's name."""
        return self._name(self._step.first)

    @property
    def trilled(self) -> str:
        """The name of the trill's other note."""
        trill = self._passage.notes[self._step.first].trill
        return trill.other.name if trill else ""

    @property
    def keys_around(self) -> list[frozenset[str]]:
        """The keys before and after."""
        return [fingering.keys for _, fingering in self.around]

    def _name(self, index: int) -> str:
        return self._passage.notes[index].written.name

    def beside(self, *midis: int) -> str:
        """The name of the first neighbour that is one of these notes; empty if none is."""
        for index, fingering in self.around:
            if fingering.written_midi in midis:
                return self._name(index)
        return self.trilled if self.trill_midi in midis else ""

    def where(self, test: Callable[[frozenset[str]], bool]) -> str:
        """The name of the first neighbour whose keys pass the test; empty if none does."""
        return next((self._name(index) for index, fingering in self.around if test(fingering.keys)), "")


def reason_for(
    passage: Passage,
    step: Step,
    before: Fingering | None,
    this: Fingering,
    after: Fingering | None,
    others: tuple[RunnerUp, ...],
    trill: Fingering | None,
    why: Why,
) -> str:
    """Why `this` was chosen. `others` are the runners-up, cheapest first; `trill` fingers the other note of a trill."""
    if step.mark is not None:
        reason = "marked by hand, and the mark decides"
    elif len(step.candidates) == 1 and this.standard and trill is None:
        return _USUAL
    else:
        view = _View(passage, step, before, this, after)
        if trill is not None and not _is_usual(this):
            return _TRILL_SPEAKERS.get(this.written_midi, _trilled_otherwise)(view)
        speak = _SPEAKERS.get(this.written_midi)
        reason = (speak(view) if speak and trill is None else "") or _by_difference(this, others, why)
        if trill is None:
            reason += _in_figures(reason, step, why)
    if trill is None:
        return reason
    written = passage.notes[step.first].trill
    other = written.other.name if written else ""
    if _is_usual(trill):
        return f"{reason}{' for both notes of the' if reason == _USUAL else ';'} trill with {other}"
    return f"{reason}; trill with {other} by {trill.name}"


def reason_in_full(choice: Choice, why: str) -> str:
    """The reason for a choice; where a mark by hand decided, with what the teacher wrote about it."""
    return f"marked by hand: {why}" if why and choice.fixed else choice.reason


def _is_usual(fingering: Fingering) -> bool:
    return fingering.standard and fingering.name == "standard"


def _by_difference(this: Fingering, others: tuple[RunnerUp, ...], why: Why) -> str:
    if _is_usual(this):
        return _USUAL
    if why.rival is not None and why.saved_s >= _WORTH_NAMING_S:
        return f"a change takes {ms_from_s(why.saved_s):.0f} ms less than with {called(why.rival)}"
    if others and others[0].extra_s >= _WORTH_NAMING_S:
        return f"some {ms_from_s(others[0].extra_s):.0f} ms easier here than {called(others[0].fingering)}"
    return this.use or "the easiest way through here"


def _in_figures(reason: str, step: Step, why: Why) -> str:
    """What it saves, or what it costs, where that is worth saying and there is room for it."""
    if why.rival is None or reason == _USUAL or " ms " in reason:
        return ""
    if why.saved_s >= _WORTH_NAMING_S:
        figures = [f" (saves {ms_from_s(why.saved_s):.0f} ms a change)"]
    elif why.saved_s <= -_WORTH_ADMITTING_S and not step.situation.held:
        slower = f"{ms_from_s(-why.saved_s):.0f} ms"
        figures = [f", though {called(why.rival)} is {slower} quicker"]
        if _is_usual(why.rival):
            figures.append(f", though {slower} slower")  # than usual, as goes without saying
    else:
        return ""
    return next((words for words in figures if len(reason) + len(words) <= MOST_LETTERS), "")


def called(fingering: Fingering) -> str:
    """What a sentence calls a fingering."""
    return "the usual fingering" if fingering.name == "standard" else fingering.name


def _b_flat(view: _View) -> str:
    keys, b = view.this.keys, view.beside(71, 83)
    if "bis" in keys:
        return "" if b else _bis(view)
    if "side_b_flat" in keys and b:
        return f"{b} is next to it, and the index must not slide between its pearl and bis"
    a, c = view.beside(69, 81), view.where(is_middle_finger_c)
    if "side_b_flat" in keys and view.situation.shaken and (a or c):
        return f"a written-out trill with {a or c}, where it is quicker than bis"
    if "side_b_flat" in keys and c:
        return f"between two {view.beside(72, 84) or 'C'}s bis would flip index against middle finger"
    finger = "r2" if "r2" in keys else "r1" if "r1" in keys else ""
    near = view.where(lambda other: finger in other and "l3" in other) if finger else ""
    if b and near:
        return f"{near} needs that right finger too, and from bis the index would slide to {b}"
    return ""


def _bis(view: _View) -> str:
    no_b = "no B♮ next to it"
    if view.situation.held:
        return f"{no_b}; it is held, and bis has the best tone"
    if view.situation.tongue_hides and sum(map(is_middle_finger_c, view.keys_around)) == 2:
        return f"{no_b}, and the tongue hides the flip of the fingers"
    if view.around and not any(_RIGHT & (keys ^ view.this.keys) for keys in view.keys_around):
        return f"{no_b}, and it keeps the change in one hand"
    return f"{no_b}, and one hand alone fingers it"


def _b_flat_trill(view: _View) -> str:
    if "side_b_flat" in view.this.keys and view.trill_midi in (71, 83):
        return f"for the trill with {view.trilled}, since the index must not slide between its pearl and bis"
    if "side_b_flat" in view.this.keys and view.trill_midi in (72, 84):
        return f"for the trill with {view.trilled}, where bis would flip index against middle finger"
    if "side_b_flat" in view.this.keys and view.trill_midi in (69, 81):
        return f"for the trill with {view.trilled}, where it is quicker than bis"
    return _trilled_otherwise(view)


def _c(view: _View) -> str:
    if "side_c" in view.this.keys:
        return "a quick turn with B, where index and middle finger would flip"
    if not view.beside(71, 83):
        return _USUAL
    if view.situation.held:
        return "middle finger: it is held, and side C would change the tone"
    return "middle finger: side C changes the tone and is kept for trills and quick turns"


def _c_trill(view: _View) -> str:
    return f"for the trill with {view.trilled}, where index and middle finger would flip"


def _f_sharp(view: _View) -> str:
    f = view.beside(65, 77)
    if is_chromatic_f_sharp(view.this.keys):
        return f"{f or 'F'} is next to it, and one finger moves instead of two against each other"
    ring = view.where(lambda keys: "r3" in keys)
    if f and ring:
        return f"the usual {view.here}, though {f} is beside it: {ring} needs the ring finger on its own key"
    return _USUAL if view.this.standard else ""


def _c_sharp(view: _View) -> str:
    d = view.beside(74)
    if "l3" in view.this.keys and "r1" in view.this.keys and d:
        return f"{d} is next to it, and the right hand stays down"
    if "low_c_sharp" in view.this.keys and view.where(lambda keys: "low_c_sharp" in keys):
        return f"from or to the {view.beside(61) or view.here} an octave below only the thumb moves"
    flip = view.where(flips_long_c_sharp)
    if view.this.standard and d and flip:
        return f"the usual {view.here}: in a quick line the long one would flip fingers against {flip}"
    return _USUAL if view.this.standard else ""


def _top(view: _View) -> str:
    palm = view.where(lambda keys: "palm_d" in keys)
    if "front_f" in view.this.keys:
        stack = view.where(lambda keys: "palm_d" not in keys and "front_f" not in keys)
        front = view.where(lambda keys: "front_f" in keys)
        if not stack and front:
            return f"{front} beside it is a front fingering too"
        return f"a leap to or from {stack or 'the stack'}, with no palm keys to find"
    return f"palm keys: {palm} beside it uses them too" if palm else _USUAL


def _g_sharp(view: _View) -> str:
    if not view.this.keys & low_keys_beside(*(fingering for _, fingering in view.around)):
        return ""
    low = view.where(lambda keys: bool(keys & view.this.keys & _LOW_KEYS))
    return f"the little finger stays on its key for {low}, and that key opens G♯ too"


def _trilled_otherwise(view: _View) -> str:
    # High D is a palm key's own note; an octave lower the palm keys are sharp.
    low = "palm_d" in view.this.keys and "octave" not in view.this.keys
    too_sharp = "; in a line it would be too sharp" if low else ""
    return f"for the trill with {view.trilled}{too_sharp}"


_RIGHT = frozenset({"r1", "r2", "r3", "side_b_flat", "side_c", "side_e", "e_flat", "low_c", "chromatic_f_sharp"})
_LOW_KEYS = frozenset({"low_c_sharp", "low_b", "low_b_flat"})

_SPEAKERS: dict[int, Callable[[_View], str]] = {
    66: _f_sharp, 78: _f_sharp, 68: _g_sharp, 80: _g_sharp, 70: _b_flat, 82: _b_flat, 72: _c, 84: _c, 73: _c_sharp,
    88: _top, 89: _top, 90: _top,
}  # fmt: skip
_TRILL_SPEAKERS: dict[int, Callable[[_View], str]] = {70: _b_flat_trill, 82: _b_flat_trill, 72: _c_trill, 84: _c_trill}
