"""A short teacher's comment on a take: the worst thing first, where it is, and what to do about it.

Conventions
-----------
* Everything there is to say is a `Remark` with a weight; the heaviest up to `MOST_SENTENCES` are said. What breaks the
  line weighs most (stops, returns, breaking off), then wrong notes and notes left out, then extra notes and slips, then
  articulation and time as habits, then single notes off time (common practice, no source).
* What does not keep a take from being clean (slurs, where no share of them is asked for, trills, fingerings) is never
  said first, unless there is nothing else.
* The same thing several times is said once: a misreading, a slip in one change, a place in the beat.
* A remark of which half the notes have been spoken of is not made; only one speaks of the tempo as a whole.
* A clean take is told so, and the one thing to refine next.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from companion.passage import Passage
from companion.planning.model import Plan
from companion.practice.advice import (
    WEIGHT_EXTRA,
    WEIGHT_NOTE,
    Remark,
    about_bars,
    about_breaking_off,
    about_returning,
    about_scatter,
    about_time,
    praise,
)
from companion.practice.evenness import in_beats
from companion.practice.hearing import find_shift
from companion.practice.metronome import counted_note
from companion.practice.misread import Pattern, patterns
from companion.practice.model import (
    EARLY,
    LATE,
    NOT_REACHED,
    NOT_SLURRED,
    NOT_TONGUED,
    ON_TIME,
    SLURRED,
    TONGUED,
    TOO_LONG,
    TOO_SHORT,
    Articulated,
    Drift,
    Entry,
    FingeringUsed,
    PlaceTiming,
    Slip,
    TrillTiming,
)
from companion.practice.reading import Reading
from companion.practice.swing import asks_swing, ratio_in_words
from companion.practice.tolerance import noticed_from_ms
from companion.practice.words import (
    bars_in_words,
    capital,
    pitch_in_words,
    place_in_words,
    times_in_words,
)
from companion.units import ms_from_s

__all__ = ["MOST_SENTENCES", "Found", "chosen", "comment_on"]

MOST_SENTENCES, MOST_BARS = 4, 3
# Weights beside those of `advice`, each with the most it comes to however often it happens.
WEIGHT_TONGUE, MOST_TONGUE = 0.8, 4.0
WEIGHT_LENGTH, MOST_LENGTH = 0.5, 3.0
WEIGHT_SWING, WEIGHT_NO_SWING = 6.0, 1.5
WEIGHT_ENTRY, MOST_ENTRY = 1.2, 5.0
WEIGHT_TRILL, WEIGHT_FINGERING = 1.0, 0.8
#: Weight of a place in the beat, for each threshold of hearing that it is off by; of the drift, for its share.
WEIGHT_PLACE, MOST_PLACE = 0.5, 2.9
WEIGHT_DRIFT, MOST_DRIFT = 40.0, 6.0
#: Where next to nothing was tongued it may be the controller or the keyboard, so it is said last.
WEIGHT_ALL_SLURRED, ALL_SHARE = 0.3, 0.85
#: From this change of tempo over a take on it is told (common practice, no source).
DRIFT_SHARE = 0.05
#: From this weight on something is worth more than the one note to watch in a clean take.
WEIGHT_TO_REFINE = 0.8
#: From this share on a habit is spoken of as one.
HABIT_SHARE, HABIT_COUNT = 0.6, 4
#: What to do where nothing stands out.
AGAIN = "play it again a little slower and listen for the click"

#: Lengths whose name goes before `note`.
_MARKS = ("staccatissimo", "staccato", "portato", "marcato", "tenuto")
_CLEAN_PITCH = (ON_TIME, EARLY, LATE)


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """All that was found in a take."""

    reading: Reading
    articulation: tuple[Articulated, ...] = ()
    slips: tuple[Slip, ...] = ()
    trills: tuple[TrillTiming, ...] = ()
    fingerings: tuple[FingeringUsed, ...] = ()
    places: tuple[PlaceTiming, ...] = ()
    drift: Drift | None = None
    entries: tuple[Entry, ...] = ()
    plan: Plan | None = None


def comment_on(found: Found, *, clean: bool) -> tuple[str, ...]:
    """One to four sentences, the worst thing first; of a clean take the praise and one thing to refine."""
    reading = found.reading
    if not reading.results:
        return ("There is nothing to play in these bars; choose others.",)
    octave = tuple(_about_octave(reading))
    if len(reading.notes_with(NOT_REACHED)) == len(reading.results):
        return ("Nothing was heard of these bars; check the port and the instrument, then start again.", *octave)
    if clean:
        return (*_on_clean(found), *octave)
    said = chosen(_remarks(found), MOST_SENTENCES - len(octave))
    if not said:
        # A take can be unclean by a count alone, such as a strict share of slurs.
        said = [f"{praise(reading, watch=False)[0].replace('Clean: every', 'Every').rstrip('.')}; {AGAIN}."]
    return (said[0], *octave, *said[1:])


def _on_clean(found: Found) -> tuple[str, ...]:
    remarks = sorted(_habits(found, _about_places(found)), key=lambda remark: -remark.weight)
    matters = bool(remarks) and remarks[0].weight >= WEIGHT_TO_REFINE
    first, watched = praise(found.reading, watch=not matters)
    return (first,) if watched or not remarks else (first, remarks[0].sentence)


def chosen(remarks: Iterable[Remark], most: int) -> list[str]:
    """The heaviest, each about something of its own; equal ones in the order they came."""
    said: list[str] = []
    covered: set[int] = set()
    aspects: set[str] = set()
    remedies: set[str] = set()
    ranked = sorted(remarks, key=lambda remark: -remark.weight)
    first = next((remark for remark in ranked if not remark.beside), None)
    if first is not None:
        ranked.remove(first)
        ranked.insert(0, first)
    for remark in ranked:
        if len(said) == most:
            break
        again = len(covered & remark.notes)
        if (again and 2 * again >= len(remark.notes)) or (remark.aspect and remark.aspect in aspects):
            continue
        said.append(remark.after(remedies))
        remedies.add(remark.remedy)
        covered |= remark.notes | remark.covers
        aspects.add(remark.aspect)
    return said


def _remarks(found: Found) -> Iterator[Remark]:
    reading = found.reading
    misread = [p for p in patterns(reading.passage, reading.results)]
    told, slips = _slip_groups(found)
    yield from (_about_pattern(pattern) for pattern in misread)
    yield from told
    places = list(_about_places(found))
    said = frozenset(i for pattern in misread for i in pattern.notes).union(*(remark.notes for remark in places))
    scatter = list(about_scatter(reading, said))
    said = said.union(*(remark.notes for remark in scatter))
    yield from scatter
    returning = list(about_returning(reading))
    yield from returning
    yield from about_bars(reading, said, slips, found.plan, MOST_BARS, returns=not returning)
    yield from about_breaking_off(reading)
    yield from about_time(reading)
    yield from _habits(found, places)


def _habits(found: Found, places: Iterable[Remark]) -> Iterator[Remark]:
    """What a clean take can have too."""
    for remark in _about_articulation(found):
        yield remark if found.reading.tolerances.articulation_share else replace(remark, beside=True)
    yield from places
    yield from _about_swing(found)
    yield from _about_drift(found)
    yield from _about_entries(found)
    for remark in (*_about_trills(found), *_about_fingerings(found)):
        yield replace(remark, beside=True)


def _about_octave(reading: Reading) -> Iterator[str]:
    if reading.octave_shift:
        words = find_shift(60, 60 - reading.octave_shift).words
        yield f"{capital(words)}; the take was judged at pitch."


def _about_pattern(pattern: Pattern) -> Remark:
    # Half a note more than its notes alone: once understood, all of them are right.
    return Remark(
        WEIGHT_NOTE * (len(pattern.notes) + 0.5), pattern.sentence.rstrip("."), notes=frozenset(pattern.notes)
    )


# -- fingers -----------------------------------------------------------------------------------------------------------


def _slip_groups(found: Found) -> tuple[list[Remark], dict[float, Slip | None]]:
    """Slips of the same kind in the same change as one remark each; and by their time those left to their bars, None
    for those spoken of."""
    passage = found.reading.passage
    groups: dict[tuple[object, ...], list[Slip]] = defaultdict(list)
    for slip in found.slips:
        before, note = passage.notes[slip.from_index], passage.notes[slip.note_index]
        groups[before.written, note.written, slip.heard_midi, slip.early, slip.late].append(slip)
    left: dict[float, Slip | None] = {slip.time_s: slip for slip in found.slips}
    told = []
    for group in groups.values():
        if len(group) > 1:
            told.append(_about_slips(passage, group))
            left.update((slip.time_s, None) for slip in group)
    return told, left


def _about_slips(passage: Passage, group: list[Slip]) -> Remark:
    first = group[0]
    before, note = passage.notes[first.from_index], passage.notes[first.note_index]
    heard = pitch_in_words(first.heard_midi, flat=passage.bars[note.bar].fifths < 0)
    bars = bars_in_words(passage, (passage.notes[slip.note_index].bar for slip in group))
    head = f"From {before.written} to {note.written} a short {heard} sounds {times_in_words(len(group))} ({bars})"
    # After the colon a slip says which finger it was, or why that can't be told.
    reason = first.sentence.partition(": ")[2].rstrip(".")
    cause = f": {reason}" if first.told and reason else ""
    remedy = "move the fingers of that change together, slowly first"
    notes = frozenset(slip.note_index for slip in group)
    return Remark(WEIGHT_EXTRA * (len(group) + 0.5), f"{head}{cause}", remedy, notes)


def _about_trills(found: Found) -> Iterator[Remark]:
    for trill in found.trills:
        gap_ms = ms_from_s(1.0 / trill.notes_per_s)
        if abs(trill.main_longer_ms) > max(2 * noticed_from_ms(gap_ms), trill.spread_ms):
            remedy = "trill it slowly in even notes, then let it gather speed"
            yield Remark(WEIGHT_TRILL, trill.sentence.rstrip("."), remedy, frozenset({trill.note_index}))


def _about_fingerings(found: Found) -> Iterator[Remark]:
    passage = found.reading.passage
    groups: dict[str, list[int]] = defaultdict(list)
    for used in found.fingerings:
        if used.sentence and found.reading.results[used.note_index].verdict in _CLEAN_PITCH:
            groups[used.sentence.rstrip(".")].append(used.note_index)
    for sentence, notes in groups.items():
        bars = capital(bars_in_words(passage, (passage.notes[i].bar for i in notes)))
        weight = WEIGHT_FINGERING + 0.1 * min(len(notes), 5)
        remedy = "finger it as planned, or choose yours in the plan"
        yield Remark(weight, f"{bars}: {sentence}", remedy, frozenset(notes))


# -- articulation ------------------------------------------------------------------------------------------------------


def _about_articulation(found: Found) -> Iterator[Remark]:
    results = found.reading.results
    heard = [a for a in found.articulation if results[a.note_index].verdict in _CLEAN_PITCH]
    begun = [a for a in heard if a.asked and a.played]
    slurred = [a for a in begun if a.played == SLURRED]
    if len(slurred) >= max(ALL_SHARE * len(begun), 1) and any(a.asked == TONGUED for a in slurred):
        notes = frozenset(a.note_index for a in begun if a.asked == TONGUED)
        remedy = "begin each that no slur leads to with the tongue"
        yield Remark(
            WEIGHT_ALL_SLURRED,
            f"{'Every' if len(slurred) == len(begun) else 'Nearly every'} note sounds slurred to the next",
            remedy,
            notes,
        )
    else:
        for asked, verdict in ((SLURRED, NOT_SLURRED), (TONGUED, NOT_TONGUED)):
            wrong = [a for a in begun if a.asked == asked and verdict in a.verdicts]
            if wrong:
                yield _about_beginnings(found, wrong, [a for a in begun if a.asked == asked], slurred=asked == SLURRED)
    yield from _about_lengths(found, heard)


def _about_beginnings(found: Found, wrong: list[Articulated], asked: list[Articulated], *, slurred: bool) -> Remark:
    passage = found.reading.passage
    notes = frozenset(a.note_index for a in wrong)
    bars = {passage.notes[i].bar for i in notes}
    inside = [a for a in asked if passage.notes[a.note_index].bar in bars]
    what, done = ("under slurs", "tongued") if slurred else ("with the tongue", "slurred")
    remedy = (
        "keep the air going and move only the fingers"
        if slurred
        else "touch the reed for each, without stopping the air"
    )
    where = capital(bars_in_words(passage, bars))
    if len(wrong) == 1:
        note = passage.notes[wrong[0].note_index]
        middle = "under a slur" if slurred else "asked with the tongue"
        head = f"{where}: {place_in_words(passage, note)} ({note.written}), {middle}, was {done}"
    elif len(wrong) >= HABIT_COUNT and len(wrong) >= HABIT_SHARE * len(asked) and len(bars) > 2:
        whole = "The slurs were tongued" if slurred else "Tongued notes were slurred"
        head = f"{whole}, {len(wrong)} of {len(asked)} notes ({bars_in_words(passage, bars)})"
    else:
        share = f"{len(wrong)} of {len(inside)} notes" if len(inside) > len(wrong) else f"all {len(wrong)} notes"
        beats = _beats(passage, notes) if len(bars) == 1 else ""
        head = f"{where}: {share} {what} were {done}{beats}"
    return Remark(min(WEIGHT_TONGUE * len(wrong), MOST_TONGUE), head, remedy, notes)


def _beats(passage: Passage, notes: Iterable[int]) -> str:
    """`, over beat 2`, `, over beats 2 to 4`."""
    beats = sorted({int(passage.notes[i].count) for i in notes})
    return f", over beat {beats[0]}" if len(beats) == 1 else f", over beats {beats[0]} to {beats[-1]}"


def _about_lengths(found: Found, heard: list[Articulated]) -> Iterator[Remark]:
    passage = found.reading.passage
    groups: dict[tuple[str, str], list[Articulated]] = defaultdict(list)
    # A note that another one cut off was not held too short.
    cut = {extra.after for extra in found.reading.extras} | {slip.from_index for slip in found.slips}
    for a in heard:
        if a.note_index in cut:
            continue
        for verdict in (TOO_LONG, TOO_SHORT):
            if verdict in a.verdicts and a.held_share is not None:
                groups[a.length, verdict].append(a)
    for (length, verdict), wrong in groups.items():
        notes = frozenset(a.note_index for a in wrong)
        where = capital(bars_in_words(passage, (passage.notes[i].bar for i in notes)))
        asked = sum(1 for a in heard if a.length == length)
        held = 100 * float(np.mean([a.held_share for a in wrong if a.held_share is not None]))
        kind = f"{length} " if length in _MARKS else ""
        if len(wrong) == 1:
            note = passage.notes[wrong[0].note_index]
            head = f"{where}: {place_in_words(passage, note)} ({kind}{note.written}) lasts {held:.0f} % of its length"
        else:
            head = f"{where}: {len(wrong)} of {asked} {kind}notes last about {held:.0f} % of their length"
        it = "it" if len(wrong) == 1 else "them"
        if verdict == TOO_SHORT:
            remedy = f"hold {it} to the next one"
        elif length.startswith("stacc"):
            remedy = f"let {it} ring less, the tongue ends {it}"
        else:
            remedy = f"end {it} where the rest begins"
        yield Remark(min(WEIGHT_LENGTH * len(wrong), MOST_LENGTH), head, remedy, notes)


# -- time --------------------------------------------------------------------------------------------------------------


def _about_places(found: Found) -> Iterator[Remark]:
    reading, passage = found.reading, found.reading.passage
    measured = (
        list(in_beats(passage, reading.deviation_s, reading.tempo_bpm, parts=reading.parts)) if found.places else []
    )
    for timing in found.places:
        mine = [one for one in measured if timing.place in (one.words, one.first_words)]
        part_ms = ms_from_s(float(np.median([one.part_s for one in mine]))) if mine else 0.0
        weight = min(WEIGHT_PLACE * abs(timing.mean_ms) / noticed_from_ms(part_ms), MOST_PLACE)
        side = "early" if timing.mean_ms < 0 else "late"
        worst = f", most in {bars_in_words(passage, timing.bars)}" if timing.bars else ""
        figures = f"{abs(timing.mean_ms):.0f} ms (± {timing.within_ms:.0f}, {timing.count} times)"
        remedy = (
            "hold the note before it to its full length" if timing.mean_ms < 0 else "think ahead to it and don't wait"
        )
        head = f"{capital(timing.place)} of the beat comes {figures} {side} within the beat{worst}"
        notes = frozenset(one.note_index for one in mine if reading.results[one.note_index].verdict in _CLEAN_PITCH)
        yield Remark(weight, head, remedy, notes)


def _about_swing(found: Found) -> Iterator[Remark]:
    swing, passage = found.reading.swing, found.reading.passage
    if swing and not swing.asked:
        head = f"You swing the eighths, {ratio_in_words(swing)}, and they are written even"
        yield Remark(WEIGHT_SWING, head, "say the ands aloud with the click first", aspect="swing")
    elif swing:
        yield Remark(0.1, f"You swing the eighths, {ratio_in_words(swing)}, as the score asks", aspect="swing")
    elif asks_swing(passage) and _has_eighths(found):
        head = "The score asks for swung eighths, and yours are even"
        yield Remark(WEIGHT_NO_SWING, head, "let the second of each pair come later", aspect="swing")


def _has_eighths(found: Found) -> bool:
    reading = found.reading
    pairs = [
        one
        for one in in_beats(reading.passage, reading.deviation_s, reading.tempo_bpm, parts=reading.parts)
        if one.of == 2
    ]
    return len(pairs) >= HABIT_COUNT


def _about_drift(found: Found) -> Iterator[Remark]:
    drift = found.drift
    if drift is None:
        return
    change = drift.end_bpm / drift.start_bpm - 1.0
    if abs(change) < DRIFT_SHARE:
        return
    verb, remedy = (
        ("sped up", "begin it calmly and lean on each downbeat")
        if change > 0
        else ("slowed down", "keep the air moving and think in whole bars")
    )
    counted = counted_note(found.reading.passage.bars[0])
    ends = f"from about {counted.about(drift.start_bpm)} to {counted.about(drift.end_bpm)}"
    head = f"You {verb} over the take, {ends}"
    yield Remark(min(WEIGHT_DRIFT * abs(change), MOST_DRIFT), head, remedy, aspect="tempo")


def _about_entries(found: Found) -> Iterator[Remark]:
    passage, reading = found.reading.passage, found.reading
    after_rests = [entry for entry in found.entries if entry.note_index]
    for verdict in (EARLY, LATE):
        off = [
            entry
            for entry in after_rests
            if entry.verdict == verdict and abs(reading.local_s[entry.note_index]) > reading.limit_s[entry.note_index]
        ]
        if len(off) < 2:
            continue
        notes = frozenset(entry.note_index for entry in off)
        bars = bars_in_words(passage, (passage.notes[i].bar for i in notes))
        by_ms = abs(float(np.median([entry.deviation_ms for entry in off])))
        remedy = (
            "count the rests to their end" if verdict == EARLY else "breathe early, so that the note comes on the click"
        )
        head = f"After rests you come in {verdict}, {len(off)} of {len(after_rests)} times by about {by_ms:.0f} ms"
        yield Remark(min(WEIGHT_ENTRY * len(off), MOST_ENTRY), f"{head} ({bars})", remedy, notes)
