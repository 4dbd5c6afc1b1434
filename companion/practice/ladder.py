"""The tempo ladder: from slow to the set tempo, a rung at a time.

A rung is climbed after so many clean takes in a row, and left for the one below after so many takes in a row that were
not clean. That slow practice comes first is near universal (E. Allingham and C. Wöllner, Psychology of Music, 2022);
the numbers are common practice, no source. A rung isn't climbed over a change that the player's own takes say can't go
there (see `hurdle`), unless the player chooses to.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite

from companion.errors import UsageError
from companion.passage import Passage
from companion.practice.hurdle import Hurdle
from companion.practice.model import Assessment

__all__ = ["METRONOME_BPM", "Ladder", "Step", "default_ladder", "metronome_bpm"]

#: The numbers on a pendulum metronome (common practice, no source).
METRONOME_BPM = (
    *range(40, 60, 2), *range(60, 72, 3), *range(72, 120, 4), *range(120, 144, 6), *range(144, 209, 8),
)  # fmt: skip

LOWEST_BPM, HIGHEST_BPM = 10.0, 600.0
#: Where a ladder starts when nobody says: this share of the target (common practice, no source).
START_SHARE = 0.6
#: A ladder that nobody set has steps of about 4, and not more than so many rungs.
DEFAULT_STEP_BPM, MOST_RUNGS = 4.0, 24

#: Steps in per cent of the rung below.
LEAST_PERCENT, MOST_PERCENT = 1.0, 50.0

_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


@dataclass(frozen=True, slots=True)
class Step:
    """What the ladder says after a take: `kind` is `climb`, `stay`, `hold`, `step back` or `target reached`. `hurdle`
    is the change it holds the rung for, or that it speaks of."""

    kind: str
    sentence: str
    hurdle: Hurdle | None = None


@dataclass(frozen=True, slots=True)
class Ladder:
    """Tempos from `start_bpm` up to exactly `target_bpm`, in quarters a minute, and where the player stands.

    Where `step_percent` is not 0, each rung lies that share above the one below, on a whole number, and `step_bpm` is
    not looked at. Every step is then as hard in proportion; steps in bpm are hardest at the bottom (common practice,
    no source).

    Raises
    ------
    UsageError
        Where the numbers make no ladder.
    """

    start_bpm: float
    step_bpm: float
    target_bpm: float
    clean_needed: int = 3
    trouble_allowed: int = 3
    rung: int = 0
    clean_in_a_row: int = 0
    trouble_in_a_row: int = 0
    step_percent: float = 0.0

    def __post_init__(self) -> None:
        _check_tempo("start tempo", self.start_bpm)
        _check_tempo("target tempo", self.target_bpm)
        if self.start_bpm > self.target_bpm:
            raise UsageError(
                f"the ladder would start at {self.start_bpm:g} and end below it, at {self.target_bpm:g}:"
                f" start at {self.target_bpm:g} or lower"
            )
        if not (isfinite(self.step_bpm) and self.step_bpm >= 0.5):
            raise UsageError(f"a step of {self.step_bpm:g} is no step up: give 0.5 or more, such as 4")
        if self.step_percent != 0 and not LEAST_PERCENT <= self.step_percent <= MOST_PERCENT:
            raise UsageError(
                f"a step of {self.step_percent:g} per cent makes no ladder: give one from {LEAST_PERCENT:g} to"
                f" {MOST_PERCENT:g}, such as 5"
            )
        if self.clean_needed < 1 or self.trouble_allowed < 1:
            fewest = min(self.clean_needed, self.trouble_allowed)
            raise UsageError(f"{fewest} takes in a row can't decide anything: give 1 or more, such as 3")
        if not 0 <= self.rung < len(self.rungs):
            raise UsageError(f"the ladder has no rung {self.rung}: its rungs run from 0 to {len(self.rungs) - 1}")

    @property
    def rungs(self) -> tuple[float, ...]:
        """The tempos, in quarters a minute; the last one is the target. A last step of under half a step is merged."""
        if self.step_percent:
            return self._rungs_in_proportion()
        found = [float(self.start_bpm)]
        while found[-1] + 1.5 * self.step_bpm <= self.target_bpm:
            found.append(round(self.start_bpm + len(found) * self.step_bpm, 6))
        if found[-1] < self.target_bpm:
            found.append(float(self.target_bpm))
        return tuple(found)

    def _rungs_in_proportion(self) -> tuple[float, ...]:
        found, share, exact_bpm = [float(self.start_bpm)], self.step_percent / 100, float(self.start_bpm)
        while True:
            # From the exact tempo, so that rounding doesn't add up over the rungs.
            exact_bpm *= 1 + share
            rung_bpm = float(round(exact_bpm))
            if rung_bpm * (1 + share / 2) > self.target_bpm:
                break
            if rung_bpm > found[-1]:
                found.append(rung_bpm)
        if found[-1] < self.target_bpm:
            found.append(float(self.target_bpm))
        return tuple(found)

    @property
    def tempo_bpm(self) -> float:
        """Tempo of the rung the player stands on, in quarters a minute."""
        return self.rungs[self.rung]

    @property
    def at_target(self) -> bool:
        """Whether the player stands on the last rung."""
        return self.rung == len(self.rungs) - 1

    @property
    def rule(self) -> str:
        """The rule in words."""
        step = f"{self.step_percent:g} per cent" if self.step_percent else f"{self.step_bpm:g}"
        return (
            f"{_takes(self.clean_needed, 'clean take')} in a row: up {step}."
            f" {_takes(self.trouble_allowed, 'take')} in a row not clean: one rung back."
        )

    @property
    def next_bpm(self) -> float | None:
        """Tempo of the next rung, in quarters a minute; None on the last one."""
        return None if self.at_target else self.rungs[self.rung + 1]

    def after(self, take: bool | Assessment, hurdle: Hurdle | None = None) -> tuple[Ladder, Step]:
        """Where the player stands after a take that was clean or not, and what to say.

        Parameters
        ----------
        take
            The take, or whether it was clean.
        hurdle
            The change that stands most in the way of the next rung. Where its limit is measured and lies below that
            rung, the ladder holds this one: who wants to can still choose the next. Where it is a guess, the ladder
            climbs and says so.
        """
        clean = take.clean if isinstance(take, Assessment) else take
        return self._after_clean(hurdle) if clean else self._after_trouble()

    def at(self, tempo_bpm: float) -> Ladder:
        """The same ladder with the player on the rung nearest to this tempo, and nothing counted yet.

        Raises
        ------
        UsageError
            Where the tempo is not a usable one.
        """
        _check_tempo("tempo", tempo_bpm)
        rungs = self.rungs
        nearest = min(range(len(rungs)), key=lambda i: (abs(rungs[i] - tempo_bpm), i))
        return replace(self, rung=nearest, clean_in_a_row=0, trouble_in_a_row=0)

    def _after_clean(self, hurdle: Hurdle | None) -> tuple[Ladder, Step]:
        # A rung that was held has a full count already.
        clean = min(self.clean_in_a_row + 1, self.clean_needed)
        if clean < self.clean_needed:
            sentence = f"{_takes(clean, 'clean take')} at {self.tempo_bpm:g}, {self.clean_needed - clean} to go."
            return replace(self, clean_in_a_row=clean, trouble_in_a_row=0), Step("stay", sentence)
        if self.at_target:
            # The count stays full, so that another clean take says the same again.
            reached = replace(self, clean_in_a_row=self.clean_needed, trouble_in_a_row=0)
            sentence = f"{_takes(self.clean_needed, 'clean take')} at {self.tempo_bpm:g}: the target is reached."
            return reached, Step("target reached", sentence)
        higher = replace(self, rung=self.rung + 1, clean_in_a_row=0, trouble_in_a_row=0)
        if hurdle is not None and hurdle.limit_bpm < higher.tempo_bpm:
            return self._before_hurdle(higher, hurdle)
        sentence = f"{_takes(clean, 'clean take')} at {self.tempo_bpm:g}: on to {higher.tempo_bpm:g}."
        return higher, Step("climb", sentence)

    def _before_hurdle(self, higher: Ladder, hurdle: Hurdle) -> tuple[Ladder, Step]:
        clean = f"{_takes(self.clean_needed, 'clean take')} at {self.tempo_bpm:g}"
        if not hurdle.measured:
            sentence = f"{clean}: on to {higher.tempo_bpm:g}, though {hurdle.sentence}."
            return higher, Step("climb", sentence, hurdle)
        held = replace(self, clean_in_a_row=self.clean_needed, trouble_in_a_row=0)
        sentence = (
            f"{clean}, but {hurdle.sentence}: take {hurdle.alone} alone first, or go on to {higher.tempo_bpm:g} all the"
            " same."
        )
        return held, Step("hold", sentence, hurdle)

    def _after_trouble(self) -> tuple[Ladder, Step]:
        trouble = self.trouble_in_a_row + 1
        if trouble < self.trouble_allowed:
            sentence = f"Not clean yet: stay at {self.tempo_bpm:g}."
            return replace(self, clean_in_a_row=0, trouble_in_a_row=trouble), Step("stay", sentence)
        if self.rung == 0:
            sentence = f"{_takes(trouble, 'take')} not clean on the lowest rung: take fewer bars, or start below"
            lowest = replace(self, clean_in_a_row=0, trouble_in_a_row=0)
            return lowest, Step("stay", f"{sentence} {self.tempo_bpm:g}.")
        lower = replace(self, rung=self.rung - 1, clean_in_a_row=0, trouble_in_a_row=0)
        sentence = f"{_takes(trouble, 'take')} not clean at {self.tempo_bpm:g}: back to {lower.tempo_bpm:g}."
        return lower, Step("step back", sentence)


def default_ladder(
    passage: Passage,
    target_bpm: float | None = None,
    start_bpm: float | None = None,
    step_bpm: float | None = None,
    clean_needed: int = 3,
    step_percent: float = 0.0,
) -> Ladder:
    """A ladder for this passage; what is not given follows from its tempo mark.

    The target is the printed tempo, the start about 60 % of it on a metronome number, the step 4, or more where the
    ladder would have over 24 rungs (common practice, no source).

    Raises
    ------
    UsageError
        Where the numbers make no ladder.
    """
    if target_bpm is None:
        # A printed tempo that nobody can play (a slip of the editor's) keeps no passage off the stand.
        printed_bpm = min(max(passage.marked_tempo_bpm(), LOWEST_BPM), HIGHEST_BPM)
        target_bpm = max(printed_bpm, start_bpm or 0.0)
    _check_tempo("target tempo", target_bpm)
    if start_bpm is None:
        start_bpm = min(metronome_bpm(START_SHARE * target_bpm), target_bpm)
    if step_bpm is None:
        step_bpm = max(DEFAULT_STEP_BPM, float(round((target_bpm - start_bpm) / MOST_RUNGS)))
    return Ladder(start_bpm, step_bpm, target_bpm, clean_needed, step_percent=step_percent)


def metronome_bpm(tempo_bpm: float) -> float:
    """The nearest number on a pendulum metronome; outside its range the nearest whole number."""
    if not METRONOME_BPM[0] <= tempo_bpm <= METRONOME_BPM[-1]:
        return max(float(round(tempo_bpm)), LOWEST_BPM)
    return float(min(METRONOME_BPM, key=lambda number: (abs(number - tempo_bpm), number)))


def _check_tempo(what: str, tempo_bpm: float) -> None:
    if not (isfinite(tempo_bpm) and LOWEST_BPM <= tempo_bpm <= HIGHEST_BPM):
        raise UsageError(
            f"a {what} of {tempo_bpm:g} quarters a minute can't be practised: give one from"
            f" {LOWEST_BPM:g} to {HIGHEST_BPM:g}, such as 60"
        )


def _takes(number: int, what: str) -> str:
    """`Three clean takes`."""
    word = _NUMBERS[number] if number < len(_NUMBERS) else str(number)
    return f"{word.capitalize()} {what}{'' if number == 1 else 's'}"
