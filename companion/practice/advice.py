"""One plain sentence a teacher would say after a take, the worst thing first."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from companion.passage import Note, Passage
from companion.planning.model import Plan
from companion.practice.model import LEFT_OUT, NOT_REACHED, WRONG_NOTE, NoteResult
from companion.practice.reading import Extra, Reading
from companion.practice.words import bar_in_words, number_of, place_in_words, times_in_words
from companion.units import ms_from_s

__all__ = ["advise", "trouble_bars"]

# How much each kind of trouble weighs (common practice, no source: what breaks the line comes first).
WEIGHT_RETURN, WEIGHT_STOP, WEIGHT_NOTE, WEIGHT_EXTRA, WEIGHT_TIME = 4.0, 4.0, 3.0, 2.0, 0.7
WEIGHT_BROKEN_OFF = 9.0
#: A note off time counts up to so many times its limit for its bar: a long hesitation breaks the line like a stop.
WORST_OFF = 5.0
#: From here on the player has missed the first beat, and not only come a little late.
MISSED_START_S = 0.25
#: From this share of notes off time on, time as a whole is the matter, and no single note.
OFF_AS_A_WHOLE, WEIGHT_WHOLE = 0.35, 12.0
#: From this difference in tempo on the player runs ahead or drags.
TEMPO_SHARE = 0.02

_FLAT_NAMES = ("C", "D♭", "D", "E♭", "E", "F", "G♭", "G", "A♭", "A", "B♭", "B")
_SHARP_NAMES = ("C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B")


def trouble_bars(reading: Reading) -> tuple[int, ...]:
    """Bars with trouble (indices into `Passage.bars`), worst first."""
    weights = _bar_weights(reading)
    return tuple(sorted((i for i in range(len(weights)) if weights[i] > 0), key=lambda i: (-weights[i], i)))


def advise(reading: Reading, bars: tuple[int, ...], *, clean: bool, plan: Plan | None = None) -> str:
    """The sentence. `bars` are the trouble bars, worst first."""
    passage = reading.passage
    if not reading.results:
        return "There is nothing to play in these bars; choose others."
    missing = reading.notes_with(NOT_REACHED)
    if len(missing) == len(reading.results):
        return "Nothing was heard of these bars; check the port and the instrument, then start again."
    if clean:
        return _praise(reading)
    found: list[tuple[float, str]] = []
    if bars:
        found.append((float(_bar_weights(reading)[bars[0]]), _about_bar(reading, bars[0], plan)))
    if missing:
        bar = passage.notes[missing[0]].bar
        sentence = f"{_capital(bar_in_words(passage, bar))}: you broke off here; {_remedy(passage, missing[0])}."
        found.append((WEIGHT_BROKEN_OFF, sentence))
    whole = _about_time(reading)
    if whole:
        found.append(whole)
    return max(found, key=lambda item: item[0])[1]


def _bar_weights(reading: Reading) -> np.ndarray:
    notes = reading.passage.notes
    weights = np.zeros(len(reading.passage.bars))
    for result in reading.results:
        if result.verdict in (WRONG_NOTE, LEFT_OUT):
            weights[notes[result.note_index].bar] += WEIGHT_NOTE
    for extra in reading.extras:
        if notes:
            weights[notes[max(extra.after, 0)].bar] += WEIGHT_EXTRA
    for note in reading.returns:
        weights[notes[note].bar] += WEIGHT_RETURN
    for stop in reading.stops:
        weights[notes[stop.before].bar] += WEIGHT_STOP
    for i in _off_time(reading):
        weights[notes[i].bar] += WEIGHT_TIME * min(abs(reading.local_s[i]) / reading.limit_s[i], WORST_OFF)
    if _late_start_s(reading):
        weights[notes[0].bar] += WEIGHT_STOP
    return weights


def _late_start_s(reading: Reading) -> float:
    """By how much the player missed the first beat; 0 where not, or where all of the take is that late."""
    heard_s = reading.deviation_s[np.isfinite(reading.deviation_s)]
    late_s = float(reading.deviation_s[0]) if len(heard_s) else 0.0
    if not late_s >= MISSED_START_S or late_s - float(np.median(heard_s)) < 0.5 * late_s:
        return 0.0
    return late_s


def _off_time(reading: Reading) -> list[int]:
    """Notes off time where they stand: against the click, or against their neighbours where all are off it."""
    off = reading.timed & (np.abs(np.nan_to_num(reading.local_s)) > reading.limit_s)
    return [int(i) for i in np.flatnonzero(off) if not any(stop.before == i for stop in reading.stops)]


def _about_bar(reading: Reading, bar: int, plan: Plan | None) -> str:
    _, what, remedy = max(_troubles(reading, bar, plan), key=lambda item: item[0])
    return f"{_capital(bar_in_words(reading.passage, bar))}: {what}; {remedy}."


def _troubles(reading: Reading, bar: int, plan: Plan | None) -> Iterator[tuple[float, str, str]]:
    """(weight, what happened, what to do) of each trouble in a bar."""
    passage, notes = reading.passage, reading.passage.notes
    inside = [i for i in reading.returns if notes[i].bar == bar]
    if inside:
        yield WEIGHT_RETURN * len(inside), _about_returns(reading, inside, plan), _remedy(passage, inside[0])
    late_s = _late_start_s(reading)
    if late_s and notes[0].bar == bar:
        yield WEIGHT_STOP, f"you came in {late_s:.1f} s late", "breathe with the count-in"
    for stop in reading.stops:
        if notes[stop.before].bar == bar:
            place = place_in_words(passage, notes[stop.before])
            change = _change(passage, stop.before, plan)
            what = f"you stopped for {stop.lost_s:.1f} s before {place}{change}"
            yield WEIGHT_STOP, what, _remedy(passage, stop.before)
    for result in reading.results:
        note = notes[result.note_index]
        if note.bar == bar and result.verdict == WRONG_NOTE and result.played_midi is not None:
            what = f"{_about_wrong_note(passage, result)}{_change(passage, note.index, plan)}"
            yield WEIGHT_NOTE, what, _remedy(passage, note.index)
        elif note.bar == bar and result.verdict == LEFT_OUT:
            place = place_in_words(passage, note)
            what = f"{place} ({note.written}) was left out{_change(passage, note.index, plan)}"
            yield WEIGHT_NOTE, what, _remedy(passage, note.index)
    for extra in reading.extras:
        if notes[max(extra.after, 0)].bar == bar:
            yield WEIGHT_EXTRA, *_about_extra(reading, extra, plan)
    for i in _off_time(reading):
        if notes[i].bar == bar:
            off = abs(float(reading.local_s[i])) / float(reading.limit_s[i])
            remedy = _wait(passage, i) if reading.local_s[i] < 0 else _remedy(passage, i)
            yield WEIGHT_TIME * min(off, 3.0) + 1e-6 * off, _about_note_time(reading, i, plan), remedy


def _about_returns(reading: Reading, inside: list[int], plan: Plan | None) -> str:
    """Going back to a note that was wrong is putting it right: then the wrong note is what to speak of."""
    passage, first = reading.passage, inside[0]
    result = reading.results[first]
    times = "" if len(inside) == 1 else f" {times_in_words(len(inside))}"
    if result.verdict == WRONG_NOTE and result.played_midi is not None and set(inside) == {first}:
        return f"{_about_wrong_note(passage, result)}{_change(passage, first, plan)}, and you went back{times}"
    where = " to" if len(set(inside)) == 1 else ", first to"
    return f"you went back{times}{where} {place_in_words(passage, passage.notes[first])}"


def _about_wrong_note(passage: Passage, result: NoteResult) -> str:
    note = passage.notes[result.note_index]
    heard = _midi_name(result.played_midi or 0, passage.bars[note.bar].fifths, note)
    return f"{place_in_words(passage, note)} was {heard}, not {note.written}"


def _about_extra(reading: Reading, extra: Extra, plan: Plan | None) -> tuple[str, str]:
    passage, notes = reading.passage, reading.passage.notes
    note = notes[max(extra.after, 0)]
    heard = _midi_name(extra.written_midi, passage.bars[note.bar].fifths, None)
    if extra.blip and 0 <= extra.after < len(notes) - 1:
        change = _change(passage, extra.after + 1, plan, always=True)
        return f"a short {heard} sounds{change}", "move the fingers of that change together, slowly first"
    side = "after" if extra.after >= 0 else "before"
    return f"an extra {heard} sounds {side} {place_in_words(passage, note)}", _remedy(passage, note.index)


def _about_note_time(reading: Reading, i: int, plan: Plan | None) -> str:
    passage = reading.passage
    off_ms = ms_from_s(float(reading.local_s[i]))
    against = "" if reading.local_s[i] == reading.deviation_s[i] else " against its neighbours"
    place = place_in_words(passage, passage.notes[i])
    change = _change(passage, i, plan)
    return f"{place}{change} comes {abs(off_ms):.0f} ms {'early' if off_ms < 0 else 'late'}{against}"


def _about_time(reading: Reading) -> tuple[float, str] | None:
    """Where most notes are off the click the same way: running ahead, dragging, or all of it a little off."""
    deviations_s = reading.deviation_s[reading.timed & np.isfinite(reading.deviation_s)]
    off = 1.0 - reading.on_time / max(reading.right, 1)
    if len(deviations_s) < 4 or off < OFF_AS_A_WHOLE or reading.stops or reading.returns:
        return None
    weight, tempo = WEIGHT_WHOLE * off, reading.tempo_played_bpm
    if tempo and abs(tempo / reading.tempo_bpm - 1.0) >= TEMPO_SHARE:
        runs = "ran ahead of" if tempo > reading.tempo_bpm else "fell behind"
        sentence = f"You {runs} the click: about {tempo:.0f} where it gives {reading.tempo_bpm:.0f};"
        return weight, f"{sentence} tap the beat with your foot and listen for each downbeat."
    middle_ms = ms_from_s(float(np.median(deviations_s)))
    if np.mean(np.sign(deviations_s) == np.sign(middle_ms)) > 0.85:
        side = "early" if middle_ms < 0 else "late"
        remedy = "wait for the click" if middle_ms < 0 else "breathe in time, so that the first note is on the click"
        return weight, f"The notes come about {abs(middle_ms):.0f} ms {side} throughout; {remedy}."
    return None


def _praise(reading: Reading) -> str:
    head = f"Clean: every note right, {reading.on_time} of {number_of(reading.right, 'note')} on time"
    ratio = np.where(reading.timed, np.abs(np.nan_to_num(reading.deviation_s)) / reading.limit_s, 0.0)
    widest = int(ratio.argmax())
    if ratio[widest] <= 1.0:
        return f"{head}."
    note = reading.passage.notes[widest]
    off_ms = ms_from_s(float(reading.deviation_s[widest]))
    place = f"{place_in_words(reading.passage, note)} in {bar_in_words(reading.passage, note.bar)}"
    return f"{head}; watch {place}, {abs(off_ms):.0f} ms {'early' if off_ms < 0 else 'late'}."


def _remedy(passage: Passage, note_index: int) -> str:
    """Two bars around the change that failed: a note on the downbeat is reached from the bar before."""
    bar = passage.notes[note_index].bar
    ahead = bar if _leads_on(passage, bar) else None
    back = bar - 1 if bar and _leads_on(passage, bar - 1) else None
    on_downbeat = note_index > 0 and passage.notes[note_index - 1].bar == bar - 1
    first = back if back is not None and (on_downbeat or ahead is None) else ahead
    if first is None:
        it = "it" if len(passage.bars) < 2 else bar_in_words(passage, bar)
        return f"play {it} slower, then bring it up to tempo"
    a, b = passage.bars[first], passage.bars[first + 1]
    if first == 0 and a.upbeat:
        return f"play the upbeat and {bar_in_words(passage, first + 1)} slower, then bring them up to tempo"
    return f"play bars {a.number or first + 1}-{b.number or first + 2} slower, then bring them up to tempo"


def _leads_on(passage: Passage, bar: int) -> bool:
    """Is the bar played next the one that is printed next? Not where a repeat leads back."""
    bars = passage.bars
    return bar + 1 < len(bars) and bars[bar + 1].written_index == bars[bar].written_index + 1


def _wait(passage: Passage, note_index: int) -> str:
    """What to do about a note that comes early: what stands before it was too short."""
    if note_index == 0:
        return "wait for the click"
    before, note = passage.notes[note_index - 1], passage.notes[note_index]
    if before.grace:
        return "wait for the click"
    return f"hold the {before.written} to its full length" if before.end >= note.start else "count the rest to its end"


def _change(passage: Passage, note_index: int, plan: Plan | None, *, always: bool = False) -> str:
    """` (B♭4 bis to C5)`: the change into a note, where there is one and a plan to name it (or `always`)."""
    if note_index == 0 or (plan is None and not always):
        return ""
    before, note = passage.notes[note_index - 1], passage.notes[note_index]
    if before.written == note.written and not always:
        return ""
    names = [f"{n.written}{_fingering(plan, n.index)}" for n in (before, note)]
    return f" between {names[0]} and {names[1]}" if always else f" ({names[0]} to {names[1]})"


def _fingering(plan: Plan | None, note_index: int) -> str:
    if plan is None or note_index >= len(plan.choices):
        return ""
    name = plan.choices[note_index].fingering.name
    return "" if name == "standard" else f" {name}"


def _midi_name(written_midi: int, fifths: int, beside: Note | None) -> str:
    names = _FLAT_NAMES if fifths < 0 or (beside is not None and beside.written.alter < 0) else _SHARP_NAMES
    return f"{names[written_midi % 12]}{written_midi // 12 - 1}"


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]
