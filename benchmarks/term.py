"""A simulated term: `python benchmarks/term.py [--weeks 12] [--keep DIR]`.

Five simulated students of known rates of learning (`STUDENTS`) practise two items at a time, two weeks each. A take
of twenty seconds would take twenty seconds at the stand, a term some days; so the clock is moved instead of waited
for. All else is the program's own: `companion week set` writes each target, the ladder, the follower and the judge
decide, the sitting's file is the practice log, and at the end `companion progress`, `week` and `trouble` read it.

Ability is set by how often slips come, and is not asked of the forecast's model: a student's true ability on a Sunday
is measured by 264 takes around it that leave no trace. Where slips come as often at any tempo, no tempo has half of the
takes clean: such cases are counted apart, for there is no truth to hold. The forecast is asked on the first Thursday
(three days ahead), on the second Monday (six) and on the second Thursday (three).

Budget: the 80 % band holds true ability in 75 to 85 % of item-weeks.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import astuple, dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np

from companion import charts, planning, scores
from companion.charts.model import Chart
from companion.cli import main as companion
from companion.ports.performer import LEVELS
from companion.practice import sim_levels as kinds
from companion.practice.judging import judge
from companion.practice.ladder import Ladder, default_ladder
from companion.practice.model import RawEvent
from companion.practice.rehearsal import Rehearsal
from companion.practice.sim_levels import Level
from companion.practice.simulation import play_take
from companion.record import Sitting, finished_take_record
from companion.record.index import survey
from companion.record.outlook import outlook
from companion.units import ns_from_s

PASSAGES = Path("shared/passages")
#: Two items every two weeks; the bars are played as they stand.
ITEMS = (
    ("etude-e-minor.musicxml", "1-4"), ("waltz-in-f.musicxml", "1-8"),
    ("etude-e-minor.musicxml", "5-8"), ("waltz-in-f.musicxml", "9-16"),
    ("etude-e-minor.musicxml", "9-12"), ("waltz-in-f.musicxml", "17-24"),
    ("etude-e-minor.musicxml", "13-16"), ("waltz-in-f.musicxml", "21-25"),
    ("etude-e-minor.musicxml", "3-6"), ("waltz-in-f.musicxml", "5-12"),
    ("etude-e-minor.musicxml", "7-10"), ("waltz-in-f.musicxml", "13-20"),
)  # fmt: skip
WEEKS_OF_ITEM = 2
#: So many takes at each of so many tempos, from and to these shares of what is guessed.
TRUTH_TAKES, TRUTH_TEMPOS, TRUTH_FROM, TRUTH_TO = 24, 11, 0.45, 2.4
BREATHER_S = 8.0
PORT = "a student of the term"


@dataclass(frozen=True, slots=True)
class Student:
    """`share` says how much of the gain is there after so many takes, days of practice and days in all. `gain` and
    `form` are natural logarithms of tempo; `steep` is how fast slips grow with tempo (their power)."""

    name: str
    share: Callable[[float, int, int], float]
    gain: float
    form: float
    steep: float
    chance_of_day: float
    takes: tuple[int, int]


STUDENTS = (
    Student("quick, then level", lambda takes, days, all_days: 1 - np.exp(-takes / 40), 0.45, 0.03, 6.0, 0.85, (8, 16)),
    Student("slow and long", lambda takes, days, all_days: 1 - np.exp(-takes / 200), 0.60, 0.02, 4.0, 0.85, (10, 18)),
    Student(
        "by the power law", lambda takes, days, all_days: 1 - (1 + takes / 8) ** -0.4, 0.60, 0.03, 5.0, 0.7, (6, 14)
    ),
    Student(
        "stands still, then on",
        lambda takes, days, all_days: (min(days, 3) + max(days - 7, 0)) / 9,
        0.45,
        0.03,
        6.0,
        0.9,
        (6, 10),
    ),
    Student(
        "three days a week, forgets",
        lambda takes, days, all_days: days / 8 - 0.035 * (all_days - days),
        0.50,
        0.04,
        3.0,
        0.5,
        (8, 16),
    ),
)


#: How a student plays at a tempo, quarters a minute.
AtTempo = Callable[[float], Level]
#: At most so many times the slips of a beginner.
MOST_SLIPS = 20.0


@dataclass(eq=False)
class Item:
    """What one student practises for two weeks, and how far the student is."""

    student: Student
    file: Path
    bars: str
    rehearsal: Rehearsal
    slips_at_first: float = 1.0
    takes: int = 0
    days: int = 0
    target_bpm: float = 0.0
    first_bpm: float = 0.0
    due: date = date.min

    def levels(self, all_days: int, form: float) -> AtTempo:
        """How the student plays on a day, at any tempo. Slips come as a power of tempo, so ability is in proportion to
        their number to the power of one over that."""
        gain = self.student.gain * self.student.share(self.takes, self.days, all_days) + form
        slips_at_first, first_bpm, steep = self.slips_at_first, self.first_bpm, self.student.steep

        def at(bpm: float) -> Level:
            rate = min(slips_at_first * float((bpm / first_bpm) ** steep * np.exp(-steep * gain)), MOST_SLIPS)
            rates = {kind: chance * rate for kind, chance in LEVELS["beginner"].rates.items()} | {kinds.TRILL: 1.0}
            return replace(LEVELS["student"], strain_growth=0.0, rates=rates)

        return at


def true_ability(item: Item, levels: AtTempo, guess_bpm: float, name: str) -> float | None:
    """The tempo at which every second take is clean, by playing at many tempos and leaving no trace; None where there
    is none within reach: where slips come as often at any tempo, ability is no tempo."""
    section, rehearsal = item.rehearsal.section, item.rehearsal
    plan = rehearsal.plan.part(section.first_note, len(section.passage.notes))
    logs = np.log(guess_bpm) + np.linspace(np.log(TRUTH_FROM), np.log(TRUTH_TO), TRUTH_TEMPOS)
    share = np.empty(TRUTH_TEMPOS)
    for k, bpm in enumerate(np.exp(logs).tolist()):
        clean = 0
        for i in range(TRUTH_TAKES):
            take = play_take(
                section.passage, bpm, levels(bpm), f"{name}-{k}-{i}", 1, plan=plan, chart=rehearsal.chart, breath_hz=0
            )
            clean += judge(section.passage, take.played, bpm, plan=plan, chart=rehearsal.chart).clean
        share[k] = clean / TRUTH_TAKES
    share = _falling(share)
    if not share[0] > 0.5 > share[-1]:
        return None
    k = int(np.flatnonzero(share <= 0.5)[0])
    between = (share[k - 1] - 0.5) / (share[k - 1] - share[k])
    return float(np.exp(logs[k - 1] + between * (logs[k] - logs[k - 1])))


def _falling(share: np.ndarray) -> np.ndarray:
    """The nearest row that never rises (pool adjacent violators)."""
    blocks: list[list[float]] = []
    for value in share.tolist():
        blocks.append([value, 1.0])
        while len(blocks) > 1 and blocks[-2][0] < blocks[-1][0]:
            last, before = blocks.pop(), blocks.pop()
            size = last[1] + before[1]
            blocks.append([(last[0] * last[1] + before[0] * before[1]) / size, size])
    return np.concatenate([np.full(int(size), value) for value, size in blocks])


def play_day(item: Item, sitting: Sitting, begin_ns: int, takes: int, levels: AtTempo, name: str, chart: Chart) -> int:
    """A day's takes of an item into the record; returns when it ended."""
    rehearsal = item.rehearsal
    for number in range(takes):
        section = rehearsal.section
        plan = rehearsal.plan.part(section.first_note, len(section.passage.notes))
        take = play_take(
            section.passage,
            rehearsal.tempo_bpm,
            levels(rehearsal.tempo_bpm),
            f"{name}-{number}",
            1,
            plan=plan,
            chart=chart,
            breath_hz=0,
        )
        rehearsal.begin(begin_ns, begin_ns - 1)
        for message in take.messages:
            now_ns = begin_ns + ns_from_s(message.time_s)
            rehearsal.hear([RawEvent(now_ns, message.message)], now_ns)
        finished = rehearsal.finish(begin_ns + ns_from_s(take.messages[-1].time_s + 1))
        assert finished is not None
        sitting.append(finished_take_record(finished, rehearsal.plan, chart, run_ns=0, port=PORT))
        begin_ns = finished.end_ns + ns_from_s(BREATHER_S)
        rehearsal.takes.clear()
    return begin_ns


@dataclass(frozen=True, slots=True)
class Case:
    """A forecast of a Sunday and what was true on it."""

    student: str
    asked: str
    low: float
    middle: float
    high: float
    true_bpm: float
    chance: float
    target_bpm: float
    seconds: float

    @property
    def within(self) -> bool:
        """Whether the band held the truth."""
        return self.low <= self.true_bpm <= self.high


@dataclass(eq=False)
class Term:
    """One student's term in a folder of its own."""

    student: Student
    folder: Path
    monday: date
    rng: np.random.Generator
    chart: Chart = field(default_factory=lambda: charts.load("alto"))
    cases: list[Case] = field(default_factory=list)
    too_early: int = 0
    no_tempo: int = 0
    takes: int = 0

    def play(self, weeks: int) -> None:
        """All weeks, day by day."""
        for period in range(0, weeks, WEEKS_OF_ITEM):
            first_day = self.monday + timedelta(days=7 * period)
            items = [self.new_item(*ITEMS[(period + i) % len(ITEMS)], first_day) for i in range(2)]
            # The teacher begins a new sheet with new items.
            (self.folder / "shared" / "week.toml").unlink(missing_ok=True)
            for day in range(7 * min(WEEKS_OF_ITEM, weeks - period)):
                self.day(items, first_day, day)

    def new_item(self, file: str, bars: str, first_day: date) -> Item:
        """An item at a tempo that suits the student, with a target by the Sunday after next."""
        path = self.folder / "shared" / "passages" / file
        passage = scores.read(path)
        rehearsal = Rehearsal(passage, planning.plan(passage, self.chart), Ladder(40, 4, 60), chart=self.chart)
        rehearsal.choose_bars(*passage.bar_range(bars))
        item = Item(self.student, path, bars, rehearsal)
        marked_bpm = passage.marked_tempo_bpm()
        item.first_bpm = marked_bpm * self.rng.uniform(0.5, 0.7)
        # Slips as they are at a tenth of the usual rate tell how many there are at the tempo wanted.
        item.slips_at_first = 0.1
        reference_bpm = true_ability(item, item.levels(0, 0.0), item.first_bpm, f"{bars}-reference") or item.first_bpm
        item.slips_at_first *= (reference_bpm / item.first_bpm) ** self.student.steep
        item.target_bpm = float(round(item.first_bpm * self.rng.uniform(1.05, 1.5)))
        item.due = first_day + timedelta(days=13)
        rehearsal.ladder = default_ladder(rehearsal.section.passage, item.target_bpm)
        rehearsal.ladder = rehearsal.ladder.at(max(rehearsal.ladder.start_bpm, 0.85 * item.first_bpm))
        return item

    def day(self, items: list[Item], first_day: date, day: int) -> None:
        """One day: the teacher's target on Mondays, practice on most days, the forecasts in the evening."""
        today, form = first_day + timedelta(days=day), self.student.form * float(self.rng.standard_normal())
        if today.weekday() == 0:
            for item in items:
                command("week", "set", str(item.file), "--bars", item.bars, "--tempo", f"{item.target_bpm:g}",
                        "--by", str(item.due), "--week", str(today))  # fmt: skip
        levels = {id(item): item.levels(day, form) for item in items}
        if self.rng.random() < self.student.chance_of_day or day == 0:
            started = datetime(today.year, today.month, today.day, 17, tzinfo=UTC)
            sitting, at_ns = Sitting.begin(self.folder / "sessions", started), ns_from_s(20)
            for item in items:
                takes = int(self.rng.integers(*self.student.takes))
                name = f"{self.student.name}-{today}-{item.bars}"
                at_ns = play_day(item, sitting, at_ns, takes, levels[id(item)], name, self.chart)
                item.takes, item.days, self.takes = item.takes + takes, item.days + 1, self.takes + takes
                # The next day begins a rung lower.
                ladder = item.rehearsal.ladder
                item.rehearsal.ladder = ladder.at(ladder.rungs[max(ladder.rung - 1, 0)])
        asked = {3: ("first Thursday", 3), 7: ("second Monday", 6), 10: ("second Thursday", 3)}.get(day)
        if asked:
            for item in items:
                self.ask(item, today, *asked)
        if today.weekday() == 6:
            self.answer(items, levels, today)

    def ask(self, item: Item, today: date, asked: str, ahead: int) -> None:
        """A forecast as `companion progress` makes it, kept until the truth is known."""
        takes = [
            t for t in survey(self.folder / "sessions").takes if t.bars == item.bars and t.file_name == item.file.name
        ]
        takes = [t for t in takes if t.day >= str(today - timedelta(days=13))]
        began_s = time.perf_counter()
        said = outlook(takes, item.target_bpm, today + timedelta(days=ahead), today)
        seconds = time.perf_counter() - began_s
        if said.band is None or said.chance is None:
            self.too_early += 1
            return
        due = str(today + timedelta(days=ahead))
        self._waiting.append(
            (item, due, Case(self.student.name, asked, *said.band, 0.0, said.chance, item.target_bpm, seconds))
        )

    _waiting: list[tuple[Item, str, Case]] = field(default_factory=list)

    def answer(self, items: list[Item], levels: dict[int, AtTempo], today: date) -> None:
        """What is true on this Sunday."""
        for item in items:
            waiting = [case for it, due, case in self._waiting if it is item and due == str(today)]
            if waiting:
                true_bpm = true_ability(item, levels[id(item)], waiting[0].middle, f"{today}-truth")
                if true_bpm is None:
                    self.no_tempo += len(waiting)
                    continue
                self.cases += [replace(case, true_bpm=true_bpm) for case in waiting]


def command(*words: str) -> str:
    """A command of the program as the player calls it; returns what it says."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exit_code = companion(list(words))
    assert exit_code == 0, (words, out.getvalue())
    return out.getvalue()


@contextlib.contextmanager
def home(folder: Path) -> Iterator[None]:
    """The program's folders within `folder`, with the passages that come along."""
    (folder / "shared" / "passages").mkdir(parents=True)
    for path in PASSAGES.iterdir():
        (folder / "shared" / "passages" / path.name).write_bytes(path.read_bytes())
    kept = {
        name: os.environ.get(name)
        for name in ("COMPANION_SHARED", "COMPANION_SESSIONS", "COMPANION_CACHE", "COMPANION_SETTINGS")
    }
    for name in kept:
        os.environ[name] = str(folder / name.removeprefix("COMPANION_").lower())
    try:
        yield
    finally:
        for name, value in kept.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def line_of(name: str, cases: list[Case]) -> str:
    """A row of the table."""
    within = 100 * np.mean([case.within for case in cases])
    above = 100 * np.mean([case.true_bpm > case.high for case in cases])
    off = 100 * np.median([abs(case.true_bpm / case.middle - 1) for case in cases])
    width = 100 * (np.median([case.high / case.low for case in cases]) - 1)
    reached = np.mean([case.true_bpm >= case.target_bpm for case in cases])
    said = np.mean([case.chance for case in cases])
    shares = f"{within:9.1f} {above:9.1f} {100 - within - above:9.1f} {off:8.1f} {width:7.0f}"
    return f"{name:28} {len(cases):5} {shares} {100 * said:9.0f} {100 * reached:6.0f}"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--weeks", type=int, default=12)
    parser.add_argument("--keep", type=Path, help="keep the students' folders there")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    root = args.keep or Path(tempfile.mkdtemp(prefix="term-"))
    last_sunday = date.today() - timedelta(days=date.today().isoweekday())
    monday = last_sunday - timedelta(days=7 * args.weeks - 1)
    cases: list[Case] = []
    began_s = time.perf_counter()
    for number, student in enumerate(STUDENTS):
        folder = root / student.name.replace(" ", "-").replace(",", "")
        with home(folder):
            term = Term(student, folder, monday, np.random.default_rng([args.seed, number]))
            term.play(args.weeks)
            cases += term.cases
            early = f"{term.too_early} times too early to say, {term.no_tempo} without a tempo that tells"
            print(f"{student.name}: {term.takes} takes, {len(term.cases)} forecasts, {early}", flush=True)
            file, bars = term._waiting[-1][0].file, term._waiting[-1][0].bars
            said = [
                command("progress", str(file), "--bars", bars, "--plot", str(folder / "progress.png")),
                command("week"),
                command("trouble", str(file)),
            ]
            (folder / "said.txt").write_text("\n\n".join(said), encoding="utf-8")
            rows = [",".join(map(str, astuple(case))) for case in term.cases]
            (folder / "forecasts.csv").write_text("\n".join(rows), encoding="utf-8")
    minutes = (time.perf_counter() - began_s) / 60
    print(f"\n{args.weeks} weeks of {len(STUDENTS)} students in {minutes:.0f} min; their folders: {root}\n")
    print(f"{'':28} cases  within %   above %   below %  off by %  wide %  chance %  came %")
    for what in ("student", "asked"):
        groups: dict[str, list[Case]] = defaultdict(list)
        for case in cases:
            groups[getattr(case, what)].append(case)
        for name, group in groups.items():
            print(line_of(name, group))
        print()
    print(line_of("all", cases))
    brier = np.mean([(case.chance - (case.true_bpm >= case.target_bpm)) ** 2 for case in cases])
    slowest = max(case.seconds for case in cases)
    print(f"Brier score of the chances {brier:.3f}; slowest forecast {1000 * slowest:.0f} ms")


if __name__ == "__main__":
    main()
