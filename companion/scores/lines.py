"""From all voices of a part to the one line a single player plays."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace

from companion.errors import ScoreError
from companion.passage import Trill
from companion.scores.guards import shown
from companion.scores.written import WrittenNote, WrittenPart

__all__ = ["Line", "LineNote", "choose_line", "line_of", "melody"]


@dataclass(frozen=True, slots=True, order=True)
class Line:
    """A voice on a staff."""

    staff: int
    voice: str


@dataclass(frozen=True, slots=True)
class LineNote:
    """A note of the line: `unit` is an index into `WrittenPart.bars`; `chord` holds the sources of all notes of its
    chord."""

    unit: int
    note: WrittenNote
    chord: tuple[int, ...] = ()


def line_of(note: WrittenNote) -> Line:
    """The line the note belongs to."""
    return Line(note.staff, note.voice)


def _voice_key(line: Line) -> tuple[int, int, str]:
    return line.staff, int(line.voice) if line.voice.isascii() and line.voice.isdigit() else 10**12, line.voice


def _counts(part: WrittenPart) -> dict[Line, int]:
    counts = Counter(line_of(note) for bar in part.bars for note in bar.notes if note.kind == "note")
    return {line: counts[line] for line in sorted(counts, key=_voice_key)}


def choose_line(part: WrittenPart, voice: str | None, *, file: str) -> tuple[Line, tuple[str, ...]]:
    """The line to be played, and remarks on what is left out: the voice asked for, else the one with most notes on the
    first staff that has any. Raises `ScoreError` where there is no such voice."""
    counts = _counts(part)
    if not counts:
        named = shown(part.name or part.part_id)
        raise ScoreError(f"the part {named} holds no pitched notes; choose another", file=file)
    if voice is None:
        first_staff = min(line.staff for line in counts)
        line = max((line for line in counts if line.staff == first_staff), key=lambda line: counts[line])
    else:
        same = [line for line in counts if line.voice.casefold() == voice.casefold()]
        if not same:
            known = ", ".join(dict.fromkeys(line.voice for line in counts))
            raise ScoreError(f"the part has no voice {shown(voice)}; it has {known}", file=file)
        line = same[0]
    others = [other for other in counts if other != line]
    return line, (_left_out(part, others, counts),) if others else ()


def _left_out(part: WrittenPart, others: list[Line], counts: dict[Line, int]) -> str:
    staves = len({line.staff for line in counts}) > 1
    named = [
        f"voice {line.voice}{f' of staff {line.staff}' if staves else ''} ({_counted(counts[line], 'note')})"
        for line in others[:8]
    ]
    more = ", …" if len(others) > 8 else ""
    return f"left out {', '.join(named)}{more}; --part {part.part_id or 1}/{others[0].voice} takes another voice"


def melody(part: WrittenPart, line: Line) -> tuple[tuple[LineNote, ...], tuple[str, ...]]:
    """The line's notes in the order written, one at a time, and remarks: of a chord the top note is kept, a note that
    the next one cuts into is shortened, cue notes, unpitched and hidden ones are left out."""
    found: list[LineNote] = []
    left: Counter[str] = Counter()
    for unit, bar in enumerate(part.bars):
        groups, silent = _groups(bar.notes, line)
        left.update(silent)
        left["chord"] += sum(1 for group in groups if len(group) > 1)
        tops = [LineNote(unit, _top(group), tuple(note.source for note in group)) for group in groups]
        single, overlaps = _one_at_a_time(tops)
        left["overlap"] += overlaps
        found.extend(single)
    return _extend_trills(found), tuple(_remarks(left))


def _groups(notes: Iterable[WrittenNote], line: Line) -> tuple[list[list[WrittenNote]], Counter[str]]:
    """Chords (mostly of one note) of the line, and how many notes of other kinds it has."""
    groups: list[list[WrittenNote]] = []
    silent: Counter[str] = Counter()
    open_group = False
    for note in notes:
        if line_of(note) != line:
            open_group = open_group and note.chord
        elif note.kind != "note":
            silent[note.kind] += note.kind != "rest"
            open_group = open_group and note.chord
        elif note.chord and open_group:
            groups[-1].append(note)
        else:
            groups.append([note])
            open_group = True
    return groups, silent


def _top(group: list[WrittenNote]) -> WrittenNote:
    """The highest note with what is written at any note of the chord."""
    if len(group) == 1:
        return group[0]
    top = max(group, key=lambda note: note.pitch.midi if note.pitch else -1)
    trilled = next((note for note in group if note.trill), None)
    return replace(
        top,
        slur_starts=tuple(dict.fromkeys(n for note in group for n in note.slur_starts)),
        slur_stops=tuple(dict.fromkeys(n for note in group for n in note.slur_stops)),
        articulations=frozenset().union(*(note.articulations for note in group)),
        ornaments=frozenset().union(*(note.ornaments for note in group)),
        wavy=tuple(w for note in group for w in note.wavy),
        trill=top.trill or (Trill(top.upper) if trilled and top.upper else None),
        tuplet=top.tuplet or group[0].tuplet,
        fermata=any(note.fermata for note in group),
        fingering_mark=top.fingering_mark or group[0].fingering_mark,
    )


def _one_at_a_time(notes: list[LineNote]) -> tuple[list[LineNote], int]:
    out: list[LineNote] = []
    overlaps = 0
    last: int | None = None
    for item in sorted(notes, key=lambda item: item.note.onset):
        if item.note.grace or last is None or out[last].note.end <= item.note.onset:
            last = last if item.note.grace else len(out)
            out.append(item)
            continue
        overlaps += 1
        earlier = out[last]
        if earlier.note.onset == item.note.onset:
            higher = max(earlier, item, key=lambda one: one.note.pitch.midi if one.note.pitch else -1)
            out[last] = replace(higher, chord=(*earlier.chord, *item.chord))
        else:
            out[last] = replace(earlier, note=replace(earlier.note, length=item.note.onset - earlier.note.onset))
            last = len(out)
            out.append(item)
    return out, overlaps


def _extend_trills(notes: list[LineNote]) -> tuple[LineNote, ...]:
    """A wavy line that starts at a trill carries it to the notes under it, up to the one where it stops."""
    stops = [{number for kind, number in item.note.wavy if kind == "stop"} for item in notes]
    trilling: dict[str, int] = {}
    out: list[LineNote] = []
    for i, item in enumerate(notes):
        note = item.note
        if trilling and note.trill is None and not note.grace and note.upper is not None:
            item = replace(item, note=replace(note, trill=Trill(note.upper)))
        for number in stops[i]:
            trilling.pop(number, None)
        for kind, number in note.wavy:
            ends = next((k for k in range(i, min(i + _LONGEST_WAVE, len(notes))) if number in stops[k]), None)
            if kind == "start" and note.trill is not None and ends is not None and ends > i:
                trilling[number] = ends
        out.append(item)
    return tuple(out)


#: A wavy line that hasn't stopped after so many notes was never closed.
_LONGEST_WAVE = 64


def _remarks(left: Counter[str]) -> Iterable[str]:
    if left["chord"]:
        yield f"of {_counted(left['chord'], 'chord')} only the top note is kept"
    if left["overlap"]:
        yield f"{_counted(left['overlap'], 'overlap')} in the voice: the earlier note is shortened, or the higher kept"
    for kind in ("cue", "unpitched", "hidden"):
        if left[kind]:
            yield f"left out {_counted(left[kind], f'{kind} note')}"
    if left["slash"]:
        yield f"left out {left['slash']} slash{'es' if left['slash'] != 1 else ''}, which tell a rhythm and no notes"


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'s' if count != 1 else ''}"
