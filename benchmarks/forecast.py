"""What the forecast's band and chances are worth: `python benchmarks/forecast.py [STUDENTS] [--forms]`.

Students whose ability is known learn in ways that the forecast's model has and in ways that it has not, and climb the
real ladder; whether a take is clean is drawn at the chance that their ability gives it. After 3 to 20 days of practice
the forecast is asked for the next seven days.

With `--forms` other forms of the gain are tried in place of the exponential, by the interval score: the width of the
band in natural logarithms of tempo, and ten times as much as ability lies outside (T. Gneiting and A. E. Raftery, J.
Am. Stat. Assoc. 102 (2007) 359, from memory); less is better.

Budget: the 80 % band holds true ability in 75 to 85 % of cases over all; a chance of 30 % comes true in about 30 % of
cases; a fit takes under 100 ms.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from companion.arrays import Bools, Floats, Ints
from companion.practice import forecast as model
from companion.practice.forecast import fit
from companion.practice.ladder import DEFAULT_STEP_BPM, START_SHARE, Ladder, metronome_bpm

__all__ = ["WAYS", "Case", "Student", "cases_of", "practised"]

FIRST_DAY = 739_900
DAYS = 40
BUDGET_S = 0.1
ASKED_AFTER = (3, 4, 5, 6, 8, 10, 14, 20)
DAYS_AHEAD = (1, 2, 3, 5, 7)

#: (random numbers, takes so far on each day, days of practice so far, calendar day) -> share of the whole gain that is
#: there on each day; all arrays [shape=(DAYS,)].
Way = Callable[[np.random.Generator, Floats, Floats, Floats], Floats]


def exponential(rng: np.random.Generator, takes: Floats, practised: Floats, day: Floats) -> Floats:
    """A share of what is left with every take (Heathcote, Brown and Mewhort 2000)."""
    return -np.expm1(-takes / rng.uniform(20, 400))


def power_law(rng: np.random.Generator, takes: Floats, practised: Floats, day: Floats) -> Floats:
    """As of Newell and Rosenbloom (1981): fast at first, then ever slower, without an end."""
    return 1 - (1 + takes / rng.uniform(3, 30)) ** -rng.uniform(0.15, 0.6)


def in_jumps(rng: np.random.Generator, takes: Floats, practised: Floats, day: Floats) -> Floats:
    """Nothing for days, then at once: a fingering is found, a bar understood."""
    at = np.sort(rng.uniform(0, 25, rng.integers(1, 5)))
    return np.mean(day[:, None] >= at[None, :], axis=1)


def plateau(rng: np.random.Generator, takes: Floats, practised: Floats, day: Floats) -> Floats:
    """Fast, then nothing for a week or two, then on."""
    stop, long = rng.uniform(3, 10), rng.uniform(5, 15)
    return np.minimum(practised, stop) / 25 + np.maximum(practised - stop - long, 0) / 25


def steady(rng: np.random.Generator, takes: Floats, practised: Floats, day: Floats) -> Floats:
    """As much on every day of practice."""
    return practised / 30


def forgets(rng: np.random.Generator, takes: Floats, practised: Floats, day: Floats) -> Floats:
    """What a day brings is partly gone after days without practice."""
    gain, found = 0.0, []
    for i in range(len(day)):
        rested = i > 0 and practised[i] == practised[i - 1]
        gain = gain * 0.93 if rested else gain + (1 - gain) * 0.12
        found.append(gain)
    return np.array(found)


def no_gain(rng: np.random.Generator, takes: Floats, practised: Floats, day: Floats) -> Floats:
    """Stays where it is."""
    return np.zeros(len(day))


WAYS: Mapping[str, Way] = {
    way.__name__.replace("_", " "): way for way in (exponential, power_law, in_jumps, plateau, steady, forgets, no_gain)
}


@dataclass(frozen=True, eq=False)
class Student:
    """What is true: `ability_bpm` [shape=(DAYS,)], at which every second take is clean; and the takes."""

    way: str
    ability_bpm: Floats
    target_bpm: float
    days: Ints
    tempo_bpm: Floats
    clean: Bools


def practised(way: str, seed: int) -> Student:
    """A student's takes of `DAYS` days, from the first day on."""
    rng = np.random.default_rng([seed, sorted(WAYS).index(way)])
    plays = rng.random(DAYS) < rng.uniform(0.4, 1.0)
    plays[0] = True
    usual = int(np.exp(rng.uniform(np.log(5), np.log(25))))
    per_day = np.where(plays, np.maximum(rng.poisson(usual, DAYS), 2), 0)
    share = WAYS[way](
        rng, np.cumsum(per_day) - per_day / 2.0, np.cumsum(plays).astype(float), np.arange(DAYS, dtype=float)
    )
    first_bpm, form = rng.uniform(40, 110), rng.uniform(0.01, 0.06)
    noise = rng.standard_normal(DAYS) if rng.random() < 0.5 else rng.standard_t(3, DAYS) / np.sqrt(3)
    ability = first_bpm * np.exp(rng.uniform(0.05, 0.6) * share + form * noise)
    target_bpm = float(round(first_bpm * rng.uniform(1.0, 1.6)))
    return Student(way, ability, target_bpm, *_takes(rng, ability, per_day, target_bpm))


def _takes(rng: np.random.Generator, ability: Floats, per_day: Ints, target_bpm: float) -> tuple[Ints, Floats, Bools]:
    start_bpm = min(metronome_bpm(START_SHARE * target_bpm), target_bpm)
    ladder = Ladder(start_bpm, DEFAULT_STEP_BPM, target_bpm, int(rng.integers(1, 4)))
    resumes, chance_of = rng.random() < 0.7, _chances(rng)
    days, tempos, verdicts = [], [], []
    for day, takes in enumerate(per_day.tolist()):
        # Some begin where they left off, less a rung or two; others at the bottom every day.
        rung = max(ladder.rung - int(rng.integers(0, 3)), 0) if resumes else 0
        ladder = ladder.at(ladder.rungs[rung])
        for _ in range(takes):
            clean = bool(rng.random() < chance_of(ladder.tempo_bpm / ability[day]))
            days.append(FIRST_DAY + day)
            tempos.append(ladder.tempo_bpm)
            verdicts.append(clean)
            ladder, _ = ladder.after(clean)
    return np.array(days), np.array(tempos), np.array(verdicts)


def _chances(rng: np.random.Generator) -> Callable[[float], float]:
    """The chance of a clean take at a tempo that is so many times ability: one half at 1."""
    lapse = rng.uniform(0.0, 0.15)
    if rng.random() < 0.5:
        # Every note has its own small chance of failing, which grows with tempo as a power.
        steep = float(np.exp(rng.uniform(np.log(2.5), np.log(14))))
        most = np.log(2 * (1 - lapse))
        return lambda ratio: float((1 - lapse) * np.exp(-most * ratio**steep))
    width = float(np.exp(rng.uniform(np.log(0.03), np.log(0.3))))
    offset = np.log(0.5 / (0.5 - lapse))
    return lambda ratio: float((1 - lapse) / (1 + np.exp(np.log(ratio) / width - offset)))


@dataclass(frozen=True, slots=True)
class Case:
    """One forecast of one day, and what came: ability over or under the band's ends, the band's width as a ratio, the
    chance said and whether it came true."""

    way: str
    after: int
    ahead: int
    within: bool
    above: bool
    off: float
    width: float
    chance: float
    came: bool
    seconds: float

    @property
    def score(self) -> float:
        """The interval score; `off` counts from the middle, so the ends are taken to lie evenly around it."""
        half = np.log(self.width) / 2
        return float(np.log(self.width) + (0.0 if self.within else 10 * max(abs(self.off) - half, 0.0)))


def cases_of(student: Student) -> Iterator[Case]:
    """The forecasts made for a student."""
    played = np.unique(student.days)
    for after in ASKED_AFTER:
        if after >= len(played):
            return
        last = int(played[after - 1])
        until = student.days <= last
        began_s = time.process_time()
        forecast = fit(student.days[until], student.tempo_bpm[until], student.clean[until])
        seconds = time.process_time() - began_s
        for ahead in DAYS_AHEAD:
            band = forecast.band_on(last + ahead)
            chance = forecast.chance_by(last + ahead, student.target_bpm)
            if band is None or chance is None or last + ahead >= FIRST_DAY + DAYS:
                continue
            low, middle, high = band
            true_bpm = float(student.ability_bpm[last + ahead - FIRST_DAY])
            yield Case(
                student.way, after, ahead, low <= true_bpm <= high, true_bpm > high, np.log(true_bpm / middle),
                high / low, chance, true_bpm >= student.target_bpm, seconds,
            )  # fmt: skip


def _line(name: str, cases: list[Case]) -> str:
    within = 100 * np.mean([case.within for case in cases])
    above = 100 * np.mean([case.above for case in cases])
    off = 100 * np.median([abs(case.off) for case in cases])
    bias = 100 * np.median([case.off for case in cases])
    width = 100 * (np.median([case.width for case in cases]) - 1)
    below = 100 - within - above
    return f"{name:16} {len(cases):6} {within:8.1f} {above:8.1f} {below:8.1f} {off:9.1f} {bias:7.1f} {width:7.0f}"


#: (gain that is there after so much practice and for each slowness, its mean and its spread) by name.
FORMS = {
    "exponential": (model._gained, model._GAIN_MEAN, model._GAIN_SD),
    "power law": (lambda x, slowness: 1 - (1 + x[None, :] / slowness[:, None]) ** -0.5, 0.25, 0.40),
    "logarithm": (lambda x, slowness: np.log1p(x[None, :] / slowness[:, None]), 0.10, 0.15),
    "straight line": (lambda x, slowness: x[None, :] / 30 + 0 * slowness[:, None], 0.30, 0.40),
    "no gain": (lambda x, slowness: x[None, :] * 0 + 0 * slowness[:, None], 0.0, 1.0),
}


def compare_forms(students: list[Student]) -> None:
    """The same forecasts with each form of the gain."""
    for name, (gained, mean, spread) in FORMS.items():
        model._gained, model._GAIN_MEAN, model._GAIN_SD = gained, mean, spread
        cases = [case for student in students for case in cases_of(student)]
        brier = np.mean([(case.chance - case.came) ** 2 for case in cases])
        within = 100 * np.mean([case.within for case in cases])
        score = np.mean([case.score for case in cases])
        print(f"{name:14} interval score {score:.3f}, within {within:.1f} %, Brier score of the chances {brier:.3f}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("students", type=int, nargs="?", default=60, help="of each way of learning")
    parser.add_argument("--forms", action="store_true", help="compare forms of the gain")
    args = parser.parse_args()
    everyone = [practised(way, seed) for way in WAYS for seed in range(args.students)]
    if args.forms:
        compare_forms(everyone)
        return
    cases = [case for student in everyone for case in cases_of(student)]
    head = "within % above % below %  off by %  bias %  wide %"
    print(f"{'':16}  cases {head}")
    for what in ("way", "after", "ahead"):
        groups: dict[str, list[Case]] = defaultdict(list)
        for case in cases:
            groups[str(getattr(case, what))].append(case)
        for name, group in groups.items():
            print(_line({"after": f"{name} days seen", "ahead": f"{name} days ahead"}.get(what, name), group))
        print()
    print(_line("all", cases))
    print("\nchance said, how often it came true")
    for low in (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95):
        high = {0.0: 0.05, 0.05: 0.2, 0.8: 0.95, 0.95: 1.01}.get(low, low + 0.2)
        those = [case for case in cases if low <= case.chance < high]
        if those:
            said, came = np.mean([c.chance for c in those]), np.mean([c.came for c in those])
            range_of = f"{100 * low:4.0f} to {min(100 * high, 100):3.0f} %"
            print(f"{range_of}: said {100 * said:5.1f}, came {100 * came:5.1f}  ({len(those)})")
    brier = np.mean([(case.chance - case.came) ** 2 for case in cases])
    slowest_ms = 1000 * max(case.seconds for case in cases)
    print(f"Brier score {brier:.3f}; slowest fit {slowest_ms:.0f} ms of {1000 * BUDGET_S:.0f}")


if __name__ == "__main__":
    main()
