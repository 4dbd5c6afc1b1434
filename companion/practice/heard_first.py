"""What a panel would hear first in a performance, and the words for it.

What breaks the music comes first: breaking off, going back, a stop, coming in too soon. Then wrong notes, notes left
out or added, more where they are exposed (the first or the last note, a long one), then a tempo that moves,
articulation, evenness and short notes on the way. This order is ours, no source; teachers agree on its beginning
(common practice).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from companion.passage import Passage
from companion.practice.comment import Found
from companion.practice.judged_tempo import TempoHeld
from companion.practice.model import AS_WRITTEN, LEFT_OUT, NOT_REACHED, WRONG_NOTE
from companion.practice.own_time import OwnTime, Pause, waits_after
from companion.practice.reading import Extra, Reading
from companion.practice.swing import ratio_in_words
from companion.practice.words import bar_in_words, bars_in_words, number_of, size_in_words, times_in_words, with_stop

__all__ = ["after_rest", "heard_first", "how_many", "in_time", "place_habit", "slips_s", "stops_of", "swings_in_words"]

#: A note of so many quarters is long enough for a wrong one to stand out.
LONG_QUARTERS = 1.0
#: So many notes left out in a row are no slip.
LEFT_OUT_IN_A_ROW = 3
#: With so many of them played at another time through it was a repeat.
REPEAT_SHARE = 0.8
#: From this share of notes in time (or articulated as written) on there is nothing to complain of.
EVEN_SHARE, ARTICULATED_SHARE = 0.95, 0.9
#: So long one may breathe at a breath mark (ours, no source).
BREATH_S = 1.0
_THROUGH = "Nothing that interrupts: the music goes through from beginning to end."


def heard_first(found: Found, own: OwnTime | None, tempo: TempoHeld, because: str) -> str:
    """What a panel would hear first."""
    reading = found.reading
    heard = (
        _broken_off(reading)
        or _gone_back(reading, own)
        or _stopped(reading, stops_of(reading, own))
        or _slipped(found)
        or (tempo.complaint and f"the tempo: {tempo.complaint}")
        or _articulated(found)
        or _uneven(found, own)
        or _short_notes(found)
    )
    return with_stop(heard or because.split("; ")[0]) or _THROUGH


def _broken_off(reading: Reading) -> str:
    passage, unreached = reading.passage, reading.notes_with(NOT_REACHED)
    if not unreached:
        return ""
    bar = passage.notes[unreached[0]].bar
    inside = any(note.bar == bar for note in passage.notes[: unreached[0]])
    return f"the music broke off {'in' if inside else 'before'} {bar_in_words(passage, bar)}"


def _gone_back(reading: Reading, own: OwnTime | None) -> str:
    backs = list(reading.returns) or ([pause.before for pause in own.pauses if pause.back] if own else [])
    if not backs:
        return ""
    passage = reading.passage
    if backs[0] == 0 and len(backs) == 1:
        at = int(np.flatnonzero(reading.realised == 0)[-1])
        reached = max(reading.realised[:at].tolist(), default=0)
        furthest = bar_in_words(passage, passage.notes[reached].bar)
        return f"a false start: the music went as far as {furthest} and began again"
    where = bar_in_words(passage, passage.notes[backs[0]].bar)
    return f"going back in {where}" if len(backs) == 1 else f"going back {times_in_words(len(backs))}, first in {where}"


def _stopped(reading: Reading, stops: Sequence[Pause]) -> str:
    if not stops:
        return ""
    passage = reading.passage
    worst = max(stops, key=lambda pause: abs(pause.lost_s))
    where, size = bar_in_words(passage, passage.notes[worst.before].bar), size_in_words(1000 * worst.lost_s)
    more = f", the worst of {len(stops)} such places" if len(stops) > 1 else ""
    rested = after_rest(passage, worst.before)
    if worst.lost_s < 0:
        after = "the entry after the rest" if rested else "the entry"
        return f"{after} in {where}: {size} too soon{more}"
    if rested:
        return f"the entry after the rest in {where}: {size} too late{more}"
    return f"the stop in {where}: {size}{more}"


def after_rest(passage: Passage, note: int) -> bool:
    """Whether a rest stands before this note."""
    return note > 0 and passage.notes[note - 1].end < passage.notes[note].start


def _slipped(found: Found) -> str:
    """Wrong notes, notes left out and notes added that are no short ones on the way."""
    reading, passage = found.reading, found.reading.passage
    wrong, left_out = reading.notes_with(WRONG_NOTE), reading.notes_with(LEFT_OUT)
    if gap := _longest_row(left_out):
        if _is_repeat(reading, gap):
            return f"the repeat left out, {bars_in_words(passage, (passage.notes[i].bar for i in gap))}"
        bars = bars_in_words(passage, (passage.notes[i].bar for i in gap))
        return f"{len(gap)} notes in a row left out, in {bars}"
    slipped = sorted([*wrong, *left_out])
    if not slipped:
        return _added(reading, _long_extras(found))
    exposed = [i for i in slipped if _exposed(passage, i)]
    first = (exposed or slipped)[0]
    what = "a wrong note" if first in wrong else "a note left out"
    place = f"{what} in {bar_in_words(passage, passage.notes[first].bar)}"
    place = f"{place}, where it is exposed" if exposed else place
    return place if len(slipped) == 1 else f"{place}; {len(slipped)} notes in all were wrong or left out"


def _is_repeat(reading: Reading, gap: Sequence[int]) -> bool:
    """Whether nearly all of these notes were played at another time through."""
    notes = reading.passage.notes
    heard = {notes[i].source for i in reading.realised.tolist() if i >= 0}
    return sum(notes[i].source in heard for i in gap) >= REPEAT_SHARE * len(gap)


def _longest_row(notes: Sequence[int]) -> list[int]:
    rows: list[list[int]] = []
    for note in notes:
        if rows and note == rows[-1][-1] + 1:
            rows[-1].append(note)
        else:
            rows.append([note])
    longest = max(rows, key=len, default=[])
    return longest if len(longest) >= LEFT_OUT_IN_A_ROW else []


def _exposed(passage: Passage, index: int) -> bool:
    note = passage.notes[index]
    return index in (0, len(passage.notes) - 1) or float(note.length) >= LONG_QUARTERS


def _long_extras(found: Found) -> list[Extra]:
    slips = slips_s(found)
    return [extra for extra in found.reading.extras if not extra.blip and extra.time_s not in slips]


def _added(reading: Reading, extras: Sequence[Extra]) -> str:
    if not extras:
        return ""
    first = extras[0]
    if first.after < 0:
        return "a note before the first one" if len(extras) == 1 else f"{len(extras)} notes that are not in the music"
    where = bar_in_words(reading.passage, reading.passage.notes[first.after].bar)
    return f"{'a note' if len(extras) == 1 else f'{len(extras)} notes'} added, {'first ' * (len(extras) > 1)}in {where}"


def _articulated(found: Found) -> str:
    told = [a for a in found.articulation if a.asked and a.played]
    right = [a for a in told if a.verdicts == (AS_WRITTEN,)]
    if not told or len(right) >= ARTICULATED_SHARE * len(told):
        return ""
    return f"the articulation: {len(right)} of {number_of(len(told), 'note')} as written"


def _uneven(found: Found, own: OwnTime | None) -> str:
    reading = found.reading
    if own is None or not reading.right:
        return ""
    if reading.swing is not None and not reading.swing.asked:
        return swings_in_words(reading)
    if reading.on_time < EVEN_SHARE * reading.right:
        return f"uneven time: {place_habit(found) if found.places else in_time(reading)}"
    if reading.far_off:
        where = bars_in_words(reading.passage, (reading.passage.notes[i].bar for i in reading.far_off))
        return f"a moment out of time in {where}"
    return ""


def _short_notes(found: Found) -> str:
    extras = found.reading.extras
    if not extras:
        return ""
    passage = found.reading.passage
    bars = bars_in_words(passage, (passage.notes[max(extra.after, 0)].bar for extra in extras))
    return f"short notes on the way, in {bars}" if len(extras) > 1 else f"a short note on the way, in {bars}"


def stops_of(reading: Reading, own: OwnTime | None) -> list[Pause]:
    """Where the time stood still or was cut short though nothing in the score lets it."""
    if own is None:
        return []
    return [pause for pause in own.pauses if not pause.back and not _is_free(reading.passage, pause)]


def _is_free(passage: Passage, pause: Pause) -> bool:
    signs = waits_after(passage, pause.before - 1) if pause.before else frozenset()
    return bool(signs & {"fermata", "caesura"}) or ("breath-mark" in signs and abs(pause.lost_s) <= BREATH_S)


def place_habit(found: Found) -> str:
    """`the second eighth comes 43 ms early`, of the worst place."""
    place = found.places[0]
    return f"{place.place} comes {size_in_words(place.mean_ms)} {'early' if place.mean_ms < 0 else 'late'}"


def slips_s(found: Found) -> frozenset[float]:
    """When the short wrong notes on the way from one note to the next began."""
    return frozenset(slip.time_s for slip in found.slips)


def in_time(reading: Reading) -> str:
    """`92 of 96 notes in time with your own beat`."""
    return f"{how_many(reading.on_time, reading.right)} in time with your own beat"


def how_many(count: int, total: int) -> str:
    """`all 96 notes`, `92 of 96 notes`."""
    if count == total:
        return f"all {number_of(total, 'note')}" if total > 1 else "the one note"
    return f"{count} of {number_of(total, 'note')}"


def swings_in_words(reading: Reading) -> str:
    """`the eighths swing, about 2 to 1, and are written even`."""
    assert reading.swing is not None
    return f"the eighths swing, {ratio_in_words(reading.swing)}, and are written even"
