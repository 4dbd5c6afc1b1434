"""How a person plays: the timing and the slips of the simulated player, before they become MIDI.

Model of the timing
-------------------
A clock of the player's own, pulled towards the click, and a finger that is a little early or late on top of it: the
two levels of Wing and Kristofferson (1973) with the linear phase correction of Vorberg and Wing (1996). The spread of
the clock grows with the interval (about 2 % of it in trained musicians, Repp 2005; both from memory). The figures of
the levels are ours, chosen inside those ranges: *steady* has about 6 ms of spread against the click, *student* 9 to
14 ms, *beginner* 25 ms and more. A hesitation or a stutter leaves the player behind the click; up to a quarter of each
interval is then used to catch up.

Model of the slips
------------------
Each note has a chance to go wrong that grows with the time its change of fingering needs over the time there is, so
that a passage which is clean at a slow tempo is not at a fast one. A place is hard for one player and easy for the
next: that weight hangs on seed, place and pitches only, so errors come back in the same bars take after take. With
takes the chance falls as (1 + take) to the power -0.25 (the power law of practice, Newell and Rosenbloom 1981, from
memory).

References
----------
A. M. Wing and A. B. Kristofferson, Perception & Psychophysics 14 (1973) 5-12. D. Vorberg and A. Wing, Handbook of
Perception and Action 2 (1996) 181-262. B. H. Repp, Psychonomic Bulletin & Review 12 (2005) 969-992. A. Newell and
P. S. Rosenbloom, in Cognitive Skills and Their Acquisition (1981) 1-55.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from random import Random
from typing import NamedTuple

from companion.passage import Note, Passage
from companion.planning.model import Plan
from companion.practice.clock import note_onsets_s
from companion.units import s_per_beat

__all__ = ["LEVELS", "Level", "Player", "Sounded"]

CATCH_UP_SHARE = 0.25
#: A change of fingering without a plan to say more: at the usual trill rate of 5 a second one takes 0.1 s.
USUAL_CHANGE_S = 0.10
#: The strain (time needed over time there is) at which a level's stated chances hold, and how fast they grow with it.
USUAL_STRAIN, STRAIN_GROWTH = 0.6, 2.5
#: No place is so hard that one kind of slip happens there more often than this.
HIGHEST_CHANCE = 0.15
#: Two notes of one player are never closer than this.
CLOSEST_S = 0.012


@dataclass(frozen=True, slots=True)
class Level:
    """How a player plays.

    `finger_sd_s` is the spread of one finger, `clock_share` that of the player's own clock as a share of the interval,
    `early_s` how far the player is ahead on average, `correction` the share of an asynchrony made good within a beat,
    `length_sd` the spread of note lengths as a share. The others are chances a note at usual strain.
    """

    finger_sd_s: float
    clock_share: float
    early_s: float
    correction: float
    length_sd: float
    wrong: float = 0.0
    blip: float = 0.0
    omitted: float = 0.0
    doubled: float = 0.0
    stutter: float = 0.0
    hesitation: float = 0.0
    articulation: float = 0.0


LEVELS = {
    "steady": Level(finger_sd_s=0.005, clock_share=0.008, early_s=0.0, correction=0.7, length_sd=0.02),
    "student": Level(
        finger_sd_s=0.007, clock_share=0.015, early_s=0.003, correction=0.6, length_sd=0.03,
        wrong=0.0014, blip=0.0010, omitted=0.0004, doubled=0.0003, stutter=0.0005, hesitation=0.0006,
        articulation=0.0008,
    ),
    "beginner": Level(
        finger_sd_s=0.016, clock_share=0.035, early_s=0.010, correction=0.4, length_sd=0.08,
        wrong=0.020, blip=0.012, omitted=0.007, doubled=0.006, stutter=0.010, hesitation=0.012, articulation=0.030,
    ),
}  # fmt: skip


class Sounded(NamedTuple):
    """One note as played. `length_s` is how long it lasts where nothing follows at once; `follows` is whether the next
    note does, `slurs_on` whether without a new tongue stroke."""

    onset_s: float
    midi: int
    velocity: int
    length_s: float
    follows: bool
    slurs_on: bool


class Player:
    """One take. `drift_s` is how far the player's clock is off the click, `lag_s` how far behind a stumble left it."""

    def __init__(
        self, passage: Passage, tempo_bpm: float, level_name: str, seed: int, take: int, plan: Plan | None
    ) -> None:
        self.passage, self.level, self.plan, self.seed = passage, LEVELS[level_name], plan, seed
        self.beat_s = s_per_beat(tempo_bpm)
        self.starts_s = [float(onset_s) for onset_s in note_onsets_s(passage, tempo_bpm)]
        self.ends_s = [passage.seconds(note.end, tempo_bpm) for note in passage.notes]
        # A text seeds `Random` in the same way on every machine and Python version.
        self.rng = Random(f"{level_name}/{seed}/{take}/{tempo_bpm:.4f}")
        self.practised: float = (1 + take) ** -0.25
        self.drift_s = 0.0
        self.lag_s = 0.0

    def play(self) -> list[Sounded]:
        """Everything played, in order of onset."""
        played: list[Sounded] = []
        for note in self.passage.notes:
            self._move_clock(note.index)
            plain = self._sounded(note)
            if played and plain.onset_s < played[-1].onset_s + CLOSEST_S:
                plain = plain._replace(onset_s=played[-1].onset_s + CLOSEST_S)
            played.extend(self._slip(note, plain))
        return played

    def _interval_s(self, index: int) -> float:
        return max(self.starts_s[index] - self.starts_s[index - 1], 0.0) if index else self.beat_s

    def _move_clock(self, index: int) -> None:
        interval_s = self._interval_s(index)
        self.drift_s *= (1 - self.level.correction) ** (interval_s / self.beat_s)
        self.drift_s += self.rng.gauss(0.0, self.level.clock_share * min(interval_s, 1.0))
        self.lag_s = max(0.0, self.lag_s - CATCH_UP_SHARE * interval_s)

    def _sounded(self, note: Note) -> Sounded:
        hurry = 1 + 0.5 * max(0.0, self._strain(note) - 1)
        onset_s = self.starts_s[note.index] + self.drift_s + self.lag_s - self.level.early_s
        onset_s += self.rng.gauss(0.0, self.level.finger_sd_s * hurry)
        after = self.passage.notes[note.index + 1] if note.index + 1 < len(self.passage.notes) else None
        length_s = self.ends_s[note.index] - self.starts_s[note.index]
        if "staccato" in note.articulations or "staccatissimo" in note.articulations:
            length_s *= 0.5
        follows = after is not None and self.starts_s[after.index] < self.starts_s[note.index] + length_s + 0.02
        accent = 14 if note.articulations & {"accent", "strong-accent"} else 0
        return Sounded(
            onset_s=onset_s,
            midi=note.written_midi,
            velocity=max(1, min(127, round(self.rng.gauss(76 + accent, 6)))),
            length_s=max(length_s * (1 + self.rng.gauss(0.0, self.level.length_sd)), 0.03),
            follows=follows,
            slurs_on=follows and after is not None and not after.tongued,
        )

    def _strain(self, note: Note) -> float:
        """Time that the change into this note needs over the time there is."""
        if not note.index:
            return 0.0
        needed_s = self.plan.choices[note.index].change_s if self.plan is not None else USUAL_CHANGE_S
        return min(float(needed_s) / max(self._interval_s(note.index), 0.03), 2.5)

    def _chance_factor(self, note: Note) -> float:
        before = self.passage.notes[note.index - 1].written_midi if note.index else note.written_midi
        place = Random(f"{self.seed}/{note.source}/{before}/{note.written_midi}")
        hardness = exp(place.gauss(-0.5, 1.0))  # its mean is 1
        return hardness * self.practised * exp(STRAIN_GROWTH * (self._strain(note) - USUAL_STRAIN))

    def _slip(self, note: Note, plain: Sounded) -> list[Sounded]:
        """What is played in this note's place: mostly the note."""
        level, drawn, factor = self.level, self.rng.random(), self._chance_factor(note)
        for chance, kind in (
            (level.wrong, self._wrong),
            (level.blip, self._blip),
            (level.omitted, self._omitted),
            (level.doubled, self._doubled),
            (level.stutter, self._stutter),
            (level.hesitation, self._hesitation),
            (level.articulation, self._articulation),
        ):
            drawn -= min(chance * factor, HIGHEST_CHANCE)
            if drawn < 0:
                return kind(note, plain)
        return self._trilled(note, plain) if note.trill is not None else [plain]

    def _trilled(self, note: Note, plain: Sounded) -> list[Sounded]:
        """Written note and neighbour in turn, as many whole changes as fit, ending on the written note."""
        assert note.trill is not None
        changes = 2 * int(plain.length_s / (2 * USUAL_CHANGE_S))
        if changes < 2:
            return [plain]
        each_s = plain.length_s / (changes + 1)
        midis = (plain.midi, note.trill.other.midi)
        return [
            plain._replace(
                onset_s=plain.onset_s + each_s * turn,
                midi=midis[turn % 2],
                length_s=each_s,
                follows=plain.follows or turn < changes,
                slurs_on=plain.slurs_on if turn == changes else True,
            )
            for turn in range(changes + 1)
        ]

    def _neighbour(self, midi: int) -> int:
        """A note a finger's slip away: a semitone or a tone, seldom the octave (the octave key)."""
        return min(127, max(0, midi + self.rng.choice((-2, -2, -1, -1, -1, 1, 1, 1, 2, 2, -12, 12))))

    def _wrong(self, _note: Note, plain: Sounded) -> list[Sounded]:
        return [plain._replace(midi=self._neighbour(plain.midi))]

    def _blip(self, note: Note, plain: Sounded) -> list[Sounded]:
        """Fingers that don't move together: another note sounds on the way."""
        late_s = min(self.rng.uniform(0.02, 0.045), 0.4 * self._interval_s(note.index))
        on_the_way = plain._replace(midi=self._neighbour(plain.midi), follows=True, slurs_on=True)
        return [on_the_way, plain._replace(onset_s=plain.onset_s + max(late_s, CLOSEST_S))]

    def _omitted(self, _note: Note, _plain: Sounded) -> list[Sounded]:
        return []

    def _doubled(self, _note: Note, plain: Sounded) -> list[Sounded]:
        """The note is struck twice within its own time."""
        half_s = max(0.5 * plain.length_s, CLOSEST_S)
        first = plain._replace(length_s=half_s, follows=True, slurs_on=False)
        return [first, plain._replace(onset_s=plain.onset_s + half_s, length_s=half_s)]

    def _stutter(self, note: Note, plain: Sounded) -> list[Sounded]:
        """The note goes wrong, the player takes it again and is behind from there."""
        again_s = max(0.6 * self._interval_s(note.index), 0.12)
        self.lag_s += again_s
        midi = self._neighbour(plain.midi) if self.rng.random() < 0.5 else plain.midi
        first = plain._replace(midi=midi, length_s=again_s, follows=True, slurs_on=False)
        return [first, plain._replace(onset_s=plain.onset_s + again_s)]

    def _hesitation(self, _note: Note, plain: Sounded) -> list[Sounded]:
        """The player has to think before the note and is behind from there."""
        thought_s = self.rng.uniform(0.3, 0.8) * max(self.beat_s * 0.5, 0.15)
        self.lag_s += thought_s
        return [plain._replace(onset_s=plain.onset_s + thought_s)]

    def _articulation(self, _note: Note, plain: Sounded) -> list[Sounded]:
        """Tongued where a slur leads on, slurred where the tongue was asked for."""
        return [plain._replace(slurs_on=plain.follows and not plain.slurs_on)]
