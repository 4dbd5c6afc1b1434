"""A performance that another program recorded as a MIDI file, judged as a take of a passage.

Such a file does not say when its beat 0 was. It is set where the notes fit the click best: the middle one of all
deviations is then 0, so early and late are against the player's own beat. Neither does it say which pitch it holds:
written and sounding are tried, and the one that fits better is taken.
"""

from __future__ import annotations

import hashlib
import io
import struct
from dataclasses import replace
from datetime import datetime

import mido
import numpy as np

from companion.charts.model import Chart
from companion.errors import RecordError
from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice import align, judge, to_played
from companion.practice.clock import note_onsets_s
from companion.practice.hearing import breath_of, is_note_on
from companion.practice.model import Assessment, RawEvent
from companion.practice.pressed import pressed_of
from companion.record.model import TakeRecord
from companion.record.take import take_record
from companion.units import NS_PER_MS, ns_from_s

__all__ = ["MAX_BYTES", "PORT_PREFIX", "events_of", "take_of"]

MAX_BYTES = 20_000_000
#: What stands as the port of such a take, before the file's name.
PORT_PREFIX = "file "
_PERCUSSION = 9
#: The beat is moved so often at most; it stands still when it moves by less.
_MOVES, _STILL_MS = 5, 0.5
_DAMAGED = (OSError, EOFError, ValueError, LookupError, TypeError, AttributeError, struct.error, mido.KeySignatureError)


def events_of(content: bytes, name: str) -> tuple[RawEvent, ...]:
    """What was played, in order, timed from the file's beginning; the percussion channel is left out.

    Raises
    ------
    RecordError
        If the file is damaged, too large, without notes or of several pieces.
    """
    if len(content) > MAX_BYTES:
        raise RecordError(f"{name}: over {MAX_BYTES // 10**6} MB, so hardly one take; cut it in your recorder")
    found, now_s = [], 0.0
    try:
        file = mido.MidiFile(file=io.BytesIO(content), clip=True)
        if file.type == 2 or file.ticks_per_beat <= 0:
            raise RecordError(f"{name}: of several pieces or in film time; save it as MIDI of format 0 or 1")
        for message in file:
            now_s += message.time
            if not message.is_meta and getattr(message, "channel", 0) != _PERCUSSION:
                found.append(RawEvent(ns_from_s(now_s), bytes(message.bytes())))
    except _DAMAGED as error:
        why = " ".join(str(error).split()) or "it ends too early"
        raise RecordError(f"{name}: no MIDI file that can be read ({why})") from None
    if not any(is_note_on(event.message) for event in found):
        raise RecordError(f"{name}: holds no notes; give the recording of what you played")
    return tuple(found)


def take_of(
    content: bytes, name: str, passage: Passage, plan: Plan, chart: Chart, *, tempo_bpm: float, started: datetime,
    first_note: int = 0, bars: str = "",
) -> TakeRecord:  # fmt: skip
    """The take that a MIDI file holds.

    Parameters
    ----------
    content, name
        The file, and its name.
    passage, plan, chart
        What was played from (an excerpt begins with note `first_note` of what `plan` is for), and the horn.
    tempo_bpm
        Quarters a minute that the player aimed at.
    started
        When it was played, with its zone.
    bars
        Printed bars of the excerpt; empty for the whole passage.

    Returns
    -------
    TakeRecord
        Its `id` follows from the file, the passage, the bars and the tempo: the same file is the same take.

    Raises
    ------
    RecordError
        As `events_of`.
    """
    events = events_of(content, name)
    part = plan.part(first_note, len(passage.notes))
    shift = _shift(events, passage, chart, tempo_bpm)
    beat_0_ns, assessment = _fitted(events, passage, part, chart, tempo_bpm, shift)
    begin_ns, end_ns = min(beat_0_ns, events[0].time_ns), events[-1].time_ns
    take = take_record(
        passage, plan, chart, assessment, events, take_ns=begin_ns, beat_0_ns=beat_0_ns, end_ns=end_ns, run_ns=begin_ns,
        first_note=first_note, bars=bars, port=f"{PORT_PREFIX}{name}", shift_semitones=shift,
    )  # fmt: skip
    told = f"{passage.sha256} {passage.part_id} {take.bars} {tempo_bpm:g}".encode()
    digest = hashlib.sha256(content + told).hexdigest()[:16]
    return replace(take, id=f"midi-{digest}", started=started.isoformat())


def _first_guess_ns(events: tuple[RawEvent, ...], passage: Passage, tempo_bpm: float) -> int:
    """Beat 0 if the first note played is the first one written."""
    first_ns = next(event.time_ns for event in events if is_note_on(event.message))
    return first_ns - ns_from_s(float(note_onsets_s(passage, tempo_bpm)[0]))


def _shift(events: tuple[RawEvent, ...], passage: Passage, chart: Chart, tempo_bpm: float) -> int:
    """Semitones from what the file holds to written pitch: none, or those of the horn."""
    start_ns = _first_guess_ns(events, passage, tempo_bpm)
    costs = {
        shift: align(passage, to_played(events, start_ns, shift), tempo_bpm).cost for shift in (0, -chart.transposition)
    }
    return min(costs, key=lambda shift: costs[shift])


def _fitted(
    events: tuple[RawEvent, ...], passage: Passage, plan: Plan, chart: Chart, tempo_bpm: float, shift: int
) -> tuple[int, Assessment]:
    """When beat 0 was, and the final word on the take."""
    start_ns, moves = _first_guess_ns(events, passage, tempo_bpm), 0
    while True:
        played = to_played(events, start_ns, shift)
        breath, pressed = breath_of(events, start_ns), pressed_of(events, start_ns, chart)
        found = judge(passage, played, tempo_bpm, plan=plan, chart=chart, breath=breath, pressed=pressed)
        late_ms = [note.deviation_ms for note in found.notes if note.deviation_ms is not None]
        off_ms = float(np.median(late_ms)) if late_ms else 0.0
        if abs(off_ms) < _STILL_MS or moves == _MOVES:
            return start_ns, found
        start_ns += round(off_ms * NS_PER_MS)
        moves += 1
