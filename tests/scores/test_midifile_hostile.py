"""Files that are damaged, absurd or meant to harm: one line of `ScoreError`, soon, and nothing else."""

from __future__ import annotations

import random
import struct
import time
from fractions import Fraction as F

import mido
import pytest
from peak import needs_proc, run_for_peak_mb
from scores.midi_making import END, at_ticks, chunks, rhythm, saved, time_signature

from companion.errors import ScoreError
from companion.scores.midifile import read_midi
from companion.scores.write import to_musicxml

NOTE = b"\x00\x90\x3c\x40\x60\x3c\x00"

REFUSED = {
    "empty": (b"", "empty"),
    "junk": (b"a page of text", "not a Standard MIDI file"),
    "header cut": (b"MThd\x00\x00\x00\x06\x00\x01", "header is incomplete"),
    "header of wrong size": (b"MThd\xff\xff\xff\xff" + bytes(20), "header is of the wrong size"),
    "format 2": (chunks(NOTE + END, kind=2), "format 2"),
    "format 7": (chunks(NOTE + END, kind=7), "no MIDI file format 7"),
    "SMPTE": (chunks(NOTE + END, division=-6360), "SMPTE"),
    "no ticks": (chunks(NOTE + END, division=0), "0 ticks"),
    "no tracks": (chunks(), "no notes"),
    "no notes": (chunks(END), "no notes"),
    "cut short": (chunks(NOTE + END)[:-6], "cut short"),
    "unknown track": (b"MThd" + struct.pack(">LHHh", 6, 1, 1, 480) + b"MTrx\x00\x00\x00\x00", "damaged"),
    "running status from nowhere": (chunks(b"\x00\x3c\x40" + END), "damaged"),
    "undefined status": (chunks(b"\x00\xf4\x3c" + END), "damaged"),
    "key of 40 sharps": (chunks(b"\x00\xff\x59\x02\x28\x00" + NOTE + END), "damaged"),
    "tempo without data": (chunks(b"\x00\xff\x51\x00" + NOTE + END), "damaged"),
    "event of 8 MB": (chunks(b"\x00\xf0\x84\x80\x80\x00" + NOTE + END), "damaged"),
    "silence of 2**28 ticks": (chunks(NOTE + b"\xff\xff\xff\x7f\x90\x3c\x40\x60\x3c\x00" + END), "4,000 bars"),
    "note of 2**28 ticks": (chunks(b"\x00\x90\x3c\x40\xff\xff\xff\x7f\x3c\x00" + END), "4,000 bars"),
    "bars of a 64th": (
        chunks(b"\x00\xff\x58\x04\x01\x06\x18\x08\x00\x90\x3c\x40\x87\xff\x7f\x3c\x00" + END),
        "4,000 bars",
    ),
    "20 MB": (b"MThd" + bytes(20_000_001), "MB, more than 20"),
    "endless number": (chunks(b"\xff" * 19_000_000), "far more data"),
    "30,000 notes": (chunks(b"\x00\x90\x3c\x40" + b"\x10\x3c\x00\x10\x3c\x40" * 30_000 + END), "30,001 notes"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refused_in_one_line(case: str) -> None:
    data, reason = REFUSED[case]
    with pytest.raises(ScoreError, match=reason) as caught:
        read_midi(data, "odd.mid")
    assert str(caught.value).startswith("odd.mid: ")
    assert "\n" not in str(caught.value)


def test_senseless_signatures_and_tempos_are_left_out() -> None:
    meta = b"\x00\xff\x58\x04\xff\xff\x18\x08" + b"\x00\xff\x51\x03\x00\x00\x00"
    passage = read_midi(chunks(meta + NOTE + END), "x")
    assert (passage.bars[0].beats, passage.bars[0].beat_type, passage.tempos) == (4, 4, ())
    assert {"a time signature that makes no sense is left out", "a tempo that makes no sense is left out"} <= set(
        passage.remarks
    )


def test_names_that_are_not_latin() -> None:
    name = "Σαξόφωνο\x07\n🎷".encode()
    passage = read_midi(chunks(b"\x00\xff\x03" + bytes([len(name)]) + name + NOTE + END), "x")
    assert passage.title == "Σαξόφωνο 🎷"
    to_musicxml(passage)


def test_last_note_played_late_into_the_next_bar() -> None:
    passage = read_midi(saved([*at_ticks((0, 400, 60), (1915, 1919, 62))], kind=0), "x")
    assert passage.notes[-1].start <= passage.bars[-1].start
    assert passage.notes[-1].end <= passage.end


def test_bytes_changed_at_random() -> None:
    """Seeded: 250 damaged copies; what is still read can be written too."""
    sound = [
        rhythm(["1/2", "1/4", "1/4", "1/3", "1/3", "1/3"] * 6, [60 + i % 20 for i in range(36)], noise_beats=noise)
        for noise in (0.0, 0.03)
    ]
    meta = [time_signature(3, 8), mido.MetaMessage("key_signature", key="F"), time_signature(4, 4, time=720)]
    sound.append(saved(meta, at_ticks(*((240 * i, 240 * i + 200, 60 + i) for i in range(16)))))
    rng, outcomes = random.Random(20), {"read": 0, "refused": 0}
    for _ in range(250):
        data = bytearray(rng.choice(sound))
        for _ in range(rng.choice((1, 2, 8))):
            place = rng.randrange(len(data))
            match rng.randrange(3):
                case 0:
                    data[place] = rng.randrange(256)
                case 1:
                    del data[place : place + rng.randrange(1, 9)]
                case 2:
                    data[place:place] = rng.randbytes(rng.randrange(1, 6))
        try:
            to_musicxml(read_midi(bytes(data), "x.mid"))
            outcomes["read"] += 1
        except ScoreError as error:
            assert "\n" not in str(error)
            outcomes["refused"] += 1
    assert min(outcomes.values()) > 30, outcomes


_MEASURED = """
import time
from companion.errors import ScoreError
from companion.scores.midifile import read_midi
header = b"MThd" + (6).to_bytes(4, "big") + bytes([0, 0, 0, 1, 1, 224])
track = b"\\x00\\xb0\\x01\\x01" + b"\\x00\\x01\\x02" * 6_000_000
began = time.process_time()
try:
    read_midi(header + b"MTrk" + len(track).to_bytes(4, "big") + track, "flood.mid")
except ScoreError as error:
    assert "far more data" in str(error), error
    print("seconds", time.process_time() - began)
"""


@needs_proc
def test_flood_of_controllers_stays_within_10_s_and_500_mb() -> None:
    done, peak_mb = run_for_peak_mb(_MEASURED)
    assert done.returncode == 0, done.stderr
    assert float(done.stdout.split()[1]) < 10
    assert peak_mb < 500


def test_long_part_is_read_in_time() -> None:
    """The limit is 20,000 notes and 10 s. Counted in time of the processor, which a busy machine doesn't stretch."""
    lengths, pitches = [F(1, 4)] * 6_000, [60 + i % 13 for i in range(6_000)]
    began = time.process_time()
    passage = read_midi(rhythm(lengths, pitches), "long.mid")
    assert len(passage.notes) == 6_000
    assert time.process_time() - began < 5
