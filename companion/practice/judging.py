"""The final word on a take: a verdict a note, clean or not and why, and a short comment.

Conventions
-----------
* Deviations are against the click, in ms, early negative. The delay of the sound is the caller's to take off first.
* The first played note that realises a score note decides its verdict; playing it again makes the take not clean.
* Grace notes are judged by order and pitch, not by ms. The notes of a trill or turn belong to the note they adorn.
* A take is clean where no note is wrong, left out, not reached, added or played again, and at least
  `clean_share_on_time` of the notes that have a time, and were played right, came on time, and none of them further
  off than `clean_worst` times what is on time (see `tolerance`). Slurs and tongued notes count where
  `articulation_share` asks for them.
* In a take that swings its eighths throughout the second ones are judged against where its own swing puts them; their
  deviations stay against the click. Where the score asks for no swing the take isn't clean, for this one reason.
* Where all of a take was sent octaves off, it is judged at pitch.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from companion.arrays import Floats
from companion.charts.model import Chart
from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.advice import trouble_bars
from companion.practice.articulation import articulations, dropouts
from companion.practice.comment import Found, comment_on
from companion.practice.evenness import drift, entries, place_timings
from companion.practice.matching import align, checked
from companion.practice.model import (
    AS_WRITTEN,
    LEFT_OUT,
    NOT_REACHED,
    NOT_SLURRED,
    NOT_TONGUED,
    WRONG_NOTE,
    Articulated,
    Assessment,
    BreathArray,
    PlayedArray,
    Pressed,
    Slip,
    Tolerances,
)
from companion.practice.pressed import fingerings_used
from companion.practice.reading import Reading, at_pitch, read_take
from companion.practice.slips import find_slips
from companion.practice.swing import ratio_in_words
from companion.practice.trills import trill_timings
from companion.practice.words import bars_in_words, number_of, times_in_words
from companion.units import s_from_ms

__all__ = ["because_of", "extra_reasons", "judge", "look_at", "note_reasons", "word_on"]

#: By how large a share of the notes more are in time by the own beat than by the click for that to be worth saying.
OWN_BEAT_SHARE = 0.1


def judge(
    passage: Passage,
    played: PlayedArray,
    tempo_bpm: float,
    tolerances: Tolerances = Tolerances(),  # noqa: B008 (frozen)
    plan: Plan | None = None,
    *,
    chart: Chart | None = None,
    breath: BreathArray | None = None,
    pressed: Sequence[Pressed] = (),
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
        Lets the advice name the change of fingering. One of another length than the passage tells nothing of fingers.
    chart : Chart, optional
        The horn; with it and the plan slips name the fingers.
    breath : array of `BREATH`, optional
        How hard the player blew, in the seconds of `played`.
    pressed : sequence of Pressed
        The keys really held, in order of time, where the port knows them.

    Raises
    ------
    UsageError
        Where tempo or tolerances make no sense, a played note has no onset, or the array lacks a field.
    """
    played = checked(played)
    played = played[np.argsort(played["onset_s"], kind="stable")]
    return word_on(look_at(passage, played, tempo_bpm, tolerances, plan, chart, breath, pressed))


def word_on(found: Found) -> Assessment:
    """The final word on what was seen in a take."""
    reading = found.reading
    because = because_of(reading, found.articulation, found.slips)
    comment = comment_on(found, clean=not because)
    return Assessment(
        tempo_bpm=float(reading.tempo_bpm),
        notes=reading.results,
        added=tuple((max(extra.after, 0), extra.written_midi) for extra in reading.extras),
        clean=not because,
        because=because,
        advice=comment[0],
        trouble_bars=trouble_bars(reading),
        tempo_played_bpm=reading.tempo_played_bpm,
        comment=comment,
        realised=tuple(reading.realised.tolist()),
        articulation=found.articulation,
        slips=found.slips,
        trills=found.trills,
        fingerings=found.fingerings,
        places=found.places,
        drift=found.drift,
        entries=found.entries,
        octave_shift=reading.octave_shift,
    )


def look_at(
    passage: Passage,
    played: PlayedArray,
    tempo_bpm: float,
    tolerances: Tolerances,
    plan: Plan | None,
    chart: Chart | None,
    breath: BreathArray | None,
    pressed: Sequence[Pressed],
    due_s: Floats | None = None,
) -> Found:
    """All that can be seen in a take, its notes in order of onset, before anything is said of it. `due_s` as in
    `reading.read_take`."""
    alignment = align(passage, played, tempo_bpm)
    came_back = dropouts(passage, played, alignment.pairs[: len(played), 0], breath)
    reading = read_take(passage, played, tempo_bpm, tolerances, alignment, came_back, due_s)
    played, realised = at_pitch(played, alignment), reading.realised
    fingered = plan if plan is not None and len(plan.choices) == len(passage.notes) else None
    returns = frozenset(reading.returns)
    return Found(
        reading=reading,
        articulation=articulations(
            passage, played, realised, tempo_bpm, breath, slack_s=s_from_ms(tolerances.length_slack_ms)
        ),
        slips=find_slips(passage, played, realised, fingered, chart, pressed),
        trills=trill_timings(passage, played, realised, fingered, chart),
        fingerings=fingerings_used(passage, played, realised, pressed, fingered, chart)
        if fingered is not None and chart is not None and pressed
        else (),
        places=place_timings(passage, reading.in_beat_s, tempo_bpm, leave_out=returns, parts=reading.parts),
        drift=drift(passage, reading.deviation_s, tempo_bpm),
        entries=entries(passage, reading.results),
        plan=plan,
    )


def because_of(reading: Reading, articulation: tuple[Articulated, ...], slips: tuple[Slip, ...]) -> str:
    """Why a take is not clean, in words; empty where it is."""
    total = len(reading.results)
    if not total:
        return "there are no notes in these bars"
    if len(reading.notes_with(NOT_REACHED)) == total:
        return "nothing was played" if not reading.extras else "nothing of what was played belongs to these bars"
    reasons = [
        *note_reasons(reading, total),
        *extra_reasons(reading, frozenset(slip.time_s for slip in slips)),
        *_swing_reasons(reading),
        *_begun_reasons(reading.tolerances, articulation),
    ]
    timed = reading.right
    needed = reading.tolerances.clean_share_on_time
    # Half a note less than asked is no shortfall: 0.95 of 20 must mean 19 in spite of rounding.
    if reading.on_time < needed * timed - 1e-9:
        percent = int(100 * reading.on_time / timed)
        own = reading.on_own_beat
        by_own = f"; {own} by your own beat" if own > reading.on_time + max(2, OWN_BEAT_SHARE * timed) else ""
        reasons.append(
            f"{reading.on_time} of {number_of(timed, 'note')} on time ({percent} %, {100 * needed:g} % needed{by_own})"
        )
    elif reading.far_off:
        count = number_of(len(reading.far_off), "note")
        reasons.append(
            f"{count} far off {'the beat' if reading.own_time else 'the click'}, in {_bars(reading, reading.far_off)}"
        )
    return "; ".join(reasons)


def note_reasons(reading: Reading, total: int) -> list[str]:
    reasons = []
    for verdict, says in ((WRONG_NOTE, "wrong"), (LEFT_OUT, "left out"), (NOT_REACHED, "not reached")):
        notes = reading.notes_with(verdict)
        if notes:
            reasons.append(f"{len(notes)} of {number_of(total, 'note')} {says}, in {_bars(reading, notes)}")
    return reasons


def extra_reasons(reading: Reading, slips_s: frozenset[float]) -> list[str]:
    """`slips_s` are the times of slips: in slow music they may last longer than a blip."""
    reasons = []
    short = [extra.blip or extra.time_s in slips_s for extra in reading.extras]
    blips = [max(extra.after, 0) for extra, is_short in zip(reading.extras, short, strict=True) if is_short]
    others = [max(extra.after, 0) for extra, is_short in zip(reading.extras, short, strict=True) if not is_short]
    if others:
        reasons.append(f"{number_of(len(others), 'note')} added, in {_bars(reading, others)}")
    if blips:
        what = "a short note" if len(blips) == 1 else "short notes"
        reasons.append(f"{number_of(len(blips), 'blip')} ({what} on the way), in {_bars(reading, blips)}")
    if reading.returns:
        reasons.append(f"went back {times_in_words(len(reading.returns))}, in {_bars(reading, reading.returns)}")
    if reading.doubled:
        reasons.append(f"{number_of(len(reading.doubled), 'note')} struck twice, in {_bars(reading, reading.doubled)}")
    if reading.given_out:
        times = times_in_words(len(reading.given_out))
        reasons.append(f"the breath gave out {times}, in {_bars(reading, reading.given_out)}")
    return reasons


def _swing_reasons(reading: Reading) -> list[str]:
    swing = reading.swing
    if swing is None or swing.asked:
        return []
    return [f"the eighths swing, {ratio_in_words(swing)}, and are written even"]


def _begun_reasons(tolerances: Tolerances, articulation: tuple[Articulated, ...]) -> list[str]:
    """Too few notes slurred or tongued as written, where that is asked for."""
    needed = tolerances.articulation_share
    told = [a for a in articulation if a.asked and a.played]
    right = sum(1 for a in told if AS_WRITTEN in a.verdicts or not {NOT_SLURRED, NOT_TONGUED} & set(a.verdicts))
    if not needed or not told or right >= needed * len(told) - 1e-9:
        return []
    share = f"{int(100 * right / len(told))} %, {100 * needed:g} % needed"
    return [f"{right} of {number_of(len(told), 'note')} slurred or tongued as written ({share})"]


def _bars(reading: Reading, notes: tuple[int, ...] | list[int]) -> str:
    return bars_in_words(reading.passage, (reading.passage.notes[i].bar for i in notes))
