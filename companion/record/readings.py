"""What the practice log tells of the player's fingers: takes in, changes as they were played out.

Conventions
-----------
* A change is two score notes in a row, both played right and one directly after the other, with nothing added between.
  The planned fingerings are taken for the played ones: a controller doesn't say which keys sounded a note.
* Times between onsets are those of the events; what there was time for is that, less by how much the second note's
  deviation is larger than the first one's.
* The time that there was must be a whole number of 240ths of a quarter at the take's tempo (every note value down to
  triplet sixty-fourths, quintuplets too). A note matched to the wrong event would not come out so; nor do notes under a
  later tempo mark of an odd ratio, which are passed over.
* Passed over as well: grace notes and what follows them (they have no time of their own), the note after a trill, notes
  across a pause, and notes that keep their keys.
* The simulated player's takes and invented examples never count, nor do those on another instrument.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
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
            readings += readings_of(read_take(folder, summary))
        except RecordError:  # changed since the index was made; `survey` says so to whoever asks
            continue
    return pace_from(readings, chart)


def newest_takes_of(folder: Path, instrument: str, most: int, cache: Path | None = None) -> list[TakeSummary]:
    """The player's own newest takes on an instrument, oldest first."""
    found: list[TakeSummary] = []
    for first_day in _first_days():
        takes = survey(folder, cache, Wanted(first_day=first_day)).takes
        found = [take for take in takes if _is_own(take, instrument)]
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


def readings_of(take: TakeRecord) -> tuple[Reading, ...]:
    """The changes of a take as they were played; see the top of this module for what is passed over."""
    played = [
        (int(row["written_midi"]), float(row["onset_s"]))
        for row in to_played(take.events, take.start_ns, take.shift_semitones)
    ]
    onsets_s = _onsets_s(take.notes, played)
    pauses_s = [s_from_ns(at_ns - take.start_ns) for at_ns, _, _ in take.pauses]
    found = []
    for i, (before, after) in enumerate(pairwise(take.notes)):
        if i not in onsets_s or i + 1 not in onsets_s:
            continue
        (event, from_s), (next_event, to_s) = onsets_s[i], onsets_s[i + 1]
        if next_event != event + 1 or any(from_s <= at_s <= to_s for at_s in pauses_s):
            continue
        reading = _reading(take, before, after, to_s - from_s)
        if reading is not None:
            found.append(reading)
    return tuple(found)


def _onsets_s(notes: Iterable[NoteRecord], played: list[_Played]) -> dict[int, tuple[int, float]]:
    """Score note -> (index of the event that played it, when in seconds). What was added is left over."""
    those = [(i, note.played_midi) for i, note in enumerate(notes) if note.played_midi is not None]
    # The same notes in the same order, but for what was added: the longest common runs find it.
    matcher = SequenceMatcher(None, [midi for _, midi in those], [midi for midi, _ in played], autojunk=False)
    return {
        those[block.a + k][0]: (block.b + k, played[block.b + k][1])
        for block in matcher.get_matching_blocks()
        for k in range(block.size)
    }


def _reading(take: TakeRecord, before: NoteRecord, after: NoteRecord, taken_s: float) -> Reading | None:
    right = before.verdict in _RIGHT and after.verdict in _RIGHT
    if not right or before.deviation_ms is None or after.deviation_ms is None:
        return None
    # A note of the open horn has no keys, nor has one without a plan; only the fingering's name tells them apart.
    if before.keys == after.keys or not (before.fingering and after.fingering):
        return None
    fell_behind_s = s_from_ms(after.deviation_ms - before.deviation_ms)
    available_s = taken_s - fell_behind_s
    parts = round(available_s / s_per_beat(take.tempo_bpm) * _PARTS_OF_QUARTER) if take.tempo_bpm > 0 else 0
    if parts < 1 or abs(available_s - s_from_beats(parts / _PARTS_OF_QUARTER, take.tempo_bpm)) > _OFF_GRID_S:
        return None
    tolerances = take.tolerances
    late = fell_behind_s > max(s_from_ms(tolerances.on_time_ms), tolerances.on_time_share * available_s)
    return Reading(frozenset(before.keys), frozenset(after.keys), available_s, taken_s, late)
