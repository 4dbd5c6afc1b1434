"""How a person plays: the walk of the simulated player through the score, before it becomes MIDI.

Model of the timing
-------------------
A clock of the player's own, pulled towards the beat, and a finger that is a little early or late on top of it: the
two levels of Wing and Kristofferson (1973) with the linear phase correction of Vorberg and Wing (1996). The spread of
the clock grows with the interval (about 2 % of it in trained musicians, Repp 2005; all three from memory).

Model of the slips
------------------
At every note each kind of slip has its chance (`companion.practice.sim_levels`). Where the level says so it grows with
the time the change of fingering needs over the time there is, so that a passage which is clean at a slow tempo is not
at a fast one; a place is hard for one player and easy for the next (that weight hangs on seed, place and pitches only,
so errors come back in the same bars take after take); with takes the chance falls as (1 + take) to the power -0.25
(the power law of practice, Newell and Rosenbloom 1981, from memory).

A player who stutters, goes back or skips is off the click from there: `lag_s` is by how much.

References
----------
A. M. Wing and A. B. Kristofferson, Perception & Psychophysics 14 (1973) 5-12. D. Vorberg and A. Wing, Handbook of
Perception and Action 2 (1996) 181-262. B. H. Repp, Psychonomic Bulletin & Review 12 (2005) 969-992. A. Newell and
P. S. Rosenbloom, in Cognitive Skills and Their Acquisition (1981) 1-55; C. Drake and C. Palmer, Cognition 74 (2000)
1-32, find it in young pianists' pitches too.
A. Almeida, R. Chow, J. Smith and J. Wolfe, J. Acoust. Soc. Am. 126 (2009) 1521-1529.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from math import exp
from random import Random
from typing import NamedTuple

from companion.charts.model import Chart
from companion.passage import Note, Passage
from companion.planning.model import Plan
from companion.practice import sim_levels as kinds_of
from companion.practice.clock import note_onsets_s
from companion.practice.sim_fingers import note_on_the_way
from companion.practice.sim_levels import RATE_ALONE, Level
from companion.practice.sim_pitches import in_midi, misread_steps, near, octave_off, wrong_pitch
from companion.practice.sim_swing import off_beats, swing
from companion.units import s_per_beat

__all__ = ["CLOSEST_S", "CLOSEST_SAME_S", "Player", "Sounded"]

#: A change of fingering without a plan to say more: at the usual trill rate of 5 a second one takes 0.1 s.
USUAL_CHANGE_S = 0.10
#: The strain (time needed over time there is) at which a level's stated chances hold.
USUAL_STRAIN = 0.6
#: Where slips gather: no place is so hard that one kind of slip happens there more often than this.
HIGHEST_CHANCE = 0.15
#: Two notes of one player are never closer than this, nor two of one pitch than that.
CLOSEST_S, CLOSEST_SAME_S = 0.012, 0.05
#: How late an entry comes, in quarters.
LATE_BEATS = (0.5, 4.0)
#: How long a player takes to begin again, and to put a wrong note right.
BREAK_S, CORRECTION_S = (0.2, 1.0), (0.2, 0.6)
#: So often a player stops at one place; then it is got over.
BREAKS_AT_ONE_PLACE = 3
#: Spread of the tempo where a take drifts at a level that usually doesn't.
PACE_SD_ALONE = 0.03
#: How far apart the fingers of one change come (Almeida and others 2009: tens of ms; the range is ours).
BLIP_S = (0.02, 0.06)
#: How much of its length a staccato note lasts (common practice, no source).
STACCATO_SHARE = 0.5
#: A dropout of the breath needs a note of this length; the sound stays away for so long.
SHORTEST_DROPPED_S, AWAY_S = 0.25, (0.08, 0.2)
#: At one change mostly the same fingers are late, take after take: this share of its blips (ours, no source).
HABIT = 0.8
#: Share of blips that no order of fingers explains (a squeak, a brushed key).
UNTOLD = 0.1


class Sounded(NamedTuple):
    """One note as played. `truth` is the score note it realises, -1 for none. `length_s` is how long it lasts where
    nothing follows at once; `follows` is whether the next note does. `tongued` is how it begins. `early`, `late` and
    `by_s` are the fingers of a blip on the way to score note `towards`."""

    onset_s: float
    midi: int
    velocity: int
    length_s: float
    follows: bool
    tongued: bool
    truth: int
    kind: str = ""
    breathless: bool = False
    towards: int = -1
    early: tuple[str, ...] = ()
    late: tuple[str, ...] = ()
    by_s: float = 0.0


class Player:
    """One take. `drift_s` is how far the player's clock is off its beat, `lag_s` how far that beat is off the click."""

    def __init__(
        self,
        passage: Passage,
        tempo_bpm: float,
        level: Level,
        rng: Random,
        *,
        place_seed: str = "",
        take: int = 0,
        kinds: Collection[str] | None = None,
        never: Collection[str] = (),
        plan: Plan | None = None,
        chart: Chart | None = None,
    ) -> None:
        self.passage, self.level, self.plan, self.chart, self.rng = passage, level, plan, chart, rng
        self.beat_s = s_per_beat(tempo_bpm)
        self.place_seed = place_seed
        self.happened: Counter[str] = Counter()
        self.rates = {kind: rate for kind, rate in _rates(level, kinds).items() if kind not in never}
        #: What happens for sure, where it happens once: the one kind that was asked for.
        self.certain = next(iter(kinds)) if kinds is not None and len(kinds) == 1 else ""
        self.starts_s = [float(onset_s) for onset_s in note_onsets_s(passage, tempo_bpm)]
        self.ends_s = [passage.seconds(note.end, tempo_bpm) for note in passage.notes]
        self.practised: float = (1 + take) ** -0.25
        self.drift_s = self.lag_s = 0.0
        self.pace = 1.0
        self.sounded: list[Sounded] = []
        self._why = ""
        self._broken = True  # a note after a break is begun anew
        self._furthest, self._breaks_here, self._back_until, self._back_kind = -1, 0, -1, ""
        self._misread = misread_steps(passage)
        if not self._misread or not self._happens_in_take(kinds_of.KEY_SIGNATURE):
            self._misread = frozenset()
        self._drifts = self._happens_in_take(kinds_of.DRIFT)
        if self._drifts:
            self.pace += rng.gauss(0.0, level.pace_sd or PACE_SD_ALONE)
        self._swung = off_beats(passage)
        if self._swung and self._happens_in_take(kinds_of.SWING):
            swing(passage, self.starts_s, self.ends_s, self.beat_s, rng)
        else:
            self._swung = frozenset()

    def play(self) -> list[Sounded]:
        """Everything played, in order of onset."""
        index, before = 0, -1
        while 0 <= index < len(self.passage.notes):
            index, before = self._visit(index, before), index
        return self.sounded

    # The walk

    def _visit(self, index: int, before: int) -> int:
        """Play what is played in this note's place; the note that comes next."""
        note = self.passage.notes[index]
        if index > self._furthest:
            self._furthest, self._breaks_here = index, 0
        self._why = self._back_kind if index <= self._back_until else self._why
        self._move_clock(index, index == before + 1)
        factor = self._chance_factor(note)
        late = self._late_entry(note, factor)
        if late is not None:
            return late
        if self._draw(kinds_of.HESITATION, factor):
            self.lag_s += self.rng.uniform(*self.level.pause_s)
            self._broken = self._broken or self.rng.random() < 0.5
            self._count(kinds_of.HESITATION)
        if self._draw(kinds_of.LEFT_OUT_NOTE, factor):
            self.happened[kinds_of.LEFT_OUT_NOTE] += 1
            self._why = "" if index <= self._back_until else self._why
        else:
            self._play_note(note, factor)
        return self._move_on(index, factor)

    def _move_on(self, index: int, factor: float) -> int:
        if self._breaks_here < BREAKS_AT_ONE_PLACE:
            if self._draw(kinds_of.STUTTER, factor):
                return self._go(index, max(index - self.rng.randrange(4), 0), kinds_of.STUTTER)
            if index and self._draw(kinds_of.RESTART, factor):
                return self._go(index, self._back(index), kinds_of.RESTART)
        if self._draw(kinds_of.SKIPPED_BAR, factor):
            ahead = self._landing(index, self.rng.randrange(1, 4))
            if ahead > index + 1:
                return self._go(index, ahead, kinds_of.SKIPPED_BAR)
        return index + 1

    def _go(self, index: int, to: int, kind: str) -> int:
        """Break off after note `index` and go on with `to`, off the click from there."""
        pause_s = self.rng.uniform(*BREAK_S)
        if kind == kinds_of.SKIPPED_BAR and self.rng.random() < 0.5:
            pause_s = 0.0
        self.lag_s += self.starts_s[index] + self._step_s(index) + pause_s - self.starts_s[to]
        self._broken = True
        self._count(kind)
        if to <= index:
            self._breaks_here += 1
            self._back_until, self._back_kind = max(index, self._back_until), kind
        return to

    def _back(self, index: int) -> int:
        """Where a player begins again after note `index`: at the start of its bar or of one or two before."""
        bars = self.rng.randrange(3)
        to = self._landing(index, -bars)
        return to if to < index else self._landing(index, -bars - 1)

    def _landing(self, index: int, bars: int) -> int:
        bar = max(self.passage.notes[index].bar + bars, 0)
        return next((note.index for note in self.passage.notes if note.bar >= bar), index)

    def _late_entry(self, note: Note, factor: float) -> int | None:
        """After a rest, or at the start: everything shifts, or the notes in between are missed (the next one then)."""
        index = note.index
        rested = not index or note.start - self.passage.notes[index - 1].end >= 1
        certain = not index and self.certain == kinds_of.LATE_ENTRY
        if not rested or not (certain or self._draw(kinds_of.LATE_ENTRY, factor)):
            return None
        self._broken = True
        self._count(kinds_of.LATE_ENTRY)
        late_s = self.rng.uniform(*LATE_BEATS) * self.beat_s
        due_s = self.starts_s[index] + late_s
        arrives = next((i for i in range(index + 1, len(self.starts_s)) if self.starts_s[i] >= due_s), None)
        if arrives is None or self.rng.random() < 0.5:
            self.lag_s += late_s
            return None
        return arrives

    def _count(self, kind: str) -> None:
        self.happened[kind] += 1
        self._why = kind

    # Chances

    def _draw(self, kind: str, factor: float) -> bool:
        rate = self.rates.get(kind, 0.0)
        if not rate:
            return False
        if self.level.strain_growth:
            rate = min(rate * factor, HIGHEST_CHANCE)
        return self.rng.random() < rate

    def _happens_in_take(self, kind: str) -> bool:
        rate = self.rates.get(kind, 0.0)
        if not rate or not (kind == self.certain or self.rng.random() < rate):
            return False
        self.happened[kind] += 1
        return True

    def _strain(self, note: Note) -> float:
        """Time that the change into this note needs over the time there is."""
        if not note.index:
            return 0.0
        needed_s = self.plan.choices[note.index].change_s if self.plan is not None else USUAL_CHANGE_S
        return min(float(needed_s) / max(self._interval_s(note.index), 0.03), 2.5)

    def _chance_factor(self, note: Note) -> float:
        level = self.level
        if not level.strain_growth:
            return 1.0
        before = self.passage.notes[note.index - 1].written_midi if note.index else note.written_midi
        place = Random(f"{self.place_seed}/{note.source}/{before}/{note.written_midi}")
        hardness = exp(place.gauss(-0.5 * level.place_spread**2, level.place_spread))  # its mean is 1
        return hardness * self.practised * exp(level.strain_growth * (self._strain(note) - USUAL_STRAIN))

    # Time

    def _interval_s(self, index: int) -> float:
        return max(self.starts_s[index] - self.starts_s[index - 1], 0.0) if index else self.beat_s

    def _step_s(self, index: int) -> float:
        after_s = self.starts_s[index + 1] if index + 1 < len(self.starts_s) else self.ends_s[index]
        return max(after_s - self.starts_s[index], CLOSEST_S)

    def _move_clock(self, index: int, goes_on: bool) -> None:
        interval_s = self._interval_s(index) if goes_on else self.beat_s
        self.drift_s *= (1 - self.level.correction) ** (interval_s / self.beat_s)
        self.drift_s += self.rng.gauss(0.0, self.level.clock_share * min(interval_s, 1.0))
        if self.level.catch_up_share:
            self.lag_s = max(0.0, self.lag_s - self.level.catch_up_share * interval_s)
        if self._drifts and goes_on and index:
            self.pace = min(max(self.pace * (1.0 + self.rng.gauss(0.0, 0.01)), 0.8), 1.3)
            self.lag_s += (self.pace - 1.0) * interval_s

    # Notes

    def _play_note(self, note: Note, factor: float) -> None:
        plain = self._plain(note)
        kind, midi = self._pitch(note, factor)
        step_s = self._step_s(note.index)
        plain = plain._replace(midi=midi, kind=kind or plain.kind)
        if self._may_slur(plain) and self._draw(kinds_of.ARTICULATION, factor):
            self.happened[kinds_of.ARTICULATION] += 1
            plain = plain._replace(tongued=not plain.tongued, kind=plain.kind or kinds_of.ARTICULATION)
        if self._change_is_right(note, plain) and self._draw(kinds_of.BLIP, factor):
            plain = self._blip(note, plain)
        if note.trill is not None and not kind and self.rates.get(kinds_of.TRILL):
            self._trilled(note, plain)
        elif self._draw(kinds_of.DOUBLED, factor):
            self._twice(plain, 0.0, kinds_of.DOUBLED)
        elif plain.length_s > SHORTEST_DROPPED_S and self._draw(kinds_of.DROPOUT, factor):
            self._drop_out(plain)
        else:
            self._sound(plain)
        self._why = ""
        if kind in (kinds_of.WRONG_PITCH, kinds_of.OCTAVE_SLIP) and self.rng.random() < self.level.corrected:
            pause_s = self.rng.uniform(*CORRECTION_S)
            self.lag_s += pause_s
            again = self._plain(note)
            self._sound(again._replace(onset_s=plain.onset_s + pause_s, kind=kind, tongued=True))
        if self._draw(kinds_of.ADDED_NOTE, factor):
            self.happened[kinds_of.ADDED_NOTE] += 1
            onset_s = self.sounded[-1].onset_s + 0.5 * step_s
            midi = near(note.written_midi, self.rng)
            added = plain._replace(onset_s=onset_s, midi=midi, length_s=0.4 * step_s, truth=-1)
            self._sound(added._replace(kind=kinds_of.ADDED_NOTE))

    def _plain(self, note: Note) -> Sounded:
        hurry = 1 + 0.5 * max(0.0, self._strain(note) - 1) if self.level.strain_growth else 1.0
        onset_s = self.starts_s[note.index] + self.drift_s + self.lag_s - self.level.early_s
        onset_s += self.rng.gauss(0.0, self.level.finger_sd_s * hurry)
        after = self.passage.notes[note.index + 1] if note.index + 1 < len(self.passage.notes) else None
        length_s = self.ends_s[note.index] - self.starts_s[note.index]
        if note.articulations & {"staccato", "staccatissimo"}:
            length_s *= STACCATO_SHARE
        follows = after is not None and self.starts_s[after.index] < self.starts_s[note.index] + length_s + 0.02
        accent = 14 if note.articulations & {"accent", "strong-accent"} else 0
        slurred = not note.tongued and not self._broken and self.sounded[-1].follows
        return Sounded(
            onset_s=onset_s,
            midi=note.written_midi,
            velocity=max(1, min(127, round(self.rng.gauss(76 + accent, 6)))),
            length_s=max(length_s * (1 + self.rng.gauss(0.0, self.level.length_sd)), 0.03),
            follows=follows,
            tongued=not slurred,
            truth=note.index,
            kind=self._why or (kinds_of.SWING if note.index in self._swung else ""),
        )

    def _sound(self, sounded: Sounded) -> None:
        if self.sounded:
            before = self.sounded[-1]
            again = before.midi == sounded.midi
            earliest_s = before.onset_s + (CLOSEST_SAME_S if again else CLOSEST_S)
            sounded = sounded._replace(
                onset_s=max(sounded.onset_s, earliest_s), tongued=sounded.tongued or again or self._broken
            )
            if self._broken:
                self.sounded[-1] = before._replace(follows=False)
        self.sounded.append(sounded)
        self._broken = False

    def _pitch(self, note: Note, factor: float) -> tuple[str, int]:
        """Kind of slip (empty for none) and pitch."""
        written_midi = note.written_midi
        if self._draw(kinds_of.WRONG_PITCH, factor):
            self.happened[kinds_of.WRONG_PITCH] += 1
            return kinds_of.WRONG_PITCH, wrong_pitch(self.passage, note, self.rng)
        if self._draw(kinds_of.OCTAVE_SLIP, factor):
            self.happened[kinds_of.OCTAVE_SLIP] += 1
            return kinds_of.OCTAVE_SLIP, octave_off(written_midi, self.rng)
        if (note.written.step, note.written.alter) in self._misread:
            return kinds_of.KEY_SIGNATURE, in_midi(written_midi - note.written.alter)
        return "", written_midi

    def _may_slur(self, plain: Sounded) -> bool:
        """Whether this note could be slurred to from the one that sounds."""
        return not self._broken and self.sounded[-1].follows and self.sounded[-1].midi != plain.midi

    def _blip(self, note: Note, plain: Sounded) -> Sounded:
        """Sound the note on the way (if this change has one); what is left of the note itself."""
        unwanted = frozenset({self.sounded[-1].midi, plain.midi})
        early: tuple[str, ...] = ()
        late: tuple[str, ...] = ()
        if self.plan is not None and self.chart is not None and self.rng.random() >= UNTOLD:
            before, after = (self.plan.choices[i].fingering.keys for i in (note.index - 1, note.index))
            way = note_on_the_way(self.chart, before, after, unwanted, self._order_of_fingers(before, after))
            if way is None:
                return plain
            midi, early, late = way
        else:
            steps = [in_midi(plain.midi + step) for step in (-2, -1, 1, 2)]
            midi = self.rng.choice([step for step in steps if step not in unwanted])
        self.happened[kinds_of.BLIP] += 1
        by_s = self.rng.uniform(*BLIP_S)
        by_s = max(min(by_s, 0.4 * self._interval_s(note.index)), CLOSEST_S)
        blip = plain._replace(
            midi=midi, onset_s=plain.onset_s - 0.5 * by_s, length_s=by_s, follows=True, truth=-1, kind=kinds_of.BLIP,
            towards=note.index, early=early, late=late, by_s=by_s,
        )  # fmt: skip
        self._sound(blip)
        return plain._replace(onset_s=self.sounded[-1].onset_s + by_s, tongued=False)

    def _order_of_fingers(self, before: frozenset[str], after: frozenset[str]) -> Random:
        """What decides who is late: chance, or for a player with places of their own mostly a habit at this change."""
        if not self.level.place_spread or self.rng.random() >= HABIT:
            return self.rng
        return Random(f"{self.place_seed}/{' '.join(sorted(before))}/{' '.join(sorted(after))}")

    def _change_is_right(self, note: Note, plain: Sounded) -> bool:
        """Whether this is a change from one right note to the next, without a break between."""
        if self._broken or not note.index or plain.midi != note.written_midi:
            return False
        before, was = self.passage.notes[note.index - 1], self.sounded[-1]
        return was.truth == before.index and was.midi == before.written_midi and was.midi != plain.midi

    def _twice(self, plain: Sounded, silence_s: float, kind: str) -> None:
        """The note is begun twice within its own time."""
        self.happened[kind] += 1
        kind = _weightier(plain.kind, kind)
        half_s = max(self.rng.uniform(0.35, 0.65) * plain.length_s, CLOSEST_S)
        self._sound(plain._replace(length_s=max(half_s - silence_s, 0.03), follows=not silence_s, kind=kind))
        again = plain._replace(onset_s=plain.onset_s + half_s, length_s=plain.length_s - half_s, kind=kind)
        self._sound(again._replace(tongued=True, breathless=bool(silence_s)))

    def _drop_out(self, plain: Sounded) -> None:
        """The breath gives out: the note comes back, or it is over before its time."""
        if self.rng.random() < 0.5:
            self._twice(plain, self.rng.uniform(*AWAY_S), kinds_of.DROPOUT)
            return
        self.happened[kinds_of.DROPOUT] += 1
        length_s = self.rng.uniform(0.3, 0.6) * plain.length_s
        self._sound(plain._replace(length_s=length_s, kind=_weightier(plain.kind, kinds_of.DROPOUT)))
        self._broken = True

    def _trilled(self, note: Note, plain: Sounded) -> None:
        """Written note and neighbour in turn, as many whole changes as fit, ending on the written note."""
        assert note.trill is not None
        change_s = max(self.rng.gauss(USUAL_CHANGE_S, 0.012), 0.06)
        changes = 2 * int(plain.length_s / (2 * change_s))
        if changes < 2:
            self._sound(plain)
            return
        self.happened[kinds_of.TRILL] += 1
        each_s = plain.length_s / (changes + 1)
        midis = (plain.midi, note.trill.other.midi)
        for turn in range(changes + 1):
            self._sound(
                plain._replace(
                    onset_s=plain.onset_s + each_s * turn + (self.rng.gauss(0.0, 0.005) if turn else 0.0),
                    midi=midis[turn % 2],
                    length_s=each_s,
                    follows=plain.follows or turn < changes,
                    tongued=plain.tongued and not turn,
                    kind=kinds_of.TRILL,
                )
            )


def _rates(level: Level, kinds: Collection[str] | None) -> dict[str, float]:
    if kinds is None:
        return dict(level.rates)
    return {kind: level.rates.get(kind, 0.0) or RATE_ALONE[kind] for kind in kinds}


def _weightier(kind: str, other: str) -> str:
    """A wrong pitch is what a note is called by, whatever else befell it."""
    return kind if kind in (kinds_of.WRONG_PITCH, kinds_of.OCTAVE_SLIP, kinds_of.KEY_SIGNATURE) else other
