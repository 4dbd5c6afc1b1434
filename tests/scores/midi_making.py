"""Standard MIDI files made byte by byte or from rhythms, for the tests."""

from __future__ import annotations

import io
import random
import struct
from collections.abc import Sequence
from fractions import Fraction

import mido

END = b"\x00\xff\x2f\x00"


def chunks(*tracks: bytes, kind: int = 1, division: int = 480) -> bytes:
    """A file of raw tracks."""
    header = b"MThd" + struct.pack(">LHHh", 6, kind, len(tracks), division)
    return header + b"".join(b"MTrk" + struct.pack(">L", len(track)) + track for track in tracks)


def saved(*tracks: Sequence[mido.Message | mido.MetaMessage], kind: int = 1, division: int = 480) -> bytes:
    """A file of mido messages, their `time` in ticks since the message before."""
    midi = mido.MidiFile(type=kind, ticks_per_beat=division)
    for messages in tracks:
        midi.tracks.append(mido.MidiTrack(messages))
    out = io.BytesIO()
    midi.save(file=out)
    return out.getvalue()


def at_ticks(*notes: tuple[int, int, int], channel: int = 0) -> list[mido.Message]:
    """Messages for notes given as (on tick, off tick, note number)."""
    events = sorted(event for on, off, midi in notes for event in ((on, 1, midi), (off, 0, midi)))
    messages, now = [], 0
    for tick, on, midi in events:
        kind = "note_on" if on else "note_off"
        messages.append(mido.Message(kind, note=midi, channel=channel, time=tick - now))
        now = tick
    return messages


def rhythm(
    lengths: Sequence[Fraction | str],
    pitches: Sequence[int | None],
    *,
    meta: Sequence[mido.MetaMessage] = (),
    division: int = 480,
    gate: Fraction | float = Fraction(9, 10),
    noise_beats: float = 0.0,
    seed: int = 0,
) -> bytes:
    """One track that plays `lengths` in a row (None is a rest), held for `gate` of each, moved by `noise_beats`."""
    rng = random.Random(seed)
    notes, at, earliest = [], Fraction(0), 0
    for length, midi in zip(map(Fraction, lengths), pitches, strict=True):
        if midi is not None:
            on = max(earliest, round((float(at) + rng.gauss(0, noise_beats)) * division))
            off = round((float(at) + float(length) * float(gate) + rng.gauss(0, noise_beats)) * division)
            notes.append((on, max(on + 1, off), midi))
            earliest = on + 1
        at += length
    return saved([*meta, *at_ticks(*notes)], kind=0, division=division)


def time_signature(beats: int, beat_type: int, time: int = 0) -> mido.MetaMessage:
    """A time signature event."""
    return mido.MetaMessage("time_signature", numerator=beats, denominator=beat_type, time=time)
