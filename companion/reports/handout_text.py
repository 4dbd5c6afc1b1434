"""Text that people wrote, made fit for a printed sheet: one line, in signs that the fonts have."""

from __future__ import annotations

import json
import unicodedata
from functools import cache

from companion.engraving import fonts

__all__ = ["LACKING", "fit_for_paper"]

#: Stands for a sign that the fonts lack; the sheet draws a box for it.
LACKING = "\ufffd"
#: A word longer than this may be broken, after so many letters each.
_LONG_WORD, _PIECE = 28, 14
_MAY_BREAK = "\u200b"


def fit_for_paper(text: str) -> tuple[str, tuple[str, ...]]:
    """The text as it can be printed, and the signs that the fonts lack, each once.

    Line breaks become spaces. Control characters and those that turn the direction of writing are left out. What the
    fonts have no sign for becomes `LACKING`, what belongs to such a sign (an accent on it, its colour) goes with it.
    """
    lacking: dict[str, None] = {}
    letters: list[str] = []
    for letter in unicodedata.normalize("NFC", " ".join(text.split())):
        kind = unicodedata.category(letter)
        if kind in ("Cc", "Cf", "Cs"):
            continue
        if _has(letter):
            letters.append(letter)
        elif kind in ("Mn", "Me", "Mc") and letters:
            lacking[f"◌{letter}"] = None
        else:
            letters.append(LACKING)
            lacking[letter] = None
    words = "".join(letters).split(" ")
    return " ".join(_breakable(word) for word in words if word), tuple(lacking)


def _breakable(word: str) -> str:
    if len(word) <= _LONG_WORD:
        return word
    return _MAY_BREAK.join(word[start : start + _PIECE] for start in range(0, len(word), _PIECE))


def _has(letter: str) -> bool:
    return letter in _common() or ord(letter) in _all()


@cache
def _common() -> frozenset[str]:
    """The letters whose widths are known: nearly every text has no others."""
    return frozenset(json.loads(fonts.ADVANCES.read_text(encoding="utf-8"))["Regular"])


@cache
def _all() -> frozenset[int]:
    """What every face has a sign for."""
    from matplotlib.ft2font import FT2Font

    faces = (fonts.TEXT_REGULAR, fonts.TEXT_ITALIC, fonts.TEXT_BOLD, fonts.TEXT_BOLD_ITALIC)
    return frozenset.intersection(*(frozenset(FT2Font(str(face)).get_charmap()) for face in faces))
