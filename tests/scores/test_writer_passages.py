"""The passages that come along: readable by everyone, within the horn's range, and holding what they are there for."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest

from companion.passage import Passage, Tuplet
from companion.paths import _data_dir
from companion.scores import read
from companion.scores.write import to_musicxml

FOLDER = _data_dir("shared") / "passages"
NAMES = ("etude-e-minor.musicxml", "waltz-in-f.musicxml", "first-steps.musicxml", "march-in-g.mid")
#: Written B♭3 to F♯6.
RANGE_MIDI = (58, 90)


def passage_of(name: str) -> Passage:
    return read(FOLDER / name)


@pytest.mark.parametrize("name", NAMES)
def test_in_range_with_tempo_and_title(name: str) -> None:
    passage = passage_of(name)
    assert passage.title
    assert passage.tempos
    assert passage.tempos[0].text
    assert all(RANGE_MIDI[0] <= note.written_midi <= RANGE_MIDI[1] for note in passage.notes)
    assert sum(bar.length for bar in passage.bars) == passage.end


@pytest.mark.parametrize("name", NAMES)
def test_verovio_draws_every_note(name: str, capfd: pytest.CaptureFixture[str]) -> None:
    import verovio

    passage = passage_of(name)
    data = to_musicxml(passage) if name.endswith(".mid") else (FOLDER / name).read_bytes()
    toolkit = verovio.toolkit()
    assert toolkit.loadData(data.decode())
    svg = "".join(toolkit.renderToSVG(page + 1) for page in range(toolkit.getPageCount()))
    assert all(f'id="n{note.source}"' in svg for note in passage.notes)
    assert capfd.readouterr().err == ""


def neighbours(passage: Passage, name: str) -> Counter[bool]:
    """For each note of this name: does B natural stand beside it?"""
    names = ["", *(note.written.name for note in passage.notes), ""]
    return Counter("B" in (names[i - 1], names[i + 1]) for i in range(1, len(names) - 1) if names[i] == name)


def test_etude_holds_the_choices_of_a_saxophonist() -> None:
    passage = passage_of(NAMES[0])
    assert len(passage.bars) == 16
    assert passage.marked_tempo_bpm() == 96
    names = [note.written.name for note in passage.notes]
    assert min(neighbours(passage, "A♯")[beside] for beside in (True, False)) > 0
    assert neighbours(passage, "B♭")[False] > 3
    following = list(zip(names, names[1:], names[2:], strict=False))
    for trio in (("C", "B♭", "C"), ("F", "F♯", "G"), ("F", "F♯", "A"), ("C♯", "D", "E"), ("B", "C", "B")):
        assert trio in following, trio
    heights = [note.written_midi for note in passage.notes]
    assert min(heights) <= 59
    assert max(heights) >= 88
    assert {slur.last - slur.first for slur in passage.slurs} >= {1, 3}


def test_waltz_has_upbeat_repeat_endings_and_ornaments() -> None:
    passage = passage_of(NAMES[1])
    assert passage.bars[0].upbeat
    assert [bar.time_pass for bar in passage.bars].count(2) == 8
    numbers = [bar.number for bar in passage.bars]
    assert ("8", "1") in pairwise(numbers)
    assert ("7", "9") in pairwise(numbers)
    assert any(note.grace for note in passage.notes)
    assert any(note.trill for note in passage.notes)
    assert any(note.tuplet == Tuplet(3, 2) for note in passage.notes)
    assert neighbours(passage, "B♭")[True] == 0


def test_first_steps_stays_easy() -> None:
    passage = passage_of(NAMES[2])
    assert len(passage.bars) == 8
    assert all(64 <= note.written_midi <= 72 for note in passage.notes)
    assert min(note.length for note in passage.notes) * 2 == 1


def test_march_reads_as_written() -> None:
    passage = passage_of(NAMES[3])
    assert passage.bars[0].upbeat
    assert len(passage.bars) == 17
    assert (passage.bars[0].fifths, passage.bars[0].mode) == (1, "major")
    assert [str(note.length) for note in passage.notes[:6]] == ["1", "3/2", "1/2", "1", "1", "3/2"]
    assert [note.tuplet for note in passage.notes].count(Tuplet(3, 2)) == 6


def test_written_passage_reads_the_same(tmp_path: Path) -> None:
    """Reading, writing and reading again changes nothing but where the notes stand in the document."""
    for name in NAMES:
        passage = passage_of(name)
        file = tmp_path / "again.musicxml"
        file.write_bytes(to_musicxml(passage))
        again = read(file)
        assert [(n.start, n.length, n.written, n.grace, n.articulations, n.trill, n.tongued) for n in again.notes] == [
            (n.start, n.length, n.written, n.grace, n.articulations, n.trill, n.tongued) for n in passage.notes
        ]
        assert again.slurs == passage.slurs
        assert [b.written_index for b in again.bars] == [b.written_index for b in passage.bars]
