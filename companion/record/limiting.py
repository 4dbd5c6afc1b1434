"""What holds a passage back now: the newest takes near the player's limit, by what kept them from being clean.

Takes far below what the player can do tell nothing of what comes next, so only those from `NEAR` of it on are looked
at. The change that fails is named by `record.trouble`, whose evidence is stricter; the fingers' own limit by
`planning.limits`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from companion.practice.hurdle import Hurdle
from companion.practice.model import (
    AS_WRITTEN,
    EARLY,
    LATE,
    LEFT_OUT,
    NOT_REACHED,
    NOT_SLURRED,
    NOT_TONGUED,
    ON_TIME,
    WRONG_NOTE,
)
from companion.practice.words import number_of, with_stop
from companion.record.model import NoteRecord, TakeRecord
from companion.record.trouble import TroubleSpot

__all__ = ["ARTICULATION", "NEAR", "NEWEST_TAKES", "NOTES", "TIMING", "HoldsBack", "holds_back", "near_limit"]

NOTES, TIMING, ARTICULATION = "notes", "timing", "articulation"
_IN_WORDS = {NOTES: "wrong, missing or added notes", TIMING: "timing", ARTICULATION: "slurs and tongue"}
#: Of ability, and how many of the newest (ours, no source).
NEAR, NEWEST_TAKES = 0.9, 12
#: Where the sheet asks for no share, so few notes slurred or tongued as written are worth a word (ours, no source).
FEW_AS_WRITTEN = 0.8
#: A normal distribution's spread, from the median of the absolute differences of neighbours.
_SPREAD_PER_MEDIAN = 1.4826 / 2**0.5
_RIGHT = (ON_TIME, EARLY, LATE)
_WRONG = (WRONG_NOTE, LEFT_OUT, NOT_REACHED)
#: Fewer timed pairs say nothing of evenness.
_LEAST_PAIRS = 12


@dataclass(frozen=True, slots=True)
class HoldsBack:
    """What holds back, as sentences, the plainest first. `causes` says in how many of the `not_clean` of `takes` newest
    takes near the limit each of `NOTES`, `TIMING` and `ARTICULATION` was amiss, the most frequent first.
    `as_written` is the share of notes slurred or tongued as written, `scatter_ms` the spread of a note against its
    neighbours; None where that can't be told."""

    takes: int
    not_clean: int
    causes: tuple[tuple[str, int], ...]
    as_written: float | None
    scatter_ms: float | None
    sentences: tuple[str, ...]


def near_limit(takes: Sequence[TakeRecord], ability_bpm: float | None) -> tuple[TakeRecord, ...]:
    """The newest of these takes, oldest first in and out, that were played with the click near the limit; all of the
    newest where ability is not known."""
    least_bpm = NEAR * ability_bpm if ability_bpm else 0.0
    counted = (take for take in takes if not take.performance and not take.interrupted)
    return tuple(take for take in counted if take.tempo_bpm >= least_bpm)[-NEWEST_TAKES:]


def holds_back(
    takes: Sequence[TakeRecord], spots: Sequence[TroubleSpot] = (), hurdle: Hurdle | None = None
) -> HoldsBack:
    """What holds back, by the takes of `near_limit`.

    Parameters
    ----------
    takes
        Of one passage and bars.
    spots
        The open trouble spots in these bars, worst first.
    hurdle
        The change that stands most in the way of the target, if one does.
    """
    failed = [take for take in takes if not take.clean]
    counts = Counter(cause for take in failed for cause in _causes(take))
    causes = tuple(sorted(counts.items(), key=lambda entry: (-entry[1], tuple(_IN_WORDS).index(entry[0]))))
    as_written, scatter_ms = _as_written(takes), _scatter_ms(takes)
    sentences = [with_stop(spot.sentence) for spot in spots[:1]]
    if hurdle is not None and not any(hurdle.note_index == spot.note_index for spot in spots[:1]):
        sentences.append(with_stop(hurdle.sentence))
    sentences += _counted(takes, failed, causes)
    sentences += _begun(takes, as_written)
    if scatter_ms is not None and counts[TIMING]:
        sentences.append(f"Evenness: a note lies some {scatter_ms:.0f} ms off between its neighbours.")
    return HoldsBack(len(takes), len(failed), causes, as_written, scatter_ms, tuple(sentences))


def _causes(take: TakeRecord) -> set[str]:
    found = set()
    notes = take.notes
    if take.added or take.slips or any(note.verdict in _WRONG or note.went_back for note in notes):
        found.add(NOTES)
    right = [note for note in notes if note.verdict in _RIGHT]
    on_time = sum(1 for note in right if note.verdict == ON_TIME)
    if right and on_time < take.tolerances.clean_share_on_time * len(right) - 1e-9:
        found.add(TIMING)
    share = _as_written([take])
    if share is not None and share < take.tolerances.articulation_share - 1e-9:
        found.add(ARTICULATION)
    # What is left are notes far off the click, though most are on time.
    return found or {TIMING}


def _as_written(takes: Sequence[TakeRecord]) -> float | None:
    told = [note for take in takes for note in take.notes if note.begun and _is_judged(note)]
    if not told:
        return None
    return sum(1 for note in told if not {NOT_SLURRED, NOT_TONGUED} & set(note.articulation)) / len(told)


def _is_judged(note: NoteRecord) -> bool:
    return bool({AS_WRITTEN, NOT_SLURRED, NOT_TONGUED} & set(note.articulation))


def _scatter_ms(takes: Sequence[TakeRecord]) -> float | None:
    steps = [
        abs(after.deviation_ms - before.deviation_ms)
        for take in takes
        for before, after in pairwise(take.notes)
        if before.deviation_ms is not None
        and after.deviation_ms is not None
        and before.verdict in _RIGHT
        and after.verdict in _RIGHT
    ]
    return _SPREAD_PER_MEDIAN * median(steps) if len(steps) >= _LEAST_PAIRS else None


def _counted(takes: Sequence[TakeRecord], failed: Sequence[TakeRecord], causes: Sequence[tuple[str, int]]) -> list[str]:
    if not failed:
        return []
    least_bpm = min(take.tempo_bpm for take in takes)
    named = []
    for cause, count in causes:
        where = _most_often(failed) if cause == NOTES else ""
        named.append(f"{_IN_WORDS[cause]} in {count}{where}")
    of = f"Of the last {number_of(len(takes), 'take')} at {least_bpm:g} or more"
    return [f"{of} {len(failed)} {'was' if len(failed) == 1 else 'were'} not clean: {', '.join(named)}."]


def _most_often(failed: Sequence[TakeRecord]) -> str:
    bars = Counter(
        bar for take in failed for bar in {note.bar for note in take.notes if note.verdict in _WRONG or note.went_back}
    )
    if not bars:
        return ""
    bar, count = bars.most_common(1)[0]
    return f" (most often in bar {bar})" if bar and count > 1 else ""


def _begun(takes: Sequence[TakeRecord], as_written: float | None) -> list[str]:
    asked = max((take.tolerances.articulation_share for take in takes), default=0.0)
    if as_written is None or as_written >= (asked or FEW_AS_WRITTEN) - 1e-9:
        return []
    wanted = f"; {100 * asked:.0f} % are asked for" if asked else ""
    return [f"Slurs and tongue: {100 * as_written:.0f} % of the notes as written{wanted}."]
