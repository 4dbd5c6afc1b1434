"""The document before it is laid out: checked, since some faults end the layout program, and made ready to be drawn."""

from __future__ import annotations

from itertools import pairwise

from lxml import etree

from companion.errors import EngravingError

__all__ = ["MAX_BYTES", "MAX_NOTES", "prepare"]

MAX_BYTES = 20_000_000
MAX_NOTES = 20_000
MAX_BEATS = 128
#: Layout hints of the page the document was made for: they don't fit ours. A rest of many bars is opened up, since the
#: player counts it bar by bar and each bar needs its place.
_NOT_DRAWN = (
    *("defaults", "credit", "print", "multiple-rest"),
    *("part-name-display", "part-abbreviation", "part-abbreviation-display"),
)
#: Where a thing stood on the page the document was made for.
_PLACES = ("default-x", "default-y", "relative-x", "relative-y")
_PARSER_SETTINGS = {"resolve_entities": False, "no_network": True, "load_dtd": False, "huge_tree": False}


def prepare(musicxml: bytes, marked: frozenset[str] = frozenset()) -> str:
    """Check a MusicXML document and return the copy that is drawn.

    Parameters
    ----------
    musicxml : bytes
        A document as `EngravingRequest` wants it. Where no note has an id, notes and measures are given theirs.
    marked : frozenset of str
        Ids of the notes that get a mark of ours; a fingering printed on them is left out.

    Raises
    ------
    EngravingError
        The document is too large, not well-formed, not a `score-partwise`, has no notes or too many, or has a time
        signature or a duration that can't be laid out.
    """
    root = _parse(musicxml)
    notes = list(root.iter("note"))
    _check(root, notes)
    for name in _NOT_DRAWN:
        for element in list(root.iter(name)):
            _drop(element)
    for element in root.iter(etree.Element):
        for name in _PLACES:
            element.attrib.pop(name, None)
    for element in root.iter("part-name"):
        element.text = ""
    if not any(note.get("id") for note in notes):
        _number(root, notes)
    for note in notes:
        if note.get("id") in marked:
            for fingering in list(note.iter("fingering")):
                _drop(fingering)
    _keep_tempo_words_apart(root)
    return str(etree.tostring(root, encoding="unicode"))


def _parse(musicxml: bytes) -> etree._Element:
    if len(musicxml) > MAX_BYTES:
        raise EngravingError(
            f"the score has {len(musicxml):,} bytes: at most {MAX_BYTES:,} can be engraved; try fewer bars"
        )
    try:
        root = etree.fromstring(musicxml, etree.XMLParser(**_PARSER_SETTINGS))
    except (etree.XMLSyntaxError, ValueError) as error:
        raise EngravingError(f"the score is not well-formed XML ({error}); export it again") from None
    tree_info = root.getroottree().docinfo
    if tree_info.internalDTD is not None and next(iter(tree_info.internalDTD.iterentities()), None) is not None:
        raise EngravingError("the score declares XML entities, which are not read; export it again")
    if root.tag != "score-partwise":
        raise EngravingError(f"the score's root is <{root.tag}>: MusicXML in parts, <score-partwise>, is expected")
    return root


def _check(root: etree._Element, notes: list[etree._Element]) -> None:
    if root.find("part/measure") is None or not notes:
        raise EngravingError("the score has no notes to engrave; choose another part")
    if len(notes) > MAX_NOTES:
        raise EngravingError(
            f"the score has {len(notes):,} notes: at most {MAX_NOTES:,} can be engraved; try fewer bars"
        )
    for time in root.iter("time"):
        for beat_type in time.iter("beat-type"):
            _check_beat_type(beat_type)
        for beats in time.iter("beats"):
            _check_beats(beats)
    for divisions in root.iter("divisions"):
        if _number_in(divisions) <= 0:
            raise EngravingError(f"{_place(divisions)}: divisions {divisions.text!r} must be greater than 0")
    for duration in root.iter("duration"):
        if _number_in(duration) < 0:
            raise EngravingError(f"{_place(duration)}: duration {duration.text!r} must not be negative")


def _check_beat_type(element: etree._Element) -> None:
    text = (element.text or "").strip()
    value = int(text) if text.isascii() and text.isdecimal() and len(text) < 5 else 0
    if not 0 < value <= 128 or value & (value - 1):
        raise EngravingError(
            f"{_place(element)}: beat-type {text!r} is not a power of two up to 128; correct the time signature"
        )


def _check_beats(element: etree._Element) -> None:
    text = (element.text or "").strip()
    parts = text.replace(" ", "").split("+")
    if not all(part.isascii() and part.isdecimal() and len(part) < 5 and 0 < int(part) <= MAX_BEATS for part in parts):
        raise EngravingError(f"{_place(element)}: {text!r} beats in a bar make no sense; correct the time signature")


def _number_in(element: etree._Element) -> float:
    try:
        value = float((element.text or "").strip())
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e9:
        raise EngravingError(f"{_place(element)}: <{element.tag}> holds {element.text!r}: a number is expected")
    return value


def _place(element: etree._Element) -> str:
    measure = next(element.iterancestors("measure"), None)
    return f"bar {measure.get('number', '?')}" if measure is not None else "the score"


def _drop(element: etree._Element) -> None:
    parent = element.getparent()
    if parent is not None:
        parent.remove(element)


def _number(root: etree._Element, notes: list[etree._Element]) -> None:
    for index, note in enumerate(notes):
        note.set("id", f"n{index}")
    for part in root.iter("part"):
        for index, measure in enumerate(part.iter("measure")):
            measure.set("id", f"m{index}")


def _keep_tempo_words_apart(root: etree._Element) -> None:
    """Words and the metronome mark after them are drawn without a space between."""
    for direction in root.iter("direction"):
        kinds = [kind for child in direction.iter("direction-type") for kind in child]
        for before, after in pairwise(kinds):
            if before.tag == "words" and after.tag == "metronome" and (before.text or "").strip():
                before.text = f"{(before.text or '').rstrip()}\u00a0\u00a0"
