"""One sentence a student understands: why this fingering here."""

from __future__ import annotations

from collections.abc import Callable

from companion.charts.model import Fingering
from companion.passage import Passage
from companion.planning.model import RunnerUp
from companion.planning.rules import Situation, is_chromatic_f_sharp, slides_bis
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
        reason = f"{this.name}: marked by hand, and the mark decides"
    elif len(step.candidates) == 1 and this.standard and trill is None:
        return _USUAL
    else:
        view = _View(passage, step, before, this, after)
        speak = _SPEAKERS.get(this.written_midi)
        reason = (speak(view) if speak else "") or _by_difference(this, others)
    if trill is not None:
        other = passage.notes[step.first].trill
        how = "its usual fingering" if trill.standard and trill.name == "standard" else trill.name
        reason += f"; trill with {other.other.name if other else ''} by {how}"
    return reason


def _by_difference(this: Fingering, others: tuple[RunnerUp, ...]) -> str:
    if this.standard and this.name == "standard":
        return _USUAL
    if others and others[0].extra_s >= _WORTH_NAMING_S:
        return (
            f"{this.name}: some {ms_from_s(others[0].extra_s):.0f} ms easier here than {_called(others[0].fingering)}"
        )
    return f"{this.name}: {this.use}" if this.use else f"{this.name}: the easiest way through here"


def _called(fingering: Fingering) -> str:
    return "the usual fingering" if fingering.name == "standard" else fingering.name


def _b_flat(view: _View) -> str:
    keys, b = view.this.keys, view.beside(71, 83)
    slide = view.where(lambda other: slides_bis(other, frozenset({"l1", "bis"})))
    if "bis" in keys:
        return "" if b else "bis: no B♮ beside it, and it stays in one hand"
    if "side_b_flat" in keys and b:
        return f"side: {b} stands next to it, and the index must not slide {'from' if slide else 'to or from'} bis"
    if "side_b_flat" in keys and view.where(lambda other: "l2" in other and "l1" not in other):
        return f"side: between two {view.beside(72, 84) or 'C'}s bis would flip index against middle finger"
    if "r2" in keys and b:
        return f"1-and-2: the right hand's finger is down for F♯ already, and with {b} beside it bis would slide"
    if "r1" in keys and b:
        return f"1-and-1: the right hand's finger is down for F already, and with {b} beside it bis would slide"
    return ""


def _c(view: _View) -> str:
    if "side_c" in view.this.keys:
        return "side C: a quick turn with B, where index and middle finger would flip"
    if view.beside(71, 83):
        held = "it is held, and " if view.situation.held else ""
        return f"middle finger: {held}side C has another tone, for trills and quick turns only"
    return _USUAL


def _f_sharp(view: _View) -> str:
    f = view.beside(65, 77)
    if is_chromatic_f_sharp(view.this.keys):
        return f"chromatic: {f or 'F'} stands next to it, and one finger moves instead of two against each other"
    ring = view.where(lambda keys: "r3" in keys)
    if f and ring:
        return f"the usual F♯, though {f} is beside it: {ring} needs the ring finger on its own key"
    return _USUAL


def _c_sharp(view: _View) -> str:
    d = view.beside(74)
    if "l3" in view.this.keys and "r1" in view.this.keys and d:
        return f"long C♯: {d} stands next to it, and the right hand stays down"
    return _USUAL if view.this.standard else ""


def _top(view: _View) -> str:
    palm = view.where(lambda keys: "palm_d" in keys)
    if "front_f" in view.this.keys:
        stack = view.where(lambda keys: "palm_d" not in keys and "front_f" not in keys)
        return f"front: a leap {'between it and ' + stack if stack else 'from the stack'}, with no palm keys to find"
    return f"palm keys: {palm} beside it has the hand there already" if palm else _USUAL


def _g_sharp(view: _View) -> str:
    key = next((name for name in ("low_b", "low_b_flat", "low_c_sharp") if name in view.this.keys), "")
    low = view.where(lambda keys: key in keys) if key else ""
    return f"{view.this.name}: the little finger stays on its key for {low}, and that key opens G♯ too" if low else ""


def _palm_trill(view: _View) -> str:
    if view.this.only_for == "trill":
        return f"{view.this.name}: a trill with {view.trilled}; for a line it would be too sharp"
    return _USUAL


_SPEAKERS: dict[int, Callable[[_View], str]] = {
    66: _f_sharp, 78: _f_sharp, 68: _g_sharp, 80: _g_sharp, 70: _b_flat, 82: _b_flat, 72: _c, 84: _c, 73: _c_sharp,
    74: _palm_trill, 75: _palm_trill, 76: _palm_trill, 88: _top, 89: _top, 90: _top,
}  # fmt: skip
