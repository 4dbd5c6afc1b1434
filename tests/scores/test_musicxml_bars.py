"""Bars, metres, keys, tempos and the playing order: a file for every case."""

from __future__ import annotations

from fractions import Fraction as F
from pathlib import Path

import pytest

from companion.passage import Passage, TempoMark, TempoWords
from companion.scores import read

FILES = Path(__file__).parent / "files"


def passage(case: str, part: str | None = None) -> Passage:
    return read(FILES / f"{case}.musicxml", part)


#: case -> bars in playing order as written index (from 0) and time through
ORDERS = {
    "repeat_simple": "0 1 2 1' 2' 3",
    "repeat_without_a_start": "0 1 0' 1' 2 3 2' 3'",
    "repeat_three_times": "0 0' 0'' 1",
    "repeat_a_hundred_times": "0 0' 0'' 0''' 0'''' 0''''' 0'''''' 0''''''' 1",
    "repeat_never_closed": "0 1 2",
    "endings": "0 1 0' 2' 3",
    "endings_three_passes": "0 1 0' 1' 0'' 2'' 3 3' 4",
    "ending_alone": "0 1 0' 2",
    "ending_without_a_start": "0 1 0' 2' 3",
    "endings_of_two_bars": "0 1 2 0' 3' 4'",
    "dc_al_fine_in_words": "0 0' 1 2 3 0'' 1'",
    "dc_by_sound_with_endings": "0 1 0' 2' 3 0'' 2''",
    "ds_al_coda": "0 1 2 3 1' 2' 4 5",
    "dc_al_coda_with_bare_signs": "0 1 2 0' 1' 3",
    "ds_without_a_segno": "0 1 2",
    "bar_split_by_a_repeat": "0 1 2 0' 1' 2' 3 4 5 3' 4' 5'",
    "repeat_within_a_bar": "0 1 0' 1' 1 2 1' 2'",
}


@pytest.mark.parametrize("case", ORDERS)
def test_playing_order(case: str) -> None:
    found = passage(case)
    assert " ".join(f"{bar.written_index}{chr(39) * (bar.time_pass - 1)}" for bar in found.bars) == ORDERS[case]
    assert [bar.index for bar in found.bars] == list(range(len(found.bars)))
    assert all(one.end == other.start for one, other in zip(found.bars, found.bars[1:], strict=False))


def test_what_was_guessed_about_the_order_is_said() -> None:
    assert passage("repeat_a_hundred_times").remarks == ("a repeat to be played 100 times is played 8 times",)
    assert passage("ds_without_a_segno").remarks == ("a D.S. is written, but no segno: it is not followed",)


def test_a_repeated_note_keeps_its_source() -> None:
    assert [note.source for note in passage("repeat_simple").notes] == [0, 1, 2, 1, 2, 3]


def test_pickup() -> None:
    found = passage("pickup")
    assert [(bar.number, bar.start, bar.length, bar.upbeat) for bar in found.bars] == [
        ("0", 0, 1, True),
        ("1", 1, 4, False),
        ("2", 5, 3, False),
    ]
    assert [note.count for note in found.notes] == [4, F(9, 2), 1, 2, F(7, 2), 4, 1]


def test_pickup_in_six_eight_counts_eighths() -> None:
    assert [note.count for note in passage("pickup_in_six_eight").notes] == [6, 1, 4, 5, 6]


def test_the_rest_of_a_split_bar_goes_on_counting() -> None:
    found = passage("bar_split_by_a_repeat")
    upbeats = [bar.index for bar in found.bars if bar.upbeat]
    assert upbeats == [0, 3, 6, 9]
    counts = {bar: [note.count for note in found.notes if note.bar == bar] for bar in (2, 6, 8)}
    assert counts == {2: [1, 2, 3], 6: [4], 8: [1, 3]}


def test_a_repeat_sign_within_a_bar_cuts_it() -> None:
    found = passage("repeat_within_a_bar")
    second_half = found.bars[4]
    assert (second_half.number, second_half.length, second_half.upbeat) == ("2", 2, True)
    assert [note.count for note in found.notes if note.bar == 4] == [3, 4]
    assert not found.remarks


def test_keys_and_times() -> None:
    bars = passage("key_and_time_changes").bars
    assert [(b.beats, b.beat_type, b.fifths, b.mode, b.length) for b in bars] == [
        (3, 4, 2, "major", 3),
        (6, 8, -1, "minor", 3),
        (5, 8, 0, "", F(5, 2)),
        (7, 8, 0, "", F(7, 2)),
    ]


def test_without_metre() -> None:
    found = passage("senza_misura")
    assert [(b.beats, b.beat_type, b.length, b.upbeat) for b in found.bars] == [(5, 4, 5, False), (2, 4, 2, False)]
    assert found.remarks == ("from bar 1 on there is no metre: the beats are counted in quarters",)


def test_tempo_marks() -> None:
    """A dotted unit before playback; playback alone; half notes, about; half = quarter; a nonsense 0; an offset."""
    assert passage("tempo_marks").tempos == (
        TempoMark(F(0), 90.0, "Andante ♩. = 60"),
        TempoMark(F(6), 72.5, "rit."),
        TempoMark(F(8), 100.0, "𝅗𝅥 = c. 50"),
        TempoMark(F(12), 50.0, "𝅗𝅥 = ♩"),
        TempoMark(F(17), 120.0, "a tempo"),
    )


def test_a_repeat_takes_the_tempo_back() -> None:
    marks = passage("tempo_through_a_repeat").tempos
    assert [(mark.start, mark.quarter_bpm) for mark in marks] == [(0, 100), (8, 60), (12, 100), (16, 60)]


def bars_with_words(*words: str) -> str:
    """A bar of two halves for each of the words, which stand on its third beat; `Allegro = 120` with a number."""
    bars = []
    for number, text in enumerate(words, start=1):
        text, _, bpm = text.partition(" = ")
        sound = f'<sound tempo="{bpm}"/>' if bpm else ""
        words_xml = f"<direction><direction-type><words>{text}</words></direction-type>{sound}</direction>"
        note = "<note><pitch><step>C</step><octave>5</octave></pitch><duration>2</duration></note>"
        time = "<time><beats>4</beats><beat-type>4</beat-type></time>"
        head = f"<attributes><divisions>1</divisions>{time}</attributes>" if number == 1 else ""
        bars.append(f'<measure number="{number}">{head}{note}{words_xml if text else ""}{note}</measure>')
    return (
        '<score-partwise version="4.0"><part-list><score-part id="P1"><part-name/></score-part></part-list>'
        f'<part id="P1">{"".join(bars)}</part></score-partwise>'
    )


def test_words_about_the_tempo_are_kept_where_no_number_says_it(tmp_path: Path) -> None:
    file = tmp_path / "words.musicxml"
    file.write_text(
        bars_with_words("Allegro = 120", "dolce", "poco rit.", "a tempo", "ritmico", "Più mosso", "rall. = 90", "Fine"),
        encoding="utf-8",
    )
    found = read(file)
    # MusicXML 4.0: `<words>` is free text, `<sound tempo>` the number for playback.
    assert found.tempo_words == (
        TempoWords(F(10), "poco rit."), TempoWords(F(14), "a tempo"), TempoWords(F(22), "Più mosso"),
    )  # fmt: skip
    assert [(mark.start, mark.quarter_bpm) for mark in found.tempos] == [(F(2), 120.0), (F(26), 90.0)]
    assert found.excerpt(3, 5).tempo_words == (TempoWords(F(2), "a tempo"), TempoWords(F(10), "Più mosso"))


def test_words_of_one_part_do_not_keep_the_tempo_of_the_top_part_out(tmp_path: Path) -> None:
    text = (FILES / "tempo_and_repeat_only_in_the_top_part.musicxml").read_text(encoding="utf-8")
    head, low = text.rsplit("<part ", 1)
    words = "<direction><direction-type><words>rit.</words></direction-type></direction>"
    low = low.replace("<note>", f"{words}<note>", 1)
    file = tmp_path / "both.musicxml"
    file.write_text(f"{head}<part {low}", encoding="utf-8")
    found = read(file, "Low")
    assert found.marked_tempo_bpm() == 76 and found.tempo_words[0].text == "rit."


def test_signs_of_the_top_part_hold_for_all() -> None:
    found = passage("tempo_and_repeat_only_in_the_top_part", "Low")
    assert [bar.written_index for bar in found.bars] == [0, 1, 0, 1]
    assert found.marked_tempo_bpm() == 76
    assert found.remarks == (
        "tempo marks are taken from the part 'Top'",
        "repeats and jumps are taken from the part 'Top'",
        "it is to be played again to the Fine, but no Fine is marked: played to the end",
    )


def test_bars_that_hold_too_little_or_too_much_are_named() -> None:
    found = passage("odd_bars")
    assert [bar.length for bar in found.bars] == [4, 3, 4, 5]
    assert found.remarks == ("bars that do not hold what their time signature asks for: 2, 4",)
