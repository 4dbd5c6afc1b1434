"""Bars cut out of a document, read again by music21."""

from __future__ import annotations

from pathlib import Path

import pytest
from handout_etudes import write_waltz
from music21 import converter, stream

from companion.reports.handout_bars import bars_of_document
from companion.scores import for_engraving, read


@pytest.fixture(scope="module")
def waltz(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return for_engraving(read(write_waltz(tmp_path_factory.mktemp("waltz"))))


def parsed(document: bytes) -> stream.Score:
    score = converter.parseData(document.decode(), format="musicxml")
    assert isinstance(score, stream.Score)
    return score


def sounding(score: stream.Score) -> list[tuple[str, float]]:
    return [(note.nameWithOctave, float(note.quarterLength)) for note in score.flatten().notes]


@pytest.mark.parametrize(("first", "last"), [(0, 18), (0, 0), (8, 11), (9, 12), (14, 15), (18, 18)])
def test_the_notes_are_those_of_the_bars(waltz: bytes, first: int, last: int) -> None:
    part = parsed(waltz).parts[0]
    wanted = [
        (note.nameWithOctave, float(note.quarterLength))
        for measure in list(part.getElementsByClass(stream.Measure))[first : last + 1]
        for note in measure.notes
    ]
    assert sounding(parsed(bars_of_document(waltz, first, last))) == wanted


def test_clef_key_time_and_tempo_that_hold_there_stand_at_the_beginning(waltz: bytes) -> None:
    flat = parsed(bars_of_document(waltz, 8, 11)).flatten()
    # The waltz is in C minor, in three, at 108.
    assert [key.sharps for key in flat.getElementsByClass("KeySignature")] == [-3]
    assert [time.ratioString for time in flat.getElementsByClass("TimeSignature")] == ["3/4"]
    assert [clef.sign for clef in flat.getElementsByClass("Clef")] == ["G"]
    assert [mark.number for mark in flat.getElementsByClass("MetronomeMark") if mark.number] == [108]


def test_half_a_slur_and_half_a_bracket_are_left_out(waltz: bytes) -> None:
    # Bar 14 is the first ending, bar 15 the second one.
    document = bars_of_document(waltz, 13, 13)
    assert b"<ending" in document and document.count(b"<slur") == 2
    cut = waltz.replace(b'<slur type="stop" number="1"/>', b"", 1)
    assert bars_of_document(cut, 0, 0).count(b"<slur") == 0


def test_a_change_of_key_within_the_bars_stays_where_it_is(tmp_path: Path) -> None:
    path = write_waltz(tmp_path)
    text = path.read_text(encoding="utf-8")
    new_key = '<measure number="10"><attributes><key><fifths>2</fifths></key></attributes>'
    path.write_text(text.replace('<measure number="10">', new_key), encoding="utf-8")
    document = for_engraving(read(path))
    keys = [
        key.sharps for key in parsed(bars_of_document(document, 8, 11)).flatten().getElementsByClass("KeySignature")
    ]
    assert keys == [-3, 2]
    after = [
        key.sharps for key in parsed(bars_of_document(document, 10, 11)).flatten().getElementsByClass("KeySignature")
    ]
    assert after == [2]
