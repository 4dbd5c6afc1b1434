"""The player's own newest takes on an instrument, and what their slips and trills tell of the fingers.

The simulated player's takes and invented examples never count, nor do those on another instrument.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from companion.charts.model import Chart
from companion.errors import RecordError, UsageError
from companion.passage import Passage
from companion.practice.clock import tempo_at_bpm
from companion.practice.finger_lag import FingerLag, SlipSeen, TrillLag, TrillSeen, lags, trill_lags
from companion.record.index import Wanted
from companion.record.log import read_take
from companion.record.model import TakeRecord, TakeSummary
from companion.record.progress import of_passage
from companion.record.readings import newest_takes_of

__all__ = ["NEWEST_TAKES", "OwnTake", "finger_lags", "newest_own_takes", "trill_lags_of"]

#: So many are looked through at most, unless another number is asked for.
NEWEST_TAKES = 120


@dataclass(frozen=True, slots=True)
class OwnTake:
    """A take of the player's own, without its events, its day (`YYYY-MM-DD`), what tells its passage from others, and
    its tempo, in quarters a minute of the whole passage's first tempo where the passage is known."""

    take: TakeRecord
    day: str
    passage: str
    tempo_bpm: float


def newest_own_takes(
    folder: Path,
    chart: Chart,
    passage: Passage | None = None,
    most: int = NEWEST_TAKES,
    cache: Path | None = None,
) -> list[OwnTake]:
    """The player's own newest takes on an instrument, oldest first; of one passage where it is given.

    Raises
    ------
    RecordError
        If the folder can't be read. Takes that can't be read are passed over.
    """
    found = []
    for summary in _summaries(folder, chart, passage, most, cache):
        try:
            take = read_take(folder, summary, events="none")
        except RecordError:  # changed since the index was made; `survey` says so to whoever asks
            continue
        which = summary.sha256 or summary.file_name or summary.title
        found.append(OwnTake(take, summary.day, which, _first_tempo_bpm(take, passage)))
    return found


def _first_tempo_bpm(take: TakeRecord, passage: Passage | None) -> float:
    """A take of single bars counts in the tempo that stands there."""
    if passage is None or not take.bars or len(passage.tempos) < 2:
        return take.tempo_bpm
    try:
        first, _ = passage.bar_range(take.bars)
    except UsageError:  # bars of an earlier version of the file
        return take.tempo_bpm
    return take.tempo_bpm / tempo_at_bpm(passage, passage.bars[first].start, 1.0)


def _summaries(
    folder: Path, chart: Chart, passage: Passage | None, most: int, cache: Path | None
) -> Sequence[TakeSummary]:
    if passage is None:
        return newest_takes_of(folder, chart.name, most, cache)
    wanted = Wanted(sha256=passage.sha256, file_name=passage.origin)
    parts = ("", passage.part_name, passage.part_id)
    takes = newest_takes_of(folder, chart.name, most, cache, wanted, parts)
    # A passage without a file asks for takes without one.
    return of_passage(takes, passage.sha256, passage.origin)[0]


def finger_lags(takes: Iterable[OwnTake]) -> tuple[FingerLag, ...]:
    """Which finger is behind which, as the slips of these takes tell."""
    return lags(seen for own in takes for seen in _slips_seen(own))


def trill_lags_of(takes: Iterable[OwnTake]) -> tuple[TrillLag, ...]:
    """Which note of a trill lasts longer, as these takes tell."""
    return trill_lags(seen for own in takes for seen in _trills_seen(own))


def _keys_held(take: TakeRecord) -> dict[int, tuple[str, ...]]:
    """The keys really held where they are known and not the planned ones."""
    return {used.note_index: used.keys for used in take.used}


def _slips_seen(own: OwnTake) -> Iterator[SlipSeen]:
    take, held = own.take, _keys_held(own.take)
    for slip in take.slips:
        ends = slip.from_index, slip.note_index
        if not (slip.early and slip.late) or slip.by_ms is None or not all(0 <= i < len(take.notes) for i in ends):
            continue
        before, after = (take.notes[i] for i in ends)
        keys = [frozenset(held.get(i, take.notes[i].keys)) for i in ends]
        yield SlipSeen(
            take.id, own.day, before.written_midi, keys[0], after.written_midi, keys[1],
            slip.early, slip.late, slip.by_ms, slip.note_index,
        )  # fmt: skip


def _trills_seen(own: OwnTake) -> Iterator[TrillSeen]:
    for trill in own.take.trills:
        if 0 <= trill.note_index < len(own.take.notes):
            note = own.take.notes[trill.note_index]
            main, other = frozenset(note.keys), frozenset(trill.other_keys)
            timing = trill.main_longer_ms
            yield TrillSeen(own.take.id, own.day, note.written_midi, main, trill.other_midi, other, timing)
