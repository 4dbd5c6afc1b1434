"""What a controller sends for the notes a simulated player plays: when each note ends, the messages, the breath.

Wind controllers
----------------
* Before a tongued note there is a gap of 34.5 ms (SD 5.8): the contact of tongue and reed on the saxophone, Hofmann and
  others, ICMPC-ESCOM 2012, p. 442. In quick notes it shrinks to half the interval.
* Into a slurred note a device has one of three habits (common practice, no source): the old note ends a few ms after
  the new one began, in the same instant, or up to 2 ms before.
* Breath is controller 2, in a flood: 100 a second by default, sent where the value changes.

Keyboards
---------
* Legato fingers overlap, by some tens of ms, more in longer notes: B. H. Repp, J. Acoust. Soc. Am. 97 (1995) 3862-3874,
  and R. Bresin and G. U. Battel, J. New Music Research 29 (2000) 211-224. The range of 10 to 80 ms is ours.
* Detached notes are let go after 60 to 90 % of the way to the next; 60 % is what Bresin and Battel found for repeated
  notes, the rest is ours. There is no breath.

Staccato notes last half their length (common practice, no source; Bresin and Battel's pianists: 40 %).
"""

from __future__ import annotations

from itertools import pairwise
from random import Random
from typing import NamedTuple

from companion.practice.sim_player import Sounded

__all__ = ["KEYBOARD", "STYLES", "WIND", "Span", "TimedMessage", "messages_of", "spans_of"]

WIND, KEYBOARD = "wind", "keyboard"
STYLES = (WIND, KEYBOARD)
TONGUE_S, TONGUE_SD_S = 0.0345, 0.0058
SLUR_OVERLAP_S, SLUR_OVERLAP_SD_S = 0.006, 0.0015
LEGATO_S, LEGATO_SD_S, LEGATO_RANGE_S = 0.040, 0.015, (0.010, 0.080)
DETACHED_RANGE = (0.60, 0.90)
#: Fingers on keys are less even than breath (ours, no source).
KEY_SD = 8.0
BREATH_CONTROLLER = 2
BREATH_ATTACK_S = 0.03
#: An overlap reaches at most this far into the next note.
_LONGEST_OVERLAP = 0.6


class TimedMessage(NamedTuple):
    """A MIDI message at `time_s` seconds from beat 0 of the passage (before it: negative)."""

    time_s: float
    message: bytes


class Span(NamedTuple):
    """A note from key down to key up."""

    onset_s: float
    offset_s: float
    midi: int
    velocity: int


def spans_of(played: list[Sounded], style: str, rng: Random) -> list[Span]:
    """When each note ends, in the way of the style."""
    slur_s = rng.choice((SLUR_OVERLAP_S, SLUR_OVERLAP_S, 0.0, -0.001))
    onsets_s = [round(note.onset_s, 6) for note in played]
    spans = []
    for i, note in enumerate(played):
        after = played[i + 1] if i + 1 < len(played) else None
        next_s = onsets_s[i + 1] if after is not None else None
        room_s = onsets_s[i + 2] - onsets_s[i + 1] if i + 2 < len(played) else 1.0
        if style == KEYBOARD:
            off_s = _key_up_s(note, onsets_s[i], after, next_s, room_s, rng)
        else:
            off_s = _wind_end_s(note, onsets_s[i], after, next_s, room_s, slur_s, rng)
        velocity = note.velocity if style == WIND else max(1, min(127, note.velocity + round(rng.gauss(0.0, KEY_SD))))
        spans.append(Span(onsets_s[i], round(off_s, 6), note.midi, velocity))
    return spans


def _wind_end_s(
    note: Sounded,
    onset_s: float,
    after: Sounded | None,
    next_s: float | None,
    room_s: float,
    slur_s: float,
    rng: Random,
) -> float:
    tongue_s = max(0.005, rng.gauss(TONGUE_S, TONGUE_SD_S))
    slur_s += rng.gauss(0.0, SLUR_OVERLAP_SD_S) if slur_s > 0 else 0.0
    if after is None or next_s is None:
        return onset_s + note.length_s
    if not after.tongued and after.midi != note.midi:
        return next_s + max(min(slur_s, _LONGEST_OVERLAP * room_s), -0.2 * (next_s - onset_s))
    last_s = next_s - min(tongue_s, 0.5 * (next_s - onset_s))
    return last_s if note.follows else min(onset_s + note.length_s, last_s)


def _key_up_s(
    note: Sounded, onset_s: float, after: Sounded | None, next_s: float | None, room_s: float, rng: Random
) -> float:
    overlap_s = min(max(rng.gauss(LEGATO_S, LEGATO_SD_S), LEGATO_RANGE_S[0]), LEGATO_RANGE_S[1])
    held = rng.uniform(*DETACHED_RANGE)
    if after is None or next_s is None:
        return onset_s + note.length_s
    if not after.tongued and after.midi != note.midi:
        return next_s + min(overlap_s, _LONGEST_OVERLAP * room_s)
    detached_s = onset_s + held * (next_s - onset_s)
    return detached_s if note.follows else min(onset_s + note.length_s, detached_s)


def messages_of(played: list[Sounded], spans: list[Span], breath_hz: float, rng: Random) -> tuple[TimedMessage, ...]:
    """The messages in order of time."""
    messages = []
    for span in spans:
        messages.append(TimedMessage(span.onset_s, bytes((0x90, span.midi, span.velocity))))
        messages.append(TimedMessage(span.offset_s, bytes((0x80, span.midi, 0))))
    if breath_hz > 0:
        messages += _breath(played, spans, breath_hz, rng)
    # Sorting keeps the order of equal times: a slur without overlap is a note-on, then the old note's note-off.
    return tuple(sorted(messages, key=lambda timed: (timed.time_s, timed.message[0] == 0x80)))


def _breath(played: list[Sounded], spans: list[Span], rate_hz: float, rng: Random) -> list[TimedMessage]:
    """Rises with each attack, falls to nothing in rests; a tongue stroke leaves it nearly as it is."""
    messages: list[TimedMessage] = []
    value = 0
    for i, (span, after) in enumerate(pairwise([*spans, None])):
        assert span is not None
        end_s = span.offset_s if after is None else min(span.offset_s, after.onset_s)
        steps = max(1, int((end_s - span.onset_s) * rate_hz))
        began = value
        for step in range(steps):
            since_s = step / rate_hz
            wanted = span.velocity + rng.gauss(0, 1.5)
            risen = min(1.0, since_s / BREATH_ATTACK_S) if began < wanted else 1.0
            new = max(1, min(127, round(began + (wanted - began) * risen)))
            if new != value:
                value = new
                messages.append(_breath_message(span.onset_s + since_s, value))
        ends = after is None or after.onset_s - span.offset_s > 2 * TONGUE_S or played[i + 1].breathless
        if ends:
            value = 0
            messages.append(_breath_message(span.offset_s + 0.5 / rate_hz, 0))
    return messages


def _breath_message(time_s: float, value: int) -> TimedMessage:
    return TimedMessage(round(time_s, 6), bytes((0xB0, BREATH_CONTROLLER, value)))
