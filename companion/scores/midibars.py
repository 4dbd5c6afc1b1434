"""Bars, keys and tempos from the meta events of a MIDI file."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import mido

from companion.errors import ScoreError
from companion.passage import Bar, TempoMark
from companion.scores.rhythm import full_bar_beats, is_compound

__all__ = ["MidiBars", "lay_bars"]

_MAX_BARS = 4_000
_MAX_BEATS, _MAX_BEAT_TYPE = 32, 64
#: Tempos in quarters a minute that are believed.
_TEMPO_RANGE_BPM = (5.0, 1000.0)
#: Smaller changes of tempo are a player's breathing, not marks; a change is printed from this share on, if it lasts.
_TEMPO_CHANGE = 0.01
_PRINTED_CHANGE = 0.04
_PRINTED_BEATS = 4
#: Signatures are put to the nearest of these places, since converters write them a tick off.
_SIGNATURE_GRID = 16


@dataclass(frozen=True, slots=True)
class MidiBars:
    """The frame of a passage. `key_known` is False where no key signature was found; the bars then say 0 fifths."""

    bars: tuple[Bar, ...]
    tempos: tuple[TempoMark, ...]
    key_known: bool


def lay_bars(
    midi: mido.MidiFile, track_number: int, first_tick: int, last_tick: int, name: str
) -> tuple[MidiBars, list[str]]:
    """Bars up to beyond `last_tick`, with keys and tempos, and remarks.

    A first bar of a shorter time signature before the real one (1/4, then 4/4) is an upbeat. A time signature in the
    middle of a bar cuts it.
    """
    remarks: list[str] = []
    per_beat = midi.ticks_per_beat
    end = Fraction(max(first_tick, last_tick), per_beat)
    meters = _meters(midi, remarks)
    bars = _upbeat_by_signature(_bars(meters, end, name))
    keys = _keys(midi, track_number)
    bars = _with_keys(bars, keys)
    first = bars[0]
    unit = "♩." if is_compound(first.beats, first.beat_type) and first.beat_type == 8 else "♩"
    tempos = _tempos(midi, end, unit, remarks)
    if tempos:
        bars = _with_mark_unit(bars, Fraction(3, 2) if unit == "♩." else Fraction(1))
    return MidiBars(tuple(bars), tempos, bool(keys)), remarks


def _with_mark_unit(bars: Sequence[Bar], unit: Fraction) -> list[Bar]:
    """The bars in the first metre know which note the printed tempo counts."""
    metre = (bars[0].beats, bars[0].beat_type)
    same = next((i for i, bar in enumerate(bars) if (bar.beats, bar.beat_type) != metre), len(bars))
    return [replace(bar, mark_unit=unit) if i < same else bar for i, bar in enumerate(bars)]


def _events(midi: mido.MidiFile, kind: str, track_number: int | None = None) -> list[tuple[Fraction, mido.MetaMessage]]:
    """Meta events of one kind in all tracks, or in one, by time; the tick as beats."""
    found = []
    for number, track in enumerate(midi.tracks, start=1):
        if track_number not in (None, number):
            continue
        tick = 0
        for message in track:
            tick += message.time
            if message.type == kind:
                found.append((Fraction(tick, midi.ticks_per_beat), message))
    return sorted(found, key=lambda pair: pair[0])


def _meters(midi: mido.MidiFile, remarks: list[str]) -> list[tuple[Fraction, int, int]]:
    """(beat, beats, beat type), one a place, the first at 0; 4/4 where the file is silent."""
    meters: dict[Fraction, tuple[int, int]] = {Fraction(0): (4, 4)}
    for at, message in _events(midi, "time_signature"):
        beats, beat_type = message.numerator, message.denominator
        if not (1 <= beats <= _MAX_BEATS and beat_type <= _MAX_BEAT_TYPE):
            remarks.append("a time signature that makes no sense is left out")
            continue
        meters[Fraction(round(at * _SIGNATURE_GRID), _SIGNATURE_GRID)] = (beats, beat_type)
    ordered = [(at, *meters[at]) for at in sorted(meters)]
    return [m for i, m in enumerate(ordered) if i == 0 or m[1:] != ordered[i - 1][1:]]


def _bars(meters: Sequence[tuple[Fraction, int, int]], end: Fraction, name: str) -> list[Bar]:
    """Bars until one begins beyond `end`, for a last note that is rounded up to it, and the one after."""
    bars: list[Bar] = []
    for place, (start, beats, beat_type) in enumerate(meters):
        limit = meters[place + 1][0] if place + 1 < len(meters) else None
        at = start
        while (limit is None or at < limit) and (not bars or bars[-1].start <= end):
            if len(bars) >= _MAX_BARS:
                raise ScoreError(f"runs over more than {_MAX_BARS:,} bars; cut the file to the passage", file=name)
            length = full_bar_beats(beats, beat_type)
            if limit is not None:
                length = min(length, limit - at)
            bars.append(Bar(len(bars), str(len(bars) + 1), len(bars), at, length, beats, beat_type))
            at += length
    return bars


def _upbeat_by_signature(bars: list[Bar]) -> list[Bar]:
    if len(bars) < 2:
        return bars
    first, second = bars[0], bars[1]
    full = full_bar_beats(second.beats, second.beat_type)
    if (first.beats, first.beat_type) == (second.beats, second.beat_type) or first.length >= full:
        return bars
    upbeat = replace(first, number="0", beats=second.beats, beat_type=second.beat_type, upbeat=True)
    return [upbeat, *(replace(bar, number=str(bar.index)) for bar in bars[1:])]


def _keys(midi: mido.MidiFile, track_number: int) -> list[tuple[Fraction, int, str]]:
    """(beat, fifths, mode): those of the part's own track, else those of any track."""
    events = _events(midi, "key_signature", track_number) or _events(midi, "key_signature")
    return [(at, *_fifths(message.key)) for at, message in events]


def _fifths(key: str) -> tuple[int, str]:
    """`F#m` is (3, minor)."""
    minor = key.endswith("m")
    tonic = key.removesuffix("m")
    major = {"F": -1, "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5}[tonic[0]]
    major += 7 * (tonic.count("#") - tonic[1:].count("b"))
    return (major - 3, "minor") if minor else (major, "major")


def _with_keys(bars: Sequence[Bar], keys: Sequence[tuple[Fraction, int, str]]) -> list[Bar]:
    """A key counts from the bar line nearest before it, the first one from the beginning."""
    places = [at - Fraction(1, 8) for at, _, _ in keys]
    keyed = []
    for bar in bars:
        if keys:
            _, fifths, mode = keys[max(bisect_right(places, bar.start) - 1, 0)]
            bar = replace(bar, fifths=fifths, mode=mode)
        keyed.append(bar)
    return keyed


def _tempos(midi: mido.MidiFile, end: Fraction, unit: str, remarks: list[str]) -> tuple[TempoMark, ...]:
    marks: list[TempoMark] = []
    for at, message in _events(midi, "set_tempo"):
        quarter_bpm = mido.tempo2bpm(message.tempo) if message.tempo > 0 else 0.0
        if not _TEMPO_RANGE_BPM[0] <= quarter_bpm <= _TEMPO_RANGE_BPM[1]:
            remarks.append("a tempo that makes no sense is left out")
        elif at <= end:
            _add(marks, TempoMark(at if marks else Fraction(0), quarter_bpm))
    return tuple(_printed(marks, end, unit))


def _add(marks: list[TempoMark], mark: TempoMark) -> None:
    """At most one mark in a sixteenth, and none that changes nothing."""
    if marks and mark.start - marks[-1].start < Fraction(1, 4):
        mark = replace(mark, start=marks.pop().start)
    if not marks or abs(mark.quarter_bpm / marks[-1].quarter_bpm - 1) >= _TEMPO_CHANGE:
        marks.append(mark)


def _printed(marks: Sequence[TempoMark], end: Fraction, unit: str) -> Iterator[TempoMark]:
    """A text for the first mark and for every change that is large and lasts."""
    shown = None
    for place, mark in enumerate(marks):
        until = marks[place + 1].start if place + 1 < len(marks) else end
        changed = shown is None or abs(mark.quarter_bpm / shown - 1) >= _PRINTED_CHANGE
        if changed and (shown is None or until - mark.start >= _PRINTED_BEATS):
            shown = mark.quarter_bpm
            beat_bpm = shown / 1.5 if unit == "♩." else shown
            mark = replace(mark, text=f"{unit} = {round(beat_bpm)}")
        yield mark
