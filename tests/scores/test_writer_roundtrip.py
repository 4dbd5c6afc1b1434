"""What is written is read back the same: by our own reader, by music21, and by partitura."""

from __future__ import annotations

import tempfile
import warnings
from dataclasses import replace
from fractions import Fraction as F
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lxml import etree
from make_passage import made_passage
from scores.writer_making import line, passages

from companion.passage import Note, Passage, Pitch
from companion.scores import read
from companion.scores.write import to_musicxml

GENTLY = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
RARELY = settings(GENTLY, max_examples=20)


def read_back(passage: Passage) -> Passage:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "written.musicxml"
        file.write_bytes(to_musicxml(passage))
        return read(file)


def told(passage: Passage) -> list[tuple[object, ...]]:
    return [
        (n.start, n.length, str(n.written), n.articulations, n.fermata, n.tongued, n.bar, n.count, n.grace)
        for n in passage.notes
    ]


@GENTLY
@given(passages())
def test_own_reader(passage: Passage) -> None:
    back = read_back(passage)
    assert told(back) == told(passage)
    assert back.slurs == passage.slurs
    assert [(b.start, b.length, b.beats, b.beat_type, b.fifths, b.mode, b.upbeat) for b in back.bars] == [
        (b.start, b.length, b.beats, b.beat_type, b.fifths, b.mode, b.upbeat) for b in passage.bars
    ]
    assert [(t.start, t.quarter_bpm) for t in back.tempos] == [(t.start, t.quarter_bpm) for t in passage.tempos]


@GENTLY
@given(passages())
def test_measures_add_up_and_ids_are_unique(passage: Passage) -> None:
    root = etree.fromstring(to_musicxml(passage))
    divisions = int(root.findtext(".//divisions"))
    for measure, bar in zip(root.iter("measure"), passage.bars, strict=True):
        assert F(sum(int(d.text) for d in measure.iter("duration")), divisions) == bar.length
        assert measure.get("id") == f"m{bar.written_index}"
    ids = [note.get("id") for note in root.iter("note") if note.get("id")]
    assert len(set(ids)) == len(ids)
    assert {f"n{note.source}" for note in passage.notes} <= set(ids)


@GENTLY
@given(passages())
def test_value_dots_and_tuplet_make_the_duration(passage: Passage) -> None:
    quarters = {"breve": F(8), "whole": F(4), "half": F(2), "quarter": F(1), "eighth": F(1, 2), "16th": F(1, 4)}
    quarters |= {"32nd": F(1, 8), "64th": F(1, 16), "128th": F(1, 32)}
    root = etree.fromstring(to_musicxml(passage))
    divisions = int(root.findtext(".//divisions"))
    for note in root.iter("note"):
        if (kind := note.findtext("type")) is None:
            continue
        dots = len(note.findall("dot"))
        value = quarters[kind] * F(2 ** (dots + 1) - 1, 2**dots)
        if (ratio := note.find("time-modification")) is not None:
            value *= F(int(ratio.findtext("normal-notes")), int(ratio.findtext("actual-notes")))
        assert F(int(note.findtext("duration")), divisions) == value


@GENTLY
@given(passages())
def test_beams_open_and_close(passage: Passage) -> None:
    root = etree.fromstring(to_musicxml(passage))
    for measure in root.iter("measure"):
        open_levels: set[str] = set()
        for beam in measure.iter("beam"):
            level = beam.get("number")
            match beam.text:
                case "begin":
                    assert level not in open_levels
                    open_levels.add(level)
                case "continue":
                    assert level in open_levels
                case "end":
                    open_levels.remove(level)
                case hook:
                    assert hook in ("forward hook", "backward hook")
                    assert level not in open_levels
        assert not open_levels


@RARELY
@given(passages())
def test_music21(passage: Passage) -> None:
    from music21 import converter, spanner

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        part = converter.parseData(to_musicxml(passage), format="musicxml").parts[0]
    found: list[list[object]] = []
    first_of: dict[int, int] = {}
    for note in part.recurse().notes:
        onset, pitch = F(note.getOffsetInHierarchy(part)), note.pitch
        if note.tie is not None and note.tie.type in ("stop", "continue"):
            found[-1][1] += F(note.quarterLength)  # type: ignore[operator]
        else:
            found.append([onset, F(note.quarterLength), pitch.step, int(pitch.alter), pitch.octave])
        first_of[id(note)] = len(found) - 1
    assert found == [[n.start, n.length, n.written.step, n.written.alter, n.written.octave] for n in passage.notes]
    slurs = [s for s in part.recurse().getElementsByClass(spanner.Slur)]
    ends = {(first_of[id(s.getFirst())], first_of[id(s.getLast())]) for s in slurs}
    assert ends == {(s.first, s.last) for s in passage.slurs}


@RARELY
@given(passages())
def test_partitura(passage: Passage) -> None:
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import partitura

        file = Path(folder) / "written.musicxml"
        file.write_bytes(to_musicxml(passage))
        part = partitura.load_musicxml(file).parts[0]
    quarters = part.quarter_duration_map
    found = [
        (F(n.start.t, int(quarters(n.start.t))), F(n.duration_tied, int(quarters(n.start.t))), n.step, n.alter or 0)
        for n in part.notes_tied
    ]
    assert found == [(n.start, n.length, n.written.step, n.written.alter) for n in passage.notes]


@GENTLY
@given(st.integers(1, 12), st.integers(0, 10_000))
def test_made_passages(bars: int, seed: int) -> None:
    passage = made_passage(bars, seed)
    assert len(passage.notes) == 16 * bars
    assert all(58 <= note.written_midi <= 90 for note in passage.notes)
    assert passage == made_passage(bars, seed)
    assert told(read_back(passage)) == told(passage)


def test_same_bytes_each_time() -> None:
    passage = made_passage(8, 5)
    assert to_musicxml(passage) == to_musicxml(replace(passage))


def test_grace_notes() -> None:
    passage = line("1 1 2")
    main = passage.notes[1]
    graces = [
        Note(1, Pitch("A", 1, 5), main.start, F(0), 0, main.count, 7, grace="acciaccatura"),
        Note(2, Pitch("C", 0, 6), main.start, F(0), 0, main.count, 8, grace="acciaccatura"),
    ]
    later = [replace(note, index=note.index + 2) for note in passage.notes[1:]]
    with_graces = replace(passage, notes=(passage.notes[0], *graces, *later))
    assert told(read_back(with_graces)) == told(with_graces)
