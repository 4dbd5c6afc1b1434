"""From MIDI bytes to notes: what a wind controller or a keyboard really sends, heard as one line of notes.

Conventions
-----------
* One note at a time: a new note-on ends the note before (a slur on a wind controller, legato on a keyboard). Letting go
  of a key that no longer sounds changes nothing, and neither does the sustain pedal.
* `written = heard + shift_semitones`.
* Status bytes and controller numbers are those of MIDI 1.0 (1996), tables I to III.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from companion.practice.model import PLAYED, PlayedArray, RawEvent
from companion.units import NS_PER_MS, s_from_ns

__all__ = ["Ear", "NoteEnd", "NoteStart", "Shift", "find_shift", "is_note_on", "to_played"]

#: The same note again within this time is one key or one message heard twice: nobody repeats a note so fast.
DOUBLED_NS = 12 * NS_PER_MS

_NOTE_OFF, _NOTE_ON, _CONTROL, _RESET = 0x80, 0x90, 0xB0, 0xFF
#: All sound off, all notes off, and the four mode messages that imply it.
_SILENCING = frozenset({120, 123, 124, 125, 126, 127})


@dataclass(frozen=True, slots=True)
class NoteStart:
    """A note begins (and ends any note before it)."""

    time_ns: int
    written_midi: int
    velocity: int


@dataclass(frozen=True, slots=True)
class NoteEnd:
    """The note that was sounding ends and nothing follows at once."""

    time_ns: int
    written_midi: int


class Ear:
    """Hears one line of notes in MIDI messages. The only state is the note that sounds."""

    def __init__(self, shift_semitones: int = 0) -> None:
        self._shift_semitones = shift_semitones
        self._sounding: NoteStart | None = None

    @property
    def sounding_midi(self) -> int | None:
        """Written MIDI number of the note that sounds, None in silence."""
        return self._sounding.written_midi if self._sounding else None

    def hear(self, event: RawEvent) -> NoteStart | NoteEnd | None:
        """What this message means for the line of notes; None for all that is no note (breath, bite, clock, ...)."""
        message = event.message
        if not message:
            return None
        kind = message[0] & 0xF0
        if is_note_on(message):
            return self._start(event)
        if kind in (_NOTE_ON, _NOTE_OFF) and len(message) >= 3:
            return self._end(event.time_ns, message[1] + self._shift_semitones)
        silencing = kind == _CONTROL and len(message) >= 3 and message[1] in _SILENCING
        if (silencing or message[0] == _RESET) and self._sounding is not None:
            return self._end(event.time_ns, self._sounding.written_midi)
        return None

    def _start(self, event: RawEvent) -> NoteStart | None:
        written_midi = event.message[1] + self._shift_semitones
        before = self._sounding
        if before and before.written_midi == written_midi and event.time_ns - before.time_ns < DOUBLED_NS:
            return None
        self._sounding = NoteStart(event.time_ns, written_midi, event.message[2])
        return self._sounding

    def _end(self, time_ns: int, written_midi: int) -> NoteEnd | None:
        if self._sounding is None or self._sounding.written_midi != written_midi:
            return None
        self._sounding = None
        return NoteEnd(time_ns, written_midi)


def is_note_on(message: bytes) -> bool:
    """Whether a message begins a note (with velocity 0 it ends one)."""
    return len(message) >= 3 and message[0] & 0xF0 == _NOTE_ON and message[2] > 0


def to_played(events: Iterable[RawEvent], start_ns: int, shift_semitones: int = 0) -> PlayedArray:
    """The notes in these events.

    Parameters
    ----------
    events : iterable of RawEvent
        In order of arrival.
    start_ns : int
        When the first bar begins, on the events' clock. Notes before it have negative onsets.
    shift_semitones : int
        Written minus heard.

    Returns
    -------
    array of `PLAYED` [shape=(notes,)], read-only
        `offset_s` is NaN where the last note was still held.
    """
    ear, rows = Ear(shift_semitones), list[tuple[float, float, int, int]]()
    for event in events:
        heard = ear.hear(event)
        if heard is None:
            continue
        time_s = s_from_ns(heard.time_ns - start_ns)
        if rows and rows[-1][1] != rows[-1][1]:
            rows[-1] = (rows[-1][0], time_s, *rows[-1][2:])
        if isinstance(heard, NoteStart):
            rows.append((time_s, float("nan"), heard.written_midi, heard.velocity))
    played = np.array(rows, dtype=PLAYED)
    played.flags.writeable = False
    return played


@dataclass(frozen=True, slots=True)
class Shift:
    """What a one-note check found: `written = heard + semitones`. Not `plausible` where neither the written nor the
    sounding pitch, in any octave, explains it: then ask again. `words` is the sentence to show."""

    semitones: int
    plausible: bool
    words: str


def find_shift(
    asked_written_midi: int, heard_midi: int, transposition: int = 0, instrument: str = "instrument"
) -> Shift:
    """Work out from one known note which pitch the controller sends.

    Parameters
    ----------
    asked_written_midi, heard_midi : int
        The written note the player was asked for, and the MIDI number that arrived.
    transposition : int
        Sounding minus written semitones of the horn (alto -9).
    instrument : str
        Its name, for the words.
    """
    semitones = asked_written_midi - heard_midi
    sounding = asked_written_midi + transposition - heard_midi
    if semitones == 0:
        return Shift(0, True, "the controller sends written pitch, as it stands on the page")
    if sounding == 0:
        return Shift(semitones, True, f"the controller sends sounding {instrument} pitch: {_apart(-semitones)}")
    if semitones % 12 == 0 and abs(semitones) <= 48:
        return Shift(semitones, True, f"the controller sends written pitch, {_apart(-semitones)}")
    if sounding % 12 == 0 and abs(sounding) <= 48:
        words = f"the controller sends sounding {instrument} pitch, {_apart(-sounding)} (together {_apart(-semitones)})"
        return Shift(semitones, True, words)
    words = (
        f"what arrived is {_apart(-semitones)} than the note asked for, which is neither written nor sounding"
        f" {instrument} pitch: play the note again, or choose another instrument"
    )
    return Shift(semitones, False, words)


_NUMBERS = ("no", "one", "two", "three", "four")


def _apart(semitones: int) -> str:
    """`9 semitones lower`, `one octave higher`."""
    direction = "higher" if semitones > 0 else "lower"
    octaves, rest = divmod(abs(semitones), 12)
    if rest == 0 and 0 < octaves < len(_NUMBERS):
        return f"{_NUMBERS[octaves]} octave{'s' if octaves > 1 else ''} {direction}"
    return f"{abs(semitones)} semitone{'s' if abs(semitones) > 1 else ''} {direction}"
