"""Is a chart's data sound? Every fault is found, each with its place, such as `$.fingering[3].keys`.

Beyond types and names this asks the horn itself: does each fingering sound its note, and can a hand hold it?
"""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from companion.charts.hands import fingers_overstretched
from companion.charts.model import Chart, Fingering, Hole, Key, OctaveKey, ThirdRegister, note_name
from companion.errors import ChartError

__all__ = ["Entry", "Sheet", "chart_from", "fingers_overstretched"]

DIAGRAM_WIDTH = 100.0
DIAGRAM_HEIGHT = 200.0
MAX_FAULTS_SHOWN = 40
HANDS = ("left", "right")
FINGERS = ("thumb", "index", "middle", "ring", "little", "palm", "side")
SHAPES = ("round", "bar", "touch")

#: What each kind of table may hold: name -> (type, required).
_TOP = {"title": (str, True), "transposition": (int, True), "lowest_midi": (int, True), "highest_midi": (int, True)}
_KEY = {
    "name": (str, True), "label": (str, False), "hand": (str, True), "finger": (str, True), "shape": (str, True),
    "x": (float, True), "y": (float, True), "width": (float, True), "height": (float, True),
}  # fmt: skip
_HOLE = {
    "name": (str, True), "written_midi": (int, True), "stands": (str, True),
    "closed_by": (str, False), "opened_by": (str, False),
}  # fmt: skip
_OCTAVE = {"key": (str, True), "semitones": (int, True), "lower_vent_key": (str, True), "lower_vent_up_to": (int, True)}
_THIRD = {"keys": (str, True), "written_midi": (int, True)}
_FINGERING = {
    "written_midi": (int, True), "name": (str, True), "keys": (str, True), "standard": (bool, False),
    "upper": (bool, False), "mark": (str, False), "use": (str, False), "only_for": (str, False),
    "beside": (list, False), "source": (str, False),
}  # fmt: skip
_TYPE_WORDS = {str: "text", int: "a whole number", float: "a number", bool: "true or false", list: "a list of notes"}

Schema = dict[str, tuple[type, bool]]


@dataclass(frozen=True, slots=True)
class Entry:
    """A value of the file and where it stands."""

    place: str
    value: Any


@dataclass(slots=True)
class Sheet:
    """A chart file's raw content, what it extends laid under it, with the faults found so far."""

    file: str
    values: dict[str, Entry] = field(default_factory=dict)
    lists: dict[str, list[Entry]] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)


def chart_from(sheet: Sheet, name: str) -> Chart:
    """A checked `Chart`. Raises `ChartError` with all faults."""
    faults = sheet.faults
    top = _top_values(sheet)
    keys = _keys(sheet)
    known = {key.name for key in keys}
    holes = _holes(sheet, known)
    octave = _octave(sheet, known)
    third = _third_register(sheet, known)
    pairs = _fingerings(sheet, known, octave)
    _stop_at(faults, sheet.file)
    chart = Chart(
        name=name, keys=keys, holes=holes, fingerings=tuple(fingering for _, fingering in pairs), octave=octave,
        third_register=third, **top,
    )  # fmt: skip
    faults += _machine_faults(chart, pairs)
    _stop_at(faults, sheet.file)
    version = hashlib.sha256(_canonical(chart).encode()).hexdigest()[:10]
    return Chart(**{slot: getattr(chart, slot) for slot in Chart.__slots__} | {"version": version})


def _canonical(chart: Chart) -> str:
    """The chart as text that is the same in every run: sets in order."""
    fingerings = [
        (f.name, f.written_midi, sorted(f.keys), f.standard, sorted(f.beside), f.only_for) for f in chart.fingerings
    ]
    holes = [(h.name, h.written_midi, h.stands_open, sorted(h.closed_by), sorted(h.opened_by)) for h in chart.holes]
    third = [(sorted(t.keys), t.written_midi) for t in chart.third_register]
    fingers = [(k.name, k.hand, k.finger) for k in chart.keys]
    head = (chart.name, chart.transposition, chart.lowest_midi, chart.highest_midi, chart.octave)
    return repr((head, fingers, holes, third, fingerings))


def _stop_at(faults: list[str], file: str) -> None:
    if len(faults) > MAX_FAULTS_SHOWN:
        raise ChartError(file, [*faults[:MAX_FAULTS_SHOWN], f"and {len(faults) - MAX_FAULTS_SHOWN} more faults"])
    if faults:
        raise ChartError(file, faults)


def _fits(value: object, wanted: type) -> bool:
    if wanted is float:
        return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e6
    if wanted is int:
        return isinstance(value, int) and not isinstance(value, bool)
    return isinstance(value, wanted)


def _table_faults(entry: Entry, schema: Schema) -> list[str]:
    faults = []
    for name, value in entry.value.items():
        if name not in schema:
            near = difflib.get_close_matches(name, schema, 1)
            faults.append(f"{entry.place}.{name}: unknown entry" + (f", did you mean {near[0]!r}?" if near else ""))
        elif not _fits(value, schema[name][0]):
            faults.append(f"{entry.place}.{name}: expected {_TYPE_WORDS[schema[name][0]]}, found {value!r:.40}")
    faults += [
        f"{entry.place}: {name!r} is missing" for name, (_, need) in schema.items() if need and name not in entry.value
    ]
    return faults


def _well_formed(sheet: Sheet, kind: str, schema: Schema) -> list[Entry]:
    good = []
    for entry in sheet.lists.get(kind, []):
        faults = _table_faults(entry, schema)
        sheet.faults += faults
        if not faults:
            good.append(entry)
    return good


def _top_values(sheet: Sheet) -> dict[str, Any]:
    values = {name: entry.value for name, entry in sheet.values.items() if name != "octave"}
    faults = _table_faults(Entry("$", values), _TOP)
    sheet.faults += faults
    if not faults:
        if not -48 <= values["transposition"] <= 24:
            sheet.faults.append(f"$.transposition: {values['transposition']} semitones; expected -48 to 24 (alto: -9)")
        if not 0 <= values["lowest_midi"] <= values["highest_midi"] <= 127:
            sheet.faults.append("$.lowest_midi: expected 0 <= lowest_midi <= highest_midi <= 127")
    return values


def _one_of(sheet: Sheet, place: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        sheet.faults.append(f"{place}: {value!r}; expected {', '.join(allowed)}")


def _twice(sheet: Sheet, kind: str, entries: list[Entry]) -> None:
    seen: set[str] = set()
    for entry in entries:
        if entry.value["name"] in seen:
            sheet.faults.append(f"{entry.place}.name: a second {kind} called {entry.value['name']!r}")
        seen.add(entry.value["name"])


def _keys(sheet: Sheet) -> tuple[Key, ...]:
    entries = _well_formed(sheet, "key", _KEY)
    _twice(sheet, "key", entries)
    keys = []
    for entry in entries:
        key = Key(**{"label": "", **entry.value})
        _one_of(sheet, f"{entry.place}.hand", key.hand, HANDS)
        _one_of(sheet, f"{entry.place}.finger", key.finger, FINGERS)
        _one_of(sheet, f"{entry.place}.shape", key.shape, SHAPES)
        if not key.name or len(key.name.split()) != 1:
            sheet.faults.append(f"{entry.place}.name: {key.name!r}; expected one word")
        across = 0 <= key.x < key.x + key.width <= DIAGRAM_WIDTH
        if not (across and 0 <= key.y < key.y + key.height <= DIAGRAM_HEIGHT):
            sheet.faults.append(f"{entry.place}: lies outside the diagram, which is 100 wide and 200 high")
        keys.append(key)
    return tuple(keys)


def _named_keys(sheet: Sheet, place: str, text: str, known: set[str]) -> frozenset[str]:
    words = text.split()
    for word in words:
        if word not in known:
            near = difflib.get_close_matches(word, sorted(known), 1)
            sheet.faults.append(f"{place}: unknown key {word!r}" + (f", did you mean {near[0]!r}?" if near else ""))
    return frozenset(words)


def _midi(sheet: Sheet, place: str, value: int) -> int:
    if not 0 <= value <= 127:
        sheet.faults.append(f"{place}: {value}; expected a MIDI note number, 0 to 127")
    return value


def _holes(sheet: Sheet, known: set[str]) -> tuple[Hole, ...]:
    entries = _well_formed(sheet, "hole", _HOLE)
    _twice(sheet, "hole", entries)
    holes = []
    for entry in entries:
        value, place = entry.value, entry.place
        _one_of(sheet, f"{place}.stands", value["stands"], ("open", "closed"))
        holes.append(
            Hole(
                value["name"],
                _midi(sheet, f"{place}.written_midi", value["written_midi"]),
                value["stands"] == "open",
                _named_keys(sheet, f"{place}.closed_by", value.get("closed_by", ""), known),
                _named_keys(sheet, f"{place}.opened_by", value.get("opened_by", ""), known),
            )
        )
    # An inherited hole may have come late in the file: the note it sounds tells its place on the tube.
    holes.sort(key=lambda hole: -hole.written_midi)
    if not holes or not holes[-1].stands_open or holes[-1].closed_by:
        sheet.faults.append("$.hole: the lowest one must stand open with nothing to close it, as the bell does")
    return tuple(holes)


def _octave(sheet: Sheet, known: set[str]) -> OctaveKey | None:
    entry = sheet.values.get("octave")
    if entry is None:
        return None
    if not isinstance(entry.value, dict):
        sheet.faults.append(f"{entry.place}: write it as [octave]")
        return None
    faults = _table_faults(entry, _OCTAVE)
    sheet.faults += faults
    if faults:
        return None
    octave = OctaveKey(**entry.value)
    for name in ("key", "lower_vent_key"):
        _named_keys(sheet, f"{entry.place}.{name}", entry.value[name], known)
    return octave


def _third_register(sheet: Sheet, known: set[str]) -> tuple[ThirdRegister, ...]:
    return tuple(
        ThirdRegister(
            _named_keys(sheet, f"{entry.place}.keys", entry.value["keys"], known),
            _midi(sheet, f"{entry.place}.written_midi", entry.value["written_midi"]),
        )
        for entry in _well_formed(sheet, "third_register", _THIRD)
    )


def _fingerings(sheet: Sheet, known: set[str], octave: OctaveKey | None) -> list[tuple[str, Fingering]]:
    pairs = []
    for entry in _well_formed(sheet, "fingering", _FINGERING):
        value, place = dict(entry.value), entry.place
        upper = value.pop("upper", False)
        value["keys"] = _named_keys(sheet, f"{place}.keys", value["keys"], known)
        _midi(sheet, f"{place}.written_midi", value["written_midi"])
        if value.get("only_for", "") not in ("", "trill"):
            sheet.faults.append(f'{place}.only_for: {value["only_for"]!r}; expected "trill" or nothing')
        if not all(_fits(note, int) for note in value.get("beside", [])):
            sheet.faults.append(f"{place}.beside: expected MIDI note numbers")
            continue
        value["beside"] = frozenset(value.get("beside", []))
        pairs.append((place, Fingering(**value)))
        if upper and octave is None:
            sheet.faults.append(f"{place}.upper: this chart has no [octave]")
        elif upper and octave is not None:
            pairs.append((place, _octave_higher(pairs[-1][1], octave)))
    return pairs


def _octave_higher(fingering: Fingering, octave: OctaveKey) -> Fingering:
    return Fingering(
        fingering.name,
        fingering.written_midi + octave.semitones,
        fingering.keys | {octave.key},
        fingering.standard,
        fingering.mark,
        fingering.use,
        fingering.only_for,
        frozenset(note + octave.semitones for note in fingering.beside),
        fingering.source,
    )


def _machine_faults(chart: Chart, pairs: Iterable[tuple[str, Fingering]]) -> list[str]:
    """What only the horn and the hand can tell: pitch, reach, one standard fingering for every note of the range."""
    faults = []
    seen: set[tuple[int, str]] = set()
    standards: dict[int, str] = {}
    for place, fingering in pairs:
        note, sounds = fingering.written_midi, chart.sound(fingering.keys)
        if sounds != note:
            faults.append(f"{place}.keys: sound {note_name(sounds)}, not {note_name(note)}")
        if not chart.lowest_midi <= note <= chart.highest_midi:
            faults.append(f"{place}.written_midi: {note_name(note)} lies outside the range")
        faults += [f"{place}.keys: {reason}" for reason in fingers_overstretched(chart, fingering.keys)]
        if (note, fingering.name) in seen:
            faults.append(f"{place}.name: a second {fingering.name!r} for {note_name(note)}")
        seen.add((note, fingering.name))
        if fingering.standard and note in standards:
            faults.append(f"{place}.standard: {note_name(note)} already has one, {standards[note]}")
        elif fingering.standard:
            standards[note] = place
    missing = [note_name(n) for n in range(chart.lowest_midi, chart.highest_midi + 1) if n not in standards]
    if missing:
        faults.append(f"$.fingering: no standard fingering for {' '.join(missing)}")
    return faults
