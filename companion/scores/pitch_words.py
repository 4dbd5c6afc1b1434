"""Pitches as people type them: `B-flat4`, `Bb4`, `B♭4`, `F#5`, `C♯5`."""

from __future__ import annotations

import re

from companion.errors import UsageError
from companion.passage import Pitch
from companion.scores.guards import shown

__all__ = ["pitch_from"]

_ACCIDENTAL = "flat flat|double-flat|flat|sharp|double-sharp|natural|♭♭|bb|♭|b|##|♯♯|x|#|♯|♮"
_PITCH = re.compile(rf"([a-g])(?:[ -]?({_ACCIDENTAL}))? ?(-?\d)")
_ALTERS = {
    "": 0, "natural": 0, "♮": 0, "flat": -1, "♭": -1, "b": -1, "sharp": 1, "#": 1, "♯": 1, "double-flat": -2, "♭♭": -2,
    "flat flat": -2, "bb": -2, "double-sharp": 2, "##": 2, "♯♯": 2, "x": 2,
}  # fmt: skip


def pitch_from(text: str) -> Pitch:
    """The pitch that a text such as `B-flat4` names; octave 4 starts at middle C.

    Raises
    ------
    UsageError
        Where it names none.
    """
    match = _PITCH.fullmatch(text.strip().casefold())
    if match is None:
        raise UsageError(f"{shown(text)} is no pitch: write letter, accidental and octave, such as B-flat4 or F#5")
    pitch = Pitch(match[1].upper(), _ALTERS[match[2] or ""], int(match[3]))
    if not 0 <= pitch.midi <= 127:
        raise UsageError(f"{shown(text)} lies beyond all instruments: the octave of middle C is 4")
    return pitch
