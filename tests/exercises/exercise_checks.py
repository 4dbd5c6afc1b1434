"""What every exercise must hold: full bars, the horn's range, a plan, and the same music when it is read back."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import music21

from companion.charts.model import Chart
from companion.passage import Note, Passage
from companion.planning import Plan, all_marks, plan
from companion.scores import read
from companion.scores.rhythm import full_bar_beats
from companion.scores.write import to_musicxml

__all__ = ["assert_sound", "planned"]


def planned(made: Passage, chart: Chart) -> Plan:
    """Its plan, with the marks that it carries."""
    return plan(made, chart, all_marks(made, chart, {}))


def assert_sound(made: Passage, chart: Chart) -> None:
    """Durations, range, plan; written, read by our reader and by music21."""
    assert made.title and made.purpose and "\n" not in made.purpose and made.sha256 and not made.origin
    assert all(bar.length == full_bar_beats(bar.beats, bar.beat_type) for bar in made.bars)
    assert [bar.start for bar in made.bars[1:]] == [bar.end for bar in made.bars[:-1]]
    main = [note for note in made.notes if not note.grace]
    assert all(a.end <= b.start for a, b in pairwise(main)) and main[-1].end <= made.end
    assert all(made.bars[note.bar].start <= note.start < made.bars[note.bar].end for note in main)
    assert all(chart.lowest_midi <= note.written_midi <= chart.highest_midi for note in made.notes)
    assert len(planned(made, chart).choices) == len(made.notes)
    with TemporaryDirectory() as folder:
        file = Path(folder) / "made.musicxml"
        file.write_bytes(to_musicxml(made))
        again = read(file)
        part = music21.converter.parse(file).parts[0]
    assert not again.remarks
    assert list(map(_seen, again.notes)) == list(map(_seen, made.notes))
    assert again.slurs == made.slurs
    assert [(b.number, b.written_index, b.length, b.fifths, b.mode, b.time_pass) for b in again.bars] == [
        (b.number, b.written_index, b.length, b.fifths, b.mode, b.time_pass) for b in made.bars
    ]
    measures = part.getElementsByClass("Measure")
    assert len(measures) == len({bar.written_index for bar in made.bars})
    assert all(measure.duration.quarterLength == measure.barDuration.quarterLength for measure in measures)


def _seen(note: Note) -> tuple[object, ...]:
    return (
        note.written, note.start, note.length, note.bar, note.count, note.grace, note.articulations, note.ornaments,
        note.trill, note.tuplet, note.fermata, note.tongued, note.fingering_mark,
    )  # fmt: skip
