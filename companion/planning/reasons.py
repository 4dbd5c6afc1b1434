"""One sentence a student understands: why this fingering here. The name stands beside it, so it says none."""

from __future__ import annotations

from collections.abc import Callable

from companion.charts.model import Fingering
from companion.passage import Passage
from companion.planning.model import RunnerUp
from companion.planning.rules import Situation, flips_long_c_sharp, is_chromatic_f_sharp
from companion.planning.steps import Step
from companion.units import ms_from_s

__all__ = ["reason_for"]

_USUAL = "the usual fingering"
#: A difference below this is not worth a figure: it is within the spread of one player's own changes.
_WORTH_NAMING_S = 0.005


class _View:
    """What a sentence may speak of: the step, the fingerings around it and the names of the notes there."""

    def __init__(
        self, passage: Passage, step: Step, before: Fingering | None, this: Fingering, after: Fingering | None
    ) -> None:
        notes = passage.notes
        self.situation: Situation = step.situation
        self.this = this
        self.around: list[tuple[str, Fingering]] = []
        if before is not None:
            self.around.append((notes[step.first - 1].written.name, before))
        if after is not None:
            self.around.append((notes[step.last + 1].written.name, after))
        self.here = notes[step.first].written.name
        trill = notes[step.first].trill
        self.trilled = trill.other.name if trill else ""
        self.trilled_midi = trill.other.midi if trill else 0

    def beside(self, *midis: int) -> str:
        """The name of the first neighbour that is one of these notes; empty if none is."""
        found = [name for name, fingering in self.around if fingering.written_midi in midis]
        if not found and self.situation.trill in midis:
            return self.trilled
        return found[0] if found else ""

    def where(self, test: Callable[[frozenset[str]], bool]) -> str:
        """The name of the first neighbour whose keys pass the test; empty if none does."""
        return next((name for name, fingering in self.around if test(fingering.keys)), "")


def reason_for(
    passage: Passage,
    step: Step,
    before: Fingering | None,
    this: Fingering,
    after: Fingering | None,
    others: tuple[RunnerUp, ...],
    trill: Fingering | None,
) -> str:
    """Why `this` was chosen. `others` are the runners-up, cheapest first; `trill` fingers the other note of a trill."""
    if step.fixed:
        reason = "marked by hand, and the mark decides"
    elif len(step.candidates) == 1 and this.standard and trill is None:
        return _USUAL
    else:
        view = _View(passage, step, before, this, after)
        if trill is not None and not _is_usual(this):
            return _TRILL_SPEAKERS.get(this.written_midi, _trilled_otherwise)(view)
        speak = _SPEAKERS.get(this.written_midi)
        reason = (speak(view) if speak and trill is None else "") or _by_difference(this, others)
    if trill is None:
        return reason
    written = passage.notes[step.first].trill
    other = written.other.name if written else ""
    if _is_usual(trill):
        return f"{reason}{' for both notes of the' if reason == _USUAL else ';'} trill with {other}"
    return f"{reason}; trill with {other} by {trill.name}"


def _is_usual(fingering: Fingering) -> bool:
    return fingering.standard and fingering.name == "standard"


def _by_difference(this: Fingering, others: tuple[RunnerUp, ...]) -> str:
    if _is_usual(this):
        return _USUAL
    if others and others[0].extra_s >= _WORTH_NAMING_S:
        return f"some {ms_from_s(others[0].extra_s):.0f} ms easier here than {_called(others[0].fingering)}"
    return this.use or "the easiest way through here"


def _called(fingering: Fingering) -> str:
    return "the usual fingering" if fingering.name == "standard" else fingering.name


def _b_flat(view: _View) -> str:
    keys, b = view.this.keys, view.beside(71, 83)
    if "bis" in keys:
        return "" if b else "no B♮ beside it, and it takes one hand only"
    if "side_b_flat" in keys and b:
        return f"{b} stands next to it, and the index must not slide between its pearl and bis"
    if "side_b_flat" in keys and view.where(lambda other: "l2" in other and "l1" not in other):
        return f"between two {view.beside(72, 84) or 'C'}s bis would flip index against middle finger"
    finger = "r2" if "r2" in keys else "r1" if "r1" in keys else ""
    near = view.where(lambda other: finger in other and "l3" in other) if finger else ""
    if b and near:
        return f"{near} needs that right finger too, and from bis the index would slide to {b}"
    return ""


def _b_flat_trill(view: _View) -> str:
    if "side_b_flat" in view.this.keys and view.trilled_midi in (71, 83):
        return f"for the trill with {view.trilled}, since the index must not slide between its pearl and bis"
    if "side_b_flat" in view.this.keys and view.trilled_midi in (72, 84):
        return f"for the trill with {view.trilled}, where bis would flip index against middle finger"
    if "side_b_flat" in view.this.keys and view.trilled_midi in (69, 81):
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
        return f"{f or 'F'} stands next to it, and one finger moves instead of two against each other"
    ring = view.where(lambda keys: "r3" in keys)
    if f and ring:
        return f"the usual {view.here}, though {f} is beside it: {ring} needs the ring finger on its own key"
    return _USUAL


def _c_sharp(view: _View) -> str:
    d = view.beside(74)
    if "l3" in view.this.keys and "r1" in view.this.keys and d:
        return f"{d} stands next to it, and the right hand stays down"
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
    key = next((name for name in ("low_b", "low_b_flat", "low_c_sharp") if name in view.this.keys), "")
    low = view.where(lambda keys: key in keys) if key else ""
    return f"the little finger stays on its key for {low}, and that key opens G♯ too" if low else ""


def _trilled_otherwise(view: _View) -> str:
    too_sharp = "; in a line it would be too sharp" if "palm_d" in view.this.keys else ""
    return f"for the trill with {view.trilled}{too_sharp}"


_SPEAKERS: dict[int, Callable[[_View], str]] = {
    66: _f_sharp, 78: _f_sharp, 68: _g_sharp, 80: _g_sharp, 70: _b_flat, 82: _b_flat, 72: _c, 84: _c, 73: _c_sharp,
    88: _top, 89: _top, 90: _top,
}  # fmt: skip
_TRILL_SPEAKERS: dict[int, Callable[[_View], str]] = {70: _b_flat_trill, 82: _b_flat_trill, 72: _c_trill, 84: _c_trill}
