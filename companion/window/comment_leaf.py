"""The teacher's comment on a take in full, with what it rests on: entries, tempo, evenness, articulation, slips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import pygame

from companion.passage import Passage
from companion.practice.metronome import metronome_number
from companion.practice.model import (
    AS_WRITTEN,
    NOT_SLURRED,
    NOT_TONGUED,
    ON_TIME,
    TOO_LONG,
    TOO_SHORT,
    Drift,
    Entry,
    PlaceTiming,
    Slip,
    Tolerances,
)
from companion.practice.rehearsal import FinishedTake
from companion.practice.words import (
    bar_in_words,
    bars_in_words,
    capital,
    number_of,
    place_in_words,
    size_in_words,
    with_stop,
)
from companion.window.layout import Layout
from companion.window.leaves import lay_paper, leaf_box
from companion.window.result import timing_of
from companion.window.takes import what_next
from companion.window.theme import Ink, Style, Type, wrap

__all__ = ["ReadLeaf", "Section", "comment_sections", "off_in_words", "slip_in_words"]

#: Entries and places listed: a leaf that is read, not searched.
MOST_LISTED = 6
#: Who is so far behind at the end has stopped or gone back.
SECONDS_LOST_MS = 1000.0
_ARTICULATED = {
    NOT_SLURRED: "tongued in a slur",
    NOT_TONGUED: "slurred where they are tongued",
    TOO_SHORT: "held too short",
    TOO_LONG: "held too long",
}


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands under it."""

    heading: str
    lines: tuple[str, ...]


def comment_sections(take: FinishedTake, tolerances: Tolerances | None = None) -> list[Section]:
    """Everything there is to say about a take, the comment first; sections with nothing to say are left out."""
    assessment = take.assessment
    step = what_next(take)
    comment = assessment.comment or (assessment.advice,)
    sections = [
        Section("The take", tuple(line for line in (*comment, step) if line.strip("."))),
        Section("Slips", _slips(take)),
        Section("Articulation", _articulation(take)),
        Section("Entries", _entries(take, assessment.entries, tolerances or Tolerances())),
        Section("Tempo", _tempo(take, assessment.drift)),
        Section("Within the beat", _places(take, assessment.places)),
        Section("Trills", tuple(with_stop(trill.sentence) for trill in assessment.trills)[:MOST_LISTED]),
        Section(
            "Fingerings",
            tuple(with_stop(used.sentence) for used in assessment.fingerings if used.sentence)[:MOST_LISTED],
        ),
    ]
    return [section for section in sections if section.lines]


def _articulation(take: FinishedTake) -> tuple[str, ...]:
    assessment, notes = take.assessment, take.section.passage.notes
    lines = []
    for verdict, words in _ARTICULATED.items():
        bars = [notes[one.note_index].bar for one in assessment.articulation if verdict in one.verdicts]
        if bars:
            lines.append(f"{number_of(len(bars), 'note')} {words}: {bars_in_words(take.section.passage, bars)}.")
    told = [one for one in assessment.articulation if one.verdicts]
    if told and not lines and all(one.verdicts == (AS_WRITTEN,) for one in told):
        lines.append(f"All {len(told)} notes that can be told are tongued, slurred and held as written.")
    return tuple(lines)


def _entries(take: FinishedTake, entries: Sequence[Entry], tolerances: Tolerances) -> tuple[str, ...]:
    """Where the click was left entries go by the player's own beat: seconds lost before are no late entry."""
    passage, first = take.section.passage, take.section.first_note
    timing = {note.note_index - first: note for note in timing_of(take, tolerances)}
    told = []
    for entry in entries:
        note = timing.get(entry.note_index)
        if note is None or not note.own_beat:
            told.append((entry.note_index, entry.deviation_ms, entry.verdict == ON_TIME, ""))
        elif note.deviation_ms is not None:
            on_time = -note.early_ms <= note.deviation_ms <= note.late_ms
            told.append((entry.note_index, note.deviation_ms, on_time, ", by your own beat"))
    off = sorted((one for one in told if not one[2]), key=lambda one: -abs(one[1]))[:MOST_LISTED]
    if told and not off:
        count = len(told)
        where = "in time" if any(by for *_, by in told) else "on the click"
        return (f"{'The entry comes' if count == 1 else f'All {count} entries come'} {where}.",)
    lines = []
    for index, deviation_ms, _, by in off:
        bar = capital(bar_in_words(passage, passage.notes[index].bar))
        lines.append(f"{bar}, {place_in_words(passage, passage.notes[index])}: {off_in_words(deviation_ms)}{by}.")
    return tuple(lines)


def _tempo(take: FinishedTake, drift: Drift | None) -> tuple[str, ...]:
    if drift is None:
        return ()
    bar = take.section.passage.bars[0]
    start, end = metronome_number(drift.start_bpm, bar), metronome_number(drift.end_bpm, bar)
    way = "behind" if drift.behind_ms > 0 else "ahead of"
    lost = ", with all stops and returns" if drift.behind_ms > SECONDS_LOST_MS else ""
    asked = metronome_number(take.tempo_bpm, bar)
    return (
        f"About {start} at the start and {end} at the end, where {asked} was asked;"
        f" {size_in_words(drift.behind_ms)} {way} the click at the end{lost}.",
    )


def _places(take: FinishedTake, places: Sequence[PlaceTiming]) -> tuple[str, ...]:
    lines = []
    for place in sorted(places, key=lambda place: -abs(place.mean_ms))[:MOST_LISTED]:
        where = f", most in {bars_in_words(take.section.passage, place.bars)}" if place.bars else ""
        name = capital(place.place)
        spread = f"± {place.within_ms:.0f}, {number_of(place.count, 'note')}"
        lines.append(f"{name}: {off_in_words(place.mean_ms)} ({spread}){where}.")
    return tuple(lines)


def off_in_words(deviation_ms: float, none: str = "on the click") -> str:
    """`45 ms late`, `2.3 s early`, `on the click`."""
    way = "early" if deviation_ms < 0 else "late"
    return f"{size_in_words(deviation_ms)} {way}" if round(deviation_ms) else none


def _slips(take: FinishedTake) -> tuple[str, ...]:
    told = (slip for slip in take.assessment.slips if slip.sentence)
    return tuple(slip_in_words(take.section.passage, slip) for slip in told)[:MOST_LISTED]


def slip_in_words(passage: Passage, slip: Slip) -> str:
    """A slip's sentence headed by its bar."""
    bar = bar_in_words(passage, passage.notes[slip.note_index].bar)
    return with_stop(f"{bar}: {slip.sentence[:1].lower()}{slip.sentence[1:]}")


class _Line(NamedTuple):
    text: str
    size: float
    style: Style
    indent_px: int
    height_px: int


class ReadLeaf:
    """A leaf to be read: headings and lines, turned on by the arrows where they are longer than the leaf."""

    def __init__(self, kind: str, title: str, sections: Sequence[Section], width: float = 720) -> None:
        self.kind = kind
        self.title = title
        self.sections = tuple(sections)
        self.width = width
        self.first = 0
        self.more = False
        self._box = pygame.Rect(0, 0, 0, 0)

    def draw(self, target: pygame.Surface, place: Layout, type_: Type) -> None:
        """See `Leaf`."""
        u = place.scale
        pad = round(28 * u)
        width = leaf_box(place, self.width, 100).width - 2 * pad
        head, foot = type_.line_height(22) + round(12 * u), type_.line_height(13.5) + round(8 * u)
        lines = self._lines(type_, width)
        needed = head + foot + sum(line.height_px for line in lines[self.first :]) + 2 * pad
        box = self._box = leaf_box(place, self.width, max(240, needed / u + 4))
        lay_paper(target, box, u)
        inner = box.inflate(-2 * pad, -2 * pad)
        type_.draw(target, self.title, inner.topleft, 22, "bold", max_width_px=inner.width)
        y, end = inner.y + head, inner.bottom - foot
        self.more = False
        for text, size, style, indent, height in lines[self.first :]:
            if y + height > end:
                self.more = True
                break
            colour = Ink.PRINT if style == "regular" else Ink.QUIET
            type_.draw(target, text, (inner.x + indent, y + height - type_.line_height(size)), size, style, colour)
            y += height
        keys = "↑ ↓ to read on; Esc puts the leaf away" if self.more or self.first else "Esc puts the leaf away"
        type_.draw(target, keys, inner.bottomleft, 13.5, "italic", Ink.QUIET, "bottomleft")

    def _lines(self, type_: Type, width: int) -> list[_Line]:
        """Every line; headings have some air over them."""
        lines: list[_Line] = []
        indent, heading, text = round(14 * type_.scale), type_.line_height(15), type_.line_height(16)
        for section in self.sections:
            air = round((8 if lines else 0) * type_.scale)
            lines.append(_Line(section.heading, 15, "italic", 0, heading + air))
            for paragraph in section.lines:
                wrapped = wrap(paragraph, type_.font(16), width - indent)
                lines += [_Line(line, 16, "regular", indent, text) for line in wrapped]
        return lines

    def key(self, event: pygame.event.Event) -> bool:
        """See `Leaf`."""
        name = pygame.key.name(event.key)
        moves = {"up": -1, "down": 1, "page up": -8, "page down": 8}
        if name in moves:
            if moves[name] < 0 or self.more:
                self.first = max(0, self.first + moves[name])
            return False
        return name in ("escape", "return", "enter", "keypad enter", "space", "e")

    def click(self, pos: tuple[int, int]) -> bool:
        """See `Leaf`."""
        return not self._box.collidepoint(pos)
