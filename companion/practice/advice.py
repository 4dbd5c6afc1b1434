"""Trouble bar by bar: which bars are worst, and what to say about each."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np

from companion.passage import Note, Passage
from companion.planning.model import Plan
from companion.practice.metronome import counted_note
from companion.practice.misread import heard_pitch, reason_in_words
from companion.practice.model import LEFT_OUT, NOT_REACHED, WRONG_NOTE, NoteResult, Slip
from companion.practice.reading import Extra, Reading, Stop
from companion.practice.remedies import (
    after_sign,
    change_in_words,
    held_before,
    play_slower,
    same_way,
    wait_before,
)
from companion.practice.words import (
    bar_in_words,
    bars_in_words,
    capital,
    number_of,
    pitch_in_words,
    place_in_words,
    size_in_words,
    times_in_words,
)
from companion.units import ms_from_s

__all__ = [
    "WEIGHT_EXTRA", "WEIGHT_NOTE", "Remark", "about_bars", "about_breaking_off", "about_returning", "about_scatter",
    "about_time", "praise", "trouble_bars",
]  # fmt: skip

# How much each kind of trouble weighs (common practice, no source: what breaks the line comes first).
WEIGHT_RETURN, WEIGHT_STOP, WEIGHT_NOTE, WEIGHT_EXTRA, WEIGHT_TIME = 4.0, 4.0, 3.0, 2.0, 0.7
WEIGHT_BROKEN_OFF = 9.0
#: So many notes in a row left out are one skip.
LEAST_SKIPPED, WEIGHT_SKIP = 4, 8.0
#: A note off time counts up to so many times its limit for its bar: a long hesitation breaks the line like a stop.
WORST_OFF = 5.0
#: From so many returns on, in so many bars, going back is a habit.
LEAST_RETURNS, RETURN_BARS = 8, 3
#: Who began elsewhere in the music is further than this off the click throughout, which is no matter of being late.
MOST_LATE_S = 2.0
#: From here on the player has missed the first beat, and not only come a little late.
MISSED_START_S = 0.25
#: From this share of notes off time on, time as a whole is the matter, and no single note.
OFF_AS_A_WHOLE, WEIGHT_WHOLE = 0.35, 12.0
#: From so many single notes off time on, and this share of all, it is the time that is unsteady.
LEAST_SCATTERED, SCATTERED_SHARE, SCATTERED_BARS, MOST_SCATTERED = 8, 0.15, 3, 2.9
FAR_OFF = 3.0
#: Wandering from the click weighs less than a course of the tempo, which says more.
MOST_WANDERING = 1.9
#: From this difference in tempo on the player runs ahead or drags.
TEMPO_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class Remark:
    """What happened (`head`), what to do about it (`remedy`, may be empty) and how much it weighs.

    `notes` are the score notes it is about, `covers` more of which nothing need be said after it; `aspect` is empty or
    names what only one remark may be about. What is `beside` the matter of a clean take doesn't come first.
    """

    weight: float
    head: str
    remedy: str = ""
    notes: frozenset[int] = frozenset()
    covers: frozenset[int] = frozenset()
    aspect: str = ""
    beside: bool = False

    @property
    def sentence(self) -> str:
        """All of it."""
        return f"{self.head}; {self.remedy}." if self.remedy else f"{self.head}."

    def after(self, remedies: Collection[str]) -> str:
        """The sentence as it follows others with these remedies: none is given twice."""
        if self.remedy in remedies:
            return f"{self.head}."
        again = same_way(self.remedy)
        if again and any(same_way(remedy) for remedy in remedies):
            return f"{self.head}; {again}."
        return self.sentence


@dataclass(frozen=True, slots=True)
class _Trouble:
    """One thing in a bar: what happened and what to do. `for_bar` is what it adds to its bar, `weight` how it ranks
    among the others there."""

    weight: float
    for_bar: float
    notes: frozenset[int]
    what: Callable[[], str]
    remedy: str


def trouble_bars(reading: Reading) -> tuple[int, ...]:
    """Bars with trouble (indices into `Passage.bars`), worst first."""
    weights = {bar: sum(t.for_bar for t in inside) for bar, inside in _by_bar(reading, frozenset(), {}, None).items()}
    return tuple(sorted(weights, key=lambda bar: (-weights[bar], bar)))


def about_bars(
    reading: Reading,
    said: Collection[int],
    slips: Mapping[float, Slip | None],
    plan: Plan | None,
    most: int,
    *,
    returns: bool = True,
) -> Iterator[Remark]:
    """A remark on each of the worst bars.

    Parameters
    ----------
    reading : Reading
    said : collection of int
        Score notes whose wrong pitch, or time, another remark speaks of.
    slips : mapping of float to Slip or None
        By when they sounded: what a blip tells of the fingers. A blip that another remark speaks of has None.
    plan : Plan, optional
    most : int
        How many bars.
    returns : bool
        Whether going back is to be spoken of here.
    """
    found = _by_bar(reading, said, slips, plan, returns=returns)
    weights = {bar: sum(t.for_bar for t in inside) for bar, inside in found.items()}
    for bar in sorted(weights, key=lambda bar: (-weights[bar], bar))[:most]:
        worst = max(found[bar], key=lambda trouble: trouble.weight)
        covers = frozenset().union(*(trouble.notes for trouble in found[bar]))
        head = f"{capital(bar_in_words(reading.passage, bar))}: {worst.what()}"
        yield Remark(weights[bar], head, worst.remedy, worst.notes, covers)


def about_returning(reading: Reading) -> Iterator[Remark]:
    """Where the player went back again and again, all over the passage: that is one habit."""
    by_bar: dict[int, int] = defaultdict(int)
    for note in reading.returns:
        by_bar[reading.passage.notes[note].bar] += 1
    if len(reading.returns) < LEAST_RETURNS or len(by_bar) < RETURN_BARS:
        return
    worst = sorted(by_bar, key=lambda bar: (-by_bar[bar], bar))[:RETURN_BARS]
    where = bars_in_words(reading.passage, worst)
    head = f"You went back {times_in_words(len(reading.returns))}, most in {where}"
    remedy = "take a tempo at which you can play on, leave a slip behind you and mend it afterwards"
    yield Remark(WEIGHT_RETURN * len(reading.returns), head, remedy, frozenset(reading.returns))


def about_breaking_off(reading: Reading) -> Iterator[Remark]:
    """Where the player stopped for good."""
    missing = reading.notes_with(NOT_REACHED)
    if missing:
        head = f"{capital(bar_in_words(reading.passage, reading.passage.notes[missing[0]].bar))}: you broke off here"
        yield Remark(WEIGHT_BROKEN_OFF, head, play_slower(reading.passage, missing[0]), frozenset(missing))


def about_time(reading: Reading) -> Iterator[Remark]:
    """Where many notes are off the click together: running ahead, dragging, all of it a little off, or wandering."""
    deviations_s = reading.deviation_s[reading.timed & np.isfinite(reading.deviation_s)]
    off = 1.0 - reading.on_time / max(reading.right, 1)
    if len(deviations_s) < 4 or off < OFF_AS_A_WHOLE or reading.stops or reading.returns:
        return
    weight, tempo = WEIGHT_WHOLE * off, reading.tempo_played_bpm
    alone = frozenset(_off_time(reading))
    notes = alone | reading.off_click
    if tempo and abs(tempo / reading.tempo_bpm - 1.0) >= TEMPO_SHARE:
        counted = counted_note(reading.passage.bars[0])
        runs = "ran ahead of" if tempo > reading.tempo_bpm else "fell behind"
        head = f"You {runs} the click: about {counted.about(tempo)} where it gives {counted.about(reading.tempo_bpm)}"
        remedy = "tap the beat with your foot and listen for each downbeat"
        yield Remark(weight, head, remedy, notes, aspect="tempo")
        return
    low_ms, middle_ms, high_ms = (ms_from_s(float(q)) for q in np.quantile(deviations_s, (0.1, 0.5, 0.9)))
    if abs(middle_ms) > ms_from_s(MOST_LATE_S) and not np.isfinite(reading.deviation_s[0]):
        return
    steady = high_ms - low_ms < abs(middle_ms)
    if steady and np.mean(np.sign(deviations_s) == np.sign(middle_ms)) > 0.85:
        side = "early" if middle_ms < 0 else "late"
        remedy = "wait for the click" if middle_ms < 0 else "breathe in time, so that the first note is on the click"
        head = f"The notes come about {size_in_words(middle_ms)} {side} throughout"
        yield Remark(weight, head, remedy, notes, aspect="tempo")
        return
    if len(reading.off_click - alone) >= 0.5 * len(reading.off_click):
        on_it = f"{reading.on_time} of {number_of(reading.right, 'note')}"
        head = (
            f"You leave the click and come back to it: {on_it} are on it, though most keep time with their neighbours"
        )
        remedy = "tap the beat with your foot and listen for each downbeat"
        yield Remark(min(weight, MOST_WANDERING), head, remedy, notes, aspect="tempo")


def about_scatter(reading: Reading, said: Collection[int]) -> Iterator[Remark]:
    """Where many single notes are off among their neighbours, some early and some late: that is said once. Not those
    that another remark speaks of (`said`), nor such as are so far off that they are worth a sentence of their own."""
    far_s = FAR_OFF * reading.limit_s
    wrong = frozenset(reading.notes_with(WRONG_NOTE))
    off = [i for i in _off_time(reading) if i not in said and i not in wrong and abs(reading.local_s[i]) < far_s[i]]
    if len(off) < max(LEAST_SCATTERED, SCATTERED_SHARE * reading.right):
        return
    by_bar: dict[int, float] = defaultdict(float)
    for i in off:
        by_bar[reading.passage.notes[i].bar] += abs(float(reading.local_s[i])) / float(reading.limit_s[i])
    worst = sorted(by_bar, key=lambda bar: (-by_bar[bar], bar))[:SCATTERED_BARS]
    where = bars_in_words(reading.passage, worst)
    early = sum(1 for i in off if reading.local_s[i] < 0)
    some = f"of {number_of(reading.right, 'note')} {early} come early and {len(off) - early} late"
    head = f"The time is unsteady: {some}, most in {where}"
    remedy = "play the small notes with a click on each"
    weight = min(WEIGHT_WHOLE * len(off) / max(reading.right, 1), MOST_SCATTERED)
    yield Remark(weight, head, remedy, frozenset(off))


def praise(reading: Reading, *, watch: bool = True) -> tuple[str, bool]:
    """What a clean take is told, and whether it names a note to watch (only where it may)."""
    head = f"Clean: every note right, {reading.on_time} of {number_of(reading.right, 'note')} on time"
    ratio = np.where(reading.timed, np.abs(np.nan_to_num(reading.deviation_s)) / reading.limit_s, 0.0)
    widest = int(ratio.argmax())
    if ratio[widest] <= 1.0 or not watch:
        return f"{head}.", False
    note = reading.passage.notes[widest]
    off_ms = ms_from_s(float(reading.deviation_s[widest]))
    place = f"{place_in_words(reading.passage, note)} in {bar_in_words(reading.passage, note.bar)}"
    return f"{head}; watch {place}, {abs(off_ms):.0f} ms {'early' if off_ms < 0 else 'late'}.", True


def _by_bar(
    reading: Reading,
    said: Collection[int],
    slips: Mapping[float, Slip | None],
    plan: Plan | None,
    *,
    returns: bool = True,
) -> dict[int, list[_Trouble]]:
    """All troubles by the bar they lie in."""
    found: dict[int, list[_Trouble]] = defaultdict(list)
    if not reading.passage.notes:
        return found
    notes = reading.passage.notes
    for at, trouble in (
        *(_return_troubles(reading, said, plan) if returns else ()),
        *_line_troubles(reading, plan),
        *_note_troubles(reading, said, plan),
        *_extra_troubles(reading, slips, plan),
        *_time_troubles(reading, said, plan),
    ):
        found[notes[at].bar].append(trouble)
    return found


def _return_troubles(reading: Reading, said: Collection[int], plan: Plan | None) -> Iterator[tuple[int, _Trouble]]:
    """Going back, one a bar."""
    passage, notes = reading.passage, reading.passage.notes
    by_bar: dict[int, list[int]] = defaultdict(list)
    for note in reading.returns:
        by_bar[notes[note].bar].append(note)
    for inside in by_bar.values():
        weight = WEIGHT_RETURN * len(inside)
        what = partial(_about_returns, reading, inside, said, plan)
        yield inside[0], _Trouble(weight, weight, frozenset(inside), what, play_slower(passage, inside[0]))


def _line_troubles(reading: Reading, plan: Plan | None) -> Iterator[tuple[int, _Trouble]]:
    """What else breaks the line: coming in late, stopping, striking twice, the breath giving out."""
    passage, notes = reading.passage, reading.passage.notes
    late_s = _late_start_s(reading)
    if late_s:
        missed = f"you came in {late_s:.1f} s late"
        yield 0, _Trouble(WEIGHT_STOP, WEIGHT_STOP, frozenset({0}), partial(str, missed), "breathe with the count-in")
    for stop in reading.stops:
        what = partial(_about_stop, reading, stop, plan)
        remedy = after_sign(held_before(passage, stop.before)) or play_slower(passage, stop.before)
        yield stop.before, _Trouble(WEIGHT_STOP, WEIGHT_STOP, frozenset({stop.before}), what, remedy)
    for note in reading.doubled:
        struck, remedy = _about_struck_twice(passage, notes[note])
        yield note, _Trouble(WEIGHT_EXTRA, WEIGHT_EXTRA, frozenset({note}), partial(str, struck), remedy)
    for note in reading.given_out:
        gave_out = f"the breath gave out on {place_in_words(passage, notes[note])} ({notes[note].written})"
        remedy = "breathe before the phrase, and keep the air moving through it"
        yield note, _Trouble(WEIGHT_EXTRA, WEIGHT_EXTRA, frozenset({note}), partial(str, gave_out), remedy)


def _note_troubles(reading: Reading, said: Collection[int], plan: Plan | None) -> Iterator[tuple[int, _Trouble]]:
    passage = reading.passage
    runs = _skips(reading)
    skipped = {i for run in runs for i in run}
    for run in runs:
        yield from _skip_troubles(passage, run)
    for result in reading.results:
        note = passage.notes[result.note_index]
        if note.index in said:
            continue
        if result.verdict == WRONG_NOTE and result.played_midi is not None:
            what = partial(_about_wrong_note, passage, result, plan)
        elif result.verdict == LEFT_OUT and note.index not in skipped:
            what = partial(_about_left_out, passage, note, plan)
        else:
            continue
        remedy = play_slower(passage, note.index)
        yield note.index, _Trouble(WEIGHT_NOTE, WEIGHT_NOTE, frozenset({note.index}), what, remedy)


def _skips(reading: Reading) -> list[range]:
    """Runs of at least `LEAST_SKIPPED` notes left out."""
    left_out = reading.notes_with(LEFT_OUT)
    runs: list[range] = []
    for i in left_out:
        if runs and runs[-1].stop == i:
            runs[-1] = range(runs[-1].start, i + 1)
        else:
            runs.append(range(i, i + 1))
    return [run for run in runs if len(run) >= LEAST_SKIPPED]


def _skip_troubles(passage: Passage, run: range) -> Iterator[tuple[int, _Trouble]]:
    """One trouble in each bar of a skip, all about the same notes."""
    remedy = play_slower(passage, run.start) if run.start else "begin where the count-in leads, or choose bars to play"
    seen: set[int] = set()
    for i in run:
        if passage.notes[i].bar not in seen:
            # The bar it begins in is the one to speak of.
            weight = WEIGHT_SKIP if seen else WEIGHT_SKIP + 0.1
            seen.add(passage.notes[i].bar)
            what = partial(_about_skip, passage, run, passage.notes[i].bar)
            yield i, _Trouble(weight, weight, frozenset(run), what, remedy)


def _extra_troubles(
    reading: Reading, slips: Mapping[float, Slip | None], plan: Plan | None
) -> Iterator[tuple[int, _Trouble]]:
    for extra in reading.extras:
        slip = slips.get(extra.time_s)
        if slip is None and extra.time_s in slips:
            continue
        at = max(extra.after, 0)
        struck = _struck_twice(reading, extra)
        if struck is not None:
            at = struck.index
            what, remedy = _about_struck_twice(reading.passage, struck)
        elif slip and slip.told:
            what, remedy = _about_slip(slip)
        else:
            what, remedy = _about_extra(reading, extra, plan)
        notes = frozenset({slip.note_index} if slip else {at})
        yield at, _Trouble(WEIGHT_EXTRA, WEIGHT_EXTRA, notes, partial(str, what), remedy)


def _time_troubles(reading: Reading, said: Collection[int], plan: Plan | None) -> Iterator[tuple[int, _Trouble]]:
    passage = reading.passage
    for i in _off_time(reading):
        if i in said:
            continue
        off = abs(float(reading.local_s[i])) / float(reading.limit_s[i])
        remedy = wait_before(passage, i) if reading.local_s[i] < 0 else play_slower(passage, i)
        weight = WEIGHT_TIME * min(off, 3.0) + 1e-6 * off
        for_bar = WEIGHT_TIME * min(off, WORST_OFF)
        yield i, _Trouble(weight, for_bar, frozenset({i}), partial(_about_note_time, reading, i, plan), remedy)


def _late_start_s(reading: Reading) -> float:
    """By how much the player missed the first beat; 0 where not, or where all of the take is that late."""
    heard_s = reading.deviation_s[np.isfinite(reading.deviation_s)]
    late_s = float(reading.deviation_s[0]) if len(heard_s) else 0.0
    if not late_s >= MISSED_START_S or late_s - float(np.median(heard_s)) < 0.5 * late_s:
        return 0.0
    return late_s


def _off_time(reading: Reading) -> list[int]:
    """Notes off time where they stand: against the click, or against their neighbours where all are off it."""
    off = reading.timed & (np.abs(np.nan_to_num(reading.local_s)) > reading.limit_s)
    return [int(i) for i in np.flatnonzero(off) if not any(stop.before == i for stop in reading.stops)]


def _about_stop(reading: Reading, stop: Stop, plan: Plan | None) -> str:
    place = place_in_words(reading.passage, reading.passage.notes[stop.before])
    if sign := held_before(reading.passage, stop.before):
        return f"the {sign} made you {stop.lost_s:.1f} s late for {place}"
    return f"you stopped for {stop.lost_s:.1f} s before {place}{change_in_words(reading.passage, stop.before, plan)}"


def _about_left_out(passage: Passage, note: Note, plan: Plan | None) -> str:
    change = change_in_words(passage, note.index, plan)
    return f"{place_in_words(passage, note)} ({note.written}) was left out{change}"


def _about_skip(passage: Passage, run: range, said_bar: int) -> str:
    """`said_bar` is the bar that the sentence is headed with: its number isn't said again."""
    first, last = passage.notes[run.start], passage.notes[run.stop - 1]
    if not run.start and run.stop < len(passage.notes):
        began = passage.notes[run.stop]
        place = f"{place_in_words(passage, began)} in {bar_in_words(passage, began.bar)}"
        return f"you began with {place}; {len(run)} notes before it were not played"
    start, end = (
        place_in_words(passage, note) + ("" if note.bar == said_bar else f" in {bar_in_words(passage, note.bar)}")
        for note in (first, last)
    )
    return f"{len(run)} notes were left out, from {start} to {end}"


def _about_returns(reading: Reading, inside: list[int], said: Collection[int], plan: Plan | None) -> str:
    """Going back to a note that was wrong is putting it right: then the wrong note is what to speak of."""
    passage, first = reading.passage, inside[0]
    result = reading.results[first]
    times = "" if len(inside) == 1 else f" {times_in_words(len(inside))}"
    wrong = result.verdict == WRONG_NOTE and result.played_midi is not None and first not in said
    if wrong and set(inside) == {first}:
        return f"{_about_wrong_note(passage, result, plan)}, and you went back{times}"
    where = " to" if len(set(inside)) == 1 else ", first to"
    place, cause = place_in_words(passage, passage.notes[first]), _after_what(reading, first, said)
    return f"you went back{times}{where} {place}{cause}"


def _after_what(reading: Reading, first: int, said: Collection[int]) -> str:
    """` after a D5 for E5`: the one wrong note of the bar after the place gone back to, if there is just one."""
    passage, bar = reading.passage, reading.passage.notes[first].bar
    wrong = [
        result
        for result in reading.results
        if result.verdict == WRONG_NOTE and passage.notes[result.note_index].bar == bar and result.note_index >= first
    ]
    if len(wrong) != 1 or wrong[0].note_index in said or wrong[0].played_midi is None:
        return ""
    heard = heard_pitch(passage, wrong[0].note_index, wrong[0].played_midi)
    return f", after {heard} for {passage.notes[wrong[0].note_index].written}"


def _about_wrong_note(passage: Passage, result: NoteResult, plan: Plan | None) -> str:
    """What was played for what, and why; where nothing explains it, in which change of fingering."""
    note, played_midi = passage.notes[result.note_index], result.played_midi or 0
    heard = heard_pitch(passage, note.index, played_midi)
    reason = reason_in_words(passage, note.index, played_midi)
    after = f" ({reason})" if reason else change_in_words(passage, note.index, plan)
    return f"{place_in_words(passage, note)} was {heard}, not {note.written}{after}"


def _about_slip(slip: Slip) -> tuple[str, str]:
    what = slip.sentence[0].lower() + slip.sentence[1:].rstrip(".")
    return what, "move these fingers together, slowly first"


def _about_struck_twice(passage: Passage, note: Note) -> tuple[str, str]:
    what = f"{place_in_words(passage, note)} ({note.written}) is struck twice"
    return what, "touch the reed once, and let no finger bounce"


def _struck_twice(reading: Reading, extra: Extra) -> Note | None:
    """The note that an extra one of a moment repeats, or comes before."""
    near = reading.passage.notes[max(extra.after, 0) : extra.after + 2] if extra.blip else ()
    return next((note for note in near if note.written_midi == extra.written_midi), None)


def _about_extra(reading: Reading, extra: Extra, plan: Plan | None) -> tuple[str, str]:
    passage, notes = reading.passage, reading.passage.notes
    note = notes[max(extra.after, 0)]
    heard = pitch_in_words(extra.written_midi, flat=passage.bars[note.bar].fifths < 0)
    if extra.blip and 0 <= extra.after < len(notes) - 1:
        change = change_in_words(passage, extra.after + 1, plan, always=True)
        return f"a short {heard} sounds{change}", "move the fingers of that change together, slowly first"
    side = "after" if extra.after >= 0 else "before"
    return f"an extra {heard} sounds {side} {place_in_words(passage, note)}", play_slower(passage, note.index)


def _about_note_time(reading: Reading, i: int, plan: Plan | None) -> str:
    passage = reading.passage
    off_ms = ms_from_s(float(reading.local_s[i]))
    against = "" if reading.local_s[i] == reading.deviation_s[i] else " against its neighbours"
    place = place_in_words(passage, passage.notes[i])
    change = change_in_words(passage, i, plan)
    return f"{place}{change} comes {size_in_words(off_ms)} {'early' if off_ms < 0 else 'late'}{against}"
