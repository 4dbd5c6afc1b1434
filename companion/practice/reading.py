"""What happened in a take, note by note and bar by bar, before anything is said about it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from companion.arrays import Bools, Floats, Ints
from companion.passage import Passage
from companion.practice.clock import note_onsets_s
from companion.practice.costs import COSTS, ornament_pitches
from companion.practice.evenness import BeatParts, beat_parts
from companion.practice.matching import lives_s
from companion.practice.misread import misread_of
from companion.practice.model import (
    EARLY,
    LATE,
    LEFT_OUT,
    NOT_REACHED,
    ON_TIME,
    WRONG_NOTE,
    Alignment,
    NoteResult,
    PlayedArray,
    Tolerances,
)  # fmt: skip
from companion.practice.own_beat import breaks_before
from companion.practice.swing import Swing, find_swing, swing_offsets_s
from companion.practice.tolerance import on_time_limits_s, timing_verdict
from companion.units import ms_from_s, s_per_beat

__all__ = ["Extra", "Reading", "Stop", "at_pitch", "made_good", "read_take"]


#: A note that comes so much later than the one before made it expect, and keeps the ones after it waiting, is a stop.
STOP_S, STOP_BEATS = 0.25, 0.75
#: The same note again within this time is struck twice, not gone back to (common practice, no source).
DOUBLED_S = 0.25
#: Neighbours on each side by which a note is judged where the player has left the click.
NEIGHBOURS = 4
#: The played tempo is measured over stretches of so many notes and at least so long.
TEMPO_NOTES, TEMPO_STRETCH_S = 8, 1.0
#: A stretch played in less than this share of its time was no playing (notes all at once).
LEAST_PLAYED = 0.01


@dataclass(frozen=True, slots=True)
class Extra:
    """A note that is not in the score, heard after note `after` (-1: before the first). A `blip` lived under 75 ms.
    `time_s` is when it began."""

    after: int
    written_midi: int
    blip: bool
    time_s: float


@dataclass(frozen=True, slots=True)
class Stop:
    """The player stopped for `lost_s` before note `before`."""

    before: int
    lost_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """A take, read. `results` has one entry a score note; `returns` the notes the player went back to (a stutter, a
    correction, a restart), one entry each time. `deviation_s` [shape=(notes,)] is against the click, in a take that
    swings against the swung place; `in_beat_s` is the same for places within a beat, where a beat of the player's own,
    drawn through the notes around, would hide what they have in common; `local_s` against the neighbours where the
    player has left the click; all NaN where nothing was played, `local_s` also where a note was made good after later
    ones. `timed` are the notes whose time counts. `realised` is the score index of each played note in order of onset,
    -1 where it is extra; `octave_shift` what was added to every played pitch, in semitones; `parts` the beats of the
    passage; `given_out` the notes in which the breath gave out and the note came back: one note, not two; `doubled`
    those struck twice. Where `own_time` is set there was no click: what is said of it above holds of the player's own
    beat."""

    passage: Passage
    tempo_bpm: float
    tolerances: Tolerances
    results: tuple[NoteResult, ...]
    extras: tuple[Extra, ...]
    returns: tuple[int, ...]
    stops: tuple[Stop, ...]
    deviation_s: Floats
    in_beat_s: Floats
    local_s: Floats
    limit_s: Floats
    timed: Bools
    tempo_played_bpm: float | None
    swing: Swing | None
    realised: Ints
    octave_shift: int
    parts: tuple[BeatParts, ...]
    given_out: tuple[int, ...] = ()
    doubled: tuple[int, ...] = ()
    own_time: bool = False

    def notes_with(self, verdict: str) -> tuple[int, ...]:
        """Indices of the notes with this verdict."""
        return tuple(r.note_index for r in self.results if r.verdict == verdict)

    @property
    def on_time(self) -> int:
        """How many notes came on time, of those that have one."""
        return sum(1 for r in self.results if r.verdict == ON_TIME and self.timed[r.note_index])

    @property
    def on_own_beat(self) -> int:
        """How many of them came in time with their neighbours, where the player had left the click."""
        return sum(
            1
            for r in self.results
            if r.verdict in (ON_TIME, EARLY, LATE)
            and self.timed[r.note_index]
            and abs(self.local_s[r.note_index]) <= self.limit_s[r.note_index] + 1e-9
        )

    @property
    def right(self) -> int:
        """How many notes that have a time were played, and with the right pitch."""
        return sum(1 for r in self.results if r.verdict in (ON_TIME, EARLY, LATE) and self.timed[r.note_index])

    @property
    def off_click(self) -> frozenset[int]:
        """Notes of the right pitch that came early or late."""
        return frozenset(r.note_index for r in self.results if r.verdict in (EARLY, LATE))

    @property
    def far_off(self) -> tuple[int, ...]:
        """Notes of the right pitch that came further off the click than any note of a clean take may."""
        allowed_s = self.tolerances.clean_worst * self.limit_s
        return tuple(
            r.note_index
            for r in self.results
            if r.verdict in (EARLY, LATE) and abs(self.deviation_s[r.note_index]) > allowed_s[r.note_index] + 1e-9
        )


def read_take(
    passage: Passage,
    played: PlayedArray,
    tempo_bpm: float,
    tolerances: Tolerances,
    alignment: Alignment,
    came_back: Collection[int] = (),
    due_s: Floats | None = None,
) -> Reading:
    """Read a matched take, its pitches as they were played. The first played note that realises a score note is the one
    that counts. `came_back` are played notes that go on with the one before (see `articulation.dropouts`). `due_s`
    [shape=(notes,)] is when the notes were due where no click said it (see `own_time`), NaN where that isn't known."""
    realised = alignment.pairs[: len(played), 0]
    played = at_pitch(played, alignment)
    first = _first_played(realised, len(passage.notes))
    even_s = onsets_s = note_onsets_s(passage, tempo_bpm)
    if due_s is not None:
        onsets_s = np.where(np.isfinite(due_s), due_s, onsets_s)
    early_s, late_s = on_time_limits_s(passage, tempo_bpm, tolerances)
    there = first >= 0
    click_s = np.full(len(first), np.nan)
    click_s[there] = played["onset_s"][first[there]] - onsets_s[there]
    in_beat_s = click_s + onsets_s - even_s
    doubled = _doubled(passage, played, realised, came_back)
    returns = _returns(passage, realised, {*came_back, *doubled})
    parts = beat_parts(passage)
    swing = find_swing(passage, in_beat_s, tempo_bpm, leave_out=frozenset(returns), parts=parts)
    offsets_s = swing_offsets_s(passage, swing, tempo_bpm, parts) if swing else np.zeros(len(first))
    if swing and not swing.asked and not np.any(offsets_s > late_s):
        # So little, or so fast, that all of it is on time.
        swing, offsets_s = None, np.zeros(len(first))
    deviation_s = click_s - offsets_s
    timed = np.isfinite(early_s)
    local_s = _against_neighbours(onsets_s, np.where(made_good(realised, len(first)), np.nan, deviation_s), early_s)
    return Reading(
        passage=passage,
        tempo_bpm=tempo_bpm,
        tolerances=tolerances,
        results=_results(passage, played, first, click_s, deviation_s, (early_s, late_s)),
        extras=_extras(passage, played, realised),
        returns=returns,
        stops=_stops(deviation_s, realised, played["onset_s"] - onsets_s[realised], s_per_beat(tempo_bpm)),
        deviation_s=deviation_s,
        in_beat_s=in_beat_s - offsets_s,
        local_s=local_s,
        limit_s=np.where(local_s < 0, early_s, late_s),
        timed=timed,
        tempo_played_bpm=_tempo_played_bpm(onsets_s, deviation_s, timed, tempo_bpm),
        swing=swing,
        realised=realised,
        octave_shift=alignment.octave_shift,
        parts=parts,
        given_out=tuple(int(realised[i]) for i in came_back),
        doubled=tuple(int(realised[i]) for i in doubled),
        own_time=due_s is not None,
    )


def at_pitch(played: PlayedArray, alignment: Alignment) -> PlayedArray:
    """The take as it is meant where all of it was sent octaves off."""
    if not alignment.octave_shift:
        return played
    played = played.copy()
    played["written_midi"] += np.int16(alignment.octave_shift)
    return played


def made_good(realised: Ints, size: int) -> Bools:
    """Which of `size` score notes were first played after a later one, by going back: when they came tells the time of
    going back, not theirs."""
    found, furthest = np.zeros(size, dtype=bool), -1
    heard: set[int] = set()
    for note in realised[realised >= 0].tolist():
        found[note] |= note < furthest and note not in heard
        heard.add(note)
        furthest = max(furthest, note)
    return found


def _first_played(realised: Ints, size: int) -> Ints:
    """Index of the first played note for each score note, -1 where there is none."""
    first = np.full(size, -1, dtype=np.int64)
    matched = np.flatnonzero(realised >= 0)[::-1]
    first[realised[matched]] = matched
    return first


def _results(
    passage: Passage,
    played: PlayedArray,
    first: Ints,
    click_s: Floats,
    deviation_s: Floats,
    limits_s: tuple[Floats, Floats],
) -> tuple[NoteResult, ...]:
    reached = int(np.flatnonzero(first >= 0)[-1]) if np.any(first >= 0) else -1
    early_s, late_s = limits_s
    found = []
    for note in passage.notes:
        i = note.index
        if first[i] < 0:
            found.append(NoteResult(i, LEFT_OUT if i < reached else NOT_REACHED))
            continue
        midi = int(played["written_midi"][first[i]])
        timed_ms = None if note.grace else ms_from_s(float(click_s[i]))
        if midi == note.written_midi or midi in ornament_pitches(note):
            verdict = timing_verdict(float(deviation_s[i]), float(early_s[i]), float(late_s[i]))
            found.append(NoteResult(i, verdict, timed_ms, note.written_midi))
        else:
            found.append(NoteResult(i, WRONG_NOTE, timed_ms, midi, misread_of(passage, i, midi)))
    return tuple(found)


def _ends_trill(passage: Passage, played: PlayedArray, realised: Ints, i: int, at: int) -> bool:
    """Is played note `i` the turn from below that ends the trill on score note `at`? Players add it where none is
    written (common practice, no source)."""
    if at < 0 or (note := passage.notes[at]).trill is None:
        return False
    below = note.written_midi - int(played["written_midi"][i])
    after = i + 1
    if after < len(realised) and realised[after] == at and played["written_midi"][after] == note.written_midi:
        after += 1
    return 1 <= below <= 2 and after < len(realised) and int(realised[after]) == at + 1


def _extras(passage: Passage, played: PlayedArray, realised: Ints) -> tuple[Extra, ...]:
    if not len(played):
        return ()
    lived_s, at, found = lives_s(played, tongue_s=0.0), -1, []
    for i, note in enumerate(realised.tolist()):
        if note >= 0:
            at = note
        elif not _ends_trill(passage, played, realised, i, at):
            row = played[i]
            blip = bool(lived_s[i] < COSTS.blip_s)
            found.append(Extra(at, int(row["written_midi"]), blip, float(row["onset_s"])))
    return tuple(found)


def _returns(passage: Passage, realised: Ints, came_back: Collection[int]) -> tuple[int, ...]:
    """Notes gone back to; the notes of one trill are no return, nor are those played on from there, nor what came back
    after the breath gave out."""
    found, at = [], -1
    for i, note in enumerate(realised.tolist()):
        if note < 0 or i in came_back:
            continue
        if note < at or (note == at and not ornament_pitches(passage.notes[note])):
            found.append(note)
        at = note
    return tuple(found)


def _doubled(passage: Passage, played: PlayedArray, realised: Ints, came_back: Collection[int]) -> list[int]:
    """Played notes that strike the right note before them once more at once: nobody goes back so fast."""
    again = np.flatnonzero((np.diff(realised) == 0) & (realised[1:] >= 0)) + 1
    soon = again[played["onset_s"][again] - played["onset_s"][again - 1] < DOUBLED_S]
    found = []
    for i in soon.tolist():
        note = passage.notes[int(realised[i])]
        right = played["written_midi"][i] == played["written_midi"][i - 1] == note.written_midi
        if right and not ornament_pitches(note) and i not in came_back:
            found.append(i)
    return found


def _stops(deviation_s: Floats, realised: Ints, each_s: Floats, beat_s: float) -> tuple[Stop, ...]:
    """Late notes that those after them stay behind with, no going back in between. `each_s` is the deviation of every
    played note that realises one, those played again too."""
    least_s = max(STOP_S, STOP_BEATS * beat_s)
    matched = np.flatnonzero(realised >= 0)
    found = []
    for i, j in zip(matched.tolist(), matched[1:].tolist(), strict=False):
        before, note = int(realised[i]), int(realised[j])
        lost_s = float(each_s[j] - each_s[i])
        if not before < note or lost_s <= least_s:
            continue
        after_s = float(np.nanmedian(deviation_s[note : note + NEIGHBOURS])) - float(each_s[i])
        if after_s > 0.5 * lost_s:
            found.append(Stop(note, lost_s))
    return tuple(found)


def _against_neighbours(due_s: Floats, deviation_s: Floats, limit_s: Floats) -> Floats:
    """The deviation, less that of the notes around where those as a whole are off the click by more than the limit.

    The notes around end at a break: what was played before a stop is not early for the time lost in it.
    """
    local_s = deviation_s.copy()
    there = np.flatnonzero(np.isfinite(deviation_s))
    for first, end in pairwise([0, *breaks_before(due_s[there], deviation_s[there]), len(there)]):
        inside = there[first:end]
        if end < 2:
            # Nothing was played, or one note before a break: that has nothing but the click to go by.
            continue
        padded = np.pad(deviation_s[inside], NEIGHBOURS, constant_values=np.nan)
        windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * NEIGHBOURS + 1)
        around_s = np.nanmedian(windows, axis=1)
        local_s[inside] -= np.where(np.abs(around_s) > limit_s[inside], around_s, 0.0)
    return local_s


def _tempo_played_bpm(onsets_s: Floats, deviation_s: Floats, timed: Bools, tempo_bpm: float) -> float | None:
    """Median of the slopes over stretches of a few notes, without those that a stop or a restart lies in."""
    used = np.flatnonzero(np.isfinite(deviation_s) & timed)
    if len(used) < 3:
        return None
    far = min(TEMPO_NOTES, len(used) - 1)
    a, b = used[:-far], used[far:]
    breaks = np.append(0, np.cumsum(np.abs(np.diff(deviation_s[used])) > STOP_S))
    unbroken = breaks[:-far] == breaks[far:]
    if np.any(unbroken):
        a, b = a[unbroken], b[unbroken]
    expected_s = onsets_s[b] - onsets_s[a]
    played_s = expected_s + deviation_s[b] - deviation_s[a]
    usable = (
        (expected_s >= min(TEMPO_STRETCH_S, float(expected_s.max())))
        & (expected_s > 0)
        & (played_s > LEAST_PLAYED * expected_s)
    )
    return float(tempo_bpm / np.median(played_s[usable] / expected_s[usable])) if np.any(usable) else None
