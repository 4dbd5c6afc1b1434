"""Words about tempo as players meet them in scores (common practice, no source): what they ask for."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

__all__ = [
    "MarkInWords", "asks_swing", "back_to", "bends", "in_plain_signs", "mark_in_words", "speaks_of_tempo",
    "times_as_fast",
]  # fmt: skip

_BENDING = (
    r"rit\b|ritard|riten|rall|accel|string(?:endo|\.)|stretto|allarg|slentando|calando|morendo|smorz|rubato|ad lib"
    r"|animando|affrett|tratten|a piacere|liberamente|freely|cadenza|slow(?:ing)? down|hold(?:ing)? back"
    r"|reten[uie]|c[ée]de[rz]\b|c[ée]dant|ralent|[ée]larg|presse[rz]\b|en pressant|serre[rz]\b|en serrant|acc[ée]l[ée]r"
    r"|librement"
    r"|zur[üu]ckhalt|verbreiter|langsamer werd|schneller werd|beschleunig|dr[äa]ngend|nachlass|frei\b"
)
_BENDS = re.compile(rf"\b(?:{_BENDING})")
_SWING = r"swing|swung|shuffle"
_TEMPO = re.compile(
    rf"\b(?:{_BENDING}|{_SWING}|tempo\b|mosso|meno\b|pi[uù]\b|lento|largo|larghetto|adagio|andant|moderato|allegr|vivace"
    r"|vivo\b|animato|grave\b|presto|doppio movimento|slower|faster|straight (?:8|eight|quaver)"
    r"|mod[ée]r[ée]|lent\b|lentement|vif\b|vite\b|anim[ée]\b|rapide|mouv(?:ement|t)"
    r"|langsam|schnell|lebhaft|m[äa](?:ß|ss)ig|ruhig|bewegt|zeitma(?:ß|ss))"
)
_FIRST_TEMPO = re.compile(
    r"\btempo (?:i|1|primo|1o|1[°º]|i[°º]|del principio)(?:\b|$|\s|\.)|\b(?:1st|first) tempo\b"
    r"|\b(?:1er|premier) (?:mouv(?:ement|t)|tempo)|\berstes (?:zeitma(?:ß|ss)|tempo)"
)
_TEMPO_BEFORE = re.compile(r"\b(?:a|in) tempo\b|^tempo$|\bau mouv(?:ement|t)|\bim zeitma(?:ß|ss)")
_NO_SWING = re.compile(r"\b(?:no|not|without|non)\s+(?:swing|swung|shuffle)")

_DOUBLE = re.compile(r"\bdoppio movimento\b")
#: Signs of notes in text, in quarters.
_SIGNS = {
    sign: Fraction(beats)
    for sign, beats in (
        ("𝅝", 4), ("𝅗𝅥", 2), ("\U0001d15e", 2), ("♩", 1), ("\U0001d158\U0001d165", 1), ("\U0001d15f", 1),
        ("♪", "1/2"), ("\U0001d158\U0001d165\U0001d16e", "1/2"), ("\U0001d160", "1/2"), ("𝅘𝅥𝅯", "1/4"),
    )
}  # fmt: skip
#: Glyphs for metronome marks in SMuFL 1.4 (from memory), which no text font has.
_GLYPHS = str.maketrans({
    "\ueca2": "𝅝", "\ueca3": "𝅗𝅥", "\ueca4": "𝅗𝅥", "\ueca5": "♩", "\ueca6": "♩", "\ueca7": "♪", "\ueca8": "♪",
    "\ueca9": "𝅘𝅥𝅯", "\uecaa": "𝅘𝅥𝅯", "\uecb7": ".", "\U0001d16d": ".",
})  # fmt: skip
#: Letters of the older music fonts, which are left when only the text of a mark is exported.
_LETTERS = {letter: Fraction(beats) for letter, beats in (("w", 4), ("h", 2), ("q", 1), ("e", "1/2"), ("x", "1/4"))}
_SIGN = "|".join(sorted(map(re.escape, _SIGNS), key=len, reverse=True))
_DOT = r"\.?"
_NOTE = rf"(?:(?P<sign>{_SIGN})|(?<![^\s(\[])(?P<letter>[whqex]))\s*(?P<dot>{_DOT})"
_MARK = re.compile(rf"{_NOTE}\s*=\s*(?:c(?:a|irca)?\.?\s*)?(?P<number>[0-9]{{2,3}}(?:\.[0-9]{{1,3}})?)(?![0-9])")
_RELATION = re.compile(
    rf"(?P<old>{_SIGN})\s*(?P<old_dot>{_DOT})\s*=\s*(?P<new>{_SIGN})\s*(?P<new_dot>{_DOT})\s*[)\]]?\s*$"
)


@dataclass(frozen=True, slots=True)
class MarkInWords:
    """A metronome mark that is written as text: it counts notes of `beats` quarters, `number` of them a minute, or so
    many that one lasts as long as one of `old_beats` did."""

    beats: Fraction
    number: float | None = None
    old_beats: Fraction | None = None


def in_plain_signs(words: str) -> str:
    """The words with notes that any font has, where they have those of a music font."""
    return words.translate(_GLYPHS)


def speaks_of_tempo(words: str) -> bool:
    """Whether these words say anything about the tempo."""
    return bool(_TEMPO.search(words.lower()))


def bends(words: str) -> bool:
    """Whether they bend the tempo by degrees or set it free: `rit.`, `accel.`, `ad lib.`."""
    return bool(_BENDS.search(words.lower()))


def back_to(words: str) -> str:
    """`first` where they lead back to the tempo of the beginning (*Tempo I*), `before` where to the one before it was
    bent (*a tempo*), else empty."""
    lower = words.lower()
    if _FIRST_TEMPO.search(lower):
        return "first"
    return "before" if _TEMPO_BEFORE.search(lower) and not bends(words) else ""


def times_as_fast(words: str) -> float | None:
    """2 for *doppio movimento*; None for words that set no proportion."""
    return 2.0 if _DOUBLE.search(words.lower()) else None


def asks_swing(words: str) -> bool:
    """Whether they ask for swung eighths: `Medium swing`, `shuffle`, but not `straight, no swing`."""
    lower = words.lower()
    return bool(re.search(_SWING, lower)) and not _NO_SWING.search(lower)


def mark_in_words(words: str) -> MarkInWords | None:
    """The metronome mark in a text such as `Allegro (♩ = 120)`; None where there is none."""
    if found := _MARK.search(words):
        beats = _SIGNS[found["sign"]] if found["sign"] else _LETTERS[found["letter"]]
        return MarkInWords(_dotted(beats, found["dot"]), float(found["number"]))
    if found := _RELATION.search(words):
        new, old = (_dotted(_SIGNS[found[name]], found[f"{name}_dot"]) for name in ("new", "old"))
        return MarkInWords(new, old_beats=old)
    return None


def _dotted(beats: Fraction, dot: str) -> Fraction:
    return beats * Fraction(3, 2) if dot else beats
