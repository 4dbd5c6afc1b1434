"""A performance judged as one that counts: one go, no click, and afterwards what a panel would write down.

Notes and articulation are judged as in any take. Time is judged from the playing alone: whether the notes are even
against the player's own beat, and whether that beat itself held (see `judged_tempo`).

Conventions
-----------
* Nothing is added up: a sheet holds sentences, no marks.
* What a panel would hear first is ordered in `heard_first`. A take that isn't clean is never said to have gone through.
* After a fermata or a caesura the player may wait as long as they like, at a breath mark for `BREATH_S`.
* Where all of a take lies the same number of semitones off, the controller is set otherwise: it is judged at pitch, and
  that is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from companion.arrays import Floats
from companion.charts.model import Chart
from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.comment import Found
from companion.practice.evenness import in_beats
from companion.practice.heard_first import (
    after_rest,
    heard_first,
    how_many,
    in_time,
    place_habit,
    slips_s,
    stops_of,
    swings_in_words,
)
from companion.practice.hearing import find_shift
from companion.practice.judged_tempo import tempo_held
from companion.practice.judging import extra_reasons, look_at, note_reasons, word_on
from companion.practice.matching import checked
from companion.practice.model import (
    EARLY,
    LATE,
    NOT_REACHED,
    NOT_SLURRED,
    NOT_TONGUED,
    ON_TIME,
    TOO_LONG,
    TOO_SHORT,
    Assessment,
    BreathArray,
    NoteResult,
    PlayedArray,
    Pressed,
    Tolerances,
)
from companion.practice.own_time import OwnTime, Pause, find_own_time
from companion.practice.reading import Reading
from companion.practice.swing import swing_offsets_s
from companion.practice.words import bars_in_words, number_of, with_stop
from companion.units import ms_from_s, s_from_ms

__all__ = ["JudgedTake", "Sheet", "judge_performance"]

#: With fewer right notes among those heard, and fewer of the piece's found, it was another piece, or none.
LEAST_RIGHT_SHARE, LEAST_FOUND_SHARE = 0.36, 0.5
#: From this share of right notes on, at another pitch, all of it was sent at that pitch.
SHIFTED_SHARE, LEAST_SHIFTED, MOST_SHIFTED = 0.8, 8, 33
_LITTLE = "little of what was heard belongs to this piece"


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a judge writes of one piece, a sentence each. `first` is what a panel would hear first. `clean` is whether
    nothing was wrong, left out, added, played again or stopped at, and the time even; slurs and tongue count where a
    share of them is asked for. `because` says why it isn't."""

    notes: str
    rhythm: str
    tempo: str
    articulation: str
    first: str
    clean: bool
    because: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class JudgedTake:
    """A performance as it was heard: the sheet, the take's assessment against the player's own beat, and that beat;
    None where too little was played. `start_s` is when beat 0 was, in the seconds of the notes given. `shift_semitones`
    is what was added to every pitch because all of it lay so far off."""

    sheet: Sheet
    assessment: Assessment
    own: OwnTime | None
    start_s: float
    shift_semitones: int = 0


def judge_performance(
    passage: Passage,
    played: PlayedArray,
    tolerances: Tolerances = Tolerances(),  # noqa: B008 (frozen)
    plan: Plan | None = None,
    *,
    chart: Chart | None = None,
    breath: BreathArray | None = None,
    pressed: Sequence[Pressed] = (),
) -> JudgedTake:
    """Judge a performance without a click.

    Parameters
    ----------
    passage : Passage
    played : array of `PLAYED` [shape=(notes,)]
        In seconds from anywhere.
    tolerances, plan, chart, breath, pressed
        As in `judge`; on time is meant against the player's own beat.

    Raises
    ------
    UsageError
        Where the tolerances make no sense, a played note has no onset, or the array lacks a field.
    """
    played = checked(played)
    played = played[np.argsort(played["onset_s"], kind="stable")]
    given = tolerances, plan, chart, breath, pressed
    heard = _Heard(passage, played, *given)
    shift = _shift_of(passage, played) if heard.is_little else 0
    if shift:
        moved = played.copy()
        moved["written_midi"] += np.int16(shift)
        at_pitch = _Heard(passage, moved, *given)
        if at_pitch.right_share >= SHIFTED_SHARE:
            return at_pitch.judged(shift)
    return heard.judged(0)


def _shift_of(passage: Passage, played: PlayedArray) -> int:
    """What has to be added to all pitches so that most steps from note to note are those of the passage; 0 where
    nothing does."""
    if len(played) < LEAST_SHIFTED:
        return 0
    written = [note.written_midi for note in passage.notes]
    steps = set(pairwise(written))
    heard = played["written_midi"].tolist()
    counts = {
        shift: sum((a + shift, b + shift) in steps for a, b in pairwise(heard))
        for shift in range(-MOST_SHIFTED, MOST_SHIFTED + 1)
        if shift % 12
    }
    best = max(counts, key=lambda shift: (counts[shift], -abs(shift)))
    return best if counts[best] >= SHIFTED_SHARE / 2 * (len(heard) - 1) else 0


class _Heard:
    """A performance with its own time and all that can be seen in it."""

    def __init__(
        self,
        passage: Passage,
        played: PlayedArray,
        tolerances: Tolerances,
        plan: Plan | None,
        chart: Chart | None,
        breath: BreathArray | None,
        pressed: Sequence[Pressed],
    ) -> None:
        self._chart = chart

        def look(own: OwnTime | None) -> tuple[float, Found]:
            start_s = own.start_s if own else float(played["onset_s"].min()) if len(played) else 0.0
            return start_s, look_at(
                passage,
                _moved(played, start_s),
                own.tempo_bpm if own else passage.marked_tempo_bpm(),
                tolerances,
                plan,
                chart,
                _breath_moved(breath, start_s),
                [Pressed(p.time_s - start_s, p.keys) for p in pressed],
                None if own is None else own.due_s - start_s,
            )

        self.own = find_own_time(passage, played)
        self.start_s, self.found = look(self.own)
        if self.own is not None and np.any(habits_s := _habits_s(self.found, self.own.tempo_bpm)):
            self.own = find_own_time(passage, played, habits_s) or self.own
            self.start_s, self.found = look(self.own)

    @property
    def right_share(self) -> float:
        """How many of the notes heard are right ones of the passage."""
        reading = self.found.reading
        return reading.right / len(reading.realised) if len(reading.realised) else 0.0

    @property
    def is_little(self) -> bool:
        """So few of them that it was another piece."""
        reading = self.found.reading
        if not len(reading.realised) or reading.right >= LEAST_FOUND_SHARE * len(reading.results):
            return False
        return reading.right < LEAST_RIGHT_SHARE * len(reading.realised)

    def judged(self, shift: int) -> JudgedTake:
        """The judge's word; `shift` is what was added to all pitches."""
        assessment = word_on(self.found)
        moved_s = {pause.before: pause.lost_s for pause in stops_of(self.found.reading, self.own)}
        notes = tuple(_moved_result(result, moved_s.get(result.note_index)) for result in assessment.notes)
        assessment = replace(assessment, notes=notes)
        return JudgedTake(self._sheet(assessment, shift), assessment, self.own, self.start_s, shift)

    def _sheet(self, assessment: Assessment, shift: int) -> Sheet:
        found, own, reading = self.found, self.own, self.found.reading
        if len(reading.notes_with(NOT_REACHED)) == len(reading.results):
            nothing = "Nothing of this piece was heard."
            return Sheet(nothing, "", "", "", nothing, clean=False, because="nothing was played")
        if self.is_little:
            some = f"{reading.right} of the {number_of(len(reading.results), 'note')} could be found"
            return Sheet(with_stop(some), "", "", "", with_stop(_LITTLE), clean=False, because=_LITTLE)
        tempo = tempo_held(reading.passage, own)
        wrong = _wrong(found, stops_of(reading, own))
        because = _because(found, own, assessment, wrong)
        notes = with_stop("; ".join(wrong)) if wrong else _all_right(reading)
        return Sheet(
            notes=" ".join(filter(None, [notes, self._otherwise_pitched(shift + reading.octave_shift)])),
            rhythm=_rhythm(found) if own else "Too few notes to tell a beat from.",
            tempo=tempo.sentence,
            articulation=_articulation(found),
            first=heard_first(found, own, tempo, because),
            clean=not because,
            because=because,
        )

    def _otherwise_pitched(self, shift: int) -> str:
        if not shift:
            return ""
        horn = (self._chart.transposition, self._chart.name) if self._chart is not None else ()
        sent = find_shift(60, 60 - shift, *horn)
        way = "higher" if shift < 0 else "lower"
        off = number_of(abs(shift), "semitone")
        words = sent.words if sent.plausible else f"all of it came {off} {way} than written"
        return with_stop(f"{words}; it was judged at pitch")


def _habits_s(found: Found, tempo_bpm: float) -> Floats:
    """By how much swing, or the habit of one place within the beat, moves each note: the beat lies where it would be
    without."""
    reading = found.reading
    if reading.swing is not None:
        return swing_offsets_s(reading.passage, reading.swing, tempo_bpm, reading.parts)
    means_ms = {timing.place: timing.mean_ms for timing in found.places}
    habits_s = np.zeros(len(reading.passage.notes))
    returns = frozenset(reading.returns)
    for each in in_beats(reading.passage, reading.in_beat_s, tempo_bpm, leave_out=returns, parts=reading.parts):
        habits_s[each.note_index] = s_from_ms(means_ms.get(each.words, 0.0))
    return habits_s


def _moved_result(result: NoteResult, moved_s: float | None) -> NoteResult:
    """The note after a stop came late, by the beat before it, and one that came in too soon came early: the page and
    what is kept show it there, though the beat goes on from it."""
    if moved_s is None or result.deviation_ms is None:
        return result
    verdict = (LATE if moved_s > 0 else EARLY) if result.verdict in (ON_TIME, EARLY, LATE) else result.verdict
    return replace(result, verdict=verdict, deviation_ms=ms_from_s(moved_s))


def _moved(played: PlayedArray, start_s: float) -> PlayedArray:
    moved = played.copy()
    moved["onset_s"] -= start_s
    moved["offset_s"] -= start_s
    return moved


def _breath_moved(breath: BreathArray | None, start_s: float) -> BreathArray | None:
    if breath is None:
        return None
    breath = breath.copy()
    breath["time_s"] -= start_s
    return breath


# -- notes and their time ---------------------------------------------------------------------------------------------


def _wrong(found: Found, stops: Sequence[Pause]) -> list[str]:
    reading, passage = found.reading, found.reading.passage
    said = note_reasons(reading, len(reading.results))
    said += extra_reasons(reading, slips_s(found))
    late = [pause for pause in stops if pause.lost_s > 0]
    for those, one, many in (
        ([pause for pause in late if not after_rest(passage, pause.before)], "stop", "stops"),
        ([pause for pause in late if after_rest(passage, pause.before)], "late entry", "late entries"),
        ([pause for pause in stops if pause.lost_s < 0], "entry too soon", "entries too soon"),
    ):
        if those:
            where = bars_in_words(passage, (passage.notes[pause.before].bar for pause in those))
            said.append(f"{number_of(len(those), one, many)}, in {where}")
    return said


def _because(found: Found, own: OwnTime | None, assessment: Assessment, wrong: Sequence[str]) -> str:
    """Why it was not clean. Without a beat of the player's own nothing is said of time."""
    said = list(wrong)
    if own is not None:
        # What the judge of any take says beside the notes: swing, slurs and tongue, time.
        told = {
            *note_reasons(found.reading, len(found.reading.results)),
            *extra_reasons(found.reading, slips_s(found)),
        }
        said += [reason for reason in assessment.because.split("; ") if reason and reason not in told]
    return "; ".join(said)


def _all_right(reading: Reading) -> str:
    if len(reading.results) == 1:
        return "The one note was right."
    return "Every note was right, and each was played once."


def _rhythm(found: Found) -> str:
    reading = found.reading
    if not reading.right:
        return "No right note came at a time that could be judged."
    said = in_time(reading)
    if reading.swing is not None and not reading.swing.asked:
        return with_stop(f"{swings_in_words(reading)}; beside that {said}")
    if reading.far_off:
        where = bars_in_words(reading.passage, (reading.passage.notes[i].bar for i in reading.far_off))
        return with_stop(f"{said}; far out of it in {where}")
    if found.places:
        place = found.places[0]
        where = f", most in {bars_in_words(reading.passage, place.bars)}" if place.bars else ""
        return with_stop(f"{said}; {place_habit(found)}{where}")
    return with_stop(said)


def _articulation(found: Found) -> str:
    told = [a for a in found.articulation if a.asked and a.played]
    if not told:
        return "Nothing could be told of the articulation."
    begun = [a for a in told if not {NOT_SLURRED, NOT_TONGUED} & set(a.verdicts)]
    said = f"{how_many(len(begun), len(told))} slurred or tongued as written"
    more = []
    for verdict, words in (
        (NOT_SLURRED, "tongued in a slur"),
        (NOT_TONGUED, "slurred where tongued"),
        (TOO_LONG, "held too long"),
        (TOO_SHORT, "cut short"),
    ):
        notes = [a.note_index for a in found.articulation if verdict in a.verdicts]
        if notes:
            passage = found.reading.passage
            more.append(f"{len(notes)} {words}, in {bars_in_words(passage, (passage.notes[i].bar for i in notes))}")
    return with_stop("; ".join([said, *more]))
