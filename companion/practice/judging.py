"""The final word on a take: a verdict a note, clean or not and why, and one sentence of advice.

Conventions
-----------
* Deviations are against the click, in ms, early negative. The delay of the sound is the caller's to take off first.
* The first played note that realises a score note decides its verdict; playing it again makes the take not clean.
* Grace notes are judged by order and pitch, not by ms. The notes of a trill or turn belong to the note they adorn.
* A take is clean where no note is wrong, left out, not reached, added or played again, and at least
  `clean_share_on_time` of the notes that have a time, and were played right, came on time, and none of them further
  off than `clean_worst` times what is on time (see `tolerance`).
"""

from __future__ import annotations

import numpy as np

from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.advice import advise, trouble_bars
from companion.practice.matching import align
from companion.practice.model import LEFT_OUT, NOT_REACHED, WRONG_NOTE, Assessment, PlayedArray, Tolerances
from companion.practice.reading import Reading, read_take
from companion.practice.words import bars_in_words, number_of, times_in_words

__all__ = ["judge"]


def judge(
    passage: Passage,
    played: PlayedArray,
    tempo_bpm: float,
    tolerances: Tolerances = Tolerances(),  # noqa: B008 (frozen)
    plan: Plan | None = None,
) -> Assessment:
    """Judge a take.

    Parameters
    ----------
    passage : Passage
    played : array of `PLAYED` [shape=(notes,)]
    tempo_bpm : float > 0
        Quarters a minute of the click.
    tolerances : Tolerances
    plan : Plan, optional
        Lets the advice name the change of fingering.

    Raises
    ------
    UsageError
        Where tempo or tolerances make no sense.
    """
    played = played[np.argsort(played["onset_s"], kind="stable")]
    reading = read_take(passage, played, tempo_bpm, tolerances, align(passage, played, tempo_bpm))
    because = _because(reading)
    bars = trouble_bars(reading)
    return Assessment(
        tempo_bpm=float(tempo_bpm),
        notes=reading.results,
        added=tuple((max(extra.after, 0), extra.written_midi) for extra in reading.extras),
        clean=not because,
        because=because,
        advice=advise(reading, bars, clean=not because, plan=plan),
        trouble_bars=bars,
        tempo_played_bpm=reading.tempo_played_bpm,
    )


def _because(reading: Reading) -> str:
    """Why a take is not clean, in words; empty where it is."""
    total = len(reading.results)
    if not total:
        return "there are no notes in these bars"
    if len(reading.notes_with(NOT_REACHED)) == total:
        return "nothing was played" if not reading.extras else "nothing of what was played belongs to these bars"
    reasons = [*_note_reasons(reading, total), *_extra_reasons(reading)]
    timed = reading.right
    needed = reading.tolerances.clean_share_on_time
    # Half a note less than asked is no shortfall: 0.95 of 20 must mean 19 in spite of rounding.
    if reading.on_time < needed * timed - 1e-9:
        percent = int(100 * reading.on_time / timed)
        reasons.append(
            f"{reading.on_time} of {number_of(timed, 'note')} on time ({percent} %, {100 * needed:g} % needed)"
        )
    elif reading.far_off:
        count = number_of(len(reading.far_off), "note")
        reasons.append(f"{count} far off the click, in {_bars(reading, reading.far_off)}")
    return "; ".join(reasons)


def _note_reasons(reading: Reading, total: int) -> list[str]:
    reasons = []
    for verdict, says in ((WRONG_NOTE, "wrong"), (LEFT_OUT, "left out"), (NOT_REACHED, "not reached")):
        notes = reading.notes_with(verdict)
        if notes:
            reasons.append(f"{len(notes)} of {number_of(total, 'note')} {says}, in {_bars(reading, notes)}")
    return reasons


def _extra_reasons(reading: Reading) -> list[str]:
    reasons = []
    blips = [max(extra.after, 0) for extra in reading.extras if extra.blip]
    others = [max(extra.after, 0) for extra in reading.extras if not extra.blip]
    if others:
        reasons.append(f"{number_of(len(others), 'note')} added, in {_bars(reading, others)}")
    if blips:
        reasons.append(f"{number_of(len(blips), 'blip')} (a note of under 75 ms) added, in {_bars(reading, blips)}")
    if reading.returns:
        reasons.append(f"went back {times_in_words(len(reading.returns))}, in {_bars(reading, reading.returns)}")
    return reasons


def _bars(reading: Reading, notes: tuple[int, ...] | list[int]) -> str:
    return bars_in_words(reading.passage, (reading.passage.notes[i].bar for i in notes))
