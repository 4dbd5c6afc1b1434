"""Standard MIDI files: every feature by a file of its own. Byte layouts follow RP-001, Standard MIDI Files 1.0."""

from __future__ import annotations

import io
from fractions import Fraction as F
from pathlib import Path

import mido
import pytest
from scores.midi_making import END, at_ticks, chunks, rhythm, saved, time_signature

from companion.errors import ScoreError, SeveralParts
from companion.passage import Passage, Tuplet
from companion.scores import read
from companion.scores.midifile import read_midi

C_MAJOR = mido.MetaMessage("key_signature", key="C")


def placed(passage: Passage) -> list[tuple[F, F, str]]:
    return [(note.start, note.length, str(note.written)) for note in passage.notes]


def test_bytes_of_the_standard() -> None:
    track = (
        b"\x00\xff\x58\x04\x03\x02\x18\x08"  # 3/4
        b"\x00\xff\x59\x02\xff\x00"  # one flat, major
        b"\x00\xff\x51\x03\x09\x27\xc0"  # 600,000 microseconds a quarter: 100 a minute
        b"\x00\x90\x41\x40\x60\x41\x00"  # F4 on, 96 ticks later off by running status and velocity 0
        b"\x00\x46\x40\x81\x40\x46\x00"  # B flat 4 for 192 ticks
    )
    passage = read_midi(chunks(track + END, kind=0, division=96), "tiny.mid")
    assert placed(passage) == [(F(0), F(1), "F4"), (F(1), F(2), "B♭4")]
    assert [(b.beats, b.beat_type, b.fifths, b.mode, b.length) for b in passage.bars] == [(3, 4, -1, "major", F(3))]
    assert [(t.start, t.quarter_bpm, t.text) for t in passage.tempos] == [(F(0), 100.0, "♩ = 100")]
    assert passage.transposition is None
    assert any("taken as written" in remark for remark in passage.remarks)


def test_origin_hash_and_order() -> None:
    data = rhythm(["1", "1", "2"], [60, 62, 64], meta=[C_MAJOR])
    passage = read_midi(data, "some/where.mid")
    assert passage.origin == "some/where.mid"
    assert len(passage.sha256) == 64
    assert [note.source for note in passage.notes] == [0, 1, 2]
    assert [note.count for note in passage.notes] == [1, 2, 3]
    assert passage.title == "where"


def test_read_delegates_here(tmp_path: Path) -> None:
    file = tmp_path / "line.mid"
    file.write_bytes(rhythm(["1", "1"], [60, 62]))
    assert [note.written_midi for note in read(file).notes] == [60, 62]


def test_riff_wrapper() -> None:
    data = rhythm(["1"], [60])
    riff = b"RIFF" + (len(data) + 12).to_bytes(4, "little") + b"RMIDdata" + len(data).to_bytes(4, "little") + data
    assert read_midi(riff, "old.rmi").notes[0].written_midi == 60


def test_note_struck_again_without_release() -> None:
    on, off = mido.Message("note_on", note=60, time=0), mido.Message("note_off", note=60, time=480)
    one_off = saved([C_MAJOR, on, on.copy(time=480), off], kind=0)
    assert placed(read_midi(one_off, "x")) == [(F(0), F(1), "C4"), (F(1), F(1), "C4")]
    two_offs = saved([C_MAJOR, on, on.copy(time=480), off, off.copy(time=480)], kind=0)
    assert placed(read_midi(two_offs, "x")) == [(F(0), F(1), "C4"), (F(1), F(2), "C4")]


def test_note_never_released_ends_at_the_next() -> None:
    messages = [
        C_MAJOR,
        mido.Message("note_on", note=60, time=0),
        mido.Message("note_on", note=64, time=960),
        mido.Message("note_off", note=64, time=480),
    ]
    assert placed(read_midi(saved(messages, kind=0), "x")) == [(F(0), F(2), "C4"), (F(2), F(1), "E4")]


def test_stray_release_is_ignored() -> None:
    messages = [C_MAJOR, mido.Message("note_off", note=70, time=0), *at_ticks((0, 480, 60))]
    assert placed(read_midi(saved(messages, kind=0), "x")) == [(F(0), F(1), "C4")]


def test_legato_overlap_is_one_line() -> None:
    notes = [(480 * i, 480 * i + 560, midi) for i, midi in enumerate((67, 65, 64, 65))]
    passage = read_midi(saved([C_MAJOR, *at_ticks(*notes)], kind=0), "x")
    assert [(n.start, n.length) for n in passage.notes[:3]] == [(F(i), F(1)) for i in range(3)]
    assert not any("chords" in remark for remark in passage.remarks)


def test_chord_leaves_its_top_note() -> None:
    notes = [(0, 470, 60), (5, 470, 64), (3, 470, 67), (480, 950, 62)]
    passage = read_midi(saved([C_MAJOR, *at_ticks(*notes)], kind=0), "x")
    assert [note.written_midi for note in passage.notes] == [67, 62]
    assert "chords: the top note is taken, 2 lower notes left out" in passage.remarks


def test_lower_voice_under_a_held_note_is_left_out() -> None:
    notes = [(0, 1900, 72), (480, 940, 60), (960, 1420, 62), (1920, 2400, 71)]
    passage = read_midi(saved([C_MAJOR, *at_ticks(*notes)], kind=0), "x")
    assert placed(passage) == [(F(0), F(4), "C5"), (F(4), F(1), "B4")]


def test_percussion_is_left_out() -> None:
    drums = at_ticks((0, 100, 36), (480, 500, 38), channel=9)
    passage = read_midi(saved([C_MAJOR, *at_ticks((0, 470, 60))], drums), "x")
    assert [note.written_midi for note in passage.notes] == [60]
    assert "channel 10 (percussion, 2 notes) is left out" in passage.remarks
    with pytest.raises(ScoreError, match="only percussion"):
        read_midi(saved(drums), "x")


def named(name: str, *notes: tuple[int, int, int], channel: int = 0) -> list[mido.Message | mido.MetaMessage]:
    return [mido.MetaMessage("track_name", name=name), *at_ticks(*notes, channel=channel)]


def test_several_tracks_ask_which() -> None:
    data = saved(named("Lead", (0, 470, 60)), named("Second", (0, 470, 64), (480, 900, 65), channel=1))
    with pytest.raises(SeveralParts, match=r"duo\.mid: .*--part: 1 \(Lead, 1 note\), 2 \(Second, 2 notes\)") as several:
        read_midi(data, "duo.mid")
    assert several.value.parts == (("1", "Lead"), ("2", "Second"))
    for wanted in ("2", "second", "Second", "2:2"):
        passage = read_midi(data, "duo.mid", wanted)
        assert [note.written_midi for note in passage.notes] == [64, 65]
        assert passage.part_name == "Second"
        assert "left out: 1 (Lead, 1 note)" in passage.remarks
    with pytest.raises(ScoreError, match="no part 'third'"):
        read_midi(data, "duo.mid", "third")


def test_several_channels_of_one_track() -> None:
    messages = [*at_ticks((0, 470, 60)), *at_ticks((0, 470, 72), channel=3)]
    data = saved(messages, kind=0)
    with pytest.raises(ScoreError, match=r"1:1 \(1 note\), 1:4 \(1 note\)"):
        read_midi(data, "x")
    assert read_midi(data, "x", "1:4").notes[0].written_midi == 72
    assert len(read_midi(data, "x", "1").notes) == 2


def test_meters_and_keys_change() -> None:
    meta = [
        time_signature(4, 4),
        mido.MetaMessage("key_signature", key="F"),
        time_signature(6, 8, time=1920),
        mido.MetaMessage("key_signature", key="Em"),
    ]
    lengths, pitches = ["1"] * 4 + ["1/2"] * 6, [65, 67, 69, 70, 66, 67, 69, 71, 70, 71]
    track = mido.MidiFile(file=io.BytesIO(rhythm(lengths, pitches))).tracks[0]
    passage = read_midi(saved(meta, track), "x")
    assert [(b.beats, b.beat_type, b.fifths, b.mode, b.length) for b in passage.bars] == [
        (4, 4, -1, "major", F(4)),
        (6, 8, 1, "minor", F(3)),
    ]
    assert [str(note.written) for note in passage.notes[3:]] == ["B♭4", "F♯4", "G4", "A4", "B4", "A♯4", "B4"]
    assert passage.notes[-1].count == 6


def test_meter_change_within_a_bar_cuts_it() -> None:
    meta = [time_signature(4, 4), time_signature(3, 4, time=960)]
    passage = read_midi(saved(meta, at_ticks(*((480 * i, 480 * i + 470, 60 + i) for i in range(5)))), "x")
    assert [(b.length, b.upbeat) for b in passage.bars] == [(F(2), True), (F(3), False)]


def test_upbeat_by_signature() -> None:
    meta = [C_MAJOR, time_signature(1, 4), time_signature(4, 4, time=480)]
    passage = read_midi(saved(meta, at_ticks(*((480 * i, 480 * i + 470, 60 + i) for i in range(5)))), "x")
    first, second = passage.bars
    assert (first.number, first.upbeat, first.length, first.beats) == ("0", True, F(1), 4)
    assert (second.number, second.start, second.length) == ("1", F(1), F(4))
    assert [note.count for note in passage.notes] == [4, 1, 2, 3, 4]


def test_upbeat_by_silence() -> None:
    passage = read_midi(rhythm(["3", "1", "2", "2"], [None, 60, 62, 64], meta=[C_MAJOR]), "x")
    assert placed(passage) == [(F(0), F(1), "C4"), (F(1), F(2), "D4"), (F(3), F(2), "E4")]
    assert passage.bars[0].upbeat
    assert passage.notes[0].count == 4
    assert any("upbeat" in remark for remark in passage.remarks)


def test_bars_of_rest_stay() -> None:
    passage = read_midi(rhythm(["5", "1"], [None, 60]), "x")
    assert [bar.number for bar in passage.bars] == ["1", "2"]
    assert passage.notes[0].start == 5


def test_tempo_changes_keep_their_place() -> None:
    meta = [
        mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(90)),
        mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(60), time=1920),
    ]
    passage = read_midi(saved(meta, at_ticks(*((480 * i, 480 * i + 470, 60) for i in range(12)))), "x")
    assert [(t.start, round(t.quarter_bpm, 3), t.text) for t in passage.tempos] == [
        (F(0), 90.0, "♩ = 90"),
        (F(4), 60.0, "♩ = 60"),
    ]
    assert passage.seconds(F(5), 90.0) == pytest.approx(4 * 60 / 90 + 1.0)


def test_breathing_tempo_is_not_printed() -> None:
    meta = [mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(90 + i % 3), time=480 * (i > 0)) for i in range(12)]
    passage = read_midi(saved(meta, at_ticks(*((480 * i, 480 * i + 470, 60) for i in range(12)))), "x")
    assert [bool(mark.text) for mark in passage.tempos].count(True) == 1


def test_compound_tempo_counts_dotted_quarters() -> None:
    meta = [time_signature(6, 8), mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(90))]
    assert read_midi(saved([*meta, *at_ticks((0, 700, 60))]), "x").tempos[0].text == "♩. = 60"


def test_key_is_guessed_and_said() -> None:
    scale = [62, 64, 66, 67, 69, 71, 73, 74, 73, 71, 69, 67, 66, 64, 62, 62]
    passage = read_midi(rhythm(["1"] * 16, scale), "x")
    assert (passage.bars[0].fifths, passage.bars[0].mode) == (2, "major")
    assert "the file names no key; by its notes it gets 2 sharps (major)" in passage.remarks


def test_gap_is_not_a_rest_but_a_rest_is() -> None:
    lengths, pitches = ["1/2", "1/2", "1", "1", "1"], [60, 62, 64, None, 65]
    passage = read_midi(rhythm(lengths, pitches, meta=[C_MAJOR], gate=F(3, 4)), "x")
    assert placed(passage)[:3] == [(F(0), F(1, 2), "C4"), (F(1, 2), F(1, 2), "D4"), (F(1), F(1), "E4")]
    assert passage.notes[3].start == 3


def test_triplets_say_so() -> None:
    passage = read_midi(rhythm(["1/3"] * 3 + ["1/4"] * 4 + ["2"], [60, 62, 64, 65, 67, 69, 71, 72]), "x")
    assert [n.tuplet for n in passage.notes] == [Tuplet(3, 2)] * 3 + [None] * 5


def test_ticks_that_cannot_hold_a_triplet_exactly() -> None:
    passage = read_midi(rhythm(["1/3"] * 6 + ["2"], [60, 62, 64, 65, 67, 69, 71], division=100), "x")
    assert [note.start for note in passage.notes] == [F(i, 3) for i in range(7)]


def test_two_onsets_on_one_place_give_a_grace_note() -> None:
    passage = read_midi(saved([C_MAJOR, *at_ticks((0, 470, 60), (480, 486, 71), (487, 950, 72))], kind=0), "x")
    assert [(n.start, n.length, n.grace) for n in passage.notes] == [
        (F(0), F(1), ""),
        (F(1), F(0), "acciaccatura"),
        (F(1), F(1), ""),
    ]


@pytest.mark.parametrize(("metre", "printed", "unit"), [
    ((6, 8), "♩. = 60", F(3, 2)), ((3, 8), "♩. = 60", F(3, 2)), ((4, 4), "♩ = 90", F(1)), ((2, 2), "♩ = 90", F(1)),
])  # fmt: skip
def test_tempos_are_told_in_the_note_that_is_printed(metre: tuple[int, int], printed: str, unit: F) -> None:
    meta = [time_signature(*metre), mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(90))]
    changed = [*meta, time_signature(3, 4, time=480 * 12)]
    passage = read_midi(saved(changed, at_ticks(*((480 * i, 480 * i + 470, 60) for i in range(18)))), "x")
    assert passage.tempos[0].text == printed
    units = {(bar.beats, bar.beat_type): bar.mark_unit for bar in passage.bars}
    assert units == {metre: unit, (3, 4): None}
    silent = read_midi(saved(meta[:1], at_ticks(*((480 * i, 480 * i + 470, 60) for i in range(12)))), "x")
    assert {bar.mark_unit for bar in silent.bars} == {None}
