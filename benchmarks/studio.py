"""A studio of many students: `python benchmarks/studio.py [--students 100 300 1000] [--sittings 120] [--breath 0]`.

Writes a folder of invented students, each with a year of sittings and a week sheet, and times `companion studio` on
it, in a process of its own: the first time, when every file is new; again, when nothing has changed; and after each
student played once more. The takes are the simulated player's, as the judge and the codec write them; some students
fail at one change on purpose, and must be found. `--breath` adds so many breath messages a second, as a wind controller
sends.

Aims: again and after a day's practice within seconds, under 700 MB of memory at a thousand students.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from companion import charts, planning, scores
from companion.ports.performer import perform
from companion.practice.ladder import Ladder
from companion.practice.model import WRONG_NOTE, RawEvent
from companion.practice.rehearsal import Rehearsal
from companion.record import finished_take_record
from companion.record.codec import encode_sitting, encode_take
from companion.record.model import TakeRecord
from companion.units import ns_from_s

PASSAGES = Path("shared/passages")
#: (file, bars, the tempos at which it is played)
ITEMS = (
    ("etude-e-minor.musicxml", "5-8", (56, 64, 72, 80, 88)),
    ("waltz-in-f.musicxml", "9-16", (80, 92, 104, 116, 128)),
    ("etude-e-minor.musicxml", "1-4", (56, 64, 72, 80, 88)),
)
LEVELS = ("student",)
SEEDS = 12
TAKES = 8
#: Every third student fails at this note of the first item in half of the takes.
PLANTED_NOTE, PLANTED_EVERY = 7, 3
LAST_DAY = datetime(2026, 11, 27, 17, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Template:
    """A take's line but for its name and time: `parts` stand before, between and after them."""

    parts: tuple[bytes, bytes, bytes]
    clean: bool

    def line(self, name: bytes, started: bytes) -> bytes:
        """The line of a take."""
        head, middle, tail = self.parts
        return b"".join((head, name, middle, started, tail))


Pool = dict[tuple[int, int, bool], list[Template]]


def played(item: int, tempo_bpm: float, level: str, seed: int, breath_hz: float) -> TakeRecord:
    """One take by the simulated player as the judge has it, under another port's name: the studio leaves his out."""
    chart = charts.load("alto")
    file, bars, _ = ITEMS[item]
    passage = scores.read(str(PASSAGES / file))
    plan = planning.plan(passage, chart)
    rehearsal = Rehearsal(passage, plan, Ladder(start_bpm=tempo_bpm, step_bpm=4, target_bpm=140), chart=chart)
    rehearsal.choose_bars(*passage.bar_range(bars))
    section = rehearsal.section
    part = plan.part(section.first_note, len(section.passage.notes))
    messages = perform(
        section.passage, tempo_bpm, level, seed, 0, plan=part, breath_hz=breath_hz, chart=chart
    )  # fmt: skip
    rehearsal.begin(0, -1)
    for message in messages:
        now_ns = ns_from_s(message.time_s)
        rehearsal.hear([RawEvent(now_ns, message.message)], now_ns)
    take = rehearsal.finish(ns_from_s(messages[-1].time_s + 1))
    assert take is not None
    record = finished_take_record(take, plan, chart, run_ns=0, port="an invented wind controller")
    return replace(record, id="@ID@", started="@STARTED@", origin=f"passages/{file}")


def with_trouble(take: TakeRecord) -> TakeRecord:
    """The same take, failed at the planted note."""
    notes = list(take.notes)
    notes[PLANTED_NOTE - 1] = replace(notes[PLANTED_NOTE - 1], verdict="on time", deviation_ms=0.0)
    notes[PLANTED_NOTE] = replace(notes[PLANTED_NOTE], verdict=WRONG_NOTE, deviation_ms=0.0)
    return replace(take, notes=tuple(notes), clean=False)


def template(take: TakeRecord) -> Template:
    """The take's line, cut at its name and time."""
    head, rest = encode_take(take).split(b"@ID@", 1)
    middle, tail = rest.split(b"@STARTED@", 1)
    return Template((head, middle, tail), take.clean)


def make_pool(breath_hz: float) -> Pool:
    """Takes by (item, rung, planted)."""
    pool: Pool = {}
    for item, (_, _, tempos) in enumerate(ITEMS):
        for rung, tempo_bpm in enumerate(tempos):
            takes = [
                played(item, tempo_bpm, level, seed, breath_hz)
                for level in LEVELS
                for seed in range(SEEDS)
            ]  # fmt: skip
            pool[item, rung, False] = [template(take) for take in takes]
            if item == 0:
                pool[item, rung, True] = [template(with_trouble(take)) for take in takes]
    return pool


def write_sitting(folder: Path, pool: Pool, student: int, started: datetime, share: float, rng: random.Random) -> int:
    """One sitting of a student who has come so far (0 to 1); returns its size in bytes."""
    name = f"{started:%Y-%m-%dT%H-%M-%S}-{rng.getrandbits(24):06x}"
    lines = [encode_sitting(name, started, "benchmark")]
    for number in range(TAKES):
        item = (number * len(ITEMS)) // TAKES
        rungs = len(ITEMS[item][2])
        rung = min(int(rungs * min(share + rng.uniform(-0.2, 0.2), 0.99)), rungs - 1)
        planted = item == 0 and student % PLANTED_EVERY == 0 and rng.random() < 0.5
        take = rng.choice(pool[item, max(rung, 0), planted])
        at = (started + timedelta(minutes=2 * number)).isoformat()
        lines.append(take.line(f"{name}-{number:03d}".encode(), at.encode()))
    return (folder / f"{name}.jsonl").write_bytes(b"".join(lines))


def week_sheet(student: int) -> str:
    """A sheet of three items."""
    items = "".join(
        f'\n[[item]]\npassage = "passages/{file}"\nbars = "{bars}"\ntarget_bpm = {tempos[-2]}\nby = "Fri"\n'
        for file, bars, tempos in ITEMS
    )
    return f'format = 1\nstudent = "Invented {student:04d}"\nweek = 2026-11-23\n{items}'


def write_student(root: Path, pool: Pool, student: int, sittings: int) -> int:
    """A student's folder; returns the size of the log in bytes."""
    rng = random.Random(student)
    folder = root / f"student {student:04d}"
    (folder / "sessions").mkdir(parents=True)
    (folder / "passages").mkdir()
    for name in {file for file, _, _ in ITEMS}:
        shutil.copy(PASSAGES / name, folder / "passages" / name)
    (folder / "week.toml").write_text(week_sheet(student), encoding="utf-8")
    total = 0
    for number in range(sittings):
        days_ago = (sittings - 1 - number) * 360 / sittings
        started = LAST_DAY - timedelta(days=int(days_ago), seconds=student % 3600)
        total += write_sitting(folder / "sessions", pool, student, started, number / sittings, rng)
    return total


def one_more_day(root: Path, pool: Pool) -> None:
    """Every student plays once more."""
    for folder in sorted(root.iterdir()):
        student = int(folder.name.rpartition(" ")[2])
        write_sitting(folder / "sessions", pool, student, LAST_DAY + timedelta(hours=2), 0.99, random.Random(-student))


_MEASURED = """
import sys, time, re
from companion.cli import main
began = time.perf_counter()
code = main(sys.argv[1:])
print("seconds", time.perf_counter() - began, file=sys.stderr)
print("peak", re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1], file=sys.stderr)
sys.exit(code)
"""


def run(root: Path, home: Path, *more: str) -> dict[str, float]:
    """`companion studio` in a process of its own: seconds and peak memory in MB."""
    env = os.environ | {name: str(home / name) for name in ("COMPANION_CACHE", "COMPANION_SETTINGS")}
    words = ["studio", str(root), "--today", "2026-11-28", *more]
    done = subprocess.run([sys.executable, "-c", _MEASURED, *words], env=env, capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(done.stderr)
    told = dict(line.split() for line in done.stderr.splitlines() if line.startswith(("seconds ", "peak ")))
    return {"seconds": float(told["seconds"]), "peak_mb": int(told["peak"]) / 1024}


def measure(students: int, sittings: int, pool: Pool, within: Path | None, pages: bool) -> dict[str, object]:
    """Make a folder of so many students and time the command on it."""
    with tempfile.TemporaryDirectory(dir=within) as name:
        root, home = Path(name) / "studio", Path(name) / "home"
        began = time.perf_counter()
        size = sum(write_student(root, pool, student, sittings) for student in range(students))
        print(
            f"\n{students} students x {sittings} sittings x {TAKES} takes: {size / 1e9:.2f} GB, written in"
            f" {time.perf_counter() - began:.0f} s"
        )
        found: dict[str, object] = {"students": students, "sittings": sittings, "gigabytes": size / 1e9}
        found["first"] = said("first time, every file is new", run(root, home))
        found["again"] = said("again, nothing changed", run(root, home))
        one_more_day(root, pool)
        result = Path(name) / "studio.json"
        found["next_day"] = said("after a day's practice", run(root, home, "--json", str(result)))
        if pages:
            found["pages"] = said("with a page a student", run(root, home, "--pages", str(Path(name) / "pages")))
        index = sum(file.stat().st_size for file in (home / "COMPANION_CACHE").rglob("*") if file.is_file())
        found["index_mb"] = index / 1e6
        common = json.loads(result.read_text(encoding="utf-8"))["common_trouble"]
        found["common"] = common[:3]
        planted = len(range(0, students, PLANTED_EVERY))
        worst = common[0] if common else {"change": "nothing", "students": 0}
        most = f"{worst['change']}, {worst['students']} students ({planted} planted)"
        print(f"index {index / 1e6:.0f} MB; most common: {most}")
    return found


def said(what: str, figures: dict[str, float]) -> dict[str, float]:
    """Print a row."""
    print(f"{what:<32}{figures['seconds']:8.2f} s {figures['peak_mb']:8.0f} MB", flush=True)
    return figures


def main() -> None:
    """Measure each size."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--students", type=int, nargs="+", default=[100, 300, 1000])
    parser.add_argument("--sittings", type=int, default=120)
    parser.add_argument("--breath", type=float, default=0.0, metavar="HZ", help="breath messages a second")
    parser.add_argument("--pages", action="store_true", help="write the students' pages, too")
    parser.add_argument("--within", type=Path, help="where the folder is made (default: the temporary folder)")
    parser.add_argument("--make", type=Path, help="only write the folder there, of the first size")
    parser.add_argument("--json", type=Path, help="write the figures there")
    args = parser.parse_args()
    pool = make_pool(args.breath)
    if args.make:
        for student in range(args.students[0]):
            write_student(args.make, pool, student, args.sittings)
        return
    figures = [measure(students, args.sittings, pool, args.within, args.pages) for students in args.students]
    if args.json:
        args.json.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
