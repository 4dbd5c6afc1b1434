"""The player's own trouble spots: changes that keep failing across takes and days, with the evidence; and whose finger.

Conventions
-----------
* A change leads from one score note with its fingering to the next with its own. It was tried in a take where the note
  before it was played right and the take got as far. A take counts once, however often it came by.
* It failed where the note was wrong or left out, where a slip was heard on the way, where the player went back instead,
  and where the note fell behind the one before it: late by more than the take's tolerance, or a stop. Behind is counted
  at the tempo that was played, and what only makes up for an early note is not behind. Takes that don't say how much
  time there was (those of earlier programs) tell nothing of late notes.
* Places are printed ones: bar and beat of both notes, so that repeats and takes of single bars count together. A change
  that is fingered otherwise now is another change.
* The simulated player's takes and invented examples never count, nor do those on another instrument.
* A try that the ladder asked for is meant to be too fast: what fails in it is no trouble.

The rule
--------
Of the newest `NEWEST_TRIES` takes in which it was tried, a change is a trouble spot where it failed in at least
`LEAST_FAILED` on at least `LEAST_DAYS` days, the lower end of the 95 % interval of its rate is above `LEAST_RATE`, and
it fails more often than the other changes of the same takes by more than chance. In a passage of 200 changes some fail
often by chance alone: it is reckoned so that of the spots named one in ten at most is such a one (Benjamini and
Hochberg [1]_, on the binomial tail at the others' rate). It is solved once it went well so many times in a row since,
at a tempo at which it had failed, as would happen in one of twenty cases if nothing had changed, but five times at
least. (The numbers are ours, no source.)

References
----------
.. [1] Y. Benjamini and Y. Hochberg, *Controlling the false discovery rate*, Journal of the Royal Statistical Society B
   57 (1995) 289.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import pairwise
from pathlib import Path

from companion.charts.model import Chart, note_name
from companion.errors import RecordError, UsageError
from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.clock import tempo_at_bpm
from companion.practice.finger_lag import FingerLag, SlipSeen, TrillLag, TrillSeen, lags, trill_lags
from companion.practice.hurdle import change_in_words, note_in_words
from companion.practice.model import EARLY, LATE, LEFT_OUT, NOT_REACHED, ON_TIME, WRONG_NOTE
from companion.record.index import Wanted
from companion.record.log import read_take
from companion.record.model import NoteRecord, TakeRecord, TakeSummary
from companion.record.progress import of_passage
from companion.record.readings import newest_takes_of
from companion.record.wilson import wilson_interval
from companion.units import ms_from_s, s_per_beat

__all__ = [
    "BEHIND", "GONE_BACK", "KINDS", "LEAST_DAYS", "LEAST_FAILED", "LEAST_RATE", "NEWEST_TAKES", "NEWEST_TRIES",
    "OMITTED", "SLIPPED", "STOPPED", "WRONG", "Change", "OwnTake", "Tried", "TroubleSpot", "Try", "finger_lags",
    "newest_own_takes", "trill_lags_of", "troubles", "troubles_in", "troubles_of_tries", "troubles_over_all",
]  # fmt: skip

#: How a change fails, the plainest first.
WRONG, OMITTED, SLIPPED, GONE_BACK, STOPPED, BEHIND = "wrong", "left out", "slipped", "gone back", "stopped", "late"
KINDS = (WRONG, OMITTED, SLIPPED, GONE_BACK, STOPPED, BEHIND)
_IN_WORDS = {GONE_BACK: "gone back", STOPPED: "stopped before", BEHIND: "late"}

#: See the rule at the top.
NEWEST_TAKES, NEWEST_TRIES = 120, 30
LEAST_FAILED, LEAST_DAYS, LEAST_RATE = 3, 2, 0.10
FALSE_SHARE = 0.10
LEAST_CLEAN_SINCE, SOLVED_CHANCE = 5, 0.05
#: A change fails from a tempo on where it failed in half of the newest of at least so many takes there.
TAKES_AT_TEMPO, NEWEST_AT_TEMPO = 3, 10
#: A note that comes so much behind the one before was stopped for (as `practice.reading` has it).
STOP_MS, STOP_BEATS = 250.0, 0.75

_RIGHT = (ON_TIME, EARLY, LATE)
#: (written MIDI number, keys) of a note, and of the two of a change.
_Shape = tuple[int, tuple[str, ...]]
Change = tuple[_Shape, _Shape]
#: (bar, beat) of both notes; empty for a change wherever it stands.
_Place = tuple[str, ...]
_Key = tuple[_Place, Change]


@dataclass(frozen=True, slots=True)
class OwnTake:
    """A take of the player's own, without its events, its day (`YYYY-MM-DD`), what tells its passage from others, and
    its tempo, in quarters a minute of the whole passage's first tempo where the passage is known."""

    take: TakeRecord
    day: str
    passage: str
    tempo_bpm: float


@dataclass(frozen=True, slots=True)
class TroubleSpot:
    """A change that keeps failing, and the evidence.

    `bar` and `beat` are the printed place of the note arrived at, empty where the change is meant wherever it stands;
    `note_index` and `from_index` are its first time in the passage, -1 where no passage was given. `failed` of `takes`
    takes failed, on `days` days, last on `last_day`; `rate` is their share, `low` and `high` its 95 % interval. `kinds`
    says how often what, the most frequent first. `fails_from_bpm` is the tempo from which on it failed in half of the
    newest takes or more (`failed_from_there` of `takes_from_there`), None where there is none; tempos are quarters a
    minute of the whole passage's first tempo. `clean_since` times in a row it went well since; it is `solved` at
    `clean_needed`. `passages` is in how many passages it failed.
    """

    from_midi: int
    from_keys: tuple[str, ...]
    to_midi: int
    to_keys: tuple[str, ...]
    bar: str
    beat: str
    from_index: int
    note_index: int
    change: str
    takes: int
    failed: int
    days: int
    last_day: str
    kinds: tuple[tuple[str, int], ...]
    rate: float
    low: float
    high: float
    fails_from_bpm: float | None
    failed_from_there: int
    takes_from_there: int
    clean_since: int
    clean_needed: int
    passages: int
    sentence: str

    @property
    def solved(self) -> bool:
        """Whether it went well often enough since."""
        return self.clean_since >= self.clean_needed


# -- takes in ---------------------------------------------------------------------------------------------------------


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


def troubles(
    folder: Path,
    passage: Passage,
    chart: Chart,
    plan: Plan,
    *,
    today: date | None = None,
    newest_takes: int = NEWEST_TAKES,
    cache: Path | None = None,
) -> tuple[TroubleSpot, ...]:
    """The trouble spots of a passage as it is planned now, worst first.

    Parameters
    ----------
    folder
        The log's folder; one that isn't there is an empty log.
    passage, chart, plan
        The whole passage and its plan; takes of single bars of it count too.
    today
        For the words (`last on Tuesday`); the present day by default.
    newest_takes
        How many takes are looked through at most.

    Raises
    ------
    RecordError
        If the folder can't be read.
    """
    return troubles_in(newest_own_takes(folder, chart, passage, newest_takes, cache), passage, plan, today=today)


def troubles_over_all(
    folder: Path,
    chart: Chart,
    *,
    today: date | None = None,
    newest_takes: int = NEWEST_TAKES,
    cache: Path | None = None,
) -> tuple[TroubleSpot, ...]:
    """The changes that keep failing wherever they stand, worst first; see `troubles`."""
    return troubles_in(newest_own_takes(folder, chart, None, newest_takes, cache), today=today)


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


# -- what became of each change ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Try:
    """One take in which a change was tried: how it failed, empty where it went well."""

    day: str
    tempo_bpm: float
    passage: str
    kinds: frozenset[str]


@dataclass(slots=True)
class Tried:
    """All takes in which a change was tried, oldest first, and what is to be said about the change."""

    tries: list[Try] = field(default_factory=list)
    names: tuple[str, str] = ("", "")

    @property
    def newest(self) -> list[Try]:
        """Those that count."""
        return self.tries[-NEWEST_TRIES:]

    @property
    def counted(self) -> tuple[int, int]:
        """(failed, takes) of those that count."""
        newest = self.newest
        return sum(1 for t in newest if t.kinds), len(newest)


def _tried(takes: Iterable[OwnTake], placed: bool) -> dict[_Key, Tried]:
    found: dict[_Key, Tried] = defaultdict(Tried)
    for own in takes:
        # Whoever wrote the file by hand may have written a tempo that is none.
        if not (own.tempo_bpm > 0 and own.take.tempo_bpm > 0) or own.take.ladder.get("trying"):
            continue
        of_take: dict[_Key, set[str]] = {}
        for i, kinds in _outcomes(own.take):
            before, after = own.take.notes[i - 1], own.take.notes[i]
            place: _Place = (before.bar, before.beat, after.bar, after.beat) if placed else ()
            key = place, ((before.written_midi, before.keys), (after.written_midi, after.keys))
            of_take.setdefault(key, set()).update(kinds)
            found[key].names = before.fingering, after.fingering
        for key, kinds in of_take.items():
            found[key].tries.append(Try(own.day, own.tempo_bpm, own.passage, frozenset(kinds)))
    return found


def _outcomes(take: TakeRecord) -> Iterator[tuple[int, set[str]]]:
    """(note arrived at, how the change failed) for each change of fingering that was tried."""
    slipped = {slip.note_index for slip in take.slips if slip.from_index == slip.note_index - 1}
    early_ms = 0.0
    for i, (before, after) in enumerate(pairwise(take.notes), start=1):
        behind_ms = _behind_ms(take, before, after)
        if _is_change(before, after) and before.verdict in _RIGHT and after.verdict != NOT_REACHED:
            yield i, _failures(take, after, i in slipped, behind_ms, early_ms)
        early_ms = max(min(-(after.deviation_ms or 0.0), -(behind_ms or 0.0)), 0.0)


def _is_change(before: NoteRecord, after: NoteRecord) -> bool:
    # The open horn has no keys, nor has a note without a plan; only the fingering's name tells them apart.
    return before.keys != after.keys and bool(before.fingering and after.fingering)


def _behind_ms(take: TakeRecord, before: NoteRecord, after: NoteRecord) -> float | None:
    """How far the note fell behind the one before it, at the tempo that was played."""
    if before.deviation_ms is None or after.deviation_ms is None or after.available_ms is None:
        return None
    at_tempo = take.tempo_bpm / take.tempo_played_bpm if take.tempo_played_bpm else 1.0
    return after.deviation_ms - before.deviation_ms - after.available_ms * (at_tempo - 1.0)


def _failures(take: TakeRecord, note: NoteRecord, slipped: bool, behind_ms: float | None, early_ms: float) -> set[str]:
    found = {kind for kind, verdict in ((WRONG, WRONG_NOTE), (OMITTED, LEFT_OUT)) if note.verdict == verdict}
    if slipped:
        found.add(SLIPPED)
    if note.went_back:
        found.add(GONE_BACK)
    if behind_ms is not None and note.available_ms is not None and note.verdict in _RIGHT:
        allowed_ms = max(take.tolerances.on_time_ms, take.tolerances.on_time_share * note.available_ms)
        if behind_ms - early_ms > allowed_ms:
            stop_ms = max(STOP_MS, STOP_BEATS * ms_from_s(s_per_beat(take.tempo_bpm)))
            found.add(STOPPED if behind_ms > stop_ms else BEHIND)
    return found


# -- the rule ---------------------------------------------------------------------------------------------------------


def troubles_in(
    takes: Iterable[OwnTake],
    passage: Passage | None = None,
    plan: Plan | None = None,
    *,
    today: date | None = None,
) -> tuple[TroubleSpot, ...]:
    """The trouble spots in these takes, worst first: those that are not solved, then the solved ones.

    Parameters
    ----------
    takes
        Oldest first.
    passage, plan
        What the takes are of; without it, changes are meant wherever they stand.
    today
        For the words; the present day by default.
    """
    tried = _tried(takes, placed=passage is not None)
    places = _places(passage, plan) if passage is not None and plan is not None else None
    words = _Words(passage, plan, places, today or date.today())
    counts = {key: found.counted for key, found in tried.items()}
    there = {key: found for key, found in tried.items() if places is None or key in places}
    return _spots(there, _told_apart(counts), words)


def troubles_of_tries(
    tried: Mapping[Change, Tried], counts: Mapping[Change, tuple[int, int]], today: date
) -> tuple[TroubleSpot, ...]:
    """The same for changes wherever they stand, of tries that were counted elsewhere.

    Parameters
    ----------
    tried
        Those that failed in at least `LEAST_FAILED` of the newest `NEWEST_TRIES`; others are no trouble spots.
    counts
        Of every change that was tried: (failed, takes) of the newest `NEWEST_TRIES`.
    today
        For the words.
    """
    anywhere: _Place = ()
    told = _told_apart({(anywhere, change): count for change, count in counts.items()})
    return _spots({(anywhere, change): found for change, found in tried.items()}, told, _Words(None, None, None, today))


def _told_apart(counts: Mapping[_Key, tuple[int, int]]) -> set[_Key]:
    """The changes that fail more often than the others by more than chance; `counts` are (failed, takes)."""
    all_failed, all_takes = (sum(count[i] for count in counts.values()) for i in (0, 1))
    chances = {}
    for key, (failed, takes) in counts.items():
        others = all_takes - takes
        chances[key] = _binomial_tail(failed, takes, (all_failed - failed) / others if others else 0.0)
    limit = _chance_limit(list(chances.values()))
    return {key for key, chance in chances.items() if chance <= limit}


def _spots(tried: Mapping[_Key, Tried], told: Collection[_Key], words: _Words) -> tuple[TroubleSpot, ...]:
    spots = []
    for key, found in tried.items():
        failed = [t for t in found.newest if t.kinds]
        if key in told and _is_habit(failed, len(found.newest)):
            spots.append(_spot(key, found, found.newest, failed, words))
    return tuple(sorted(spots, key=lambda s: (s.solved, -s.low, -s.failed, s.note_index, s.from_midi, s.to_midi)))


def _is_habit(failed: Sequence[Try], takes: int) -> bool:
    if len(failed) < LEAST_FAILED or len({t.day for t in failed}) < LEAST_DAYS:
        return False
    return wilson_interval(len(failed), takes)[0] > LEAST_RATE


def _binomial_tail(count: int, total: int, rate: float) -> float:
    """How likely `count` or more of `total` are at this rate."""
    if not count:
        return 1.0
    return math.fsum(math.comb(total, k) * rate**k * (1 - rate) ** (total - k) for k in range(count, total + 1))


def _chance_limit(chances: Sequence[float]) -> float:
    """The largest of these probabilities that still tells something when so many are looked at; -1 where none does."""
    ordered = sorted(chances)
    told = [p for rank, p in enumerate(ordered, start=1) if p <= FALSE_SHARE * rank / len(ordered)]
    return told[-1] if told else -1.0


def _spot(key: _Key, found: Tried, tries: Sequence[Try], failed: Sequence[Try], words: _Words) -> TroubleSpot:
    place, ((from_midi, from_keys), (to_midi, to_keys)) = key
    counts = Counter(kind for t in failed for kind in t.kinds)
    kinds = tuple(sorted(counts.items(), key=lambda entry: (-entry[1], KINDS.index(entry[0]))))
    from_index, note_index = words.indices(key)
    low, high = wilson_interval(len(failed), len(tries))
    last = max(i for i, t in enumerate(tries) if t.kinds)
    days = sorted({t.day for t in failed})
    lowest_bpm = min(t.tempo_bpm for t in failed)
    change = words.change(key, found.names)
    evidence = _evidence(len(failed), len(tries), days, kinds, words.today)
    passages = len({t.passage for t in failed})
    fails_from_bpm, failed_there, takes_there = _fails_from(tries)
    return TroubleSpot(
        from_midi=from_midi,
        from_keys=from_keys,
        to_midi=to_midi,
        to_keys=to_keys,
        bar=place[2] if place else "",
        beat=place[3] if place else "",
        from_index=from_index,
        note_index=note_index,
        change=change,
        takes=len(tries),
        failed=len(failed),
        days=len(days),
        last_day=days[-1],
        kinds=kinds,
        rate=len(failed) / len(tries),
        low=low,
        high=high,
        fails_from_bpm=fails_from_bpm,
        failed_from_there=failed_there,
        takes_from_there=takes_there,
        # What goes well only slower than it ever failed is not solved by that.
        clean_since=sum(1 for t in tries[last + 1 :] if t.tempo_bpm >= lowest_bpm - 0.05),
        clean_needed=_clean_needed(len(failed) / (last + 1)),
        passages=passages,
        sentence=f"{change}{words.place(key, passages)}: {evidence}",
    )


def _clean_needed(rate: float) -> int:
    """So many times well in a row that what fails at this rate would do it in one of twenty cases, or more."""
    by_chance = math.ceil(math.log(SOLVED_CHANCE) / math.log1p(-rate) - 1e-9) if rate < 1 else 0
    return max(LEAST_CLEAN_SINCE, by_chance)


def _fails_from(tries: Sequence[Try]) -> tuple[float | None, int, int]:
    """The tempo from which on it fails, and how many of how many takes say so."""
    for tempo_bpm in sorted({t.tempo_bpm for t in tries if t.kinds}):
        there = [t for t in tries if t.tempo_bpm >= tempo_bpm][-NEWEST_AT_TEMPO:]
        failed = sum(1 for t in there if t.kinds)
        if len(there) >= TAKES_AT_TEMPO and 2 * failed >= len(there):
            return tempo_bpm, failed, len(there)
    return None, 0, 0


# -- words ------------------------------------------------------------------------------------------------------------


def _places(passage: Passage, plan: Plan) -> dict[_Key, tuple[int, int]]:
    """Where each change of the passage stands first."""
    found: dict[_Key, tuple[int, int]] = {}
    for before, after in pairwise(passage.notes):
        keys = [tuple(sorted(plan.choices[note.index].keys)) for note in (before, after)]
        bars = [passage.bars[note.bar].number for note in (before, after)]
        place = bars[0], str(before.count), bars[1], str(after.count)
        change = (before.written_midi, keys[0]), (after.written_midi, keys[1])
        found.setdefault((place, change), (before.index, after.index))
    return found


@dataclass(frozen=True, slots=True)
class _Words:
    passage: Passage | None
    plan: Plan | None
    places: Mapping[_Key, tuple[int, int]] | None
    today: date

    def indices(self, key: _Key) -> tuple[int, int]:
        """Of the notes left and arrived at; -1 where there is no passage."""
        return self.places[key] if self.places is not None else (-1, -1)

    def change(self, key: _Key, names: tuple[str, str]) -> str:
        """`G to B♭ side`."""
        if self.passage is not None and self.plan is not None:
            return change_in_words(self.passage, self.plan, *self.indices(key))
        shapes = zip(key[1], names, strict=True)
        return " to ".join(note_in_words(note_name(midi), fingering) for (midi, _), fingering in shapes)

    def place(self, key: _Key, passages: int) -> str:
        """` in bar 5`, with the beat where the bar has the same change twice; ` in 3 passages`."""
        if self.passage is None or self.places is None:
            return f" in {passages} passages" if passages > 1 else ""
        index = self.indices(key)[1]
        note = self.passage.notes[index]
        bar = self.passage.bars[note.bar]
        where = f" in {'the upbeat' if bar.upbeat and not note.bar else f'bar {bar.number or note.bar + 1}'}"
        same = {place for place, change in self.places if change == key[1] and place[2] == key[0][2]}
        return f"{where}, beat {note.count}" if len(same) > 1 else where


def _evidence(failed: int, takes: int, days: Sequence[str], kinds: Sequence[tuple[str, int]], today: date) -> str:
    on_days = f"on {len(days)} days"
    return f"failed in {failed} of {takes} takes {on_days}, last {_when(days[-1], today)}; {_how(kinds, failed)}"


def _when(day: str, today: date) -> str:
    """`today`, `on Tuesday` within the last six days, else `on 3 November`."""
    there = date.fromisoformat(day)
    ago = (today - there).days
    if ago == 0:
        return "today"
    if 0 < ago < 7:
        return f"on {there:%A}"
    year = f" {there.year}" if there.year != today.year else ""
    return f"on {there.day} {there:%B}{year}"


def _how(kinds: Sequence[tuple[str, int]], failed: int) -> str:
    """`mostly late`; `late` where it was nothing else; `late or slipped` where no kind is most of it."""
    names = [_IN_WORDS.get(kind, kind) for kind, _ in kinds]
    if len(names) == 1:
        return names[0]
    return f"mostly {names[0]}" if 2 * kinds[0][1] > failed else f"{names[0]} or {names[1]}"
