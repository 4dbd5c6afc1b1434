"""Every single line of music21's corpus that fits an instrument, planned. Run by hand (some five minutes):

    python benchmarks/plan_corpus.py [--instrument alto] [--every 1]

ABC tunes come from music21's tokens, pitches and lengths as its own parser works them out, without the streams it makes
of them, which take 20 times as long. Of MusicXML files every part is read by our own reader. Tunes with chords or
several voices are no single lines and are left out, as are those outside the range. `--every 10` takes every tenth
file.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path
from typing import Any

from companion import charts
from companion.charts.model import Chart
from companion.errors import CompanionError
from companion.passage import Bar, Note, Passage, Pitch
from companion.planning import plan
from companion.planning.hands import awkward
from companion.planning.model import Plan
from companion.planning.steps import REST_S
from companion.scores import read
from companion.scores.musicxml import document, score_parts
from companion.units import s_per_beat

__all__ = ["Tune", "abc_files", "abc_tunes", "faults_of", "fits", "handlers_of", "musicxml_files", "musicxml_parts"]

#: Josquin's are motets in several voices.
_NO_TUNES = ("josquin",)
#: Lengths come as floats.
_FINEST = 1000


@dataclass(frozen=True)
class Tune:
    """A line and where it stands."""

    place: str
    passage: Passage


def corpus() -> Path:
    """Where music21 keeps its corpus, found without loading music21."""
    found = find_spec("music21")
    assert found is not None and found.origin is not None
    return Path(found.origin).parent / "corpus"


def abc_files() -> list[Path]:
    """The ABC files with tunes, in order."""
    return sorted(p for p in corpus().rglob("*.abc") if p.parent.name not in _NO_TUNES)


def musicxml_files() -> list[Path]:
    """The MusicXML files, in order."""
    return sorted(p for suffix in ("xml", "mxl", "musicxml") for p in corpus().rglob(f"*.{suffix}"))


def handlers_of(path: Path) -> Iterator[tuple[str, Any]]:
    """music21's handler of each single-line tune of an ABC file."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from music21 import abcFormat

        file = abcFormat.ABCFile()
        file.open(path)
        whole = file.read()
        file.close()
        tunes = whole.splitByReferenceNumber() if whole.definesReferenceNumbers() else {"": whole}
    for number, handler in tunes.items():
        several = any(
            isinstance(t, abcFormat.ABCChord) or (isinstance(t, abcFormat.ABCMetadata) and t.tag == "V")
            for t in handler.tokens
        )
        if not several and any(isinstance(t, abcFormat.ABCNote) and not t.isRest for t in handler.tokens):
            yield f"{path.name} {number}".strip(), handler


def abc_tunes(path: Path) -> Iterator[Tune]:
    """The single-line tunes of an ABC file, as written, repeats not unfolded."""
    for place, handler in handlers_of(path):
        yield Tune(place, _passage(place, handler.tokens))


def _pitch(name: str) -> Pitch:
    """music21's `C#5`, `B-4`, `Cn5`."""
    return Pitch(name[0], name.count("#") - name[1:].count("-"), int(name.lstrip("ABCDEFG#-n")))


@dataclass
class _Line:
    """Notes and bars as they come."""

    notes: list[Note]
    bar_starts: list[Fraction]
    at: Fraction
    spanners: list[Any]

    def add(self, token: Any) -> None:
        lasts = _beats(token)
        if token.isRest:
            self.at, self.spanners = self.at + lasts, []
            return
        written, index = _pitch(token.pitchName), len(self.notes)
        last = self.notes[-1] if self.notes else None
        if token.tie in ("stop", "continue") and last and last.written_midi == written.midi and last.end == self.at:
            self.notes[-1] = replace(last, length=last.length + lasts)
        else:
            slurred = any(a is b for a in token.applicableSpanners for b in self.spanners)
            grace = "acciaccatura" if token.inGrace else ""
            bar = len(self.bar_starts) - 1
            note = Note(
                index, written, self.at, lasts, bar, Fraction(1), index, grace=grace, tongued=not (last and slurred)
            )
            self.notes.append(note)
        self.at, self.spanners = self.at + lasts, token.applicableSpanners


def _beats(token: Any) -> Fraction:
    """A token's own length is the printed one, which its tuplet shortens."""
    if token.inGrace:
        return Fraction(0)
    printed, tuplet = Fraction(token.quarterLength).limit_denominator(_FINEST), token.activeTuplet
    return printed * Fraction(tuplet.numberNotesNormal, tuplet.numberNotesActual) if tuplet else printed


def _passage(title: str, tokens: list[Any]) -> Passage:
    line = _Line([], [Fraction(0)], Fraction(0), [])
    for token in tokens:
        kind = type(token).__name__
        if kind in ("ABCNote", "ABCRest", "ABCGeneralNote"):
            line.add(token)
        elif kind == "ABCBar" and line.at > line.bar_starts[-1]:
            line.bar_starts.append(line.at)
    ends = [*line.bar_starts[1:], line.at]
    bars = tuple(
        Bar(i, str(i + 1), i, a, b - a, 4, 4) for i, (a, b) in enumerate(zip(line.bar_starts, ends, strict=True))
    )
    return Passage(title, tuple(line.notes), bars)


def musicxml_parts(path: Path) -> Iterator[Tune]:
    """Each part of a MusicXML file that our reader finds notes in, as it reads it."""
    for number, _ in enumerate(score_parts(document(path.read_bytes(), path.name)), 1):
        try:
            yield Tune(f"{path.name} part {number}", read(path, str(number)))
        except CompanionError:
            # No notes, or none with a pitch: that is the reader's business and tested there.
            continue


def fits(passage: Passage, chart: Chart) -> bool:
    """Has the instrument all of these notes, those of trills too?"""
    midis = [note.written_midi for note in passage.notes] + [n.trill.other.midi for n in passage.notes if n.trill]
    return bool(midis) and chart.lowest_midi <= min(midis) and max(midis) <= chart.highest_midi


def faults_of(passage: Passage, planned: Plan, tempo_bpm: float) -> list[str]:
    """What is wrong with a plan, if anything: a note without its fingering, a change that no hand can make."""
    notes = passage.notes
    if [c.note_index for c in planned.choices] != list(range(len(notes))):
        return ["not one choice a note"]
    found = []
    for note, choice in zip(notes, planned.choices, strict=True):
        if choice.fingering.written_midi != note.written_midi or not choice.reason:
            found.append(f"note {note.index}: {choice.name} for {note.written}, {choice.reason!r}")
    for (a, one), (b, other) in pairwise(zip(notes, planned.choices, strict=True)):
        parted = float(b.start - a.end) * s_per_beat(tempo_bpm) >= REST_S
        problem = awkward(one.keys, other.keys)
        if problem and not parted:
            found.append(f"notes {a.index} and {b.index}: {a.written} {one.name}, {b.written} {other.name}: {problem}")
    return found


def main() -> int:
    """Plan them all and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--instrument", default="alto")
    parser.add_argument("--every", type=int, default=1)
    args = parser.parse_args()
    chart = charts.load(args.instrument)
    counts: Counter[str] = Counter()
    names: Counter[str] = Counter()
    plan_s, wrong = 0.0, 0
    began_s = time.perf_counter()
    for path in [*abc_files()[:: args.every], *musicxml_files()[:: args.every]]:
        kind = "ABC tunes" if path.suffix == ".abc" else "MusicXML parts"
        for tune in abc_tunes(path) if path.suffix == ".abc" else musicxml_parts(path):
            counts[kind] += 1
            if not fits(tune.passage, chart):
                counts[f"{kind} outside the range"] += 1
                continue
            at_s = time.perf_counter()
            planned = plan(tune.passage, chart)
            plan_s += time.perf_counter() - at_s
            counts["notes planned"] += len(tune.passage.notes)
            names.update(f"{c.fingering.written_midi} {c.name}" for c in planned.choices if not c.fingering.standard)
            for fault in faults_of(tune.passage, planned, tune.passage.marked_tempo_bpm()):
                wrong += 1
                print(f"{tune.place}: {fault}")
    for what, count in counts.items():
        print(f"{what:<36} {count:>9,}")
    print(f"{'faults':<36} {wrong:>9,}")
    print(f"{'seconds in all':<36} {time.perf_counter() - began_s:>9.1f}")
    print(f"{'of which planning':<36} {plan_s:>9.1f}")
    print("other fingerings than the usual: " + ", ".join(f"{n} {c:,}" for n, c in names.most_common(12)))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
