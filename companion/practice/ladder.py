"""The tempo ladder: from slow to the set tempo, a rung at a time.

A rung is climbed after so many clean takes in a row, and left for the one below after so many takes in a row that were
not clean. That slow practice comes first is near universal (E. Allingham and C. Wöllner, Psychology of Music, 2022);
the numbers are common practice, no source. A rung isn't climbed over a change that the player's own takes say can't go
there (see `hurdle`), unless the player chooses to.

The rungs rise whatever the climb; it says what is played between them (see `climbs`). *Alternate*: once a rung is
sure, one take at the target, and more while they are clean. *Overshoot*: one take two rungs up, then the rung in
between; before the target itself a step beyond it. What such a *try* becomes counts neither way. *Grow*: the first bars
up to the target, then more bars, each time some rungs back. A try is left out where a measured limit lies below it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite

from companion.errors import UsageError
from companion.passage import Passage
from companion.practice.climbs import ALTERNATE, CLIMBS, GROW, OVERSHOOT, RUNGS_BACK, STEADY, climb_named
from companion.practice.hurdle import Hurdle
from companion.practice.metronome import QUARTER, CountedNote, counted_note
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

#: A take beyond the target is at most so much faster.
MOST_BEYOND = 0.1

#: Steps in per cent of the rung below.
LEAST_PERCENT, MOST_PERCENT = 1.0, 50.0

_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


@dataclass(frozen=True, slots=True)
class Step:
    """What the ladder says after a take: `kind` is `climb`, `stay`, `hold`, `step back`, `target reached`, `try` (one
    take faster), `settle` (back from it) or `grow` (more bars). `hurdle` is the change it holds the rung for, or that
    it speaks of."""

    kind: str
    sentence: str
    hurdle: Hurdle | None = None


@dataclass(frozen=True, slots=True)
class Ladder:
    """Tempos from `start_bpm` up to exactly `target_bpm`, in quarters a minute, and where the player stands.

    Where `step_percent` is not 0, each rung lies that share above the one below, on a whole number, and `step_bpm` is
    not looked at. Every step is then as hard in proportion; steps in bpm are hardest at the bottom (common practice,
    no source). `climb` is a name of `climbs.CLIMBS`. While `trying`, the take is played faster than `rung`, to which
    the player comes back. `group_bars` are the sizes of the bar groups (`climbs.bar_groups`) of which number `group`
    is on the stand; empty where the ladder doesn't grow. `counted` is the note in which its sentences tell tempos.

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
    climb: str = STEADY
    trying: bool = False
    group: int = 0
    group_bars: tuple[int, ...] = ()
    counted: CountedNote = QUARTER

    def __post_init__(self) -> None:
        climb_named(self.climb)
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
        """Tempo of the next take, in quarters a minute: that of the rung the player stands on, or of a try."""
        return (self.trying and self._try_before(self.rung)) or self.rungs[self.rung]

    @property
    def at_target(self) -> bool:
        """Whether the player stands on the last rung."""
        return self.rung == len(self.rungs) - 1 and not self.trying

    @property
    def grows(self) -> bool:
        """Whether more bars are still to be added."""
        return self.group + 1 < len(self.group_bars)

    @property
    def rule(self) -> str:
        """The rule in words."""
        step = f"{self.step_percent:g} per cent" if self.step_percent else self.counted.number(self.step_bpm)
        then = {
            ALTERNATE: f"a try at {self._at(self.target_bpm)}, then up {step}",
            OVERSHOOT: f"one take two rungs up, then settle one rung up ({step})",
            GROW: f"up {step}; at the target more bars, {RUNGS_BACK} rungs back",
        }.get(self.climb, f"up {step}")
        bars = f"The first {self.group_bars[self.group]} of {self.group_bars[-1]} bars. " if self.grows else ""
        return (
            f"{bars}{_takes(self.clean_needed, 'clean take')} in a row: {then}."
            f" {_takes(self.trouble_allowed, 'take')} in a row not clean: one rung back."
        )

    @property
    def reason(self) -> str:
        """Why one climbs so, in words."""
        return CLIMBS[self.climb].sentence

    @property
    def next_bpm(self) -> float | None:
        """Tempo of the next rung, in quarters a minute (after a try the one to settle on); None on the last one."""
        if self.trying:
            return self.rungs[self.rung]
        return None if self.at_target else self.rungs[self.rung + 1]

    @property
    def fastest_next_bpm(self) -> float | None:
        """The fastest that may come once this rung is sure, a try and more bars included, in quarters a minute; None
        where nothing new does."""
        if self.trying or self.at_target:
            return self.target_bpm if self.at_target and self.grows else None
        return max(self.rungs[self.rung + 1], self._try_before(self.rung + 1) or 0.0)

    @property
    def tries(self) -> tuple[float | None, ...]:
        """What is tried once a rung is sure, before the next one, in quarters a minute: as many as there are rungs."""
        return (*(self._try_before(rung) for rung in range(1, len(self.rungs))), None)

    def _try_before(self, rung: int) -> float | None:
        """Tempo of the try that comes before settling on this rung, None where there is none."""
        rungs = self.rungs
        if self.climb == ALTERNATE and rung < len(rungs) - 1:
            return rungs[-1]
        if self.climb != OVERSHOOT or rung == 0:
            return None
        if rung < len(rungs) - 1:
            return rungs[rung + 1]
        # A step beyond the target, on a whole number where the rungs are; of a coarse ladder no more than a tenth.
        step_bpm = min(self.target_bpm * self.step_percent / 100 or self.step_bpm, MOST_BEYOND * self.target_bpm)
        beyond_bpm = round(self.target_bpm + step_bpm, 0 if self.step_percent else 6)
        return beyond_bpm if self.target_bpm < beyond_bpm <= HIGHEST_BPM else None

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
        if self.trying:
            return self._after_try(clean)
        return self._after_clean(hurdle) if clean else self._after_trouble()

    def in_groups(self, group_bars: tuple[int, ...], group: int = 0) -> Ladder:
        """The same ladder for bar groups of these sizes, number `group` on the stand. One that doesn't grow stays as it
        is."""
        if self.climb != GROW:
            return self
        return replace(self, group_bars=group_bars, group=max(0, min(group, len(group_bars) - 1)))

    def with_climb(self, climb: str) -> Ladder:
        """The same rungs climbed in another way, from the rung that was reached, and nothing counted yet. Raises
        `UsageError` where there is no such climb."""
        return replace(self._on(self.rung), climb=climb, group=0, group_bars=())

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
        return self._on(nearest)

    def _on(self, rung: int, *, trying: bool = False) -> Ladder:
        return replace(self, rung=rung, clean_in_a_row=0, trouble_in_a_row=0, trying=trying)

    def _after_try(self, clean: bool) -> tuple[Ladder, Step]:
        settled = self._on(self.rung)
        number = self.clean_in_a_row + 1
        if not clean or self.climb != ALTERNATE:
            how = "clean" if clean else "not clean, which counts for nothing"
            return settled, Step("settle", f"The try at {self._here}: {how}. Now {self._at(settled.tempo_bpm)}.")
        if number < self.clean_needed:
            sentence = f"{_takes(number, 'clean take')} at the target, {self._here}: once more as fast."
            return replace(self, clean_in_a_row=number), Step("stay", sentence)
        return self._on(len(self.rungs) - 1)._reached(None)

    def _reached(self, hurdle: Hurdle | None) -> tuple[Ladder, Step]:
        if self.grows:
            return self._with_more_bars(hurdle)
        # The count stays full, so that another clean take says the same again.
        reached = replace(self, clean_in_a_row=self.clean_needed, trouble_in_a_row=0)
        return reached, Step("target reached", f"{self._clean_takes}: the target is reached.")

    def _with_more_bars(self, hurdle: Hurdle | None) -> tuple[Ladder, Step]:
        rung = max(0, self.rung - RUNGS_BACK)
        low = rung
        while hurdle is not None and hurdle.measured and low and hurdle.limit_bpm < self.rungs[low]:
            low -= 1
        more = replace(self._on(low), group=self.group + 1)
        bars = f"{'the first' if more.grows else 'all'} {more.group_bars[more.group]} bars"
        since = f", since {hurdle.sentence}" if hurdle is not None and low < rung else ""
        step = Step(
            "grow", f"{self._clean_takes}: now {bars}, at {self._at(more.tempo_bpm)}{since}.", hurdle if since else None
        )
        return more, step

    def _at(self, tempo_bpm: float) -> str:
        return self.counted.mark(tempo_bpm)

    @property
    def _here(self) -> str:
        return self._at(self.tempo_bpm)

    @property
    def _clean_takes(self) -> str:
        return f"{_takes(self.clean_needed, 'clean take')} at {self._here}"

    def _after_clean(self, hurdle: Hurdle | None) -> tuple[Ladder, Step]:
        # A rung that was held has a full count already.
        clean = min(self.clean_in_a_row + 1, self.clean_needed)
        if clean < self.clean_needed:
            sentence = f"{_takes(clean, 'clean take')} at {self._here}, {self.clean_needed - clean} to go."
            return replace(self, clean_in_a_row=clean, trouble_in_a_row=0), Step("stay", sentence)
        if self.at_target:
            return self._reached(hurdle)
        return self._upwards(hurdle)

    def _upwards(self, hurdle: Hurdle | None) -> tuple[Ladder, Step]:
        """From a rung that is sure to the next one, or to the try before it."""
        higher = self._on(self.rung + 1)
        clean, try_bpm = self._clean_takes, self._try_before(higher.rung)
        if hurdle is not None and hurdle.limit_bpm >= max(higher.tempo_bpm, try_bpm or 0.0):
            hurdle = None
        says = f", though {hurdle.sentence}" if hurdle else ""
        if hurdle is not None and hurdle.measured:
            if hurdle.limit_bpm < higher.tempo_bpm:
                return self._before(hurdle, higher)
            says = f" without a try at {self._at(try_bpm or 0.0)}, since {hurdle.sentence}"
            try_bpm = None
        if try_bpm is None:
            return higher, Step("climb", f"{clean}: on to {self._at(higher.tempo_bpm)}{says}.", hurdle)
        trying = self._on(higher.rung, trying=True)
        return trying, Step(
            "try", f"{clean}: one try at {self._at(try_bpm)}, then {self._at(higher.tempo_bpm)}{says}.", hurdle
        )

    def _before(self, hurdle: Hurdle, higher: Ladder) -> tuple[Ladder, Step]:
        held = replace(self, clean_in_a_row=self.clean_needed, trouble_in_a_row=0)
        sentence = (
            f"{self._clean_takes}, but {hurdle.sentence}: take {hurdle.alone} alone first, or go on to"
            f" {self._at(higher.tempo_bpm)} all the same."
        )
        return held, Step("hold", sentence, hurdle)

    def _after_trouble(self) -> tuple[Ladder, Step]:
        trouble = self.trouble_in_a_row + 1
        if trouble < self.trouble_allowed:
            sentence = f"Not clean yet: stay at {self._here}."
            return replace(self, clean_in_a_row=0, trouble_in_a_row=trouble), Step("stay", sentence)
        if self.rung == 0:
            sentence = f"{_takes(trouble, 'take')} not clean on the lowest rung: take fewer bars, or start below"
            return self._on(0), Step("stay", f"{sentence} {self._here}.")
        lower = self._on(self.rung - 1)
        sentence = f"{_takes(trouble, 'take')} not clean at {self._here}: back to {self._at(lower.tempo_bpm)}."
        return lower, Step("step back", sentence)


def default_ladder(
    passage: Passage,
    target_bpm: float | None = None,
    start_bpm: float | None = None,
    step_bpm: float | None = None,
    clean_needed: int = 3,
    step_percent: float = 0.0,
    climb: str = STEADY,
) -> Ladder:
    """A ladder for this passage; what is not given follows from its tempo mark.

    The target is the printed tempo, the start about 60 % of it on a metronome number, the step 4, or more where the
    ladder would have over 24 rungs (common practice, no source). What is not given is a whole number of the note that
    the metre counts: a metronome has no 38.7.

    Raises
    ------
    UsageError
        Where the numbers make no ladder.
    """
    counted = counted_note(passage.bars[0]) if passage.bars else QUARTER
    unit = float(counted.beats)
    if target_bpm is None:
        # A printed tempo that nobody can play (a slip of the editor's) keeps no passage off the stand.
        marked_bpm = passage.marked_tempo_bpm()
        usual_bpm = marked_bpm if passage.tempos else unit * round(marked_bpm / unit)
        printed_bpm = min(max(usual_bpm, LOWEST_BPM), HIGHEST_BPM)
        target_bpm = max(printed_bpm, start_bpm or 0.0)
    _check_tempo("target tempo", target_bpm)
    if start_bpm is None:
        start_bpm = min(max(unit * metronome_bpm(START_SHARE * target_bpm / unit), LOWEST_BPM), target_bpm)
    if step_bpm is None:
        least = max(1, round(DEFAULT_STEP_BPM / unit))
        step_bpm = unit * max(least, round((target_bpm - start_bpm) / unit / MOST_RUNGS))
    return Ladder(
        start_bpm, step_bpm, target_bpm, clean_needed, step_percent=step_percent, climb=climb, counted=counted
    )


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
