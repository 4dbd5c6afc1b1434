"""Short wrong notes between two right ones, and the fingers that were early or late.

Conventions
-----------
* A blip is a note that realises no score note, between two that were played right: the note before a change and the
  one after it (or two notes of one trill). It lives less than `blip_limit_s`.
* `early` are the fingers that had moved in every state of the horn that can have sounded it, `late` those that had
  not. Where several blips lie in one change, only states count that can follow one another. Fingers are named only
  where both are sure; a hand is named where it is sure that one of its fingers was first (or last) and not which.
* The early fingers had moved when the blip began, the late ones moved when it ended or later. So `by_ms` is its life:
  they were at least so far apart.
* Without plan or chart, or where a note has no planned fingering (the neighbour of a turn), nothing is told.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from companion.arrays import Ints
from companion.charts.model import Chart, note_name
from companion.passage import Note, Passage
from companion.planning.model import Plan
from companion.practice.between import MOVED, Change, State, change_between
from companion.practice.costs import COSTS, ornament_pitches
from companion.practice.finger_words import fingers_in_words, moved_in_words, were
from companion.practice.matching import lives_s
from companion.practice.model import PlayedArray, Pressed, Slip
from companion.units import ms_from_s

__all__ = ["blip_limit_s", "find_slips"]

#: In slow music a false note may last longer and is still one on the way: this share of the time between the two right
#: ones, up to a limit (ours, no source; fingers of one change are tens of ms apart, see `between`).
SLOW_SHARE, SLOWEST_S = 0.15, 0.15
#: More short notes than this between two right ones are no slip of fingers.
MOST_BLIPS = 4


@dataclass(frozen=True, slots=True)
class _Gap:
    """Two right notes that follow one another, and the blips between them: indices into the played notes."""

    before: int
    after: int
    blips: tuple[int, ...]


def blip_limit_s(between_s: float) -> float:
    """How long a false note may live to be one on the way, where the right notes around it begin `between_s` apart.

    75 ms as in the matching, and more in slow music.
    """
    return max(COSTS.blip_s, min(SLOWEST_S, SLOW_SHARE * between_s))


def find_slips(
    passage: Passage,
    played: PlayedArray,
    realised: Ints,
    plan: Plan | None = None,
    chart: Chart | None = None,
    pressed: Sequence[Pressed] = (),
) -> tuple[Slip, ...]:
    """The slips of a take, in order of time.

    Parameters
    ----------
    passage : Passage
    played : array of `PLAYED` [shape=(notes,)]
        In order of onset.
    realised : int array [shape=(notes,)]
        Score index of each played note, -1 for extra ones.
    plan, chart : optional
        Both are needed to tell fingers.
    pressed : sequence of Pressed
        The keys really held, where the port knows them; they are used instead of the plan.

    Returns
    -------
    tuple of Slip
        One for each blip.
    """
    teller = _Teller(passage, played, realised, plan, chart)
    return tuple(slip for gap in _gaps(passage, played, realised) for slip in teller.slips(gap))


def _gaps(passage: Passage, played: PlayedArray, realised: Ints) -> Iterator[_Gap]:
    lived_s, onsets_s = lives_s(played, tongue_s=0.0).tolist(), played["onset_s"].tolist()
    right = [_is_right(passage, played, realised, i) for i in range(len(played))]
    matched = [i for i, note in enumerate(realised.tolist()) if note >= 0]
    for before, after in pairwise(matched):
        blips = tuple(range(before + 1, after))
        step = int(realised[after]) - int(realised[before])
        if not 0 < len(blips) <= MOST_BLIPS or step not in (0, 1) or not (right[before] and right[after]):
            continue
        limit_s = blip_limit_s(onsets_s[after] - onsets_s[before])
        if all(lived_s[i] < limit_s for i in blips):
            yield _Gap(before, after, blips)


def _is_right(passage: Passage, played: PlayedArray, realised: Ints, i: int) -> bool:
    if realised[i] < 0:
        return False
    note, written_midi = passage.notes[int(realised[i])], int(played["written_midi"][i])
    return written_midi == note.written_midi or written_midi in ornament_pitches(note)


class _Teller:
    """Tells the slips of one take."""

    def __init__(
        self, passage: Passage, played: PlayedArray, realised: Ints, plan: Plan | None, chart: Chart | None
    ) -> None:
        self.passage, self.realised = passage, realised
        self.plan, self.chart = plan, chart
        self.midi = played["written_midi"].tolist()
        self.onset_s = played["onset_s"].tolist()
        self.life_ms = [ms_from_s(life_s) for life_s in lives_s(played, tongue_s=0.0).tolist()]
        self._changes: dict[tuple[frozenset[str], frozenset[str]], Change] = {}

    def slips(self, gap: _Gap) -> Iterator[Slip]:
        """A slip for each blip of the gap that is a wrong note there."""
        ends = {self.midi[gap.before], self.midi[gap.after]}
        blips = [i for i in gap.blips if self.midi[i] not in ends]
        if not blips:
            return
        rows = self._rows(gap, [self.midi[i] for i in blips])
        for at, i in enumerate(blips):
            states = list(dict.fromkeys(row[at] for row in rows))
            yield self._slip(gap, i, states)

    # -- the fingers ---------------------------------------------------------------------------------------------------

    def _change(self, gap: _Gap) -> Change | None:
        before, after = self._keys(gap.before), self._keys(gap.after)
        if before is None or after is None or self.chart is None:
            return None
        if (before, after) not in self._changes:
            self._changes[before, after] = change_between(self.chart, before, after)
        return self._changes[before, after]

    def _keys(self, i: int) -> frozenset[str] | None:
        """The planned keys of a played note."""
        if self.plan is None:
            return None
        choice, note = self.plan.choices[int(self.realised[i])], self.passage.notes[int(self.realised[i])]
        if self.midi[i] == note.written_midi:
            return choice.fingering.keys
        trill = choice.trill_fingering
        return trill.keys if trill is not None and note.trill is not None else None

    def _rows(self, gap: _Gap, heard: list[int]) -> Sequence[tuple[State, ...]]:
        change = self._change(gap)
        return change.chains(heard) if change else ()

    def _slip(self, gap: _Gap, i: int, states: Sequence[State]) -> Slip:
        slip = Slip(
            note_index=int(self.realised[gap.after]),
            from_index=int(self.realised[gap.before]),
            heard_midi=self.midi[i],
            time_s=self.onset_s[i],
            life_ms=self.life_ms[i],
            states=len(states),
        )
        change = self._change(gap)
        opening = f"{self._between(gap)} a short {note_name(slip.heard_midi)} sounds for {slip.life_ms:.0f} ms"
        if change is None:
            return replace(slip, sentence=f"{opening}; which fingers, only a planned fingering can tell")
        if not states:
            return replace(slip, sentence=f"{opening}: {self._no_state(change, slip.heard_midi)}")
        slip = replace(slip, keys=likeliest(change, states).keys)
        early, late = sure_fingers(change, states)
        if not early or not late:
            return replace(slip, sentence=f"{opening}: {_rivals(change, states)}")
        return replace(
            slip,
            early=early,
            late=late,
            by_ms=slip.life_ms,
            told=True,
            sentence=f"{opening}: {late_in_words(change, early, late)}",
        )

    def _no_state(self, change: Change, heard_midi: int) -> str:
        if not change.movers:
            return "no finger moves there, so a key was brushed or the note broke"
        return "the fingers of this change don't sound it in any order, so a key was brushed or the note broke"

    def _between(self, gap: _Gap) -> str:
        before, after = self._name(gap.before), self._name(gap.after)
        return f"From {before} to {after}" if before != after else f"Between two {before}"

    def _name(self, i: int) -> str:
        note: Note = self.passage.notes[int(self.realised[i])]
        if self.midi[i] == note.written_midi:
            return str(note.written)
        if note.trill is not None and note.trill.other.midi == self.midi[i]:
            return str(note.trill.other)
        return note_name(self.midi[i])


def sure_fingers(change: Change, states: Iterable[State]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Who was early and who late in all of these states, in the order of the chart; empty where that is not sure.

    A hand stands for its fingers where only the hand is sure, and the other side of the matter lies in the other hand.
    """
    states = list(states)
    early = [change.early(state) for state in states]
    late = [change.late(state) for state in states]
    first, last = _sure(change, early), _sure(change, late)
    if first and not last:
        last = _sure_hand(late)
    elif last and not first:
        first = _sure_hand(early)
    elif not first and not last:
        first, last = _sure_hand(early), _sure_hand(late)
    if not first or not last or (_hands(first) & _hands(last) and ("hand" in first[0] or "hand" in last[0])):
        return (), ()
    return first, last


def _sure(change: Change, found: Sequence[frozenset[str]]) -> tuple[str, ...]:
    common = frozenset.intersection(*found)
    return tuple(mover.finger for mover in change.movers if mover.finger in common)


def _sure_hand(found: Sequence[frozenset[str]]) -> tuple[str, ...]:
    if not all(found):
        return ()
    hands = {finger.split()[0] for fingers in found for finger in fingers}
    return (f"{hands.pop()} hand",) if len(hands) == 1 else ()


def _hands(fingers: Iterable[str]) -> set[str]:
    return {finger.split()[0] for finger in fingers}


def likeliest(change: Change, states: Sequence[State]) -> State:
    """The state that takes the least to be reached: whole hands apart rather than fingers of one hand, few fingers
    out of step rather than many, none halfway; then in the order of their keys, so that it is always the same one."""

    def rank(state: State) -> tuple[int, int, int, list[str]]:
        early, late = change.early(state), change.late(state)
        halfway = sum(1 for p in state.progress if 0 < p < MOVED)
        return (len(_hands(early) & _hands(late)), halfway, min(len(early), len(late)), sorted(state.keys))

    return min(states, key=rank)


def late_in_words(change: Change, early: Sequence[str], late: Sequence[str]) -> str:
    """`your left ring finger came up late, behind the left index`."""
    movers = {mover.finger: mover for mover in change.movers}
    return (
        f"your {fingers_in_words(late)} {moved_in_words([movers[f] for f in late if f in movers])} late,"
        f" behind the {fingers_in_words(early)}"
    )


def _rivals(change: Change, states: Sequence[State]) -> str:
    """What it could have been."""
    if len(change.movers) == 1:
        only = change.movers[0].finger
        return f"only your {fingers_in_words([only])} moves there, and it had left one key before it had the next"
    names = {mover.finger for mover in change.movers}
    stories = []
    for state in states:
        early, late = sorted(change.early(state) & names), sorted(change.late(state) & names)
        if early and late:
            stories.append(f"the {fingers_in_words(late)} {were(late)} behind the {fingers_in_words(early)}")
    stories = list(dict.fromkeys(stories))
    if len(stories) == 2:
        return f"it can't be told which finger: either {stories[0]}, or {stories[1]}"
    return "it can't be told which finger"
