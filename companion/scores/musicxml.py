"""MusicXML 4.0 (score-partwise, score-timewise; plain or .mxl) to a passage.

Written against the W3C Community Group Final Report "MusicXML 4.0" (2021). Element names in comments are its own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from lxml import etree

from companion.errors import ScoreError, SeveralParts
from companion.passage import Passage
from companion.scores import mxl
from companion.scores.assemble import assemble
from companion.scores.guards import one_line, parse_xml, sha256, shown
from companion.scores.lines import LineNote, choose_line, melody
from companion.scores.musicxml_bars import read_part
from companion.scores.musicxml_directions import barline_marks, direction_marks, direction_tempo
from companion.scores.written import Placed, WrittenBar, WrittenPart

__all__ = [
    "Chosen", "JustRead", "ScorePart", "chosen_part", "document", "read_musicxml", "score_parts", "take_just_read",
    "with_all_signs",
]  # fmt: skip


#: Bars of all parts together, when a timewise score is turned round.
_MAX_TURNED = 200_000


@dataclass(frozen=True, slots=True)
class ScorePart:
    """A `<part>` with its id and name."""

    part_id: str
    name: str
    element: etree._Element

    @property
    def pitched(self) -> bool:
        """Whether it holds a note that can be played."""
        notes = self.element.iterfind("measure/note")
        return any(note.find("pitch") is not None and note.find("cue") is None for note in notes)


@dataclass(frozen=True, slots=True)
class Chosen:
    """The part and the line of it that are read; `element` is the part in the document."""

    part: WrittenPart
    line: tuple[LineNote, ...]
    remarks: tuple[str, ...]
    element: etree._Element


def read_musicxml(data: bytes, name: str, part: str | None = None) -> Passage:
    """The passage in a MusicXML file.

    Parameters
    ----------
    data : the file's bytes, plain or zipped
    name : the file's name for messages
    part : id, name or number (from 1) of the part, with `/voice` behind it for another voice than the main one

    Raises
    ------
    ScoreError
        Where it can't be read, or where `part` is missing and several parts hold notes: the message lists them.
    """
    root = document(data, name)
    chosen = chosen_part(root, part, file=name)
    passage = assemble(chosen.part, chosen.line, file=name)
    _just_read[:] = [JustRead(sha256(data), root, chosen.element, chosen.part)]
    transpositions = chosen.part.transpositions
    remarks = [*chosen.remarks, *passage.remarks]
    if _is_at_concert_pitch(root, chosen):
        remarks.insert(
            0,
            "the score is at concert pitch, so these are not the notes a saxophonist reads: export it again with"
            " concert pitch switched off",
        )
    if len(set(transpositions)) > 1:
        remarks.append("the part changes its transposition: the first one is taken")
    return replace(
        passage,
        title=_title(root),
        composer=_composer(root),
        part_id=chosen.part.part_id,
        part_name=chosen.part.name,
        transposition=transpositions[0] if transpositions else None,
        remarks=tuple(dict.fromkeys(remarks)),
    )


def _is_at_concert_pitch(root: etree._Element, chosen: Chosen) -> bool:
    """Whether the score shows the part as it sounds (MusicXML 4.0, `<concert-score>`), though its player reads it
    transposed; octaves are written out in such scores, too."""
    if root.find("defaults/concert-score") is None:
        return False
    chromatic = {*chosen.element.xpath(".//part-transpose/chromatic/text() | .//transpose/chromatic/text()")}
    transposed = any(text.strip() not in ("0", "-0", "12", "-12") for text in chromatic)
    listed = root.xpath("part-list/score-part[@id=$id]", id=chosen.element.get("id", ""))
    texts = [text.lower() for part in listed for text in part.itertext()]
    return transposed or any("sax" in text for text in texts)


@dataclass(frozen=True, slots=True)
class JustRead:
    """The score read last: its document, the part read and what was found written in it."""

    sha256: str
    root: etree._Element
    element: etree._Element
    part: WrittenPart


#: One at the most. The engraver's copy is made right after reading; finding out again what is written in each bar would
#: take half its time.
_just_read: list[JustRead] = []


def take_just_read(data: bytes) -> JustRead | None:
    """The score read last, if these are its bytes. It is given away once, for the caller may take it apart."""
    kept = _just_read.pop() if _just_read else None
    return kept if kept is not None and kept.sha256 == sha256(data) else None


def document(data: bytes, name: str) -> etree._Element:
    """The `<score-partwise>` in the file, timewise scores turned round. Every `<note>` carries its document index
    (counted in the order of the file) as the id `n<index>`; all other ids but those of parts are gone."""
    content = mxl.unpack(data, name) if data.startswith(b"PK") else data
    root = parse_xml(content, name)
    if root.tag not in ("score-partwise", "score-timewise"):
        raise ScoreError(
            f"its root element is {shown(str(root.tag))}, not a MusicXML score; export it as MusicXML", file=name
        )
    for element in root.iter("{*}*"):
        if element.tag not in ("part", "score-part") and "id" in element.attrib:
            del element.attrib["id"]
    for index, note in enumerate(root.iter("note")):
        note.set("id", f"n{index}")
    return _partwise(root, name) if root.tag == "score-timewise" else root


def _partwise(root: etree._Element, file: str) -> etree._Element:
    measures = root.findall("measure")
    ids = list(dict.fromkeys(part.get("id", "") for measure in measures for part in measure.findall("part")))
    if len(ids) * len(measures) > _MAX_TURNED:
        raise ScoreError(f"has {len(ids)} parts in {len(measures)} measures; export only the part", file=file)
    turned = {part_id: etree.Element("part", {"id": part_id}) for part_id in ids}
    for measure in measures:
        here = {part_id: etree.SubElement(turned[part_id], "measure", dict(measure.attrib)) for part_id in ids}
        for part in measure.findall("part"):
            here[part.get("id", "")].extend(list(part))
        root.remove(measure)
    root.tag = "score-partwise"
    root.extend(turned.values())
    return root


# --- which part -----------------------------------------------------------------------------------------------------


def score_parts(root: etree._Element) -> tuple[ScorePart, ...]:
    """The parts of the score in the order of the file."""
    names: dict[str, str] = {}
    for listed in root.iterfind("part-list/score-part"):
        texts = (listed.findtext(path) for path in ("part-name", "score-instrument/instrument-name"))
        names[listed.get("id", "")] = next((one_line(text) for text in texts if text and text.strip()), "")
    parts = root.findall("part")
    return tuple(ScorePart(one_line(p.get("id", "")), names.get(p.get("id", ""), ""), p) for p in parts)


def chosen_part(root: etree._Element, wanted: str | None, *, file: str) -> Chosen:
    """The part and line to be read. Raises `ScoreError` where the choice isn't clear."""
    parts = score_parts(root)
    pitched = [part for part in parts if part.pitched]
    if not pitched:
        raise ScoreError("holds no pitched notes (only rests, cue notes or percussion); give another score", file=file)
    voice: str | None = None
    if wanted is not None:
        part, voice = _asked_for(parts, wanted, file)
    elif len(pitched) == 1:
        part = pitched[0]
    else:
        said = f"has {len(pitched)} parts with notes; choose one with --part: {_listed(parts)}"
        there = [(part.part_id or str(n), part.name) for n, part in enumerate(parts, 1) if part.pitched]
        raise SeveralParts(said, file=file, parts=there)
    read, borrowed = with_all_signs(part, parts, file=file)
    line, left_out = choose_line(read, voice, file=file)
    notes, remarks = melody(read, line)
    return Chosen(read, notes, (*read.remarks, *left_out, *remarks, *borrowed), part.element)


def _listed(parts: Sequence[ScorePart]) -> str:
    listed = [
        f"{number} = {part.part_id or 'no id'}{f' ({part.name})' if part.name else ''}"
        for number, part in enumerate(parts, 1)
        if part.pitched
    ]
    return ", ".join(listed[:32]) + (", …" if len(listed) > 32 else "")


def _asked_for(parts: Sequence[ScorePart], wanted: str, file: str) -> tuple[ScorePart, str | None]:
    if (part := _matching(parts, wanted)) is not None:
        return part, None
    stem, slash, voice = wanted.rpartition("/")
    if slash and voice.strip():
        part = _matching(parts, stem) if stem.strip() else None
        if part is None and not stem.strip() and len(pitched := [p for p in parts if p.pitched]) == 1:
            part = pitched[0]
        if part is not None:
            return part, voice.strip()
    raise ScoreError(f"has no part {shown(wanted, 40)}; choose one with --part: {_listed(parts)}", file=file)


def _matching(parts: Sequence[ScorePart], wanted: str) -> ScorePart | None:
    """By id, by name, by number, then by the piece of a name that only one part has."""
    key = wanted.strip().casefold()
    if not key:
        return None
    exact = [p for p in parts if p.part_id.casefold() == key] or [p for p in parts if p.name.casefold() == key]
    if exact:
        return exact[0]
    if key.isascii() and key.isdigit() and len(key) < 6 and 1 <= int(key) <= len(parts):
        return parts[int(key) - 1]
    inside = [p for p in parts if key in p.name.casefold()]
    return inside[0] if len(inside) == 1 else None


# --- signs that stand only in another part --------------------------------------------------------------------------


def with_all_signs(part: ScorePart, parts: Sequence[ScorePart], *, file: str) -> tuple[WrittenPart, tuple[str, ...]]:
    """The part as written, and remarks. Tempo marks, jumps and repeats often stand only in the top part of a score:
    where the part has none, those of the first part that has some are borrowed."""
    read = read_part(part.element, part.name, file=file)
    remarks: list[str] = []
    for what, found_in, path, borrow in _BORROWED:
        if any(found_in(bar) for bar in read.bars):
            continue
        for other in parts:
            if other is part or not other.element.xpath(path):
                continue
            try:
                lender = read_part(other.element, other.name, file=file)
            except ScoreError:
                continue
            if len(lender.bars) == len(read.bars) and any(found_in(bar) for bar in lender.bars):
                read = replace(read, bars=tuple(map(borrow, read.bars, lender.bars)))
                remarks.append(f"{what} are taken from the part {shown(other.name or other.part_id)}")
                break
    return read, tuple(remarks)


def _has_tempo(bar: WrittenBar) -> bool:
    return any(not tempo.words_only for tempo in bar.tempos)


def _has_marks(bar: WrittenBar) -> bool:
    return bar.marks.any


def _borrow_tempos(bar: WrittenBar, lender: WrittenBar) -> WrittenBar:
    lent = _lent(lender, lambda element: (t := direction_tempo(element, Fraction(0))) is not None and not t.words_only)
    tempos = tuple(tempo for tempo in lender.tempos if tempo.onset <= bar.length and not tempo.words_only)
    own = tuple(tempo for tempo in bar.tempos if tempo.words_only)
    return replace(
        bar, tempos=tuple(sorted((*own, *tempos), key=lambda tempo: tempo.onset)), placed=(*bar.placed, *lent)
    )


def _borrow_marks(bar: WrittenBar, lender: WrittenBar) -> WrittenBar:
    lent = _lent(lender, lambda element: direction_marks(element).any)
    bars = tuple(p for p in lender.placed if p.element.tag == "barline" and barline_marks(p.element).any)
    return replace(bar, marks=lender.marks, placed=(*bar.placed, *lent, *bars))


def _lent(lender: WrittenBar, wanted: Callable[[etree._Element], bool]) -> tuple[Placed, ...]:
    """The lender's directions that say what is wanted."""
    return tuple(p for p in lender.placed if p.element.tag == "direction" and wanted(p.element))


_BORROWED = (
    ("tempo marks", _has_tempo, ".//sound[@tempo]|.//metronome", _borrow_tempos),
    ("repeats and jumps", _has_marks, ".//repeat|.//ending|.//sound|.//words|.//segno|.//coda", _borrow_marks),
)


# --- title ----------------------------------------------------------------------------------------------------------


def _title(root: etree._Element) -> str:
    for path in ("work/work-title", "movement-title"):
        if text := one_line(root.findtext(path) or "", 200):
            return text
    credits = root.findall("credit")
    named = [credit for credit in credits if (credit.findtext("credit-type") or "").strip() == "title"]
    for credit in named or [c for c in credits if c.find("credit-type") is None and c.get("page", "1") == "1"][:1]:
        if text := one_line(" ".join("".join(w.itertext()) for w in credit.iterfind("credit-words")), 200):
            return text
    return ""


def _composer(root: etree._Element) -> str:
    creators = root.findall("identification/creator")
    composer = next((c for c in creators if c.get("type") == "composer"), None)
    return one_line("".join(composer.itertext()), 200) if composer is not None else ""
