"""How much room words take in the text face, from a table of widths, so that no font has to be opened for it."""

from __future__ import annotations

import json
from functools import cache

from companion.engraving import fonts

__all__ = ["ASCENT_EM", "DESCENT_EM", "text_width"]

#: How far letters reach above and below their line; capitals with accents go a little higher and are rare.
ASCENT_EM, DESCENT_EM = 0.70, 0.22
_UNKNOWN_LETTER = 700


@cache
def _advances(face: str) -> dict[str, int]:
    widths: dict[str, dict[str, int]] = json.loads(fonts.ADVANCES.read_text(encoding="utf-8"))
    return widths[face]


def text_width(text: str, size: float, face: str) -> float:
    """Width of `text` in the unit of `size`; `face` is `Regular`, `Italic`, `Bold` or `BoldItalic`.

    A letter that the table lacks counts as a wide one.
    """
    advances = _advances(face)
    return sum(advances.get(letter, _UNKNOWN_LETTER) for letter in text) * size / 1000
