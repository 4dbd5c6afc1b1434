"""Takes and their notes as rows for a spreadsheet: the columns, and what stands in them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from companion.practice.model import VERDICTS
from companion.record.model import TakeRecord, TakeSummary

__all__ = ["NOTE_COLUMNS", "TAKE_COLUMNS", "as_it_was", "columns_text", "note_rows", "take_row"]

#: A spreadsheet takes a text that begins so for a formula and runs it, the wide ones in Japanese. Known to those who
#: test programs for safety as formula injection; from memory.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")

_COUNTED = tuple(verdict.replace(" ", "_") for verdict in VERDICTS)
#: column -> what stands in it
TAKE_COLUMNS = {
    "take": "the take's name, in no other take",
    "sitting": "the file of the log that it stands in",
    "started": "date and time with zone",
    "day": "the player's date",
    "duration_s": "seconds from the beginning of the take to its end",
    "title": "the passage's title",
    "file": "the passage's file, without its folders",
    "sha256": "what the passage's file is known by: its content",
    "part": "the part that was played",
    "bars": "printed bars; empty: the whole passage",
    "instrument": "the horn's chart",
    "port": "where the notes came from",
    "simulated": "1: the simulated player played it",
    "example": "1: an example that comes along, nobody's practice",
    "performance": "1: played as one that counts, without a click",
    "tempo_bpm": "the click, in quarters a minute",
    "tempo_played_bpm": "what was played, where that can be said",
    "target_bpm": "what was wished for",
    "rung": "rung of the ladder, from 0",
    "clean": "1: clean",
    "because": "why not",
    "advice": "what to do next",
    "interrupted": "why it was broken off",
    "trouble_bars": "printed bars, worst first",
    "notes": "score notes",
    **{column: f"how many notes were {verdict}" for column, verdict in zip(_COUNTED[:-1], VERDICTS[:-1], strict=True)},
    _COUNTED[-1]: "how many notes were played that are in no score note's place",
    "slips": "how many short false notes between two right ones",
    "shift_semitones": "what was added to each number received to get the written note",
    "delay_ms": "what was taken off each note's time",
}
NOTE_COLUMNS = {
    "take": "the take's name, as in takes.csv",
    "note": "number of the score note among those that were on the stand, from 1",
    "bar": "printed bar",
    "beat": "as a musician counts: 5/2 is the second half of beat 2",
    "written_midi": "the written note as a MIDI number",
    "fingering": "the planned fingering",
    "keys": "its keys",
    "verdict": "one of: " + ", ".join(VERDICTS[:-1]),
    "deviation_ms": "played minus expected; above 0: late",
    "played_midi": "the written note that was played in its place",
    "available_ms": "by the click, from the note before; empty in older takes",
    "went_back": "how often the player went back instead of reaching it",
    "begun": "tongued or slurred; empty where that can't be told, and in older takes",
    "held_share": "how long it was held, as a share of the time to the next note; empty in older takes",
    "articulation": "how it differed from what is written; empty in older takes",
    "misread": "how a wrong note is wrong; empty in older takes",
}


def columns_text() -> str:
    """Every column of both tables with what stands in it."""
    lines = ["What stands in takes.csv and notes.csv: UTF-8, commas, a full stop for decimals, empty: not known.", ""]
    for name, columns in (("takes.csv, a row a take", TAKE_COLUMNS), ("notes.csv, a row a score note", NOTE_COLUMNS)):
        width = max(map(len, columns))
        lines += [name, *(f"  {column.ljust(width)}  {what}" for column, what in columns.items()), ""]
    lines.append(
        "A spreadsheet may take bars 5-8 or beat 5/2 for a day: let it read the columns bars, bar and beat as text."
    )
    lines.append("A text that a spreadsheet would take for a formula (it begins with = + - or @) has a ' before it.")
    return "\n".join(lines) + "\n"


def take_row(summary: TakeSummary, take: TakeRecord) -> list[Any]:
    """A take in the order of `TAKE_COLUMNS`."""
    counts = Counter(note.verdict for note in take.notes)
    cells = [
        take.id, summary.file, take.started, summary.day, round(summary.duration_s, 3), take.title, summary.file_name,
        take.sha256, take.part, take.bars, take.instrument, take.port, int(summary.simulated), summary.example,
        int(take.performance),
        take.tempo_bpm, take.tempo_played_bpm, take.target_bpm, take.rung, int(take.clean), take.because, take.advice,
        take.interrupted, " ".join(take.trouble_bars), len(take.notes), *(counts[name] for name in VERDICTS[:-1]),
        len(take.added), len(take.slips), take.shift_semitones, take.delay_ms,
    ]  # fmt: skip
    return list(map(_cell, cells))


def note_rows(take: TakeRecord) -> Iterator[list[Any]]:
    """A take's notes, each in the order of `NOTE_COLUMNS`."""
    for number, note in enumerate(take.notes, start=1):
        cells = [
            take.id, number, note.bar, note.beat, note.written_midi, note.fingering, " ".join(note.keys), note.verdict,
            note.deviation_ms, note.played_midi, note.available_ms, note.went_back, note.begun, note.held_share,
            ", ".join(note.articulation), note.misread,
        ]  # fmt: skip
        yield list(map(_cell, cells))


def _is_formula(text: str) -> bool:
    """Whether a spreadsheet would take a text for a formula, or it looks like one that was marked by `_cell`."""
    return text.lstrip("'").startswith(_FORMULA)


def _cell(value: Any) -> Any:
    if isinstance(value, str):
        # Half a character has no UTF-8.
        value = value.encode("utf-8", "replace").decode()
        return f"'{value}" if _is_formula(value) else value
    return value


def as_it_was(cell: str) -> str:
    """The text that `take_row` or `note_rows` made a cell of."""
    return cell[1:] if cell[:1] == "'" and _is_formula(cell) else cell
