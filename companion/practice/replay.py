"""A take heard and seen again at any tempo, beside what is written, note by note.

Where the player had left the click (went back, hesitated, took another tempo), what is written goes by the player's own
beat (see `own_beat`), for beside a click that is somewhere else nothing could be compared.

Pure: a `Replay` is told the time and says where it stands; the caller draws and makes the sound. Times are seconds of
the take as it was played, from beat 0 of its passage, whatever the speed of the replay.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan

import numpy as np

from companion.passage import Passage
from companion.practice.clock import GRACE_S, note_onsets_s
from companion.practice.model import PlayedArray, Slip
from companion.practice.own_beat import own_beat_s
from companion.units import ms_from_s, s_from_ns

__all__ = ["SPEEDS", "Moment", "Replay", "Sounding"]

#: Speeds in percent of the tempo the take was played at.
SPEEDS = (25, 33, 50, 66, 75, 90, 100, 125, 150, 200)
#: The replay begins so long before the first note and ends so long after the last.
MARGIN_S = 0.4
#: Two times nearer than this are one step; a slip is the played note within this of its time.
SAME_S = 1e-4
#: A note so little early counts as due already: nobody hears it as early (what is on time is judged elsewhere).
EARLY_S = 0.03
#: A note still held at the end of the take sounds so long in the replay.
HELD_S = 1.0


@dataclass(frozen=True, slots=True)
class Sounding:
    """A note to sound from `time_s` for `life_s`, as a written MIDI number."""

    time_s: float
    life_s: float
    written_midi: int


@dataclass(frozen=True, slots=True)
class Moment:
    """What a replay shows at one time.

    `played_index` is the last note that was played, -1 before the first; `heard_midi` its written pitch while it
    sounds, None in a silence. `sounded` is the score note that playing has reached, `written` the one that is due; both
    are None before their first. `off_ms` is how far the played note is from its due time, None where it is not in the
    score; `own_beat` says that due is by the player's own beat, not by the click. `cursor_s` is the passage's time of
    what is due now. `slip` is the slip that sounds, if one does.
    """

    position_s: float
    played_index: int = -1
    heard_midi: int | None = None
    sounded: int | None = None
    written: int | None = None
    extra: bool = False
    off_ms: float | None = None
    own_beat: bool = False
    cursor_s: float = 0.0
    slip: Slip | None = None


class Replay:
    """A take to be gone through again.

    Parameters
    ----------
    passage : Passage
        What the take was played from (the excerpt, where only some bars were).
    played : PlayedArray
        The notes played, in order of onset.
    realised : sequence of int
        The score note each played note realises, -1 where it is extra.
    tempo_bpm : float > 0
        Quarters a minute that the take was clicked at.
    slips : sequence of Slip
        What slipped on the way from note to note.
    """

    def __init__(
        self,
        passage: Passage,
        played: PlayedArray,
        realised: Sequence[int],
        tempo_bpm: float,
        slips: Sequence[Slip] = (),
    ) -> None:
        self.passage = passage
        self.tempo_bpm = tempo_bpm
        self.due_s = [float(due) for due in note_onsets_s(passage, tempo_bpm)]
        self._in_order = sorted(range(len(self.due_s)), key=lambda i: (self.due_s[i], i))
        self._due_in_order_s = [self.due_s[i] for i in self._in_order]
        self.onsets_s = [float(onset) for onset in played["onset_s"]]
        self._midi = [int(midi) for midi in played["written_midi"]]
        self._ends_s = self._ends(played)
        self.realised = tuple(int(index) for index in realised)
        self._reached = self._furthest_reached()
        self._behind_s = self._own_beat()
        self._slips = {self._played_at(slip.time_s): slip for slip in slips}
        #: When the notes that nobody played were due, by their indices.
        self.left_out_s = {
            i: self.due_s[i] + self._behind_at_s(i) for i in sorted(set(range(len(self.due_s))) - set(self.realised))
        }
        self.steps_s = self._steps()
        self.start_s = self.steps_s[0] - MARGIN_S if self.steps_s else 0.0
        # A note left out by someone seconds behind was due after all that is written ends.
        self.end_s = max([*self._ends_s, *self._written_ends_s(), *self.steps_s, self.start_s]) + MARGIN_S
        self.position_s = self.start_s
        self.speed_percent = 100
        self.playing = False
        self._from: tuple[int, float] = (0, self.start_s)

    def _ends(self, played: PlayedArray) -> list[float]:
        ends = np.where(np.isnan(played["offset_s"]), played["onset_s"] + HELD_S, played["offset_s"])
        return [float(end) for end in ends]

    def _written_ends_s(self) -> list[float]:
        return [self.due_s[note.index] + self._written_life_s(note.index) for note in self.passage.notes]

    def _written_life_s(self, index: int) -> float:
        note = self.passage.notes[index]
        if not note.length:
            return GRACE_S
        return self.passage.seconds(note.end, self.tempo_bpm) - self.passage.seconds(note.start, self.tempo_bpm)

    def _own_beat(self) -> list[float]:
        """How far the own beat is behind the click at each played note; an extra note goes with the one before."""
        at = [k for k, index in enumerate(self.realised) if index >= 0]
        due_s = np.array([self.due_s[self.realised[k]] for k in at])
        own = dict(zip(at, own_beat_s(due_s, np.array([self.onsets_s[k] for k in at]) - due_s), strict=True))
        behind_s: list[float] = []
        for k in range(len(self.realised)):
            behind_s.append(float(own[k]) if k in own else behind_s[-1] if behind_s else 0.0)
        return behind_s

    def _behind_at_s(self, note_index: int) -> float:
        """How far the own beat is behind where a note was not played: as at the last one before it that was."""
        before = [k for k, index in enumerate(self.realised) if 0 <= index <= note_index]
        return self._behind_s[before[-1]] if before else 0.0

    def _furthest_reached(self) -> list[int | None]:
        """The score note that playing stands at after each played note."""
        reached: list[int | None] = []
        at: int | None = None
        for index in self.realised:
            at = index if index >= 0 else at
            reached.append(at)
        return reached

    def _played_at(self, time_s: float) -> int:
        near = bisect_left(self.onsets_s, time_s - SAME_S)
        return near if near < len(self.onsets_s) and abs(self.onsets_s[near] - time_s) <= SAME_S else -1

    def _steps(self) -> list[float]:
        """One step a played note, and one a written note that nobody played."""
        times = sorted([*self.onsets_s, *self.left_out_s.values()])
        steps: list[float] = []
        for time_s in times:
            if not steps or time_s - steps[-1] > SAME_S:
                steps.append(time_s)
        return steps

    # -- moving on ---------------------------------------------------------------------------------------------------

    def play(self, now_ns: int) -> None:
        """Go on from where it stands, from the beginning where it is at its end."""
        if self.position_s >= self.end_s:
            self.position_s = self.start_s
        self.playing, self._from = True, (now_ns, self.position_s)

    def pause(self, now_ns: int) -> None:
        """Stand still."""
        self.tick(now_ns)
        self.playing = False

    def tick(self, now_ns: int) -> bool:
        """Time passes; returns whether the end was reached just now."""
        if not self.playing:
            return False
        began_ns, from_s = self._from
        self.position_s = from_s + s_from_ns(max(0, now_ns - began_ns)) * self.speed_percent / 100
        if self.position_s < self.end_s:
            return False
        self.position_s, self.playing = self.end_s, False
        return True

    def set_speed(self, percent: int, now_ns: int) -> None:
        """Another speed from now on, one of `SPEEDS` (the nearest is taken)."""
        self.tick(now_ns)
        self.speed_percent = min(SPEEDS, key=lambda speed: abs(speed - percent))
        self._from = (now_ns, self.position_s)

    def turn_speed(self, by: int, now_ns: int) -> None:
        """So many speeds faster, or slower where negative."""
        at = SPEEDS.index(self.speed_percent) + by
        self.set_speed(SPEEDS[max(0, min(len(SPEEDS) - 1, at))], now_ns)

    def step(self, by: int) -> None:
        """To the next (1) or the last (-1) step, and stand still there."""
        self.playing = False
        if not self.steps_s:
            return
        if by > 0:
            at = bisect_right(self.steps_s, self.position_s + SAME_S) + by - 1
        else:
            at = bisect_left(self.steps_s, self.position_s - SAME_S) + by
        self.position_s = self.steps_s[max(0, min(len(self.steps_s) - 1, at))]

    def go_to(self, note_index: int) -> None:
        """To where a score note was played first, or was due where it was not played; stand still there."""
        self.playing = False
        if note_index in self.realised:
            self.position_s = self.onsets_s[self.realised.index(note_index)]
        elif note_index in self.left_out_s:
            self.position_s = self.left_out_s[note_index]

    # -- what is shown and heard --------------------------------------------------------------------------------------

    def moment(self) -> Moment:
        """What there is to show now."""
        at = bisect_right(self.onsets_s, self.position_s + SAME_S) - 1
        behind_s = self._behind_s[at] if at >= 0 else 0.0
        cursor_s = self.position_s - behind_s
        due = bisect_right(self._due_in_order_s, cursor_s + SAME_S + EARLY_S) - 1
        written = self._in_order[due] if due >= 0 else None
        if at < 0:
            return Moment(self.position_s, written=written, cursor_s=cursor_s)
        note = self.realised[at]
        sounds = self.position_s < self._ends_s[at] or isnan(self._ends_s[at])
        return Moment(
            self.position_s,
            at,
            self._midi[at] if sounds else None,
            self._reached[at],
            written,
            extra=note < 0,
            off_ms=ms_from_s(self.onsets_s[at] - self.due_s[note] - behind_s) if note >= 0 else None,
            own_beat=behind_s != 0.0,
            cursor_s=cursor_s,
            slip=self._slips.get(at) if sounds else None,
        )

    def played_tones(self) -> list[Sounding]:
        """The take as it was played."""
        return [
            Sounding(onset_s, max(0.0, end_s - onset_s), midi)
            for onset_s, end_s, midi in zip(self.onsets_s, self._ends_s, self._midi, strict=True)
        ]

    def written_tones(self) -> list[Sounding]:
        """What was written for it, at the click or at the player's own beat: all that was played, as often as it was,
        and what was left out."""
        due = [(self.due_s[i] + self._behind_s[k], i) for k, i in enumerate(self.realised) if i >= 0]
        due += [(due_s, i) for i, due_s in self.left_out_s.items()]
        notes = self.passage.notes
        return [Sounding(due_s, self._written_life_s(i), notes[i].written_midi) for due_s, i in sorted(due)]
