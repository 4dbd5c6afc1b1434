"""What the practice log tells of the player's fingers: takes in, changes as they were played out.

Conventions
-----------
* A change is two score notes in a row, both played right and one directly after the other, with nothing added between.
  The planned fingerings are taken for the played ones: a controller doesn't say which keys sounded a note.
* Times between onsets are those of the events. By the click, there was so much less time as the second note's deviation
  is larger than the first one's. That must be a whole number of 240ths of a quarter at the take's tempo (every note
  value down to triplet sixty-fourths, quintuplets too): a note matched to the wrong event would not come out so. Nor do
  notes under a later tempo mark of an odd ratio, which are passed over.
* The time there was is counted at the tempo that was played: who goes slower than the click throughout is not late at
  every note.
* Passed over as well: grace notes and what follows them (they have no time of their own), the note after a trill, notes
  across a pause, notes that keep their keys, and notes that fell behind only because the one before was clearly early.
* A performance without a click has no time that the notes were due at but the player's own: it is passed over.
* The simulated player's takes and invented examples never count, nor do those on another instrument.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from difflib import SequenceMatcher
from itertools import pairwise
from pathlib import Path

from companion.charts.model import Chart
from companion.errors import RecordError
from companion.planning.pace import Pace, Reading, pace_from
from companion.practice.hearing import to_played
from companion.practice.model import EARLY, LATE, ON_TIME
from companion.record.index import Wanted, survey
from companion.record.log import read_take
from companion.record.model import NoteRecord, TakeRecord, TakeSummary
from companion.units import s_from_beats, s_from_ms, s_from_ns, s_per_beat

__all__ = ["NEWEST_TAKES", "newest_takes_of", "pace_of", "readings_of"]

#: Fingers get quicker with practice: takes before these say how fast they were once.
NEWEST_TAKES = 60
_RIGHT = (ON_TIME, EARLY, LATE)
_PARTS_OF_QUARTER = 240
#: Deviations are kept to a thousandth of a ms; this is more than that, and far less than a 240th at any tempo.
_OFF_GRID_S = 0.00001
#: How many days back are looked through, first of all, for takes.
_DAYS_BACK = (31, 366)

_Played = tuple[int, float]


def pace_of(folder: Path, chart: Chart, newest_takes: int = NEWEST_TAKES, cache: Path | None = None) -> Pace:
    """The player's pace on this instrument, by the newest takes of the practice log.

    Parameters
    ----------
    folder
        The log's folder; one that isn't there is an empty log.
    chart
        The instrument.
    newest_takes
        How many takes count at most.
    cache
        Folder of the index, as `survey` has it.

    Raises
    ------
    RecordError
        If the folder can't be read. Takes that can't be read are passed over.
    """
    readings: list[Reading] = []
    for summary in newest_takes_of(folder, chart.name, newest_takes, cache):
        try:
            readings += readings_of(read_take(folder, summary, events="notes"))
        except RecordError:  # changed since the index was made; `survey` says so to whoever asks
            continue
    return pace_from(readings, chart)


def newest_takes_of(
    folder: Path,
    instrument: str,
    most: int,
    cache: Path | None = None,
    wanted: Wanted = Wanted(),  # noqa: B008 (frozen)
    parts: Collection[str] = (),
) -> list[TakeSummary]:
    """The player's own newest takes on an instrument, oldest first; of these parts of a score where any are given."""
    found: list[TakeSummary] = []
    for first_day in _first_days():
        takes = survey(folder, cache, replace(wanted, first_day=first_day)).takes
        found = [take for take in takes if _is_own(take, instrument) and (not parts or take.part in parts)]
        if len(found) >= most:
            break
    return found[-most:] if most > 0 else []


def _first_days() -> Iterator[str]:
    """Looking through a month is quicker than through ten years, and mostly enough."""
    today = date.today()
    yield from ((today - timedelta(days=days)).isoformat() for days in _DAYS_BACK)
    yield ""


def _is_own(take: TakeSummary, instrument: str) -> bool:
    return take.instrument == instrument and not take.simulated and not take.example


def readings_of(take: TakeRecord) -> list[Reading]:
    """The changes of a take as they were played; see the top of this module for what is passed over."""
    if take.performance:
        return []
    played = [
        (int(row["written_midi"]), float(row["onset_s"]))
        for row in to_played(take.events, take.start_ns, take.shift_semitones)
    ]
    onsets_s = _onsets_s(take, played)
    pauses_s = [s_from_ns(at_ns - take.start_ns) for at_ns, _, _ in take.pauses]
    found: list[Reading] = []
    gained_s = 0.0
    for i, (before, after) in enumerate(pairwise(take.notes)):
        step = None
        if i in onsets_s and i + 1 in onsets_s:
            (event, from_s), (next_event, to_s) = onsets_s[i], onsets_s[i + 1]
            if next_event == event + 1 and not any(from_s <= at_s <= to_s for at_s in pauses_s):
                step = _step(take, before, after, to_s - from_s)
        if step is not None:
            found += _reading(take, before, after, step, gained_s)
        gained_s = _early_s(after, step) if step else 0.0
    return found


@dataclass(frozen=True, slots=True)
class _Step:
    """From one onset to the next: the time there was at the tempo played, and the time taken, in seconds."""

    available_s: float
    taken_s: float


def _onsets_s(take: TakeRecord, played: list[_Played]) -> dict[int, tuple[int, float]]:
    """Score note -> (index of the event that played it, when in seconds). What was added is left over."""
    # A pause may have taken notes out of what was judged.
    if len(take.realised) == len(played) and not take.pauses:
        # The first that realises a note is the one whose deviation is told.
        events = range(len(played) - 1, -1, -1)
        return {take.realised[event]: (event, played[event][1]) for event in events if take.realised[event] >= 0}
    return _onsets_by_pitch(take.notes, played)


def _onsets_by_pitch(notes: Iterable[NoteRecord], played: list[_Played]) -> dict[int, tuple[int, float]]:
    """The same for takes that don't say which note each event played."""
    those = [(i, note.played_midi) for i, note in enumerate(notes) if note.played_midi is not None]
    # The same notes in the same order, but for what was added: the longest common runs find it.
    matcher = SequenceMatcher(None, [midi for _, midi in those], [midi for midi, _ in played], autojunk=False)
    return {
        those[block.a + k][0]: (block.b + k, played[block.b + k][1])
        for block in matcher.get_matching_blocks()
        for k in range(block.size)
    }


def _step(take: TakeRecord, before: NoteRecord, after: NoteRecord, taken_s: float) -> _Step | None:
    right = before.verdict in _RIGHT and after.verdict in _RIGHT
    if not right or before.deviation_ms is None or after.deviation_ms is None or not take.tempo_bpm > 0:
        return None
    by_click_s = taken_s - s_from_ms(after.deviation_ms - before.deviation_ms)
    parts = round(by_click_s / s_per_beat(take.tempo_bpm) * _PARTS_OF_QUARTER)
    beats = parts / _PARTS_OF_QUARTER
    if parts < 1 or abs(by_click_s - s_from_beats(beats, take.tempo_bpm)) > _OFF_GRID_S:
        return None
    return _Step(s_from_beats(beats, take.tempo_played_bpm or take.tempo_bpm), taken_s)


def _early_s(note: NoteRecord, step: _Step) -> float:
    """How much too early a note came: before the click, and sooner than the note ahead of it; a player who catches up
    with the click isn't early."""
    before_click_s = s_from_ms(-(note.deviation_ms or 0.0))
    return max(min(before_click_s, step.available_s - step.taken_s), 0.0)


def _reading(
    take: TakeRecord, before: NoteRecord, after: NoteRecord, step: _Step, gained_s: float
) -> tuple[Reading, ...]:
    """The reading of a step, if it is a change. `gained_s` is how much too early the note before came."""
    # The open horn has no keys, nor has a note without a plan; only the fingering's name tells them apart.
    if before.keys == after.keys or not (before.fingering and after.fingering):
        return ()
    tolerance_s = max(s_from_ms(take.tolerances.on_time_ms), take.tolerances.on_time_share * step.available_s)
    behind_s = step.taken_s - step.available_s
    late = behind_s > tolerance_s
    # Only where the earlier note was clearly early: leaving out what an uneven pulse does would leave out slow changes.
    if late and gained_s > tolerance_s and behind_s - gained_s <= tolerance_s:
        return ()
    return (Reading(frozenset(before.keys), frozenset(after.keys), step.available_s, step.taken_s, late),)
