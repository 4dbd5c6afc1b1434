"""Short wrong notes between two right ones, and the fingers that were early or late.

Conventions
-----------
* A blip is a note that realises no score note, between two that were played right: the note before a change and the
  one after it (or two notes of one trill, or the same note twice). It lives less than 75 ms, as in the matching; in
  slow music up to `blip_limit_s`, but then only where the fingers of the change sound it: else it is a note added.
* `early` are the fingers that were ahead of the `late` ones in every state of the horn that can have sounded it. Where
  several blips lie in one change, only states count that can follow one another. Fingers are named only where both are
  sure; a hand is named where it is sure that one of its fingers was first (or last) and not which.
* The early fingers had moved when the blip began, the late ones moved when it ended or later. So `by_ms` is its life:
  they were at least so far apart. Where the port tells the keys, `by_ms` is the time between the last early finger and
  the first late one.
* What is heard follows the finger: a key closes within some 10 ms and opens within some 16 (measured on flutes:
  A. Almeida and others, J. Acoust. Soc. Am. 126 (2009) 1521), so a life is that of the fingers within a few ms.
* Where a single finger moves there is nobody to be early or late: nothing is told, and the sentence says what it did.
* Without plan or chart, or where a note has no planned fingering (the neighbour of a turn), nothing is told.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from companion.arrays import Ints
from companion.charts.model import Chart, note_name
from companion.errors import UsageError
from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.between import HALFWAY, Change, Mover, State, change_between
from companion.practice.costs import COSTS, ornament_pitches
from companion.practice.finger_words import behind_in_words, fingers_in_words, moved_in_words, were
from companion.practice.matching import lives_s
from companion.practice.model import PlayedArray, Pressed, Slip
from companion.practice.pressed import KeyTimes, key_times
from companion.practice.slip_causes import End, other_cause
from companion.practice.words import pitch_in_words
from companion.units import ms_from_s

__all__ = ["blip_limit_s", "find_slips", "sure_fingers"]

#: In slow music a false note may last longer and is still one on the way: this share of the time between the two right
#: ones, up to a limit (ours, no source; fingers of one change are tens of ms apart, see `between`).
SLOW_SHARE, SLOWEST_S = 0.15, 0.15
#: More short notes than this between two right ones are no slip of fingers.
MOST_BLIPS = 4
#: More fingers than this are counted, not named.
MOST_NAMED = 3


@dataclass(frozen=True, slots=True)
class _Gap:
    """Two right notes that follow one another, and the blips between them: indices into the played notes."""

    before: int
    after: int
    blips: tuple[int, ...]


def blip_limit_s(between_s: float) -> float:
    """How long a false note may live to be one on the way, where the right notes around it begin `between_s` apart.

    75 ms as in the matching, and more in slow music: 15 % of that time, up to 150 ms.
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
        Both are needed to tell fingers from notes alone.
    pressed : sequence of Pressed
        The keys really held, where the port knows them, in order of time; they and the chart are enough, and count more
        than the plan.

    Returns
    -------
    tuple of Slip
        One for each blip.

    Raises
    ------
    UsageError
        A plan of other notes.
    """
    if plan is not None and len(plan.choices) != len(passage.notes):
        raise UsageError(
            f"the plan is for {len(plan.choices)} notes and the passage has {len(passage.notes)}: plan these bars anew"
        )
    gaps = list(_gaps(passage, played, realised))
    if not gaps:
        return ()
    teller = _Teller(passage, played, realised, plan, chart, pressed)
    return tuple(slip for gap in gaps for slip in teller.slips(gap))


def _gaps(passage: Passage, played: PlayedArray, realised: Ints) -> Iterator[_Gap]:
    scored = realised.tolist()
    if all(note >= 0 for note in scored):
        return
    lived_s, onsets_s = lives_s(played, tongue_s=0.0).tolist(), played["onset_s"].tolist()
    pitches = played["written_midi"].tolist()
    matched = _that_stay(passage, [i for i, note in enumerate(scored) if note >= 0], scored, lived_s)
    for before, after in pairwise(matched):
        blips = tuple(range(before + 1, after))
        if not 0 < len(blips) <= MOST_BLIPS or scored[after] - scored[before] not in (0, 1):
            continue
        limit_s = blip_limit_s(onsets_s[after] - onsets_s[before])
        right = all(_is_right(passage, scored[i], pitches[i]) for i in (before, after))
        if right and all(lived_s[i] < limit_s for i in blips):
            yield _Gap(before, after, blips)


def _that_stay(passage: Passage, matched: list[int], scored: list[int], lived_s: list[float]) -> list[int]:
    """Without short notes that a false one parts from the same note before or after it: the horn came back to a note on
    the way from it, or touched one on the way to it. A trill's notes are short and stay."""
    flickers = set()
    for a, b in pairwise(matched):
        note = passage.notes[scored[a]]
        if scored[a] == scored[b] and b > a + 1 and not ornament_pitches(note):
            shorter = min(a, b, key=lambda i: lived_s[i])
            if lived_s[shorter] < COSTS.blip_s:
                flickers.add(shorter)
    return [i for i in matched if i not in flickers]


def _is_right(passage: Passage, note_index: int, written_midi: int) -> bool:
    note = passage.notes[note_index]
    return written_midi == note.written_midi or written_midi in ornament_pitches(note)


class _Teller:
    """Tells the slips of one take."""

    def __init__(
        self,
        passage: Passage,
        played: PlayedArray,
        realised: Ints,
        plan: Plan | None,
        chart: Chart | None,
        pressed: Sequence[Pressed],
    ) -> None:
        self._passage, self._played = passage, played
        self._scored: list[int] = realised.tolist()
        self._plan, self._chart, self._pressed = plan, chart, pressed
        self._midi: list[int] = played["written_midi"].tolist()
        self._onset_s: list[float] = played["onset_s"].tolist()
        self._life_ms = [ms_from_s(life_s) for life_s in lives_s(played, tongue_s=0.0).tolist()]
        self._changes: dict[tuple[frozenset[str], frozenset[str]], Change] = {}

    def slips(self, gap: _Gap) -> Iterator[Slip]:
        """A slip for each blip of the gap that is a wrong note there."""
        ends = {self._midi[gap.before], self._midi[gap.after]}
        blips = [i for i in gap.blips if self._midi[i] not in ends]
        if not blips:
            return
        times = key_times(self._chart, self._played, self._pressed, gap.before, gap.after) if self._chart else None
        change = self._change(gap) if times is None else None
        if times is not None:
            found = [self._seen(gap, i, times) for i in blips]
        elif change is not None:
            found = list(self._by_plan(gap, blips, change))
        else:
            why = "which fingers, only their planned fingerings can tell"
            found = [self._slip(gap, i, f"; {why}") for i in blips]
        yield from (slip for slip in found if slip.life_ms < ms_from_s(COSTS.blip_s) or slip.told or slip.states)

    def _by_plan(self, gap: _Gap, blips: Sequence[int], change: Change) -> Iterator[Slip]:
        heard = [self._midi[i] for i in blips]
        possible = change.possible(heard)
        for i, states in zip(blips, possible, strict=True):
            # Several that can't follow one another are taken one by one.
            yield self._told(gap, i, change, states if all(possible) else change.sounding(self._midi[i]))

    # -- the fingers ---------------------------------------------------------------------------------------------------

    def _change(self, gap: _Gap) -> Change | None:
        before, after = self._keys(gap.before), self._keys(gap.after)
        if before is None or after is None or self._chart is None:
            return None
        if (before, after) not in self._changes:
            self._changes[before, after] = change_between(self._chart, before, after)
        return self._changes[before, after]

    def _keys(self, i: int) -> frozenset[str] | None:
        """The planned keys of a played note."""
        if self._plan is None:
            return None
        note, choice = self._passage.notes[self._scored[i]], self._plan.choices[self._scored[i]]
        if self._midi[i] == note.written_midi:
            return choice.fingering.keys
        trill = choice.trill_fingering
        if trill is not None and trill.written_midi == self._midi[i]:
            return trill.keys
        return None

    def _told(self, gap: _Gap, i: int, change: Change, states: Sequence[State]) -> Slip:
        if not states:
            assert self._chart is not None
            before, after = (End(self._midi[end], self._name(end)) for end in (gap.before, gap.after))
            return self._slip(gap, i, f": {other_cause(self._chart, change, before, after, self._midi[i])}")
        early, late = sure_fingers(change, states)
        if not early:
            slip = self._slip(gap, i, f": {_rivals(change, states)}")
        else:
            words = late_in_words(change.movers, early, late)
            slip = self._slip(gap, i, f": {words}")
            slip = replace(slip, early=early, late=late, by_ms=slip.life_ms, told=True)
        return replace(slip, keys=likeliest(change, states).keys, states=len(states))

    def _seen(self, gap: _Gap, i: int, times: KeyTimes) -> Slip:
        """With the keys that were held."""
        early, late = times.split(self._onset_s[i])
        keys = times.held_at(self._onset_s[i])
        if not early or not late:
            slip = self._slip(gap, i, f": {self._not_by_fingers(i, times, keys)}")
            return replace(slip, keys=keys, states=int(times.chart.sound(keys) == slip.heard_midi))
        by_ms = times.apart_ms(early, late)
        words = late_in_words(times.movers, early, late)
        slip = self._slip(gap, i, f": {words} by {by_ms:.0f} ms, as the keys tell")
        return replace(slip, early=early, late=late, by_ms=by_ms, told=True, keys=keys, states=1)

    def _not_by_fingers(self, i: int, times: KeyTimes, keys: frozenset[str]) -> str:
        brushed = times.moved_in_words()
        if brushed:
            return ", ".join(brushed)
        sounds = times.chart.sound(keys)
        if sounds != self._midi[i]:
            return f"the keys held then sound {note_name(sounds)}, so the air made it"
        return "no other finger moved around it"

    # -- the words -----------------------------------------------------------------------------------------------------

    def _slip(self, gap: _Gap, i: int, ending: str) -> Slip:
        sounds = f"a short {self._heard(gap, i)} sounds for {self._life_ms[i]:.0f} ms"
        return Slip(
            note_index=self._scored[gap.after],
            from_index=self._scored[gap.before],
            heard_midi=self._midi[i],
            time_s=self._onset_s[i],
            life_ms=self._life_ms[i],
            sentence=f"{self._between(gap)} {sounds}{ending}",
        )

    def _between(self, gap: _Gap) -> str:
        before, after = self._name(gap.before), self._name(gap.after)
        return f"From {before} to {after}" if before != after else f"Between {before} and {after} again"

    def _heard(self, gap: _Gap, i: int) -> str:
        """A false note has no spelling of its own: with the sharps or flats around it."""
        ends = [self._passage.notes[self._scored[end]] for end in (gap.before, gap.after)]
        signs = [self._passage.bars[ends[1].bar].fifths, *(note.written.alter for note in ends)]
        if all(sign >= 0 for sign in signs) != all(sign <= 0 for sign in signs):
            return pitch_in_words(self._midi[i], flat=min(signs) < 0)
        return note_name(self._midi[i])

    def _name(self, i: int) -> str:
        note = self._passage.notes[self._scored[i]]
        if self._midi[i] == note.written_midi:
            return str(note.written)
        if note.trill is not None and note.trill.other.midi == self._midi[i]:
            return str(note.trill.other)
        return note_name(self._midi[i])


def sure_fingers(change: Change, states: Sequence[State]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Who was ahead of whom in all of these states, in the order of the chart; both empty where that is not sure.

    A hand stands for its fingers where only the hand is sure, and the other side of the matter lies in the other hand.
    """
    first, last = _sure_order(change, states)
    if first:
        return first, last
    early = [change.early(state) for state in states]
    late = [change.late(state) for state in states]
    first = _sure(change, early) or _sure_hand(early)
    last = _sure(change, late) or _sure_hand(late)
    return (first, last) if first and last and not _hands(first) & _hands(last) else ((), ())


def _sure_order(change: Change, states: Sequence[State]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Fingers of which each of the first is ahead of each of the last in all states."""
    places = range(len(change.movers))
    ahead = {(a, b) for a in places for b in places if all(state.progress[a] > state.progress[b] for state in states)}
    behind = {b for _, b in ahead}
    late = {b for b in behind if b not in {a for a, _ in ahead}}
    early = [a for a in places if a not in behind and late and all((a, b) in ahead for b in late)]
    if not early:
        return (), ()
    return tuple(change.movers[a].finger for a in early), tuple(change.movers[b].finger for b in sorted(late))


def _sure(change: Change, found: Sequence[frozenset[str]]) -> tuple[str, ...]:
    common = frozenset.intersection(*found)
    return tuple(mover.finger for mover in change.movers if mover.finger in common)


def _sure_hand(found: Sequence[frozenset[str]]) -> tuple[str, ...]:
    if not all(found):
        return ()
    hands = _hands(finger for fingers in found for finger in fingers)
    return (f"{hands.pop()} hand",) if len(hands) == 1 else ()


def _hands(fingers: Iterable[str]) -> set[str]:
    return {finger.split()[0] for finger in fingers}


def likeliest(change: Change, states: Sequence[State]) -> State:
    """The state that takes the least to be reached: whole hands apart rather than fingers of one hand, no finger
    halfway, few out of step rather than many; then in the order of their keys, so that it is always the same one."""

    def rank(state: State) -> tuple[int, int, int, list[str]]:
        early, late = change.early(state), change.late(state)
        halfway = state.progress.count(HALFWAY)
        return (len(_hands(early) & _hands(late)), halfway, min(len(early), len(late)), sorted(state.keys))

    return min(states, key=rank)


def late_in_words(movers: Sequence[Mover], early: Sequence[str], late: Sequence[str]) -> str:
    """`your left ring finger came up late, behind the index`; more than three fingers are counted."""
    if len(late) > max(MOST_NAMED, len(early)):
        how = moved_in_words([mover for mover in movers if mover.finger in early])
        return f"your {fingers_in_words(early, movers)} {how} early, ahead of {len(late)} others"
    how = moved_in_words([mover for mover in movers if mover.finger in late])
    return f"your {fingers_in_words(late, movers)} {how} late, behind {_ahead(movers, early, late)}"


def _ahead(movers: Sequence[Mover], early: Sequence[str], late: Sequence[str]) -> str:
    if len(early) > MOST_NAMED:
        return f"{len(early)} others"
    words, hands = fingers_in_words(early, movers), _hands(late)
    if not words.endswith(" hand") and len(hands) == 1:
        words = behind_in_words(early, min(hands))
    return f"the {words}"


def _rivals(change: Change, states: Sequence[State]) -> str:
    """What it could have been, where it can't be told."""
    if len(change.movers) == 1:
        only = fingers_in_words([change.movers[0].finger])
        return f"only your {only} moves there, and had left one key before it had the next"
    stories = dict.fromkeys(_story(change, state) for state in states)
    if len(stories) == 2 and all(stories):
        return f"it can't be told which finger: either {' or '.join(stories)}"
    order = [mover.finger for mover in change.movers]
    for found, says in ((change.late, "came late"), (change.early, "came early")):
        sure = frozenset.intersection(*(found(state) for state in states))
        if sure:
            named = fingers_in_words([finger for finger in order if finger in sure], change.movers)
            return f"your {named} {says}; it can't be told against which other finger"
    return "it can't be told which finger"


def _story(change: Change, state: State) -> str:
    order = [mover.finger for mover in change.movers]
    early, late = ([f for f in order if f in part] for part in (change.early(state), change.late(state)))
    if not early or not late:
        return ""
    words = fingers_in_words(late, change.movers)
    plural = not words.endswith(" hand") and len(late) > 1
    return f"the {words} {were(late if plural else late[:1])} behind the {fingers_in_words(early, change.movers)}"
