"""The simulated player: a passage played as a person would, as MIDI messages. Pure: same in, same out.

`companion.ports.player` says how the timing and the slips come about. Here they become what a wind controller sends:

* Before a tongued note there is a gap of 34.5 ms (SD 5.8): the contact of tongue and reed on the saxophone, Hofmann and
  others, ICMPC-ESCOM 2012, p. 442. In quick notes it shrinks to half the interval.
* Into a slurred note the old note ends a few ms after the new one began (habit of wind controllers, common practice).
* Staccato notes last half their length (common practice, no source).
* Breath is controller 2, in a flood: 100 a second by default, sent where the value changes.
* A trill begins and ends on the written note, at the pace of a usual change of fingering (common practice today).
* Grace notes come where `companion.practice.clock` expects them.
"""

from __future__ import annotations

from itertools import pairwise
from random import Random
from typing import NamedTuple

from companion.errors import UsageError
from companion.passage import Passage
from companion.planning.model import Plan
from companion.ports.player import LEVELS, Player, Sounded

__all__ = ["LEVELS", "TimedMessage", "perform"]

TONGUE_S, TONGUE_SD_S = 0.0345, 0.0058
SLUR_OVERLAP_S = 0.006
BREATH_CONTROLLER = 2
BREATH_ATTACK_S = 0.03


class TimedMessage(NamedTuple):
    """A MIDI message at `time_s` seconds from beat 0 of the passage (before it: negative)."""

    time_s: float
    message: bytes


class _Span(NamedTuple):
    onset_s: float
    offset_s: float
    midi: int
    velocity: int


def perform(
    passage: Passage,
    tempo_bpm: float,
    level: str,
    seed: int,
    take: int = 0,
    shift_semitones: int = 0,
    plan: Plan | None = None,
    breath_hz: float = 100.0,
) -> tuple[TimedMessage, ...]:
    """One take of the passage as MIDI messages in order of time.

    Parameters
    ----------
    tempo_bpm
        Quarters a minute; later tempo marks keep their ratio to the first.
    level
        A key of `LEVELS`: `steady`, `student` or `beginner`.
    take
        0 for the first; the same seed, take and tempo give the same events.
    shift_semitones
        What a listener must add to a number received to get the written pitch: 0 for a device that sends written
        pitch, 9 for an alto that sends sounding pitch.
    plan
        Where given, hard changes of fingering (`change_s`) are where slips and hesitations gather.
    breath_hz
        How often the breath is looked at; 0 sends none.

    Raises
    ------
    UsageError
        Unknown level, a tempo that isn't positive, a plan of another passage, or a note outside MIDI's 0 to 127.
    """
    if level not in LEVELS:
        raise UsageError(f"no player called {level!r}: there is {', '.join(LEVELS)}")
    if not tempo_bpm > 0:
        raise UsageError(f"a tempo of {tempo_bpm:g} can't be played: it counts quarters a minute and must be above 0")
    if plan is not None and len(plan.choices) != len(passage.notes):
        raise UsageError(f"the plan is for {len(plan.choices)} notes, the passage has {len(passage.notes)}")
    player = Player(passage, tempo_bpm, level, seed, take, plan)
    spans = _spans(player.play(), player.rng)
    messages = [message for span in spans for message in _note_messages(span, shift_semitones)]
    if breath_hz > 0:
        messages += _breath(spans, breath_hz, player.rng)
    # Sorting keeps the order of equal times: a note-off queued before the note-on of the same instant stays before it.
    return tuple(sorted(messages, key=lambda timed: timed.time_s))


def _spans(played: list[Sounded], rng: Random) -> list[_Span]:
    spans = []
    for note, after in pairwise([*played, None]):
        assert note is not None
        spans.append(_Span(note.onset_s, _offset_s(note, after, rng), note.midi, note.velocity))
    return spans


def _offset_s(note: Sounded, after: Sounded | None, rng: Random) -> float:
    tongue_s = max(0.005, rng.gauss(TONGUE_S, TONGUE_SD_S))
    if after is None:
        return note.onset_s + note.length_s
    gap_s = after.onset_s - note.onset_s
    if note.slurs_on and after.midi != note.midi:
        return after.onset_s + min(SLUR_OVERLAP_S, 0.2 * gap_s)
    last_s = after.onset_s - min(tongue_s, 0.5 * gap_s)
    return last_s if note.follows else min(note.onset_s + note.length_s, last_s)


def _note_messages(span: _Span, shift_semitones: int) -> tuple[TimedMessage, TimedMessage]:
    number = span.midi - shift_semitones
    if not 0 <= number <= 127:
        raise UsageError(f"written note {span.midi} less {shift_semitones} semitones is outside MIDI's 0 to 127")
    return (
        TimedMessage(span.onset_s, bytes((0x90, number, span.velocity))),
        TimedMessage(span.offset_s, bytes((0x80, number, 0))),
    )


def _breath(spans: list[_Span], rate_hz: float, rng: Random) -> list[TimedMessage]:
    """Rises with each attack, falls to nothing in rests; a tongue stroke leaves it nearly as it is."""
    messages: list[TimedMessage] = []
    value = 0
    for span, after in pairwise([*spans, None]):
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
        if after is None or after.onset_s - span.offset_s > 2 * TONGUE_S:
            value = 0
            messages.append(_breath_message(span.offset_s + 0.5 / rate_hz, 0))
    return messages


def _breath_message(time_s: float, value: int) -> TimedMessage:
    return TimedMessage(time_s, bytes((0xB0, BREATH_CONTROLLER, value)))
