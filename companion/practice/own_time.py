"""The time a player keeps where no click is given: the tempo, when each note is due by it, and the tempo bar by bar.

A take without a click begins whenever the player likes and goes in a tempo that only the playing tells. The tempo is
looked for among those a player might have taken: the take is matched at each of them and the cheapest match is kept,
then the tempo is refined by what was matched. From there on everything is measured against the player's own beat.

Conventions
-----------
* Times are seconds as in `PLAYED`, from wherever the take's zero is.
* The own beat at a note is a straight line through its neighbours on either side, the note itself left out, so that a
  slow bend of the tempo belongs to the beat and a single note out of line does not.
* A stop, going back, or coming in too soon ends the line on either side: what was lost there belongs to no tempo. So do
  a fermata (over a note, a rest or a bar line), a caesura, a breath mark and a new tempo in the score, where the time
  is free.
* A tempo is quarters a minute at the passage's start; where the score changes its tempo, the ratio printed is kept.
* Where a place within the beat is always early or late (swung eighths are), the beat is that of the other places.

References
----------
P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", J. Am. Stat. Assoc. 63 (1968) 1379-1389
(the median of slopes), from memory. How far the neighbours reach is ours, no source.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np

from companion.arrays import Floats, Ints
from companion.passage import Passage
from companion.practice.clock import note_onsets_s
from companion.practice.ladder import HIGHEST_BPM, LOWEST_BPM
from companion.practice.matching import align, checked
from companion.practice.model import PlayedArray
from companion.scores.tempo_words import bends
from companion.units import s_per_beat

__all__ = ["OwnTime", "Pause", "find_own_time", "new_tempos", "said_of_tempo", "waits_after"]

#: Tempos tried, as shares of the printed one, and beside the one that the whole length of the take suggests.
TRIED = tuple(0.5 * 1.12**i for i in range(12))
#: The own beat is drawn through so many notes on either side, and through all within so many quarters.
NEIGHBOURS, NEAR_BEATS = 5, 2.0
#: A note that comes later than the beat before it by this (and this share of a quarter), and those after it stay
#: behind, is a pause; so much sooner, and it was cut short.
PAUSE_S, PAUSE_BEATS = 0.25, 0.5
#: Slopes are taken over stretches of so many quarters.
STRETCH_BEATS = 4.0
#: Notes are paired with so many others at most: their pairs grow with the square.
MOST_PAIRED = 500
#: So much of a bar must be played without a break to tell its tempo.
LEAST_OF_BAR = 0.6
#: How often tempo and match are made better by one another.
REFINED = 3
#: With so many notes before the first change of tempo in the score these alone tell the tempo at the start.
LEAST_AT_START = 8
_WAITS = frozenset({"breath-mark", "caesura"})


@dataclass(frozen=True, slots=True)
class Pause:
    """The time stood still for `lost_s` before note `before`, or, where that is negative, note `before` came so much
    too soon and those after it stayed with it; `back` where the player went back to it."""

    before: int
    lost_s: float
    back: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class OwnTime:
    """The player's own time.

    `tempo_bpm` is the take's tempo, quarters a minute. `due_s` [shape=(notes,)] is when each note was due by the own
    beat (NaN where too little was played around it), `start_s` when beat 0 was. `bar_bpm` [shape=(bars,)] is the tempo
    of each bar, as a tempo of the passage's start, NaN where it can't be told.
    """

    tempo_bpm: float
    start_s: float
    due_s: Floats
    bar_bpm: Floats
    pauses: tuple[Pause, ...] = ()


def find_own_time(passage: Passage, played: PlayedArray, habits_s: Floats | None = None) -> OwnTime | None:
    """Find the time of a take without a click; None where fewer than three notes of the passage were played, or in a
    tempo that nobody plays in (an arm on the keyboard).

    Parameters
    ----------
    passage : Passage
    played : array of `PLAYED` [shape=(notes,)]
        In any order.
    habits_s : array of float, optional [shape=(notes of the passage,)]
        By how much swing or another habit moves each note, early negative; the beat found is the one without.

    Raises
    ------
    UsageError
        Where a played note has no onset, or the array lacks a field.
    """
    played = checked(played)
    played = played[np.argsort(played["onset_s"], kind="stable")]
    if len(played) < 3 or len(passage.notes) < 3:
        return None
    tempo_bpm, start_s = _likeliest(passage, played)
    realised = np.full(len(played), -1)
    at_s = played["onset_s"]
    for _ in range(REFINED):
        realised = _realised(passage, played, tempo_bpm, start_s)
        if habits_s is not None:
            at_s = played["onset_s"] - np.where(realised >= 0, habits_s[realised], 0.0)
        runs = _runs(passage, at_s, realised, tempo_bpm)
        found = _tempo_and_start(passage, at_s, realised, runs)
        if found is None or not LOWEST_BPM <= found[0] <= HIGHEST_BPM:
            return None
        tempo_bpm, start_s = found
    runs = _runs(passage, at_s, realised, tempo_bpm)
    due_s = _due_s(passage, at_s, realised, runs, tempo_bpm)
    return OwnTime(
        tempo_bpm=tempo_bpm,
        start_s=start_s,
        due_s=due_s,
        bar_bpm=_bar_bpm(passage, realised, runs, due_s, tempo_bpm),
        pauses=_pauses(passage, at_s, realised, runs, tempo_bpm),
    )


def waits_after(passage: Passage, note: int) -> frozenset[str]:
    """By which signs the score lets the time stand still at this note or before the next one: `fermata`, `caesura`,
    `breath-mark`; none where it goes on."""
    this = passage.notes[note]
    own = (this.articulations & _WAITS) | ({"fermata"} if this.fermata else set())
    following = passage.notes[note + 1].start if note + 1 < len(passage.notes) else passage.end
    first = bisect_right(passage.waits, this.start, key=lambda wait: wait.start)
    last = bisect_right(passage.waits, following, key=lambda wait: wait.start)
    return own | {wait.sign for wait in passage.waits[first:last]}


def _likeliest(passage: Passage, played: PlayedArray) -> tuple[float, float]:
    """The tempo among those tried whose match is the cheapest, and where its beat 0 lies."""
    printed_bpm = passage.marked_tempo_bpm()
    lasts_s = float(played["onset_s"][-1] - played["onset_s"][0])
    due_s = note_onsets_s(passage, printed_bpm)
    tried = [printed_bpm * share for share in TRIED]
    if lasts_s > 0 and due_s[-1] > due_s[0]:
        tried.append(printed_bpm * float(due_s[-1] - due_s[0]) / lasts_s)
    best: tuple[float, float, float] | None = None
    for tempo_bpm in tried:
        if not LOWEST_BPM <= tempo_bpm <= HIGHEST_BPM:
            continue
        # What comes first is taken for the first note; the match finds out where it isn't.
        start_s = float(played["onset_s"][0]) - float(note_onsets_s(passage, tempo_bpm)[0])
        cost = align(passage, _from(played, start_s), tempo_bpm).cost
        if best is None or cost < best[0]:
            best = (cost, tempo_bpm, start_s)
    return (best[1], best[2]) if best else (printed_bpm, float(played["onset_s"][0]))


def _from(played: PlayedArray, start_s: float) -> PlayedArray:
    moved = played.copy()
    moved["onset_s"] -= start_s
    moved["offset_s"] -= start_s
    return moved


def _realised(passage: Passage, played: PlayedArray, tempo_bpm: float, start_s: float) -> Ints:
    realised: Ints = align(passage, _from(played, start_s), tempo_bpm).pairs[: len(played), 0]
    return realised


def _tempo_and_start(
    passage: Passage, at_s: Floats, realised: Ints, runs: list[list[int]]
) -> tuple[float, float] | None:
    """The median tempo of short unbroken stretches, and where beat 0 lies by the longest of them."""
    unit_s = note_onsets_s(passage, 60.0)
    runs = _at_the_start(passage, realised, runs)
    slopes: list[Floats] = []
    for run in (whole[at : at + MOST_PAIRED] for whole in runs for at in range(0, len(whole), MOST_PAIRED)):
        score_s, run_s = unit_s[realised[run]], at_s[run]
        i, j = np.triu_indices(len(run), 1)
        apart = score_s[j] - score_s[i]
        least = min(STRETCH_BEATS, float(np.ptp(score_s)) / 2) if len(run) else 0.0
        near = (apart >= least) & (apart <= 2 * least) & (apart > 0) & (run_s[j] > run_s[i])
        slopes.append((run_s[j] - run_s[i])[near] / apart[near])
    all_slopes = np.concatenate(slopes) if slopes else np.zeros(0)
    if not len(all_slopes):
        return None
    per_beat_s = float(np.median(all_slopes))
    longest = max(runs, key=len)
    return 60.0 / per_beat_s, float(np.median(at_s[longest] - per_beat_s * unit_s[realised[longest]]))


def _at_the_start(passage: Passage, realised: Ints, runs: list[list[int]]) -> list[list[int]]:
    """The runs before the first change of tempo in the score, where they are long enough: nobody takes a new tempo in
    exactly the printed proportion."""
    change = next(iter(new_tempos(passage)), None)
    if change is None:
        return runs
    before = [run for run in runs if run and passage.notes[int(realised[run[-1]])].start < change]
    return before if sum(map(len, before)) >= LEAST_AT_START else runs


def _timed(passage: Passage, realised: Ints) -> list[int]:
    """Played notes that realise a note which has a time of its own, the first of those that realise the same one in a
    row (a trill, a note struck twice)."""
    found: list[int] = []
    for i, note in enumerate(realised.tolist()):
        if note < 0 or passage.notes[note].grace or (found and realised[found[-1]] == note):
            continue
        found.append(i)
    return found


def _runs(passage: Passage, at_s: Floats, realised: Ints, tempo_bpm: float) -> list[list[int]]:
    """Played notes in stretches that no pause, no going back and no free time parts."""
    timed = _timed(passage, realised)
    score_s = note_onsets_s(passage, tempo_bpm)[realised[timed]]
    timed_s = at_s[timed]
    free = _free_before(passage)
    runs: list[list[int]] = [[]]
    for k, i in enumerate(timed):
        if k:
            before, this = int(realised[timed[k - 1]]), int(realised[i])
            parted = score_s[k] <= score_s[k - 1] or any(before < at <= this for at in free)
            if parted or abs(_lost_s(score_s, timed_s, k)) > _least_s(tempo_bpm):
                runs.append([])
        runs[-1].append(i)
    return runs


def _least_s(tempo_bpm: float) -> float:
    return max(PAUSE_S, PAUSE_BEATS * s_per_beat(tempo_bpm))


def _free_before(passage: Passage) -> list[int]:
    """Notes before which the score lets the time be free."""
    waits = [note.index + 1 for note in passage.notes[:-1] if waits_after(passage, note.index)]
    changes = new_tempos(passage)
    new = [next((note.index for note in passage.notes if note.start >= change), -1) for change in changes]
    return [*waits, *(note for note in new if note > 0)]


def new_tempos(passage: Passage) -> list[Fraction]:
    """The beats from which on the score asks for another tempo, by a number or in words, at once and not by degrees."""
    first = {(mark.start, mark.text) for mark in passage.tempos[:1]}
    return [start for start, text in said_of_tempo(passage) if start and not bends(text) and (start, text) not in first]


def said_of_tempo(passage: Passage) -> list[tuple[Fraction, str]]:
    """Where the score says something of the tempo, and what; empty where only playback does. The steps in which
    playback takes a *rit.* are left out: they belong to it."""
    marks = [(mark.start, mark.text) for mark in passage.tempos]
    words = [(each.start, each.text) for each in passage.tempo_words]
    found: list[tuple[Fraction, str]] = []
    for start, text in sorted([*marks, *words]):
        if text or not (found and bends(found[-1][1])):
            found.append((start, text))
    return found


def _lost_s(score_s: Floats, at_s: Floats, k: int) -> float:
    """How much later (sooner: negative) the notes from `k` on are than those before it made expect."""
    off_s = at_s - score_s
    before, after = off_s[max(0, k - NEIGHBOURS) : k], off_s[k : k + NEIGHBOURS]
    # Where the whole take goes in a slightly other tempo both sides slope alike, and this jump stands out.
    slope = _slope(score_s[max(0, k - NEIGHBOURS) : k], before, score_s[k : k + NEIGHBOURS], after)
    gap_s = score_s[k] - score_s[k - 1]
    lost_s = float(off_s[k] - off_s[k - 1] - slope * gap_s)
    middle_before, middle_after = (
        float(np.median(score_s[max(0, k - NEIGHBOURS) : k])),
        float(np.median(score_s[k : k + NEIGHBOURS])),
    )
    stays_s = float(np.median(after) - np.median(before)) - slope * (middle_after - middle_before)
    if len(after) < 2:
        # The last note has nothing after it to show that the player stays there: alone it may be late, not too soon.
        return max(lost_s, 0.0)
    return max(min(lost_s, stays_s), 0.0) if lost_s > 0 else min(max(lost_s, stays_s), 0.0)


def _slope(x_before: Floats, y_before: Floats, x_after: Floats, y_after: Floats) -> float:
    slopes = [
        float((b - a) / (q - p))
        for x, y in ((x_before, y_before), (x_after, y_after))
        for (p, a), (q, b) in pairwise(zip(x.tolist(), y.tolist(), strict=True))
        if q > p
    ]
    # Bounded: nobody changes the tempo by more than a third from one note to the next.
    return float(np.clip(np.median(slopes), -1 / 3, 1 / 3)) if slopes else 0.0


def _due_s(passage: Passage, at_s: Floats, realised: Ints, runs: list[list[int]], tempo_bpm: float) -> Floats:
    """When each note was due; of notes gone back to the first time counts. Between what was played the beat goes on."""
    score_s = note_onsets_s(passage, tempo_bpm)
    due_s = np.full(len(passage.notes), np.nan)
    reach_s = NEAR_BEATS * s_per_beat(tempo_bpm)
    end = -1
    for run in runs:
        notes = realised[run]
        x, y = score_s[notes], at_s[run]
        low, high = int(notes.min()), int(notes.max())
        for note in range(max(low, end + 1), high + 1):
            others = notes != note
            near = others & (np.abs(x - score_s[note]) <= reach_s)
            if np.sum(near) < 2 * NEIGHBOURS:
                order = np.argsort(np.abs(x - score_s[note]) + np.where(others, 0.0, np.inf), kind="stable")
                near = np.zeros(len(x), dtype=bool)
                near[order[: min(2 * NEIGHBOURS, int(np.sum(others)))]] = True
            if np.any(near):
                due_s[note] = _line_at(x[near], y[near], float(score_s[note]))
        end = max(end, high)
    return due_s


def _line_at(x: Floats, y: Floats, at: float) -> float:
    """The value at `at` of Theil and Sen's line; with under four points the tempo is taken as it is."""
    off = y - x
    i, j = np.triu_indices(len(x), 1)
    apart = np.abs(x[j] - x[i])
    if len(x) < 4 or not np.any(apart > 0):
        return float(np.median(off)) + at
    # Slopes between notes that lie close together tell little of the tempo.
    wide = apart >= min(0.5 * float(apart.max()), float(np.median(apart)))
    per_s = float(np.median((off[j] - off[i])[wide] / (x[j] - x[i])[wide]))
    return float(np.median(off + per_s * (at - x))) + at


def _bar_bpm(passage: Passage, realised: Ints, runs: list[list[int]], due_s: Floats, tempo_bpm: float) -> Floats:
    """The own beat's tempo from the first note of a bar to the first of the next, within one run."""
    unit_s = note_onsets_s(passage, 60.0)
    found = np.full(len(passage.bars), np.nan)
    spans = [(int(realised[run].min()), int(realised[run].max())) for run in runs if len(run) > 3]
    for bar in passage.bars:
        inside = [n.index for n in passage.notes if n.start >= bar.start and n.start <= bar.end and not n.grace]
        best: list[int] = []
        for low, high in spans:
            here = [i for i in inside if low <= i <= high and np.isfinite(due_s[i])]
            best = max(best, here, key=len)
        if len(best) < 2 or not due_s[best[-1]] > due_s[best[0]]:
            continue
        unit, lasts_s = unit_s[best[-1]] - unit_s[best[0]], due_s[best[-1]] - due_s[best[0]]
        bpm = 60.0 * unit / lasts_s
        # A piece of a bar between two stops has no tempo of its own.
        if unit >= LEAST_OF_BAR * float(bar.length) and abs(np.log2(bpm / tempo_bpm)) < 1:
            found[bar.index] = bpm
    return found


def _pauses(
    passage: Passage, at_s: Floats, realised: Ints, runs: list[list[int]], tempo_bpm: float
) -> tuple[Pause, ...]:
    score_s = note_onsets_s(passage, tempo_bpm)
    found = []
    for before, after in pairwise(run for run in runs if run):
        last, first = before[-1], after[0]
        gap_s = float(at_s[first] - at_s[last])
        if realised[first] <= realised[last]:
            found.append(Pause(int(realised[first]), max(gap_s, 0.0), back=True))
            continue
        lost_s = gap_s - float(score_s[realised[first]] - score_s[realised[last]])
        # Who leaves notes out comes too soon by what they last: that is said of the notes.
        skipped = lost_s < 0 and any(not note.grace for note in passage.notes[realised[last] + 1 : realised[first]])
        if abs(lost_s) > _least_s(tempo_bpm) and not skipped:
            found.append(Pause(int(realised[first]), lost_s))
    return tuple(found)
