"""Slurred or tongued, short or held: how each note was begun and ended, against what is written.

Conventions
-----------
* What is judged of a score note is its first realisation. A note reached through a blip was begun where the blip is:
  the tongue was there, the fingers came after.
* How it was begun (`companion.practice.attacks`) is compared with the score only where the note before it was played
  right before, without a break: after a stop, a skip or a silence of `BREAK_S` everybody begins anew. And only where
  it is told with `SURE`.
* Under a slur with dots or dashes (portato), and at the same pitch again, the tongue is asked for. Where a slur leads
  over a rest or out of a dotted note nothing can be asked. Whether the note after a grace note is slurred to it is the
  player's affair where no slur is printed.
* Lengths are shares of the written one at the player's own pace: from this note to the next as they were played. Where
  that is off the pace of the take by half (a hesitation) the pace of the take counts.
* `LENGTHS` are the limits: common practice, no source, but for staccato notes, which pianists hold for about 40 % of
  the interval (Bresin and Battel 2000, see `attacks`). `SLACK_S` is left to the tongue, whose stroke takes 34.5 ms, SD
  5.8 (Hofmann and others 2012): the mean and two spreads, rounded up. Grace notes have no length of their own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, isfinite

import numpy as np

from companion.arrays import Floats, Ints
from companion.errors import UsageError
from companion.passage import Note, Passage
from companion.practice.attacks import breath_falls, gaps_s, tongued_probabilities
from companion.practice.clock import note_onsets_s
from companion.practice.model import (
    AS_WRITTEN,
    NOT_SLURRED,
    NOT_TONGUED,
    SLURRED,
    TONGUED,
    TOO_LONG,
    TOO_SHORT,
    Articulated,
    BreathArray,
    PlayedArray,
)
from companion.units import ms_from_s

__all__ = ["LENGTHS", "LengthLimits", "articulations", "asked_of", "dropouts", "length_of"]

#: A difference from the score is told from this probability on.
SURE = 0.9
#: After a silence of this length a note is an entry.
BREAK_S = 0.4
#: An extra note that lives shorter than this, and sounds on into the next, belongs to the change into it.
BLIP_S, BLIP_GAP_S = 0.075, 0.01
#: Differences in length up to this are the tongue's, or nobody hears them.
SLACK_S = 0.05
#: An interval this far off the pace of the take is a hesitation (or a hurry) and no measure of the written length.
PACE_RANGE = (0.65, 1.5)
#: The breath gave out and came back: silent for so long, the breath down to this share.
DROPOUT_S, DROPOUT_FALL = (0.06, 0.3), 0.1


@dataclass(frozen=True, slots=True)
class LengthLimits:
    """From `shortest` to `longest` times its written length a note is as written. `into_rest` is the upper limit where
    a rest or the end follows, which only there can be held over."""

    shortest: float
    longest: float = inf
    into_rest: float = 1.25


#: By the mark: see the module's text.
LENGTHS: Mapping[str, LengthLimits] = {
    "staccatissimo": LengthLimits(0.0, 0.55, 0.55),
    "staccato": LengthLimits(0.15, 0.75, 0.75),
    "portato": LengthLimits(0.40),
    "marcato": LengthLimits(0.35),
    "tenuto": LengthLimits(0.75),
    "before a breath": LengthLimits(0.40),
    "fermata": LengthLimits(0.75, inf, inf),
    "full": LengthLimits(0.55),
}
_SHORT, _BREATHS = frozenset({"staccato", "spiccato"}), frozenset({"breath-mark", "caesura"})


def articulations(
    passage: Passage,
    played: PlayedArray,
    realised: Ints,
    tempo_bpm: float,
    breath: BreathArray | None = None,
    *,
    lengths: Mapping[str, LengthLimits] = LENGTHS,
    slack_s: float = SLACK_S,
) -> tuple[Articulated, ...]:
    """How each score note was begun and held, against the score.

    Parameters
    ----------
    passage : Passage
    played : array of `PLAYED` [shape=(notes,)]
        In order of onset.
    realised : int array [shape=(notes,)]
        Score index of each played note, -1 where it is extra.
    tempo_bpm : float > 0
        Quarters a minute of the click.
    breath : array of `BREATH`, optional
        In seconds as in `played`.
    lengths : mapping
        Limits by the word for the length; a word that is missing is not judged.
    slack_s : float >= 0
        How far beyond them a note is still as written.

    Returns
    -------
    tuple of Articulated
        One a score note, in order.

    Raises
    ------
    UsageError
        Where `realised` isn't one number a played note, or the tempo is not above zero.
    """
    realised = np.asarray(realised, dtype=np.int64)
    if realised.shape != (len(played),):
        raise UsageError(f"{len(played)} notes were played but {realised.size} are matched: give one number a note")
    take = _Take(passage, played, realised, tempo_bpm, breath)
    return tuple(_articulated(take, note, lengths, slack_s) for note in passage.notes)


def asked_of(passage: Passage, index: int) -> str:
    """`TONGUED` or `SLURRED` as the score has it for the beginning of a note; empty where it doesn't say."""
    if not index:
        return ""
    note, before = passage.notes[index], passage.notes[index - 1]
    if before.grace and not note.grace and note.tongued:
        return ""
    if note.tongued or note.written_midi == before.written_midi or length_of(passage, index) == "portato":
        return TONGUED
    cut_off = before.end < note.start or before.articulations & (_SHORT | {"staccatissimo"})
    return "" if cut_off else SLURRED


def length_of(passage: Passage, index: int) -> str:
    """A key of `LENGTHS`: what the marks of a note ask of its length; empty for a grace note."""
    note = passage.notes[index]
    marks = note.articulations
    if note.grace:
        return ""
    if note.fermata:
        return "fermata"
    under_slur = not note.tongued or (index + 1 < len(passage.notes) and not passage.notes[index + 1].tongued)
    dotted, dashed = bool(marks & _SHORT), "tenuto" in marks
    if "detached-legato" in marks or (dotted and dashed) or (under_slur and (dotted or (dashed and not note.tongued))):
        return "portato"
    if "staccatissimo" in marks:
        return "staccatissimo"
    if dotted:
        return "staccato"
    if "strong-accent" in marks:
        return "marcato"
    if marks & _BREATHS:
        return "before a breath"
    return "tenuto" if dashed else "full"


def dropouts(
    passage: Passage, played: PlayedArray, realised: Ints, breath: BreathArray | None = None
) -> tuple[int, ...]:
    """Played notes that are a note come back after the breath gave out, and no note of their own.

    The same pitch for the same score note, after a silence longer than a tongue stroke in which the breath was down.
    A note that is written twice is realised as two, so it is never taken for one. Without breath none can be told: a
    tongue or a finger may have repeated the note.

    Returns
    -------
    tuple of int
        Indices into `played` (in order of onset) of the notes come back.
    """
    if breath is None or len(played) < 2:
        return ()
    ornamented = np.array([bool(n.trill or n.ornaments) for n in passage.notes], dtype=bool)
    falls, silent_s = breath_falls(played, breath), gaps_s(played)
    same = np.flatnonzero((realised[1:] == realised[:-1]) & (realised[1:] >= 0)) + 1
    return tuple(
        int(i)
        for i in same
        if played["written_midi"][i] == played["written_midi"][i - 1]
        and not ornamented[realised[i]]
        and DROPOUT_S[0] <= silent_s[i] <= DROPOUT_S[1]
        and falls[i] <= DROPOUT_FALL
    )


class _Take:
    """What the notes of a take have in common. Arrays by played note unless they say otherwise."""

    def __init__(
        self, passage: Passage, played: PlayedArray, realised: Ints, tempo_bpm: float, breath: BreathArray | None
    ) -> None:
        self.passage, self.realised = passage, realised.tolist()
        self.due_s = note_onsets_s(passage, tempo_bpm).tolist()
        self.lengths_s = [
            passage.seconds(n.end, tempo_bpm) - passage.seconds(n.start, tempo_bpm) for n in passage.notes
        ]
        self.onsets_s: list[float] = played["onset_s"].tolist()
        self.offsets_s: list[float] = played["offset_s"].tolist()
        self.midi: list[int] = played["written_midi"].tolist()
        self.gaps_s: list[float] = gaps_s(played).tolist()
        self.back = frozenset(dropouts(passage, played, realised, breath))
        self.asked = [asked_of(passage, note.index) for note in passage.notes]
        self.first: dict[int, int] = {}
        for i, index in enumerate(self.realised):
            if index >= 0:
                self.first.setdefault(index, i)
        self.tongued = tongued_probabilities(played, self._asked_slurred(), breath).tolist()
        self.own_paces = {index: pace for index in self.first if (pace := self._own_pace(index)) is not None}
        self.pace = float(np.median(list(self.own_paces.values()))) if self.own_paces else 1.0

    def _asked_slurred(self) -> Floats:
        """1 where a slur is asked into a played note, -1 where the tongue is, 0 for what is played again or extra."""
        asked = np.zeros(len(self.realised))
        for index, i in self.first.items():
            at = self.begins(i)
            asked[at] = {SLURRED: 1.0, TONGUED: -1.0, "": 0.0}[self.asked[index]]
            asked[at + 1 : i + 1] = 1.0
        return asked

    def begins(self, i: int) -> int:
        """Where the change into played note `i` begins: with the blips before it."""
        while i and self.realised[i - 1] < 0 and self.gaps_s[i] <= BLIP_GAP_S:
            if self.onsets_s[i] - self.onsets_s[i - 1] >= BLIP_S:
                break
            i -= 1
        return i

    def last_of(self, i: int) -> int:
        """The last played note that still belongs to the note begun with `i`: a trill's, or one come back."""
        note = self.passage.notes[self.realised[i]]
        while i + 1 < len(self.realised) and self.realised[i + 1] == note.index:
            if not (note.trill or note.ornaments or i + 1 in self.back):
                break
            i += 1
        return i

    def end_s(self, i: int) -> float:
        """When played note `i` stopped sounding: key up or next note. One brushed under it doesn't end it. NaN where it
        was held to the end."""
        up_s, after = self.offsets_s[i], i + 1
        while after < len(self.realised) and self.realised[after] < 0 and self.offsets_s[after] <= up_s:
            after += 1
        if after == len(self.realised):
            return up_s
        return min(up_s, self.onsets_s[after]) if isfinite(up_s) else self.onsets_s[after]

    def next_of(self, i: int) -> int | None:
        """The next played note after `i` that is no blip, None at the end."""
        for k in range(i + 1, len(self.realised)):
            if self.realised[k] >= 0 or k + 1 == len(self.realised) or self.begins(k + 1) == k + 1:
                return k
        return None

    def _own_pace(self, index: int) -> float | None:
        """Time from this note to the next as played, over that as written; None where they don't follow."""
        after = self.next_of(self.last_of(self.first[index]))
        if after is None or self.realised[after] != index + 1:
            return None
        written_s = self.due_s[index + 1] - self.due_s[index]
        played_s = self.onsets_s[after] - self.onsets_s[self.first[index]]
        return played_s / written_s if written_s > 0 and played_s > 0 else None


def _articulated(take: _Take, note: Note, lengths: Mapping[str, LengthLimits], slack_s: float) -> Articulated:
    index = note.index
    i = take.first.get(index)
    asked, length = take.asked[index], length_of(take.passage, index)
    if i is None:
        return Articulated(index, asked=asked, length=length)
    at = take.begins(i)
    tongued = take.tongued[at]
    played = "" if not isfinite(tongued) else TONGUED if tongued >= 0.5 else SLURRED
    probability = max(tongued, 1.0 - tongued) if played else 0.0
    held = _held_share(take, note, i)
    verdicts: tuple[str, ...] = ()
    if probability >= SURE and asked and _follows_on(take, index, at):
        verdicts += (AS_WRITTEN,) if asked == played else (NOT_TONGUED,) if played == SLURRED else (NOT_SLURRED,)
    limits = lengths.get(length)
    if held is not None and limits is not None and _length_counts(take, index, i):
        verdicts += (_length_verdict(take, index, held, limits, slack_s),)
    different = tuple(verdict for verdict in verdicts if verdict != AS_WRITTEN)
    return Articulated(
        note_index=index,
        asked=asked,
        played=played,
        probability=probability,
        gap_ms=ms_from_s(take.gaps_s[at]) if at else None,
        length=length,
        held_share=held,
        verdicts=different or verdicts[:1],
    )


def _follows_on(take: _Take, index: int, at: int) -> bool:
    """Whether a beginning can be compared: right after the note before it, and neither a wrong pitch made the slur
    impossible nor a break the tongue necessary."""
    if not at or take.realised[at - 1] != index - 1 or take.gaps_s[at] >= BREAK_S:
        return False
    return take.midi[at] != take.midi[at - 1] or take.asked[index] != SLURRED


def _held_share(take: _Take, note: Note, i: int) -> float | None:
    """Sounding length over the written one at the player's pace; None for grace notes and one held to the end."""
    written_s = take.lengths_s[note.index]
    end_s = take.end_s(take.last_of(i))
    if written_s <= 0 or not isfinite(end_s):
        return None
    return (end_s - take.onsets_s[i]) / (written_s * _pace_at(take, note.index))


def _pace_at(take: _Take, index: int) -> float:
    own = take.own_paces.get(index)
    low, high = PACE_RANGE
    return own if own is not None and low <= own / take.pace <= high else take.pace


def _length_counts(take: _Take, index: int, i: int) -> bool:
    """Not where the note was begun again, left for another place, or cut off by one that is not written."""
    after = take.next_of(take.last_of(i))
    return after is None or take.realised[after] == index + 1


def _length_verdict(take: _Take, index: int, held: float, limits: LengthLimits, slack_s: float) -> str:
    notes = take.passage.notes
    written_s = take.lengths_s[index] * _pace_at(take, index)
    rest = index + 1 == len(notes) or notes[index + 1].start > notes[index].end
    longest = min(limits.longest, limits.into_rest) if rest else limits.longest
    if held * written_s + slack_s < limits.shortest * written_s:
        return TOO_SHORT
    return TOO_LONG if held * written_s - slack_s > longest * written_s else AS_WRITTEN
