"""From MIDI bytes to notes: what a wind controller or a keyboard really sends, heard as one line of notes.

Conventions
-----------
* One note at a time: a new note-on is the next note of the line (a slur on a wind controller, legato on a keyboard).
  Letting go of the key of the note before doesn't end the line's note; `PLAYED` keeps when it came up, for that tells
  legato from detached. Letting go of the newer of two keys does not bring the older one back.
* Two keys at once are two notes, in order of arrival; which of them belongs to the line is for the matching to say.
* A stuck note (its note-off never comes) ends with the next note-on.
* Pitch bend changes no pitch, held or not: wind controllers send the bite of the lip as bend (vibrato, scoops), and how
  many semitones it means is known to the sound module alone. Neither does the sustain pedal hold a note: what counts is
  what the fingers did.
* Channels are not told apart: a split keyboard and a controller that changes channel with every note are one line.
* Time doesn't run backwards: a message stamped before the note event that was heard last counts as come with it.
* `written = heard + shift_semitones`.
* Status bytes and controller numbers are those of MIDI 1.0 (1996), tables I to III.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import isnan, nan

import numpy as np

from companion.practice.model import BREATH, PLAYED, BreathArray, PlayedArray, RawEvent
from companion.units import NS_PER_MS, s_from_ns

__all__ = ["Ear", "NoteEnd", "NoteStart", "Shift", "breath_of", "find_shift", "is_note_on", "to_played"]

#: The same note again within this time is a message heard twice or a key that bounced: nobody repeats a note so fast.
DOUBLED_NS = 12 * NS_PER_MS

_NOTE_OFF, _NOTE_ON, _CONTROL, _PRESSURE, _RESET = 0x80, 0x90, 0xB0, 0xD0, 0xFF
#: Where breath may come from, the likeliest first: breath controller, channel pressure, expression, volume. As a
#: controller's habit common practice, no source.
_BREATH_SOURCES = (2, _PRESSURE, 11, 7)
#: A source with fewer values than this is a setting, sent once or twice, and no breath.
_FEWEST_BREATH_VALUES = 3
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
    """Hears one line of notes in MIDI messages. All it remembers is the note that sounds and when it last heard one."""

    def __init__(self, shift_semitones: int = 0) -> None:
        self._shift_semitones = shift_semitones
        self._sounding: NoteStart | None = None
        self._newest: NoteStart | None = None
        self._latest_ns: int | None = None

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
        written_midi, time_ns = event.message[1] + self._shift_semitones, self._in_order_ns(event.time_ns)
        before = self._newest
        if before and before.written_midi == written_midi and time_ns - before.time_ns < DOUBLED_NS:
            self._sounding = before
            return None
        self._latest_ns = time_ns
        self._sounding = self._newest = NoteStart(time_ns, written_midi, event.message[2])
        return self._sounding

    def _end(self, time_ns: int, written_midi: int) -> NoteEnd | None:
        if self._sounding is None or self._sounding.written_midi != written_midi:
            return None
        self._sounding = None
        self._latest_ns = self._in_order_ns(time_ns)
        return NoteEnd(self._latest_ns, written_midi)

    def _in_order_ns(self, time_ns: int) -> int:
        return time_ns if self._latest_ns is None else max(time_ns, self._latest_ns)


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
        In order of onset. `offset_s` is when the key came up, which in a slur is after the next onset. Where it did not
        come up before the note after next began it is the next onset, and NaN for a last note that was still held.
    """
    ear, rows = Ear(shift_semitones), list[_Row]()
    for event in events:
        heard = ear.hear(event)
        if heard is None:
            if rows and ear.sounding_midi is not None:
                rows[-1].offset_s = nan  # a key that bounced is down again
            _key_up(rows, event, start_ns, shift_semitones)
            continue
        time_s = s_from_ns(heard.time_ns - start_ns)
        if isinstance(heard, NoteEnd):
            rows[-1].offset_s = time_s
            continue
        rows.append(_Row(time_s, heard.written_midi, heard.velocity))
        _settle(rows[-3:-1])
    _settle(rows[-2:])
    played = np.array([(r.onset_s, r.offset_s, r.written_midi, r.velocity) for r in rows], dtype=PLAYED)
    played.flags.writeable = False
    return played


@dataclass(slots=True)
class _Row:
    """A note on its way into `PLAYED`."""

    onset_s: float
    written_midi: int
    velocity: int
    offset_s: float = nan


def _settle(pair: list[_Row]) -> None:
    """The note after next has begun, or nothing more comes: a key that has not come up by now is stuck."""
    if len(pair) == 2 and isnan(pair[0].offset_s):
        pair[0].offset_s = pair[1].onset_s


def _key_up(rows: list[_Row], event: RawEvent, start_ns: int, shift_semitones: int) -> None:
    """The key of the note before the newest came up: nothing to the line, but it tells how far they overlap."""
    message = event.message
    if len(rows) < 2 or len(message) < 3 or message[0] & 0xF0 not in (_NOTE_ON, _NOTE_OFF) or is_note_on(message):
        return
    before, newest = rows[-2:]
    if isnan(before.offset_s) and message[1] + shift_semitones == before.written_midi:
        before.offset_s = max(s_from_ns(event.time_ns - start_ns), newest.onset_s)


def breath_of(events: Iterable[RawEvent], start_ns: int) -> BreathArray:
    """How hard the player blew.

    Wind controllers send breath as controller 2, or as channel pressure, expression (11) or volume (7), and some of
    them as several at once. The first of these that moves is taken.

    Parameters
    ----------
    events : iterable of RawEvent
    start_ns : int
        When the first bar begins, on the events' clock.

    Returns
    -------
    array of `BREATH` [shape=(changes,)], read-only
        In order of time; empty where nothing that moves like breath was sent.
    """
    heard: dict[int, list[tuple[float, int]]] = {source: [] for source in _BREATH_SOURCES}
    for event in events:
        message = event.message
        if len(message) >= 3 and message[0] & 0xF0 == _CONTROL and message[1] in heard:
            heard[message[1]].append((s_from_ns(event.time_ns - start_ns), message[2] & 0x7F))
        elif len(message) >= 2 and message[0] & 0xF0 == _PRESSURE:
            heard[_PRESSURE].append((s_from_ns(event.time_ns - start_ns), message[1] & 0x7F))
    moving = (rows for rows in heard.values() if len({value for _, value in rows}) >= _FEWEST_BREATH_VALUES)
    breath = np.array(next(moving, []), dtype=BREATH)
    breath = breath[np.argsort(breath["time_s"], kind="stable")]
    breath.flags.writeable = False
    return breath


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
