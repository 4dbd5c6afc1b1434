"""Fit what a change of fingering costs to published trill rates. Run by hand, with scikit-learn installed:

    pip install scikit-learn
    python benchmarks/fit_effort.py [--seeds 3] [--write]

`--write` puts the table into `charts/common/effort.toml`. The readings (`trill_rates.csv`) are facts from Š. Libřický
and J. Hajič jr., *Modeling the Difficulty of Saxophone Music*, 2025, arXiv:2507.04963.

Method
------
1. The logarithm of half a trill's period is a sum of the player's pace and of what the change costs. Players' paces are
   estimated with it; the six pairs that all players played settle them.
2. Three smoothers learn the change from the named terms (`companion.planning.motion`): a Gaussian process with an
   exponential kernel, extremely randomised trees, boosted trees. Their mean is the teacher.
3. The teacher is asked for every pair of fingerings of the charts, and a ridge regression on the terms and on all pairs
   of them follows it: that is the table, and all the program uses.

Judging: ten folds by pair (all readings of a pair in one fold), repeated; nothing of the left-out pairs is used,
neither for paces nor for the table. Error: mean of |predicted rate - rate| / rate over readings.
"""

from __future__ import annotations

import argparse
import csv
import datetime
import hashlib
import itertools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import spearmanr
from sklearn.ensemble import ExtraTreesRegressor, GradientBoostingRegressor

from companion import charts
from companion.arrays import Floats
from companion.charts.model import Chart, Fingering
from companion.planning.motion import TERMS, terms_of

HERE = Path(__file__).resolve().parent
READINGS = HERE / "trill_rates.csv"
TABLE = HERE.parent / "charts" / "common" / "effort.toml"
FOLDS = 10
#: Chosen once, from a coarse grid by the same ten folds with other seeds; the optimum is flat.
KERNEL_VARIANCE, KERNEL_LENGTH = 0.3, 0.5
READING_SD, PAIR_VARIANCE, PACE_VARIANCE = 0.1, 0.01, 0.01
TREES, TREE_FEATURES = 500, 0.4
BOOSTS, BOOST_RATE, BOOST_DEPTH, BOOST_FEATURES, BOOST_LEAF, BOOST_SHARE = 500, 0.03, 5, 0.2, 3, 0.5
RIDGE = 0.003
#: Terms are scaled by their spread, rare ones not beyond this.
LEAST_SCALE = 0.35
#: A change between these was measured; nothing faster or slower is claimed by much.
SHORTEST_S, LONGEST_S = 0.06, 1.2
PAPER = {"best neural network": (0.181, 0.867), "best linear model": (0.383, 0.748)}
#: Chart with all keys that the readings name.
CHART = "tenor"


@dataclass(frozen=True)
class Reading:
    """One reading: two fingerings, the player, trills a second."""

    low: Fingering
    high: Fingering
    player: str
    rate: float

    @property
    def change_s(self) -> float:
        """Seconds of one change: half a trill."""
        return 0.5 / self.rate


def read_readings(path: Path = READINGS) -> tuple[list[Reading], list[tuple[Reading, str]]]:
    """The readings to fit, and those left aside with the reason."""
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    kept, aside = [], []
    for row in rows:
        low, high = (
            Fingering("", int(row[f"{side}_written_midi"]), frozenset(row[f"{side}_keys"].split()) - {"open"})
            for side in ("low", "high")
        )
        reading = Reading(low, high, row["player"], float(row["trills_per_s"]))
        reason = _odd(reading)
        if reason:
            aside.append((reading, reason))
        else:
            kept.append(reading)
    return kept, aside


def _odd(reading: Reading) -> str:
    if any({"bis", "l2"} <= fingering.keys for fingering in (reading.low, reading.high)):
        return "bis with the middle finger down sounds A: a slip of the encoding"
    if reading.low.keys == reading.high.keys:
        return "the same fingering twice: no change that could take time"
    if reading.rate <= 0:
        return "a rate of 0: two fingerings of one note, whose trill can't be heard"
    return ""


def error_of(predicted_log_s: Floats, log_s: Floats) -> tuple[float, float]:
    """Mean absolute percentage error of the rate, and Spearman's rank correlation."""
    predicted, rate = 0.5 / np.exp(predicted_log_s), 0.5 / np.exp(log_s)
    return float(np.mean(np.abs(predicted - rate) / rate)), float(spearmanr(predicted, rate).statistic)


def all_pairs(readings: list[Reading]) -> tuple[Floats, Chart]:
    """The terms of every change between two fingerings of any of our charts, each pair once."""
    horn = charts.load(CHART)
    shapes: dict[tuple[int, frozenset[str]], Fingering] = {}
    for fingering in [*horn.fingerings, *(f for r in readings for f in (r.low, r.high))]:
        shapes.setdefault((fingering.written_midi, fingering.keys), fingering)
    pairs = [(a, b) for a, b in itertools.combinations(shapes.values(), 2) if a.keys != b.keys]
    return terms_of(horn, [a for a, _ in pairs], [b for _, b in pairs]), horn


class Study:
    """The readings as arrays."""

    def __init__(self, readings: list[Reading]) -> None:
        self.domain, horn = all_pairs(readings)
        self.terms = terms_of(horn, [r.low for r in readings], [r.high for r in readings])
        self.log_s = np.log([r.change_s for r in readings])
        self.players = sorted({r.player for r in readings})
        self.who = np.array([[r.player == player for player in self.players] for r in readings], dtype=float)
        ids: dict[frozenset[tuple[int, frozenset[str]]], int] = {}
        shapes = [frozenset((f.written_midi, f.keys) for f in (r.low, r.high)) for r in readings]
        self.pair = np.array([ids.setdefault(shape, len(ids)) for shape in shapes])
        self.pairs = len(ids)
        self.same_pair = self.pair[:, None] == self.pair[None]
        scale = np.maximum(self.terms.std(axis=0), LEAST_SCALE)
        self.kernel = self._kernel(self.terms / scale, self.terms / scale)
        self.domain_kernel = self._kernel(self.domain / scale, self.terms / scale)
        self.table_scale = np.maximum(self.domain.std(axis=0), LEAST_SCALE)
        self._ridge = self._prepare_ridge()

    @staticmethod
    def _kernel(some: Floats, others: Floats) -> Floats:
        distance = np.zeros((len(some), len(others)))
        for column in range(some.shape[1]):
            distance += np.abs(some[:, column, None] - others[None, :, column])
        return KERNEL_VARIANCE * np.exp(-distance / (some.shape[1] * KERNEL_LENGTH))

    def _prepare_ridge(self) -> Floats:
        """What turns the teacher's answers into weights of the products of terms (the dual of the ridge)."""
        kernel = self._products(self.domain, self.domain)
        centred = kernel - kernel.mean(axis=0) - kernel.mean(axis=1)[:, None] + kernel.mean()
        return np.linalg.inv(centred + RIDGE * np.eye(len(kernel)))

    def _products(self, some: Floats, others: Floats) -> Floats:
        linear = (some / self.table_scale) @ (others / self.table_scale).T / some.shape[1]
        return linear + linear**2

    def teacher(self, train: np.ndarray, seed: int) -> tuple[Floats, Floats]:
        """The average player's log seconds for every pair of the charts, and each player's pace about that."""
        who, log_s = self.who[train], self.log_s[train]
        constant = 4.0
        cov = self.kernel[np.ix_(train, train)] + PAIR_VARIANCE * self.same_pair[np.ix_(train, train)]
        cov += PACE_VARIANCE * who @ who.T + constant + READING_SD**2 * np.eye(len(log_s))
        solved = np.linalg.solve(cov, log_s)
        pace = PACE_VARIANCE * who.T @ solved
        # The average of the readings, whose players are not equally many.
        middle = float(who.mean(axis=0) @ pace)
        process = self.domain_kernel[:, train] @ solved + constant * solved.sum() + middle
        trees = ExtraTreesRegressor(TREES, max_features=TREE_FEATURES, random_state=seed, n_jobs=-1)
        boosted = GradientBoostingRegressor(
            n_estimators=BOOSTS, learning_rate=BOOST_RATE, max_depth=BOOST_DEPTH, max_features=BOOST_FEATURES,
            min_samples_leaf=BOOST_LEAF, subsample=BOOST_SHARE, random_state=seed,
        )  # fmt: skip
        # Six pairs were read thirteen times and more: they count more than others, but not thirteen times as much.
        share = 1 / np.sqrt(np.bincount(self.pair[train], minlength=self.pairs)[self.pair[train]])
        taught = [process]
        for smoother in (trees, boosted):
            smoother.fit(self.terms[train], log_s - who @ (pace - middle), sample_weight=share)
            taught.append(smoother.predict(self.domain))
        return np.mean(taught, axis=0), pace - middle

    def table(self, train: np.ndarray, seed: int) -> tuple[float, Floats, Floats, Floats]:
        """Base, weights of terms, weights of pairs (upper triangle), paces. The base is that of the median."""
        taught, pace = self.teacher(train, seed)
        dual = self._ridge @ (taught - taught.mean())
        dual -= dual.mean()
        scaled = self.domain / self.table_scale
        count = scaled.shape[1]
        weights = scaled.T @ dual / count / self.table_scale
        full = (scaled.T * dual) @ scaled / count**2 / np.outer(self.table_scale, self.table_scale)
        pairs = np.triu(full) + np.triu(full, 1)
        base = float(np.mean(taught - self.domain @ weights - ((self.domain @ pairs) * self.domain).sum(axis=1)))
        return base, weights, pairs, pace

    def predict(self, table: tuple[float, Floats, Floats, Floats], rows: np.ndarray) -> Floats:
        """Log seconds of the average player."""
        base, weights, pairs, _ = table
        terms = self.terms[rows]
        return base + terms @ weights + ((terms @ pairs) * terms).sum(axis=1)

    def log_linear(self, train: np.ndarray, seed: int) -> tuple[float, Floats, Floats, Floats]:
        """A plain least-squares fit of log time to the terms and the players, for comparison."""
        columns = np.hstack([self.terms[train], self.who[train]])
        found = np.linalg.lstsq(columns.T @ columns + 1e-3 * np.eye(columns.shape[1]), columns.T @ self.log_s[train])[0]
        weights, pace = found[: self.terms.shape[1]], found[self.terms.shape[1] :]
        middle = float(self.who[train].mean(axis=0) @ pace)
        return middle, weights, np.zeros((len(weights), len(weights))), pace - middle


Fit = Callable[[np.ndarray, int], tuple[float, Floats, Floats, Floats]]


def cross_validate(study: Study, fit: Fit, seeds: int, above_median: bool) -> dict[str, tuple[float, float]]:
    """Error and rank correlation on pairs that the fit has not seen, without and with the player's pace."""
    results: dict[str, list[tuple[float, float]]] = {"without": [], "with": []}
    for seed in range(seeds):
        fold = np.empty(study.pairs, dtype=int)
        fold[np.random.default_rng(seed).permutation(study.pairs)] = np.arange(study.pairs) % FOLDS
        without, with_pace = np.zeros(len(study.log_s)), np.zeros(len(study.log_s))
        for number in range(FOLDS):
            test = np.flatnonzero(fold[study.pair] == number)
            train = np.flatnonzero(fold[study.pair] != number)
            table = fit(train, seed)
            without[test] = study.predict(table, test) + (_above_median(study, table, train) if above_median else 0)
            with_pace[test] = without[test] + study.who[test] @ table[3]
        results["without"].append(error_of(without, study.log_s))
        results["with"].append(error_of(with_pace, study.log_s))
    return {name: tuple(np.mean(values, axis=0).tolist()) for name, values in results.items()}


#: Spread of one reading about the prediction for an unseen pair, as the folds have it (standard deviation of the log).
UNSEEN_SPREAD = 0.2


def _above_median(study: Study, table: object, train: np.ndarray) -> float:
    """The expected time of a log-normal spread lies above its median by half the variance."""
    return UNSEEN_SPREAD**2 / 2


def as_toml(study: Study, report: dict[str, tuple[float, float]], fitted: str) -> str:
    """The table as the program reads it."""
    everything = np.arange(len(study.log_s))
    base, weights, pairs, pace = study.table(everything, 0)
    base += _above_median(study, None, everything)
    names = [term.name for term in TERMS]
    seen = error_of(study.predict((base, weights, pairs, pace), everything), study.log_s)
    body = [f"base = {base:.5f}", f"shortest_s = {SHORTEST_S}", f"longest_s = {LONGEST_S}", f"spread = {UNSEEN_SPREAD}"]
    body += ["terms = [", *(f'  "{name}",' for name in names), "]"]
    body += ["", "[paces]  # factors of the time"]
    body += [f"{player} = {factor:.4f}" for player, factor in zip(study.players, np.exp(pace), strict=True)]
    body += ["", "[report]  # mean absolute percentage error of the rate, Spearman's rho"]
    body += [f"unseen_pairs_{name}_pace = [{e:.4f}, {r:.4f}]" for name, (e, r) in report.items()]
    body += [f"all_readings_without_pace = [{seen[0]:.4f}, {seen[1]:.4f}]"]
    body += ["", "[weights]", *(f'"{name}" = {weight:.5f}' for name, weight in zip(names, weights, strict=True))]
    body += ["", "[pairs]  # each term with itself and with those that follow it in `terms`"]
    for i, name in enumerate(names):
        body.append(f'"{name}" = "{" ".join(_short(weight) for weight in pairs[i, i:])}"')
    text = "\n".join(body) + "\n"
    version = hashlib.sha256(text.encode()).hexdigest()[:10]
    head = [
        "# What each term of a change of fingering costs, in natural logarithms of seconds. Written by a program:",
        "# python benchmarks/fit_effort.py --write",
        'source = "Š. Libřický and J. Hajič jr., Modeling the Difficulty of Saxophone Music, 2025, arXiv:2507.04963"',
        f"fitted = {fitted}",
        f'version = "{version}"',
    ]
    return "\n".join(head) + "\n" + text


def _short(weight: float) -> str:
    return f"{weight:.5f}".rstrip("0").rstrip(".") if abs(weight) >= 5e-6 else "0"


def main() -> None:
    """Fit, judge, print, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    readings, aside = read_readings()
    print(f"{len(readings)} readings fitted; left aside:")
    for reading, reason in aside:
        low, high = reading.low.written_midi, reading.high.written_midi
        print(f"  {low}-{high}, {reading.player}, {reading.rate:g} a second: {reason}")
    study = Study(readings)
    print(f"{study.pairs} pairs, {study.terms.shape[1]} terms")
    table = cross_validate(study, study.table, args.seeds, above_median=True)
    plain = cross_validate(study, study.log_linear, args.seeds, above_median=False)
    print(f"unseen pairs, {FOLDS} folds by pair, {args.seeds} times      error   rho")
    for name, (error, rho) in PAPER.items():
        print(f"  the paper's {name:<32} {error:.3f}   {rho:.3f}")
    for what, report in (("plain log-linear fit", plain), ("this table", table)):
        for pace, (error, rho) in report.items():
            print(f"  {what}, {pace} the player's pace".ljust(46) + f" {error:.4f}  {rho:.4f}")
    text = as_toml(study, table, datetime.date.today().isoformat())
    print(next(line for line in text.splitlines() if line.startswith("all_readings")))
    if args.write:
        TABLE.write_text(text, encoding="utf-8")
        print(f"written to {TABLE}")


if __name__ == "__main__":
    main()
