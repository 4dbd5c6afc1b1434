"""One MusicXML part, measure by measure: the walk that knows where in time each element stands."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise

from lxml import etree

from companion.errors import ScoreError
from companion.scores import musicxml_notes as read
from companion.scores.guards import MAX_BARS, MAX_NOTES, check_fraction, decimal, one_line, shown, whole
from companion.scores.musicxml_attributes import Attributes
from companion.scores.musicxml_directions import (
    barline_marks,
    direction_marks,
    direction_silence,
    direction_tempo,
    goes_on_as_before,
    merge_marks,
    one_a_place,
)
from companion.scores.one_voice import in_one_voice
from companion.scores.written import Marks, Placed, WrittenBar, WrittenNote, WrittenPart, WrittenTempo

__all__ = ["read_part"]

_MAX_DURATION = 100_000_000
_WHOLE_NOTE = Fraction(4)
_ENDS_A_SECTION = ("light-light", "light-heavy", "heavy-light", "heavy-heavy", "heavy")
#: No bar of music has so many places; beyond it the search for the nearest one isn't worth its time.
_MANY_PLACES = 1_000


def read_part(part: etree._Element, name: str, *, file: str) -> WrittenPart:
    """All bars and voices of a `<part>`, whose notes must carry their document index as the id `n<index>`.

    Raises
    ------
    ScoreError
        Where a number is none, a length isn't positive, a beat-type isn't a power of two, or the part is too long.
    """
    return _Walk(file).part(part, name)


@dataclass(slots=True)
class _Measure:
    """What is known of the measure being read."""

    index: int
    number: str
    implicit: bool
    raw: Fraction = Fraction(0)
    exact: Fraction = Fraction(0)
    known: dict[Fraction, Fraction] = field(default_factory=lambda: {Fraction(0): Fraction(0)})
    rounded: bool = False
    backups: int = 0
    notes: list[WrittenNote] = field(default_factory=list)
    placed: list[Placed] = field(default_factory=list)
    marks: Marks = field(default_factory=Marks)
    tempos: list[WrittenTempo] = field(default_factory=list)
    alters: dict[int, dict[tuple[str, int], int]] = field(default_factory=dict)
    cuts: dict[Fraction, tuple[Marks, Marks]] = field(default_factory=dict)
    held: Fraction = Fraction(0)
    silences: list[tuple[Fraction | None, str]] = field(default_factory=list)


class _Walk:
    """Reads a part; what carries over from measure to measure lives here."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.remarks: dict[str, None] = {}
        self.now = Attributes(file, self.remark)
        self.lengths: dict[tuple[Fraction | None, str], Fraction] = {}
        self.key_at_bar = (0, "")
        self.bars_repeated = False

    def part(self, part: etree._Element, name: str) -> WrittenPart:
        bars: list[WrittenBar] = []
        measures = part.findall("measure")
        if len(measures) > MAX_BARS:
            raise ScoreError(f"a part has over {MAX_BARS} bars; export only what is to be practised", file=self.file)
        if sum(1 for _ in part.iterfind("measure/note")) > MAX_NOTES:
            raise ScoreError(f"a part has over {MAX_NOTES} notes; export only what is to be practised", file=self.file)
        for index, element in enumerate(measures):
            bars.extend(self.measure(element, index))
        together, merged = in_one_voice(bars)
        remarks = (*self.remarks, *merged)
        return WrittenPart(one_line(part.get("id", "")), name, together, tuple(self.now.transpositions), remarks)

    def remark(self, text: str) -> None:
        self.remarks.setdefault(text)

    def measure(self, element: etree._Element, index: int) -> Iterator[WrittenBar]:
        number = one_line(element.get("number", ""), 12) or str(index + 1)
        m = _Measure(index, number, element.get("implicit") == "yes")
        self.key_at_bar = (self.now.fifths, self.now.mode)
        for child in element:
            self.child(m, child)
        yield from _pieces(self.finish(m), m.cuts)

    def child(self, m: _Measure, child: etree._Element) -> None:
        match child.tag:
            case "note":
                self.note(m, child)
            case "backup":
                m.backups += 1
                self.move(m, -self.beats_of(child, m, positive=False))
            case "forward":
                self.move(m, self.beats_of(child, m, positive=False))
            case "attributes":
                m.placed.append(Placed(m.exact, child))
                self.now.read(child, m.number)
                for sign in child.iterfind("measure-style/measure-repeat"):
                    self.bars_repeated = sign.get("type") == "start"
                if m.exact == 0:
                    self.key_at_bar = (self.now.fifths, self.now.mode)
            case "direction" | "sound":
                offset = self.direction(m, child)
                m.placed.append(Placed(m.exact, child, offset))
            case "barline":
                m.placed.append(Placed(m.exact, child))
                self.barline(m, child)
            case _:
                m.placed.append(Placed(m.exact, child))

    # --- time -------------------------------------------------------------------------------------------------------

    def beats_of(self, element: etree._Element, m: _Measure, positive: bool) -> Fraction:
        text = element.findtext("duration") or ""
        known = self.lengths.get((self.now.divisions, text))
        if known is not None:
            return known
        duration = decimal(text, "a duration", 0, _MAX_DURATION, file=self.file, bar=m.number)
        if positive and duration == 0:
            raise ScoreError(f"a duration is {shown(text)}; it must be positive", file=self.file, bar=m.number)
        if self.now.divisions is None:
            self.remark("the file doesn't say how many divisions a quarter has: read as one")
            self.now.divisions = Fraction(1)
        beats = duration / self.now.divisions
        if beats > 0:
            self.lengths[(self.now.divisions, text)] = beats
        return beats

    def move(self, m: _Measure, beats: Fraction) -> None:
        """Move as the file counts, and find the exact place that rounded tuplets have led to there."""
        m.raw = max(m.raw + beats, Fraction(0))
        near = m.raw if m.raw in m.known else None
        if near is None and m.rounded and self.now.divisions is not None and len(m.known) < _MANY_PLACES:
            near = next((raw for raw in m.known if abs(raw - m.raw) * self.now.divisions < 1), None)
        m.exact = m.known[near] if near is not None else (m.exact + beats if beats > 0 else m.raw)
        self.arrive(m)

    def arrive(self, m: _Measure) -> None:
        check_fraction(m.exact, file=self.file, bar=m.number)
        check_fraction(m.raw, file=self.file, bar=m.number)
        m.known.setdefault(m.raw, m.exact)
        m.held = max(m.held, m.exact)

    # --- notes ------------------------------------------------------------------------------------------------------

    def note(self, m: _Measure, element: etree._Element) -> None:
        grace, chord = element.find("grace"), element.find("chord") is not None
        raw = exact = Fraction(0)
        if grace is None:
            raw = self.beats_of(element, m, positive=True)
            exact = self.whole_rest(m, element) or read.exact_beats(element, raw, self.now.divisions or Fraction(1))
            m.rounded = m.rounded or exact != raw
        onset = m.notes[-1].onset if chord and m.notes else m.exact
        slash = "" if grace is None else "acciaccatura" if grace.get("slash") == "yes" else "appoggiatura"
        m.notes.append(self.written(m, element, onset, exact, slash, chord))
        if not chord:
            m.raw, m.exact = m.raw + raw, m.exact + exact
            self.arrive(m)

    def whole_rest(self, m: _Measure, element: etree._Element) -> Fraction | None:
        """What a whole-bar rest lasts that is written with the length of a whole note in a bar of another length."""
        rest = element.find("rest")
        if rest is None or rest.get("measure") != "yes" or m.exact != 0 or self.now.free:
            return None
        as_drawn = self.beats_of(element, m, positive=True) == _WHOLE_NOTE
        return Fraction(4 * self.now.beats, self.now.beat_type) if as_drawn else None

    def written(
        self, m: _Measure, element: etree._Element, onset: Fraction, length: Fraction, grace: str, chord: bool
    ) -> WrittenNote:
        voice = one_line(element.findtext("voice") or "", 12) or str(1 + m.backups)
        staff = whole(element.findtext("staff") or "1", "a staff number", 1, 99, file=self.file, bar=m.number)
        plain = WrittenNote(
            source=int(element.get("id", "n0")[1:]),
            bar=m.index,
            onset=onset,
            length=length,
            staff=staff,
            voice=voice,
            kind=read.kind(element),
            chord=chord,
            grace=grace,
            fermata=element.find("notations/fermata") is not None,
            articulations=read.articulations(element),
            slur_starts=read.slur_numbers(element, "start"),
            slur_stops=read.slur_numbers(element, "stop"),
            wavy=read.wavy_lines(element),
        )
        return self.pitched(m, element, plain) if plain.kind == "note" else plain

    def pitched(self, m: _Measure, element: etree._Element, plain: WrittenNote) -> WrittenNote:
        pitch, rounded = read.read_pitch(element, file=self.file, bar=m.number)
        if rounded:
            self.remark("microtones are read as the semitone towards the natural note")
        if any(sign.get("type") == "start" for sign in element.iterfind("notations/ornaments/tremolo")):
            self.remark("tremolos between two notes are read as those two notes, one after the other")
        alters = m.alters.setdefault(plain.staff, {})
        upper = read.upper_neighbour(pitch, self.now.key, alters)
        alters[(pitch.step, pitch.octave)] = pitch.alter
        tie_start, tie_stop = read.tie_ends(element)
        return replace(
            plain,
            pitch=pitch,
            upper=upper,
            tie_start=tie_start,
            tie_stop=tie_stop,
            ornaments=read.ornaments(element),
            trill=read.trill(element, pitch, upper),
            tuplet=read.tuplet(element),
            fingering_mark=read.fingering_mark(element),
        )

    # --- signs ------------------------------------------------------------------------------------------------------

    def direction(self, m: _Measure, element: etree._Element) -> Fraction:
        """Take in the direction; returns its own offset in beats."""
        text, offset = element.findtext("offset"), Fraction(0)
        if text is not None and self.now.divisions is not None:
            shift = decimal(text, "an offset", -_MAX_DURATION, _MAX_DURATION, file=self.file, bar=m.number)
            offset = shift / self.now.divisions
        onset = check_fraction(max(m.exact + offset, Fraction(0)), file=self.file, bar=m.number)
        m.marks = merge_marks(m.marks, direction_marks(element))
        tempo = direction_tempo(element, onset)
        if tempo is not None:
            m.tempos.append(tempo)
        if words := goes_on_as_before(element):
            self.remark(f"{words!r} is not followed: slurs, dots and lines count where they are drawn")
        if sign := direction_silence(element):
            m.silences.append((onset, sign))
        return offset

    def barline(self, m: _Measure, element: etree._Element) -> None:
        marks = barline_marks(element)
        if element.find("fermata") is not None:
            place = {"left": Fraction(0), "middle": m.exact}.get(element.get("location", "right"))
            m.silences.append((place, "fermata"))
        within = element.get("location") == "middle"
        if within and (element.findtext("bar-style") or "").strip() in _ENDS_A_SECTION:
            self.end_within(m)
        if within and (marks.forward or marks.backward):
            before, after = m.cuts.get(m.exact, (Marks(), Marks()))
            if marks.backward:
                before = merge_marks(before, marks)
            else:
                after = merge_marks(after, marks)
            m.cuts[m.exact] = (before, after)
        else:
            m.marks = merge_marks(m.marks, marks)
        for sound in element.iterfind("sound"):
            self.direction(m, sound)

    def end_within(self, m: _Measure) -> None:
        """A Fine, D.C. or D.S. that was met by a double bar line within the bar belongs to what comes before it."""
        before, after = m.cuts.get(m.exact, (Marks(), Marks()))
        moved = Marks(
            fine=m.marks.fine, jump=m.marks.jump, jump_label=m.marks.jump_label, al=m.marks.al,
            with_repeats=m.marks.with_repeats,
        )  # fmt: skip
        if moved.any:
            m.cuts[m.exact] = (merge_marks(before, moved), after)
            m.marks = replace(m.marks, fine=False, jump="", jump_label="", al="", with_repeats=False)

    # --- the whole bar ----------------------------------------------------------------------------------------------

    def finish(self, m: _Measure) -> WrittenBar:
        now = self.now
        nominal = None if now.free else Fraction(4 * now.beats, now.beat_type)
        beats, beat_type = now.beats, now.beat_type
        empty = m.held == 0
        if self.bars_repeated and not any(note.kind == "note" for note in m.notes):
            self.remark("repeat signs for single bars are read as the rests they stand over: write those bars out")
        if nominal is None:
            beats, beat_type = max(1, -int(-m.held // 1)) if not empty else 4, 4
        length = m.held if not empty else Fraction(4 * beats, beat_type)
        return WrittenBar(
            index=m.index,
            number=m.number,
            length=length,
            nominal=nominal,
            beats=beats,
            beat_type=beat_type,
            fifths=self.key_at_bar[0],
            mode=self.key_at_bar[1],
            implicit=m.implicit,
            empty=empty,
            marks=m.marks,
            tempos=one_a_place(m.tempos),
            notes=tuple(m.notes),
            placed=tuple(m.placed),
            silences=tuple(sorted((length if place is None else place, sign) for place, sign in m.silences)),
        )


def _pieces(bar: WrittenBar, cuts: dict[Fraction, tuple[Marks, Marks]]) -> Iterator[WrittenBar]:
    """The bar, cut where repeat signs stand within it."""
    places = sorted(place for place in cuts if 0 < place < bar.length)
    if not places:
        for before, after in cuts.values():
            bar = replace(bar, marks=merge_marks(merge_marks(bar.marks, before), after))
        yield bar
        return
    edges = [Fraction(0), *places, bar.length]
    for i, (low, high) in enumerate(pairwise(edges)):
        marks = bar.marks if i == len(places) else Marks()
        if i == 0:
            opening = Marks(forward=bar.marks.forward, segno=bar.marks.segno, endings=bar.marks.endings)
            marks = merge_marks(marks, opening)
        else:
            marks = replace(marks, forward=cuts[low][1].forward, segno=(), endings=frozenset())
        if i < len(places):
            marks = merge_marks(marks, cuts[high][0])
        last = i == len(places)
        yield replace(
            bar,
            length=high - low,
            begins=low,
            marks=marks,
            tempos=tuple(
                replace(t, onset=t.onset - low) for t in bar.tempos if low <= t.onset and (last or t.onset < high)
            ),
            notes=tuple(
                replace(n, onset=n.onset - low) for n in bar.notes if low <= n.onset and (last or n.onset < high)
            ),
            silences=tuple(
                (place - low, sign) for place, sign in bar.silences if low < place <= high or (i == 0 and place == 0)
            ),
        )
