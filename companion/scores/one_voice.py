"""One line that a file spreads over several voices: notes of a staff that never sound together belong to one player's
line, whichever voice they were entered in."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction

from companion.scores.written import WrittenBar, WrittenNote

__all__ = ["in_one_voice"]


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
            remarks.append(f"the voices {', '.join(sorted(counts))} never sound together: they are read as one line")
    return found, tuple(remarks)


def _sounds(note: WrittenNote, staff: int) -> bool:
    return note.kind == "note" and note.staff == staff


def _sound_together(bar: WrittenBar, staff: int) -> bool:
    ends: dict[str, Fraction] = {}
    for note in sorted((n for n in bar.notes if _sounds(n, staff)), key=lambda n: (n.onset, n.end)):
        if any(end > note.onset for voice, end in ends.items() if voice != note.voice):
            return True
        ends[note.voice] = max(note.end, ends.get(note.voice, Fraction(0)))
    return False


def _moved(notes: Sequence[WrittenNote], staff: int, main: str) -> Iterable[WrittenNote]:
    """The notes in the main voice, in the order of time; rests that stand under notes, or twice, stay in another."""
    others = [note for note in notes if note.staff != staff]
    here = [note for note in notes if note.staff == staff]
    taken = [note for note in here if note.kind == "note"]
    silent: list[WrittenNote] = []
    for rest in sorted((n for n in here if n.kind != "note"), key=lambda n: (n.voice != main, n.onset)):
        free = all(rest.end <= other.onset or other.end <= rest.onset for other in (*taken, *silent) if other.length)
        silent.append(replace(rest, voice=main if free else rest.voice + "'"))
    moved = [replace(note, voice=main) for note in taken]
    return [*others, *sorted((*moved, *silent), key=lambda n: n.onset)]
