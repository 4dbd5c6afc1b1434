"""A take as one line of JSON and back.

Conventions
-----------
* The small fields come first, then `events`, then `notes` and the other arrays: a reader that wants summaries stops at
  `events`, and one that wants what became of the notes passes over the events, which are most of the line.
* From `events` on there are arrays only, never objects, so a line that ends in `}` is whole and a torn one never does.
* Rows of an array are added to at their end.
* A later program may add fields: unknown ones are passed over. It raises `FORMAT` only when old fields change meaning.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import asdict, fields
from datetime import datetime, timedelta
from typing import Any

from companion.practice.model import RawEvent, Tolerances
from companion.record.model import (
    NoteRecord,
    SlipRecord,
    TakeRecord,
    TakeSummary,
    TrillRecord,
    UsedRecord,
    plain_text,
)
from companion.units import s_from_ns

__all__ = [
    "FORMAT",
    "NOTE_FIELDS",
    "decode_line",
    "dump_line",
    "encode_sitting",
    "encode_take",
    "head_of",
    "summary_from",
    "take_from",
    "without_events",
]

FORMAT = 1
#: The index holds no larger ones.
_LARGEST_WHOLE = 2**63 - 1
#: Far beyond what any ladder has. What is faster is no tempo, and no best one.
_FASTEST_BPM = 10_000.0
_TAIL = b',"events":['
_NOTES = b',"notes":['
NOTE_FIELDS = (
    "bar", "beat", "written_midi", "fingering", "keys", "verdict", "deviation_ms", "played_midi",
    "available_ms", "went_back", "begun", "held_share", "articulation", "misread",
)  # fmt: skip
#: Rows of notes had these fields from the beginning.
_FIRST_NOTE_FIELDS = 8
_NOTHING_MORE = (None, 0, "", None, "", "")
#: In this order they stand at the end of a take's line.
_ARRAYS = ("events", "notes", "added", "realised", "slips", "trills", "used")
#: Between names in one text; no name has it.
_AND = ", "


def _plain(value: Any) -> Any:
    # numpy scalars and fractions turn up in what other rooms hand in; a take is never lost over that.
    return value.item() if hasattr(value, "item") else float(value)


def dump_line(data: Mapping[str, Any]) -> bytes:
    """An object as a line of the log, with its line end. Raises `ValueError` if a number is not finite."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"), default=_plain)
    return text.encode("utf-8", "replace") + b"\n"


def encode_sitting(sitting_id: str, started: datetime, program: str, example: bool = False) -> bytes:
    """The first line of a sitting's file."""
    head: dict[str, Any] = {"kind": "sitting", "format": FORMAT, "id": sitting_id, "started": started.isoformat()}
    if example:
        head |= {"example": True, "label": "invented example, nobody's practice"}
    return dump_line(head | {"program": program, "note_fields": NOTE_FIELDS, "event_fields": ("ns", "midi")})


def encode_take(take: TakeRecord) -> bytes:
    """One line, with its line end.

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    data: dict[str, Any] = {"kind": "take"}
    for field in fields(take):
        if field.name not in _ARRAYS:
            data[field.name] = getattr(take, field.name)
    data["ladder"] = dict(take.ladder)
    data["tolerances"] = asdict(take.tolerances)
    data["events"] = [(event.time_ns, event.message.hex()) for event in take.events]
    data["notes"] = [_note_row(note) for note in take.notes]
    data["added"] = take.added
    data["realised"] = take.realised
    data["slips"] = [
        (s.note_index, s.from_index, s.heard_midi, s.life_ms, _AND.join(s.early), _AND.join(s.late), s.by_ms)
        for s in take.slips
    ]
    data["trills"] = [
        (t.note_index, t.other_midi, " ".join(t.other_keys), t.notes_per_s, t.main_longer_ms, t.spread_ms)
        for t in take.trills
    ]
    data["used"] = [(u.note_index, " ".join(u.keys), u.name) for u in take.used]
    return dump_line(data)


def _note_row(note: NoteRecord) -> list[Any]:
    return [
        note.bar, note.beat, note.written_midi, note.fingering, " ".join(note.keys), note.verdict, note.deviation_ms,
        note.played_midi, note.available_ms, note.went_back, note.begun, note.held_share, _AND.join(note.articulation),
        note.misread,
    ]  # fmt: skip


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is no number")


def decode_line(line: bytes) -> dict[str, Any]:
    """The line as an object with a `kind`.

    Raises
    ------
    ValueError
        If it is anything else.
    """
    try:
        data = json.loads(line, parse_constant=_refuse_constant)
    except RecursionError:
        raise ValueError("nested too deeply") from None
    if not isinstance(data, dict) or not isinstance(data.get("kind"), str):
        raise ValueError("no object with a kind")
    return data


def head_of(line: bytes) -> dict[str, Any]:
    """The small fields of a line; events and notes are not read where they stand last, as `encode_take` puts them.

    Raises
    ------
    ValueError
        If the line is torn or no object with a kind.
    """
    cut = line.find(_TAIL)
    # In a JSON string a quote has a backslash before it, so what was found is the field itself, not a title's text.
    if cut < 0 or not line.startswith(b'{"kind":"take"'):
        return decode_line(line)
    if not line.rstrip().endswith(b"}"):
        raise ValueError("the line ends before the take does")
    return decode_line(line[:cut] + b"}")


def without_events(line: bytes) -> dict[str, Any]:
    """The line without its events, where they stand as `encode_take` puts them; else all of it.

    Raises
    ------
    ValueError
        If the line is torn or no object with a kind.
    """
    cut = line.find(_TAIL)
    # Events are numbers and hexadecimal digits: what follows is found in what is no text.
    on = line.find(_NOTES, cut)
    if cut < 0 or on < 0 or not line.startswith(b'{"kind":"take"'):
        return decode_line(line)
    return decode_line(line[:cut] + line[on:])


class _Fields:
    """Typed reading of an object; a missing field takes its default, a wrong one says its name."""

    def __init__(self, data: Mapping[str, Any], plain: Callable[[str], str] = str) -> None:
        self.data = data
        self.plain = plain

    def _get(self, name: str, default: Any, fits: Callable[[Any], bool], wanted: str) -> Any:
        value = self.data.get(name, default)
        if value is not default and not fits(value):
            raise ValueError(f"{name} should be {wanted}, not {str(value)[:40]!r}")
        return value

    def text(self, name: str) -> str:
        return self.plain(self._get(name, "", lambda v: isinstance(v, str), "a text"))

    def whole(self, name: str) -> int:
        return int(self._get(name, 0, lambda v: type(v) is int and abs(v) <= _LARGEST_WHOLE, "a whole number"))

    def number(self, name: str) -> float | None:
        value = self._get(name, None, lambda v: v is None or _is_number(v), "a number")
        return None if value is None else float(value)

    def truth(self, name: str) -> bool:
        return bool(self._get(name, False, lambda v: isinstance(v, bool), "true or false"))

    def texts(self, name: str) -> tuple[str, ...]:
        return tuple(map(self.plain, self._get(name, (), lambda v: _is_list_of(v, str), "a list of texts")))

    def wholes(self, name: str) -> tuple[int, ...]:
        return tuple(map(int, self._get(name, (), lambda v: _is_list_of(v, int), "a list of whole numbers")))

    def table(self, name: str) -> dict[str, Any]:
        return dict(self._get(name, {}, lambda v: isinstance(v, dict), "an object"))

    def rows(self, name: str) -> list[list[Any]]:
        return list(self._get(name, [], lambda v: _is_list_of(v, list), "a list of lists"))


def _is_number(value: object) -> bool:
    return type(value) in (int, float) and abs(value) <= sys.float_info.max  # type: ignore[arg-type]


def _is_list_of(value: object, kind: type) -> bool:
    return isinstance(value, list) and all(isinstance(item, kind) for item in value)


def _tempo(get: _Fields) -> float:
    tempo_bpm = get.number("tempo_bpm")
    if tempo_bpm is None:
        raise ValueError("no tempo_bpm")
    if not 0 < tempo_bpm <= _FASTEST_BPM:
        raise ValueError(f"tempo_bpm should be above 0 and at most {_FASTEST_BPM:g}, not {tempo_bpm:g}")
    return tempo_bpm


def _tolerances(table: Mapping[str, Any]) -> Tolerances:
    known = {field.name for field in fields(Tolerances)}
    return Tolerances(**{name: value for name, value in table.items() if name in known and _is_number(value)})


def _note(row: list[Any]) -> NoteRecord:
    bar, beat, written_midi, fingering, keys, verdict, deviation_ms, played_midi = row[:_FIRST_NOTE_FIELDS]
    more = [*row[_FIRST_NOTE_FIELDS:], *_NOTHING_MORE[len(row) - _FIRST_NOTE_FIELDS :]]
    available_ms, went_back, begun, held_share, articulation, misread = more[: len(_NOTHING_MORE)]
    # All at once: this is done for every note of every take that is looked through.
    if {*map(type, (bar, beat, fingering, keys, verdict, begun, articulation, misread))} != {str}:
        raise ValueError(f"a note is written {str(row)[:60]}")
    return NoteRecord(
        bar=bar,
        beat=beat,
        written_midi=int(written_midi),
        fingering=fingering,
        keys=tuple(keys.split()),
        verdict=verdict,
        deviation_ms=_optional(deviation_ms),
        played_midi=None if played_midi is None else int(played_midi),
        available_ms=_optional(available_ms),
        went_back=int(went_back),
        begun=begun,
        held_share=_optional(held_share),
        articulation=_names(articulation),
        misread=misread,
    )


def _events(rows: list[list[Any]], notes_only: bool) -> tuple[RawEvent, ...]:
    return tuple(RawEvent(int(ns), bytes.fromhex(midi)) for ns, midi in rows if not notes_only or _makes_notes(midi))


def _makes_notes(midi: str) -> bool:
    """Whether a message in hexadecimal digits begins or ends notes (MIDI 1.0, Table I to III): note-on, note-off, the
    channel mode messages (controllers from 120 = 78 on) and reset."""
    kind = midi[:1].lower()
    return kind in ("8", "9") or (kind == "b" and midi[2:4] >= "78") or midi[:2].lower() == "ff"


def _optional(value: Any) -> float | None:
    return None if value is None else float(value)


def _names(text: str) -> tuple[str, ...]:
    return tuple(text.split(_AND)) if text else ()


def _slip(row: list[Any]) -> SlipRecord:
    note_index, from_index, heard_midi, life_ms, early, late, by_ms = row[:7]
    if not (isinstance(early, str) and isinstance(late, str)):
        raise ValueError(f"a slip is written {str(row)[:60]}")
    at = int(note_index), int(from_index), int(heard_midi)
    return SlipRecord(*at, float(life_ms), _names(early), _names(late), _optional(by_ms))


def _trill(row: list[Any]) -> TrillRecord:
    note_index, other_midi, other_keys, notes_per_s, main_longer_ms, spread_ms = row[:6]
    if not isinstance(other_keys, str):
        raise ValueError(f"a trill is written {str(row)[:60]}")
    timing = float(notes_per_s), float(main_longer_ms), float(spread_ms)
    return TrillRecord(int(note_index), int(other_midi), tuple(other_keys.split()), *timing)


def _used(row: list[Any]) -> UsedRecord:
    note_index, keys, name = row[:3]
    if not (isinstance(keys, str) and isinstance(name, str)):
        raise ValueError(f"a fingering that was used is written {str(row)[:60]}")
    return UsedRecord(int(note_index), tuple(keys.split()), name)


def take_from(data: Mapping[str, Any], notes_only: bool = False) -> TakeRecord:
    """The take that a decoded line holds; with `notes_only`, of its events those that make notes (see `_makes_notes`):
    breath and bend are most of the others.

    Raises
    ------
    ValueError
        If a field has the wrong type or the tempo is missing, naming it.
    """
    get = _Fields(data)
    texts: tuple[str, ...] = (
        "title",
        "id",
        "started",
        "origin",
        "sha256",
        "part",
        "bars",
        "instrument",
        "chart_version",
    )
    texts += ("chart_version", "plan_version", "port", "because", "advice", "interrupted")
    wholes = ("since_run_ns", "duration_ns", "shift_semitones", "rung", "start_ns", "octave_shift_semitones")
    try:
        return TakeRecord(
            tempo_bpm=_tempo(get),
            tempo_played_bpm=get.number("tempo_played_bpm"),
            target_bpm=get.number("target_bpm"),
            ladder=get.table("ladder"),
            tolerances=_tolerances(get.table("tolerances")),
            delay_ms=get.number("delay_ms") or 0.0,
            pauses=tuple((int(at), int(bar), int(late)) for at, bar, late in get.rows("pauses")),
            clean=get.truth("clean"),
            performance=get.truth("performance"),
            trouble_bars=get.texts("trouble_bars"),
            events=_events(get.rows("events"), notes_only),
            notes=tuple(_note(row) for row in get.rows("notes")),
            added=tuple((int(index), int(midi)) for index, midi in get.rows("added")),
            comment=get.texts("comment"),
            realised=get.wholes("realised"),
            slips=tuple(_slip(row) for row in get.rows("slips")),
            trills=tuple(_trill(row) for row in get.rows("trills")),
            used=tuple(_used(row) for row in get.rows("used")),
            **{name: get.text(name) for name in texts},  # type: ignore[arg-type]
            **{name: get.whole(name) for name in wholes},  # type: ignore[arg-type]
        )
    except (TypeError, OverflowError) as error:
        raise ValueError(f"an event, note, added note or slip is written oddly ({error})") from None


def summary_from(data: Mapping[str, Any], file: str, offset: int, example: bool) -> TakeSummary:
    """The summary of a decoded line (`head_of` is enough).

    Raises
    ------
    ValueError
        If a field has the wrong type or tempo or date is missing, naming it.
    """
    get = _Fields(data, plain_text)
    started, duration_s = get.text("started"), s_from_ns(get.whole("duration_ns"))
    if not started:
        raise ValueError("no date in started")
    try:
        began = datetime.fromisoformat(started)
        began + timedelta(seconds=duration_s)
    except OverflowError:
        raise ValueError(f"started is {started} and the take {duration_s:.0f} s long: there is no such time") from None
    return TakeSummary(
        file=file,
        offset=offset,
        id=get.text("id"),
        started=started,
        day=began.date().isoformat(),
        duration_s=duration_s,
        title=get.text("title"),
        origin=get.text("origin"),
        sha256=get.text("sha256"),
        part=get.text("part"),
        bars=get.text("bars"),
        instrument=get.text("instrument"),
        port=get.text("port"),
        tempo_bpm=_tempo(get),
        target_bpm=get.number("target_bpm"),
        rung=get.whole("rung"),
        clean=int(get.truth("clean")),
        because=get.text("because"),
        advice=get.text("advice"),
        interrupted=get.text("interrupted"),
        trouble_bars=" ".join(get.texts("trouble_bars")),
        example=int(example),
        performance=int(get.truth("performance")),
    )
