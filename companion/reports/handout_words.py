"""What a printed sheet says of a planned passage: its marks, the reasons that matter, remarks at notes, tempo steps.

Every function takes what it needs and returns what stands on the sheet; nothing here reads files.
"""

from __future__ import annotations

import re
from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, field

from companion.charts.model import Chart, Fingering
from companion.passage import Note, Passage
from companion.planning import Plan, printed_texts
from companion.planning.model import Choice
from companion.practice.climbs import STEADY
from companion.practice.ladder import Ladder
from companion.practice.metronome import QUARTER, counted_note
from companion.practice.words import bars_in_words, capital, printed_bars
from companion.record.marks import Marked
from companion.record.model import normal_bars
from companion.record.text import day_in_words
from companion.record.week import WEEKDAYS, WeekItem, WeekSheet
from companion.reports.handout import Card, Kept, LegendRow, Remark, Steps
from companion.reports.horn_drawing import horn_svg, key_words

__all__ = ["CARE", "cards_of", "kept_of", "legend_of", "remarks_of", "steps_of"]

#: From memory: common advice to wind players.
CARE = (
    "Rest some minutes every half hour, and put the horn down meanwhile. Keep the wrists straight and the fingers close"
    " to the keys, without squeezing. Go up in tempo, and in time spent, a little at a time.",
    "Keep the click and the headphones moderate: loud enough to hear beside the horn, no louder.",
    "Stop at pain, numbness or tingling. Then ask your teacher and licensed health professionals, not a sheet.",
)
#: On paper, in points: the labels of the keys can be read at this size.
_HORN_HEIGHT = 124.0
#: What a usual fingering saves is worth a line on paper from here on.
_LARGE_SAVING_S = 0.03
_MOST_REASONS, _MOST_KEPT = 4, 6
_USUAL, _TEACHERS = "the usual fingering", "your teacher’s choice"
_OTHER_REASONS = "there, too, each time for a reason of its own"
#: Figures of single changes differ from place to place; on paper the places are taken together.
_FIGURES = re.compile(r" \(saves \d+ ms a change\)$|, though (\S+( \S+){0,3} is )?\d+ ms (quicker|slower)$")
_FINGERS = {"index": "1", "middle": "2", "ring": "3"}


@dataclass(slots=True)
class _Used:
    """A mark and the shape it stands for, with the notes that have it and their choices; `pitches` as they are spelled,
    by MIDI number, `upper` those of them with the octave key."""

    mark: str
    fingering: Fingering
    pitches: dict[int, set[str]] = field(default_factory=dict)
    upper: set[int] = field(default_factory=set)
    places: list[tuple[Note, Choice]] = field(default_factory=list)

    @property
    def names(self) -> str:
        """`A♯4/B♭4, B♭5`: from the lowest."""
        return self._named(self.pitches)

    @property
    def two_octaves(self) -> bool:
        """Whether the octave key makes the difference between some of its notes."""
        return 0 < len(self.upper) < len(self.pitches)

    @property
    def names_by_octave(self) -> str:
        """`B♭4 (B♭5 with the octave key)` where there are both, else as `names`."""
        if not self.two_octaves:
            return self.names
        return f"{self._named(self.pitches.keys() - self.upper)} ({self._named(self.upper)} with the octave key)"

    def _named(self, midis: Iterable[int]) -> str:
        return ", ".join("/".join(sorted(self.pitches[midi])) for midi in sorted(midis))


def legend_of(
    planned: Sequence[tuple[Passage, Plan]], chart: Chart, remarks: Sequence[Remark] = ()
) -> tuple[LegendRow, ...]:
    """What the marks in these passages mean, in the order of their first use."""
    rows = [LegendRow(used.mark, used.names_by_octave, _pressed(chart, used)) for used in _marks_used(planned, chart)]
    texts = [text for passage, plan in planned for text in printed_texts(passage, plan).values()]
    if any(re.search(r"\b(1st|2nd|3rd|\dth)", text) for text in texts):
        rows.append(LegendRow("2nd", "the second time", "the other times as usual, or as marked beside it"))
    if any("tr " in text for text in texts):
        rows.append(LegendRow("tr", "the trill’s other note"))
    if remarks:
        signs = remarks[0].sign if len(remarks) == 1 else f"{remarks[0].sign} …"
        rows.append(LegendRow(signs, "your teacher’s words, below that staff"))
    return tuple(rows)


def cards_of(
    passage: Passage, plan: Plan, chart: Chart, marked: Marked, horns: bool, reasons: bool
) -> tuple[Card, ...]:
    """The alternate fingerings used, each with its horn and the reasons for it, taken together over the bars.

    Parameters
    ----------
    passage, plan, chart
        The music, planned.
    marked
        Its mark sheet: what the teacher chose, and why.
    horns, reasons
        Whether the horn is drawn; whether reasons are given.
    """
    return tuple(
        Card(
            mark=used.mark,
            title=used.names,
            use=capital(used.fingering.use),
            horn=horn_svg(chart, used.fingering.keys, _HORN_HEIGHT) if horns else "",
            reasons=_reasons(passage, used.places, marked) if reasons else (),
        )
        for used in _marks_used([(passage, plan)], chart)
    )


def kept_of(passage: Passage, plan: Plan) -> tuple[Kept, ...]:
    """Where a rule of practice or a large saving kept a note at its usual fingering."""
    groups: dict[tuple[str, str], list[int]] = {}  # both octaves together
    for choice in plan.choices:
        note, words = passage.notes[choice.note_index], _plainly(choice.reason)
        decided = choice.rule or choice.saved_s >= _LARGE_SAVING_S
        if decided and not choice.fixed and not _marked(choice) and words != _USUAL:
            groups.setdefault((note.written.name, words), []).append(note.bar)
    most_first = sorted(groups.items(), key=lambda group: -len(set(group[1])))[:_MOST_KEPT]
    return tuple(Kept(note, bars_in_words(passage, bars), words) for (note, words), bars in most_first)


def remarks_of(passage: Passage, marked: Marked, inside: Container[str]) -> tuple[Remark, ...]:
    """The teacher's remarks at the notes whose ids are `inside`, numbered in the order of the page; a note played twice
    has its remark once."""
    by_source = {passage.notes[index].source: words for index, words in sorted(marked.comments.items())}
    places = {note.source: (passage.bars[note.bar].written_index, note.source) for note in passage.notes}
    ordered = sorted((source for source in by_source if f"n{source}" in inside), key=lambda source: places[source])
    return tuple(Remark(f"n{source}", f"{i})", by_source[source]) for i, source in enumerate(ordered, start=1))


def steps_of(passage: Passage, ladder: Ladder, item: WeekItem | None = None, sheet: WeekSheet | None = None) -> Steps:
    """The rungs of a ladder to be ticked, each with the try that follows it; with the week's item its bars, day and
    remark.

    A ladder counts quarters. Where the passage goes in other notes (dotted quarters in 6/8, halves in 2/2) those stand
    beside them, as a metronome is set then.
    """
    what = [item.exercise, printed_bars(normal_bars(item.bars))] if item else []
    by = f" by {day_in_words(item.by)}" if item and item.by else ""
    clean = "Clean: no note wrong, left out, added or repeated, all in time"
    if item and item.articulation_share:
        clean += f"; {100 * item.articulation_share:.0f} % of the notes slurred or tongued as written"
    counted = counted_note(passage.bars[0]) if passage.bars else QUARTER
    others = counted != QUARTER
    target = counted.about(ladder.target_bpm) if others else f"♩ = {ladder.target_bpm:g}"
    title = ", ".join(filter(None, ["Tempo steps", *what])) + f", up to {target}{by}"
    steps = [(rung, *([once] if once else [])) for rung, once in zip(ladder.rungs, ladder.tries, strict=True)]
    days = [f"{WEEKDAYS[day.weekday()]} {day.day}" for day in sheet.days_of(item)] if sheet and item else list(WEEKDAYS)
    return Steps(
        title=title,
        words=item.comment if item else "",
        below=" ".join([ladder.rule, *([ladder.reason] if ladder.climb != STEADY else []), f"{clean}."]),
        rungs=tuple(", then ".join(f"{bpm:g}" for bpm in step) for step in steps),
        dotted=tuple(", then ".join(counted.nearest(bpm) for bpm in step) for step in steps) if others else (),
        counted=counted.named("").removesuffix(" = "),
        clean_takes=ladder.clean_needed,
        days=tuple(days),
    )


# -- inside ---------------------------------------------------------------------------------------------------------


def _marks_used(planned: Iterable[tuple[Passage, Plan]], chart: Chart) -> list[_Used]:
    """Each mark with the shape it stands for; both octaves of a shape together."""
    octave, found = _octave(chart), dict[tuple[str, str, frozenset[str]], _Used]()
    for passage, plan in planned:
        for choice in plan.choices:
            for fingering in _marked(choice):
                key = (fingering.mark, fingering.name, fingering.keys - octave)
                used = found.setdefault(key, _Used(fingering.mark, fingering))
                if fingering.written_midi < used.fingering.written_midi:
                    used.fingering = fingering  # shown as its lower octave
                note = passage.notes[choice.note_index]
                pitch = note.trill.other if note.trill and fingering is not choice.fingering else note.written
                used.pitches.setdefault(pitch.midi, set()).add(str(pitch))
                if octave and octave <= fingering.keys:
                    used.upper.add(pitch.midi)
                used.places.append((note, choice))
    return list(found.values())


def _marked(choice: Choice) -> list[Fingering]:
    """The fingerings of a choice that have a mark: the note's, that of a trill's other note."""
    return [f for f in (choice.fingering, choice.trill_fingering) if f is not None and f.mark]


def _octave(chart: Chart) -> frozenset[str]:
    return frozenset({chart.octave.key}) if chart.octave else frozenset()


def _pressed(chart: Chart, used: _Used) -> str:
    """`left 1 2, side B♭`: the fingers of the pearls by number, the other keys by name."""
    keys = used.fingering.keys - _octave(chart)
    words = ["octave key"] if used.upper and not used.two_octaves else []
    for hand in ("left", "right"):
        down = [key for key in chart.keys if key.name in keys and key.hand == hand]
        pearls = [_FINGERS[key.finger] for key in down if key.shape == "round" and key.finger in _FINGERS]
        others = [key_words(key) for key in down if key.shape != "round" or key.finger not in _FINGERS]
        words += [f"{hand} {' '.join(pearls)}"] if pearls else []
        words += others
    return ", ".join(words)


def _reasons(passage: Passage, places: Sequence[tuple[Note, Choice]], marked: Marked) -> tuple[tuple[str, str], ...]:
    """All that the teacher gave and others that hold in most bars, in the order of the music; the bars of the rest are
    named together."""
    groups: dict[str, list[int]] = {}
    for note, choice in places:
        groups.setdefault(_reason(choice, marked), []).append(note.bar)
    own = [words for words in groups if words.startswith(_TEACHERS)]
    others = sorted((words for words in groups if words not in own), key=lambda words: -len(set(groups[words])))
    kept = {*own, *others[: max(_MOST_REASONS - len(own), 1)]}
    said = [(bars, words) for words, bars in groups.items() if words in kept]
    rest = [bar for words, bars in groups.items() if words not in kept for bar in bars]
    said += [(rest, _OTHER_REASONS)] if rest else []
    return tuple((capital(bars_in_words(passage, bars)), words) for bars, words in said)


def _reason(choice: Choice, marked: Marked) -> str:
    if not choice.fixed:
        return _plainly(choice.reason)
    if choice.note_index not in marked.fingerings:
        return "printed in the score"
    why = marked.whys.get(choice.note_index, "")
    return f"{_TEACHERS}: {why}" if why else _TEACHERS


def _plainly(reason: str) -> str:
    return _FIGURES.sub("", reason)
