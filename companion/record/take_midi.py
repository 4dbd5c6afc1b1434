"""A take as a Standard MIDI file and back.

Conventions
-----------
* Format 0, one track, `TICKS_PER_QUARTER` ticks a quarter at the take's tempo, so that it stands on the beat in any
  other program: beat 0 of the passage is on a quarter, with as many empty ones before it as what was played early
  needs. A tick is 0.065 ms at 96 quarters a minute and 0.31 ms at 20: rounding is half of that at most. A tempo
  slower than a MIDI file can have (3.58) is written as that one; the times stay.
* Every message stands as it was received: notes, breath, bend, system exclusive. What may not stand in a MIDI file
  (clock, active sensing, halves of messages) is kept in the record below.
* A note that still sounded when the take was over is ended there, so that no player lets it sound for ever. How many
  such ends there are is in the record: reading takes them off again.
* The take's record is in sequencer-specific events at the beginning: the manufacturer's number for non-commercial use
  (7D), `companion take `, a digest of what follows and of the events, JSON. It also holds what rounding took from each
  time, so that the take comes back to the nanosecond. Other programs pass over it.

References
----------
Standard MIDI Files 1.0, RP-001, MIDI Manufacturers Association 1988: division and delta times, the tempo in
microseconds a quarter (24 bits), delta times of 28 bits, sequencer-specific events.
"""

from __future__ import annotations

import hashlib
import io
import json
import struct
from collections.abc import Mapping, Sequence
from typing import Any

import mido

from companion.plain import plain_ascii
from companion.record.codec import dump_line, take_from

__all__ = ["TICKS_PER_QUARTER", "NotOurs", "line_from_midi", "midi_from_take"]

TICKS_PER_QUARTER = 9600
#: The longest quarter of a MIDI file is 2^24 - 1 us.
_FASTEST_US, _SLOWEST_US = 1, 2**24 - 1
_MOST_DELTA_TICKS = 2**28 - 1
#: The second also has ends of notes that were not received; it is written where there are any.
_FORMATS = (1, 2)
_MARK = b"\x7dcompanion take "
#: mido reads no longer event than a million bytes, other programs less.
_PIECE_BYTES = 16_000
_DIGEST_DIGITS = 64
#: Controllers that end every note of their channel (MIDI 1.0: all sound off, and 123 to 127 all notes off).
_END_ALL = (120, 123, 124, 125, 126, 127)
_DAMAGED = (OSError, EOFError, ValueError, LookupError, TypeError, AttributeError, struct.error, mido.KeySignatureError)


class NotOurs(ValueError):
    """A MIDI file that holds no record of a take."""


def midi_from_take(data: Mapping[str, Any], sitting: Mapping[str, Any]) -> bytes:
    """The MIDI file of a take.

    Parameters
    ----------
    data
        The take's line, decoded.
    sitting
        The first line of its sitting, decoded.

    Raises
    ------
    ValueError
        If the line's take can't be read, naming the field.
    """
    take = take_from(data)
    tempo_us = min(max(round(60_000_000 / take.tempo_bpm), _FASTEST_US), _SLOWEST_US)
    lead_ns = _lead_ns(take.start_ns, tempo_us)
    track = mido.MidiTrack()
    messages, kept_ns, others = [], [], []
    at_tick = 0
    for index, event in enumerate(take.events):
        message = _in_a_file(event.message)
        if message is None:
            others.append((index, event.time_ns, event.message.hex()))
            continue
        tick = round((event.time_ns + lead_ns) / _tick_ns(tempo_us))
        tick = min(max(tick, at_tick), at_tick + _MOST_DELTA_TICKS)
        message.time = tick - at_tick
        messages.append(message)
        kept_ns.append(event.time_ns - _time_ns(tick, tempo_us, lead_ns))
        at_tick = tick
    ends = _ends(messages)
    if ends:
        end_tick = round((take.duration_ns + lead_ns) / _tick_ns(tempo_us))
        ends[0].time = min(max(end_tick - at_tick, 0), _MOST_DELTA_TICKS)
        messages += ends
    small = {name: value for name, value in data.items() if name != "events"}
    record = {
        "format": _FORMATS[bool(ends)], "sitting": dict(sitting), "take": small, "fields": list(data),
        "tempo_us": tempo_us, "lead_ns": lead_ns, "kept_ns": kept_ns, "others": others, "ends": len(ends),
    }  # fmt: skip
    track.append(mido.MetaMessage("track_name", name=plain_ascii(take.title)[:100]))
    text = dump_line(record).rstrip()
    text = _digest(text, messages) + text
    for at in range(0, len(text), _PIECE_BYTES):
        track.append(mido.MetaMessage("sequencer_specific", data=_MARK + text[at : at + _PIECE_BYTES]))
    track.append(mido.MetaMessage("set_tempo", tempo=tempo_us))
    track += messages
    file = mido.MidiFile(type=0, ticks_per_beat=TICKS_PER_QUARTER)
    file.tracks.append(track)
    content = io.BytesIO()
    file.save(file=content)
    return content.getvalue()


def _tick_ns(tempo_us: int) -> float:
    return tempo_us * 1000 / TICKS_PER_QUARTER


def _time_ns(tick: int, tempo_us: int, lead_ns: int) -> int:
    # In whole numbers: the same on every computer.
    return tick * tempo_us * 1000 // TICKS_PER_QUARTER - lead_ns


def _lead_ns(start_ns: int, tempo_us: int) -> int:
    """What all times of the take are moved by so that its beat 0, at `start_ns`, is on a quarter."""
    quarter_ns = tempo_us * 1000
    return -(-max(start_ns, 0) // quarter_ns) * quarter_ns - start_ns


def _in_a_file(message: bytes) -> Any | None:
    """The message as an event of a MIDI file, None where none gives back the very bytes."""
    if not message or message[0] > 0xF0:
        return None
    try:
        made = mido.Message.from_bytes(message)
    except (ValueError, LookupError, TypeError):
        return None
    return made if bytes(made.bytes()) == message else None


def _ends(messages: Sequence[Any]) -> list[Any]:
    """A note-off for each note that still sounds after the last message."""
    sounding: dict[tuple[int, int], None] = {}
    for message in messages:
        if message.type == "note_on" and message.velocity:
            sounding[message.channel, message.note] = None
        elif message.type in ("note_on", "note_off"):
            sounding.pop((message.channel, message.note), None)
        elif message.type == "control_change" and message.control in _END_ALL:
            sounding = {key: None for key in sounding if key[0] != message.channel}
    return [mido.Message("note_off", channel=channel, note=note, velocity=64) for channel, note in sounding]


def _digest(text: bytes, messages: Sequence[Any]) -> bytes:
    """Of the record and the events with their times: a file that was edited since is told by it."""
    found = hashlib.sha256(text)
    for message in messages:
        found.update(b"%d %s\n" % (message.time, message.hex().encode()))
    return found.hexdigest().encode()


def line_from_midi(content: bytes) -> tuple[dict[str, Any], bytes]:
    """The first line of the sitting, decoded, and the take's line, as they were when `midi_from_take` wrote them.

    Raises
    ------
    NotOurs
        If the file holds no record of a take.
    ValueError
        If it is damaged, of a later format or was changed by another program.
    """
    if content.startswith(b"MThd") and _MARK not in content:  # most others; reading a large one takes a minute
        raise NotOurs("a MIDI file, but not of a take that companion wrote")
    try:
        file = mido.MidiFile(file=io.BytesIO(content))
        events = [message for track in file.tracks for message in track]
    except _DAMAGED as error:
        raise NotOurs(
            f"no MIDI file that can be read ({' '.join(str(error).split()) or 'it ends too early'})"
        ) from None
    pieces = [bytes(event.data) for event in events if event.type == "sequencer_specific"]
    text = b"".join(piece.removeprefix(_MARK) for piece in pieces if piece.startswith(_MARK))
    if not text:
        raise NotOurs("a MIDI file, but not of a take that companion wrote")
    try:
        digest, text = text[:_DIGEST_DIGITS], text[_DIGEST_DIGITS:]
        record = json.loads(text)
        form = record.get("format")
        if form not in _FORMATS:
            raise ValueError(f"of format {str(form)[:20]}, only {_FORMATS[-1]} is known here: update companion")
        messages = [event for event in events if not event.is_meta]
        if file.ticks_per_beat != TICKS_PER_QUARTER or _digest(text, messages) != digest:
            raise ValueError("it was changed by another program, so it no longer is the take that was played")
        received = messages[: len(messages) - _whole(record.get("ends", 0))]
        line = dump_line(_with_events(record, received))
        return dict(record["sitting"]), line
    except (LookupError, TypeError, AttributeError, RecursionError, OverflowError, StopIteration) as error:
        raise ValueError(f"the take's record in it is damaged ({type(error).__name__}: {error})") from None


def _whole(value: Any) -> int:
    if type(value) is not int or value < 0:
        raise ValueError("the take's record in it is damaged: ends of notes")
    return value


def _with_events(record: Mapping[str, Any], messages: Sequence[Any]) -> dict[str, Any]:
    tempo_us, lead_ns, take = record["tempo_us"], record["lead_ns"], record["take"]
    kept_ns = record["kept_ns"]
    others = {index: (time_ns, message) for index, time_ns, message in record["others"]}
    if len(kept_ns) != len(messages):
        raise ValueError("the take's record in it is damaged: other events than it says")
    rows: list[tuple[int, str]] = []
    tick = 0
    waiting = iter(zip(messages, kept_ns, strict=True))
    for index in range(len(messages) + len(others)):
        if index in others:
            rows.append(others[index])
            continue
        message, kept = next(waiting)
        tick += message.time
        rows.append((_time_ns(tick, tempo_us, lead_ns) + kept, bytes(message.bytes()).hex()))
    line = {name: rows if name == "events" else take[name] for name in record["fields"]}
    take_from({**line, "events": [list(row) for row in rows]})
    return line
