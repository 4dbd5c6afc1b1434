"""A take as a Standard MIDI file: held against mido, an outside reader, and against the record it was made of."""

from __future__ import annotations

import io
import json
import time
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st
from record_logs import EXAMPLE, example_log
from record_takes import TAKES

from companion import charts, scores
from companion.practice import judge, to_played
from companion.practice.model import RawEvent
from companion.record import read_log
from companion.record.codec import decode_line, encode_take, take_from
from companion.record.model import TakeRecord
from companion.record.take_midi import TICKS_PER_QUARTER, NotOurs, line_from_midi, midi_from_take

SITTING = {"kind": "sitting", "format": 1, "id": "one"}
NS = 10**9
#: What a wind controller sends: a note with breath, bite as bend, keys told by system exclusive; and what may not stand
#: in a file: clock, active sensing, a message cut in half.
SENT = (
    (3 * NS + 1, "b00240"), (3 * NS + 333, "e00050"), (3 * NS + 17_333_777, "f07d6c31f7"), (3 * NS + 17_333_778, "f8"),
    (3 * NS + 17_333_779, "904650"), (4 * NS + 7, "fe"), (4 * NS + 9, "9046"), (4 * NS + 123_456, "904600"),
    (5 * NS, "c005"), (5 * NS + 1, "d033"), (6 * NS + 1, "f6"),
)  # fmt: skip


def a_take(tempo_bpm: float = 96.0, start_ns: int = 0, sent: tuple[tuple[int, str], ...] = SENT) -> TakeRecord:
    events = tuple(RawEvent(ns, bytes.fromhex(midi)) for ns, midi in sent)
    return TakeRecord(
        "Étude", tempo_bpm, id="one-001", started="2026-11-23T17:00:00+01:00", start_ns=start_ns, events=events
    )


def midi_of(take: TakeRecord) -> mido.MidiFile:
    return mido.MidiFile(file=io.BytesIO(midi_from_take(decode_line(encode_take(take)), SITTING)))


def seconds(midi: mido.MidiFile) -> list[tuple[float, bytes]]:
    """Times and bytes of the events, as mido reckons them from tempo and ticks."""
    now, found = 0.0, []
    for message in midi:
        now += message.time
        if not message.is_meta:
            found.append((now, bytes(message.bytes())))
    return found


@pytest.mark.parametrize("tempo_bpm", [20.0, 60.0, 96.5, 208.0, 400.0])
def test_another_reader_finds_every_event_within_half_a_millisecond(tempo_bpm: float) -> None:
    found = seconds(midi_of(a_take(tempo_bpm)))
    wanted = [(ns / NS, bytes.fromhex(midi)) for ns, midi in SENT if midi not in ("f8", "fe", "f6", "9046")]
    assert [message for _, message in found] == [message for _, message in wanted]
    for (found_s, _), (wanted_s, _) in zip(found, wanted, strict=True):
        assert found_s == pytest.approx(wanted_s, abs=0.0005)


@pytest.mark.parametrize("start_ns", [0, 1, 23_241_346, 3 * NS, -5])
def test_beat_0_is_on_a_quarter(start_ns: int) -> None:
    on_beat_0 = (max(start_ns, 0), "904650")
    midi = midi_of(a_take(72.0, start_ns, (on_beat_0,)))
    ticks = sum(message.time for message in midi.tracks[0] if message.type != "end_of_track")
    late_quarters = Fraction(ticks, TICKS_PER_QUARTER) - Fraction(max(start_ns, 0) - start_ns, 60 * NS) * 72
    assert abs(late_quarters - round(late_quarters)) <= Fraction(1, TICKS_PER_QUARTER)


def test_the_file_has_the_takes_tempo() -> None:
    tempos = [message.tempo for message in midi_of(a_take(96.0)).tracks[0] if message.type == "set_tempo"]
    assert tempos == [mido.bpm2tempo(96)]


def test_the_example_sittings_lines_come_back_byte_by_byte() -> None:
    head, *lines = EXAMPLE.read_bytes().splitlines(keepends=True)
    assert lines
    for line in lines:
        sitting, back = line_from_midi(midi_from_take(json.loads(line), json.loads(head)))
        assert back == line
        assert sitting == json.loads(head)


@given(TAKES)
def test_any_take_comes_back_to_the_nanosecond(take: TakeRecord) -> None:
    line = encode_take(replace(take, events=tuple(sorted(take.events, key=lambda event: event.time_ns))))
    assert line_from_midi(midi_from_take(decode_line(line), SITTING))[1] == line


@given(st.lists(st.tuples(st.integers(-NS, 2**62), st.binary(max_size=5)), max_size=5))
def test_times_that_run_backwards_and_junk_messages_come_back_too(sent: list[tuple[int, bytes]]) -> None:
    line = encode_take(a_take(60.0, 0, tuple((ns, message.hex()) for ns, message in sent)))
    assert line_from_midi(midi_from_take(decode_line(line), SITTING))[1] == line


def test_what_a_later_program_added_to_a_line_comes_back() -> None:
    data = decode_line(encode_take(a_take())) | {"mood": "cheerful"}
    assert decode_line(line_from_midi(midi_from_take(data, SITTING))[1]) == data


def test_a_long_take_with_breath_comes_back() -> None:
    sent = tuple((i * NS // 200, f"b002{i % 128:02x}") for i in range(20_000))
    line = encode_take(a_take(60.0, 0, sent))
    assert line_from_midi(midi_from_take(decode_line(line), SITTING))[1] == line


def test_a_file_with_other_notes_is_not_taken_for_the_take() -> None:
    midi = midi_of(a_take())
    for message in midi.tracks[0]:
        if message.type == "note_on" and message.velocity:
            message.note += 1
    content = io.BytesIO()
    midi.save(file=content)
    with pytest.raises(ValueError, match="changed by another program"):
        line_from_midi(content.getvalue())


def test_another_programs_file_is_told_apart() -> None:
    midi = midi_of(a_take())
    midi.tracks[0] = mido.MidiTrack(message for message in midi.tracks[0] if message.type != "sequencer_specific")
    content = io.BytesIO()
    midi.save(file=content)
    with pytest.raises(NotOurs, match="not of a take"):
        line_from_midi(content.getvalue())


def test_another_programs_large_file_is_told_apart_at_once() -> None:
    """15 MB of notes, at which a reader of all of them sits for most of a minute."""
    notes = b"\x00\x90\x40\x40" + b"\x00\x40\x40" * 5_000_000 + b"\x00\xff\x2f\x00"
    began = time.process_time()
    with pytest.raises(NotOurs, match="not of a take"):
        line_from_midi(b"MThd\0\0\0\x06\0\0\0\x01\x01\xe0MTrk" + len(notes).to_bytes(4, "big") + notes)
    assert time.process_time() - began < 2


def test_a_file_cut_off_anywhere_is_refused() -> None:
    content = midi_from_take(decode_line(encode_take(a_take())), SITTING)
    for length in range(0, len(content) - 1, 13):
        with pytest.raises(ValueError, match=r"\S"):
            line_from_midi(content[:length])


@given(st.data())
def test_a_damaged_file_is_refused_or_the_very_take(data: st.DataObject) -> None:
    line = encode_take(a_take())
    content = bytearray(midi_from_take(decode_line(line), SITTING))
    content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    try:
        back = line_from_midi(bytes(content))[1]
    except ValueError:
        return
    assert back == line


#: A chord of two channels that sounds on, a note that ended, one that all notes off ended, one played again.
HELD = ("903c40", "914040", "903e40", "903e00", "924540", "b27b00", "914040", "b00200")


def test_no_note_sounds_for_ever_in_any_player() -> None:
    take = replace(a_take(sent=tuple((i * NS, midi) for i, midi in enumerate(HELD))), duration_ns=9 * NS)
    line = encode_take(take)
    found = seconds(midi_of(take))[len(HELD) :]
    assert [message[:2].hex() for _, message in found] == ["803c", "8140"]
    assert [time_s for time_s, _ in found] == pytest.approx([9, 9], abs=0.0005)
    assert line_from_midi(midi_from_take(decode_line(line), SITTING))[1] == line


def test_a_note_that_ends_after_the_take_is_not_ended_before_it() -> None:
    take = replace(a_take(sent=((0, "903c40"), (2 * NS, "b00200"))), duration_ns=NS)
    assert [(round(time_s, 3), message[0]) for time_s, message in seconds(midi_of(take))][1:] == [(2, 0xB0), (2, 0x80)]


@given(TAKES)
def test_every_note_of_any_take_ends(take: TakeRecord) -> None:
    line = decode_line(encode_take(take))
    messages = mido.MidiFile(file=io.BytesIO(midi_from_take(line, SITTING))).tracks[0]
    sounding = set()
    for message in messages:
        if message.type == "note_on" and message.velocity:
            sounding.add((message.channel, message.note))
        elif message.type in ("note_on", "note_off"):
            sounding.discard((message.channel, message.note))
        elif message.type == "control_change" and message.control in (120, 123, 124, 125, 126, 127):
            sounding = {key for key in sounding if key[0] != message.channel}
    assert not sounding


def test_a_file_of_an_earlier_companion_gives_back_its_take() -> None:
    """Written before notes that still sound were ended: its one note never does."""
    content = (Path(__file__).parent / "earlier_midi" / "no-ends-yet.mid").read_bytes()
    assert [message.type for message in mido.MidiFile(file=io.BytesIO(content)) if not message.is_meta] == [
        "note_on", "control_change",
    ]  # fmt: skip
    sitting, line = line_from_midi(content)
    take = take_from(decode_line(line))
    assert (sitting["id"], take.id, take.duration_ns) == ("held", "held-001", 3 * NS)
    assert take.events == (RawEvent(NS, b"\x90\x3c\x40"), RawEvent(2 * NS, b"\xb0\x02\x00"))


def test_the_judge_finds_in_the_file_what_the_record_says(tmp_path: Path) -> None:
    """Times as mido reckons them, without the record in the file: what another program would hand back."""
    passage = scores.read(EXAMPLE.parents[1] / "shared/passages/etude-e-minor.musicxml")
    first, last = passage.bar_range("5-8")
    bars = passage.excerpt(first, last)
    chart = charts.load("alto")
    for take in read_log(example_log(tmp_path / "examples")).takes:
        lead_s = -(-take.start_ns // round(60 * NS / take.tempo_bpm)) * 60 / take.tempo_bpm
        events = [RawEvent(round((time_s - lead_s) * NS), message) for time_s, message in seconds(midi_of(take))]
        judged = judge(bars, to_played(events, 0, take.shift_semitones), take.tempo_bpm, take.tolerances, chart=chart)
        assert judged.clean == take.clean
        assert [note.verdict for note in judged.notes] == [note.verdict for note in take.notes]
        for found, recorded in zip(judged.notes, take.notes, strict=True):
            assert found.deviation_ms == (
                None if recorded.deviation_ms is None else pytest.approx(recorded.deviation_ms, abs=0.5)
            )


@pytest.mark.filterwarnings("ignore")
def test_partitura_finds_the_notes_where_they_were_played(tmp_path: Path) -> None:
    """A reader that has nothing to do with mido's tempo map: partitura."""
    import partitura

    head, line, *_ = EXAMPLE.read_bytes().splitlines()
    (tmp_path / "take.mid").write_bytes(midi_from_take(json.loads(line), json.loads(head)))
    found = partitura.load_performance_midi(tmp_path / "take.mid").performedparts[0].notes
    wanted = [ns / NS for ns, midi in json.loads(line)["events"] if midi.startswith("90") and not midi.endswith("00")]
    assert json.loads(line)["start_ns"] == 0
    assert [note["note_on"] for note in found] == pytest.approx(wanted, abs=0.0005)
