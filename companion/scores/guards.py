"""What a file may be before anything is made of it: sizes, encodings, entities, depth, and numbers that are numbers.

A score comes from anywhere, so it is weighed before it is parsed: expat walks it once with counters (it builds
nothing), and only then lxml builds the tree, without entities, network or document types.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from fractions import Fraction
from xml.parsers import expat

from lxml import etree

from companion.errors import ScoreError

__all__ = [
    "MAX_BARS",
    "MAX_DENOMINATOR",
    "MAX_NOTES",
    "check_fraction",
    "decimal",
    "load_bytes",
    "one_line",
    "parse_xml",
    "sha256",
    "shown",
    "whole",
]

MAX_FILE_BYTES = 20_000_000
MAX_NOTES = 20_000
MAX_BARS = 20_000
#: A note takes about 25 elements, and lxml some 250 bytes an element: this stays well under 500 MB.
MAX_ELEMENTS = 1_000_000
MAX_DEPTH = 64
#: One tag or comment; more is no music.
MAX_TOKEN_BYTES = 1_000_000
#: Beats whose denominator outgrows this come from a file made to be slow, not from music.
MAX_DENOMINATOR = 10**12

_CHUNK_BYTES = 1 << 16
_WHOLE = re.compile(r"[+-]?[0-9]{1,9}")
_DECIMAL = re.compile(r"[+-]?(?:[0-9]{1,9}(?:\.[0-9]{0,9})?|\.[0-9]{1,9})")


def one_line(text: str, limit: int = 60) -> str:
    """`text` on one line without control characters, cut to `limit` characters."""
    flat = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return flat if len(flat) <= limit else flat[: limit - 1] + "…"


def shown(text: str | None, limit: int = 30) -> str:
    """What a file says, quoted for an error message."""
    return repr(one_line(text or "", limit))


def sha256(data: bytes) -> str:
    """The SHA-256 of the bytes, in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def load_bytes(path: str | os.PathLike[str]) -> tuple[bytes, str]:
    """The bytes of a score file and its name for messages. Raises `ScoreError` where there is no such regular file, it
    is empty or larger than 20 MB."""
    name = one_line(os.fsdecode(path), 200)
    try:
        _check_regular(path, name)
        with open(path, "rb") as file:
            data = file.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError:
        raise ScoreError("there is no such file; check the name and the folder", file=name) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or one_line(str(error))
        raise ScoreError(f"can't be opened ({reason}); check the name and the permissions", file=name) from None
    if not data:
        raise ScoreError("the file is empty; export it again", file=name)
    if len(data) > MAX_FILE_BYTES:
        raise ScoreError("the file is larger than 20 MB; export only the part to be practised", file=name)
    return data, name


def _check_regular(path: str | os.PathLike[str], name: str) -> None:
    mode = os.stat(path).st_mode
    if stat.S_ISDIR(mode):
        raise ScoreError("is a folder; give a score file in it", file=name)
    if not stat.S_ISREG(mode):
        raise ScoreError("is not a regular file; give a MusicXML or MIDI file", file=name)


class _Weigher:
    """Counts what expat meets and refuses what no score needs."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.depth = self.elements = 0

    def refuse(self, message: str) -> None:
        raise ScoreError(message, file=self.name)

    def start(self, _tag: str, attributes: list[str]) -> None:
        self.depth += 1
        self.elements += 1 + len(attributes) // 2
        if self.depth > MAX_DEPTH:
            self.refuse(f"elements are nested deeper than {MAX_DEPTH}; this is no score, export it again")
        if self.elements > MAX_ELEMENTS:
            self.refuse("holds over a million elements; export only the part to be practised")

    def end(self, _tag: str) -> None:
        self.depth -= 1

    def entity(self, entity: str, *_rest: object) -> None:
        self.refuse(f"declares the entity {shown(entity)}, which a score never needs; export it again")


def _weigh(data: bytes, name: str) -> None:
    weigher = _Weigher(name)
    parser = expat.ParserCreate()
    parser.ordered_attributes = True
    parser.StartElementHandler, parser.EndElementHandler = weigher.start, weigher.end
    parser.EntityDeclHandler = weigher.entity
    try:
        for offset in range(0, len(data), _CHUNK_BYTES):
            chunk = data[offset : offset + _CHUNK_BYTES]
            parser.Parse(chunk, False)
            if offset + len(chunk) - parser.CurrentByteIndex > MAX_TOKEN_BYTES:
                weigher.refuse("holds a tag of over 1 MB; this is no score, export it again")
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise _not_well_formed(name, expat.ErrorString(error.code) or "unknown fault", error.lineno) from None
    except (LookupError, ValueError, UnicodeError) as error:
        raise ScoreError(f"its encoding can't be read ({one_line(str(error))}); save it as UTF-8", file=name) from None


def _not_well_formed(name: str, fault: str, line: int | None) -> ScoreError:
    where = f" in line {line}" if line else ""
    fault = one_line(fault)
    return ScoreError(f"is not well-formed XML{where} ({fault}); the file is damaged, export it again", file=name)


def parse_xml(data: bytes, name: str) -> etree._Element:
    """The root element of an XML file, its comments dropped.

    Raises
    ------
    ScoreError
        Where the file is not well-formed, declares entities, is nested or stuffed beyond what a score needs, or comes
        in an encoding neither parser knows.
    """
    _weigh(data, name)
    parser = etree.XMLParser(
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
        remove_blank_text=True,
    )
    try:
        return etree.fromstring(data, parser)
    except etree.XMLSyntaxError as error:
        raise _not_well_formed(name, error.msg or "unknown fault", error.lineno) from None
    except (LookupError, ValueError) as error:
        raise ScoreError(f"can't be parsed ({one_line(str(error))}); export it again", file=name) from None


def whole(text: str | None, what: str, low: int, high: int, *, file: str | None = None, bar: str | None = None) -> int:
    """A whole number between `low` and `high`, as XML Schema writes it. Raises `ScoreError`."""
    stripped = (text or "").strip()
    if not _WHOLE.fullmatch(stripped) or not low <= int(stripped) <= high:
        raise ScoreError(f"{what} is {shown(text)}, not a whole number from {low} to {high}", file=file, bar=bar)
    return int(stripped)


def decimal(
    text: str | None, what: str, low: int, high: int, *, file: str | None = None, bar: str | None = None
) -> Fraction:
    """A decimal number between `low` and `high`, exactly. Raises `ScoreError` (also for NaN, infinity and
    exponents)."""
    stripped = (text or "").strip()
    if _DECIMAL.fullmatch(stripped):
        number = Fraction(stripped)
        if low <= number <= high:
            return number
    raise ScoreError(f"{what} is {shown(text)}, not a number from {low} to {high}", file=file, bar=bar)


def check_fraction(beats: Fraction, *, file: str, bar: str | None = None) -> Fraction:
    """`beats`, unless its denominator has outgrown any music. Raises `ScoreError`."""
    if beats.denominator > MAX_DENOMINATOR:
        raise ScoreError("note lengths add up to no musical fraction; export the file again", file=file, bar=bar)
    return beats
