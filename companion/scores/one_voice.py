"""One line that a file spreads over several voices: notes of a staff that never sound together belong to one player's
line, whichever voice they were entered in."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction

from companion.scores.written import WrittenBar, WrittenNote

__all__ = ["in_one_voice"]


_MOST_NAMED = 8


def in_one_voice(bars: Sequence[WrittenBar]) -> tuple[tuple[WrittenBar, ...], tuple[str, ...]]:
    """The bars with such a staff's notes in its main voice, and a remark on it.

    Where two voices sound together anywhere, they are two, and all stays as it is.
    """
    remarks: list[str] = []
    found = tuple(bars)
    for staff in sorted({note.staff for bar in bars for note in bar.notes}):
        counts = Counter(note.voice for bar in bars for note in bar.notes if _sounds(note, staff))
        if len(counts) > 1 and not any(_sound_together(bar, staff) for bar in bars):
            main = counts.most_common(1)[0][0]
            found = tuple(replace(bar, notes=tuple(_moved(bar.notes, staff, main))) for bar in found)
            named = ", ".join(sorted(counts)[:_MOST_NAMED]) + (", …" if len(counts) > _MOST_NAMED else "")
            remarks.append(f"the voices {named} never sound together: they are read as one line")
    return found, tuple(remarks)


def _sounds(note: WrittenNote, staff: int) -> bool:
    return note.kind == "note" and note.staff == staff


def _sound_together(bar: WrittenBar, staff: int) -> bool:
    last, other = Fraction(0), Fraction(0)  # where the voice that ends last ends, and where all others have ended
    voice = ""
    for note in sorted((n for n in bar.notes if _sounds(n, staff)), key=lambda n: (n.onset, n.end)):
        if (other if note.voice == voice else last) > note.onset:
            return True
        if note.voice == voice:
            last = max(last, note.end)
        elif note.end >= last:
            last, other, voice = note.end, last, note.voice
        else:
            other = max(other, note.end)
    return False


def _moved(notes: Sequence[WrittenNote], staff: int, main: str) -> Iterable[WrittenNote]:
    """The notes in the main voice, in the order of time; rests that stand under notes, or twice, stay in another."""
    others = [note for note in notes if note.staff != staff]
    here = [note for note in notes if note.staff == staff]
    taken = [note for note in here if note.kind == "note"]
    filled = _spans(taken)
    silent: list[WrittenNote] = []
    for rest in sorted((n for n in here if n.kind != "note"), key=lambda n: (n.voice != main, n.onset)):
        place = bisect_left(filled, (rest.onset, rest.end))
        free = (place == 0 or filled[place - 1][1] <= rest.onset) and (
            place == len(filled) or filled[place][0] >= rest.end
        )
        if free:
            filled.insert(place, (rest.onset, rest.end))
        silent.append(replace(rest, voice=main if free else rest.voice + "'"))
    moved = [replace(note, voice=main) for note in taken]
    return [*others, *sorted((*moved, *silent), key=lambda n: n.onset)]


def _spans(notes: Iterable[WrittenNote]) -> list[tuple[Fraction, Fraction]]:
    """What the notes fill, as (begin, end) in order; those that overlap together."""
    found: list[tuple[Fraction, Fraction]] = []
    for note in sorted((n for n in notes if n.length), key=lambda n: n.onset):
        if found and note.onset < found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], note.end))
        else:
            found.append((note.onset, note.end))
    return found
