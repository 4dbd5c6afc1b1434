"""How evenly a trill was played: its rate, and whether one of its two notes lasts longer than the other.

Method
------
The times between the onsets of a trill are fitted, by least squares, with a straight line (trills gather speed) and a
step that is added on the written note and taken off its neighbour. Twice that step is how much longer the written note
lasts; what the fit leaves is the spread. The first note counts in the rate only: players dwell on it (common practice,
no source).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from companion.arrays import Floats, Ints
from companion.charts.model import Chart
from companion.passage import Note, Passage
from companion.planning.model import Plan
from companion.practice.between import Mover, change_between
from companion.practice.costs import ornament_pitches
from companion.practice.finger_words import fingers_in_words
from companion.practice.model import PlayedArray, TrillTiming
from companion.practice.students_t import t_95
from companion.practice.tolerance import noticed_from_ms
from companion.practice.words import bar_in_words
from companion.units import ms_from_s

__all__ = ["slower_way", "trill_timings"]

#: Two for the line, one for the step, two to have a spread; and the first note, and the last, which has no end.
LEAST_NOTES = 7


def trill_timings(
    passage: Passage,
    played: PlayedArray,
    realised: Ints,
    plan: Plan | None = None,
    chart: Chart | None = None,
) -> tuple[TrillTiming, ...]:
    """Rate and evenness of every trill with at least seven notes.

    Parameters
    ----------
    passage : Passage
    played : array of `PLAYED` [shape=(notes,)]
        In order of onset.
    realised : int array [shape=(notes,)]
        Score index of each played note, -1 for extra ones.
    plan, chart : optional
        With both, the sentence names the finger where a single one trills.
    """
    found = []
    for note in passage.notes:
        if note.trill is None or note.trill.other.midi == note.written_midi:
            continue
        onsets_s, on_main = max(
            _runs(note, played, realised), key=lambda run: len(run[0]), default=(np.zeros(0), np.zeros(0))
        )
        # Notes of one instant are a chord, no trill.
        if len(onsets_s) >= LEAST_NOTES and onsets_s[-1] > onsets_s[0]:
            found.append(_timing(passage, note, onsets_s, on_main, _single_mover(note, plan, chart)))
    return tuple(found)


def _runs(note: Note, played: PlayedArray, realised: Ints) -> Iterator[tuple[Floats, Floats]]:
    """Stretches of a trill in which its two notes take turns: onsets in seconds, and 1 on the written note, -1 on its
    neighbour. A blip in between belongs to the note before it; a wrong note in the trill's place ends a stretch."""
    trilled = (realised == note.index) & np.isin(played["written_midi"], sorted(ornament_pitches(note)))
    mine = np.flatnonzero(trilled)
    others = np.flatnonzero((realised >= 0) & ~trilled)
    pitches = played["written_midi"][mine]
    cut = np.flatnonzero(
        (np.diff(pitches) == 0) | (np.searchsorted(others, mine[1:]) != np.searchsorted(others, mine[:-1]))
    )
    for run in np.split(mine, cut + 1):
        on_main = np.where(played["written_midi"][run] == note.written_midi, 1.0, -1.0)
        yield played["onset_s"][run].astype(float), on_main


def _timing(
    passage: Passage, note: Note, onsets_s: Floats, on_main: Floats, mover: tuple[Mover, bool] | None
) -> TrillTiming:
    gaps_ms = np.array([ms_from_s(gap_s) for gap_s in np.diff(onsets_s)[1:]])
    step = on_main[1:-1] / 2
    at = np.arange(len(gaps_ms)) - (len(gaps_ms) - 1) / 2
    design = np.column_stack([np.ones(len(gaps_ms)), at, step])
    fitted = np.linalg.lstsq(design, gaps_ms, rcond=None)[0]
    left_ms = gaps_ms - design @ fitted
    free = len(gaps_ms) - design.shape[1]
    spread_ms = float(np.sqrt(left_ms @ left_ms / free))
    within_ms = t_95(free) * spread_ms * float(np.sqrt(np.linalg.inv(design.T @ design)[2, 2]))
    longer_ms = float(fitted[2])
    notes_per_s = float((len(onsets_s) - 1) / (onsets_s[-1] - onsets_s[0]))
    # A note that lasts so much longer than the other displaces each second onset by half of it.
    noticed_ms = 2 * noticed_from_ms(float(gaps_ms.mean()))
    uneven = abs(longer_ms) > max(noticed_ms, within_ms)
    return TrillTiming(
        note_index=note.index,
        notes_per_s=notes_per_s,
        main_longer_ms=longer_ms,
        spread_ms=spread_ms,
        sentence=_in_words(passage, note, notes_per_s, longer_ms if uneven else 0.0, mover),
    )


def _in_words(
    passage: Passage, note: Note, notes_per_s: float, longer_ms: float, mover: tuple[Mover, bool] | None
) -> str:
    assert note.trill is not None
    main, other = note.written.name, note.trill.other.name
    opening = f"The trill on {main} in {bar_in_words(passage, note.bar)} has {notes_per_s:.1f} notes a second"
    if not longer_ms:
        return f"{opening}, both of them equally long"
    long, short = (main, other) if longer_ms > 0 else (other, main)
    why = slower_way(short, longer_ms > 0, mover)
    return f"{opening}; the {long} lasts {abs(longer_ms):.0f} ms longer than the {short}: {why}"


def slower_way(short: str, to_other: bool, mover: tuple[Mover, bool] | None) -> str:
    """`your right side key goes down later than it comes up`.

    Parameters
    ----------
    short
        The note that is too short.
    to_other
        Whether the slower change is that from the written note to its neighbour.
    mover
        The single finger that trills, and whether it presses for the neighbour; None where there are several, or none
        is known.
    """
    if mover is None:
        return f"the change to {short} comes later than the change back"
    finger = fingers_in_words([mover[0].finger])
    down = (
        "goes down more slowly than it comes up" if mover[1] == to_other else "comes up more slowly than it goes down"
    )
    return f"your {finger} {down}"


def _single_mover(note: Note, plan: Plan | None, chart: Chart | None) -> tuple[Mover, bool] | None:
    """The only finger that trills, and whether it presses for the neighbour."""
    if plan is None or chart is None:
        return None
    choice = plan.choices[note.index]
    if choice.trill_fingering is None:
        return None
    movers = change_between(chart, choice.fingering.keys, choice.trill_fingering.keys).movers
    if len(movers) != 1 or movers[0].slides:
        return None
    return movers[0], bool(movers[0].presses)
