"""A passage as a MusicXML 4.0 document (score-partwise, one part), for passages that no document was read for.

Every written bar is written once, with its repeats and endings, where the order of playing can be told that way;
otherwise (D.C., D.S., bars altered the second time) the music is written out as it is played. Note ids are `n<source>`,
those of tied notes `n<tied source>`, bar ids `m<written index>`; where that would give an id twice, the later ones
get a suffix (`n12-2`). The same passage always gives the same bytes.

What the model does not hold, such as dynamics, can't be written. A trill is always written with its upper note.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction
from math import lcm

from lxml import etree

from companion.errors import ScoreError
from companion.passage import Bar, Passage, TempoMark
from companion.scores.fold import BarSigns, fold
from companion.scores.layout import Cell, lay_out
from companion.scores.notexml import Ids, NoteWriter
from companion.scores.rhythm import full_bar_beats

__all__ = ["to_musicxml"]

_DOCTYPE = (
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">'
)
_BEAT_UNITS = {"𝅝": "whole", "𝅗𝅥": "half", "♩": "quarter", "♪": "eighth", "𝅘𝅥𝅯": "16th"}
#: Tempo marks may raise the divisions so far; beyond, their offsets are decimal.
_FINEST_FOR_TEMPO = 1_000
_METRONOME = re.compile(
    rf"(?P<words>.*?)[\s(]*(?P<unit>{'|'.join(_BEAT_UNITS)})(?P<dot>\.?)\s*=\s*(?P<bpm>[\d.]+)\)?\s*$"
)


def to_musicxml(passage: Passage) -> bytes:
    """Write a passage as MusicXML.

    Parameters
    ----------
    passage
        Any passage; its notes must not overlap.

    Returns
    -------
    bytes
        UTF-8, with XML declaration and document type.

    Raises
    ------
    ScoreError
        where there is no bar, notes overlap or leave their bar's line of time, or a length has no written value.

    References
    ----------
    MusicXML 4.0, W3C Community Group Final Report, 2021.
    """
    if not passage.bars:
        raise ScoreError(
            "there is nothing to write: the passage has no bars", file=passage.origin or passage.title or None
        )
    cells = lay_out(passage)
    written = fold(passage, cells)
    root = _head(passage)
    part = etree.SubElement(root, "part", id=passage.part_id or "P1")
    ids = Ids()
    divisions = _divisions(passage, cells)
    writer = NoteWriter(passage, divisions, ids)
    held = _held_bar_lines(passage, cells)
    before: Bar | None = None
    for place, (bar_index, signs) in enumerate(written):
        following = passage.bars[written[place + 1][0]] if place + 1 < len(written) else None
        bar = passage.bars[bar_index]
        measure = etree.SubElement(part, "measure", number=bar.number or str(bar.written_index + 1))
        if bar.upbeat or (bar.length < full_bar_beats(bar.beats, bar.beat_type) and following is not None):
            measure.set("implicit", "yes")
        measure.set("id", ids.unique(f"m{bar.written_index}"))
        _left_barline(measure, signs)
        _attributes(measure, passage, bar, before, divisions)
        _bar_music(measure, passage, bar, cells[bar_index], divisions, writer)
        _right_barline(measure, signs, bar, following, fermata=bar.end in held)
        before = bar
    etree.indent(root, space=" ")
    text: bytes = etree.tostring(root, xml_declaration=True, encoding="UTF-8", doctype=_DOCTYPE)
    return text + b"\n"


def _divisions(passage: Passage, cells: Sequence[Sequence[Cell]]) -> int:
    """Parts of a quarter in which every length is a whole number, and places of tempo marks too where they can be."""
    lengths = {cell.length for bar_cells in cells for cell in bar_cells} | {bar.length for bar in passage.bars}
    divisions = lcm(*(length.denominator for length in lengths))
    for mark in passage.tempos:
        finer = lcm(divisions, mark.start.denominator)
        divisions = finer if finer <= _FINEST_FOR_TEMPO else divisions
    return divisions


def _head(passage: Passage) -> etree._Element:
    root = etree.Element("score-partwise", version="4.0")
    etree.SubElement(etree.SubElement(root, "work"), "work-title").text = _clean(passage.title)
    identification = etree.SubElement(root, "identification")
    if passage.composer:
        etree.SubElement(identification, "creator", type="composer").text = _clean(passage.composer)
    etree.SubElement(etree.SubElement(identification, "encoding"), "software").text = "companion"
    score_part = etree.SubElement(etree.SubElement(root, "part-list"), "score-part", id=passage.part_id or "P1")
    etree.SubElement(score_part, "part-name").text = _clean(passage.part_name) or "Saxophone"
    return root


def _clean(text: str) -> str:
    """Without the characters XML can't hold."""
    return "".join(
        c for c in text if c in "\t\n" or (c >= " " and not "\ud800" <= c <= "\udfff" and c not in "\ufffe\uffff")
    )


def _attributes(measure: etree._Element, passage: Passage, bar: Bar, before: Bar | None, divisions: int) -> None:
    new_key = before is None or (bar.fifths, bar.mode) != (before.fifths, before.mode)
    new_time = before is None or (bar.beats, bar.beat_type) != (before.beats, before.beat_type)
    if not (new_key or new_time):
        return
    attributes = etree.SubElement(measure, "attributes")
    if before is None:
        etree.SubElement(attributes, "divisions").text = str(divisions)
    if new_key:
        key = etree.SubElement(attributes, "key")
        etree.SubElement(key, "fifths").text = str(bar.fifths)
        if bar.mode:
            etree.SubElement(key, "mode").text = bar.mode
    if new_time:
        time = etree.SubElement(attributes, "time")
        etree.SubElement(time, "beats").text = str(bar.beats)
        etree.SubElement(time, "beat-type").text = str(bar.beat_type)
    if before is None:
        clef = etree.SubElement(attributes, "clef")
        etree.SubElement(clef, "sign").text = "G"
        etree.SubElement(clef, "line").text = "2"
        if passage.transposition is not None:
            _transpose(attributes, passage.transposition)


def _transpose(attributes: etree._Element, semitones: int) -> None:
    octaves, rest = divmod(abs(semitones), 12)
    sign = -1 if semitones < 0 else 1
    letters = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)[rest]
    transpose = etree.SubElement(attributes, "transpose")
    etree.SubElement(transpose, "diatonic").text = str(sign * letters)
    etree.SubElement(transpose, "chromatic").text = str(sign * rest)
    if octaves:
        etree.SubElement(transpose, "octave-change").text = str(sign * octaves)


def _bar_music(
    measure: etree._Element, passage: Passage, bar: Bar, cells: Sequence[Cell], divisions: int, writer: NoteWriter
) -> None:
    marks = [mark for mark in passage.tempos if bar.start <= mark.start < bar.end]
    for cell in cells:
        while marks and marks[0].start <= cell.start:
            _tempo(measure, marks.pop(0), Fraction(0), divisions)
        later = [mark for mark in marks if mark.start < cell.start + cell.length]
        for mark in later:
            _tempo(measure, mark, mark.start - cell.start, divisions)
            marks.remove(mark)
        measure.append(writer.element(cell))


def _tempo(measure: etree._Element, mark: TempoMark, offset: Fraction, divisions: int) -> None:
    """The mark as printed; one without text is only heard."""
    sounding = _decimal(mark.quarter_bpm)
    text = _clean(mark.text).strip()
    parent = measure
    if text:
        parent = etree.SubElement(measure, "direction", placement="above")
        _printed_tempo(parent, text)
        if offset:
            etree.SubElement(parent, "offset").text = _decimal(offset * divisions)
    sound = etree.SubElement(parent, "sound", tempo=sounding)
    if offset and parent is measure:
        etree.SubElement(sound, "offset").text = _decimal(offset * divisions)


def _decimal(number: Fraction | float) -> str:
    text = f"{float(number):.6f}"
    return text.rstrip("0").rstrip(".")


def _printed_tempo(direction: etree._Element, text: str) -> None:
    found = _METRONOME.match(text)
    words = found["words"].strip() if found else text
    if words:
        etree.SubElement(etree.SubElement(direction, "direction-type"), "words", {"font-weight": "bold"}).text = words
    if found:
        metronome = etree.SubElement(etree.SubElement(direction, "direction-type"), "metronome")
        etree.SubElement(metronome, "beat-unit").text = _BEAT_UNITS[found["unit"]]
        if found["dot"]:
            etree.SubElement(metronome, "beat-unit-dot")
        etree.SubElement(metronome, "per-minute").text = found["bpm"]


def _left_barline(measure: etree._Element, signs: BarSigns) -> None:
    if not (signs.repeat_starts or signs.ending_starts):
        return
    barline = etree.SubElement(measure, "barline", location="left")
    if signs.repeat_starts:
        etree.SubElement(barline, "bar-style").text = "heavy-light"
    if signs.ending_starts:
        etree.SubElement(barline, "ending", number=signs.ending_starts, type="start").text = f"{signs.ending_starts}."
    if signs.repeat_starts:
        etree.SubElement(barline, "repeat", direction="forward")


def _held_bar_lines(passage: Passage, cells: Sequence[Sequence[Cell]]) -> set[Fraction]:
    """Where a fermata stands over a bar line: at the end of a bar, and no rest begins there that would carry it."""
    rests = {cell.start for bar_cells in cells for cell in bar_cells if cell.note is None}
    ends = {bar.end for bar in passage.bars}
    return {wait.start for wait in passage.waits if wait.sign == "fermata"} & ends - rests


def _right_barline(measure: etree._Element, signs: BarSigns, bar: Bar, following: Bar | None, *, fermata: bool) -> None:
    key_changes = following is not None and following.fifths != bar.fifths
    style = "light-heavy" if signs.repeat_ends or following is None else "light-light" if key_changes else ""
    if not (style or signs.ending_ends or fermata):
        return
    barline = etree.SubElement(measure, "barline", location="right")
    if style:
        etree.SubElement(barline, "bar-style").text = style
    if fermata:
        etree.SubElement(barline, "fermata", type="upright")
    if signs.ending_ends:
        kind = "stop" if signs.repeat_ends else "discontinue"
        etree.SubElement(barline, "ending", number=signs.ending_ends, type=kind)
    if signs.repeat_ends:
        repeat = etree.SubElement(barline, "repeat", direction="backward")
        if signs.times > 2:
            repeat.set("times", str(signs.times))
