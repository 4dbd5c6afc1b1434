"""Follow a take while it is played: a verdict a note at once, revised where the next notes tell better.

The same trellis as the offline matching, a step a note. How long a note lives is unknown at its onset, so the last note
stays provisional until the next one, or until it has lived long enough not to be a blip. Every verdict may be revised
later; what follows is the best story of the take so far, and `judge` has the final word.
"""

from __future__ import annotations

from bisect import insort
from dataclasses import replace

from companion.passage import Passage
from companion.practice.clock import note_onsets_s
from companion.practice.costs import FORWARD, ornament_pitches, prepare
from companion.practice.hearing import Ear, NoteStart
from companion.practice.matching import TONGUE_S
from companion.practice.model import ADDED, LEFT_OUT, NOT_REACHED, WRONG_NOTE, LiveVerdict, RawEvent, Tolerances
from companion.practice.octaves import OFF, shifts_worth_trying
from companion.practice.tolerance import on_time_limits_s, timing_verdict
from companion.practice.trellis import SETTLED_S, Column, Step, Trellis
from companion.units import ms_from_s, ns_from_s, s_from_ns

__all__ = ["END_GRACE_S", "OVERDUE_S", "Follower"]

#: A note passed by later ones counts as left out once it is overdue by this, on the click and since it was passed.
OVERDUE_S = 0.35
#: A take is over when the last note has been let go for so long (a trill or a repeated tone may go on within it);
#: a wrong one may yet be put right ...
RELEASED_S, PUT_RIGHT_S = 0.15, 0.8
#: ... or when the click is past the end by this and as long nothing was heard; a key held for longer is a stuck one.
END_GRACE_S, STUCK_S = 3.0, 12.0
#: Nothing was played for so long before the first note.
FIRST_SINCE_S = 10.0
#: After so many notes it is asked whether the device sends all of them octaves off (see `octaves`).
OCTAVES_TRIED_AT = frozenset({3, 4, 5, 6, 8, 10, 13, 16, 20, 25, 32, 48})


class Follower:
    """Follows one take.

    Parameters
    ----------
    passage : Passage
    tempo_bpm : float > 0
        Quarters a minute of the click.
    start_ns : int
        When beat 0 of the passage is, on the clock that stamps the events.
    tolerances : Tolerances
    shift_semitones : int
        Written minus heard.

    Notes
    -----
    A `LiveVerdict` replaces the one before it on the same note or, for an added note, on the same `time_ns` (that of
    the played note). `NOT_REACHED` takes a verdict back: nothing is said of that note any more.
    """

    def __init__(
        self,
        passage: Passage,
        tempo_bpm: float,
        start_ns: int,
        tolerances: Tolerances = Tolerances(),  # noqa: B008 (frozen)
        shift_semitones: int = 0,
    ) -> None:
        self._passage, self._start_ns = passage, start_ns
        self._ear = Ear(shift_semitones)
        score = prepare(passage, tempo_bpm)
        self._trellis, self._pitches = Trellis(score), score.pitches
        self._octave_shift = 0
        early_s, late_s = on_time_limits_s(passage, tempo_bpm, tolerances)
        self._limits_s = list(zip(early_s.tolist(), late_s.tolist(), strict=True))
        self._due_s: list[float] = note_onsets_s(passage, tempo_bpm).tolist()
        self._end_s = passage.seconds(passage.end, tempo_bpm)

        self._column: Column = self._trellis.start()
        self._before: Column = self._column
        self._steps: list[Step] = []
        self._onsets_s: list[float] = []
        self._lives_s: list[float | None] = []
        self._heard: list[NoteStart] = []
        self._states: list[int] = []
        self._realised: list[int] = []
        self._players: dict[int, list[int]] = {}
        self._gaps: dict[int, int] = {}
        self._reached = -1
        self._caret = 0
        self._released_ns: int | None = None
        self._last_ns: int | None = None
        self._settled = True
        self._touched_notes: set[int] = set()
        self._touched_events: set[int] = set()
        self._notes: dict[int, LiveVerdict] = {}
        self._added: dict[int, LiveVerdict] = {}

    def hear(self, event: RawEvent) -> tuple[LiveVerdict, ...]:
        """Take in one MIDI message; what is new or revised since."""
        heard = self._ear.hear(event)
        if heard is None:
            return ()
        self._last_ns = heard.time_ns
        if isinstance(heard, NoteStart):
            self._take_in(heard)
        else:
            self._released_ns = heard.time_ns
            self._relive(self._since_onset_s(heard.time_ns) + TONGUE_S)
        return (*self._say(), *self._left_out(heard.time_ns))

    def tick(self, now_ns: int) -> tuple[LiveVerdict, ...]:
        """What time alone decides: the last note is settled, a note that was passed is left out. Never about notes that
        may still come."""
        if not self._settled and self._since_onset_s(now_ns) >= SETTLED_S:
            self._settled = True
            self._touch(len(self._heard) - 1)
        return (*self._say(), *self._left_out(now_ns))

    @property
    def caret(self) -> int:
        """Index of the note expected next, `len(notes)` after the last. Going back by more than a note, or jumping on,
        shows once a second note confirms it."""
        return self._caret

    @property
    def verdicts(self) -> tuple[LiveVerdict, ...]:
        """What is said of each score note now, `NOT_REACHED` where nothing is."""
        return tuple(self._notes.get(i) or LiveVerdict(i, NOT_REACHED) for i in range(len(self._passage.notes)))

    @property
    def added(self) -> tuple[LiveVerdict, ...]:
        """What is said of notes that are not in the score, in order of playing."""
        return tuple(self._added[i] for i in sorted(self._added))

    @property
    def realised(self) -> tuple[int, ...]:
        """Score index of each note played so far, -1 where it is extra."""
        return tuple(self._realised)

    @property
    def octave_shift(self) -> int:
        """Semitones added to every pitch because the device sends all notes octaves off, found from the notes."""
        return self._octave_shift

    def finished(self, now_ns: int) -> bool:
        """Whether the take is over: the last note was played and let go, or the click is past the end and the player
        silent."""
        if self._states and self.caret == len(self._passage.notes):
            last = self._notes.get(len(self._passage.notes) - 1)
            wait_s = PUT_RIGHT_S if last is not None and last.kind == WRONG_NOTE else RELEASED_S
            if self._released_ns is not None and s_from_ns(now_ns - self._released_ns) >= wait_s:
                return True
        grace_s = END_GRACE_S if self._ear.sounding_midi is None else STUCK_S
        silent = self._last_ns is None or s_from_ns(now_ns - self._last_ns) > grace_s
        return silent and s_from_ns(now_ns - self._start_ns) > self._end_s + END_GRACE_S

    def _since_onset_s(self, now_ns: int) -> float:
        return s_from_ns(now_ns - self._heard[-1].time_ns) if self._heard else float("inf")

    def _take_in(self, note: NoteStart) -> None:
        if self._heard:
            self._relive(self._since_onset_s(note.time_ns))
            self._settled = True
            self._touch(len(self._heard) - 1)
        self._before = self._column
        self._heard.append(self._at_pitch(note, self._octave_shift))
        self._onsets_s.append(s_from_ns(note.time_ns - self._start_ns))
        self._released_ns, self._settled = None, False
        self._column, step = self._advance(None)
        self._steps.append(step)
        self._states.append(-1)
        self._realised.append(-1)
        self._lives_s.append(None)
        self._touched_events.add(len(self._heard) - 1)
        if len(self._heard) in OCTAVES_TRIED_AT:
            self._look_for_octaves()
        self._retrace()

    @staticmethod
    def _at_pitch(note: NoteStart, shift: int) -> NoteStart:
        return replace(note, written_midi=note.written_midi + shift) if shift else note

    def _look_for_octaves(self) -> None:
        """Is the take so far better told as one that lies whole octaves off?"""
        for shift in shifts_worth_trying(self._pitches, [note.written_midi for note in self._heard]):
            heard = [self._at_pitch(note, shift) for note in self._heard]
            before, column, steps = self._told_anew(heard)
            if column.least + OFF < self._column.least:
                self._heard, self._before, self._column, self._steps = heard, before, column, steps
                self._octave_shift += shift
                self._states = [-1] * len(heard)
                for i in range(len(heard)):
                    self._touch(i)
                return

    def _told_anew(self, heard: list[NoteStart]) -> tuple[Column, Column, list[Step]]:
        """The columns before and after the last note, and all steps, as if these notes were played."""
        before = column = self._trellis.start()
        steps: list[Step] = []
        last_s = self._onsets_s[0] - FIRST_SINCE_S
        for note, onset_s, life_s in zip(heard, self._onsets_s, self._lives_s, strict=True):
            before = column
            column, step = self._trellis.advance(before, onset_s, note.written_midi, onset_s - last_s, life_s)
            steps.append(step)
            last_s = onset_s
        return before, column, steps

    def _relive(self, life_s: float) -> None:
        """Take the last note in again, now that it is known to have lived so short."""
        if not self._heard or self._settled or life_s >= SETTLED_S:
            return
        if self._released_ns is not None:
            life_s = min(life_s, self._since_onset_s(self._released_ns) + TONGUE_S)
        self._lives_s[-1] = life_s
        self._column, self._steps[-1] = self._advance(life_s)
        self._retrace()

    def _advance(self, life_s: float | None) -> tuple[Column, Step]:
        onsets_s = self._onsets_s
        since_s = onsets_s[-1] - onsets_s[-2] if len(onsets_s) > 1 else FIRST_SINCE_S
        return self._trellis.advance(self._before, onsets_s[-1], self._heard[-1].written_midi, since_s, life_s)

    def _retrace(self) -> None:
        """Bring the path up to date, back to where it is the old one."""
        state = self._column.best
        for i in range(len(self._steps) - 1, -1, -1):
            before, matched = self._steps[i].before(state)
            self._states[i] = state
            self._place(i, state - 1 if matched else -1)
            if i and self._states[i - 1] == before:
                break
            state = before
        self._caret = self._place_shown()

    def _place_shown(self) -> int:
        """The state the caret stands after: that of the best path, but where its last note alone speaks for a jump the
        best one near the place before."""
        before = self._states[-2] if len(self._states) > 1 else 0
        if -1 <= self._states[-1] - before <= FORWARD:
            return self._states[-1]
        return self._column.best_of(before - 1, before + FORWARD)

    def _place(self, i: int, note: int) -> None:
        """Played note `i` realises score note `note` now, or none (-1)."""
        old = self._realised[i]
        if old == note:
            return
        self._touch(i)
        if old >= 0:
            self._players[old].remove(i)
            if not self._players[old] and old <= self._reached:
                self._gaps[old] = self._heard[-1].time_ns
        self._realised[i] = note
        if note >= 0:
            insort(self._players.setdefault(note, []), i)
            self._gaps.pop(note, None)
            self._reach(note)
        self._touch(i)

    def _reach(self, note: int) -> None:
        """Keep an eye on the notes passed for the first time."""
        for passed in range(self._reached + 1, note):
            if not self._players.get(passed):
                self._gaps[passed] = self._heard[-1].time_ns
        self._reached = max(self._reached, note)

    def _touch(self, i: int) -> None:
        self._touched_events.add(i)
        if self._realised[i] >= 0:
            self._touched_notes.add(self._realised[i])

    def _say(self) -> tuple[LiveVerdict, ...]:
        """Verdicts on what was touched, as far as they differ from what was said."""
        said: list[LiveVerdict] = []
        for i in sorted(self._touched_events):
            if self._realised[i] < 0:
                said += self._record(self._added, i, self._verdict(i, -1))
            else:
                said += self._take_back(self._added, i, LiveVerdict(-1, NOT_REACHED, time_ns=self._heard[i].time_ns))
        for note in sorted(self._touched_notes):
            if self._players[note]:
                said += self._record(self._notes, note, self._verdict(self._players[note][0], note))
            else:
                said += self._take_back(self._notes, note, LiveVerdict(note, NOT_REACHED))
        self._touched_events.clear()
        self._touched_notes.clear()
        return tuple(said)

    def _verdict(self, i: int, note: int) -> LiveVerdict:
        heard = self._heard[i]
        provisional = i == len(self._heard) - 1 and not self._settled
        if note < 0:
            return LiveVerdict(-1, ADDED, None, heard.written_midi, provisional, heard.time_ns)
        score_note = self._passage.notes[note]
        deviation_s = self._onsets_s[i] - self._due_s[note]
        deviation_ms = None if score_note.grace else ms_from_s(deviation_s)
        right = heard.written_midi == score_note.written_midi or heard.written_midi in ornament_pitches(score_note)
        kind = timing_verdict(deviation_s, *self._limits_s[note]) if right else WRONG_NOTE
        return LiveVerdict(note, kind, deviation_ms, heard.written_midi, provisional, heard.time_ns)

    def _left_out(self, now_ns: int) -> tuple[LiveVerdict, ...]:
        """Notes passed by later ones, overdue, and not about to come because the player went back before them."""
        if not self._gaps:
            return ()
        here = min(self._states[-1] - 1, self.caret)
        now_s, margin_ns = s_from_ns(now_ns - self._start_ns), ns_from_s(OVERDUE_S)
        said: list[LiveVerdict] = []
        for note, passed_ns in list(self._gaps.items()):
            overdue = now_s > self._due_s[note] + OVERDUE_S and now_ns > passed_ns + margin_ns
            if note < here and overdue:
                del self._gaps[note]
                said += self._record(self._notes, note, LiveVerdict(note, LEFT_OUT, time_ns=now_ns))
        return tuple(said)

    @staticmethod
    def _record(shelf: dict[int, LiveVerdict], key: int, verdict: LiveVerdict) -> tuple[LiveVerdict, ...]:
        if shelf.get(key) == verdict:
            return ()
        shelf[key] = verdict
        return (verdict,)

    @staticmethod
    def _take_back(shelf: dict[int, LiveVerdict], key: int, verdict: LiveVerdict) -> tuple[LiveVerdict, ...]:
        return (verdict,) if shelf.pop(key, None) is not None else ()
