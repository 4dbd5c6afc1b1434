"""Plain letters for signs that an output can't take: B♭ must not become B?, for then B♮ looks the same."""

from __future__ import annotations

import unicodedata

__all__ = ["plain_ascii"]

_LETTERS = {
    "♭": "b", "♯": "#", "♮": " natural", "–": "-", "—": "-", "−": "-", "’": "'", "‘": "'", "“": '"', "”": '"',
    "…": "...", "×": "x", "●": "X", "○": "o", "◇": "P", "→": "->", "←": "<-", "·": ".", "±": "+/-",
    "♩": "quarter", "♪": "eighth",
}  # fmt: skip


def plain_ascii(text: str) -> str:
    """The text in plain letters; `É` becomes E, and `¼` 1/4 after a space."""
    return text if text.isascii() else "".join(map(_plain, text))


def _plain(sign: str) -> str:
    if sign.isascii():
        return sign
    if sign in _LETTERS:
        return _LETTERS[sign]
    parts = unicodedata.normalize("NFKD", sign)
    if "\u2044" in parts:  # the stroke of a fraction
        parts = " " + parts.replace("\u2044", "/")
    return "".join(part for part in parts if part.isascii()) or "?"
