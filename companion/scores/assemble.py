"""From bars as written to a passage in playing order: ties merged, slurs and tempos carried through repeats."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from companion.errors import ScoreError
from companion.passage import Bar, Note, Passage, Slur, TempoMark, TempoWords, Wait
from companion.scores.guards import MAX_BARS, MAX_NOTES, check_fraction
from companion.scores.lines import LineNote
from companion.scores.tempo_words import back_to, bends
from companion.scores.unfold import TooLong, unfold
from companion.scores.written import WrittenBar, WrittenNote, WrittenPart, WrittenTempo

__all__ = ["assemble"]

#: Where a mark relates two units before any tempo: the default of Standard MIDI Files 1.0 (500 000 µs a quarter).
_DEFAULT_BPM = 120.0
#: Marks beyond these are slips of a file (a `long` at 200), not tempos.
_SLOWEST_BPM, _FASTEST_BPM = 4.0, 2000.0
_SILENT_SIGNS = frozenset({"caesura", "breath-mark"})


def assemble(part: WrittenPart, line: Sequence[LineNote], *, file: str) -> Passage:
    """The part's line in playing order; title, origin and the like are still empty. Raises `ScoreError` where repeats
    unfold to more than 20,000 bars or notes."""
    try:
        played = unfold([bar.marks for bar in part.bars], MAX_BARS)
    except TooLong:
        raise ScoreError(f"its repeats unfold to over {MAX_BARS} bars; export only a part of it", file=file) from None
    stage = _Stage(part, line, file)
    for unit, time_pass in played.order:
        stage.play(unit, time_pass)
    remarks = (*played.remarks, *_odd_bars(part.bars))
    return stage.passage(remarks)


@dataclass(slots=True)
class _OpenSlur:
    first: int
    number: str
    stop: int


@dataclass(slots=True)
class _Stage:
    """What has been played so far."""

    part: WrittenPart
    line: Sequence[LineNote]
    file: str
    notes: list[Note] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    slurs: list[Slur] = field(default_factory=list)
    tempos: list[TempoMark] = field(default_factory=list)
    tempo_words: list[TempoWords] = field(default_factory=list)
    waits: set[tuple[Fraction, str]] = field(default_factory=set)
    now: Fraction = Fraction(0)
    open_slurs: list[_OpenSlur] = field(default_factory=list)
    tied: int | None = None
    last_line: int = -1
    last_unit: int = -1
    by_unit: dict[int, list[int]] = field(default_factory=dict)
    ends: dict[int, list[tuple[str, int]]] = field(default_factory=dict)
    strays: dict[int, set[str]] = field(default_factory=dict)
    upbeats: list[bool] = field(default_factory=list)
    tempo_in_force: list[WrittenTempo | None] = field(default_factory=list)
    tempo_marks: list[list[WrittenTempo]] = field(default_factory=list)
    silences: list[list[tuple[Fraction, str]]] = field(default_factory=list)
    mark_units: list[Fraction | None] = field(default_factory=list)

    def __post_init__(self) -> None:
        for i, item in enumerate(self.line):
            self.by_unit.setdefault(item.unit, []).append(i)
        self.ends, self.strays = _pair_slurs(self.line)
        self.upbeats = _upbeats(self.part.bars)
        self.tempo_marks, self.tempo_in_force = _resolve_tempos(self.part.bars)
        self.mark_units = _mark_units(self.part.bars)
        staff = self.line[0].note.staff if self.line else 1
        self.silences = [list(_silences(bar, staff)) for bar in self.part.bars]

    def play(self, unit: int, time_pass: int) -> None:
        written = self.part.bars[unit]
        bar = Bar(
            index=len(self.bars),
            number=written.number,
            written_index=written.index,
            start=check_fraction(self.now, file=self.file, bar=written.number),
            length=written.length,
            beats=written.beats,
            beat_type=written.beat_type,
            fifths=written.fifths,
            mode=written.mode,
            upbeat=self.upbeats[unit],
            time_pass=time_pass,
            mark_unit=self.mark_units[unit],
        )
        self.bars.append(bar)
        self.tempo(unit, bar)
        for place in self.by_unit.get(unit, ()):
            self.note(place, self.line[place].note, bar)
        self.waits |= {(bar.start + onset, sign) for onset, sign in self.silences[unit]}
        self.now += written.length
        self.last_unit = unit

    # --- notes ------------------------------------------------------------------------------------------------------

    def note(self, place: int, written: WrittenNote, bar: Bar) -> None:
        start = bar.start + written.onset
        if not self.joins(place, written, start):
            if len(self.notes) >= MAX_NOTES:
                raise ScoreError(
                    f"its repeats unfold to over {MAX_NOTES} notes; export only what is to be practised", file=self.file
                )
            self.notes.append(_first(written, len(self.notes), start, bar))
            if not written.grace:
                self.tied = None
        index = len(self.notes) - 1 if self.tied is None or written.grace else self.tied
        self.slur(place, written, index)
        if not written.grace:
            self.tied = index if written.tie_start else None
        self.last_line = place

    def joins(self, place: int, written: WrittenNote, start: Fraction) -> bool:
        """Whether a tie makes the note the continuation of an earlier one, which is then lengthened.

        Where only the start of a tie is written, the next note ends it if it has the same pitch, also in a later
        ending: MusicXML has `let-ring` for a tie into nothing. Going back to a repeat takes a written end of the tie.
        """
        stops = written.tie_stop or place > self.last_line
        if not stops or written.pitch is None or written.grace or not self.notes:
            return False
        if self.tied is not None and (before := self.notes[self.tied]).end == start:
            if before.written_midi == written.pitch.midi:
                self.notes[self.tied] = _lengthened(before, written)
                return True
            return False
        grace = self.notes[-1]
        if grace.grace and grace.start == start and grace.written_midi == written.pitch.midi and self.last_ties():
            self.notes[-1] = replace(_lengthened(grace, written), grace="", fermata=written.fermata)
            self.tied = len(self.notes) - 1
            return True
        return False

    def last_ties(self) -> bool:
        return self.last_line >= 0 and self.line[self.last_line].note.tie_start

    # --- slurs ------------------------------------------------------------------------------------------------------

    def slur(self, place: int, written: WrittenNote, index: int) -> None:
        jumped = place != self.last_line + 1
        still_open = []
        for slur in self.open_slurs:
            if place == slur.stop:
                self.close(slur, index)
            elif place > slur.stop or place <= self.last_line:
                ends_here = jumped and slur.number in self.strays.get(place, ())
                self.close(slur, index if ends_here else index - 1)
            else:
                still_open.append(slur)
        self.open_slurs = still_open
        self.open_slurs += [_OpenSlur(index, number, stop) for number, stop in self.ends.get(place, ())]

    def close(self, slur: _OpenSlur, last: int) -> None:
        if last > slur.first:
            self.slurs.append(Slur(slur.first, last))

    # --- tempo ------------------------------------------------------------------------------------------------------

    def tempo(self, unit: int, bar: Bar) -> None:
        marks = self.tempo_marks[unit]
        before = self.tempo_in_force[unit]
        if unit != self.last_unit + 1 and before is not None and not (marks and marks[0].onset == 0):
            self.mark(bar.start, before)
        for mark in marks:
            self.mark(bar.start + mark.onset, mark)
        resolved = {(mark.onset, mark.text) for mark in marks}
        said = (mark for mark in self.part.bars[unit].tempos if mark.words_only)
        words = [mark for mark in said if (mark.onset, mark.text) not in resolved]
        self.tempo_words += [TempoWords(bar.start + mark.onset, mark.text) for mark in words]

    def mark(self, start: Fraction, tempo: WrittenTempo) -> None:
        if tempo.quarter_bpm is None:
            return
        bpm, text = tempo.quarter_bpm, tempo.text
        while self.tempos and self.tempos[-1].start >= start:
            dropped = self.tempos.pop()
            text = text or (dropped.text if dropped.quarter_bpm == bpm else "")
        if not self.tempos or self.tempos[-1].quarter_bpm != bpm:
            self.tempos.append(TempoMark(start, bpm, text))

    # --- the whole --------------------------------------------------------------------------------------------------

    def passage(self, remarks: tuple[str, ...]) -> Passage:
        for slur in self.open_slurs:
            self.close(slur, len(self.notes) - 1)
        led_into = {i for slur in self.slurs for i in range(slur.first + 1, slur.last + 1)}
        return Passage(
            title="",
            notes=tuple(replace(note, tongued=False) if note.index in led_into else note for note in self.notes),
            bars=tuple(self.bars),
            slurs=tuple(sorted(set(self.slurs), key=lambda slur: (slur.first, slur.last))),
            tempos=tuple(self.tempos),
            tempo_words=tuple(self.tempo_words),
            waits=tuple(Wait(start, sign) for start, sign in sorted(self.waits)),
            remarks=tuple(dict.fromkeys(remarks)),
        )


def _first(written: WrittenNote, index: int, start: Fraction, bar: Bar) -> Note:
    assert written.pitch is not None
    return Note(
        index=index,
        written=written.pitch,
        start=start,
        length=written.length,
        bar=bar.index,
        count=_count(bar, written.onset),
        source=written.source,
        grace=written.grace,
        articulations=written.articulations,
        ornaments=written.ornaments,
        trill=written.trill,
        tuplet=written.tuplet,
        fermata=written.fermata,
        fingering_mark=written.fingering_mark,
    )


def _silences(bar: WrittenBar, staff: int) -> Iterator[tuple[Fraction, str]]:
    """Where in the bar the staff's rests and the bar lines let the time stand still, and by which sign. The notes of
    others (cues) are silence to the player."""
    for note in bar.notes:
        if note.kind == "note" or note.staff != staff:
            continue
        if note.fermata:
            yield note.onset, "fermata"
        for sign in note.articulations & _SILENT_SIGNS:
            yield note.onset, sign
    yield from bar.silences


def _count(bar: Bar, onset: Fraction) -> Fraction:
    unit = Fraction(4, bar.beat_type)
    return bar.beats + 1 - (bar.length - onset) / unit if bar.upbeat else 1 + onset / unit


def _lengthened(before: Note, written: WrittenNote) -> Note:
    return replace(
        before,
        length=before.length + written.length,
        tied_sources=(*before.tied_sources, written.source),
        articulations=before.articulations | written.articulations,
        ornaments=before.ornaments | written.ornaments,
        trill=before.trill or written.trill,
        tuplet=before.tuplet or written.tuplet,
        fermata=before.fermata or written.fermata,
        fingering_mark=before.fingering_mark or written.fingering_mark,
    )


def _pair_slurs(line: Sequence[LineNote]) -> tuple[dict[int, list[tuple[str, int]]], dict[int, set[str]]]:
    """Slurs as written: for each place of the line the number and the end of those that start there, and the stops that
    no start belongs to. A slur that is started anew under the same number was never closed and is dropped."""
    ends: dict[int, list[tuple[str, int]]] = {}
    strays: dict[int, set[str]] = {}
    open_at: dict[str, int] = {}
    for place, item in enumerate(line):
        for number in item.note.slur_stops:
            if (start := open_at.pop(number, None)) is not None:
                ends.setdefault(start, []).append((number, place))
            else:
                strays.setdefault(place, set()).add(number)
        for number in item.note.slur_starts:
            open_at[number] = place
    return ends, strays


def _resolve_tempos(bars: Sequence[WrittenBar]) -> tuple[list[list[WrittenTempo]], list[WrittenTempo | None]]:
    """For each bar its marks in quarters a minute, and the mark in force before it in the order written."""
    marks: list[list[WrittenTempo]] = []
    in_force: list[WrittenTempo | None] = []
    current: WrittenTempo | None = None
    first = before_bent = current
    bent = False
    for bar in bars:
        in_force.append(current)
        here: list[WrittenTempo] = []
        for mark in bar.tempos:
            goal = {"first": first, "before": before_bent if bent else None}.get(back_to(mark.text))
            if mark.words_only and goal and current and goal.quarter_bpm != current.quarter_bpm:
                mark = replace(mark, quarter_bpm=goal.quarter_bpm)
            if mark.quarter_bpm is None and mark.ratio is not None:
                before = current.quarter_bpm if current and current.quarter_bpm else _DEFAULT_BPM
                mark = replace(mark, quarter_bpm=before * mark.ratio)
            if mark.quarter_bpm is not None and _SLOWEST_BPM <= mark.quarter_bpm <= _FASTEST_BPM:
                current = mark
                here.append(mark)
            # A playback's own steps within a *rit.* have no text; they go on bending.
            bent = bends(mark.text) or (bent and not mark.text)
            first = first or current
            before_bent = before_bent if bent else current
        marks.append(here)
    return marks, in_force


def _mark_units(bars: Sequence[WrittenBar]) -> list[Fraction | None]:
    """For each bar the note that its metronome mark counts: the last one printed in this metre, at its downbeat or
    before it."""
    found: list[Fraction | None] = []
    metre, unit = (0, 0), None
    for bar in bars:
        if (bar.beats, bar.beat_type) != metre:
            metre, unit = (bar.beats, bar.beat_type), None
        printed = [(mark.onset, mark.unit) for mark in bar.tempos if mark.unit is not None]
        # A first mark counts for its bar wherever in it it stands.
        at_once = [each for onset, each in printed if onset == 0 or unit is None]
        unit = at_once[0] if at_once else unit
        found.append(unit)
        unit = printed[-1][1] if printed else unit
    return found


def _upbeats(bars: Sequence[WrittenBar]) -> list[bool]:
    """Which bars begin before their downbeat: a short first bar, the rest of a bar that a repeat sign or a line break
    split, and short bars that the score doesn't count."""
    upbeats: list[bool] = []
    for i, bar in enumerate(bars):
        if bar.nominal is None or bar.empty or (bar.begins == 0 and bar.length >= bar.nominal):
            upbeats.append(False)
        elif i == 0:
            upbeats.append(True)
        elif bar.begins > 0:
            upbeats.append(bar.begins + bar.length == bar.nominal or bar.implicit)
        else:
            completes = _completes(bars[i - 1], bar) and not upbeats[-1] and not _later_ending(bar)
            upbeats.append(completes or (bar.implicit and i + 1 < len(bars)))
    return upbeats


def _completes(before: WrittenBar, bar: WrittenBar) -> bool:
    return not before.empty and before.nominal == bar.nominal and before.length + bar.length == bar.nominal


def _later_ending(bar: WrittenBar) -> bool:
    return bool(bar.marks.endings) and 1 not in bar.marks.endings


def _odd_bars(bars: Sequence[WrittenBar]) -> tuple[str, ...]:
    """A remark on bars that hold more or less than their time signature asks for without a reason that can be seen."""
    odd = []
    upbeats = _upbeats(bars)
    for i, bar in enumerate(bars):
        if bar.nominal is None or bar.empty or bar.length == bar.nominal or upbeats[i] or bar.implicit:
            continue
        next_up = i + 1 == len(bars) or upbeats[i + 1] or bar.marks.backward or bars[i + 1].marks.forward
        if bar.length > bar.nominal or not (next_up or _later_ending(bar)):
            odd.append(bar)
    if not odd:
        return ()
    named = ", ".join(dict.fromkeys(f"{bar.number}" for bar in odd[:8])) + (", …" if len(odd) > 8 else "")
    return (f"bars that do not hold what their time signature asks for: {named}",)
