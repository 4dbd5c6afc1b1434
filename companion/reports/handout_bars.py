"""Some bars of a document for the engraver, as they would be printed by themselves."""

from __future__ import annotations

from collections.abc import Iterable
from copy import deepcopy

from lxml import etree

__all__ = ["bars_of_document"]

#: What holds on from bar to bar, in the order that MusicXML 4.0 wants.
_HOLDS_ON = ("divisions", "key", "time", "clef")
_BEGINS, _ENDS = frozenset(("start", "crescendo", "diminuendo")), frozenset(("stop", "discontinue"))


def bars_of_document(musicxml: bytes, first: int, last: int) -> bytes:
    """The bars `first` to `last`, counted as written from 0, of a document as `scores.for_engraving` gives it.

    Clef, key, time and tempo that hold there stand at its beginning. A slur or tie cut by an edge is left out, and so
    are an ending's bracket and a hairpin of which one end is missing.
    """
    root = etree.fromstring(musicxml, etree.XMLParser(resolve_entities=False, no_network=True))
    part = root.find("part")
    measures = list(part.iterfind("measure"))
    state: dict[str, etree._Element] = {}
    tempo: etree._Element | None = None
    for index, measure in enumerate(measures):
        if index >= first:
            break
        for attributes in measure.iterfind("attributes"):
            state |= {child.tag: child for child in attributes if child.tag in _HOLDS_ON}
        for direction in measure.iterfind("direction"):
            tempo = direction if direction.find("direction-type/metronome") is not None else tempo
        part.remove(measure)
    for measure in measures[last + 1 :]:
        part.remove(measure)
    kept = measures[first : last + 1]
    if kept and first > 0:
        _begin(kept[0], state, tempo)
    for name in ("slur", "tied", "ending", "wedge"):
        _drop_halves(part.iter(name))
    return bytes(etree.tostring(root, xml_declaration=True, encoding="UTF-8"))


def _begin(measure: etree._Element, state: dict[str, etree._Element], tempo: etree._Element | None) -> None:
    own = measure.find("attributes")
    first_note = next((i for i, child in enumerate(measure) if child.tag == "note"), len(measure))
    if own is None or list(measure).index(own) > first_note:
        own = etree.Element("attributes")
        left = measure.find("barline[@location='left']")
        measure.insert(0 if left is None else list(measure).index(left) + 1, own)
    for place, name in enumerate(_HOLDS_ON):
        if own.find(name) is None and name in state:
            own.insert(min(place, len(own)), deepcopy(state[name]))
    has_tempo = any(d.find("direction-type/metronome") is not None for d in measure.iterfind("direction"))
    if tempo is not None and not has_tempo:
        own.addnext(deepcopy(tempo))


def _drop_halves(elements: Iterable[etree._Element]) -> None:
    """Take away those that open without an end, or end without a beginning."""
    open_ones: dict[str, etree._Element] = {}
    lonely: list[etree._Element] = []
    for element in elements:
        number, kind = element.get("number", "1"), element.get("type", "")
        if kind in _ENDS:
            if open_ones.pop(number, None) is None:
                lonely.append(element)
        elif kind in _BEGINS:
            if number in open_ones:
                lonely.append(open_ones[number])
            open_ones[number] = element
    for element in (*lonely, *open_ones.values()):
        element.getparent().remove(element)
