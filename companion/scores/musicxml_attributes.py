"""MusicXML `<attributes>`: divisions, key, metre and transposition, as they stand at one place in a part."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

from lxml import etree

from companion.errors import ScoreError
from companion.scores.guards import decimal, one_line, whole
from companion.scores.musicxml_notes import STEPS

__all__ = ["Attributes"]

_SHARPS = "FCGDAEB"
_MAX_DIVISIONS = 1_000_000
_MAX_BEATS = 999
_MAX_BEAT_TYPE = 1024


class Attributes:
    """What the last `<attributes>` said; `read` takes in another one.

    `divisions` is None until the file says it, `key` maps steps to alterations, `free` is True without metre,
    `transpositions` holds sounding minus written semitones in the order found.
    """

    def __init__(self, file: str, remark: Callable[[str], None]) -> None:
        self.file = file
        self.remark = remark
        self.divisions: Fraction | None = None
        self.beats, self.beat_type, self.free = 4, 4, False
        self.fifths, self.mode = 0, ""
        self.key: dict[str, int] = {}
        self.transpositions: list[int] = []

    def read(self, element: etree._Element, bar: str) -> None:
        """Take in an `<attributes>` element; of what differs between staves, the first staff counts."""
        if element.find("divisions") is not None:
            text = element.findtext("divisions")
            divisions = decimal(text, "the divisions", 0, _MAX_DIVISIONS, file=self.file, bar=bar)
            if divisions == 0:
                raise ScoreError("the divisions are 0; they must be positive", file=self.file, bar=bar)
            self.divisions = divisions
        for tag, take in (("key", self._key), ("time", self._time), ("transpose", self._transpose)):
            for child in element.iterfind(tag):
                if child.get("number", "1") == "1":
                    take(child, bar)

    # --- key --------------------------------------------------------------------------------------------------------

    def _key(self, key: etree._Element, bar: str) -> None:
        if key.find("fifths") is not None:
            self.fifths = whole(key.findtext("fifths"), "the key", -14, 14, file=self.file, bar=bar)
            self.mode = one_line(key.findtext("mode") or "", 20)
            self.mode = "" if self.mode == "none" else self.mode
            self.key = _alterations(self.fifths)
            return
        self.remark(f"bar {bar} has a key signature of its own kind: shown as written, named as no key")
        self.fifths, self.mode, self.key = 0, "", {}
        for step, alter in zip(key.iterfind("key-step"), key.iterfind("key-alter"), strict=False):
            exact = decimal(alter.text, "a key's alteration", -3, 3, file=self.file, bar=bar)
            self.key[(step.text or "").strip()] = int(exact)

    # --- metre ------------------------------------------------------------------------------------------------------

    def _time(self, time: etree._Element, bar: str) -> None:
        if time.find("senza-misura") is not None:
            self.free = True
            self.remark(f"from bar {bar} on there is no metre: the beats are counted in quarters")
            return
        pairs = [
            (self._beat_sum(beats.text, bar), self._power_of_two(beat_type.text, bar))
            for beats, beat_type in zip(time.iterfind("beats"), time.iterfind("beat-type"), strict=False)
        ]
        if not pairs:
            raise ScoreError("a time signature has no beats or no beat-type", file=self.file, bar=bar)
        self.free, self.beat_type = False, max(beat_type for _, beat_type in pairs)
        self.beats = sum(beats * self.beat_type // beat_type for beats, beat_type in pairs)
        if self.beats > _MAX_BEATS:
            raise ScoreError(
                f"a time signature has {self.beats} beats; at most {_MAX_BEATS} can be read", file=self.file, bar=bar
            )

    def _beat_sum(self, text: str | None, bar: str) -> int:
        pieces = (text or "").split("+")
        what = "a time signature's beats"
        return sum(whole(piece, what, 1, _MAX_BEATS, file=self.file, bar=bar) for piece in pieces)

    def _power_of_two(self, text: str | None, bar: str) -> int:
        beat_type = whole(text, "the beat-type", -_MAX_BEATS, _MAX_BEAT_TYPE, file=self.file, bar=bar)
        if beat_type < 1 or beat_type & (beat_type - 1):
            raise ScoreError(
                f"the beat-type is {beat_type}; it must be a power of two such as 4 or 8", file=self.file, bar=bar
            )
        return beat_type

    # --- transposition ----------------------------------------------------------------------------------------------

    def _transpose(self, element: etree._Element, bar: str) -> None:
        chromatic = decimal(element.findtext("chromatic"), "a transposition", -120, 120, file=self.file, bar=bar)
        octaves = element.findtext("octave-change")
        shift = whole(octaves, "an octave change", -10, 10, file=self.file, bar=bar) if octaves is not None else 0
        self.transpositions.append(int(chromatic) + 12 * shift)


def _alterations(fifths: int) -> dict[str, int]:
    alters = dict.fromkeys(STEPS, 0)
    order = _SHARPS if fifths > 0 else _SHARPS[::-1]
    for i in range(abs(fifths)):
        alters[order[i % 7]] += 1 if fifths > 0 else -1
    return alters
