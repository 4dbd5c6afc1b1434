"""Notes from MIDI events: which note-off belongs to which note-on, and one line out of several voices.

Conventions: ticks since the start of the track; note numbers as the file has them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

__all__ = ["NoteEvent", "TickNote", "one_line", "pair_notes"]

#: Struck together: onsets of a chord on a keyboard lie within some 30 ms (common practice, no source). In ticks this is
#: taken as a share of a quarter, at most a 32nd triplet.
_CHORD_BEATS = 1 / 12
#: A note that goes on for more than this share of the next one is a voice of its own, less is a legato overlap.
_VOICE_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class NoteEvent:
    """A note-on (`on`) or note-off of one channel at `tick`."""

    tick: int
    midi: int
    on: bool


@dataclass(frozen=True, slots=True)
class TickNote:
    """A note from `on_tick` to `off_tick` (None where no note-off ever came)."""

    on_tick: int
    off_tick: int | None
    midi: int


def pair_notes(events: Sequence[NoteEvent], end_tick: int) -> list[TickNote]:
    """Notes of one channel in order of onset.

    A note-on while its note sounds ends it and starts it anew; then, if two note-offs follow, the last one counts. A
    note that is never ended lasts to the next onset of any note, or to `end_tick`.
    """
    by_pitch: dict[int, list[NoteEvent]] = {}
    for event in events:
        by_pitch.setdefault(event.midi, []).append(event)
    notes = [note for own in by_pitch.values() for note in _pair_one_pitch(own)]
    notes.sort(key=lambda note: (note.on_tick, note.midi))
    closed: list[TickNote] = []
    this = following = end_tick
    for note in reversed(notes):
        if note.on_tick != this:
            this, following = note.on_tick, this
        closed.append(note if note.off_tick is not None else replace(note, off_tick=max(following, note.on_tick)))
    return closed[::-1]


def _pair_one_pitch(events: Sequence[NoteEvent]) -> list[TickNote]:
    """Notes of one note number; `events` in order of time."""
    notes: list[TickNote] = []
    on_tick: int | None = None
    offs: list[int] = []
    struck_again = False
    for event in [*events, None]:
        if event is not None and not event.on:
            offs.append(event.tick)
            continue
        if on_tick is not None:
            off = (offs[-1] if struck_again else offs[0]) if offs else (event.tick if event else None)
            notes.append(TickNote(on_tick, off, events[0].midi))
        struck_again = on_tick is not None and not offs
        if event is not None:
            on_tick, offs = event.tick, []
    return notes


def one_line(notes: Sequence[TickNote], ticks_per_beat: int) -> tuple[list[TickNote], int]:
    """The top line of what may be chords or several voices.

    Returns
    -------
    line, dropped
        Notes that no longer overlap, in order, and how many were left out: the lower notes of chords and the notes that
        begin below one that is held. A short overlap is a legato and only cut.
    """
    line: list[TickNote] = []
    for note in notes:
        if not line or _off(line[-1]) <= note.on_tick:
            line.append(note)
            continue
        held = line[-1]
        together = note.on_tick - held.on_tick <= ticks_per_beat * _CHORD_BEATS
        shared = min(_off(held), _off(note)) - note.on_tick
        shorter = min(_off(held) - held.on_tick, _off(note) - note.on_tick)
        if together and shared > _VOICE_SHARE * shorter:
            if note.midi > held.midi:
                line[-1] = replace(note, on_tick=held.on_tick)
        elif note.midi > held.midi or shared <= _VOICE_SHARE * shorter:
            line[-1] = replace(held, off_tick=note.on_tick)
            line.append(note)
    return line, len(notes) - len(line)


def _off(note: TickNote) -> int:
    return note.on_tick if note.off_tick is None else note.off_tick
