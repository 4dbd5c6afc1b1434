"""A passage as a Standard MIDI file, to listen to, to play along with, or to open elsewhere.

Conventions
-----------
* The music is written out as it is played. Ties are one note. Ticks are chosen so that every onset and every written
  length is exact, triplets and quintuplets too (but for lengths that need more than 32,767 ticks a quarter).
* A note sounds up to the next where a slur leads on; the next one then starts before it ends, at the same tick, as a
  wind controller sends it. Before a tongued note the tongue takes 34.5 ms at the printed tempo (A. Hofmann and others,
  ICMPC-ESCOM 2012, 442), a quarter of the note at most. A staccato note sounds for half of its length and a
  staccatissimo for a quarter, but the silence is at most a quarter of a beat, or a third (ours, no source): any longer,
  and a program that reads the file would write a rest there. Companion itself reads the written lengths out of an event
  of its own (`midilengths`).
* An accent is a louder note. Grace notes come just before their note; a trill is held; fermatas are not.
* An upbeat is a first bar of its own time signature, 1/4 before 4/4.
* Pitches are the written ones, as those who read a MIDI file take them, or the sounding ones; a text says which.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import lcm

import mido

from companion.errors import ScoreError
from companion.passage import Bar, Note, Passage
from companion.scores.midilengths import with_lengths
from companion.scores.rhythm import full_bar_beats
from companion.units import ms_from_s, s_per_beat

__all__ = ["to_midi"]

_LEAST_TICKS, _MOST_TICKS = 480, 32_767
#: Divisible by 2 to 10 and 12: what no exact file can be made of is rounded to this part of a quarter.
_ROUND_TICKS = 27_720
_TONGUE_MS = 34.5
_MOST_TONGUE = Fraction(1, 4)
#: mark -> (share of the note that is silent, the longest silence in quarters)
_SHORT = {
    "staccatissimo": (Fraction(3, 4), Fraction(3, 10)),
    "staccato": (Fraction(1, 2), Fraction(1, 4)),
    "spiccato": (Fraction(1, 2), Fraction(1, 4)),
}
#: So long a grace note sounds, in quarters.
_GRACE = Fraction(1, 32)
_VELOCITY = 80
_ACCENTS = {"strong-accent": 112, "accent": 100}
#: Transposition -> program of General MIDI 1, counted from 0; the alto's where it is none of these.
_PROGRAMS = {-2: 64, -9: 65, -14: 66, -21: 67}
_MAJORS = ("Cb", "Gb", "Db", "Ab", "Eb", "Bb", "F", "C", "G", "D", "A", "E", "B", "F#", "C#")
_MINORS = ("Abm", "Ebm", "Bbm", "Fm", "Cm", "Gm", "Dm", "Am", "Em", "Bm", "F#m", "C#m", "G#m", "D#m", "A#m")
_FINEST_SIGNATURE, _MOST_BEATS = 64, 32


@dataclass(frozen=True, slots=True)
class _Sound:
    """A note as it sounds, in quarters. `joined` is True where the next one starts before it is let go."""

    on: Fraction
    off: Fraction
    midi: int
    velocity: int
    joined: bool


def to_midi(passage: Passage, *, sounding: bool = False) -> bytes:
    """Write a passage as a Standard MIDI file of format 1: a track of time, and one of notes.

    Parameters
    ----------
    passage
        Any passage with notes.
    sounding
        Pitches and key as they sound on the passage's horn; as written by default.

    Returns
    -------
    bytes
        The same for the same passage.

    Raises
    ------
    ScoreError
        Where there is nothing to write, where a note lies outside MIDI's 128, or where `sounding` is asked for of a
        passage that doesn't say for which horn it is.

    References
    ----------
    MIDI 1.0, Standard MIDI Files 1.0; General MIDI 1 (program numbers).
    """
    name = passage.origin or passage.title or None
    if not passage.notes or not passage.bars:
        raise ScoreError("there is nothing to write: the passage has no notes", file=name)
    if sounding and passage.transposition is None:
        raise ScoreError("doesn't say for which horn it is written: write its written pitches", file=name)
    shift = (passage.transposition or 0) if sounding else 0
    sounds = list(_sounds(passage, shift))
    if not all(0 <= sound.midi <= 127 for sound in sounds):
        raise ScoreError("has notes that MIDI doesn't have (0 to 127)", file=name)
    per_beat = _ticks_per_beat(passage)
    out = mido.MidiFile(type=1, ticks_per_beat=per_beat, charset="utf-8")
    end = round(passage.end * per_beat)
    out.tracks.append(_track(_time_track(passage, shift, sounding, per_beat), end))
    out.tracks.append(_track(_note_track(passage, sounds, per_beat), end))
    file = io.BytesIO()
    out.save(file=file)
    return file.getvalue()


def _ticks_per_beat(passage: Passage) -> int:
    parts = {note.start.denominator for note in passage.notes} | {note.length.denominator for note in passage.notes}
    exact = lcm(*parts, *(bar.start.denominator for bar in passage.bars))
    if exact > _MOST_TICKS:
        return _ROUND_TICKS
    return exact * max(1, min(-(-_LEAST_TICKS // exact), _MOST_TICKS // exact))


# -- the notes --------------------------------------------------------------------------------------------------------


def _sounds(passage: Passage, shift: int) -> Iterator[_Sound]:
    notes = passage.notes
    onsets = _onsets(notes)
    for note, on in zip(notes, onsets, strict=True):
        after = notes[note.index + 1] if note.index + 1 < len(notes) else None
        limit = onsets[note.index + 1] if after is not None else note.end
        end = limit if note.grace else min(note.end, limit)
        touches = after is not None and end == limit
        joined = touches and after is not None and not after.tongued and after.written_midi != note.written_midi
        silent = _silence(note, end - on, passage, touches and not joined)
        velocity = next((_ACCENTS[mark] for mark in _ACCENTS if mark in note.articulations), _VELOCITY)
        yield _Sound(on, end - silent, note.written_midi + shift, velocity, joined and not silent)


def _onsets(notes: Sequence[Note]) -> list[Fraction]:
    """Where each note starts to sound; grace notes before their note, in time of the one before, or at the very
    beginning in time of their own note."""
    onsets = [note.start for note in notes]
    first = 0
    while first < len(notes):
        last = first
        while last < len(notes) and notes[last].grace:
            last += 1
        count = last - first
        if count:
            at = notes[first].start
            before = onsets[first - 1] if first else None
            room = at - before if before is not None else Fraction(0)
            each = min(_GRACE, room / 2 / count) if room > 0 else _GRACE
            begin = at - count * each if room > 0 else at
            for place in range(count):
                onsets[first + place] = begin + place * each
            if room <= 0 and last < len(notes):
                onsets[last] = begin + min(count * each, notes[last].length / 2)
        first = last + 1
    return onsets


def _silence(note: Note, length: Fraction, passage: Passage, tongued_next: bool) -> Fraction:
    """How much of a note is silent."""
    for mark, (share, most) in _SHORT.items():
        if mark in note.articulations and not note.grace:
            return min(length * share, most)
    if not tongued_next:
        return Fraction(0)
    tempo_bpm = next((m.quarter_bpm for m in reversed(passage.tempos) if m.start <= note.start), None)
    beat_ms = ms_from_s(s_per_beat(tempo_bpm or passage.marked_tempo_bpm()))
    return min(Fraction(_TONGUE_MS / beat_ms), length * _MOST_TONGUE)


def _note_track(passage: Passage, sounds: Sequence[_Sound], per_beat: int) -> list[tuple[int, mido.Message]]:
    program = _PROGRAMS.get(passage.transposition or 0, _PROGRAMS[-9])
    events: list[tuple[int, int, mido.Message]] = [
        (0, 0, mido.MetaMessage("track_name", name=_plain(passage.part_name) or "Saxophone")),
        (0, 0, with_lengths(note.length for note in passage.notes)),
        (0, 0, mido.Message("program_change", program=program)),
    ]
    for sound in sounds:
        on = round(sound.on * per_beat)
        off = max(on + 1, round(sound.off * per_beat))
        events.append((on, 2, mido.Message("note_on", note=sound.midi, velocity=sound.velocity)))
        events.append((off, 3 if sound.joined else 1, mido.Message("note_off", note=sound.midi, velocity=0)))
    events.sort(key=lambda event: event[:2])
    return [(tick, message) for tick, _, message in events]


# -- time -------------------------------------------------------------------------------------------------------------


def _time_track(passage: Passage, shift: int, sounding: bool, per_beat: int) -> list[tuple[int, mido.MetaMessage]]:
    events: list[tuple[int, mido.MetaMessage]] = [(0, mido.MetaMessage("track_name", name=_plain(passage.title)))]
    if passage.composer:
        events.append((0, mido.MetaMessage("text", text=_plain(passage.composer))))
    if passage.purpose:
        events.append((0, mido.MetaMessage("text", text=_plain(passage.purpose))))
    events.append((0, mido.MetaMessage("text", text=_which_pitch(passage, sounding))))
    signature = key = None
    for bar in passage.bars:
        tick = round(bar.start * per_beat)
        here = _signature(bar)
        if here is not None and here != signature:
            signature = here
            beats, beat_type = here
            events.append((tick, mido.MetaMessage("time_signature", numerator=beats, denominator=beat_type)))
        named = _key(bar, shift)
        if named and named != key:
            key = named
            events.append((tick, mido.MetaMessage("key_signature", key=named)))
    for mark in passage.tempos:
        tempo = mido.MetaMessage("set_tempo", tempo=min(mido.bpm2tempo(mark.quarter_bpm), 0xFFFFFF))
        events.append((round(mark.start * per_beat), tempo))
    return sorted(events, key=lambda event: event[0])


def _which_pitch(passage: Passage, sounding: bool) -> str:
    horn = passage.part_name or "horn"
    if sounding:
        return _plain(f"Sounding pitch: as heard from the {horn}; its part is written otherwise")
    return _plain(f"Written pitch: as the {horn}'s part is read, not as it sounds")


def _signature(bar: Bar) -> tuple[int, int] | None:
    """The time signature of a bar by what it holds; None where no signature can say it."""
    if bar.length == full_bar_beats(bar.beats, bar.beat_type):
        return bar.beats, bar.beat_type
    beat_type = bar.beat_type
    while beat_type <= _FINEST_SIGNATURE:
        beats = bar.length * beat_type / 4
        if beats.denominator == 1 and 1 <= beats <= _MOST_BEATS:
            return int(beats), beat_type
        beat_type *= 2
    return None


def _key(bar: Bar, shift: int) -> str:
    # A semitone up is seven fifths up, or five down.
    fifths = bar.fifths + (7 * shift + 6) % 12 - 6 if shift else bar.fifths
    if shift:
        fifths += 12 if fifths < -7 else -12 if fifths > 7 else 0
    names = _MINORS if bar.mode == "minor" else _MAJORS
    return names[fifths + 7] if abs(fifths) <= 7 else ""


def _track(events: Sequence[tuple[int, mido.Message | mido.MetaMessage]], end: int) -> mido.MidiTrack:
    track, now = mido.MidiTrack(), 0
    for tick, message in events:
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=max(end - now, 0)))
    return track


def _plain(text: str) -> str:
    """One line, without halves of characters, which UTF-8 can't hold."""
    return " ".join(text.encode("utf-8", "replace").decode("utf-8").split())
