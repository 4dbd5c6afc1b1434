"""The player's own trouble spots: changes that keep failing across takes and days, with the evidence.

When a change was tried and how it failed is said in `tries`. Of the newest `NEWEST_TRIES` takes in which it was tried,
a change is a trouble spot where it failed in at least `LEAST_FAILED` on at least `LEAST_DAYS` days, the lower end of
the 95 % interval of its rate is above `LEAST_RATE`, and it fails more often than the other changes of the same takes by
more than chance. In a passage of 200 changes some fail often by chance alone: it is reckoned so that of the spots named
one in ten at most is such a one (Benjamini and Hochberg [1]_, on the binomial tail at the others' rate). It is solved
once it went well so many times in a row since, at a tempo at which it had failed, as would happen in one of twenty
cases if nothing had changed, but five times at least. (The numbers are ours, no source.)

References
----------
.. [1] Y. Benjamini and Y. Hochberg, *Controlling the false discovery rate*, Journal of the Royal Statistical Society B
   57 (1995) 289.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from pathlib import Path

from companion.charts.model import Chart, note_name
from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.hurdle import change_in_words, note_in_words
from companion.record.own_takes import NEWEST_TAKES, OwnTake, newest_own_takes
from companion.record.tries import BEHIND, GONE_BACK, KINDS, STOPPED, Change, Key, Place, Tried, Try, tried_in
from companion.record.wilson import wilson_interval

__all__ = [
    "LEAST_DAYS", "LEAST_FAILED", "LEAST_RATE", "TroubleSpot", "troubles", "troubles_in", "troubles_of_tries",
    "troubles_over_all",
]  # fmt: skip

_IN_WORDS = {GONE_BACK: "gone back", STOPPED: "stopped before", BEHIND: "late"}

#: See the rule at the top.
LEAST_FAILED, LEAST_DAYS, LEAST_RATE = 3, 2, 0.10
FALSE_SHARE = 0.10
LEAST_CLEAN_SINCE, SOLVED_CHANCE = 5, 0.05
#: A change fails from a tempo on where it failed in half of the newest of at least so many takes there.
TAKES_AT_TEMPO, NEWEST_AT_TEMPO = 3, 10


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
    tried = tried_in(takes, placed=passage is not None)
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
    anywhere: Place = ()
    told = _told_apart({(anywhere, change): count for change, count in counts.items()})
    return _spots({(anywhere, change): found for change, found in tried.items()}, told, _Words(None, None, None, today))


def _told_apart(counts: Mapping[Key, tuple[int, int]]) -> set[Key]:
    """The changes that fail more often than the others by more than chance; `counts` are (failed, takes)."""
    all_failed, all_takes = (sum(count[i] for count in counts.values()) for i in (0, 1))
    chances = {}
    for key, (failed, takes) in counts.items():
        others = all_takes - takes
        chances[key] = _binomial_tail(failed, takes, (all_failed - failed) / others if others else 0.0)
    limit = _chance_limit(list(chances.values()))
    return {key for key, chance in chances.items() if chance <= limit}


def _spots(tried: Mapping[Key, Tried], told: Collection[Key], words: _Words) -> tuple[TroubleSpot, ...]:
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


def _spot(key: Key, found: Tried, tries: Sequence[Try], failed: Sequence[Try], words: _Words) -> TroubleSpot:
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


def _places(passage: Passage, plan: Plan) -> dict[Key, tuple[int, int]]:
    """Where each change of the passage stands first."""
    found: dict[Key, tuple[int, int]] = {}
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
    places: Mapping[Key, tuple[int, int]] | None
    today: date

    def indices(self, key: Key) -> tuple[int, int]:
        """Of the notes left and arrived at; -1 where there is no passage."""
        return self.places[key] if self.places is not None else (-1, -1)

    def change(self, key: Key, names: tuple[str, str]) -> str:
        """`G to B♭ side`."""
        if self.passage is not None and self.plan is not None:
            return change_in_words(self.passage, self.plan, *self.indices(key))
        shapes = zip(key[1], names, strict=True)
        return " to ".join(note_in_words(note_name(midi), fingering) for (midi, _), fingering in shapes)

    def place(self, key: Key, passages: int) -> str:
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
