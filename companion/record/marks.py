"""The mark sheet: what a teacher pencils on one passage, a small TOML file beside it (`etude.marks.toml`).

    format = 1

    [[fingering]]
    bar = "3"                    # as printed
    note = 4                     # the fourth note of the bar; -1 is its last, -2 the next to last
    pitch = "B♭4"                # optional: the note must be this one, or the mark is set aside
    use = "side"                 # name or mark of the fingering
    why = "matches the C after it"    # optional
    time = 2                     # optional: only the second time through a repeat

    [[comment]]
    bar = "5"
    note = 1
    text = "breathe before this"

    [[correction]]               # a misprint
    bar = "10"
    note = -2
    pitch = "B♭5"                # what is printed
    to = "B5"

Notes are counted as they are struck: grace notes count, rests and tied continuations don't. Where several bars have the
same number, `which = 2` means the second of them. Every fault is named with its line, all of them at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from companion.errors import MarksError, UsageError
from companion.passage import Note, Passage, Pitch
from companion.practice.words import number_of
from companion.record import teacher_file
from companion.record.model import plain_text
from companion.record.teacher_file import Faults, data_from, tables_in
from companion.scores.guards import one_line
from companion.scores.pitch_words import pitch_from

__all__ = [
    "FORMAT", "KINDS", "Mark", "MarkSheet", "Marked", "Place", "default_path", "load", "note_at", "parse", "place_of",
    "read_bytes", "resolve",
]  # fmt: skip

FORMAT = 1
MAX_MARKS = 5_000
#: Of a longer comment or reason the rest is not shown.
MAX_LETTERS = 2_000
KINDS = ("fingering", "comment", "correction")
#: kind -> (key of what it says, may it have a reason?)
_SAYS = {"fingering": ("use", True), "comment": ("text", False), "correction": ("to", True)}
_PLACE_KEYS = ("bar", "which", "note", "pitch")
_SUFFIX = ".marks.toml"


@dataclass(frozen=True, slots=True)
class Place:
    """A note by its place on the page: the bar's printed number, which of the bars with that number, which of its notes
    (from 1, or from the end with -1)."""

    bar: str
    note: int
    which: int = 1

    def __str__(self) -> str:
        which = f" (the {self.which}. of that number)" if self.which > 1 else ""
        return f"bar {self.bar or '?'}{which}, note {self.note}"


@dataclass(frozen=True, slots=True)
class Mark:
    """One entry: `kind` is one of `KINDS`, `says` the fingering, the comment or the right pitch; `pitch` guards it, and
    `time` (0: every time) limits it to one time through a repeat."""

    kind: str
    place: Place
    says: str
    pitch: Pitch | None = None
    to: Pitch | None = None
    why: str = ""
    time: int = 0


@dataclass(frozen=True, slots=True)
class MarkSheet:
    """A mark sheet as it stands in its file."""

    path: Path
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True, slots=True)
class Marked:
    """A passage with what its mark sheet says, by note index: names of fingerings, the reasons for them, comments;
    `corrections` by `Note.source`. `remarks` say which marks were set aside, and why."""

    passage: Passage
    fingerings: dict[int, str]
    whys: dict[int, str]
    comments: dict[int, str]
    corrections: dict[int, Pitch]
    remarks: tuple[str, ...] = ()


def default_path(passage_file: Path) -> Path:
    """The mark sheet beside a passage: `etude.marks.toml` beside `etude.musicxml`."""
    passage_file = Path(passage_file)
    return passage_file.with_name(passage_file.stem + _SUFFIX)


def load(path: Path) -> MarkSheet:
    """Read a mark sheet. Raises `MarksError` if it is missing, too big, no TOML, or faulty: all faults with their
    lines."""
    path = Path(path)
    return parse(read_bytes(path), path)


def read_bytes(path: Path) -> bytes:
    """The sheet's content. Raises `MarksError` where it can't be read or is too big."""
    return teacher_file.read_bytes(path, MarksError, "mark sheet", "make one with: companion fingerings FILE --set ...")


def parse(content: bytes, path: Path) -> MarkSheet:
    """The sheet that `content` holds. Raises `MarksError` as `load` does."""
    text, data = data_from(content, path, MarksError)
    faults = Faults(text, KINDS)
    faults.unknown_keys(None, data, ("format", *KINDS))
    faults.format(data, FORMAT)
    marks = []
    for kind in KINDS:
        for i, table in enumerate(tables_in(data, kind, MAX_MARKS, faults)):
            marks.append(_mark(kind, (kind, i), table, faults))
    if messages := faults.messages():
        raise MarksError(str(path), messages)
    return MarkSheet(path, tuple(marks))


def _mark(kind: str, place: tuple[str, int], table: Mapping[str, Any], faults: Faults) -> Mark:
    key, has_why = _SAYS[kind]
    known = (*_PLACE_KEYS, key, *(("why",) if has_why else ()), *(("time",) if kind == "fingering" else ()))
    faults.unknown_keys(place, table, known)
    said = faults.text(place, table, key, needed=True)
    says = _words(said)
    if said.strip() and not says:
        faults.add(place, key, "holds nothing that can be read; write words")
    note = faults.whole(place, table, "note", -10_000, 10_000)
    if not note:
        faults.add(place, "note", "should say which note of the bar, from 1, or from its end, from -1")
    return Mark(
        kind=kind,
        place=Place(_bar(place, table, faults), note or 1, faults.whole(place, table, "which", 1, 10_000) or 1),
        says=says,
        pitch=_pitch(place, table, "pitch", faults),
        to=_pitch(place, table, "to", faults) if kind == "correction" else None,
        why=_words(faults.text(place, table, "why")) if has_why else "",
        time=(faults.whole(place, table, "time", 1, 99) or 0) if kind == "fingering" else 0,
    )


def _words(text: str) -> str:
    """The text's lines without control characters, which a terminal would take as commands."""
    return "\n".join(one_line(line, MAX_LETTERS) for line in text[:MAX_LETTERS].splitlines()).strip()


def _bar(place: tuple[str, int], table: Mapping[str, Any], faults: Faults) -> str:
    value = table.get("bar")
    if type(value) is int:
        return str(value)
    if isinstance(value, str):
        return plain_text(value)
    fault = "is missing" if value is None else f"should not be {str(value)[:20]!r}"
    faults.add(place, "bar", f'{fault}; write the printed number, such as bar = "3"')
    return ""


def _pitch(place: tuple[str, int], table: Mapping[str, Any], key: str, faults: Faults) -> Pitch | None:
    text = faults.text(place, table, key)
    if not text.strip():
        return None
    try:
        return pitch_from(text)
    except UsageError as error:
        faults.add(place, key, str(error))
        return None


# -- places ----------------------------------------------------------------------------------------------------------


def _bars_numbered(passage: Passage, number: str) -> list[int]:
    """The written bars with that printed number, in the order of the document."""
    return sorted({bar.written_index for bar in passage.bars if bar.number == number})


def _notes_in(passage: Passage, written_index: int) -> list[Note]:
    """The notes printed in a written bar, each once, in their order there."""
    notes: dict[int, Note] = {}
    for note in passage.notes:
        if passage.bars[note.bar].written_index == written_index:
            notes.setdefault(note.source, note)
    return list(notes.values())


def _note_there(passage: Passage, place: Place) -> Note:
    """The note at a place. Raises `UsageError` where there is none."""
    bars = _bars_numbered(passage, place.bar)
    if len(bars) < place.which:
        numbers = [bar.number for bar in passage.bars if bar.number]
        run = f": its bars run from {numbers[0]} to {numbers[-1]}" if numbers else ""
        raise UsageError(f"{place}: there is no such bar in {passage.title!r}{run}")
    notes = _notes_in(passage, bars[place.which - 1])
    if not 1 <= abs(place.note) <= len(notes):
        count = number_of(len(notes), "note")
        raise UsageError(f"{place}: that bar has {count}; rests and tied continuations don't count")
    return notes[place.note - 1 if place.note > 0 else place.note]


def place_of(passage: Passage, note_index: int) -> Place:
    """The place of a note on the page, counted from the bar's start."""
    note = passage.notes[note_index]
    bar = passage.bars[note.bar]
    # Where a bar is played in two ways (a jump into its middle), its notes are counted as they first appear.
    sources = [other.source for other in _notes_in(passage, bar.written_index)]
    which = _bars_numbered(passage, bar.number).index(bar.written_index) + 1
    return Place(bar.number, sources.index(note.source) + 1, which)


def note_at(passage: Passage, text: str) -> int:
    """Index of the note that `3.4` means (bar 3, its fourth note), or `10.-2`. Raises `UsageError`."""
    bar, dot, note = text.strip().rpartition(".")
    try:
        number = int(note)
    except ValueError:
        number = 0
    if not dot or not number:
        raise UsageError(f"{text!r} is no place: write BAR.NOTE such as 3.4, or 10.-2 for the next to last note")
    return _note_there(passage, Place(bar, number)).index


# -- what it means for a passage -------------------------------------------------------------------------------------


def resolve(sheet: MarkSheet, passage: Passage) -> Marked:
    """The passage with its misprints put right, and what the sheet says of its notes.

    A mark whose bar or note isn't there, or whose `pitch` is another one, is set aside with a remark. `pitch` may be
    the printed pitch or the corrected one. A correction holds wherever the note is played, for all tied to it.
    """
    remarks: list[str] = []
    corrections: dict[int, Pitch] = {}
    for mark in (mark for mark in sheet.marks if mark.kind == "correction"):
        note = _found(sheet, passage, mark, remarks, {})
        if note is not None and mark.to is not None and mark.to != note.written:
            corrections[note.source] = mark.to
    corrected = _corrected(passage, corrections)
    fingerings: dict[int, tuple[int, str, str]] = {}
    comments: dict[int, str] = {}
    for mark in (mark for mark in sheet.marks if mark.kind != "correction"):
        note = _found(sheet, passage, mark, remarks, corrections)
        if note is None:
            continue
        for index in (other.index for other in passage.notes if other.source == note.source):
            if mark.kind == "comment":
                comments[index] = f"{comments[index]}; {mark.says}" if index in comments else mark.says
                continue
            this_time = corrected.bars[corrected.notes[index].bar].time_pass
            # What is said for one time through wins over what is said for all.
            if mark.time in (0, this_time) and mark.time >= fingerings.get(index, (0, "", ""))[0]:
                fingerings[index] = (mark.time, mark.says, mark.why)
    return Marked(
        passage=corrected,
        fingerings={index: name for index, (_, name, _) in sorted(fingerings.items())},
        whys={index: why for index, (_, _, why) in sorted(fingerings.items()) if why},
        comments=comments,
        corrections=corrections,
        remarks=tuple(dict.fromkeys(remarks)),
    )


def _found(
    sheet: MarkSheet, passage: Passage, mark: Mark, remarks: list[str], corrections: Mapping[int, Pitch]
) -> Note | None:
    try:
        note = _note_there(passage, mark.place)
    except UsageError as error:
        remarks.append(f"{sheet.path.name}: a {mark.kind} is set aside: {error}")
        return None
    if mark.pitch is None or mark.pitch in (note.written, corrections.get(note.source)):
        return note
    remarks.append(
        f"{sheet.path.name}: a {mark.kind} is set aside: {mark.place} is {note.written}, not {mark.pitch} as it says"
    )
    return None


def _corrected(passage: Passage, corrections: Mapping[int, Pitch]) -> Passage:
    if not corrections:
        return passage
    notes = tuple(replace(n, written=corrections.get(n.source, n.written)) for n in passage.notes)
    return replace(passage, notes=notes)
