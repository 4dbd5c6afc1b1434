"""Standard MIDI files as passages.

A MIDI file knows note numbers and ticks, not notation: rhythm, note names, and where a file is silent also the key, are
worked out here and said in `Passage.remarks`. Tempo marks keep the file's tempo; only the first one and changes that
last get a text. Notes are taken as written for the horn, since a file does not say whether it holds written or
sounding pitch.

References
----------
Standard MIDI Files 1.0, RP-001, MIDI Manufacturers Association 1988 (header, division, meta events). General MIDI
Level 1 (channel 10 is percussion).
"""

from __future__ import annotations

import hashlib
import io
import struct
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import PurePath

import mido

from companion.errors import ScoreError, SeveralParts
from companion.passage import Passage
from companion.scores.midibars import lay_bars
from companion.scores.midilengths import lengths_in
from companion.scores.midinotes import NoteEvent, TickNote, one_line, pair_notes
from companion.scores.midipassage import MidiScore, assemble

__all__ = ["read_midi"]

_MAX_BYTES = 20_000_000
_MAX_NOTES = 20_000
#: Bytes of a file that are parsed at most, and bytes in a row that can all be the head of one number: a file that is
#: only controller floods or one endless number stops here.
_MAX_PARSED_BYTES = 2_000_000
_MAX_HIGH_BYTES = 4_000
_PERCUSSION = 9
_DAMAGED = (OSError, EOFError, ValueError, LookupError, TypeError, AttributeError, struct.error, mido.KeySignatureError)


class _Bytes(io.BytesIO):
    """A file in memory that refuses to be read without end."""

    def __init__(self, data: bytes, name: str) -> None:
        super().__init__(data)
        self._name = name
        self._read = self._high = 0

    def read(self, size: int | None = -1, /) -> bytes:
        data = super().read(size)
        self._read += 1
        self._high = self._high + 1 if data[:1] >= b"\x80" else 0
        if self._read > _MAX_PARSED_BYTES or self._high > _MAX_HIGH_BYTES:
            raise ScoreError("holds far more data than a part for one player; export the part alone", file=self._name)
        return data


@dataclass(frozen=True, slots=True)
class _Part:
    """The notes of one track, or of one of its channels. `key` is what `--part` takes."""

    key: str
    name: str
    track: int
    events: tuple[NoteEvent, ...]
    end_tick: int


def read_midi(data: bytes, name: str, part: str | None = None) -> Passage:
    """Read a Standard MIDI file of format 0 or 1.

    Parameters
    ----------
    data
        The file.
    name
        Its path as given, for messages and `Passage.origin`.
    part
        The part to read where several hold notes: the number of its track from 1, `track:channel`, or its name.

    Returns
    -------
    Passage
        Beats are exact; `transposition` is None; `source` counts the notes from 0.

    Raises
    ------
    ScoreError
        where the file is damaged, too large, without notes, of format 2 or in SMPTE time, or where it holds several
        parts and `part` does not name one.
    """
    midi = _parse(data, name)
    remarks: list[str] = []
    parts = _parts(midi, name, remarks)
    chosen = _choose(parts, part, name, remarks)
    notes = _line(chosen, midi.ticks_per_beat, name, remarks)
    last_tick = max(max(note.on_tick, note.off_tick or 0) for note in notes)
    bars, meta_remarks = lay_bars(midi, chosen.track, notes[0].on_tick, last_tick, name)
    score = MidiScore(
        title=_title(midi, name),
        part_id=chosen.key,
        part_name=chosen.name,
        ticks_per_beat=midi.ticks_per_beat,
        notes=tuple(notes),
        bars=bars,
        lengths=lengths_in(midi.tracks[chosen.track - 1]),
        remarks=(*remarks, *meta_remarks),
        origin=name,
        sha256=hashlib.sha256(data).hexdigest(),
    )
    return assemble(score)


def _parse(data: bytes, name: str) -> mido.MidiFile:
    if not data:
        raise ScoreError("the file is empty", file=name)
    if len(data) > _MAX_BYTES:
        raise ScoreError(f"the file has {len(data) / 1e6:.0f} MB, more than {_MAX_BYTES // 1_000_000}", file=name)
    data = _unwrapped(data)
    if data[:4] != b"MThd":
        raise ScoreError("is not a Standard MIDI file: it does not begin with MThd", file=name)
    _check_header(data, name)
    try:
        return mido.MidiFile(file=_Bytes(data, name), clip=True)
    except EOFError:
        raise ScoreError("the MIDI file is cut short; copy or export it again", file=name) from None
    except _DAMAGED as error:
        found = " ".join(str(error).split())[:80] or type(error).__name__
        raise ScoreError(f"the MIDI file is damaged ({found}); export it again", file=name) from None


def _unwrapped(data: bytes) -> bytes:
    """The MIDI file inside a RIFF one (`.rmi`); others as they are."""
    if data[:4] == b"RIFF" and data[8:12] == b"RMID" and data[12:16] == b"data":
        return data[20:]
    return data


def _check_header(data: bytes, name: str) -> None:
    if len(data) < 14:
        raise ScoreError("the MIDI file is cut short: its header is incomplete", file=name)
    size, kind, _, division = struct.unpack(">LHHh", data[4:14])
    if size < 6 or size > len(data):
        raise ScoreError("the MIDI file is damaged: its header is of the wrong size", file=name)
    if kind == 2:
        raise ScoreError("MIDI files of format 2 (tracks played apart) are not read; export format 0 or 1", file=name)
    if kind > 2:
        raise ScoreError(f"there is no MIDI file format {kind}; the file is damaged", file=name)
    if division < 0:
        raise ScoreError("counts time in SMPTE frames, not in beats; export it with ticks per quarter note", file=name)
    if division == 0:
        raise ScoreError("says 0 ticks per quarter note; the file is damaged, export it again", file=name)


def _parts(midi: mido.MidiFile, name: str, remarks: list[str]) -> list[_Part]:
    """Every track with notes, percussion left out."""
    parts, percussion = [], 0
    for number, track in enumerate(midi.tracks, start=1):
        by_channel: dict[int, list[NoteEvent]] = {}
        tick, title = 0, ""
        for message in track:
            tick += message.time
            if message.type == "track_name" and not title:
                title = " ".join(_shown(message.name).split())[:60]
            elif message.type in ("note_on", "note_off"):
                on = message.type == "note_on" and message.velocity > 0
                by_channel.setdefault(message.channel, []).append(NoteEvent(tick, message.note, on))
        percussion += sum(event.on for event in by_channel.pop(_PERCUSSION, []))
        channels = sorted(c for c, events in by_channel.items() if any(event.on for event in events))
        parts += [_Part(f"{number}:{c + 1}", title, number, tuple(by_channel[c]), tick) for c in channels]
    if percussion:
        remarks.append(f"channel 10 (percussion, {_counted(percussion, 'note')}) is left out")
    if not parts:
        only = "only percussion (channel 10)" if percussion else "no notes"
        raise ScoreError(f"the MIDI file holds {only}", file=name)
    return parts


def _shown(text: str) -> str:
    """Track names are often UTF-8; mido hands them out byte by byte."""
    with suppress(UnicodeError):
        text = text.encode("latin-1").decode("utf-8")
    return "".join(c if c.isprintable() else " " for c in text)


def _choose(parts: Sequence[_Part], wanted: str | None, name: str, remarks: list[str]) -> _Part:
    if wanted is None:
        if len(parts) == 1:
            return _named_by_track(parts[0], parts)
        said = f"several parts hold notes; choose one with --part: {_listed(parts)}"
        raise SeveralParts(said, file=name, parts=[(_named_by_track(p, parts).key, p.name) for p in parts])
    want = wanted.strip()
    found = [p for p in parts if want in (str(p.track), p.key)]
    found = found or [p for p in parts if p.name and p.name.casefold() == want.casefold()]
    if not found or len({p.track for p in found}) > 1:
        fault = f"no part {want[:60]!r}" if not found else f"{want[:60]!r} names several parts"
        raise ScoreError(f"{fault}; choose one with --part: {_listed(parts)}", file=name)
    others = [p for p in parts if p not in found]
    if others:
        remarks.append(f"left out: {_listed(others)}")
    return _named_by_track(_together(found), parts)


def _together(parts: Sequence[_Part]) -> _Part:
    """Channels of one track as one part."""
    if len(parts) == 1:
        return parts[0]
    first = parts[0]
    events = sorted((event for part in parts for event in part.events), key=lambda event: event.tick)
    return _Part(str(first.track), first.name, first.track, tuple(events), first.end_tick)


def _named_by_track(part: _Part, parts: Sequence[_Part]) -> _Part:
    """`2` rather than `2:1` where the track has one channel."""
    if sum(p.track == part.track for p in parts) > 1:
        return part
    return _Part(str(part.track), part.name, part.track, part.events, part.end_tick)


def _listed(parts: Sequence[_Part], most: int = 12) -> str:
    shown = []
    for part in parts[:most]:
        notes = _counted(sum(event.on for event in part.events), "note")
        shown.append(f"{_named_by_track(part, parts).key} ({part.name + ', ' if part.name else ''}{notes})")
    more = f" and {len(parts) - most} more" if len(parts) > most else ""
    return ", ".join(shown) + more


def _line(part: _Part, ticks_per_beat: int, name: str, remarks: list[str]) -> list[TickNote]:
    count = sum(event.on for event in part.events)
    if count > _MAX_NOTES:
        raise ScoreError(f"the part holds {count:,} notes, more than {_MAX_NOTES:,}; cut the file", file=name)
    notes = pair_notes(part.events, part.end_tick)
    line, dropped = one_line(notes, ticks_per_beat)
    if dropped:
        remarks.append(f"chords: the top note is taken, {_counted(dropped, 'lower note')} left out")
    return line


def _title(midi: mido.MidiFile, name: str) -> str:
    for message in midi.tracks[0]:
        if message.type == "track_name" and (title := " ".join(_shown(message.name).split())[:200]):
            return title
    return PurePath(name).stem


def _counted(number: int, what: str) -> str:
    return f"{number:,} {what}" + ("" if number == 1 else "s")
