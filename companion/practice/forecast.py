"""How the tempo of a passage will go on rising: a learning curve through takes that were clean and takes that were not.

Conventions
-----------
* *Ability* on a day is the tempo, in quarters a minute, at which every second take comes out clean. The band holds it
  for that day, the day's form included; it says nothing of one single take.
* A clean take says that ability is likely above its tempo, one that is not clean that it is likely below: the ladder
  decides what is tried, so the fastest clean tempo of a day alone would say what was tried, not what could be played.
* Days are ordinals of `datetime.date`. `x` counts practice: a day of practice with as many takes as usual is 1.

The model
---------
A take is clean where none of its many notes fails. If each has a small chance of its own to fail, which grows with
tempo as a power, the chance of a clean take at tempo T on day d is Weibull's function of T / ability_d, less a share of
takes that fail at any tempo [1]_: up to ability it falls little by little, beyond it soon.

Log ability is the sum of a level, a gain that approaches its end exponentially in `x` (of single learners, not of
averages, the exponential fits better than the power law of Newell and Rosenbloom [2]_), what goes its own way from day
to day (a random walk: plateaus, jumps, holidays) and each day's form. All of it is normally distributed, so for given
widths this is a Gaussian process with another likelihood, solved by Laplace's method ([3]_, section 3.4) and put right
by importance resampling; over the widths, which few takes tell, it is averaged: 128 points spread evenly over the
ranges in `_RANGES`, each weighted by how well it explains the takes. These ranges are ours, no source;
`benchmarks/forecast.py` measures what they are worth on students that learn, and fail, otherwise. With so few days the
form of the gain hardly matters there: a power law, a logarithm and even a straight line forecast as well (interval
scores within 2 % of each other), but without any gain the score is nearly a fifth worse.

References
----------
.. [1] F. A. Wichmann and N. J. Hill, *The psychometric function I*, Perception & Psychophysics 63 (2001) 1293.
.. [2] A. Heathcote, S. Brown and D. J. K. Mewhort, *The power law repealed*, Psychonomic Bulletin & Review 7 (2000)
   185: the exponential was better in all their unaveraged sets, 7,910 series of 475 people.
.. [3] C. E. Rasmussen and C. K. I. Williams, *Gaussian Processes for Machine Learning* (2006).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cache

import numpy as np

from companion.arrays import Bools, Floats, Ints
from companion.errors import UsageError
from companion.practice.words import number_of

__all__ = ["LEAST_DAYS", "LONGEST_DAYS", "Forecast", "fit"]

#: On fewer days, or with fewer takes, nothing is said (ours, no source).
LEAST_DAYS, LEAST_TAKES = 3, 8
#: As far ahead as practice was seen, but a week at least and four weeks at most.
SHORTEST_DAYS, LONGEST_DAYS = 7, 28
#: Practice longer ago says how it was then.
NEWEST_DAYS = 30
#: After so long without a take the curve has nothing to go on from.
LONGEST_GAP_DAYS = 28
BAND = (0.10, 0.50, 0.90)

#: Least and largest of what is not known, evenly in logarithms. In days of practice: how long until two thirds of the
#: gain are there. In natural logarithms of tempo: the random walk in a day, the day's form. The power of tempo with
#: which notes fail; last, the share of takes that fail at any tempo: many, where one late note of sixteen is enough.
_RANGES = ((1.5, 30.0), (0.004, 0.03), (0.01, 0.06), (1.8, 14.0), (0.01, 0.35))
_POINTS = 128
#: In natural logarithms of tempo: where ability stood at first, around what was tried then; and what is to be gained.
_LEVEL_SD, _GAIN_MEAN, _GAIN_SD = 0.25, 0.15, 0.20
#: Practising more on a day gains less than in proportion.
_DOSE_POWER = 0.5
_PATHS, _LARGEST_CORRECTION = 1600, 3.0
_NEWTON_STEPS, _LARGEST_STEP = 25, 0.25
_SLOWEST_BPM, _FASTEST_BPM = 1.0, 10_000.0


@dataclass(frozen=True, eq=False)
class Forecast:
    """A learning curve, or why there is none.

    Attributes
    ----------
    days : int array [shape=(days,)]
        The days of practice that were looked at, then every day from the last of them on to the last that something is
        said of.
    median_bpm, low_bpm, high_bpm : float array [shape=(days,)]
        Ability, and the ends of its 80 % band: in 80 of 100 such cases ability lies within.
    last_day : int
        The last day with takes; what comes after it is forecast.
    too_early : str
        Why nothing is said (`too early to say: 2 days played, 3 are needed`); empty where there is a
        curve. Arrays are empty then.
    """

    days: Ints
    median_bpm: Floats
    low_bpm: Floats
    high_bpm: Floats
    last_day: int = 0
    too_early: str = ""
    _paths: Floats = field(default_factory=lambda: np.empty((0, 0)), repr=False)

    def __bool__(self) -> bool:
        """Whether there is a curve."""
        return not self.too_early

    def _at(self, day: date | int) -> int | None:
        ordinal = day if isinstance(day, int) else day.toordinal()
        index = int(np.searchsorted(self.days, ordinal))
        return index if index < len(self.days) and self.days[index] == ordinal else None

    def band_on(self, day: date | int) -> tuple[float, float, float] | None:
        """(low, median, high) on a day, in quarters a minute; None where nothing is said of it."""
        index = self._at(day)
        if index is None:
            return None
        return float(self.low_bpm[index]), float(self.median_bpm[index]), float(self.high_bpm[index])

    def chance_by(self, day: date | int, target_bpm: float) -> float | None:
        """The chance, 0 to 1, that on this day every second take at `target_bpm` or more comes out clean; None where
        nothing is said of that day."""
        index = self._at(day)
        if index is None:
            return None
        return float(np.mean(self._paths[:, index] >= np.log(target_bpm)))


def _nothing(why: str, last_day: int = 0) -> Forecast:
    empty = np.empty(0)
    return Forecast(np.empty(0, dtype=np.int64), empty, empty, empty, last_day, why)


def fit(
    days: Sequence[int] | Ints, tempo_bpm: Sequence[float] | Floats, clean: Sequence[bool] | Bools, today: int = 0
) -> Forecast:
    """A learning curve through takes of one passage by one player.

    Parameters
    ----------
    days : ints [shape=(takes,)]
        Ordinal of each take's day.
    tempo_bpm : floats [shape=(takes,)]
        Quarters a minute.
    clean : bools [shape=(takes,)]
    today : int
        Ordinal of the present day; by default that of the last take.

    Returns
    -------
    Forecast
        One that says why, where there are too few takes to say anything.

    Raises
    ------
    UsageError
        Where the three are not of one length, or a tempo is none.
    """
    day, tempo, is_clean = np.asarray(days, np.int64), np.asarray(tempo_bpm, float), np.asarray(clean, bool)
    if not day.shape == tempo.shape == is_clean.shape or day.ndim != 1:
        raise UsageError(f"{day.size} days, {tempo.size} tempos and {is_clean.size} verdicts are not of the same takes")
    if not np.all((tempo >= _SLOWEST_BPM) & (tempo <= _FASTEST_BPM)):
        raise UsageError("a tempo is none: give quarters a minute, such as 92")
    practised = np.unique(day)
    if why := _too_early(practised, len(day), today):
        return _nothing(why, int(practised[-1]) if len(practised) else 0)
    practised = practised[-NEWEST_DAYS:]
    newest = day >= practised[0]
    seen = _Seen.of(practised, day[newest], np.log(tempo[newest]), is_clean[newest])
    return _forecast(seen, max(today, int(practised[-1])))


def _too_early(practised: Ints, takes: int, today: int) -> str:
    if len(practised) < LEAST_DAYS:
        return f"too early to say: {number_of(len(practised), 'day')} played, {LEAST_DAYS} are needed"
    if takes < LEAST_TAKES:
        return f"too early to say: {number_of(takes, 'take')} played, {LEAST_TAKES} are needed"
    if today - practised[-1] > LONGEST_GAP_DAYS:
        return f"not played for {today - practised[-1]} days"
    return ""


@dataclass(frozen=True, eq=False)
class _Seen:
    """Takes of one tempo on one day are a cell [shape=(cells,)]: `clean` of `takes`; `of_day` [shape=(cells, days)]
    says which day. `x` [shape=(days,)] is practice up to each day, `x_per_day` how fast it grows by the calendar."""

    days: Ints
    x: Floats
    x_per_day: float
    log_tempo: Floats
    takes: Floats
    clean: Floats
    of_day: Floats
    first_log_tempo: float

    @classmethod
    def of(cls, practised: Ints, day: Ints, log_tempo: Floats, clean: Bools) -> _Seen:
        index = np.searchsorted(practised, day)
        cells, cell = np.unique(np.stack([index, log_tempo], axis=1), axis=0, return_inverse=True)
        cell = cell.reshape(-1)
        count = len(cells)
        per_day = np.bincount(index, minlength=len(practised)).astype(float)
        x = np.cumsum((per_day / np.median(per_day)) ** _DOSE_POWER)
        # A week is the unit of habit: somebody who begins with two days in a row does not go on every day.
        span = max(int(practised[-1] - practised[0]) + 1, 7)
        of_day = np.zeros((count, len(practised)))
        of_day[np.arange(count), cells[:, 0].astype(int)] = 1.0
        return cls(
            days=practised,
            x=x - x[0],
            x_per_day=float(x[-1]) / span,
            log_tempo=cells[:, 1],
            takes=np.bincount(cell, minlength=count).astype(float),
            clean=np.bincount(cell, weights=clean.astype(float), minlength=count).astype(float),
            of_day=of_day,
            first_log_tempo=float(np.median(log_tempo[index == 0])),
        )


@cache
def _points() -> tuple[Floats, ...]:
    """The values that are averaged over, one array [shape=(points,)] for each of `_RANGES`: the additive recurrence on
    the generalised golden ratio, which fills a box evenly."""
    dimensions = len(_RANGES)
    golden = 2.0
    for _ in range(50):
        golden = (1 + golden) ** (1 / (dimensions + 1))
    steps = golden ** -np.arange(1, dimensions + 1)
    unit = (0.5 + np.arange(1, _POINTS + 1)[:, None] * steps) % 1.0
    low, high = np.log(np.array(_RANGES)).T
    return tuple(np.exp(low + unit * (high - low)).T)


def _kernel(x: Floats, days: Floats, other_x: Floats, other_days: Floats) -> Floats:
    """Covariance of log ability without the days' form [shape=(points, a, b)]."""
    slowness, walk, *_ = _points()
    gain, other_gain = _gained(x, slowness), _gained(other_x, slowness)
    walked = np.minimum(days[:, None], other_days[None, :])
    return (
        _LEVEL_SD**2
        + _GAIN_SD**2 * gain[:, :, None] * other_gain[:, None, :]
        + (walk**2)[:, None, None] * walked[None, :, :]
    )


def _gained(x: Floats, slowness: Floats) -> Floats:
    return -np.expm1(-x[None, :] / slowness[:, None])


def _forecast(seen: _Seen, today: int) -> Forecast:
    last = int(seen.days[-1])
    ahead = int(np.clip(last - seen.days[0] + 1, SHORTEST_DAYS, LONGEST_DAYS))
    future = np.arange(last + 1, today + ahead + 1)
    mode = _mode(seen)
    slowness, _, form, *_ = _points()
    since = (seen.days - seen.days[0]).astype(float)
    x_future = seen.x[-1] + seen.x_per_day * (future - last)
    x_all = np.concatenate([seen.x, x_future])
    since_all = np.concatenate([since, (future - seen.days[0]).astype(float)])
    count, n = len(x_all), len(seen.days)
    own = (form**2)[:, None, None]
    prior = _kernel(x_all, since_all, x_all, since_all) + own * np.eye(count)
    across = _kernel(x_all, since_all, seen.x, since) + own * np.eye(count, n)
    mean = seen.first_log_tempo + _GAIN_MEAN * _gained(x_all, slowness) + np.einsum("pij,pj->pi", across, mode.alpha)
    scaled = across * mode.root_info[:, None, :]
    covariance = prior - scaled @ np.linalg.solve(mode.inner, scaled.transpose(0, 2, 1))
    paths = _corrected(*_drawn(mean, covariance, mode.weight), seen, mode)
    low, median, high = np.exp(np.quantile(paths, BAND, axis=0))
    return Forecast(np.concatenate([seen.days, future]), median, low, high, last, "", paths)


def _drawn(mean: Floats, covariance: Floats, weight: Floats) -> tuple[Floats, Ints]:
    """Curves [shape=(paths, days)] drawn from the mixture, the same ones every time, and the point of each."""
    random = np.random.default_rng(1)
    counts = np.floor(np.cumsum(weight) * _PATHS + 0.5).astype(int)
    counts = np.diff(np.concatenate([[0], counts]))
    used = np.flatnonzero(counts)
    # Rounding leaves a covariance of many days a hair short of positive.
    jitter = 1e-9 * np.eye(mean.shape[1])
    factor = np.linalg.cholesky(covariance[used] + jitter)
    drawn = [
        mean[point] + random.standard_normal((counts[point], mean.shape[1])) @ factor[i].T
        for i, point in enumerate(used)
    ]
    return np.concatenate(drawn), np.repeat(used, counts[used])


def _corrected(paths: Floats, point: Ints, seen: _Seen, mode: _Mode) -> Floats:
    """As many curves, those that the takes make likelier than Laplace's method has it drawn more often (importance
    resampling): ability far above what was tried is less unlikely than as far below."""
    level = paths[:, : len(seen.days)]
    off = level - mode.level[point]
    _, chance = _chances(seen, level, *(values[point] for values in _points()[3:]))
    thought = np.sum(off * (mode.slope[point] - 0.5 * mode.root_info[point] ** 2 * off), axis=1)
    # Few curves far out must not stand for all.
    weight = np.exp(np.minimum(_explained(seen, chance) - mode.fitted[point] - thought, _LARGEST_CORRECTION))
    share = np.cumsum(weight) / weight.sum()
    return paths[np.searchsorted(share, (np.arange(len(paths)) + 0.5) / len(paths))]


@dataclass(frozen=True, eq=False)
class _Mode:
    """Laplace's approximation at every point: `level` [shape=(points, days)] is the mode, `slope` that of the log
    likelihood there, `fitted` [shape=(points,)] the log likelihood; `alpha` [shape=(points, days)] is the inverse
    covariance times the mode less the mean, `root_info` the root of the information of each day, `inner`
    [shape=(points, days, days)] as B in Rasmussen and Williams, `weight` [shape=(points,)] how well the point explains
    the takes, summing to 1."""

    level: Floats
    slope: Floats
    fitted: Floats
    alpha: Floats
    root_info: Floats
    inner: Floats
    weight: Floats


def _mode(seen: _Seen) -> _Mode:
    slowness, _, form, power, lapse = _points()
    since = (seen.days - seen.days[0]).astype(float)
    n = len(since)
    covariance = _kernel(seen.x, since, seen.x, since) + (form**2)[:, None, None] * np.eye(n)
    mean = seen.first_log_tempo + _GAIN_MEAN * _gained(seen.x, slowness)
    level = mean.copy()
    alpha = np.zeros_like(level)
    for _ in range(_NEWTON_STEPS):
        _, slope, info = _likelihood(seen, level, power, lapse)
        root = np.sqrt(info)
        inner = np.eye(n) + root[:, :, None] * covariance * root[:, None, :]
        b = info * (level - mean) + slope
        pulled = root * np.einsum("pij,pj->pi", covariance, b)
        wanted = b - root * np.linalg.solve(inner, pulled[:, :, None])[:, :, 0]
        step = mean + np.einsum("pij,pj->pi", covariance, wanted) - level
        largest = np.abs(step).max(axis=1)
        share = np.minimum(1.0, _LARGEST_STEP / np.maximum(largest, 1e-12))[:, None]
        # A share of the way in alpha is the same share of the way in level, for both are linear in each other.
        alpha = alpha + share * (wanted - alpha)
        level = level + share * step
        if largest.max() < 3e-4:
            break
    fitted, slope, info = _likelihood(seen, level, power, lapse)
    root = np.sqrt(info)
    inner = np.eye(n) + root[:, :, None] * covariance * root[:, None, :]
    _, log_determinant = np.linalg.slogdet(inner)
    evidence = fitted - 0.5 * np.sum(alpha * (level - mean), axis=1) - 0.5 * log_determinant
    weight = np.exp(evidence - evidence.max())
    return _Mode(level, slope, fitted, alpha, root, inner, weight / weight.sum())


def _likelihood(seen: _Seen, level: Floats, power: Floats, lapse: Floats) -> tuple[Floats, Floats, Floats]:
    """Log likelihood of the takes [shape=(curves,)], its slope in each day's log ability and the expected information
    [shape=(curves, days)], for curves of log ability [shape=(curves, days)] with a power and lapses each."""
    failures, chance = _chances(seen, level, power, lapse)
    rise = chance * power[:, None] * failures
    slope = (seen.clean - seen.takes * chance) * rise / (chance * (1 - chance))
    info = seen.takes * rise**2 / (chance * (1 - chance))
    return _explained(seen, chance), slope @ seen.of_day, info @ seen.of_day


def _chances(seen: _Seen, level: Floats, power: Floats, lapse: Floats) -> tuple[Floats, Floats]:
    """Failures to be expected in a take, and the chance that it is clean [shape=(curves, cells)]."""
    reach = 1 - lapse[:, None]
    # At ability there are so many that a take is clean every second time, lapses included.
    beyond = seen.log_tempo - level @ seen.of_day.T
    failures = np.log(2 * reach) * np.exp(np.clip(power[:, None] * beyond, -40, 4))
    return failures, np.clip(reach * np.exp(-failures), 1e-12, 1 - 1e-12)


def _explained(seen: _Seen, chance: Floats) -> Floats:
    return np.log(chance) @ seen.clean + np.log1p(-chance) @ (seen.takes - seen.clean)
