"""A performance judged as one that counts: one go, no click, and afterwards what a panel would write down.

Notes and articulation are judged as in any take. Time is judged from the playing alone: whether the notes are even
against the player's own beat, and whether that beat itself held.

Conventions
-----------
* Nothing is added up: a sheet holds sentences, no marks.
* What a panel hears first is what breaks the music: breaking off, going back, a stop. Then wrong notes and notes left
  out, more where they are exposed (the first or the last note, a long one), then a tempo that moves, articulation,
  evenness and short notes on the way. This order is ours, no source; teachers agree on its beginning (common practice).
* The tempo of single bars is told from `BAR_SHARE` off; listeners notice a change of 2 to 6 % in an even row (C. Drake
  and M.-C. Botte, Perception & Psychophysics 54 (1993) 277-286, from memory), but music bends. The last bar may broaden
  freely, and so may a bar with a fermata (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from companion.arrays import Floats
from companion.charts.model import Chart
from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.comment import Found
from companion.practice.judging import extra_reasons, look_at, note_reasons, word_on
from companion.practice.matching import checked
from companion.practice.model import (
    AS_WRITTEN,
    LEFT_OUT,
    NOT_REACHED,
    NOT_SLURRED,
    NOT_TONGUED,
    TOO_LONG,
    TOO_SHORT,
    WRONG_NOTE,
    Assessment,
    BreathArray,
    PlayedArray,
    Pressed,
    Tolerances,
)
from companion.practice.own_time import OwnTime, Pause, find_own_time
from companion.practice.reading import Reading
from companion.practice.words import bar_in_words, bars_in_words, number_of, size_in_words, with_stop

__all__ = ["BAR_SHARE", "TREND_SHARE", "JudgedTake", "Sheet", "judge_performance"]

#: From this share of the take's tempo on, a bar is told to be faster or slower; from so many bars in a row.
BAR_SHARE, BARS_IN_A_ROW = 0.06, 2
#: From this change between start and end on, the tempo is told to rise or fall.
TREND_SHARE = 0.05
#: Bars whose tempo is needed to say anything of its course.
LEAST_BARS = 4
#: "Most bars" are so many of them.
MOST_BARS_SHARE = 0.9
#: With fewer right notes among those heard it was another piece, or none.
LEAST_RIGHT_SHARE = 0.36
#: A note of so many quarters is long enough for a wrong one to stand out.
LONG_QUARTERS = 1.0
#: From this share of notes in time (or articulated as written) on there is nothing to complain of.
EVEN_SHARE, ARTICULATED_SHARE = 0.95, 0.9


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a judge writes of one piece, a sentence each. `first` is what a panel would hear first. `clean` is whether
    nothing was wrong, left out, added, played again or stopped at, and the time even."""

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
    None where too little was played. `start_s` is when beat 0 was, in the seconds of the notes given."""

    sheet: Sheet
    assessment: Assessment
    own: OwnTime | None
    start_s: float


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
    own = find_own_time(passage, played)
    tempo_bpm = own.tempo_bpm if own else passage.marked_tempo_bpm()
    start_s = own.start_s if own else float(played["onset_s"].min()) if len(played) else 0.0
    found = look_at(
        passage,
        _moved(played, start_s),
        tempo_bpm,
        tolerances,
        plan,
        chart,
        _breath_moved(breath, start_s),
        [Pressed(p.time_s - start_s, p.keys) for p in pressed],
        None if own is None else own.due_s - start_s,
    )
    return JudgedTake(_sheet(found, own), word_on(found), own, start_s)


def _moved(played: PlayedArray, start_s: float) -> PlayedArray:
    moved = played[np.argsort(played["onset_s"], kind="stable")].copy()
    moved["onset_s"] -= start_s
    moved["offset_s"] -= start_s
    return moved


def _breath_moved(breath: BreathArray | None, start_s: float) -> BreathArray | None:
    if breath is None:
        return None
    breath = breath.copy()
    breath["time_s"] -= start_s
    return breath


def _sheet(found: Found, own: OwnTime | None) -> Sheet:
    reading = found.reading
    if len(reading.notes_with(NOT_REACHED)) == len(reading.results):
        nothing = "Nothing of this piece was heard."
        return Sheet(nothing, "", "", "", nothing, clean=False, because="nothing was played")
    stops = [pause for pause in own.pauses if not pause.back] if own else []
    wrong = _wrong(found, stops)
    tempo, _ = _tempo(reading.passage, own)
    even = own is None or _even(reading)
    return Sheet(
        notes=with_stop("; ".join(wrong)) if wrong else "Every note was right, and each was played once.",
        rhythm=_rhythm(found) if own else "Too few notes to tell a beat from.",
        tempo=tempo,
        articulation=_articulation(found),
        first=_first(found, own, stops),
        clean=not wrong and even,
        because="; ".join([*wrong, *([] if even else [_in_time(reading)])]),
    )


def _wrong(found: Found, stops: Sequence[Pause]) -> list[str]:
    reading = found.reading
    said = note_reasons(reading, len(reading.results))
    said += extra_reasons(reading, frozenset(slip.time_s for slip in found.slips))
    if stops:
        where = bars_in_words(reading.passage, (reading.passage.notes[pause.before].bar for pause in stops))
        said.append(f"{number_of(len(stops), 'stop')}, in {where}")
    return said


def _even(reading: Reading) -> bool:
    return reading.on_time >= reading.tolerances.clean_share_on_time * reading.right - 1e-9 and not reading.far_off


def _in_time(reading: Reading) -> str:
    return f"{_of(reading.on_time, reading.right)} in time with your own beat"


def _of(count: int, total: int) -> str:
    return f"all {number_of(total, 'note')}" if count == total > 1 else f"{count} of {number_of(total, 'note')}"


def _rhythm(found: Found) -> str:
    reading = found.reading
    if not reading.right:
        return "No right note came at a time that could be judged."
    said = _in_time(reading)
    if reading.swing is not None and not reading.swing.asked:
        return with_stop(f"{said}; the eighths swing, and are written even")
    if found.places:
        place = found.places[0]
        way = "early" if place.mean_ms < 0 else "late"
        where = f", most in {bars_in_words(reading.passage, place.bars)}" if place.bars else ""
        return with_stop(f"{said}; {place.place} comes {size_in_words(place.mean_ms)} {way}{where}")
    if reading.far_off:
        where = bars_in_words(reading.passage, (reading.passage.notes[i].bar for i in reading.far_off))
        return with_stop(f"{said}; far out of it in {where}")
    return with_stop(said)


def _tempo(passage: Passage, own: OwnTime | None) -> tuple[str, float]:
    """What is said of the tempo, and the largest share by which it moved (0 where it held or can't be told)."""
    if own is None:
        return "Too little was played to tell the tempo.", 0.0
    printed = f", printed {passage.tempos[0].quarter_bpm:.0f}" if passage.tempos else ""
    said = f"The quarter went at about {own.tempo_bpm:.0f}{printed}"
    counted = _bars_that_count(passage, own.bar_bpm)
    if len(counted) < LEAST_BARS:
        return f"{said}; too few bars to tell whether it held.", 0.0
    bpm = own.bar_bpm[counted]
    start_bpm, end_bpm = _trend(np.asarray(counted, dtype=np.float64), bpm)
    share = end_bpm / start_bpm - 1
    if abs(share) >= TREND_SHARE:
        way = "faster" if share > 0 else "slower"
        return f"{said}; it grew {way} all the way, from {start_bpm:.0f} to {end_bpm:.0f}.", abs(share)
    stretch = _stretch_off(counted, bpm / own.tempo_bpm - 1)
    if stretch is not None:
        bars, share = stretch
        way = "faster" if share > 0 else "slower"
        where = bars_in_words(passage, bars)
        return f"{said}; {way} in {where}, at about {own.tempo_bpm * (1 + share):.0f}.", abs(share)
    off = np.abs(bpm / own.tempo_bpm - 1)
    if float(np.median(off)) >= BAR_SHARE:
        return f"{said}; it moved from bar to bar, between {bpm.min():.0f} and {bpm.max():.0f}.", float(np.median(off))
    few = float(np.quantile(off, MOST_BARS_SHARE))
    return f"{said} and held: most bars within {max(100 * few, 1):.0f} % of it.", 0.0


def _bars_that_count(passage: Passage, bar_bpm: Floats) -> list[int]:
    free = {note.bar for note in passage.notes if note.fermata} | {len(passage.bars) - 1}
    return [i for i in range(len(bar_bpm)) if np.isfinite(bar_bpm[i]) and i not in free]


def _trend(at: Floats, bpm: Floats) -> tuple[float, float]:
    """The tempo at the first and last bar by Theil and Sen's line; equal where the bars scatter more than it rises."""
    i, j = np.triu_indices(len(at), 1)
    per_bar = float(np.median((bpm[j] - bpm[i]) / (at[j] - at[i])))
    level = float(np.median(bpm - per_bar * at))
    scatter = 1.4826 * float(np.median(np.abs(bpm - level - per_bar * at)))
    if abs(per_bar) * float(at[-1] - at[0]) < 2 * scatter:
        middle = float(np.median(bpm))
        return middle, middle
    return level + per_bar * float(at[0]), level + per_bar * float(at[-1])


def _stretch_off(bars: Sequence[int], off: Floats) -> tuple[list[int], float] | None:
    """The bars in a row that are furthest off the take's tempo, and by what share."""
    runs: list[list[int]] = []
    for k in np.flatnonzero(np.abs(off) >= BAR_SHARE).tolist():
        together = runs and bars[k] == bars[runs[-1][-1]] + 1 and off[k] * off[runs[-1][-1]] > 0
        if together:
            runs[-1].append(k)
        else:
            runs.append([k])
    runs = [run for run in runs if len(run) >= BARS_IN_A_ROW]
    if not runs:
        return None
    worst = max(runs, key=lambda run: float(np.sum(np.abs(off[run]))))
    return [bars[k] for k in worst], float(np.mean(off[worst]))


def _articulation(found: Found) -> str:
    told = [a for a in found.articulation if a.asked and a.played]
    if not told:
        return "Nothing could be told of the articulation."
    begun = [a for a in told if not {NOT_SLURRED, NOT_TONGUED} & set(a.verdicts)]
    said = f"{_of(len(begun), len(told))} slurred or tongued as written"
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


def _first(found: Found, own: OwnTime | None, stops: Sequence[Pause]) -> str:
    """What a panel would hear first."""
    reading, passage = found.reading, found.reading.passage
    if reading.right < LEAST_RIGHT_SHARE * len(reading.realised):
        return "Little of what was heard belongs to this piece."
    unreached = reading.notes_with(NOT_REACHED)
    if unreached:
        return with_stop(f"the music broke off before {bar_in_words(passage, passage.notes[unreached[0]].bar)}")
    backs = [pause for pause in own.pauses if pause.back] if own else []
    if backs or reading.returns:
        note = backs[0].before if backs else reading.returns[0]
        return with_stop(f"going back in {bar_in_words(passage, passage.notes[note].bar)}")
    if stops:
        worst = max(stops, key=lambda pause: pause.lost_s)
        where = bar_in_words(passage, passage.notes[worst.before].bar)
        return with_stop(f"the stop in {where}: {size_in_words(1000 * worst.lost_s)}")
    slipped = [*reading.notes_with(WRONG_NOTE), *reading.notes_with(LEFT_OUT)]
    exposed = [i for i in slipped if _exposed(passage, i)]
    if slipped:
        first = passage.notes[(exposed or sorted(slipped))[0]]
        what = "a wrong note" if reading.results[first.index].verdict == WRONG_NOTE else "a note left out"
        place = f"{what} in {bar_in_words(passage, first.bar)}"
        return with_stop(f"{place}, where it is exposed" if exposed else place)
    tempo, moved = _tempo(passage, own)
    if moved:
        return with_stop(f"the tempo: {tempo.split('; ', 1)[1].rstrip('.')}")
    told = [a for a in found.articulation if a.asked and a.played]
    right = [a for a in told if a.verdicts == (AS_WRITTEN,)]
    if told and len(right) < ARTICULATED_SHARE * len(told):
        return with_stop(f"the articulation: {len(right)} of {number_of(len(told), 'note')} as written")
    if own and reading.right and reading.on_time < EVEN_SHARE * reading.right:
        return with_stop(f"uneven time: {_in_time(reading)}")
    if reading.extras:
        bars = (passage.notes[max(extra.after, 0)].bar for extra in reading.extras)
        return with_stop(f"short notes on the way, in {bars_in_words(passage, bars)}")
    return "Nothing that interrupts: the music goes through from beginning to end."


def _exposed(passage: Passage, index: int) -> bool:
    note = passage.notes[index]
    return index in (0, len(passage.notes) - 1) or float(note.length) >= LONG_QUARTERS
